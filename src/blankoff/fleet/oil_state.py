"""Where a pump's blank-off stands now: the model of its oil, moved by what its newest floors say.

Hours and noted water do not explain all: water that no log showed, oil from another can.  Within a filling the ratio of
truth to model may therefore wander; it begins at one with fresh oil.  A Kalman filter on logarithms follows it, with the
robust weights that the fit gave each floor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.oil_floors import floor_moments
from blankoff.fleet.oil_model import FleetOil, PumpFit, PumpRows, fit_arguments, predicted_blankoff
from blankoff.fleet.wear_levels import Floats
from blankoff.physics.compiled import kernel

__all__ = ["OilState", "oil_state", "wander_of_fleet"]

WANDERS = (0.0, 0.005, 0.01, 0.02, 0.04, 0.08)
"""Variances per use among which the fleet's own is chosen."""
MOST_PRIOR_SD = 0.6


@dataclass(frozen=True)
class OilState:
    """ln ratio of true to modelled blank-off after the newest use of the present filling, and its spread."""

    mean: float
    sd: float
    by_row: Floats
    """The filtered ratio at each row, (n,), ln."""


def _observations(rows: PumpRows, fit: PumpFit, own_sd: float) -> tuple[Floats, Floats]:
    """Ln ratio each floor shows, in terms of the blank-off alone, and its variance with robust weight."""
    held = predicted_blankoff(rows, fit.theta) + fit.leak_micron
    y, se, load, load_se = fit_arguments(rows, np.zeros(rows.y.size), fit.gauge_ln)
    value, variance = floor_moments(y, held, load, load_se, se, own_sd)
    return np.clip(value, -1.5, 1.5), variance


@kernel
def _filter(value: Floats, variance: Floats, fill: NDArray[np.int64], wander: float) -> tuple[Floats, Floats, float]:
    """Filtered mean and variance after each row, and the log likelihood of the rows."""
    n = value.size
    mean, spread = np.zeros(n), np.zeros(n)
    m, p, total = 0.0, 0.0, 0.0
    for i in range(n):
        if i and fill[i] != fill[i - 1]:
            m, p = 0.0, 0.0
        p += wander
        s = p + variance[i]
        total -= 0.5 * ((value[i] - m) ** 2 / s + np.log(s))
        gain = p / s
        m += gain * (value[i] - m)
        p *= 1.0 - gain
        mean[i], spread[i] = m, p
    return mean, spread, total


def wander_of_fleet(fleet: FleetOil) -> float:
    """Variance per use that makes the fleet's floors likeliest."""
    parts = [
        (*_observations(r, f, fleet.prior.own_sd), r.fill)
        for r, f in zip(fleet.rows, fleet.fits, strict=True)
        if r.y.size >= 5
    ]
    if not parts:
        return WANDERS[1]
    likelihood = [sum(_filter(v, s, k, q)[2] for v, s, k in parts) for q in WANDERS]
    return WANDERS[int(np.argmax(likelihood))]


def oil_state(rows: PumpRows, fit: PumpFit, own_sd: float, wander: float) -> OilState:
    """Filter one pump to its newest use."""
    if rows.y.size == 0:
        return OilState(0.0, np.sqrt(wander), np.empty(0))
    value, variance = _observations(rows, fit, own_sd)
    mean, spread, _ = _filter(value, variance, rows.fill, wander)
    current, _, _ = rows.oil.now()
    if rows.fill[-1] != current:
        return OilState(0.0, float(np.sqrt(wander)), mean)
    unseen = int((rows.oil.fill == current).sum() - (rows.fill == current).sum())
    after_last = int(rows.oil.day.size - 1 - rows.at[-1]) if unseen else 0
    return OilState(float(mean[-1]), float(min(np.sqrt(spread[-1] + wander * after_last), MOST_PRIOR_SD)), mean)
