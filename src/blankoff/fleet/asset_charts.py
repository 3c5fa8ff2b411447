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
from blankoff.fleet.wear_causes import SpeedCauses
from blankoff.fleet.wear_noise import noise_density
from blankoff.fleet.wear_speeds import predicted

__all__ = ["CHART_SCHEMA", "asset_charts", "false_alarm_limit", "normal_scores", "self_starting"]

Floats = NDArray[np.float64]

FALSE_ALARMS_PER_ASSET_YEAR = 0.03
"""What all charts of an asset together may signal in a year in which nothing changed."""
REFERENCE = 0.5
"""CUSUM allowance: half of the smallest lasting shift looked for, which is one standard deviation of a job's value."""
FEWEST_VALUES = 6
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
    grid = np.linspace(-6.0, 4.0, 401)
    out = np.zeros(residual.size)
    for i, (r, v, s) in enumerate(zip(residual, variance, shape, strict=True)):
        density = noise_density(grid, float(v), s)
        below = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
        share = float(np.interp(r, grid, below / below[-1]))
        out[i] = float(ndtri(min(max(share, 1e-6), 1.0 - 1e-6)))
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
        every = np.arange(t.day.size)
        level = {k: v.copy()[:, None] for k, v in causes.levels.items()}
        level[factor] = np.zeros((t.day.size, 1))
        viscous, line, _ = (p[:, 0] for p in predicted(t, causes.constants, every, level))
        value, variance, shape = (
            (t.viscous - viscous, t.viscous_variance, causes.shapes[0])
            if factor == "pump"
            else (t.line - line, t.line_variance, causes.shapes[1])
        )
        rows: dict[str, list[int]] = {}
        for i, name in enumerate(t.ids[factor]):
            done = [d for d in renewals.get(factor, {}).get(name or "", []) if d > t.day[i]]
            if name is not None and np.isfinite(value[i]) and not done:
                rows.setdefault(name, []).append(i)
        for name, found in sorted(rows.items()):
            if len(found) < FEWEST_VALUES:
                continue
            at = np.array(found)
            scores = normal_scores(value[at], variance[at], shape[at])
            weight = 1.0 / (variance[at] + shape[at, 0] ** 2)
            out.append(_Sequence(factor, name, t.day[at], value[at], scores, weight))
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
