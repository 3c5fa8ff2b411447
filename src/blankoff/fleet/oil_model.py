"""Blank-off of every pump over hours and water, partially pooled over the fleet, with leaking lines and off gauges beside.

Each pump is fitted under priors that the fleet itself gives (mean and spread of every parameter, by expectation and
maximisation over the pumps); a pump with little history leans on the fleet, one with much stands on its own.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.oil_history import PumpOil
from blankoff.fleet.oil_kernels import (
    BY_HOURS,
    BY_WATER,
    FRESH,
    GAUGE,
    HEAD,
    HOURS_BEFORE,
    HOURS_UNIT,
    LEAK,
    POWER,
    fit_pump,
)
from blankoff.fleet.pump_side import column_of
from blankoff.fleet.threads import in_threads

__all__ = [
    "FleetOil",
    "OilPrior",
    "PumpFit",
    "PumpRows",
    "blankoff_at_uses",
    "fit_fleet",
    "leaks_at_uses",
    "pump_rows",
    "refit",
    "with_oil",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST_PLATES = 6
"""Pumps with a stated blank-off from which plates are asked at all."""
_NOTHING = np.empty(0)
TOGETHER = 16
"""Pumps that one thread is given at a time."""
FIXED = 1e12
"""Prior precision that holds a parameter where it is."""

START_MEAN = {
    FRESH: np.log(32.0),
    BY_HOURS: np.log(60.0),
    BY_WATER: np.log(1.2),
    POWER: np.log(1.25),
    HOURS_BEFORE: np.log(3.0),
}
START_SD = {FRESH: 0.4, BY_HOURS: 0.7, BY_WATER: 0.7, POWER: 0.25, HOURS_BEFORE: 1.0}
"""Where fleets are expected: healthy blank-off 15 to 50 microns, oil good for 5 to 25 hours (common practice, no source)."""
POOLED = (FRESH, BY_HOURS, BY_WATER, POWER)
PSEUDO_PUMPS = 4.0
"""The expectation weighs as so many pumps beside the fleet's own (judgement)."""
FILL_SD = 0.20
"""How one filling differs from its pump's usual, ln (judgement)."""
RATED_SD = 0.35
"""How far a fresh filling's blank-off lies from what the plate says, ln, before a fleet is seen (judgement)."""
RATED_SLOPE_SD = 0.5
"""Doubt that a plate twice as high means a blank-off twice as high (judgement); some makers state one figure for all."""
OWN_SD = 0.08
"""What neither noise nor load explains of ln floor, to begin with."""


@dataclass(frozen=True)
class OilPrior:
    """Mean and spread over the fleet of the first five parameters."""

    mean: Floats
    sd: Floats
    own_sd: float
    fill_sd: float = FILL_SD
    rated: RatedPrior | None = None


@dataclass(frozen=True)
class RatedPrior:
    """What the plates of a fleet's pumps say of their fresh blank-off.

    ln fresh = ``mean`` + ``slope`` · (ln rated − ``middle``), give or take ``sd``; all found on the fleet itself.  It is an
    anchor that no gauge in the fleet has touched.
    """

    middle: float
    mean: float
    slope: float
    sd: float


@dataclass(frozen=True)
class PumpRows:
    """One pump's floors and the state of its oil at each.

    All arrays (n,), in order of time; see `oil_kernels` for the meaning. ``hose_id`` and ``gauge_id`` may hold None.
    """

    oil: PumpOil
    at: Ints
    """Index into the oil's uses."""
    evacuation_id: list[str]
    day: Floats
    y: Floats
    se: Floats
    load: Floats
    load_se: Floats
    hours: Floats
    water: Floats
    fill: Ints
    speed: Floats
    hose_id: list[str | None]
    gauge_id: list[str | None]
    rated_ln: float = float("nan")
    """ln of the plate's blank-off in microns, nan where it states none."""


@dataclass(frozen=True)
class PumpFit:
    """Parameters of one pump, their covariance, the evidence; what was laid on each row for lines and gauges."""

    theta: Floats
    covariance: Floats
    evidence: float
    leak_micron: Floats
    gauge_ln: Floats


@dataclass(frozen=True)
class FleetOil:
    """All pumps."""

    rows: list[PumpRows]
    fits: list[PumpFit]
    prior: OilPrior


