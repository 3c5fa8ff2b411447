"""Falls of pressure: which are pumping, where one begins, and what stood before the first. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.phases_clean import N_SCALES, SIGMA, TOP_LN
from blankoff.evacuation.phases_falls import before_first_fall, fall_start, falls_at, fastest_fall, is_pumped

Array = NDArray[np.float64]


def some_scales(noise: float = 0.004) -> Array:
    out = np.zeros(N_SCALES)
    out[SIGMA], out[TOP_LN] = noise, math.log(20_000.0)
    return out


def test_last_reading_of_a_level_before_it_falls() -> None:
    """As long as it is within 2.5 sigmas and 0.004 of the highest since."""
    for below, want in ((0.0139, 4), (0.0141, 3)):
        y = 6.0 - np.array([0.0, 0.0, 0.0, 0.0, below, 0.05, 0.1, 0.2])
        assert fall_start(y, some_scales(), 0, 7) == want
    y = np.array([6.0, 6.2, 6.1, 6.0, 5.9, 6.3, 5.0, 4.0])
    assert fall_start(y, some_scales(), 0, 4) == 1
    assert fall_start(y, some_scales(), 0, 7) == 5
    assert fall_start(y, some_scales(), 2, 4) == 2
    # the last reading asked of counts too
    assert fall_start(y, some_scales(), 2, 5) == 5


def test_a_pump_lowers_the_pressure_so_fast_for_so_long() -> None:
    """7e-4 of ln p a second over 45 s, or to the next block, four sigmas off."""
    t = np.arange(0.0, 300.0, 15.0)
    v = np.full(20, 1e-6)
    sure = 4.0 * math.sqrt(2e-6)
    for rate, falls in ((7.1e-4 + sure / 45.0, True), (6.9e-4 + sure / 45.0, False)):
        y = 6.0 - np.minimum(np.maximum(t - 90.0, 0.0), 45.0) * rate
        assert falls_at(t, y, v, 0, 19, 7e-4) is falls
    y = 6.0 - np.maximum(t - 90.0, 0.0) * 5e-3
    assert falls_at(t, y, v, 0, 19, 3e-3)
    # blocks every 12 s: over 48
    often = np.arange(0.0, 240.0, 12.0)
    for rate, falls in ((7.1e-4 + sure / 48.0, True), (6.9e-4 + sure / 48.0, False)):
        y = 6.0 - np.minimum(np.maximum(often - 96.0, 0.0), 48.0) * rate
        assert falls_at(often, y, v, 0, 19, 7e-4) is falls
    y = 6.0 - np.maximum(t - 90.0, 0.0) * 5e-3
    # not before, not after
    assert not falls_at(t, y, v, 0, 6, 3e-3)
    # blocks a minute apart: the next one
    far = 60.0 * np.arange(20.0)
    for rate, falls in ((7.1e-4 + sure / 60.0, True), (6.9e-4 + sure / 60.0, False)):
        y = 6.0 - np.minimum(np.maximum(far - 240.0, 0.0), 60.0) * rate
        assert falls_at(far, y, v, 0, 19, 7e-4) is falls


@pytest.mark.parametrize(
    ("rise", "fall", "pumped"),
    [
        # most of the rise, and a quarter in ln: 0.7 of 0.5
        (0.5, 0.351, True),
        (0.5, 0.349, False),
        (0.3, 0.251, True),
        (0.3, 0.249, False),
        (0.1, 0.2, False),
    ],
)
def test_a_fall_that_takes_back_most_of_a_rise_is_pumping_however_slow(rise: float, fall: float, pumped: bool) -> None:
    t = np.array([0.0, 1000.0, 5000.0])
    y = np.array([6.0, 6.0 + rise, 6.0 + rise - fall])
    assert is_pumped(t, y, np.full(3, 1e-6), 0, 1, 2) is pumped
    # or fast
    sure = 4.0 * math.sqrt(2e-6)
    t[2] = 1000.0 + (fall - sure) / 7.1e-4
    assert is_pumped(t, y, np.full(3, 1e-6), 0, 1, 2)
    t[2] = 1000.0 + (fall - sure) / 6.9e-4
    assert is_pumped(t, y, np.full(3, 1e-6), 0, 1, 2) is pumped


def test_fastest_fall_leaves_out_what_lies_across_a_gap() -> None:
    t = np.array([0.0, 10.0, 20.0, 80.0, 90.0, 100.0])
    y = np.array([9.0, 8.9, 8.4, 2.0, 1.7, 1.7])
    # by 0.1, 0.5, 6.4 over 60 s, 0.3 and nothing
    assert fastest_fall(t, y, 0, 5, 60.0) == pytest.approx(0.05)
    assert fastest_fall(t, y, 0, 5, 60.1) == pytest.approx(6.4 / 60.0)
    assert fastest_fall(t, y, 2, 5, 60.0) == pytest.approx(0.03)
    assert fastest_fall(t, y, 0, 1, 60.0) == pytest.approx(0.01)
    # none, and a rise
    assert fastest_fall(t, y, 4, 5, 60.0) == 0.0
    assert fastest_fall(t, -y, 0, 5, 90.0) == 0.0


def before(y: list[float], high: int, first_variance: float = 1e-6, top: float = 13.0) -> tuple[int, bool]:
    """Blocks of one reading each; the fall ends with the last one."""
    by = np.array(y)
    bv = np.full(by.size, 1e-6)
    bv[0] = first_variance
    scales = some_scales(1e-3)
    scales[TOP_LN] = top
    return before_first_fall(by, by, bv, np.arange(by.size + 1), scales, high, by.size - 1)


def test_what_rose_from_the_first_reading_until_the_first_fall_is_a_hold() -> None:
    # by more than 0.05, and three blocks at least
    assert before([6.0, 6.02, 6.04, 6.051, 5.0], 3) == (3, True)
    assert before([6.0, 6.02, 6.04, 6.049, 5.0], 3) == (3, False)
    assert before([6.0, 6.04, 6.1, 5.0], 2) == (2, False)
    # and by more than six of the first block's standard deviations: 0.06
    assert before([6.0, 6.02, 6.04, 6.059, 5.0], 3, 1e-4) == (3, False)
    assert before([6.0, 6.02, 6.04, 6.061, 5.0], 3, 1e-4) == (3, True)
    # the level lasts as long as readings stay with the highest
    assert before([6.0, 6.02, 6.04, 6.1, 6.099, 6.097, 6.0, 5.0], 3) == (5, True)


def test_a_circuit_near_the_atmosphere_was_not_held() -> None:
    for first, held in ((449_000.0, True), (451_000.0, False)):
        y = math.log(first)
        assert before([y, y + 0.03, y + 0.06, y + 0.09, 9.0], 3, top=14.0) == (3, held)


def test_a_gauge_off_its_range_says_nothing_of_what_stood_before() -> None:
    y = [12.8, 12.85, 12.9, 12.99, 9.0]
    assert before(y, 3, top=12.99) == (-1, False)
    assert before(y, 3, top=13.0)[0] == 3
