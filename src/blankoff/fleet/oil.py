"""When each pump's oil is due: blank-off now, first passage over the limit as a distribution, and the cheapest day."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import t as t_dist

from blankoff.fleet.oil_history import PumpOil
from blankoff.fleet.oil_kernels import FRESH, GAUGE, LEAK
from blankoff.fleet.oil_model import TOGETHER, FleetOil, PumpFit, PumpRows, predicted_blankoff, predicted_blankoff_at
from blankoff.fleet.oil_passage import DRAWS, drawn_blankoff, passage_days
from blankoff.fleet.oil_state import OilState, oil_state, wander_of_fleet
from blankoff.fleet.threads import in_threads
from blankoff.settings import Settings

__all__ = ["FORECAST_SCHEMA", "Pace", "PumpOutlook", "forecast_frame", "outlooks", "outlooks_to", "pace_of", "put_off"]

Floats = NDArray[np.float64]

FORECAST_SCHEMA = {
    "as_of": pl.Date,
    "pump_id": pl.String,
    "oil_hours": pl.Float64,
    "blankoff_micron": pl.Float64,
    "due_on": pl.Date,
    "due_lower": pl.Date,
    "due_upper": pl.Date,
    "reason": pl.String,
    "blankoff_lower": pl.Float64,
    "blankoff_upper": pl.Float64,
    "fresh_blankoff_micron": pl.Float64,
    "p_over_limit": pl.Float64,
    "oil_water_g": pl.Float64,
    "hours_per_week": pl.Float64,
    "water_g_per_week": pl.Float64,
    "least_cost_on": pl.Date,
    "cost_of_waiting_per_week": pl.Float64,
}
"""Contract table ``oil_forecast`` and what stands beside it."""

HALF_LIFE_DAYS = 240.0
"""How fast a pump's past pace of work loses weight; the seasons of a year are all in it (judgement)."""
PACE_CHANGE_CV, WATER_CHANGE_CV = 0.18, 0.3
"""How far a pump's work to come may differ from its past beyond chance: it changes vans, seasons turn (judgement)."""
UNSEEN_SD, UNSEEN_FREEDOM = 0.1, 4.0
"""What no model of hours and water sees of a blank-off, ln, and the degrees of freedom of its tails: a gauge that reads a
quarter too high is met now and then (judgement; checked by the back-test's coverage)."""
LEAK_SD = 0.1
"""How well what a leaking line adds to a floor is known, as a share of it (judgement)."""
PACE_PRIOR_USES = 6.0
"""A pump's pace leans on the fleet's as if on so many uses of it (judgement)."""
AS_GOOD_AS_OVER = 0.4
"""Chance of being over the limit from which a pump's oil is called due today: missing it costs more than a few days."""
JOB_BY_JOB_DAYS, FUTURES, MOST_LATER = 550.0, 100, 2.0
"""How far ahead, in days, jobs to come are drawn one by one, how often, and by what factor they may put a date off at most."""
FARTHEST_DAYS = 1095.0
"""A due date farther off than this is not stated."""


@dataclass(frozen=True)
class Pace:
    """What a day of a pump's work brings: hours and grams, with relative standard errors.

    ``job_hours`` and ``job_water_g``, (n,), are jobs as they are to be expected, each with its ``weight``; weights sum to one.
    """

    hours_per_day: float
    water_per_day: float
    hours_cv: float
    water_cv: float
    uses_per_day: float = 0.0
    job_hours: Floats = field(default_factory=lambda: np.zeros(1))
    job_water_g: Floats = field(default_factory=lambda: np.zeros(1))
    weight: Floats = field(default_factory=lambda: np.ones(1))


