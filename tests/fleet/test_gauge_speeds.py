"""Deep speeds as a witness of a gauge: a reading too high is a lower pressure, and a step put in is found within its bounds."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest

from blankoff.fleet.gauge_speeds import gauge_speeds
from blankoff.fleet.gauge_witness import Witness, told
from blankoff.fleet.pump_side_causes import Cause, FloorCauses, misreadings
from blankoff.fleet.wear_causes import rough_shifts
from blankoff.fleet.wear_flow import line_law, speed_through
from blankoff.fleet.wear_seen import DEEP_MICRON
from blankoff.fleet.wear_speeds import CONSTANTS_MEAN, LEVELS, SpeedTable, speed_table
from tests.fleet.frames import NO_FAULTS, Plan, draw_fleet

QUIET = Plan(seed=6, evacuations=1200, **NO_FAULTS)
OFF_LN = 0.3


@pytest.fixture(scope="module")
def table() -> SpeedTable:
    return speed_table(draw_fleet(QUIET).work)


def test_a_reading_too_high_is_met_at_a_lower_pressure(table: SpeedTable) -> None:
    none = {name: np.zeros(table.day.size) for name in LEVELS}
    high = replace(table, reading_ln=np.full(table.day.size, OFF_LN), alone=np.ones(table.day.size, dtype=bool))
    a, _, on_deep, _, port, _ = CONSTANTS_MEAN
    slope, rest = line_law(table.line_viscous_ln, table.line_deep_ln)
    true = speed_through(
        np.exp(table.pump_ln + a),
        slope * np.exp(on_deep),
        rest * np.exp(on_deep),
        np.full(table.day.size, np.exp(-port)),
        DEEP_MICRON * np.exp(-OFF_LN),
        -DEEP_MICRON * np.expm1(table.oil_ln),
    )
    assert high.predict(CONSTANTS_MEAN, none)[1] == pytest.approx(np.log(true), abs=1e-6)


def says(witness: Witness, day: float) -> tuple[float, float]:
    estimate, information = told(witness, witness.weights(), (witness.day >= day).astype(np.float64))
    return estimate, information**-0.5


def test_a_step_is_found_within_its_bounds_and_nowhere_else(table: SpeedTable) -> None:
    none = {name: np.zeros(table.day.size) for name in LEVELS}
    usual = [g for g, _ in Counter(table.ids["gauge"]).most_common() if g is not None]
    day, scores = float(np.median(table.day)), []
    read = np.zeros(table.day.size)
    for gauge, sign in zip(usual[:4], (1, -1, 1, -1), strict=True):
        read[np.array([g == gauge for g in table.ids["gauge"]]) & (table.day >= day)] = sign * OFF_LN
    constants = rough_shifts(table, {}).constants
    moves = replace(table, reading_ln=read).predict(constants, none)[1] - table.predict(constants, none)[1]
    witnesses = gauge_speeds(rough_shifts(replace(table, line=table.line + moves), {}))
    for gauge, sign in zip(usual[:4], (1, -1, 1, -1), strict=True):
        estimate, se = says(witnesses[gauge], day)
        assert se < 0.3
        scores.append((estimate - sign * OFF_LN) / se)
    assert np.max(np.abs(scores)) < 2.5
    sound = np.array([e / s for e, s in (says(witnesses[g], day) for g in usual[4:12] if g in witnesses)])
    assert np.mean(np.abs(sound) < 1.645) >= 0.75


def test_all_jobs_of_an_off_gauge_are_misread_until_it_is_mended() -> None:
    work = pl.DataFrame(
        {
            "evacuation_id": ["E0", "E1", "E2", "E3"],
            "gauge_id": ["G1", "G1", "G1", "G2"],
            "started_at": [datetime(1970, 1, 1) + timedelta(days=d) for d in (10, 20, 40, 20)],
        }
    )
    rows = draw_rows([12.0, 30.0])
    cause = Cause("gauge", "G1", 0, 11.0, 11.0, 11.0, 0.2, 0.05, 9.0, [(0, 0), (0, 1)], (0.5, 1.0))
    found = FloorCauses(rows, [cause])
    told_ln = misreadings(found, work, {"G1": [35.0]})
    assert told_ln == {"E1": pytest.approx(0.2 * (0.5 + 0.5 * 8.0 / 18.0))}


def draw_rows(days: list[float]) -> Any:
    """As much of a fleet's oil as days of uses are asked of."""
    return SimpleNamespace(rows=[SimpleNamespace(day=np.array(days))])
