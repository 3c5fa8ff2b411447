"""What needs no model of a pull: times to levels, last and lowest readings, floor, stand, first rise. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.pump_down_levels import (
    LEVELS_MICRON,
    early_rise_rate,
    first_below,
    last_steady,
    level_when_shut,
    lowest_reading,
    median3,
    pumped_floor,
    still_at_end,
)

Array = NDArray[np.float64]
NAN = float("nan")


def test_levels_of_the_contract() -> None:
    assert LEVELS_MICRON.tolist() == [10_000.0, 5000.0, 2000.0, 1000.0, 500.0]


@pytest.mark.parametrize("order", [(1.0, 2.0, 3.0), (1.0, 3.0, 2.0), (2.0, 1.0, 3.0), (2.0, 3.0, 1.0), (3.0, 1.0, 2.0)])
def test_middle_of_three(order: tuple[float, float, float]) -> None:
    assert median3(*order) == 2.0


def below(p: list[float], level: float = 1000.0, t: list[float] | None = None, i0: int = 0, i1: int = -1) -> float:
    times = np.arange(len(p)) * 10.0 if t is None else np.array(t)
    return float(first_below(times, np.array(p), i0, len(p) if i1 < 0 else i1, level))


def test_time_to_a_level_is_read_off_a_straight_line_in_ln_p() -> None:
    # from 4 000 to 250 microns in ten seconds: 1 000 after half of them
    assert below([4000.0, 250.0, 200.0]) == pytest.approx(5.0)
    # exactly at the level counts as reached
    assert below([4000.0, 1000.0, 900.0]) == pytest.approx(10.0)
    assert below([4000.0, 1000.0, 1000.0]) == pytest.approx(10.0)
    assert below([8000.0, 4000.0, 250.0]) == pytest.approx(15.0)
    # a single low reading is none
    assert below([4000.0, 500.0, 2000.0, 500.0, 400.0]) == pytest.approx(25.0)
    # but the last one counts alone
    assert below([4000.0, 2000.0, 500.0]) == pytest.approx(15.0)
    assert below([4000.0, 2000.0, 500.0, 9000.0], i1=3) == pytest.approx(15.0)
    # blank after it: nothing says that it came back
    assert below([4000.0, 250.0, NAN]) == pytest.approx(5.0)
    assert math.isnan(below([4000.0, 2000.0]))
    assert below([4000.0, 0.0, 0.0]) == pytest.approx(10.0 * math.log(4.0) / math.log(4e6))


def test_a_pull_that_begins_below_the_level_does_not_show_the_moment() -> None:
    assert math.isnan(below([900.0, 800.0]))
    assert math.isnan(below([4000.0, 900.0, 800.0], i0=1))
    # not even where it comes above it later
    assert math.isnan(below([900.0, 4000.0, 800.0, 700.0]))


def test_from_over_range_straight_below_the_level() -> None:
    """Back along the slope of what follows, at most by the spacing: 500 to 250 in 10 s, so 1 000 was 10 s before."""
    nan3 = [NAN, NAN, NAN]
    assert below([*nan3, 800.0, 400.0, 200.0]) == pytest.approx(30.0 - 10.0 * math.log(1.25) / math.log(2.0))
    assert below([*nan3, 500.0, 250.0]) == pytest.approx(20.0)
    assert below([*nan3, 200.0, 199.0]) == pytest.approx(20.0)
    # the slope is taken to the first reading under seven tenths
    assert below([*nan3, 990.0, 800.0, 700.0, 100.0, 90.0]) == pytest.approx(
        30.0 - 30.0 * math.log(1.0 / 0.99) / math.log(9.9)
    )
    assert below([*nan3, 990.0, 800.0, 692.0, 100.0, 90.0]) == pytest.approx(
        30.0 - 20.0 * math.log(1.0 / 0.99) / math.log(990.0 / 692.0)
    )
    # ... or the last one of the pull
    assert below([*nan3, 800.0, 790.0, NAN, 780.0]) == pytest.approx(
        max(30.0 - 30.0 * math.log(1.25) / math.log(800.0 / 780.0), 20.0)
    )
    # no slope: half the spacing
    assert below([*nan3, 800.0, 800.0]) == pytest.approx(25.0)
    assert below([*nan3, 800.0, 900.0]) == pytest.approx(25.0)
    assert below([*nan3, 800.0]) == pytest.approx(25.0)
    # blanks between above and below hide the crossing
    assert below([4000.0, NAN, 800.0, 400.0]) == pytest.approx(20.0 - 10.0 * math.log(1.25) / math.log(2.0))
    # spacing and slope by the log's own times
    assert below([NAN, NAN, 900.0, 300.0], t=[0.0, 1.0, 3.0, 53.0]) == pytest.approx(
        max(3.0 - 50.0 * math.log(1 / 0.9) / math.log(3.0), 1.0)
    )
    assert below([NAN, NAN, 900.0, 300.0], t=[0.0, 1.0, 31.0, 41.0]) == pytest.approx(
        31.0 - 10.0 * math.log(1 / 0.9) / math.log(3.0)
    )


def end_of(t: Array, p: Array, i0: int = 0, i1: int = -1) -> float:
    return float(last_steady(t, p, i0, t.size if i1 < 0 else i1))


def test_end_of_a_pull_is_a_line_through_its_last_readings() -> None:
    rng = np.random.default_rng(2)
    # twelve readings, or those of the last 15 s
    for every, kept in ((1.0, 12), (2.0, 8), (3.0, 6), (5.0, 5), (60.0, 5)):
        t = np.cumsum(np.full(40, every))
        p = 300.0 * np.exp(-0.01 * t / every + 0.002 * rng.normal(size=40))
        slope, level = np.polyfit(t[-kept:] - t[-1], np.log(p[-kept:]), 1)
        assert slope < 0.0
        assert end_of(t, p) == pytest.approx(math.exp(level), rel=1e-9)
    # blanks are passed over, what lies outside is not looked at
    p[-3] = NAN
    tail = np.isfinite(p[-6:])
    level = np.polyfit(t[-6:][tail] - t[-1], np.log(p[-6:][tail]), 1)[1]
    assert end_of(t, p) == pytest.approx(math.exp(level), rel=1e-9)
    more = np.append(p, [9000.0, 9000.0])
    assert end_of(np.append(t, [9e3, 9.1e3]), more, 0, 40) == pytest.approx(math.exp(level), rel=1e-9)


def test_end_of_a_pull_that_rises_or_is_short() -> None:
    t = np.arange(5.0)
    # a pumped curve falls or stands: the mean in ln
    assert end_of(t, np.array([100.0, 110.0, 120.0, 130.0, 140.0])) == pytest.approx(
        math.exp(np.log([100.0, 110.0, 120.0, 130.0, 140.0]).mean())
    )
    # of two that lie apart the last is the nearer to the end; of two that rise the middle
    assert end_of(t, np.array([NAN, NAN, NAN, 200.0, 100.0])) == pytest.approx(100.0)
    assert end_of(t, np.array([NAN, NAN, NAN, 100.0, 110.0])) == pytest.approx(math.sqrt(11_000.0))
    # three readings make a line
    assert end_of(t, np.array([NAN, NAN, 400.0, 200.0, 100.0])) == pytest.approx(100.0)
    assert end_of(t, np.array([50.0, 60.0, 400.0, 200.0, 100.0]), 2, 5) == pytest.approx(100.0)
    assert math.isnan(end_of(t, np.full(5, NAN)))
    assert math.isnan(end_of(t, np.full(5, 100.0), 3, 3))
    assert end_of(np.zeros(5), np.array([100.0, 400.0, 200.0, 200.0, 200.0])) == pytest.approx(200.0)
    assert end_of(t, np.zeros(5)) == pytest.approx(1e-3)
    # pressure at the pull's end, where its last reading is over range
    assert end_of(t, np.array([800.0, 400.0, 200.0, 100.0, NAN])) == pytest.approx(50.0)


def test_end_of_a_pull_that_falls_by_decades_between_readings_is_its_last_reading() -> None:
    """A small circuit after a gas break, logged every 6 s: a line in ln p through 18 000, 9 000 and 484 ends nowhere near."""
    t = np.arange(5) * 6.0
    assert end_of(t, np.array([18_400.0, 18_350.0, 18_350.0, 9160.0, 484.0])) == pytest.approx(484.0)
    # a fall by a factor four in all is straight enough
    straight = 100.0 * np.exp(-0.35 * np.arange(5))
    assert end_of(t, straight) == pytest.approx(straight[-1])
    # what lies above it does not bend the line
    assert end_of(t, np.r_[1e5, straight[1:]]) == pytest.approx(straight[-1])


def shut(
    pull: list[float], hold: list[float], dt: float = 2.0, unseen_s: float = 2.0, interval_s: float = 2.0
) -> float:
    p = np.array(pull + hold)
    t = np.r_[np.arange(len(pull)) * dt, (len(pull) - 1) * dt + unseen_s + np.arange(len(hold)) * dt]
    n = len(pull)
    return float(level_when_shut(t, p, 0, n, n, p.size, end_of(t, p, 0, n), interval_s))


def test_a_pull_cut_off_amid_its_fall_had_come_to_where_the_hold_begins() -> None:
    assert shut([9160.0, 1200.0, 600.0], [377.0, 374.0, 380.0]) == 377.0
    # a pump at its floor: a gauge at the circuit's far end sees the gradient even out, and that was never pumped
    assert shut([601.0, 600.0, 600.0], [450.0, 448.0, 449.0]) == pytest.approx(600.0, rel=2e-3)
    # a fall by a tenth between two readings is where it begins to count
    assert shut([700.0, 660.0, 600.0], [560.0, 561.0, 562.0]) == pytest.approx(600.0, rel=0.02)
    assert shut([700.0, 665.0, 600.0], [560.0, 561.0, 562.0]) == 561.0
    # the same rate over a longer pause
    assert shut([700.0, 660.0, 600.0], [560.0, 561.0, 562.0], unseen_s=4.0) == 561.0
    # a stand far above it was pumped once more between two readings
    assert shut([890.0, 890.0, 890.0], [357.0, 356.0, 358.0]) == pytest.approx(890.0)
    assert shut([890.0, 890.0, 890.0], [355.0, 354.0, 356.0]) == 355.0
    # a hold that begins higher says nothing: the step of a gauge beside the pump
    assert shut([9160.0, 1200.0, 600.0], [900.0, 905.0, 910.0]) == 600.0


def test_a_pull_whose_end_nobody_saw_had_come_to_where_the_hold_begins() -> None:
    assert shut([601.0, 600.0, 600.0], [450.0, 448.0, 449.0], unseen_s=8.1) == 449.0
    assert shut([601.0, 600.0, 600.0], [450.0, 448.0, 449.0], unseen_s=8.0) == pytest.approx(600.0, rel=2e-3)
    assert shut([NAN, NAN], [450.0, 448.0, 449.0]) == 449.0
    assert shut([NAN, 800.0], [450.0, NAN, 448.0, 449.0]) == 449.0
    # two readings of a hold show no level
    assert shut([9160.0, 1200.0, 600.0], [377.0, 374.0]) == 600.0
    assert math.isnan(shut([NAN, NAN], [NAN, NAN, 5.0]))


def test_lowest_of_the_medians_of_three() -> None:
    low = lambda *p, i0=0, i1=None: float(  # noqa: E731
        lowest_reading(np.array(p, dtype=np.float64), i0, len(p) if i1 is None else i1)
    )
    assert low(500.0, 400.0, 300.0) == 400.0
    assert low(500.0, 100.0, 500.0, 450.0, 440.0) == 450.0
    # two low ones in a row are believed
    assert low(500.0, 100.0, 120.0, 450.0) == 120.0
    # blanks part nothing
    assert low(500.0, 100.0, NAN, 120.0, 450.0) == 120.0
    # of two the higher, of one itself
    assert low(300.0, 400.0) == 300.0
    assert low(NAN, 300.0) == 300.0
    assert math.isnan(low(NAN, NAN))
    assert low(10.0, 10.0, 500.0, 400.0, 300.0, 1.0, 1.0, i0=2, i1=5) == 400.0


def floor_of(t: Array, p: Array, noise: float = 0.005, i0: int = 0, i1: int = -1) -> tuple[float, float]:
    out = np.full(2, -1.0)
    pumped_floor(t, p, i0, t.size if i1 < 0 else i1, noise, out)
    return float(out[0]), float(out[1])


@pytest.mark.parametrize("part", [12.0, 6.0, 3.0, 1.5])
def test_floor_of_an_exponential_tail(part: float) -> None:
    """Tails of the time constants looked at, over 300 s from twice the last reading on: the floor is exact."""
    t = np.arange(0.0, 301.0, 2.0)
    tau = 300.0 / part
    p = 200.0 + 190.0 * np.exp(-t / tau)
    floor, se = floor_of(t, p)
    used = p < 2.0 * floor_end(t, p)
    assert used.all()
    assert floor == pytest.approx(200.0, rel=1e-6)
    # the noise stays at half what it is for one reading, and 0.3 of what was extrapolated
    design = np.column_stack([np.ones(t.size), np.exp(-t / tau)]) / p[:, None]
    var = 0.25 * 0.005**2 * np.linalg.inv(design.T @ design)[0, 0]
    final = floor_end(t, p)
    want = math.sqrt(var + (0.5 * 0.005 * final) ** 2 + (0.3 * (final - floor)) ** 2)
    assert se == pytest.approx(want, rel=1e-6)


def floor_end(t: Array, p: Array) -> float:
    return float(last_steady(t, p, 0, t.size))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("drop", [0.0, 60.0, 150.0])
def test_floor_is_weighted_least_squares_over_four_time_constants(seed: int, drop: float) -> None:
    """Written out anew: errors in per cent of reading, floor and fall not negative, the best of four time constants."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 900.0, 2.5) + rng.uniform(0.0, 1.0, 360)
    p = (200.0 + drop * np.exp(-t / 200.0)) * (1.0 + 0.01 * rng.normal(size=t.size))
    final = floor_end(t, p)
    stride = t.size // 150
    s, q = t[::stride], p[::stride]
    best = math.inf
    for part in (12.0, 6.0, 3.0, 1.5):
        design = np.column_stack([np.ones(s.size), np.exp(-(s - t[0]) / ((t[-1] - t[0]) / part))]) / q[:, None]
        x = np.linalg.lstsq(design, np.ones(s.size), rcond=None)[0]
        if x[0] <= 0.0 or x[1] < 0.0:
            x = np.array([(1.0 / q).sum() / (1.0 / q**2).sum(), 0.0]) if x[1] < 0.0 else np.array([0.0, x[1]])
        # what is left over, as normal equations count it
        rest = s.size - x @ (design.T @ np.ones(s.size))
        if rest < best:
            best = rest
            floor = min(max(x[0], 0.05 * final), final)
            scale = max(rest / (s.size - 3.0), 0.25 * 0.01**2)
            var = scale * np.linalg.inv(design.T @ design)[0, 0]
            se = math.sqrt(var + (0.5 * 0.01 * final) ** 2 + (0.3 * (final - floor)) ** 2)
    got = floor_of(t, p, 0.01)
    assert got[0] == pytest.approx(floor, rel=1e-9)
    assert got[1] == pytest.approx(se, rel=1e-6)
    assert abs(got[0] - 200.0) < 4.0 * got[1]


