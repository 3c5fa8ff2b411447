"""Which of a day's jobs still ran on the old oil, where the register says only on what day it was changed.

Oil is often changed on the day of a job: before it, because it was due, or after it, because the job was wet.  Taken the
wrong way round, hours and grams of that job are laid on fresh oil for as long as it stays in, and a floor of the old oil
is laid on the new.  The floors of the day itself, and those of the filling that follows, tell which it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import partial

import numpy as np
import polars as pl
from numba import njit
from numpy.typing import NDArray

from blankoff.fleet.oil_floors import floor_likelihood
from blankoff.fleet.oil_history import oil_histories
from blankoff.fleet.oil_kernels import BY_HOURS, BY_WATER, FRESH, HOURS_BEFORE, HOURS_UNIT, POWER
from blankoff.fleet.oil_model import START_MEAN, TOGETHER, OilPrior, PumpFit, PumpRows, fit_fleet, pump_rows
from blankoff.fleet.threads import in_threads

__all__ = ["dated_changes", "settled_rows"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_LATE = 3
"""Uses of one day that may have run on the old oil; more are tried as all (judgement)."""
WET_G, WET_FIRST = 5.0, 1.5
"""Oil is changed because a job was wet rather than before it: ln odds, from so many grams (judgement)."""
FILLING_GRID = np.linspace(-0.8, 0.8, 9)
"""ln factors by which a filling may differ from its pump's usual, tried for each order of events."""
USUAL_BY_WATER = START_MEAN[BY_WATER]


def settled_rows(
    work: pl.DataFrame, services: pl.DataFrame, floors: pl.DataFrame, as_of: date, turns: int = 4
) -> list[PumpRows]:
    """Floors and oil of every pump, with the order of changes and jobs of one day settled by the floors.

    Parameters
    ----------
    work, services : DataFrame
        As for `oil_history.oil_histories`.
    floors : DataFrame
        From `pump_side.pump_side_floors`.
    as_of : date
    turns : int
        Times that the oils are fitted and the orders asked.
    """
    rows = pump_rows(oil_histories(work, services, as_of), floors)
    late: dict[tuple[str, float], int] = {}
    for _ in range(turns):
        fleet = fit_fleet(rows, rounds=3, free_fillings=False)
        pumps = list(zip(rows, fleet.fits, strict=True))
        told = in_threads(partial(_changes_of, fleet.prior), pumps, TOGETHER)
        found = {k: v for changes in told for k, v in changes.items()}
        if found == late:
            break
        late = found
        rows = pump_rows(oil_histories(work, services, as_of, late), floors)
    return rows


def _changes_of(prior: OilPrior, pump: tuple[PumpRows, PumpFit]) -> Mapping[tuple[str, float], int]:
    return dated_changes(*pump, prior)


def dated_changes(rows: PumpRows, fit: PumpFit, prior: OilPrior) -> Mapping[tuple[str, float], int]:
    """For each of a pump's changes with uses on its day: how many of them ran before it.

    Parameters
    ----------
    rows : PumpRows
    fit : PumpFit
        As things stand.
    prior : OilPrior

    Returns
    -------
    mapping of (pump_id, day) to int
        Only those that are not 0.
    """
    oil = rows.oil
    out: dict[tuple[str, float], int] = {}
    if rows.y.size == 0 or oil.changes.size == 0:
        return out
    fill = np.searchsorted(oil.changes, oil.date, side="right").astype(np.int64)
    for k, day in enumerate(oil.changes):
        uses = np.flatnonzero(oil.date == day)
        if uses.size == 0:
            continue
        tried = sorted({*range(min(MOST_LATE, uses.size) + 1), uses.size})
        swallowed = np.concatenate([[0.0], np.cumsum(oil.job_water_g[uses])])
        scores = []
        for late in tried:
            now = fill.copy()
            now[uses[:late]] = k
            wet = WET_FIRST if swallowed[late] > WET_G else 0.0
            scores.append(_score(rows, fit, prior, now, (k, k + 1)) + wet)
        # With nothing to tell by, the change came first.
        best = tried[int(np.argmax(np.array(scores) - 1e-6 * np.array(tried)))]
        fill[uses[:best]] = k
        if best:
            out[oil.pump_id, float(day)] = best
    return out


def _score(rows: PumpRows, fit: PumpFit, prior: OilPrior, fill: Ints, asked: tuple[int, int]) -> float:
    """Ln likelihood of the floors on two fillings, each with the factor that suits it best."""
    oil = rows.oil
    tilt = np.exp(fit.gauge_ln)
    floors = (rows.at, rows.y - fit.gauge_ln, rows.load / tilt, rows.load_se, rows.se, fit.leak_micron)
    total = 0.0
    for number in asked:
        held, y, load, load_se, se = _held_up(number, fill, oil.job_hours, oil.job_water_g, *floors, fit.theta)
        if held.shape[1] == 0:
            continue
        each = floor_likelihood(y, held, load, load_se, se, prior.own_sd)
        each = each - np.tile(0.5 * (FILLING_GRID / prior.fill_sd) ** 2, 2)
        total += float(np.logaddexp.reduce(each))
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _held_up(
    number: int,
    fill: Ints,
    job_hours: Floats,
    job_water_g: Floats,
    at: Ints,
    y: Floats,
    load: Floats,
    load_se: Floats,
    se: Floats,
    leak: Floats,
    theta: Floats,
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """What is held up of the floors on one filling, (guesses, n); and those floors' y, load, load_se and se.

    Water laid on the wrong oil hides what water does: the usual effect of it is tried beside the fitted one.
    """
    on = np.flatnonzero(fill[at] == number)
    hours, water = np.empty(fill.size), np.empty(fill.size)
    ran, swallowed = 0.0, 0.0
    for i in range(fill.size):
        if fill[i] == number:
            ran += job_hours[i]
            swallowed += job_water_g[i]
            hours[i], water[i] = ran - 0.5 * job_hours[i], swallowed
    tries = FILLING_GRID.size
    out = np.empty((2 * tries, on.size))
    before = np.exp(theta[HOURS_BEFORE]) if number == 0 else 0.0
    for j in range(on.size):
        i = at[on[j]]
        grown = np.exp(theta[BY_HOURS]) * (max(hours[i] + before, 1e-3) / HOURS_UNIT) ** np.exp(theta[POWER])
        for c in range(2):
            spoiled = grown + np.exp(theta[BY_WATER] if c == 0 else USUAL_BY_WATER) * water[i]
            for m in range(tries):
                out[c * tries + m, j] = np.exp(theta[FRESH]) + np.exp(FILLING_GRID[m]) * spoiled + leak[on[j]]
    return out, y[on], load[on], load_se[on], se[on]
