"""Charts on what attribution leaves per asset, with one limit for the whole fleet's budget of false alarms.

Each job's value less everything but this asset's own level is brought to a normal score through the fleet's own noise, long
tails and all; a self-starting CUSUM follows the scores, so that a chart asks only whether an asset has changed, not whether
it was ever like its like.  All charts of a fleet share one false-alarm budget; their common limit is solved from it by the
run-length equation that is checked against published tables (`control_charts`).

References
----------
Self-starting CUSUM with known spread: Hawkins and Olwell, Cumulative Sum Charts (1998), chapter 7; from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtri

from blankoff.fleet.control_charts import cusum_down, cusum_limit, find_step
from blankoff.fleet.threads import in_threads
from blankoff.fleet.wear_causes import SpeedCauses
from blankoff.fleet.wear_noise import noise_density
from blankoff.physics.compiled import vector_kernel

__all__ = ["CHART_SCHEMA", "asset_charts", "false_alarm_limit", "normal_scores", "self_starting"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FALSE_ALARMS_PER_ASSET_YEAR = 0.03
"""What all charts of an asset together may signal in a year in which nothing changed."""
REFERENCE = 0.5
"""CUSUM allowance: half of the smallest lasting shift looked for, which is one standard deviation of a job's value."""
FEWEST_VALUES = 6
TOGETHER = 16
"""Charts that one thread is given at a time."""
CHARTED = {"pump": "speed_viscous", "hose": "speed_deep"}
"""Factor → the measure its own faults tell in; whether a technician or a gauge changed is asked elsewhere."""

CHART_SCHEMA = {
    "factor": pl.String,
    "level_id": pl.String,
    "measure": pl.String,
    "values": pl.Int64,
    "sum_now": pl.Float64,
    "limit": pl.Float64,
    "run_length_uses": pl.Float64,
    "signalled_on": pl.Date,
    "changed_on": pl.Date,
    "changed_lower": pl.Date,
    "changed_upper": pl.Date,
    "shift_ln": pl.Float64,
}
"""One row per charted asset: the sum as it stands, the limit, when it first went over (null if never), and when the level
changed, with 90 % bounds, and by how much."""


@dataclass(frozen=True)
class _Sequence:
    factor: str
    level_id: str
    day: Floats
    residual: Floats
    score: Floats
    weight: Floats


def normal_scores(residual: Floats, variance: Floats, shape: Floats) -> Floats:
    """Bring residuals to standard normal scores through their noise, (n,); each by its share of probability below it.

    Parameters
    ----------
    residual, variance : float64 (n,)
    shape : float64 (n, 7)
        As `wear_noise.NoiseShape`.
    """
    share = _shares_below(np.linspace(-6.0, 4.0, 401), residual, variance, shape)
    return np.asarray(ndtri(np.minimum(np.maximum(share, 1e-6), 1.0 - 1e-6)))


@vector_kernel
def _shares_below(grid: Floats, residual: Floats, variance: Floats, shape: Floats) -> Floats:
    """Share of probability below each residual under its noise, (n,), by trapezoids between the points of a grid."""
    out, below = np.empty(residual.size), np.zeros(grid.size)
    for i in range(residual.size):
        density = noise_density(grid, variance[i], shape[i])
        total = 0.0
        for k in range(1, grid.size):
            total += 0.5 * (density[k] + density[k - 1])
            below[k] = total
        r = residual[i]
        k = np.searchsorted(grid, r, side="right") - 1
        if k < 0:
            out[i] = 0.0
        elif k >= grid.size - 1:
            out[i] = 1.0
        else:
            low, high = below[k] / total, below[k + 1] / total
            out[i] = (high - low) / (grid[k + 1] - grid[k]) * (r - grid[k]) + low
    return out


def self_starting(scores: Floats) -> Floats:
    """Each score against the mean of those before it, scaled to unit variance; the first is 0, (n,)."""
    n = np.arange(scores.size)
    before = np.concatenate([[0.0], np.cumsum(scores)[:-1]]) / np.maximum(n, 1)
    return np.where(n > 0, (scores - before) * np.sqrt(n / (n + 1.0)), 0.0)