def test_floor_of_a_short_tail_is_the_last_reading_known_to_half() -> None:
    t = np.arange(0.0, 40.0, 2.0)
    # steep to the end: fewer than six readings within twice the last
    p = 300.0 * 1.5 ** np.arange(19.0, -1.0, -1.0)
    assert floor_of(t, p) == pytest.approx((300.0, 150.0))
    # blanks at the end are passed over, one amid ends the tail
    p = np.full(20, 300.0)
    p[-2:] = NAN
    assert floor_of(t, p)[0] == pytest.approx(300.0)
    p[14] = NAN
    assert floor_of(t, p) == pytest.approx((300.0, 150.0))
    p[13], p[14] = NAN, 300.0
    assert p[14:18].size == 4
    p[12], p[13] = NAN, 300.0
    assert floor_of(t, p) == pytest.approx((300.0, 150.0))
    # six are enough
    p[11], p[12:18] = NAN, 300.0
    assert floor_of(t, p)[1] < 10.0
    for few in (np.full(5, 300.0), np.full(20, NAN)):
        got = floor_of(t[: few.size], few)
        assert math.isnan(got[0])
        assert math.isnan(got[1])
    assert floor_of(t[:6], np.full(6, 300.0))[0] == pytest.approx(300.0)
    # all at one moment: no time to fall in
    assert floor_of(np.zeros(8), np.full(8, 300.0)) == pytest.approx((300.0, 150.0))
    assert math.isnan(floor_of(t, np.full(20, 300.0), i0=3, i1=8)[0])
    assert floor_of(t, np.full(20, 300.0), i0=3, i1=9)[0] == pytest.approx(300.0)
    # readings of before the pull don't count
    p = np.where(t < 20.0, 100.0, 300.0)
    assert floor_of(t, p, i0=10)[0] == pytest.approx(300.0)


