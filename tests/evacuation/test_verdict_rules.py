"""The verdict's rules one by one, on either side of every comparison that the contract makes.

Expectations are worked out from the contract ("How a log is judged") and from the docstrings, not read off the code.
Tags: CALC; criteria are CP.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.verdict import (
    ASSUMED_ACCURACY_PERCENT,
    RISE_WORDS,
    Reason,
    RiseKind,
    borderline_verdicts,
    hold_tolerance_s,
    pressure_when_isolated,
    rise_kinds,
    verdict_words,
    verdicts,
)

Array = NDArray[np.float64]
NAN = float("nan")
JUST = 1e-6
"""So little over or under a bound that it must count."""


def one(x: float) -> Array:
    return np.array([float(x)])


def reason(
    isolated: float = 300.0,
    highest: float = 600.0,
    lowest: float = 290.0,
    stood: float = 700.0,
    rise: int = RiseKind.LEAK,
    target: float = 500.0,
    limit: float = 1000.0,
    required: float = 600.0,
    tolerance: float = 12.0,
    shortest: float = 60.0,
    scale: float = 1.0,
    still: float = NAN,
) -> str:
    code = verdicts(
        one(isolated), one(highest), one(lowest), one(stood), np.array([int(rise)]), one(target), one(limit),
        one(required), one(tolerance), shortest, scale, one(still),
    )  # fmt: skip
    return verdict_words(code)[1][0]


@pytest.mark.parametrize(
    ("case", "want"),
    [
        # "from the isolation on it must stay at or below the limit"
        ({"isolated": 1000.0}, "held"),
        ({"isolated": 1000.0 + JUST}, "target_missed"),
        ({"highest": 1000.0}, "held"),
        ({"highest": 1000.0 + JUST}, "leak"),
        # "pumping brings the circuit to the target or below"
        ({"lowest": 500.0}, "held"),
        ({"lowest": 500.0 + JUST}, "target_missed"),
        ({"lowest": NAN}, "target_missed"),
        # "never isolated, or for under a minute"
        ({"stood": 60.0}, "short_hold"),
        ({"stood": 60.0 - JUST}, "no_hold"),
        ({"stood": 0.0, "highest": 2000.0}, "no_hold"),
        ({"stood": NAN, "highest": 2000.0, "isolated": 2000.0}, "no_hold"),
        # a negative length is none
        ({"stood": -1.0, "highest": 2000.0, "isolated": 2000.0}, "no_hold"),
        # a floor above the target, reached and stood at for as long as a hold: whether it was shut off is not seen
        ({"stood": NAN, "lowest": 500.0 + JUST, "still": 600.0}, "target_missed"),
        ({"stood": NAN, "lowest": 500.0 + JUST, "still": 600.0 - JUST}, "no_hold"),
        ({"stood": NAN, "lowest": 500.0, "still": 6000.0}, "no_hold"),
        ({"stood": 60.0 - JUST, "lowest": 700.0, "still": 6000.0}, "no_hold"),
        # a moment's isolation that rose over the limit failed all the same
        ({"stood": 0.5, "highest": 2000.0}, "leak"),
        ({"stood": 0.5, "isolated": 2000.0}, "target_missed"),
        # "stood too short", the tolerance allowed for
        ({"stood": 588.0}, "held"),
        ({"stood": 588.0 - JUST}, "short_hold"),
        ({"stood": 600.0 - JUST, "tolerance": 0.0}, "short_hold"),
        # the row's own criterion counts
        ({"target": 280.0}, "target_missed"),
        ({"limit": 599.0}, "leak"),
        ({"required": 1200.0, "tolerance": 24.0}, "short_hold"),
        ({"stood": 90.0, "shortest": 120.0}, "no_hold"),
        # unknown pressures of a hold are not over the limit
        ({"isolated": NAN, "highest": NAN}, "held"),
    ],
)
def test_bounds_of_the_contract_belong_to_the_better_side(case: dict[str, float], want: str) -> None:
    assert reason(**case) == want


FAULTS = (
    ({"isolated": 1100.0}, "target_missed"),
    ({"highest": 1200.0}, "leak"),
    ({"stood": 30.0}, "no_hold"),
    ({"lowest": 600.0}, "target_missed"),
    ({"stood": 300.0}, "short_hold"),
)


@pytest.mark.parametrize("first", range(5))
@pytest.mark.parametrize("second", range(5))
def test_of_two_faults_the_contracts_earlier_one_is_named(first: int, second: int) -> None:
    a, b = FAULTS[min(first, second)], FAULTS[max(first, second)]
    # both lengths of stand at once is the shorter one
    both = {**b[0], **a[0]}
    assert reason(**both) == a[1]


@pytest.mark.parametrize(
    ("rise", "want"),
    [
        (RiseKind.LEAK, "leak"),
        (RiseKind.MOISTURE, "moisture"),
        (RiseKind.LEAK_AND_MOISTURE, "leak_and_moisture"),
        (RiseKind.FLAT, "rise_unexplained"),
        (RiseKind.UNDETERMINED, "rise_unexplained"),
        (RiseKind.NONE, "rise_unexplained"),
    ],
)
def test_a_failed_hold_is_named_after_its_rise(rise: RiseKind, want: str) -> None:
    assert reason(highest=1500.0, rise=rise) == want


def test_every_reason_has_its_verdict() -> None:
    names = [
        "held", "leak", "moisture", "leak_and_moisture", "rise_unexplained", "target_missed", "short_hold", "no_hold",
        "unreadable_log",
    ]  # fmt: skip
    verdict, words = verdict_words(np.array([int(Reason[n.upper()]) for n in names]))
    assert words == names
    assert verdict == ["passed"] + 4 * ["failed"] + 4 * ["unproven"]
    assert len({int(r) for r in Reason}) == len(Reason) == len(names)
    assert RISE_WORDS == {
        RiseKind.NONE: None, RiseKind.FLAT: "flat", RiseKind.MOISTURE: "moisture", RiseKind.LEAK: "leak",
        RiseKind.LEAK_AND_MOISTURE: "leak_and_moisture", RiseKind.UNDETERMINED: "undetermined",
    }  # fmt: skip
    # the codes are kept in the store: none may change unnoticed
    assert [int(r) for r in Reason] == list(range(9))
    assert [int(k) for k in RiseKind] == [-1, 0, 1, 2, 3, 4]


@pytest.mark.parametrize(
    ("leak", "moisture", "want"),
    [
        (0.75, 0.5, "leak_and_moisture"),
        (0.75, 0.5 - JUST, "leak"),
        (0.25, 0.5, "moisture"),
        (0.25, 0.5 - JUST, "flat"),
        (0.75 - JUST, 0.9, "undetermined"),
        (0.25 + JUST, 0.1, "undetermined"),
        (NAN, 0.9, None),
        (0.9, NAN, None),
        (1.0, 1.0, "leak_and_moisture"),
        (0.0, 0.0, "flat"),
    ],
)
def test_what_a_rise_is_called(leak: float, moisture: float, want: str | None) -> None:
    got = rise_kinds(one(leak), one(moisture), 0.75)
    assert got.dtype == np.int64
    assert RISE_WORDS[RiseKind(int(got[0]))] == want


@pytest.mark.parametrize(
    ("minutes", "interval", "want"),
    [
        (10.0, 2.0, 12.0),  # two per cent of ten minutes
        (10.0, 6.0, 12.0),
        (10.0, 9.0, 18.0),  # two intervals are more
        (10.0, 40.0, 60.0),  # never over a tenth
        (10.0, NAN, 12.0),
        (1.0, NAN, 2.0),  # an unknown interval counts as a second
        (60.0, 5.0, 72.0),
        (0.2, 5.0, 1.2),
    ],
)
def test_tolerance_of_the_required_time(minutes: float, interval: float, want: float) -> None:
    assert hold_tolerance_s(one(minutes), one(interval))[0] == pytest.approx(want)


@pytest.mark.parametrize(
    ("final", "p0", "settled", "minute", "want"),
    [
        (300.0, 700.0, 720.0, 1119.0, 700.0),  # a step of 400, 399 in the first minute: a step
        (300.0, 700.0, 720.0, 1120.0, 300.0),  # 400 in the first minute: not told apart, the pumped reading stands
        (300.0, 720.0, 700.0, 1000.0, 700.0),  # the lower of both estimates
        (300.0, NAN, 700.0, 1000.0, 700.0),
        (300.0, 250.0, 260.0, 100.0, 300.0),  # never below what was pumped
        (NAN, 700.0, 720.0, 9000.0, 700.0),
        (300.0, NAN, NAN, NAN, 300.0),
        (300.0, 700.0, NAN, NAN, 300.0),
    ],
)
def test_pressure_of_the_circuit_when_isolated(
    final: float, p0: float, settled: float, minute: float, want: float
) -> None:
    assert pressure_when_isolated(one(final), one(p0), one(settled), one(minute))[0] == pytest.approx(want)


def turned(accuracy: float = 5.0, ratio: float | None = None, **case: float) -> bool:
    """Whether a gauge of so many per cent, or one that reads `ratio` times too much, could have turned the verdict."""
    full = {"isolated": 300.0, "highest": 600.0, "lowest": 290.0, "stood": 700.0, **case}
    got = borderline_verdicts(
        one(full["isolated"]), one(full["highest"]), one(full["lowest"]), one(full["stood"]),
        np.array([int(RiseKind.LEAK)]), one(500.0), one(1000.0), one(600.0), one(12.0), 60.0, one(accuracy),
        None if ratio is None else one(ratio),
    )  # fmt: skip
    assert got.dtype == bool
    return bool(got[0])


@pytest.mark.parametrize(
    ("case", "want"),
    [
        # true pressure may be 5 % higher: 953 x 1.05 = 1000.65
        ({"highest": 953.0}, True),
        ({"highest": 952.0}, False),
        # or 5 % lower: 1052 x 0.95 = 999.4
        ({"highest": 1052.0}, True),
        ({"highest": 1053.0}, False),
        ({"lowest": 477.0}, True),
        ({"lowest": 476.0}, False),
        ({"lowest": 526.0}, True),
        ({"lowest": 527.0}, False),
        # not isolated so high that only the reason would turn: above the limit when isolated is unproven, a rise a failure
        ({"isolated": 990.0, "highest": 1200.0}, True),
        ({"isolated": 900.0, "highest": 1200.0}, False),
        # nobody stated an accuracy: five per cent
        ({"accuracy": NAN, "highest": 953.0}, True),
        ({"accuracy": NAN, "highest": 952.0}, False),
        ({"accuracy": 1.0, "highest": 989.0}, False),
        ({"accuracy": 1.0, "highest": 991.0}, True),
        # a senseless accuracy is taken at its bounds: none, and nine tenths
        ({"accuracy": -5.0, "highest": 1000.0, "lowest": 500.0}, False),
        ({"accuracy": 5000.0, "highest": 9990.0}, True),
        ({"accuracy": 5000.0, "highest": 10_001.0}, False),
        ({"accuracy": 5000.0, "highest": 527.0, "lowest": 200.0}, True),
        ({"accuracy": 5000.0, "highest": 526.0, "lowest": 200.0}, False),
        # a gauge that the fleet knows to read 10 % low: 0.9 to 1, accuracy around what it should have shown
        ({"accuracy": 0.0, "ratio": 0.9, "highest": 901.0}, True),
        ({"accuracy": 0.0, "ratio": 0.9, "highest": 899.0}, False),
        ({"accuracy": 0.0, "ratio": 1.1, "highest": 1099.0}, True),
        ({"accuracy": 0.0, "ratio": 1.1, "highest": 1101.0}, False),
        ({"accuracy": 5.0, "ratio": 0.9, "highest": 858.0}, True),
        ({"accuracy": 5.0, "ratio": 0.9, "highest": 857.0}, False),
        ({"accuracy": 5.0, "ratio": 1.1, "highest": 1157.0}, True),
        ({"accuracy": 5.0, "ratio": 1.1, "highest": 1158.0}, False),
        # what the fleet cannot know of a gauge is no correction
        ({"ratio": NAN, "highest": 952.0}, False),
        ({"ratio": 0.0, "highest": 952.0}, False),
        ({"ratio": -2.0, "highest": 953.0}, True),
        # time is not the gauge's matter
        ({"stood": 587.0}, False),
    ],
)
def test_what_the_gauge_alone_could_have_turned(case: dict[str, float], want: bool) -> None:
    assert turned(**case) is want


def test_a_verdict_between_the_ends_of_the_accuracy_counts_too() -> None:
    """Both ends may agree with the reading while the corrected pressure itself does not: 0.9 x reading is judged as such."""
    # a reading that is missed as read; corrected by 2 it is held; with 60 % of accuracy around that it is missed or held
    assert turned(accuracy=0.0, ratio=2.0, lowest=900.0, highest=900.0)
    # never pumped to the target, read as it is and 5 % to either side of 1.03 times; at 1.03 times it rose over the limit
    case = {"isolated": 930.0, "highest": 980.0, "lowest": 600.0}
    assert turned(accuracy=5.0, ratio=1.0 / 1.03, **case)
    # at both ends of that and at the reading itself the reason is the same
    assert reason(**case) == reason(scale=1.03 * 1.05, **case) == reason(scale=1.03 * 0.95, **case) == "target_missed"
    assert reason(scale=1.03, **case) == "leak"
    assert ASSUMED_ACCURACY_PERCENT == 5.0


def test_pressures_are_taken_as_they_are_unless_scaled() -> None:
    got = verdicts(
        one(300.0), one(950.0), one(480.0), one(700.0), np.array([2]), one(500.0), one(1000.0), one(600.0), one(12.0), 60.0
    )  # fmt: skip
    assert verdict_words(got) == (["passed"], ["held"])
