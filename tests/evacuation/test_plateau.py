"""Boil-off plateaus on curves whose rates are known, and the water that they boil away. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.plateau import (
    LEAST_SPEED_L_S,
    MOST_SPEED_L_S,
    USUAL_SPEED_L_S,
    USUAL_SPEED_SE_LN,
    VAPOUR_POWER,
    VAPOUR_SPEED,
    WATER_SE_LN,
    find_plateau,
    speed_for_water,
    vapour_ceiling,
    water_grams,
)
from blankoff.physics.saturation import saturation_pressure_micron

Array = NDArray[np.float64]
NAN = float("nan")
BIN = 0.1
"""Steps of ln p in which a curve is looked at."""


def ceiling_ln(ambient_c: float = 22.0) -> float:
    """Highest level of a plateau: saturation 6 K above the ambient, 40 degC where nobody noted it."""
    return math.log(float(saturation_pressure_micron(40.0 if math.isnan(ambient_c) else ambient_c + 6.0)))


def falling(legs: list[tuple[float, float]], top: float = 4.0, ambient_c: float = 22.0, every: float = 1.0) -> Array:
    """``(2, n)`` times and pressures: from `top` bins above the ceiling, so many bins in so many seconds, leg by leg."""
    ln = ceiling_ln(ambient_c) + BIN * (top - np.concatenate([[0.0], np.cumsum([b for b, _ in legs])]))
    at = np.concatenate([[0.0], np.cumsum([s for _, s in legs])])
    t = np.arange(0.0, at[-1] + 0.5 * every, every)
    return np.stack([t, np.exp(np.interp(t, at, ln))])


def plateau(t: Array, p: Array, ambient_c: float = 22.0, least_s: float = 40.0, i0: int = 0, i1: int = -1) -> Array:
    out = np.full(5, -1.0)
    find_plateau(t, p, i0, t.size if i1 < 0 else i1, ambient_c, least_s, out)
    return out


@pytest.mark.parametrize("ambient", [22.0, 5.0, NAN])
def test_plateau_of_a_curve_of_three_legs(ambient: float) -> None:
    """4 + 3 bins fall in 14 s, two last 200 and 100 s, then 15 fall at half a bin per second, and 10 more slowly."""
    t, p = falling([(7.0, 14.0), (1.0, 200.0), (1.0, 100.0), (15.0, 30.0), (10.0, 40.0)], ambient_c=ambient)
    level, length, start, fastest, at = plateau(t, p, ambient)
    top = ceiling_ln(ambient)
    # bins 3 and 4 below the ceiling, weighted by time
    assert level == pytest.approx(math.exp(top - BIN * (3.5 * 200.0 + 4.5 * 100.0) / 300.0), rel=1e-9)
    assert length == pytest.approx(300.0)
    assert start == pytest.approx(14.0)
    # the fastest further down: 0.1 in 2 s, first met in the lowest bin of that leg
    assert fastest == pytest.approx(0.05)
    assert top - 20.0 * BIN - BIN <= math.log(at) <= top - 5.0 * BIN


def test_of_two_plateaus_the_longer_one() -> None:
    t, p = falling([(7.0, 14.0), (2.0, 120.0), (5.0, 10.0), (2.0, 160.0), (12.0, 24.0)])
    level, length, start, _, _ = plateau(t, p)
    assert length == pytest.approx(160.0)
    assert start == pytest.approx(144.0)
    assert math.log(level) == pytest.approx(ceiling_ln() - 11.0 * BIN)
    t, p = falling([(7.0, 14.0), (2.0, 170.0), (5.0, 10.0), (2.0, 160.0), (12.0, 24.0)])
    assert plateau(t, p)[1] == pytest.approx(170.0)


@pytest.mark.parametrize(("seconds", "found"), [(39.0, False), (41.0, True)])
def test_shortest_plateau_that_counts(seconds: float, found: bool) -> None:
    t, p = falling([(7.0, 7.0), (2.0, seconds), (12.0, 12.0)], every=0.5)
    assert math.isfinite(plateau(t, p)[0]) is found


@pytest.mark.parametrize(("seconds", "found"), [(4.8, False), (5.2, True)])
def test_slow_is_under_two_fifths_of_a_rate_further_down(seconds: float, found: bool) -> None:
    """Bins of 2 s further down: slow from 5 s a bin on. Thirty bins of it are long enough at any of both."""
    t, p = falling([(5.0, 50.0), (10.0, 10.0 * seconds), (12.0, 24.0)], every=0.2)
    assert math.isfinite(plateau(t, p)[0]) is found


def test_no_plateau_where_nothing_falls_faster_further_down() -> None:
    # a floor is not left again
    t, p = falling([(7.0, 14.0), (2.0, 300.0)])
    assert np.isnan(plateau(t, p)).all()
    # an even fall
    t, p = falling([(30.0, 600.0)])
    assert np.isnan(plateau(t, p)).all()
    assert np.isnan(plateau(t, np.full(t.size, NAN))).all()
    # above the ceiling there is no water: six bins slow, all of them above
    t, p = falling([(0.5, 300.0), (25.0, 25.0)], top=4.0)
    assert np.isnan(plateau(t, p)).all()


def test_no_plateau_below_that_of_deep_cold() -> None:
    """Ice colder than -18 degC, 900 microns, boils too slowly: bins that begin just above count, just below not."""
    # ambients at which the ceiling lies whole bins above a level just over, or just under, 900 microns
    for micron, found in ((905.0, True), (895.0, False)):
        near = [c for c in np.arange(15.0, 30.0, 0.01) if ((ceiling_ln(c) - math.log(micron)) / BIN) % 1.0 < 0.01]
        ambient = float(near[0])
        down = math.floor((ceiling_ln(ambient) - math.log(micron)) / BIN)
        t, p = falling([(4.0 + down, 60.0), (1.0, 300.0), (12.0, 12.0)], ambient_c=ambient)
        assert math.isfinite(plateau(t, p, ambient)[0]) is found


def test_a_pull_first_seen_far_below_the_ceiling() -> None:
    """A log that begins at a third of the ceiling, one that begins 2.5 in ln below it, and blanks in between."""
    t, p = falling([(1.0, 2.0), (2.0, 300.0), (15.0, 30.0)], top=-11.0)
    level, length, start, _, _ = plateau(t, p)
    assert (length, start) == (pytest.approx(300.0), pytest.approx(2.0))
    assert math.log(level) == pytest.approx(ceiling_ln() - 13.0 * BIN)
    t, p = falling([(1.5, 3.0), (2.0, 300.0), (15.0, 30.0)], top=-23.5)
    assert math.exp(ceiling_ln() - 2.7) > 900.0
    level, length, start, _, _ = plateau(t, p)
    assert (length, start) == (pytest.approx(300.0), pytest.approx(3.0))
    p[5:8] = NAN
    p[0] = NAN
    assert plateau(t, p)[1] == pytest.approx(300.0)


def test_only_readings_of_the_pull_count_and_a_climb_is_no_fall() -> None:
    t, p = falling([(7.0, 14.0), (2.0, 300.0), (15.0, 30.0), (1.0, 100.0)])
    whole = plateau(t, p)
    # what comes before and after is another pull's
    longer_t = np.concatenate([t - 500.0, t, t + 500.0])
    longer_p = np.concatenate([np.full(t.size, 200.0), p, np.full(t.size, 100.0)])
    np.testing.assert_allclose(plateau(longer_t, longer_p, i0=t.size, i1=2 * t.size), whole)
    # a reading amid the plateau that jumps up hides nothing; the running lowest counts
    noisy = p.copy()
    noisy[50:250:7] *= 1.5
    assert plateau(t, noisy)[1] == pytest.approx(300.0, abs=8.0)


def test_a_single_noisy_dwell_is_no_fast_stretch() -> None:
    """One bin that takes 1 s among bins of 10 s: two together take 11 s, so bins of 12 s above are not slow."""
    t, p = falling([(4.0, 40.0), (5.0, 60.0), (5.0, 50.0), (1.0, 1.0), (5.0, 50.0)])
    assert np.isnan(plateau(t, p)).all()
    # two such bins are one: 1 s each, and bins of 10 s above them are slow
    t, p = falling([(4.0, 8.0), (5.0, 100.0), (2.0, 2.0), (5.0, 100.0)])
    assert plateau(t, p)[3] == pytest.approx(0.1)


def test_time_at_a_stand_belongs_to_the_bin_stood_in() -> None:
    """Half a bin on, 200 s of stand within two per cent, then down a bin in 2 s: the next bin is entered at their end."""
    t, p = falling([(7.5, 15.0), (0.0, 200.0), (8.5, 17.0), (10.0, 20.0)])
    wobbly = p * np.where((t > 16.0) & (t < 214.0) & (t % 3.0 < 1.0), 1.015, 1.0)
    for curve in (p, wobbly):
        level, length, start, fastest, at = plateau(t, curve)
        assert (start, length) == (pytest.approx(14.0), pytest.approx(202.0))
        assert math.log(level) == pytest.approx(ceiling_ln() - 3.5 * BIN)
        assert fastest == pytest.approx(0.05)
        assert math.log(at) < ceiling_ln() - 4.0 * BIN


def test_a_log_that_begins_with_its_stand() -> None:
    """The first reading is the lowest for 200 s, others within two per cent above: the next bin is entered at their end."""
    t, p = falling([(0.0, 200.0), (1.0, 2.0), (2.0, 100.0), (15.0, 30.0)], top=-0.5)
    p[1:200] *= 1.015
    level, length, start, _, _ = plateau(t, p)
    assert (start, length) == (pytest.approx(201.0), pytest.approx(102.0))
    assert math.log(level) == pytest.approx(ceiling_ln() - 2.0 * BIN, abs=BIN)


def test_where_the_fastest_stretch_lies() -> None:
    """Bins 8 and 9 below the ceiling fall at 0.1 per s, all others at half of that: seen in the middle of bin 8."""
    t, p = falling([(7.0, 14.0), (2.0, 100.0), (3.0, 6.0), (2.0, 2.0), (10.0, 20.0)])
    _, _, _, fastest, at = plateau(t, p)
    assert fastest == pytest.approx(0.1)
    assert math.log(at) == pytest.approx(ceiling_ln() - 8.5 * BIN)


def test_speed_for_water_within_the_fields_range() -> None:
    """Pumps of the trade draw 1 - 5 l/s at a circuit: below, the usual 1.8 known to a factor of 1.6; above, 5."""
    assert speed_for_water(0.2, 0.3, 10.0) == (pytest.approx(2.0), 0.3)
    assert speed_for_water(0.1, 0.3, 10.0) == (1.0, 0.3)
    assert speed_for_water(0.0999, 0.3, 10.0) == (1.8, 0.5)
    assert speed_for_water(0.6, 0.3, 10.0) == (5.0, 0.3)
    assert speed_for_water(0.2, 0.1, 10.0)[1] == 0.25
    assert speed_for_water(0.2, 0.9, 10.0)[1] == 0.5
    assert speed_for_water(NAN, NAN, 10.0) == (1.8, 0.5)
    assert speed_for_water(0.2, 0.3, NAN) == (1.8, 0.5)
    assert (LEAST_SPEED_L_S, MOST_SPEED_L_S, USUAL_SPEED_L_S, USUAL_SPEED_SE_LN) == (1.0, 5.0, 1.8, 0.5)


def test_most_vapour_is_a_sum_over_time_of_pressure_times_relative_speed() -> None:
    """The trapezoid rule of p (p / 8000)^0.35, a power for every three per cent of pressure; unseen time at saturation."""
    t = np.array([0.0, 10.0, 30.0, 35.0, 60.0])
    steady = np.full(5, 8000.0)
    assert vapour_ceiling(t, steady, 0, 5, 20.0) == pytest.approx(8000.0 * 60.0)
    assert vapour_ceiling(t, steady, 1, 4, 20.0) == pytest.approx(8000.0 * 25.0)
    # coarse steps: a power for each
    p = np.array([16_000.0, 8000.0, 4000.0, 2000.0, 1000.0])
    mean = 0.5 * (p[1:] + p[:-1])
    want = float((mean * (mean / 8000.0) ** 0.35 * np.diff(t)).sum())
    assert vapour_ceiling(t, p, 0, 5, 20.0) == pytest.approx(want)
    # steps of two per cent: the power of the first, of the third ...
    fine = 8000.0 * 0.98 ** np.arange(5)
    means = 0.5 * (fine[1:] + fine[:-1])
    power = (means[[0, 0, 2, 2]] / 8000.0) ** 0.35
    assert vapour_ceiling(t, fine, 0, 5, 20.0) == pytest.approx(float((means * power * np.diff(t)).sum()), rel=1e-12)
    # three per cent off the pressure of the last power taken is still near it, more is not
    for off, powers in ((300.0, (1.0, 1.0)), (301.0, (1.0, 1.0301))):
        p = np.array([10_000.0, 10_000.0, 10_000.0 + 2.0 * off])
        relative = (10_000.0 * np.array(powers) / 8000.0) ** 0.35
        want = float((np.array([10_000.0, 10_000.0 + off]) * relative * np.diff(t)[:2]).sum())
        assert vapour_ceiling(t[:3], p, 0, 3, 20.0) == pytest.approx(want, rel=1e-12)
    # up to 1.2 times saturation it may be vapour
    at_20 = float(saturation_pressure_micron(20.0))
    assert vapour_ceiling(t, np.full(5, 1.19 * at_20), 0, 5, 20.0) > 0.0
    assert vapour_ceiling(t, np.full(5, 1.21 * at_20), 0, 5, 20.0) == 0.0
    for ambient, warm in ((20.0, 20.0), (NAN, 25.0)):
        high = float(saturation_pressure_micron(warm))
        unseen = high * (high / 8000.0) ** 0.35 * 60.0
        assert vapour_ceiling(t, np.full(5, NAN), 0, 5, ambient) == pytest.approx(unseen, rel=1e-6)
    gap = np.array([8000.0, NAN, 8000.0, 8000.0, 8000.0])
    at_20 *= (at_20 / 8000.0) ** 0.35
    assert vapour_ceiling(t, gap, 0, 5, 20.0) == pytest.approx(at_20 * 30.0 + 8000.0 * 30.0, rel=1e-6)
    assert VAPOUR_POWER == 0.35


def grams(t: Array, p: Array, level: float = 5000.0, rate: float = 0.1, i0: int = 0, i1: int = -1) -> float:
    return float(water_grams(t, p, i0, t.size if i1 < 0 else i1, level, rate, 10.0, 20.0))


GRAM = 0.133_322_368 * 18.015_268 / (8.314_462_618 * 293.15) * 1e-3
"""Vapour in a micron-litre at 20 degC, g."""


def test_water_is_throughput_less_the_gas_that_was_there_before() -> None:
    t = np.array([0.0, 10.0, 30.0, 40.0, 50.0, 60.0])
    p = np.array([20_000.0, 14_000.0, 6000.0, 5000.0, 1900.0, 1000.0])
    # from 14 000 (under three times the level) to 1 900 (under 0.4 times, and lower after)
    mean = 0.5 * (p[2:5] + p[1:4])
    total = float((mean * (mean / 5000.0) ** 0.35 * np.diff(t)[1:4]).sum()) * 0.1
    assert grams(t, p) == pytest.approx((total - (14_000.0 - 1900.0)) * 10.0 * GRAM, rel=1e-5)
    # a lone low reading ends nothing
    p = np.array([20_000.0, 14_000.0, 1900.0, 5000.0, 5000.0, 5000.0])
    mean = 0.5 * (p[2:] + p[1:-1])
    total = float((mean * (mean / 5000.0) ** 0.35 * np.diff(t)[1:]).sum()) * 0.1
    assert grams(t, p) == pytest.approx((total - (14_000.0 - 5000.0)) * 10.0 * GRAM, rel=1e-5)
    # nor does one followed by half the level
    p = np.array([20_000.0, 14_000.0, 1900.0, 2500.0, 5000.0, 5000.0])
    mean = 0.5 * (p[2:] + p[1:-1])
    total = float((mean * (mean / 5000.0) ** 0.35 * np.diff(t)[1:]).sum()) * 0.1
    assert grams(t, p) == pytest.approx((total - (14_000.0 - 5000.0)) * 10.0 * GRAM, rel=1e-5)
    # exactly 0.4 times is no end, and a pull's last low reading is its end
    p = np.array([5000.0, 5000.0, 5000.0, 2000.0, 2000.0, 1900.0])
    mean = 0.5 * (p[1:] + p[:-1])
    total = float((mean * (mean / 5000.0) ** 0.35 * np.diff(t)).sum()) * 0.1
    assert grams(t, p) == pytest.approx((total - (5000.0 - 1900.0)) * 10.0 * GRAM, rel=1e-5)
    # readings above and blanks are passed over; one twice at a moment adds nothing
    p = np.array([5000.0, NAN, 16_000.0, 5000.0, 5000.0, 5000.0])
    assert grams(t, p) == pytest.approx(5000.0 * 60.0 * 0.1 * 10.0 * GRAM, rel=1e-5)
    p = np.array([5000.0, 15_000.0, 5000.0, 5000.0, 5000.0, 5000.0])
    mean = np.array([10_000.0, 10_000.0, 5000.0, 5000.0, 5000.0])
    total = float((mean * (mean / 5000.0) ** 0.35 * np.diff(t)).sum()) * 0.1
    assert grams(t, p) == pytest.approx(total * 10.0 * GRAM, rel=1e-5)
    same = np.array([0.0, 0.0, 0.0, 40.0, 40.0, 60.0])
    assert grams(same, np.full(6, 5000.0)) == pytest.approx(5000.0 * 60.0 * 0.1 * 10.0 * GRAM, rel=1e-5)
    # a reading that goes back in time adds nothing
    back = np.array([0.0, 10.0, 5.0, 40.0, 50.0, 60.0])
    assert grams(back, np.full(6, 5000.0)) == pytest.approx(5000.0 * 65.0 * 0.1 * 10.0 * GRAM, rel=1e-5)
    # only within the pull
    assert grams(t, np.full(6, 5000.0), i0=1, i1=4) == pytest.approx(5000.0 * 30.0 * 0.1 * 10.0 * GRAM, rel=1e-5)


def test_no_water_where_less_was_carried_than_was_there() -> None:
    t = np.array([0.0, 1.0, 2.0])
    assert grams(t, np.array([14_000.0, 8000.0, 1000.0])) == 0.0
    assert grams(t, np.array([NAN, 16_000.0, 20_000.0])) == 0.0
    # a rise is no gas that was carried away
    rising = np.array([4000.0, 5000.0, 6000.0])
    mean = 0.5 * (rising[1:] + rising[:-1])
    assert grams(t, rising) == pytest.approx(float((mean * (mean / 5000.0) ** 0.35).sum()) * GRAM, rel=1e-5)
    assert (VAPOUR_SPEED, WATER_SE_LN) == (1.2, 0.45)