@dataclass(frozen=True)
class PumpOutlook:
    """One pump's oil now and to come.

    Attributes
    ----------
    rows, fit, state, pace
        What it rests on.
    theta : float64 (draws, k)
        Drawn parameters.
    ratio : float64 (draws,)
        Drawn true over modelled blank-off.
    blankoff : float64 (draws,)
        Microns now.
    due_day : float64 (draws,)
        Day since 1970 on which each draw passes the limit; in the past where it has; inf beyond `FARTHEST_DAYS`.
    """

    rows: PumpRows
    fit: PumpFit
    state: OilState
    pace: Pace
    theta: Floats
    ratio: Floats
    blankoff: Floats
    due_day: Floats


def pace_of(oils: list[PumpOil], end_day: float) -> list[Pace]:
    """Every pump's pace of work, its own recent one shrunken towards the fleet's.

    Parameters
    ----------
    oils : list of PumpOil
    end_day : float
        Day for which it is wanted; uses count by `HALF_LIFE_DAYS`.
    """
    every = [(o.job_hours, o.job_water_g) for o in oils if o.day.size]
    all_hours, all_water = (np.concatenate([jobs[k] for jobs in every]) if every else np.empty(0) for k in (0, 1))
    fleet_hours = float(np.mean(all_hours)) if every else 1.0
    fleet_water = float(np.mean(all_water)) if every else 0.0
    rest = np.full(all_hours.size, PACE_PRIOR_USES / max(all_hours.size, 1))
    begin = min((float(o.day[0]) for o in oils if o.day.size), default=end_day)
    paces = []
    for oil in oils:
        if oil.day.size == 0:
            paces.append(Pace(0.0, 0.0, 1.0, 1.0))
            continue
        weight = 0.5 ** ((end_day - oil.day) / HALF_LIFE_DAYS)
        # A pump new to the fleet is judged on the time it was there.
        since = max(end_day - max(begin, float(oil.day[0]) - 7.0), 7.0)
        span = HALF_LIFE_DAYS / np.log(2.0) * (1.0 - 0.5 ** (since / HALF_LIFE_DAYS))
        uses = float(weight.sum())
        per_day = uses / span
        effective = uses**2 / float((weight**2).sum())
        hours = (float(weight @ oil.job_hours) + PACE_PRIOR_USES * fleet_hours) / (uses + PACE_PRIOR_USES)
        water = (float(weight @ oil.job_water_g) + PACE_PRIOR_USES * fleet_water) / (uses + PACE_PRIOR_USES)
        spread_h = float(np.std(oil.job_hours)) / max(hours, 1e-6)
        spread_w = float(np.std(oil.job_water_g)) / max(water, 1e-6)
        n = effective + PACE_PRIOR_USES
        paces.append(
            Pace(
                per_day * hours,
                per_day * water,
                float(np.hypot(np.sqrt((1.0 + spread_h**2) / n), PACE_CHANGE_CV)),
                float(np.hypot(np.sqrt((1.0 + spread_w**2) / n), WATER_CHANGE_CV)),
                per_day,
                np.concatenate([oil.job_hours, all_hours]),
                np.concatenate([oil.job_water_g, all_water]),
                np.concatenate([weight, rest]) / (uses + PACE_PRIOR_USES),
            )
        )
    return paces


def _leak_sd(rows: PumpRows, fit: PumpFit, fill: int) -> float:
    """How far a filling's blank-off may be off because a leaking line held up its floors, ln."""
    on = rows.fill == fill
    if not on.any():
        return 0.0
    micron = predicted_blankoff(rows, fit.theta)[on]
    return LEAK_SD * float(np.median(fit.leak_micron[on] / micron))


