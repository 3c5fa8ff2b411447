"""The fitted curve of one judged hold, in its parts, for charts and pages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.hold import CHOKED_SHARE
from blankoff.evacuation.hold_gram import EVENING_S, SETTLING_S
from blankoff.evacuation.noise import BLOCKS, block_means
from blankoff.physics.atmosphere import standard_pressure_micron
from blankoff.physics.nonnegative import nonnegative_fit
from blankoff.samples import SampleBatch

__all__ = ["HoldCurve", "hold_curve"]

FloatArray = NDArray[np.float64]

_TAUS = 14
_SHORTEST_S = 28.0
_LEAST_ERROR = 2.0
"""Least standard error with which a judged rise is taken, microns: the drawing is of readings."""


@dataclass(frozen=True)
class HoldCurve:
    """Pressure over a hold and what it is made of; all arrays are ``(points,)`` but for the blocks'.

    Attributes
    ----------
    elapsed_s
        Seconds from the log's first reading.
    total_micron
        Fitted pressure, settling step included.
    steady_micron, saturating_micron
        Rise of the two parts since isolation.
    start_micron
        Fitted pressure at isolation, the settling step run out.
    block_s, block_micron, block_sd_micron : (blocks,)
        Means of the readings, and how sure each is by white noise and quantisation.
    """

    elapsed_s: FloatArray
    total_micron: FloatArray
    steady_micron: FloatArray
    saturating_micron: FloatArray
    start_micron: float
    block_s: FloatArray
    block_micron: FloatArray
    block_sd_micron: FloatArray


def hold_curve(
    log: SampleBatch,
    start_s: float,
    end_s: float,
    leak_micron_per_min: float,
    *,
    points: int = 121,
    altitude_m: float = 0.0,
    judged_rise: tuple[float | None, float | None, float | None] = (None, None, None),
) -> HoldCurve | None:
    """Fitted curve of a hold for a given steady part.

    The steady part is the one that was judged; the rest is the non-negative mixture of exponential approaches that
    fits the readings best beside it, and adds what was judged as far as they leave that open: a step that settles and the
    quickest of these approaches look much alike.

    Parameters
    ----------
    log
        One log.
    start_s, end_s
        The hold, seconds from the log's first reading.
    leak_micron_per_min
        Steady part, as in the table `result`.
    points
        Points of the curve, evenly spaced.
    altitude_m
        Above sea level; bounds the pressures at which a leak is still choked.
    judged_rise
        ``moisture_rise_micron`` and its standard error as in the table `result`, and the minutes over which it rises; None where it was not judged.

    Returns
    -------
    HoldCurve or None
        None where the hold has too few readings for a curve.

    Raises
    ------
    ValueError
        If `log` is not one log.
    """
    if len(log) != 1:
        raise ValueError(f"one log is wanted, {len(log)} were given; use SampleBatch.log")
    t, p, var = np.empty(BLOCKS), np.empty(BLOCKS), np.empty(BLOCKS)
    ceiling = CHOKED_SHARE * float(standard_pressure_micron(altitude_m))
    n, _, _, last_s = block_means(log.elapsed_s, log.pressure_micron, start_s, end_s, ceiling, t, p, var)
    if n < 4:
        return None
    t, p, sd = t[:n], p[:n], np.sqrt(var[:n])
    tau = np.geomspace(_SHORTEST_S, max(4.0 * last_s, 4.0 * _SHORTEST_S), _TAUS)

    def parts(at: FloatArray) -> FloatArray:
        return np.asarray(1.0 - np.exp(-at[:, None] / tau[None, :]))

    step, evening = np.exp(-t / SETTLING_S), np.exp(-t / EVENING_S)
    columns = np.column_stack([np.ones(n), -np.ones(n), step, -step, evening, -evening, parts(t)])
    # what settles is no more than the pressure itself: without readings in the first seconds nothing else would say so
    kept = np.zeros((2, columns.shape[1]))
    kept[0, 2:4], kept[1, 4:6] = (1.0, -1.0), (1.0, -1.0)
    columns = np.vstack([columns, kept])
    target, weight = np.r_[p - leak_micron_per_min * t / 60.0, 0.0, 0.0], np.r_[sd, p[0], p[0]]
    rise, error, over_min = judged_rise
    if rise is not None and error is not None and over_min is not None:
        columns = np.vstack([columns, np.r_[np.zeros(6), parts(np.array([60.0 * over_min]))[0]]])
        target, weight = np.r_[target, rise], np.r_[weight, max(error, _LEAST_ERROR)]
    amplitude = nonnegative_fit(columns / weight[:, None], target / weight)
    at = np.linspace(0.0, last_s, points)
    start = float(amplitude[0] - amplitude[1])
    steady = leak_micron_per_min * at / 60.0
    saturating = parts(at) @ amplitude[6:]
    total = start + steady + saturating
    total += (amplitude[2] - amplitude[3]) * np.exp(-at / SETTLING_S)
    total += (amplitude[4] - amplitude[5]) * np.exp(-at / EVENING_S)
    return HoldCurve(start_s + at, total, steady, saturating, start, start_s + t, p, sd)
