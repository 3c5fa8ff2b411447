"""From the true pressure to what the logger writes: noise, calibration, steps, range, gaps."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .parts import Gauge

Floats = NDArray[np.float64]


def sample_times_s(gauge: Gauge, total_s: float, rng: np.random.Generator) -> Floats:
    """Draw the times at which the logger reads, ascending, from 0 to `total_s`."""
    interval_s = 1.0 if gauge.on_change else gauge.interval_s
    count = int(total_s / interval_s) + 1
    times = np.arange(count, dtype=np.float64) * interval_s
    if gauge.jitter_share > 0.0:
        jitter = np.clip(rng.normal(0.0, gauge.jitter_share, count), -0.45, 0.45) * interval_s
        times = np.maximum(times + jitter, 0.0)
        times[0] = 0.0
        times = np.maximum.accumulate(times + np.arange(count) * 1e-6)
    return np.asarray(times, dtype=np.float64)


@njit(cache=True, nogil=True)
def lagged(times_s: Floats, micron: Floats, lag_s: float) -> Floats:
    """Pass a piecewise linear curve through a first-order lag, exactly, starting in balance."""
    out = micron.copy()
    if lag_s <= 0.0:
        return out
    for i in range(1, times_s.size):
        dt = times_s[i] - times_s[i - 1]
        trail = (micron[i] - micron[i - 1]) / max(dt, 1e-9) * lag_s
        out[i] = micron[i] - trail + (out[i - 1] - micron[i - 1] + trail) * np.exp(-dt / lag_s)
    return out


@njit(cache=True, nogil=True)
def _wander(times_s: Floats, normal: Floats, time_constant_s: float) -> Floats:
    """Make unit AR(1) noise at uneven times."""
    out = np.empty(times_s.size)
    if times_s.size == 0:
        return out
    out[0] = normal[0]
    for i in range(1, times_s.size):
        keep = np.exp(-(times_s[i] - times_s[i - 1]) / time_constant_s)
        out[i] = keep * out[i - 1] + np.sqrt(1.0 - keep * keep) * normal[i]
    return out


def noisy_reading_micron(gauge: Gauge, times_s: Floats, lagged_micron: Floats, rng: np.random.Generator) -> Floats:
    """Make readings with calibration, noise, display steps and range (NaN above it)."""
    count = times_s.size
    wander = _wander(times_s, rng.standard_normal(count), gauge.wander_time_s)
    white = rng.standard_normal(count)
    additive = rng.standard_normal(count)
    factor = gauge.calibration_ratio * np.exp(0.01 * (gauge.white_percent * white + gauge.wander_percent * wander))
    reading = lagged_micron * factor + gauge.offset_micron + gauge.white_micron * additive
    reading = np.maximum(reading, 0.0)
    step = np.full(count, gauge.steps[-1][1])
    for below, size in reversed(gauge.steps):
        step[reading < below] = size
    reading = np.round(reading / step) * step
    reading[reading > gauge.top_of_range_micron] = np.nan
    return np.asarray(reading, dtype=np.float64)


def freeze(gauge: Gauge, times_s: Floats, reading: Floats, rng: np.random.Generator) -> Floats:
    """Repeat one reading over each frozen stretch."""
    out = reading.copy()
    for _ in range(gauge.frozen):
        start = rng.uniform(times_s[0], times_s[-1])
        inside = (times_s >= start) & (times_s < start + gauge.frozen_s)
        if inside.any():
            out[inside] = out[int(np.argmax(inside))]
    return out


def kept(
    gauge: Gauge,
    times_s: Floats,
    reading: Floats,
    isolated_s: float,
    rng: np.random.Generator,
) -> NDArray[np.bool_]:
    """Mask of the readings that reach the log: radio gaps out, and unchanged values if on change."""
    keep = np.ones(times_s.size, dtype=bool)
    for _ in range(gauge.dropouts):
        start = rng.uniform(times_s[0], times_s[-1])
        keep &= ~((times_s >= start) & (times_s < start + rng.exponential(gauge.dropout_s)))
    if gauge.dropout_at_isolation and np.isfinite(isolated_s):
        start = isolated_s - rng.uniform(0.2, 0.8) * gauge.dropout_s
        keep &= ~((times_s >= start) & (times_s < start + gauge.dropout_s))
    if gauge.on_change:
        keep &= _changes(times_s, np.nan_to_num(reading, nan=-1.0), gauge.longest_silence_s)
    if not keep.any():
        keep[0] = True
    return keep


@njit(cache=True, nogil=True)
def _changes(times_s: Floats, reading: Floats, longest_silence_s: float) -> NDArray[np.bool_]:
    keep = np.zeros(times_s.size, dtype=np.bool_)
    last = 0
    for i in range(times_s.size):
        if i == 0 or reading[i] != reading[last] or times_s[i] - times_s[last] >= longest_silence_s:
            keep[i] = True
            last = i
    return keep
