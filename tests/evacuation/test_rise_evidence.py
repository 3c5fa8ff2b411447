"""What is kept of a hold for its fleet: shares put otherwise give what the fit would have given under them. Tag: CALC."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blankoff.evacuation.calibration import calibrated
from blankoff.evacuation.hold import COLUMNS, HoldFits, fit_holds
from blankoff.evacuation.hold_prior import RisePrior
from blankoff.evacuation.rise_evidence import CASES, EVIDENCE, rise_chances, rise_evidence
from blankoff.settings import Judging

ONE = np.ones(1)


def fitted(leak: float, bend: float, tau_s: float, prior: RisePrior) -> HoldFits:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 800.0, 5.0)
    since = np.maximum(t - 100.0, 0.0)
    p = 250.0 + np.maximum(100.0 - t, 0.0) + leak * since / 600.0 + bend * -np.expm1(-since / tau_s)
    return fit_holds(
        np.array([0, t.size]), t, p * (1.0 + 0.004 * rng.normal(size=t.size)), np.full(t.size, np.nan), 100.0 * ONE,
        800.0 * ONE, 10.0 * ONE, 20.0 * ONE, 760_000.0 * ONE, Judging(), None, prior,
    )  # fmt: skip


@pytest.mark.parametrize(("leak", "bend", "tau_s"), [(90.0, 30.0, 120.0), (0.0, 90.0, 900.0), (150.0, 500.0, 300.0)])
def test_shares_put_otherwise_give_what_a_fit_under_them_gives(leak: float, bend: float, tau_s: float) -> None:
    """Chances within 0.02: what is hopeless under some shares is left out of their sums."""
    one, other = RisePrior(), replace(RisePrior(), leak_share=0.15, quick_share=0.4, wet_share=0.2)
    evidence = rise_evidence(fitted(leak, bend, tau_s, one), one.shares())
    under = fitted(leak, bend, tau_s, other)
    want = calibrated(
        under["p_leak_raw"], under["p_moisture_raw"], evidence[:, -3], under["best_straight_micron"],
        under["best_bend_micron"],
    )  # fmt: skip
    got = rise_chances(evidence, other.shares())
    for p, q in zip(got, want, strict=True):
        assert p[0] == pytest.approx(q[0], abs=0.02)


def test_what_is_kept() -> None:
    """Of each case what the readings say, relative to the likeliest; chances given the case; three sizes."""
    shares = np.array([0.3, 0.1, 0.2, 0.2, 0.1, 0.1])
    values = np.full((2, len(COLUMNS)), np.nan)
    fit = {
        "ordinary_tight": 0.3, "ordinary_leak": 0.2, "ordinary_material": 0.1, "ordinary_tight_moist": 0.06,
        "ordinary_leak_moist": 0.05, "quick_tight": 0.1, "quick_leak": 0.4, "quick_material": 0.4,
        "quick_tight_moist": 0.0, "quick_leak_moist": 0.1, "wet_tight": 0.0, "wet_leak": 0.0, "wet_material": 0.0,
        "wet_tight_moist": 0.0, "wet_leak_moist": 0.0, "saturating_micron": 70.0, "best_straight_micron": 90.0,
        "best_bend_micron": 40.0,
    }  # fmt: skip
    for name, value in fit.items():
        values[0, COLUMNS.index(name)] = value
    got = rise_evidence(HoldFits(values), shares)
    assert got.shape == (2, EVIDENCE)
    assert np.isnan(got[1]).all()
    assert got[0, :CASES] == pytest.approx([0.5, 1.0, 0.25, 1.0, 0.0, 0.0])
    assert got[0, CASES:-3] == pytest.approx([0.5, 1.0, 0.0, 0.2, 0.0, 0.0, 0.25, 0.25, 0.0])
    assert got[0, -3:].tolist() == [70.0, 90.0, 40.0]
    # put together again: half of an ordinary leak's 0.2 and all of a quick one's 0.4
    chances = rise_chances(got, shares)
    want = calibrated(0.5 * ONE, 0.21 * ONE, 70.0 * ONE, 90.0 * ONE, 40.0 * ONE)
    assert [p[0] for p in chances] == pytest.approx([q[0] for q in want])
    assert all(np.isnan(p[1]) for p in chances)
