"""Charts on what attribution leaves: normal scores, self-starting sums, and a false-alarm budget that holds."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy.stats import kstest

from blankoff.fleet.asset_charts import (
    CHART_SCHEMA,
    FALSE_ALARMS_PER_ASSET_YEAR,
    REFERENCE,
    asset_charts,
    false_alarm_limit,
    normal_scores,
    self_starting,
)
from blankoff.fleet.control_charts import cusum_down, cusum_run_length
from blankoff.fleet.wear_causes import SpeedCauses, find_shifts
from blankoff.fleet.wear_days import renewal_days
from blankoff.fleet.wear_noise import noise_density
from blankoff.fleet.wear_speeds import LEVELS, predicted, speed_table
from tests.fleet.frames import Plan, draw_fleet

SHAPE = np.array([0.15, 0.2, 0.6, 0.05, 0.3, 0.1, 0.35])


def drawn_residuals(n: int, variance: float, seed: int) -> np.ndarray:
    """Draw from the noise's own density by inverting its sum on a grid (CALC)."""
    grid = np.linspace(-6.0, 4.0, 20_001)
    density = noise_density(grid, variance, SHAPE)
    share = np.cumsum(density) / density.sum()
    return np.interp(np.random.default_rng(seed).random(n), share, grid)


def test_scores_of_skewed_noise_are_standard_normal() -> None:
    residual = drawn_residuals(4000, 0.01, 1)
    assert kstest((residual - residual.mean()) / residual.std(), "norm").pvalue < 1e-6
    score = normal_scores(residual, np.full(4000, 0.01), np.tile(SHAPE, (4000, 1)))
    assert kstest(score, "norm").pvalue > 0.01


def test_self_starting_scores_forget_where_they_began() -> None:
    """Scores about any mean give independent standard normals but for the first (Hawkins and Olwell 1998; MEM)."""
    rng = np.random.default_rng(2)
    every = np.array([self_starting(rng.normal(size=30) + shift) for shift in rng.uniform(-3, 3, 4000)])
    assert np.allclose(every[:, 0], 0.0)
    assert np.allclose(every[:, 1:].mean(axis=0), 0.0, atol=0.06)
    assert np.allclose(every[:, 1:].std(axis=0), 1.0, atol=0.05)
    assert abs(np.corrcoef(every[:, 5], every[:, 6])[0, 1]) < 0.06


def test_limit_spends_the_budget() -> None:
    """The limit's run length by integral equation is what the budget allows; simulated charts bear it out."""
    limit, run_length = false_alarm_limit(60.0)
    assert run_length == pytest.approx(60.0 / FALSE_ALARMS_PER_ASSET_YEAR)
    assert cusum_run_length(REFERENCE, limit) == pytest.approx(run_length, rel=1e-3)
    rng = np.random.default_rng(4)
    years = 2.0
    told = sum(
        cusum_down(self_starting(rng.normal(size=int(60 * years))), REFERENCE).max() > limit for _ in range(3000)
    )
    assert told / 3000 / years == pytest.approx(FALSE_ALARMS_PER_ASSET_YEAR, abs=0.012)


def fitted(plan: Plan) -> tuple[SpeedCauses, dict[str, dict[str, list[float]]], date, pl.DataFrame]:
    fleet = draw_fleet(plan)
    as_of = fleet.plan.ends_on
    renewals = {f: renewal_days(fleet.services, f, as_of) for f in ("pump", "hose", "gauge")}
    return find_shifts(speed_table(fleet.work), renewals), renewals, as_of, fleet.events


def test_a_stepped_pump_signals_and_is_dated() -> None:
    causes, renewals, as_of, events = fitted(
        Plan(seed=12, evacuations=2000, overhaul_share=0.0, worn_pumps=0, stepped_pumps=3, never_parted_share=0.0)
    )
    charts = asset_charts(causes, renewals, as_of)
    assert charts.schema == pl.Schema(CHART_SCHEMA)
    steps = events.filter(pl.col("what") == "step").join(
        charts.filter(pl.col("factor") == "pump"), on="level_id", how="inner"
    )
    told = steps.filter(pl.col("signalled_on").is_not_null())
    assert told.height >= 2
    assert (told["signalled_on"] >= told["on"]).all()
    assert (told["shift_ln"] < -0.1).all()
    assert ((told["changed_on"] - told["on"]).dt.total_days().abs() <= 45).mean() >= 0.5  # type: ignore[operator]


def test_rigging_costs_a_good_rig_most() -> None:
    """A level of -0.7 halves the middle rig's deep speed, and takes the more of any rig, the better it is."""
    causes, *_ = fitted(Plan(seed=3, evacuations=600))
    t, constants = causes.table, causes.constants
    rows = np.arange(t.day.size)
    none = {name: np.zeros((t.day.size, 1)) for name in LEVELS}
    with_core = {**none, "technician": np.full((t.day.size, 1), -np.log(2.0))}
    n = t.day.size
    alone = replace(t, alone=np.ones(n, dtype=np.bool_), oil_ln=np.zeros(n), cap_ln=np.full(n, np.inf))
    before, after = (predicted(alone, constants, rows, level)[1][:, 0] for level in (none, with_core))
    loss = after - before
    assert np.corrcoef(before, loss)[0, 1] < -0.95
    middle = replace(
        alone,
        pump_ln=np.full(n, t.pump_middle),
        line_viscous_ln=np.full(n, t.line_viscous_middle),
        line_deep_ln=np.full(n, t.line_deep_middle),
    )
    before, after = (predicted(middle, constants, rows, level)[1][:, 0] for level in (none, with_core))
    assert after - before == pytest.approx(np.full(n, -np.log(2.0)))


def test_no_values_no_charts() -> None:
    causes, *_ = fitted(Plan(seed=3, evacuations=20, technicians=8))
    few = asset_charts(causes, {}, date(2026, 12, 31))
    assert few.columns == list(CHART_SCHEMA)
