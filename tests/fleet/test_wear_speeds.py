"""Speeds against what rigs should do: gauges that lag, and pumps behind narrow hoses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from blankoff.fleet.wear_flow import halving_hole, line_law, speed_through
from blankoff.fleet.wear_lag import with_lags
from blankoff.fleet.wear_seen import DEEP_MICRON, lagging, late
from blankoff.fleet.wear_speeds import CONSTANTS_MEAN, LEVELS, SpeedTable, predicted, speed_table
from tests.fleet.frames import NO_FAULTS, Plan, draw_fleet

QUIET = Plan(seed=5, evacuations=900, **NO_FAULTS)


def none(table: SpeedTable) -> dict[str, np.ndarray]:
    return {name: np.zeros(table.day.size) for name in LEVELS}


def test_a_lag_is_found_and_nowhere_else() -> None:
    """One gauge shows no rate above 0.15 per second (a lag of 6.7 s), the others all that there is."""
    work = draw_fleet(QUIET).work
    slow = work["gauge_id"][0]
    rate = work["viscous_rate_per_s"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    seen = np.where(
        (work["gauge_id"] == slow).fill_null(False).to_numpy(), np.exp(lagging(np.log(rate), np.log(0.15))), rate
    )
    work = work.with_columns(viscous_seen_per_s=pl.Series(seen), viscous_seen_se_ln=pl.lit(0.06))
    table = speed_table(work)
    found = with_lags(table, CONSTANTS_MEAN, none(table))
    fastest = np.exp(found.cap_ln - found.ln_volume)
    mine = np.array([g == slow for g in table.ids["gauge"]])
    assert fastest[mine][0] == pytest.approx(0.15, rel=0.35)
    assert np.median(fastest[~mine]) > 0.4
    assert np.isinf(table.cap_ln).all()


def test_a_pump_behind_a_narrow_hose_shows_from_atmosphere_down() -> None:
    """What a weak pump costs: nearly all above range, where no hose holds back; little at 8 000 microns behind 6 mm."""
    table = speed_table(draw_fleet(QUIET).work)
    n = table.day.size
    narrow = replace(
        table,
        pump_ln=np.full(n, np.log(4.0)),
        line_viscous_ln=np.full(n, np.log(1.0)),
        line_deep_ln=np.full(n, np.log(0.2)),
        above_alone=np.ones(n, dtype=bool),
    )
    weak = {name: np.full((n, 1), -0.4 if name == "pump" else 0.0) for name in LEVELS}
    sound = {name: np.zeros((n, 1)) for name in LEVELS}
    lost = [
        (b - a)[:, 0]
        for a, b in zip(
            *(predicted(narrow, CONSTANTS_MEAN, np.arange(n), levels) for levels in (sound, weak)), strict=True
        )
    ]
    assert np.all(lost[0] > -0.12)
    assert np.all(lost[2] < -0.2)


def test_nothing_seen_is_nothing_known() -> None:
    work = draw_fleet(QUIET).work.with_columns(
        pl.lit(None).cast(pl.Float64).alias(c)
        for c in ("viscous_rate_per_s", "deep_rate_per_s", "speed_viscous_l_s", "speed_deep_l_s")
    )
    assert not speed_table(work).known().any()


@pytest.mark.parametrize(
    "factor", ["pump", "hose", "technician", "technician_viscous", "technician_above", "gauge", "gauge_viscous"]
)
def test_values_under_many_levels_are_those_of_the_formulas_in_arrays(factor: str) -> None:
    """Compiled in one loop, and here by `speed_through`, `lagging` and `late` on whole arrays."""
    rng = np.random.default_rng(8)
    plain = speed_table(draw_fleet(replace(QUIET, evacuations=60)).work)
    n, grid = plain.day.size, np.linspace(-1.5, 0.4, 21)
    table = replace(
        plain, pump_ln=rng.normal(0.5, 0.4, n), oil_ln=rng.uniform(-0.8, 0.0, n),
        line_viscous_ln=rng.normal(2.0, 0.5, n), line_deep_ln=rng.normal(0.5, 0.5, n), alone=rng.random(n) < 0.5,
        above_alone=rng.random(n) < 0.5, cap_ln=np.where(rng.random(n) < 0.5, np.inf, rng.normal(0.0, 0.5, n)),
    )  # fmt: skip
    levels = {name: rng.normal(0.0, 0.2, (n, 1)) for name in LEVELS}
    rows = rng.permutation(n)[:30]
    mine = {name: level[rows] for name, level in levels.items()}
    got = predicted(table, CONSTANTS_MEAN, rows, mine, {factor: grid})
    at = {name: level + (grid if name == factor else 0.0) for name, level in mine.items()}
    a, b_viscous, b_deep, port_viscous, port_deep, fresh = CONSTANTS_MEAN
    middle_line = line_law(table.line_viscous_middle, table.line_deep_middle)
    halves = halving_hole(
        float(np.exp(table.pump_middle + a)), *(float(x * np.exp(b_deep)) for x in middle_line), float(np.exp(-port_deep)),
        DEEP_MICRON,
    )  # fmt: skip
    pump = np.exp(table.pump_ln[rows][:, None] + a + at["pump"])
    line = [x[:, None] for x in line_law(table.line_viscous_ln[rows], table.line_deep_ln[rows])]
    cap = table.cap_ln[rows][:, None]
    wide = np.exp(b_viscous + at["hose"])
    hole = np.exp(-port_viscous) + np.maximum(
        np.expm1(-at["technician_viscous"]) * halves, -0.8 * np.exp(-port_viscous)
    )
    speed = speed_through(pump, line[0] * wide, line[1] * wide, hole, 8000.0, 0.0)
    viscous = lagging(np.log(speed) + at["gauge_viscous"], cap)
    rig = np.maximum(np.expm1(-at["technician_above"]) * halves, -0.8 * np.exp(-port_viscous))
    hole = np.exp(-port_viscous) + rig
    tube = np.exp(-table.line_viscous_ln[rows])[:, None] / wide
    above = late(fresh - np.log(1.0 / pump + 8000.0 / 14_000.0 / 4.0 * tube + hole), cap)
    wide = np.exp(b_deep + at["hose"])
    hole = np.exp(-port_deep) + np.maximum(np.expm1(-at["technician"]) * halves, -0.8 * np.exp(-port_deep))
    blank = -1000.0 * np.expm1(table.oil_ln[rows])[:, None]
    speed = speed_through(pump, line[0] * wide, line[1] * wide, hole, 1000.0, blank)
    deep = lagging(np.log(speed) + at["gauge"], cap)
    want = (
        viscous + 0.0 * grid,
        deep - np.where(table.alone[rows][:, None], 0.0, viscous) + 0.0 * grid,
        above - np.where(table.above_alone[rows][:, None], 0.0, viscous) + 0.0 * grid,
    )
    for value, by_hand in zip(got, want, strict=True):
        np.testing.assert_allclose(value, by_hand, rtol=1e-12, atol=1e-12)