def pump_rows(oils: list[PumpOil], floors: pl.DataFrame) -> list[PumpRows]:
    """Bring floors and oil together, a `PumpRows` per pump (pumps without a floor included, with no rows)."""
    sorted_floors = floors.sort("pump_id", "day", "evacuation_id")
    pumps = sorted_floors["pump_id"].to_list()
    begins = [k for k in range(len(pumps)) if k == 0 or pumps[k] != pumps[k - 1]]
    where = {pumps[a]: slice(a, b) for a, b in itertools.pairwise([*begins, len(pumps)])}
    ids, hoses, gauges = (sorted_floors[name].to_list() for name in ("evacuation_id", "hose_id", "gauge_id"))
    day, floor, se, load, load_se, speed, rated = (
        column_of(sorted_floors, name)
        for name in (
            "day", "floor_micron", "floor_se_ln", "load_micron", "load_se_ln", "speed_l_s", "rated_blankoff_micron",
        )
    )  # fmt: skip
    out = []
    for oil in oils:
        mine = where.get(oil.pump_id, slice(0, 0))
        place = {e: i for i, e in enumerate(oil.evacuation_id)}
        use = np.array([place.get(e, -1) for e in ids[mine]], dtype=np.int64)
        kept = mine.start + np.flatnonzero(use >= 0)
        out.append(
            with_oil(
                PumpRows(
                    oil=oil,
                    at=use[use >= 0],
                    evacuation_id=[ids[k] for k in kept],
                    day=day[kept],
                    y=np.log(floor[kept]),
                    se=se[kept],
                    load=load[kept],
                    load_se=load_se[kept],
                    hours=_NOTHING,
                    water=_NOTHING,
                    fill=np.empty(0, dtype=np.int64),
                    speed=speed[kept],
                    hose_id=[hoses[k] for k in kept],
                    gauge_id=[gauges[k] for k in kept],
                    rated_ln=_rated_ln(rated[kept]),
                ),
                oil,
            )
        )
    return out


def with_oil(rows: PumpRows, oil: PumpOil) -> PumpRows:
    """The same floors on another reckoning of the same uses' oil."""
    at = rows.at
    # A pull warms and wears its oil from beginning to end: half its own hours count for its floor.
    return replace(
        rows, oil=oil, hours=oil.hours[at] - 0.5 * oil.job_hours[at], water=oil.water_g[at], fill=oil.fill[at]
    )


def _rated_ln(rated: Floats) -> float:
    rated = rated[np.isfinite(rated) & (rated > 0)]
    return float(np.log(rated[-1])) if rated.size else float("nan")


def prior_arrays(prior: OilPrior, rows: PumpRows) -> tuple[Floats, Floats]:
    """Mean and precision of every parameter of one pump."""
    fillings = rows.oil.fillings
    mean = np.zeros(HEAD + fillings)
    mean[:5] = prior.mean
    precision = np.full(HEAD + fillings, 1.0 / prior.fill_sd**2)
    precision[:5] = 1.0 / prior.sd**2
    if prior.rated is not None and np.isfinite(rows.rated_ln):
        mean[FRESH] = prior.rated.mean + prior.rated.slope * (rows.rated_ln - prior.rated.middle)
        precision[FRESH] = 1.0 / prior.rated.sd**2
    precision[LEAK] = precision[GAUGE] = FIXED
    return mean, precision


def fit_arguments(rows: PumpRows, leak_micron: Floats, gauge_ln: Floats) -> tuple[Floats, ...]:
    """Arrays of a fit with known line leaks and gauge errors laid on the rows."""
    tilt = np.exp(gauge_ln)
    # What is read is gauge times truth; loads come from the same gauge's rise and carry the tilt themselves.
    y = rows.y - gauge_ln
    load = rows.load / tilt + leak_micron
    own = np.where(load > 0, rows.load / tilt / np.maximum(load, 1e-9), 0.0)
    return y, rows.se, load, rows.load_se * own


def refit(
    rows: PumpRows,
    prior: OilPrior,
    leak_micron: Floats,
    gauge_ln: Floats,
    start: Floats | None = None,
    rounds: int = 25,
) -> PumpFit:
    """Fit one pump with what is known of lines and gauges."""
    k = HEAD + rows.oil.fillings
    mean, precision = prior_arrays(prior, rows)
    first = mean.copy() if start is None else start.copy()
    if rows.y.size == 0:
        return PumpFit(mean, np.diag(1.0 / precision), 0.0, leak_micron, gauge_ln)
    y, se, load, load_se = fit_arguments(rows, leak_micron, gauge_ln)
    none = np.zeros(y.size)
    theta, covariance, evidence = fit_pump(
        first,
        mean,
        precision,
        y,
        se,
        load,
        load_se,
        rows.hours,
        rows.water,
        rows.fill,
        none,
        none,
        none,
        prior.own_sd,
        rounds,
    )
    assert theta.size == k
    return PumpFit(theta, covariance, evidence, leak_micron, gauge_ln)