def still(t: Array, p: Array, i0: int = 0, i1: int = -1) -> float:
    return float(still_at_end(t, p, i0, t.size if i1 < 0 else i1))


def test_pressure_stands_while_it_is_within_six_per_cent_and_a_micron_of_its_last_level() -> None:
    t = np.arange(0.0, 600.0, 4.0)
    edge = 300.0 * math.exp(0.06) + 1.0
    for above, want in ((edge * 1.0001, 198.0), (edge * 0.9999, 596.0)):
        p = np.where(t < 400.0, above, 300.0)
        # readings before 400 s lie above: two in a row end the stand with the second of them, at 392 s
        assert still(t, p) == pytest.approx(596.0 - 392.0 if want < 500.0 else 596.0)
    # a lone reading above is noise, and so is a lone blank
    p = np.full(t.size, 300.0)
    p[50], p[60] = 900.0, NAN
    assert still(t, p) == 596.0
    p[51] = NAN
    assert still(t, p) == t[-1] - t[50]
    # the level is that of the last minute: here of readings at 536 s and later
    p = np.where(t < 535.0, 300.0 * math.exp(0.059), 300.0)
    assert still(t, p) == 596.0
    p = np.where(t < 539.0, 300.0 * math.exp(0.070), 300.0)
    level = 300.0 * math.exp(0.070 / 16.0)
    assert 300.0 * math.exp(0.070) > level * math.exp(0.06) + 1.0
    assert still(t, p) == pytest.approx(596.0 - 532.0)