def false_alarm_limit(values_per_asset_year: float, budget: float = FALSE_ALARMS_PER_ASSET_YEAR) -> tuple[float, float]:
    """CUSUM limit, and its run length in control in uses, that spend the budget of false alarms.

    Parameters
    ----------
    values_per_asset_year : float
        How many values a chart gets in a year, over the fleet.
    budget : float
        False alarms allowed per asset and year.
    """
    run_length = max(values_per_asset_year, 1.0) / budget
    return cusum_limit(REFERENCE, round(run_length, 1)), run_length


def _sequences(causes: SpeedCauses, renewals: Mapping[str, Mapping[str, Sequence[float]]]) -> list[_Sequence]:
    """Values of every charted asset since its newest renewing service, its own level left in."""
    t = causes.table
    out = []
    for factor in CHARTED:
        level = {**causes.levels, factor: np.zeros(t.day.size)}
        viscous, line, _ = t.predict(causes.constants, level)
        value, variance, shape = (
            (t.viscous - viscous, t.viscous_variance, causes.shapes[0])
            if factor == "pump"
            else (t.line - line, t.line_variance, causes.shapes[1])
        )
        renewed = {name: max(days) for name, days in renewals.get(factor, {}).items() if days}
        rows: dict[str, list[int]] = {}
        known = np.isfinite(value).tolist()
        for i, (name, day) in enumerate(zip(t.ids[factor], t.day.tolist(), strict=True)):
            if name is not None and known[i] and renewed.get(name, -np.inf) <= day:
                rows.setdefault(name, []).append(i)
        found = [(name, np.array(mine)) for name, mine in sorted(rows.items()) if len(mine) >= FEWEST_VALUES]

        def scored(mine: Ints, of: tuple[Floats, Floats, Floats] = (value, variance, shape)) -> Floats:
            return normal_scores(*(x[mine] for x in of))

        scores = in_threads(scored, [mine for _, mine in found], TOGETHER)
        for (name, at), score in zip(found, scores, strict=True):
            weight = 1.0 / (variance[at] + shape[at, 0] ** 2)
            out.append(_Sequence(factor, name, t.day[at], value[at], score, weight))
    return out


def asset_charts(
    causes: SpeedCauses, renewals: Mapping[str, Mapping[str, Sequence[float]]], as_of: date
) -> pl.DataFrame:
    """Chart every pump's viscous speed and every hose set's conductance since its newest renewing service.

    Parameters
    ----------
    causes : SpeedCauses
        From `wear_causes.find_shifts`.
    renewals : mapping of factor to mapping of id to days
        Services after which a chart begins anew.
    as_of : date

    Returns
    -------
    DataFrame
        `CHART_SCHEMA`, sorted by factor and id.
    """
    charts = _sequences(causes, renewals)
    if not charts:
        return pl.DataFrame(schema=CHART_SCHEMA)
    end = float((as_of - date(1970, 1, 1)).days) + 1.0
    years = sum(max(end - float(c.day[0]), 30.0) for c in charts) / 365.25
    limit, run_length = false_alarm_limit(sum(c.day.size for c in charts) / years)
    rows = []
    for c in charts:
        sums = cusum_down(self_starting(c.score), REFERENCE)
        over = np.flatnonzero(sums > limit)
        step = find_step(np.clip(c.residual, -1.5, 1.5), c.weight, 0.4)
        told = over.size > 0
        rows.append(
            {
                "factor": c.factor,
                "level_id": c.level_id,
                "measure": CHARTED[c.factor],
                "values": c.day.size,
                "sum_now": float(sums[-1]),
                "limit": limit,
                "run_length_uses": run_length,
                "signalled_on": _date(c.day[over[0]]) if told else None,
                "changed_on": _date(c.day[step.index]) if told else None,
                "changed_lower": _date(c.day[step.lower]) if told else None,
                "changed_upper": _date(c.day[step.upper]) if told else None,
                "shift_ln": step.after - step.before if told else None,
            }
        )
    return pl.DataFrame(rows, schema=CHART_SCHEMA).sort("factor", "level_id")


def _date(day: float) -> date:
    return date(1970, 1, 1) + timedelta(days=int(np.floor(day)))