def put_off(
    fit: PumpFit, ratio_ln: float, pace: Pace, now: tuple[int, float, float], limits: Sequence[float],
    rng: np.random.Generator,
) -> list[float]:  # fmt: skip
    """How much later jobs, as they come, pass each limit than their mean pace would: median over mean, for the oil as fitted.

    Hours and water come job by job, and most water in few of them, so that oil mostly lasts longer than at the mean pace; a
    date is to be as likely too early as too late.
    """
    uses = int(np.ceil(pace.uses_per_day * JOB_BY_JOB_DAYS))
    if uses < 1:
        return [1.0] * len(limits)
    which = np.searchsorted(np.cumsum(pace.weight)[:-1], rng.random((FUTURES, uses)))
    fill, hours, water = now
    job_hours, job_water = pace.job_hours[which], pace.job_water_g[which]
    shape = (FUTURES + 1, uses)
    on = np.full(shape, fill, dtype=np.int64)
    # The last is the mean of the others: the same jobs at an even pace.
    ran, drunk = (
        np.cumsum(np.concatenate([each, np.full((1, uses), each.mean())]), axis=1) for each in (job_hours, job_water)
    )
    micron = predicted_blankoff_at(fit.theta, on, hours + ran, water + drunk) * np.exp(ratio_ln)
    out = []
    for limit in limits:
        needed = (micron <= limit).sum(axis=1) + 1.0
        even = float(needed[-1])
        out.append(float(np.clip(np.median(needed[:-1]) / even, 1.0 / MOST_LATER, MOST_LATER)) if even <= uses else 1.0)
    return out