def test_the_level_of_a_stand_is_that_of_all_readings_of_the_last_minute() -> None:
    """Half of them lie 5.5 per cent above the other half, all earlier ones 8: within 6 of the middle, not of the last."""
    t = np.arange(0.0, 600.0, 4.0)
    p = 300.0 * np.exp(np.where(t < 536.0, 0.08, np.where(t < 568.0, 0.055, 0.0)))
    assert still(t, p) == 596.0


def test_a_stand_is_sought_in_the_readings_handed_over_alone() -> None:
    """The first of them lies above: with the one before it, which is another stretch's, two in a row would."""
    t = np.arange(0.0, 200.0, 10.0)
    p = np.full(t.size, 300.0)
    p[:4] = 5000.0
    assert still(t, p, i0=3) == 160.0
    assert still(t, p, i0=2) == 170.0
    p[18] = 5000.0
    p[17] = NAN
    assert still(t, p, i0=3, i1=18) == 130.0, "nor after the last"


def test_stand_of_few_readings_and_of_none() -> None:
    t = np.arange(0.0, 50.0, 10.0)
    assert still(t, np.full(5, 300.0)) == 40.0
    assert math.isnan(still(t, np.array([300.0, NAN, 300.0, 0.0, 300.0])))
    assert math.isnan(still(t, np.full(5, 300.0), i0=1))
    # five readings make a level, even if they are further apart than a minute
    t = np.arange(0.0, 500.0, 50.0)
    p = np.array([400.0] * 5 + [300.0] * 5)
    assert still(t, p) == pytest.approx(450.0 - 150.0)
    # a fraction of a micron is a pressure
    assert still(t, np.full(10, 0.5)) == 450.0
    # time runs to the last reading that there is
    p = np.append(np.full(8, 300.0), [NAN, NAN])
    assert still(t, p) == 350.0
    assert still(t, p, i0=2) == 250.0
    assert still(t, np.full(10, 300.0), i0=2, i1=9) == 300.0


