"""Pulls drawn by the model of a band, and the rate in it by least squares written out: for the tests of speeds."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def pumped(t: Array, start: float, k: float, s: float, load: float, centre: float) -> Array:
    """Pressure by ``d ln p / dt = -k (1 + s ln(p / centre)) + load / p``: small steps of the midpoint rule."""
    out = np.empty(t.size)
    y = math.log(start)
    out[0] = start
    slope = lambda v: -k * (1.0 + s * (v - math.log(centre))) + load * math.exp(-v)  # noqa: E731
    for i in range(1, t.size):
        h = (t[i] - t[i - 1]) / 8.0
        for _ in range(8):
            y += h * slope(y + 0.5 * h * slope(y))
        out[i] = math.exp(y)
    return out


def written_out(
    t: Array,
    p: Array,
    centre: float = 1000.0,
    noise: float = 0.005,
    step: float = 1.0,
    bend: float = 0.5,
    bend_sd: float = 0.25,
    load: float = 1.0,
    load_sd: float = 2.0,
) -> Array:
    """The same rate from the band's readings alone: priors as rows of the design, three rounds of the bend's scale."""
    known = p > 0.0
    whole = np.arange(t.size)[known]
    t, p = t[known], p[known]
    dt = np.diff(t)
    ln = np.log(p / centre)
    u = np.concatenate([[0.0], np.cumsum(0.5 * dt * (ln[1:] + ln[:-1]))])
    g = np.concatenate([[0.0], np.cumsum(0.5 * dt * (1.0 / p[1:] + 1.0 / p[:-1]))])
    kept = whole % max(1, t.size // 200) == 0
    sd = np.sqrt(noise**2 + (step / p[kept]) ** 2 / 12.0 + 1e-8)
    design = np.column_stack([np.ones(kept.sum()), -(t - t[0])[kept], -u[kept], g[kept]]) / sd[:, None]
    y = np.log(p / p[0])[kept] / sd
    rate = max(math.log(p[0] / p[-1]) / (t[-1] - t[0]), 1e-7)
    for _ in range(3):
        rows = np.array([[0.0, 0.0, 1.0 / (bend_sd * rate), 0.0], [0.0, 0.0, 0.0, 1.0 / load_sd]])
        full = np.vstack([design, rows])
        right = np.concatenate([y, [bend / bend_sd, load / load_sd]])
        x, _, _, _ = np.linalg.lstsq(full, right, rcond=None)
        rate = x[1]
    rest = right - full @ x
    inflate = max(1.0, float(rest @ rest) / max(kept.sum() - 2, 1))
    se = math.sqrt(np.linalg.inv(full.T @ full)[1, 1] * inflate) / rate
    above = np.flatnonzero(p >= centre)
    return np.array([rate, se, p.size, t[above[-1]] if above.size else t[0], min(max(x[2] / rate, 0.0), 1.2)])
