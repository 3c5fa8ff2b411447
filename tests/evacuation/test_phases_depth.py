"""A stand far above what the same pump reached before in the same log. Tag: CALC, but for the last, own physics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.phases_depth import stopped_early
from blankoff.evacuation.single import judge
from blankoff.samples import SampleBatch

Array = NDArray[np.float64]
NONE = -1000


def stand_of(
    stands_s: float,
    level: float = 388.0,
    floor: float = 34.0,
    tau: float = 10.0,
    scatter: float = 0.0,
    spread: float = 0.01,
) -> int:
    """Two pulls a second apart in blocks of 2 s: one to its floor, the other to a stand; first block of the stand found, from its true one on; the last of the fall may pass for it."""
    t1 = np.arange(0.0, 12.0 * tau, 2.0)
    pull = floor + 20_000.0 * np.exp(-t1 / tau)
    t2 = np.arange(0.0, tau * math.log(20_000.0 / max(level - floor, 1e-9)), 2.0)
    again = floor + 20_000.0 * np.exp(-t2 / tau)
    stand = np.full(int(stands_s / 2.0) + 1, level)
    stand[1::2] *= 1.0 + scatter
    p = np.r_[pull, again, stand]
    by, bt = np.log(p), np.arange(p.size) * 2.0
    begin = pull.size
    low = begin + again.size + int(np.argmin(stand))
    found = stopped_early(bt, by, np.full(p.size, spread**2), 0, int(np.argmin(by[:begin])), begin, low, p.size - 1)
    return int(found) - begin - again.size if found >= 0 else NONE


def test_a_stand_far_above_the_floor_reached_before_is_shut_off() -> None:
    assert stand_of(300.0) in (-1, 0)
    assert stand_of(300.0, scatter=0.03) in (-1, 0)


def test_a_minute_at_least() -> None:
    assert stand_of(58.0) == NONE
    assert stand_of(62.0) in (-1, 0)


def test_five_times_as_long_as_the_pump_took_before() -> None:
    # with tau = 60 s from 388 to 260 microns: ln(354 / 226) tau = 27 s, in blocks of 2 s
    took = 28.0
    assert stand_of(5.0 * took - 16.0, tau=60.0, floor=34.0) == NONE
    assert stand_of(5.0 * took + 6.0, tau=60.0, floor=34.0) != NONE


def test_a_floor_near_that_of_before_is_a_floor() -> None:
    assert stand_of(300.0, level=34.0 * math.exp(0.39)) == NONE
    assert stand_of(300.0, level=34.0 * math.exp(0.41) + 1.0) in (-1, 0)


def test_water_may_boil_at_a_level_of_its_own() -> None:
    assert stand_of(300.0, level=1999.0) in (-1, 0)
    assert stand_of(300.0, level=2001.0) == NONE


@pytest.mark.parametrize("isolated", [True, False])
def test_triple_evacuation_ends_in_a_flat_hold(isolated: bool) -> None:
    """The last pull is shut off at 380 microns and stands dead flat; or runs on to the floor of the first. One pump, all along."""
    t = np.arange(0.0, 1600.0)
    p = np.full(t.size, np.nan)
    p[:400] = 35.0 + 700_000.0 * np.exp(-t[:400] / 8.0)
    p[400:700] = 17_500.0
    run_on = 35.0 + 17_500.0 * np.exp(-(t[700:] - 700.0) / 3.0)
    p[700:] = run_on + 345.0 if isolated else run_on
    p *= np.exp(np.random.default_rng(5).normal(0.0, 0.004, t.size))
    p = np.where(p > 20_000.0, np.nan, np.round(p))
    judged = judge(SampleBatch.of_one("invented", t, p))
    if isolated:
        assert judged.reason == "held"
        assert judged.pump_down.isolated_at_s == pytest.approx(716.0, abs=8.0)
        why = [phase.start_why for phase in judged.phases if phase.kind == "hold"]
        assert why[-1:] == ["the fall stops far above what this pump reached before: isolated"]
    else:
        assert judged.reason == "no_hold"
