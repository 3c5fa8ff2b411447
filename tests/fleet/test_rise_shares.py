"""Shares of leaks and of circuits' states in a fleet, against drawn ones and the likelihood itself. Tag: CALC."""

from __future__ import annotations

import numpy as np
import pytest

from blankoff.evacuation.hold_prior import RisePrior
from blankoff.evacuation.rise_evidence import CASES, EVIDENCE
from blankoff.fleet.rise_shares import LEAST_HOLDS, MOST_HOLDS, PRIOR_HOLDS, STEP_LN, fleet_shares

PRIOR = RisePrior().shares()


def drawn(n: int, shares: np.ndarray, clear: float, seed: int = 5) -> np.ndarray:
    """Holds whose readings speak for their own case by a factor of e^clear, give or take."""
    rng = np.random.default_rng(seed)
    case = rng.choice(CASES, n, p=shares)
    ln = clear * rng.normal(size=(n, CASES))
    # a likelihood ratio drawn from one case against any other: normal about half its variance
    ln[np.arange(n), case] += clear**2
    out = np.full((n, EVIDENCE), 0.5)
    out[:, :CASES] = np.exp(ln - ln.max(axis=1, keepdims=True))
    return out


def parts(shares: np.ndarray) -> tuple[float, float, float]:
    """Share of leaks, of quick circuits among the dry, of wet ones."""
    s = shares.reshape(3, 2)
    return float(s[:, 1].sum()), float(s[1].sum() / s[:2].sum()), float(s[2].sum())


@pytest.mark.parametrize("clear", [4.0, 1.5])
@pytest.mark.parametrize(("leak", "quick", "wet"), [(0.1, 0.9, 0.03), (0.5, 0.5, 0.2), (0.25, 0.3, 0.1)])
def test_shares_that_were_drawn_are_found(clear: float, leak: float, quick: float, wet: float) -> None:
    true = RisePrior(leak_share=leak, quick_share=quick, wet_share=wet).shares()
    got = fleet_shares(drawn(4000, true, clear), PRIOR)
    assert got.sum() == pytest.approx(1.0)
    assert parts(got) == pytest.approx((leak, quick, wet), abs=0.035)
    # leaks are as common in every state
    states = got.reshape(3, 2)
    assert states[:, 1] / states.sum(axis=1) == pytest.approx(np.full(3, states[0, 1] / states[0].sum()))


def test_few_holds_and_none_leave_the_prior() -> None:
    few = np.full((LEAST_HOLDS, EVIDENCE), 0.5)
    few[:, :CASES] = np.tile([1e-9, 1.0], 3)
    for holds in (few[:0], few[1:], np.full((700, EVIDENCE), np.nan), np.vstack([few[1:], few * np.nan])):
        np.testing.assert_array_equal(fleet_shares(holds, PRIOR), PRIOR)
    # a hundred leaks beside thirty holds of the prior
    leak = (PRIOR_HOLDS * parts(PRIOR)[0] + LEAST_HOLDS) / (PRIOR_HOLDS + LEAST_HOLDS)
    steps = np.round((np.log(leak / (1 - leak)) - np.log(parts(PRIOR)[0] / (1 - parts(PRIOR)[0]))) / STEP_LN)
    got = parts(fleet_shares(few, PRIOR))[0]
    assert np.log(got / (1 - got)) == pytest.approx(np.log(parts(PRIOR)[0] / (1 - parts(PRIOR)[0])) + STEP_LN * steps)


def test_holds_that_say_nothing_leave_the_prior() -> None:
    assert fleet_shares(np.ones((5000, EVIDENCE)), PRIOR) == pytest.approx(PRIOR)


def test_order_and_a_few_more_holds_change_nothing() -> None:
    """Log-odds are told to an eighth."""
    true = RisePrior(leak_share=0.2, quick_share=0.6, wet_share=0.1).shares()
    holds = drawn(3000, true, 2.0)
    got = fleet_shares(holds, PRIOR)
    np.testing.assert_array_equal(fleet_shares(holds[::-1], PRIOR), got)
    for share, about in zip(parts(got), parts(PRIOR), strict=True):
        steps = (np.log(share / (1 - share)) - np.log(about / (1 - about))) / STEP_LN
        assert steps == pytest.approx(round(steps), abs=1e-9)
    same = 0
    for seed in range(20):
        holds = drawn(3000, true, 2.0, seed)
        more, less = fleet_shares(holds, PRIOR), fleet_shares(holds[:2995], PRIOR)
        same += bool(np.array_equal(more, less))
        for a, b in zip(parts(more), parts(less), strict=True):
            assert abs(np.log(a / (1 - a)) - np.log(b / (1 - b))) < 1.01 * STEP_LN
    assert same >= 16


def test_of_very_many_holds_every_so_many_is_asked() -> None:
    true = RisePrior(leak_share=0.2, quick_share=0.6, wet_share=0.1).shares()
    holds = drawn(2 * MOST_HOLDS + 10, true, 2.0)
    np.testing.assert_array_equal(fleet_shares(holds, PRIOR), fleet_shares(holds[::3], PRIOR))