def first_prior(rows: list[PumpRows] | None = None) -> OilPrior:
    """The expectation before a fleet's floors are seen; from ``rows`` only what the plates state is taken."""
    mean = np.array([START_MEAN[j] for j in range(5)])
    sd = np.array([START_SD[j] for j in range(5)])
    plates = np.array([r.rated_ln for r in rows or [] if np.isfinite(r.rated_ln)])
    rated = None
    if plates.size >= FEWEST_PLATES:
        middle = float(np.median(plates))
        rated = RatedPrior(middle, middle, 1.0, RATED_SD)
    return OilPrior(mean, sd, OWN_SD, rated=rated)


def _plates(prior: OilPrior, rows: list[PumpRows], fits: list[PumpFit]) -> RatedPrior | None:
    """What plates say, from the fresh blank-offs as fitted: a line with a robust spread about it."""
    before = prior.rated
    if before is None:
        return None
    pairs = [
        (r.rated_ln, f.theta[FRESH], f.covariance[FRESH, FRESH])
        for r, f in zip(rows, fits, strict=True)
        if np.isfinite(r.rated_ln) and r.y.size >= 8
    ]
    if len(pairs) < FEWEST_PLATES:
        return before
    plate, fresh, doubt = (np.array(c) for c in zip(*pairs, strict=True))
    x = np.column_stack([np.ones(plate.size), plate - before.middle])
    centre, precision = np.array([before.middle, 1.0]), np.diag([1.0 / RATED_SD**2, 1.0 / RATED_SLOPE_SD**2])
    line, sd = np.array([before.mean, before.slope]), before.sd
    for _ in range(8):
        residual = fresh - x @ line
        # An off gauge or a fouled filling makes a few pumps stand apart: they count for less.
        weight = 4.0 / (3.0 + residual**2 / (doubt + sd**2)) / (doubt + sd**2)
        line = np.linalg.solve(x.T @ (weight[:, None] * x) + precision, x.T @ (weight * fresh) + precision @ centre)
        sd = 1.4826 * float(np.median(np.abs(fresh - x @ line)))
        sd = float(np.sqrt((plate.size * sd**2 + RATED_SD**2) / (plate.size + 1.0)))
    return RatedPrior(before.middle, float(line[0]), float(line[1]), float(np.clip(sd, 0.08, RATED_SD)))


def _pooled(prior: OilPrior, rows: list[PumpRows], fits: list[PumpFit], free_fillings: bool) -> OilPrior:
    """One round of maximisation: the fleet's means and spreads, and what is left unexplained."""
    used = [f for r, f in zip(rows, fits, strict=True) if r.y.size >= 8]
    if len(used) < 3:
        return prior
    mean, sd = prior.mean.copy(), prior.sd.copy()
    begin = first_prior()
    for j in POOLED:
        values = np.array([f.theta[j] for f in used])
        doubt = np.array([f.covariance[j, j] for f in used])
        weight = 1.0 / (doubt + sd[j] ** 2)
        mean[j] = (weight @ values + PSEUDO_PUMPS * begin.mean[j] / begin.sd[j] ** 2 * 0.25) / (
            weight.sum() + PSEUDO_PUMPS / begin.sd[j] ** 2 * 0.25
        )
        spread = ((values - mean[j]) ** 2 + doubt).sum() + PSEUDO_PUMPS * begin.sd[j] ** 2
        sd[j] = np.sqrt(spread / (len(used) + PSEUDO_PUMPS))
    fill_sd = prior.fill_sd
    squares = np.concatenate([(f.theta**2 + np.diag(f.covariance))[HEAD:] for f in used])
    if free_fillings:
        fill_sd = float(np.sqrt(np.clip((squares.sum() + 10 * FILL_SD**2) / (squares.size + 10), 0.08**2, 0.6**2)))
    residuals = np.concatenate([clean_residuals(r, f) for r, f in zip(rows, fits, strict=True)])
    if residuals.size >= 40:
        # The middle of the clean residuals; tails are the robust weights' business.
        own = 1.4826 * float(np.median(np.abs(residuals)))
        return OilPrior(mean, sd, float(np.clip(own, 0.03, 0.3)), fill_sd, _plates(prior, rows, fits))
    return OilPrior(mean, sd, prior.own_sd, fill_sd, _plates(prior, rows, fits))