def _outlook(
    pump: tuple[PumpRows, PumpFit, Pace],
    limits: Sequence[float],
    own_sd: float,
    wander: float,
    end_day: float,
    seed: int,
) -> list[PumpOutlook]:
    """Look ahead for one pump, once for every limit; all from the same draws."""
    rows, fit, pace = pump
    state = oil_state(rows, fit, own_sd, wander)
    rng = np.random.default_rng([seed, zlib.crc32(rows.oil.pump_id.encode())])
    k = fit.theta.size
    free = np.setdiff1d(np.arange(k), (LEAK, GAUGE))
    root = np.zeros((k, k))
    # Of all roots of the covariance the triangular one is its only one of that kind, so that a last digit elsewhere does not
    # turn into other draws, as it does through eigenvectors.
    root[np.ix_(free, free)] = np.linalg.cholesky(fit.covariance[np.ix_(free, free)])
    # Pairs of draws either side of the middle keep medians where the estimate is.
    half = rng.standard_normal((DRAWS // 2, k)) @ root.T
    theta = fit.theta + np.concatenate([half, -half])
    z = rng.standard_normal((DRAWS // 2, 3))
    z = np.concatenate([z, -z])
    fill, hours, water = rows.oil.now()
    unseen = UNSEEN_SD * t_dist.ppf(ndtr(rng.permutation(z[:, 0])), UNSEEN_FREEDOM)
    ratio = state.mean + np.hypot(state.sd, _leak_sd(rows, fit, fill)) * z[:, 0] + unseen
    drawn, now = drawn_blankoff(theta, ratio, fill, hours, water)
    ahead = (pace.hours_per_day * np.exp(pace.hours_cv * z[:, 1]), pace.water_per_day * np.exp(pace.water_cv * z[:, 2]))
    uses = rows.oil.fill == fill
    past = (rows.oil.day[uses], rows.oil.hours[uses], rows.oil.water_g[uses])
    later = put_off(fit, state.mean, pace, (fill, hours, water), limits, rng)
    due = []
    for limit, factor in zip(limits, later, strict=True):
        day = passage_days(drawn, now, limit, hours, water, *ahead, FARTHEST_DAYS, *past, end_day)
        due.append(np.where(day > end_day, end_day + factor * (day - end_day), day))
    return [PumpOutlook(rows, fit, state, pace, theta, ratio, now, day) for day in due]


def outlooks(fleet: FleetOil, settings: Settings, as_of: date) -> list[PumpOutlook]:
    """Look ahead for every pump to the limit that the settings give."""
    return outlooks_to(fleet, settings, as_of, [settings.maintenance.blankoff_limit_micron])[0]


def outlooks_to(
    fleet: FleetOil, settings: Settings, as_of: date, limits_micron: Sequence[float]
) -> list[list[PumpOutlook]]:
    """Look ahead for every pump to each of several limits.

    Parameters
    ----------
    fleet : FleetOil
        From `oil_model.fit_fleet`.
    settings : Settings
        For the seed.
    as_of : date
    limits_micron : sequence of float

    Returns
    -------
    list of list of PumpOutlook
        By limit, then by pump.
    """
    end_day = float((as_of - date(1970, 1, 1)).days) + 1.0
    paces = pace_of([r.oil for r in fleet.rows], end_day)
    look = partial(
        _outlook,
        limits=limits_micron,
        own_sd=fleet.prior.own_sd,
        wander=wander_of_fleet(fleet),
        end_day=end_day,
        seed=settings.fleet.seed,
    )
    by_pump = in_threads(look, list(zip(fleet.rows, fleet.fits, paces, strict=True)), TOGETHER)
    return [[looks[n] for looks in by_pump] for n in range(len(limits_micron))]


def _date(day: float) -> date | None:
    return date(1970, 1, 1) + timedelta(days=int(np.floor(day))) if np.isfinite(day) else None


def _reason(o: PumpOutlook, limit: float, as_of: date, due: date | None) -> str:
    _, hours, water = o.rows.oil.now()
    now = float(np.median(o.blankoff))
    state = f"blank-off about {now:.0f} microns after {hours:.1f} h and {water:.0f} g of water on this oil"
    if o.rows.y.size == 0:
        state = f"no pumped floor on record; {hours:.1f} h on this oil, judged as the fleet's pumps are"
    week = f"{7 * o.pace.hours_per_day:.1f} h and {7 * o.pace.water_per_day:.0f} g a week"
    if due is not None and due <= as_of:
        return f"{state}: over the limit of {limit:.0f} microns since about {due.isoformat()}"
    if due is None:
        return f"{state}; at {week} the limit of {limit:.0f} microns is more than three years off"
    return f"{state}; at {week} it passes the limit of {limit:.0f} microns"


def forecast_frame(looks: list[PumpOutlook], costs: pl.DataFrame, settings: Settings, as_of: date) -> pl.DataFrame:
    """Contract table ``oil_forecast``, with bounds, pace and cost beside.

    Parameters
    ----------
    looks : list of PumpOutlook
    costs : DataFrame
        ``pump_id, least_cost_on, cost_of_waiting_per_week`` from `oil_cost.least_cost`.
    """
    limit, level = settings.maintenance.blankoff_limit_micron, settings.fleet.oil_bounds_level
    tail = (1.0 - level) / 2.0
    rows = []
    for o in looks:
        _, hours, water = o.rows.oil.now()
        # Nearest, not between: a quantile between a date and never would be neither.
        low, middle, high = (float(np.quantile(o.due_day, q, method="nearest")) for q in (tail, 0.5, 1.0 - tail))
        over = float(np.mean(o.blankoff > limit))
        if over >= AS_GOOD_AS_OVER:
            middle = min(middle, float((as_of - date(1970, 1, 1)).days))
            low = min(low, middle)
        due = _date(middle)
        rows.append(
            {
                "as_of": as_of,
                "pump_id": o.rows.oil.pump_id,
                "oil_hours": hours,
                "blankoff_micron": float(np.median(o.blankoff)),
                "due_on": due,
                "due_lower": _date(low),
                "due_upper": _date(high),
                "reason": _reason(o, limit, as_of, due),
                "blankoff_lower": float(np.quantile(o.blankoff, tail)),
                "blankoff_upper": float(np.quantile(o.blankoff, 1.0 - tail)),
                "fresh_blankoff_micron": float(np.exp(o.fit.theta[FRESH])),
                "p_over_limit": over,
                "oil_water_g": water,
                "hours_per_week": 7.0 * o.pace.hours_per_day,
                "water_g_per_week": 7.0 * o.pace.water_per_day,
            }
        )
    frame = pl.DataFrame(
        rows, schema={k: v for k, v in FORECAST_SCHEMA.items() if k not in costs.columns or k == "pump_id"}
    )
    return frame.join(costs, on="pump_id", how="left").select(list(FORECAST_SCHEMA)).sort("pump_id")
