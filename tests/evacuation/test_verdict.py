"""The verdict's order and its margin (contract: 'How a log is judged'). Tag: CALC; criteria are CP."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blankoff.evacuation.verdict import (
    Reason,
    RiseKind,
    borderline_verdicts,
    hold_pressures,
    hold_tolerance_s,
    pressure_when_isolated,
    rise_kinds,
    verdict_words,
    verdicts,
)

NAN = float("nan")


def judged(isolated=300.0, highest=600.0, lowest=290.0, stood=700.0, rise=RiseKind.LEAK, scale=1.0) -> Reason:
    one = lambda x: np.array([float(x)])  # noqa: E731
    return Reason(
        verdicts(
            one(isolated), one(highest), one(lowest), one(stood), np.array([int(rise)]), one(500.0), one(1000.0),
            one(600.0), one(12.0), 60.0, scale,
        )[0]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("case", "want"),
    [
        ({}, Reason.HELD),
        ({"isolated": 1100.0, "highest": 1500.0}, Reason.TARGET_MISSED),
        ({"highest": 1001.0}, Reason.LEAK),
        ({"highest": 1001.0, "stood": 30.0, "lowest": 800.0}, Reason.LEAK),
        ({"highest": 1001.0, "rise": RiseKind.MOISTURE}, Reason.MOISTURE),
        ({"highest": 1001.0, "rise": RiseKind.LEAK_AND_MOISTURE}, Reason.LEAK_AND_MOISTURE),
        ({"highest": 1001.0, "rise": RiseKind.UNDETERMINED}, Reason.RISE_UNEXPLAINED),
        ({"highest": 1001.0, "rise": RiseKind.FLAT}, Reason.RISE_UNEXPLAINED),
        ({"isolated": NAN, "highest": NAN, "stood": NAN, "lowest": 700.0}, Reason.NO_HOLD),
        ({"stood": 59.0, "lowest": 700.0}, Reason.NO_HOLD),
        ({"stood": 300.0, "lowest": 510.0}, Reason.TARGET_MISSED),
        ({"stood": 300.0}, Reason.SHORT_HOLD),
        ({"stood": 590.0}, Reason.HELD),
    ],
)
def test_order_of_the_contract(case: dict[str, float], want: Reason) -> None:
    assert judged(**case) is want


def test_borderline_is_what_the_gauges_accuracy_could_turn() -> None:
    highest = np.array([960.0, 900.0, 1040.0, 1200.0, 960.0])
    n = highest.size
    full = lambda x: np.full(n, float(x))  # noqa: E731
    accuracy = np.array([5.0, 5.0, 5.0, 5.0, 1.0])
    got = borderline_verdicts(
        full(300), highest, full(290), full(700), np.full(n, int(RiseKind.LEAK)), full(500), full(1000), full(600),
        full(12), 60.0, accuracy,
    )  # fmt: skip
    assert got.tolist() == [True, False, True, False, False]
    # a gauge that the fleet knows to read 20 % low turns the second
    got = borderline_verdicts(
        full(300), highest, full(290), full(700), np.full(n, int(RiseKind.LEAK)), full(500), full(1000), full(600),
        full(12), 60.0, accuracy, full(0.8),
    )  # fmt: skip
    assert got[1]


def test_rise_is_named_undetermined_only_when_a_leak_is_neither_named_nor_ruled_out() -> None:
    kinds = rise_kinds(np.array([0.9, 0.9, 0.1, 0.1, 0.5, NAN]), np.array([0.9, 0.2, 0.9, 0.2, 0.9, NAN]), 0.6)
    assert kinds.tolist() == [3, 2, 1, 0, 4, -1]


def test_words_of_the_contract() -> None:
    verdict, reason = verdict_words(np.array([0, 1, 4, 5, 6, 7]))
    assert verdict == ["passed", "failed", "failed", "unproven", "unproven", "unproven"]
    assert reason == ["held", "leak", "rise_unexplained", "target_missed", "short_hold", "no_hold"]


def test_a_step_at_isolation_is_the_circuits_pressure_and_a_fast_rise_is_not() -> None:
    got = pressure_when_isolated(
        np.array([300.0, 300.0, 300.0]), np.array([1200.0, 1200.0, 320.0]), np.array([1210.0, 1500.0, 325.0]),
        np.array([1250.0, 4000.0, 360.0]),
    )  # fmt: skip
    assert got[0] == pytest.approx(1200.0)
    assert got[1] == pytest.approx(300.0)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), spikes=st.integers(0, 3))
def test_spikes_over_the_limit_fail_nobody(seed: int, spikes: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 720.0, 2.0)
    p = (700.0 + 0.1 * t) * (1.0 + 0.02 * rng.normal(size=t.size))
    p[rng.choice(t.size, spikes, replace=False)] = 5000.0
    out = np.empty((1, 6))
    required = np.array([600.0])
    hold_pressures(
        np.array([0, t.size]), t, p, np.array([0.0]), np.array([720.0]), required,
        hold_tolerance_s(required / 60.0, np.array([2.0])), out,
    )  # fmt: skip
    assert out[0, 1] == pytest.approx(760.0, abs=25.0)
    assert out[0, 2] < 1000.0