def predicted_blankoff_at(theta: Floats, fill: Ints, hours: Floats, water_g: Floats) -> Floats:
    """Blank-off of a pump's fillings in given states, microns, (n,)."""
    before = np.where(fill == 0, np.exp(theta[HOURS_BEFORE]), 0.0)
    grown = np.exp(theta[BY_HOURS]) * (np.maximum(hours + before, 1e-3) / HOURS_UNIT) ** np.exp(theta[POWER])
    grown = grown + np.exp(theta[BY_WATER]) * water_g
    return np.asarray(np.exp(theta[FRESH]) + np.exp(theta[HEAD + fill]) * grown)


def predicted_blankoff(rows: PumpRows, theta: Floats) -> Floats:
    """Blank-off at each row, microns."""
    return predicted_blankoff_at(theta, rows.fill, rows.hours, rows.water)


def residuals_of(rows: PumpRows, fit: PumpFit) -> tuple[Floats, Floats]:
    """Ln floor less its prediction, and the share of load in the prediction; each (n,)."""
    tilt = np.exp(fit.gauge_ln)
    held = predicted_blankoff(rows, fit.theta) + fit.leak_micron
    prediction = held + rows.load / tilt
    return rows.y - fit.gauge_ln - np.log(prediction), rows.load / tilt / prediction


def clean_residuals(rows: PumpRows, fit: PumpFit) -> Floats:
    """Residuals of rows whose floor the load hardly matters to."""
    if rows.y.size == 0:
        return np.empty(0)
    residual, share = residuals_of(rows, fit)
    return np.asarray(residual[(share < 0.15) & (rows.se < 0.05)])


def _refit_one(prior: OilPrior, pump: tuple[PumpRows, Floats, Floats, Floats | None]) -> PumpFit:
    rows, leak_micron, gauge_ln, start = pump
    return refit(rows, prior, leak_micron, gauge_ln, start)


def fit_fleet(
    rows: list[PumpRows],
    leak_micron: list[Floats] | None = None,
    gauge_ln: list[Floats] | None = None,
    prior: OilPrior | None = None,
    rounds: int = 4,
    free_fillings: bool = True,
) -> FleetOil:
    """Fit all pumps and the fleet's spread of parameters.

    Parameters
    ----------
    rows : list of PumpRows
    leak_micron, gauge_ln : list of float64 (n,), optional
        What line leaks add to each row's floor, and ln of what its gauge reads over the truth.
    prior : OilPrior, optional
        Where to begin.
    rounds : int
        Of expectation and maximisation.
    free_fillings : bool
        Whether to find how much fillings of one pump differ; while leaks and gauges are still being looked for they
        would be taken for such differences.
    """
    leaks = leak_micron or [np.zeros(r.y.size) for r in rows]
    gauges = gauge_ln or [np.zeros(r.y.size) for r in rows]
    now = prior or first_prior(rows)
    fits: list[PumpFit] = []
    for turn in range(rounds):
        starts = [f.theta for f in fits] if turn else [None] * len(rows)
        expected = partial(_refit_one, now)
        fits = in_threads(expected, list(zip(rows, leaks, gauges, starts, strict=True)), TOGETHER)
        if turn < rounds - 1:
            now = _pooled(now, rows, fits, free_fillings)
    return FleetOil(rows, fits, now)


def blankoff_at_uses(fleet: FleetOil) -> dict[str, float]:
    """Blank-off at every use of every pump, microns, by evacuation; with a floor of its own or without."""
    out: dict[str, float] = {}
    for rows, fit in zip(fleet.rows, fleet.fits, strict=True):
        oil = rows.oil
        if oil.day.size == 0:
            continue
        micron = predicted_blankoff_at(fit.theta, oil.fill, oil.hours, oil.water_g)
        out.update(zip(oil.evacuation_id, micron.tolist(), strict=True))
    return out


def leaks_at_uses(fleet: FleetOil) -> dict[str, float]:
    """What leaking lines add to each floor, microns, by evacuation; only where they add anything."""
    return {
        e: float(micron)
        for rows, fit in zip(fleet.rows, fleet.fits, strict=True)
        for e, micron in zip(rows.evacuation_id, fit.leak_micron, strict=True)
        if micron > 0
    }
