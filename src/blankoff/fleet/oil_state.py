"""Where a pump's blank-off stands now: the model of its oil, moved by what its newest floors say.

Hours and noted water do not explain all: water that no log showed, oil from another can.  Within a filling the ratio of
truth to model may therefore wander; it begins at one with fresh oil.  What a wet job brought is known to a factor only, so that
the ratio may jump with it; its own floor says little, for the circuit still gives off water, and the next dry jobs say it.
A Kalman filter on logarithms follows the ratio, with the robust weights that the fit gave each floor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.oil_floors import floor_moments
from blankoff.fleet.oil_kernels import BY_WATER, HEAD
from blankoff.fleet.oil_model import (
    FleetOil,
    PumpFit,
    PumpRows,
    fit_arguments,
    predicted_blankoff,
    predicted_blankoff_at,
)
from blankoff.fleet.wear_levels import Floats
from blankoff.physics.compiled import kernel

__all__ = ["OilState", "oil_state", "wander_of_fleet"]

WANDERS = (0.0, 0.005, 0.01, 0.02, 0.04, 0.08)
"""Variances per use among which the fleet's own is chosen."""
MOST_PRIOR_SD = 0.6
WATER_SD = 0.6
"""How well a job's swallowed water is known, ln (found on wet jobs of two simulators: a factor of 1.8 either way)."""
WET_SD, WET_G = 0.5, 3.0
"""How far above pump and known load the floor of a wet job itself may stand, ln; half of it (in variance) at so many grams
(judgement)."""


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
    water = rows.oil.job_water_g[rows.at]
    se = np.hypot(se, WET_SD * water / np.hypot(water, WET_G))
    value, variance = floor_moments(y, held, load, load_se, se, own_sd)
    return np.clip(value, -1.5, 1.5), variance


def _jumps(rows: PumpRows, fit: PumpFit) -> Floats:
    """Variance of the ratio that the water of each of the pump's uses brings, ln, (uses,)."""
    oil = rows.oil
    micron = predicted_blankoff_at(fit.theta, oil.fill, oil.hours, oil.water_g)
    by_water = np.exp(fit.theta[BY_WATER] + fit.theta[HEAD + oil.fill]) * oil.job_water_g
    return np.asarray((WATER_SD * by_water / micron) ** 2)


def _steps(rows: PumpRows, fit: PumpFit) -> tuple[Floats, float]:
    """What water brings from one row to the next, or from fresh oil, (n,); and from the last row to the newest use."""
    total = np.concatenate([[0.0], np.cumsum(_jumps(rows, fit))])
    begins = np.searchsorted(rows.oil.fill, rows.fill, side="left")
    before = np.concatenate([[0], rows.at[:-1] + 1])
    return total[rows.at + 1] - total[np.maximum(before, begins)], float(total[-1] - total[rows.at[-1] + 1])


@kernel
def _filter(
    value: Floats, variance: Floats, fill: NDArray[np.int64], step: Floats, wander: float
) -> tuple[Floats, Floats, float]:
    """Filtered mean and variance after each row, and the log likelihood of the rows."""
    n = value.size
    mean, spread = np.zeros(n), np.zeros(n)
    m, p, total = 0.0, 0.0, 0.0
    for i in range(n):
        if i and fill[i] != fill[i - 1]:
            m, p = 0.0, 0.0
        p += wander + step[i]
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
        (*_observations(r, f, fleet.prior.own_sd), r.fill, _steps(r, f)[0])
        for r, f in zip(fleet.rows, fleet.fits, strict=True)
        if r.y.size >= 5
    ]
    if not parts:
        return WANDERS[1]
    likelihood = [sum(_filter(v, s, k, w, q)[2] for v, s, k, w in parts) for q in WANDERS]
    return WANDERS[int(np.argmax(likelihood))]


def oil_state(rows: PumpRows, fit: PumpFit, own_sd: float, wander: float) -> OilState:
    """Filter one pump to its newest use."""
    if rows.y.size == 0:
        return OilState(0.0, np.sqrt(wander), np.empty(0))
    value, variance = _observations(rows, fit, own_sd)
    step, since = _steps(rows, fit)
    mean, spread, _ = _filter(value, variance, rows.fill, step, wander)
    current, _, _ = rows.oil.now()
    if rows.fill[-1] != current:
        unseen_jumps = float(_jumps(rows, fit)[rows.oil.fill == current].sum())
        return OilState(0.0, float(min(np.sqrt(wander + unseen_jumps), MOST_PRIOR_SD)), mean)
    unseen = int((rows.oil.fill == current).sum() - (rows.fill == current).sum())
    after_last = int(rows.oil.day.size - 1 - rows.at[-1]) if unseen else 0
    return OilState(float(mean[-1]), float(min(np.sqrt(spread[-1] + wander * after_last + since), MOST_PRIOR_SD)), mean)
