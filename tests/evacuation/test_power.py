"""How much longer a hold had to stand, against generalised least squares written out. Tag: CALC."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest

from blankoff.evacuation.power import LONGEST_MORE_MIN, SLOWEST_BEND_S, _noncentrality, more_hold_minutes

POINTS = 48


def dense(
    length_s: float,
    tau_s: float,
    bend: float,
    level: float,
    noise: float,
    interval_s: float,
    size: float,
    memory_s: float,
) -> float:
    """Chi-square of a bend beside a constant, a line and a pool four times faster than the hold: dense covariance."""
    x = (np.arange(POINTS) + 0.5) / POINTS
    t = x * length_s
    per_point = max(length_s / POINTS / interval_s, 1.0)
    cov = (size * level) ** 2 * np.exp(-np.abs(t[:, None] - t[None, :]) / memory_s)
    cov += np.eye(POINTS) * (noise * level) ** 2 / per_point
    nuisance = np.column_stack([np.ones(POINTS), x, 1.0 - np.exp(-4.0 * x)])
    y = bend * (1.0 - np.exp(-t / tau_s))
    white = np.linalg.cholesky(cov)
    y, nuisance = np.linalg.solve(white, y), np.linalg.solve(white, nuisance)
    rest = y - nuisance @ np.linalg.lstsq(nuisance, y, rcond=None)[0]
    return float(rest @ rest)


CASES = [
    (3000.0, 2000.0, 300.0, 500.0, 0.01, 2.0, 0.002, 150.0),
    (9000.0, 7200.0, 900.0, 800.0, 0.004, 5.0, 0.005, 500.0),
    (600.0, 100.0, 80.0, 300.0, 0.02, 60.0, 0.001, 45.0),
    (600.0, 30.0, 80.0, 300.0, 0.02, 1.0, 0.0, 45.0),
]


@pytest.mark.parametrize("case", CASES)
def test_noncentrality_is_that_of_the_dense_covariance(case: tuple[float, ...]) -> None:
    assert _noncentrality(*case) == pytest.approx(dense(*case), rel=1e-6)


def more(
    stood: float = 600.0,
    required: float = 600.0,
    straight: float = 150.0,
    level: float = 500.0,
    noise: float = 0.006,
    interval: float = 2.0,
    wander: float = 0.001,
    memory: float = 150.0,
    open_question: bool = True,
    proof: float = 0.55,
    power: float = 0.95,
) -> float:
    one = lambda x: np.array([float(x)])  # noqa: E731
    got = more_hold_minutes(
        one(stood), one(required), one(straight), one(level), one(noise), one(interval), one(wander), one(memory),
        np.array([open_question]), proof, power,
    )  # fmt: skip
    return float(got[0])


def wanted(proof: float, power: float) -> float:
    """Noncentrality of a one-sided normal test, at 99 per cent or more sure."""
    z = NormalDist().inv_cdf
    return (z(max(proof, 0.99)) + z(power)) ** 2


@pytest.mark.parametrize(
    ("case", "proof", "power"),
    [
        ({}, 0.55, 0.95),
        ({}, 0.55, 0.7),
        ({}, 0.999, 0.95),
        ({"stood": 900.0, "straight": 400.0}, 0.55, 0.95),
        # long enough to count on slower outgassing than two hours
        ({"stood": 5000.0, "straight": 20.0, "noise": 0.02}, 0.55, 0.95),
        ({"required": 1800.0, "interval": 10.0, "memory": 400.0}, 0.55, 0.95),
    ],
)
def test_the_length_asked_for_has_the_power_and_a_shorter_one_has_not(
    case: dict[str, float], proof: float, power: float
) -> None:
    full = {
        "stood": 600.0, "required": 600.0, "straight": 150.0, "level": 500.0, "noise": 0.006, "interval": 2.0,
        "wander": 0.001, "memory": 150.0, **case,
    }  # fmt: skip
    minutes = more(**case, proof=proof, power=power)
    assert 0.0 < minutes < LONGEST_MORE_MIN
    tau = max(4.0 * full["stood"], SLOWEST_BEND_S)
    bend = full["straight"] / full["required"] * tau
    total = full["stood"] + 60.0 * minutes

    def power_at(length: float) -> float:
        mean = full["level"] + 0.5 * bend * (1.0 - math.exp(-length / tau))
        return dense(
            length, tau, bend, mean, full["noise"], full["interval"], full["wander"], full["memory"]
        )  # fmt: skip

    assert power_at(total) == pytest.approx(wanted(proof, power), rel=1e-5)
    assert power_at(0.99 * total) < wanted(proof, power)


def test_what_needs_no_longer_hold_or_cannot_be_had() -> None:
    assert more(open_question=False) == 0.0
    # no wander and hardly any noise: told apart at once
    assert more(noise=0.0, wander=0.0, straight=900.0, level=400.0, interval=0.0) < 3.0
    # a day is the longest that anybody is asked for
    assert more(straight=2.0, noise=0.05, wander=0.02, level=900.0) == LONGEST_MORE_MIN == 1440.0
    # no hold, no answer
    assert math.isnan(more(stood=float("nan")))
    assert math.isnan(more(stood=0.0))
    assert math.isnan(more(straight=float("nan")))
    assert math.isnan(more(noise=float("nan")))
    assert math.isnan(more(stood=0.0, open_question=False))
    assert SLOWEST_BEND_S == 7200.0


def test_least_values_stand_in_for_none() -> None:
    """A rise under a micron counts as one, noise under 1e-4 as that, spacing under 0.1 s and memory under 1 s as those."""
    calm = {"level": 5e4, "wander": 0.0, "straight": 1.0}
    assert more(straight=0.2, noise=0.001, level=100.0) == more(straight=1.0, noise=0.001, level=100.0)
    assert more(straight=0.2, noise=0.001, level=100.0) > more(straight=1.2, noise=0.001, level=100.0)
    assert more(noise=0.0, **calm) == more(noise=1e-4, **calm) < more(noise=1.2e-4, **calm)
    assert more(noise=0.02, interval=0.0) == more(noise=0.02, interval=0.1) < more(noise=0.02, interval=0.12)
    assert more(memory=0.0) == more(memory=1.0)
    # ... and none of them any more than that
    assert more(straight=1.0, noise=0.001, level=100.0) > more(straight=1.05, noise=0.001, level=100.0)
    assert more(noise=1e-4, **calm) < more(noise=1.05e-4, **calm)
    assert more(noise=0.02, interval=0.1) < more(noise=0.02, interval=0.105)


def test_holds_answer_each_for_itself() -> None:
    many = lambda *x: np.array(x, dtype=np.float64)  # noqa: E731
    got = more_hold_minutes(
        many(600.0, 600.0, np.nan), many(600.0, 600.0, 600.0), many(150.0, 150.0, 150.0), many(500.0, 500.0, 500.0),
        many(0.006, 0.006, 0.006), many(2.0, 2.0, 2.0), many(0.001, 0.001, 0.001), many(150.0, 150.0, 150.0),
        np.array([True, False, True]), 0.55, 0.95,
    )  # fmt: skip
    assert got[0] == more()
    assert got[1] == 0.0
    assert math.isnan(got[2])
