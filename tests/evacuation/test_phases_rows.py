"""Rows of phases. Tag: CALC."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from oracle import plain

from blankoff.evacuation.phases import PhaseKind, StartWhy
from blankoff.evacuation.phases_rows import (
    BREAK,
    GAP,
    HOLD,
    N_PHASE,
    PUMP_DOWN,
    WHY_BEGINS,
    WHY_BENDS,
    WHY_FALLS,
    WHY_GAS,
    WHY_IN_GAP,
    WHY_MARK,
    WHY_NONE,
    WHY_STEP,
    put_gaps,
    put_phase,
)

Array = NDArray[np.float64]


def put(k: int, kind: int = 1, start_i: int = 2, end_i: int = 5) -> tuple[int, Array]:
    rows = np.full((3, N_PHASE), -1.0)
    p = np.array([9.0, 8.0, 7.0, 6.0, 5.0, 4.0])
    return int(plain(put_phase)(rows, k, kind, 20.0, 50.0, start_i, end_i, p, 2, 1.5)), rows


def test_rows_of_phases() -> None:
    k, rows = put(1)
    assert k == 2
    # kind, start and end in s, readings from and up to, pressures of the first and the last, why, uncertainty
    assert rows[1].tolist() == [1.0, 20.0, 50.0, 2.0, 5.0, 7.0, 5.0, 2.0, 1.5]
    assert (rows[[0, 2]] == -1.0).all()
    # no room, and no readings
    assert put(3)[0] == 3
    assert (put(3)[1] == -1.0).all()
    assert put(1, end_i=2)[0] == 1
    assert put(1, end_i=3)[0] == 2


def test_numbers_of_kinds_and_reasons_are_those_of_the_table() -> None:
    assert [PUMP_DOWN, HOLD, BREAK, GAP] == [PhaseKind.PUMP_DOWN, PhaseKind.HOLD, PhaseKind.BREAK, PhaseKind.GAP]
    assert [WHY_BEGINS, WHY_FALLS, WHY_BENDS, WHY_STEP] == [
        StartWhy.LOG_BEGINS, StartWhy.PRESSURE_FALLS, StartWhy.CURVE_BENDS, StartWhy.STEP_AND_BEND,
    ]  # fmt: skip
    assert [WHY_IN_GAP, WHY_GAS, WHY_NONE, WHY_MARK] == [
        StartWhy.WITHIN_GAP, StartWhy.GAS_LET_IN, StartWhy.NO_READINGS, StartWhy.BENDS_AT_MARK,
    ]  # fmt: skip


def test_rows_of_gaps() -> None:
    """From the reading before to the one after; neither belongs to it."""
    t = np.array([0.0, 21.0, 41.0, 42.0, 100.0])
    p = np.array([9.0, 8.0, 7.0, 6.0, 5.0])
    rows = np.full((4, N_PHASE), -1.0)
    assert plain(put_gaps)(rows, 1, t, p, 20.0) == 3
    assert rows[1].tolist() == [3.0, 0.0, 21.0, 1.0, 1.0, 9.0, 8.0, 6.0, 0.0]
    assert rows[2].tolist() == [3.0, 42.0, 100.0, 4.0, 4.0, 6.0, 5.0, 6.0, 0.0]
    assert (rows[[0, 3]] == -1.0).all()
    # as many as there is room for
    rows[:] = -1.0
    assert plain(put_gaps)(rows, 3, t, p, 20.0) == 4
    assert rows[3, 2] == 21.0
    assert plain(put_gaps)(rows, 4, t, p, 20.0) == 4
    assert plain(put_gaps)(rows, 0, t[:1], p[:1], 20.0) == 0
