"""Speeds against what rigs should do: gauges that lag, and pumps behind narrow hoses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from blankoff.fleet.wear_lag import with_lags
from blankoff.fleet.wear_speeds import CONSTANTS_MEAN, LEVELS, SpeedTable, lagging, predicted, speed_table
from tests.fleet.frames import Plan, draw_fleet

QUIET = Plan(
    seed=5,
    evacuations=900,
    worn_pumps=0,
    stepped_pumps=0,
    choked_hoses=0,
    leaking_hoses=0,
    gauges_off=0,
    core_leavers=0,
)


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
