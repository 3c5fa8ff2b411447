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
from numpy.typing import NDArray

from blankoff.fleet.oil_floors import floor_likelihood
from blankoff.fleet.oil_history import oil_histories, reordered
from blankoff.fleet.oil_kernels import BY_HOURS, BY_WATER, FRESH, HOURS_BEFORE, HOURS_UNIT, POWER
from blankoff.fleet.oil_model import START_MEAN, TOGETHER, OilPrior, PumpFit, PumpRows, fit_fleet, pump_rows, with_oil
from blankoff.fleet.threads import in_threads
from blankoff.physics.compiled import vector_kernel

__all__ = ["dated_changes", "settled_rows"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_Floors = tuple[Floats, Floats, Ints, Floats, Floats, Floats, Floats, Floats, Floats]

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
        moved = {pump for (pump, _), _ in found.items() ^ late.items()}
        late = found
        rows = [with_oil(r, reordered(r.oil, late)) if r.oil.pump_id in moved else r for r in rows]
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
    if rows.y.size == 0 or oil.changes.size == 0:
        return {}
    fill = np.searchsorted(oil.changes, oil.date, side="right").astype(np.int64)
    tilt = np.exp(fit.gauge_ln)
    floors = (
        oil.job_hours, oil.job_water_g, rows.at, rows.y - fit.gauge_ln, rows.load / tilt, rows.load_se, rows.se,
        fit.leak_micron, fit.theta,
    )  # fmt: skip
    late = _late_uses(oil.changes, oil.date, fill, floors, prior.own_sd, prior.fill_sd)
    return {(oil.pump_id, float(day)): int(n) for day, n in zip(oil.changes, late, strict=True) if n}


@vector_kernel
def _late_uses(changes: Floats, dates: Floats, fill: Ints, floors: _Floors, own_sd: float, fill_sd: float) -> Ints:
    """How many uses of its day ran before each change, the changes in order; changes ``fill`` in place."""
    job_water_g = floors[1]
    out = np.zeros(changes.size, dtype=np.int64)
    for k in range(changes.size):
        uses = np.flatnonzero(dates == changes[k])
        if uses.size == 0:
            continue
        few = min(MOST_LATE, uses.size)
        top, swallowed = -np.inf, 0.0
        for late in range(uses.size + 1):
            if late > 0:
                swallowed += job_water_g[uses[late - 1]]
            if few < late < uses.size:
                continue
            now = fill.copy()
            now[uses[:late]] = k
            score = _score(now, k, own_sd, fill_sd, floors) + _score(now, k + 1, own_sd, fill_sd, floors)
            # With nothing to tell by, the change came first.
            score += (WET_FIRST if swallowed > WET_G else 0.0) - 1e-6 * late
            if score > top:
                top, out[k] = score, late
        fill[uses[: out[k]]] = k
    return out


@vector_kernel
def _score(fill: Ints, number: int, own_sd: float, fill_sd: float, floors: _Floors) -> float:
    """Ln likelihood of the floors on one filling, with the factor that suits it best."""
    held, y, load, load_se, se = _held_up(number, fill, floors)
    if held.shape[1] == 0:
        return 0.0
    each = floor_likelihood(y, held, load, load_se, se, own_sd)
    total = -np.inf
    for j in range(each.size):
        one = each[j] - 0.5 * (FILLING_GRID[j % FILLING_GRID.size] / fill_sd) ** 2
        high, low = max(total, one), min(total, one)
        total = high + np.log1p(np.exp(low - high))
    return total


@vector_kernel
def _held_up(number: int, fill: Ints, floors: _Floors) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """What is held up of the floors on one filling, (guesses, n); and those floors' y, load, load_se and se.

    Water laid on the wrong oil hides what water does: the usual effect of it is tried beside the fitted one.
    """
    job_hours, job_water_g, at, y, load, load_se, se, leak, theta = floors
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