def rise(t: Array, p: Array, i0: int = 0, i1: int = -1) -> tuple[float, float]:
    out = np.full(2, -1.0)
    early_rise_rate(t, p, i0, t.size if i1 < 0 else i1, out)
    return float(out[0]), float(out[1])


@pytest.mark.parametrize(("every", "last"), [(2.0, 128.0), (10.0, 130.0), (30.0, 180.0)])
def test_first_rise_is_a_line_over_two_minutes_after_the_settling(every: float, last: float) -> None:
    """From 8 s on, for 120 s, or as far as six readings need; standard error by ordinary least squares."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 400.0, every) + 50.0
    p = 300.0 + 0.4 * (t - 50.0) + rng.normal(size=t.size) - 0.0004 * (t - 50.0) ** 2
    kept = (t >= 58.0) & (t <= 50.0 + min(last, 128.0 if every < 20.0 else 180.0))
    (slope, level), cov = np.polyfit(t[kept], p[kept], 1, cov="unscaled")
    rest = p[kept] - slope * t[kept] - level
    se = math.sqrt(float(rest @ rest) / (kept.sum() - 2) * cov[0, 0])
    got = rise(t, p)
    assert got[0] == pytest.approx(slope, rel=1e-9)
    assert got[1] == pytest.approx(se + 0.2 * slope, rel=1e-6)


def test_first_rise_of_few_readings_or_of_a_fall() -> None:
    t = np.arange(4.0)
    # of four readings all count, though none is after the settling
    assert rise(t, 300.0 + 5.0 * t)[0] == pytest.approx(5.0)
    assert math.isnan(rise(t[:3], 300.0 + 5.0 * t[:3])[0])
    assert math.isnan(rise(t, np.array([300.0, NAN, 310.0, 315.0]))[0])
    # five: the last four
    five = np.array([0.0, 305.0, 310.0, 315.0, 320.0])
    assert rise(np.arange(5.0), five)[0] == pytest.approx(5.0)
    assert rise(t, 300.0 - 5.0 * t)[0] == 0.0
    assert math.isnan(rise(np.zeros(4), 300.0 + 5.0 * t)[0])
    many = np.arange(30.0)
    assert rise(many, np.where(many < 10.0, 0.0, 300.0 + 2.0 * many), 10)[0] == pytest.approx(2.0)
    assert rise(many, np.where(many > 22.0, 0.0, 300.0 + 2.0 * many), 0, 23)[0] == pytest.approx(2.0)
    # readings within the first 8 s after the isolation are passed over, the one at 8 s is not
    p = 300.0 + 2.0 * many
    p[:8] = 900.0
    assert rise(many, p)[0] == pytest.approx(2.0)
    p[8] = 900.0
    assert rise(many, p)[0] != pytest.approx(2.0)
