"""Readings made ready for finding phases: noise, steps, gaps, frozen stretches, blocks, turning points. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.phases_clean import (
    GAP_S,
    MEDIAN_DT,
    N_SCALES,
    SIGMA,
    STEP_HIGH,
    STEP_LOW,
    STEP_MID,
    TOP_LN,
    WANDER,
    _median_of,
    block_wander,
    coarsen_blocks,
    compact,
    make_blocks,
    measure_scales,
    reading_variance_ln,
    step_at,
    turning_points,
)

Array = NDArray[np.float64]
NAN = float("nan")


def scales_of(t: Array, p: Array) -> Array:
    out = np.zeros(N_SCALES)
    measure_scales(t, p, out)
    return out


def some_scales(
    dt: float = 2.0, gap: float = 20.0, sigma: float = 0.005, steps: tuple[float, float, float] = (1.0, 10.0, 100.0),
    top: float = 20_000.0,
) -> Array:  # fmt: skip
    out = np.zeros(N_SCALES)
    out[MEDIAN_DT], out[GAP_S], out[SIGMA], out[TOP_LN], out[WANDER] = dt, gap, sigma, math.log(top), 1.0
    out[STEP_LOW], out[STEP_MID], out[STEP_HIGH] = steps
    return out


def test_quantile_of_the_first_values() -> None:
    values = np.array([5.0, 1.0, 4.0, 2.0, 3.0, -9.0])
    assert _median_of(values.copy(), 5, 0.5) == 3.0
    assert _median_of(values.copy(), 5, 0.9) == 5.0
    assert _median_of(values.copy(), 5, 1.0) == 5.0
    assert _median_of(values.copy(), 4, 0.5) == 4.0
    assert math.isnan(_median_of(values.copy(), 0, 0.5))


@pytest.mark.parametrize(
    ("micron", "want"), [(10.0, 1.0), (999.9, 1.0), (1000.0, 10.0), (9999.0, 10.0), (10_000.0, 100.0)]
)
def test_step_at_a_pressure(micron: float, want: float) -> None:
    assert step_at(some_scales(), micron) == want


def test_variance_of_one_reading() -> None:
    """Noise, and rounding to steps of 1 below 1 000 microns and 10 above: a step squared over twelve."""
    least = 1e-8
    assert reading_variance_ln(some_scales(), 500.0) == pytest.approx(0.005**2 + (1.0 / 500.0) ** 2 / 12.0 + least)
    assert reading_variance_ln(some_scales(), 2000.0) == pytest.approx(0.005**2 + (10.0 / 2000.0) ** 2 / 12.0 + least)
    assert reading_variance_ln(some_scales(sigma=0.0, steps=(0.0, 0.0, 0.0)), 2000.0) == pytest.approx(least)


def test_spacing_and_gap() -> None:
    """A gap is 20 s at least, five usual spacings, four of the longer ones."""
    p = np.full(200, 300.0)
    assert scales_of(np.arange(200.0), p)[[MEDIAN_DT, GAP_S]].tolist() == [1.0, 20.0]
    assert scales_of(6.0 * np.arange(200.0), p)[[MEDIAN_DT, GAP_S]].tolist() == [6.0, 30.0]
    # every fifth spacing 30 s, the others 2: four times the ninth tenth
    t = np.cumsum(np.where(np.arange(200) % 5 == 0, 30.0, 2.0))
    assert scales_of(t, p)[[MEDIAN_DT, GAP_S]].tolist() == [2.0, 120.0]
    assert scales_of(np.zeros(200), p)[MEDIAN_DT] == 1e-3
    assert scales_of(np.array([0.0, 7.0]), p[:2])[[MEDIAN_DT, GAP_S]].tolist() == [7.0, 35.0]


def test_steps_by_range_and_top() -> None:
    t = np.arange(12.0)
    p = np.array([20_000.0, 19_900.0, 19_750.0, 9000.0, 8970.0, 8960.0, 800.0, 798.0, 797.5, 797.5, 700.0, NAN])
    got = scales_of(t, p)
    assert got[[STEP_LOW, STEP_MID, STEP_HIGH]].tolist() == [0.5, 10.0, 100.0]
    assert got[TOP_LN] == pytest.approx(math.log(1.02 * 20_000.0))
    # a range that shows no step takes the next lower one's; rounding of floats is none
    got = scales_of(t, np.where(t < 6.0, 800.0 - 2.0 * t, 790.0 - t * 1e-6))
    assert got[[STEP_LOW, STEP_MID, STEP_HIGH]].tolist() == [2.0, 2.0, 2.0]
    got = scales_of(t, np.full(12, 3000.0) - 5.0 * t)
    assert got[[STEP_LOW, STEP_MID, STEP_HIGH]].tolist() == [0.0, 5.0, 5.0]
    # at the ranges' ends: 1 000 and 10 000 belong to the upper
    got = scales_of(t, np.array([11_000.0, 10_000.0, 9999.0, 9990.0, 1000.0, 999.0, 996.0, *[996.0] * 5]))
    assert got[[STEP_LOW, STEP_MID, STEP_HIGH]].tolist() == [3.0, 9.0, 1000.0]
    got = scales_of(t, np.array([10_500.0, 10_480.0, 1090.0, 1050.0, 1020.0, 990.0, 985.0, *[985.0] * 5]))
    assert got[[STEP_LOW, STEP_MID, STEP_HIGH]].tolist() == [5.0, 30.0, 20.0]
    got = scales_of(t, np.array([1000.0, 1003.0, 1010.0, 1000.0, 990.0, 1002.0, 980.0, *[980.0] * 5]))
    assert got[STEP_MID] == 3.0
    # a log that never saw much of its range stands for a gauge that reads to 12 000
    assert scales_of(t, np.full(12, 5000.0))[TOP_LN] == pytest.approx(math.log(12_000.0))
    assert scales_of(t, np.full(12, 5001.0))[TOP_LN] == pytest.approx(math.log(1.02 * 5001.0))


@pytest.mark.parametrize("noise", [0.004, 0.02])
def test_noise_of_a_falling_curve_is_found(noise: float) -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 122.0)
    p = 20_000.0 * np.exp(-t / 30.0) * (1.0 + noise * rng.normal(size=122))
    second = np.abs(np.log(p[:-2] * p[2:] / p[1:-1] ** 2))
    want = np.sort(second)[60] / 0.6745 / math.sqrt(6.0)
    assert scales_of(t, p)[SIGMA] == pytest.approx(want)
    assert want == pytest.approx(noise, rel=0.35)


def test_bounds_of_the_noise() -> None:
    t = np.arange(0.0, 50.0)
    assert scales_of(t, np.full(50, 300.0))[SIGMA] == 5e-4
    assert scales_of(t, np.where(t % 2.0 < 1.0, 100.0, 300.0))[SIGMA] == 0.1
    # nothing to tell it from: one per cent
    assert scales_of(t, np.full(50, NAN))[SIGMA] == 0.01
    assert scales_of(t[:2], np.full(2, 300.0))[SIGMA] == 0.01
    # three readings across four usual spacings say nothing
    p = np.array([0.0, 0.0, 0.0, 0.0, 300.0, 330.0, 300.0])
    for last, want in ((7.99, 0.1), (8.0, 0.01)):
        assert scales_of(np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, last]), p)[SIGMA] == want
    # zeros are passed over
    assert scales_of(t, np.where(t % 3.0 < 1.0, 0.0, 300.0))[SIGMA] == 0.01


def test_a_long_log_is_looked_at_evenly() -> None:
    """Some 120 readings stand for all: every tenth spacing and second difference of 1 202 here."""
    rng = np.random.default_rng(2)
    t = np.cumsum(rng.uniform(1.0, 3.0, 1202))
    p = 500.0 * np.exp(0.01 * rng.normal(size=1202))
    got = scales_of(t, p)
    spacing = np.diff(t)[::10][:120]
    assert got[MEDIAN_DT] == pytest.approx(np.sort(spacing)[60])
    assert got[GAP_S] == pytest.approx(max(20.0, 5.0 * np.sort(spacing)[60], 4.0 * np.sort(spacing)[108]))
    i = np.arange(1, 1201, 10)[:120]
    kept = t[i + 1] - t[i - 1] < 4.0 * got[MEDIAN_DT]
    second = np.sort(np.abs(np.log(p[i - 1] * p[i + 1] / p[i] ** 2))[kept])
    assert got[SIGMA] == pytest.approx(second[int(0.5 * second.size)] / 0.6745 / math.sqrt(6.0))


def compacted(p: list[float], t: Array | None = None, scales: Array | None = None) -> tuple[list[int], Array, Array]:
    n = len(p)
    times = np.arange(n, dtype=np.float64) * 4.0 if t is None else t
    ct, cy, ci = np.empty(n + 1), np.empty(n + 1), np.empty(n + 1, dtype=np.int64)
    m = compact(times, np.array(p), some_scales() if scales is None else scales, ct, cy, ci)
    np.testing.assert_array_equal(ct[:m], times[ci[:m]])
    return ci[:m].tolist(), ct[:m], cy[:m]


def test_readings_keep_their_logarithms_and_over_range_its_level() -> None:
    kept, _, y = compacted([NAN, NAN, 5000.0, 500.0, 0.0])
    assert kept == [0, 1, 2, 3, 4]
    np.testing.assert_allclose(y, np.log([20_000.0, 20_000.0, 5000.0, 500.0, 1e-3]))


def test_blank_fields_amid_low_pressure_are_left_out() -> None:
    low = 20_000.0 * math.exp(-1.2)
    # below the top by 1.2 in ln, and afterwards neither higher by 0.3 nor lower by 0.5
    assert compacted([300.0, NAN, NAN, 310.0])[0] == [0, 3]
    for before, after, blank in (
        (low * 0.999, low * 0.999, True), (low * 1.001, low * 1.001, False),
        (300.0, 300.0 * math.exp(0.299), True), (300.0, 300.0 * math.exp(0.301), False),
        (300.0, 300.0 * math.exp(-0.499), True), (300.0, 300.0 * math.exp(-0.501), False),
    ):  # fmt: skip
        assert (compacted([before, NAN, after])[0] == [0, 2]) is blank
    # at a log's ends they are over-range
    assert compacted([NAN, 300.0, 310.0])[0] == [0, 1, 2]
    assert compacted([300.0, 310.0, NAN])[0] == [0, 1, 2]
    assert compacted([300.0, NAN, 0.0])[0] == [0, 1, 2]


def test_a_frozen_gauge_keeps_one_reading() -> None:
    """Eight equal readings over 25 s, where noise of half a per cent should show in steps of one micron."""
    run = [300.0] * 8
    assert compacted([310.0, *run, 290.0])[0] == [0, 1, 9]
    assert len(compacted([310.0, *run[1:], 290.0])[0]) == 9
    assert len(compacted([310.0, *run[1:], 290.0], t=np.arange(9.0) * 5.0)[0]) == 9, "seven, however long"
    # 24.5 s are too short
    assert len(compacted([310.0, *run, 290.0], t=np.arange(10.0) * 3.5)[0]) == 10
    assert compacted([310.0, *run, 290.0], t=np.arange(10.0) * 25.0 / 7.0 + 1e-9)[0] == [0, 1, 9]
    # noise below 0.7 of a step may well repeat one value: 0.005 x 139 < 0.7
    assert len(compacted([150.0] + [139.0] * 8 + [130.0])[0]) == 10
    assert compacted([150.0] + [141.0] * 8 + [130.0])[0] == [0, 1, 9]
    # also at the log's end
    assert compacted([310.0, *run])[0] == [0, 1]


def blocks_of(
    t: Array, p: Array, scales: Array
) -> tuple[int, Array, Array, Array, NDArray[np.int64]]:  # fmt: skip
    m = t.size
    bt, by, bv, bs = np.empty(m + 1), np.empty(m + 1), np.empty(m + 1), np.empty(m + 2, dtype=np.int64)
    nb = make_blocks(t, np.log(p), m, scales, bt, by, bv, bs)
    return nb, bt[:nb], by[:nb], bv[:nb], bs[: nb + 1]


def test_blocks_span_ten_seconds_and_average() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 60.0, 2.0)
    p = 300.0 * np.exp(0.004 * rng.normal(size=30))
    nb, bt, by, bv, bs = blocks_of(t, p, some_scales())
    # readings at 0 to 8 s, their spacing halved: five
    assert bs.tolist() == list(range(0, 31, 5))
    assert nb == 6
    np.testing.assert_allclose(bt, t.reshape(6, 5).mean(axis=1))
    np.testing.assert_allclose(by, np.log(p).reshape(6, 5).mean(axis=1))
    level = np.exp(by)
    want = (0.005**2 + (1.0 / level) ** 2 / 12.0 + 1e-8) / 5.0 + (1.0 / level) ** 2 / 36.0
    np.testing.assert_allclose(bv, want)
    # 9.0 s lie within 10 less half a spacing of 2, 9.01 do not
    for last, count in ((9.0, 1), (9.01, 2)):
        assert blocks_of(np.array([0.0, last]), np.array([300.0, 300.0]), some_scales())[0] == count


def test_blocks_end_at_gaps_steep_falls_and_the_top_of_the_range() -> None:
    scales = some_scales(gap=3.0)
    assert blocks_of(np.array([0.0, 2.0, 5.1, 7.0]), np.full(4, 300.0), scales)[4].tolist() == [0, 2, 4]
    assert blocks_of(np.array([0.0, 2.0, 5.0, 7.0]), np.full(4, 300.0), scales)[4].tolist() == [0, 4]
    t = np.array([0.0, 1.0, 2.0, 3.0])
    fall = lambda ln: 300.0 * np.exp(np.array([0.0, 0.0, ln, ln]))  # noqa: E731
    for ln, count in ((0.149, 1), (0.151, 2), (-0.149, 1), (-0.151, 2)):
        assert blocks_of(t, fall(ln), some_scales())[0] == count
    # a noisy gauge allows six sigmas
    for ln, count in ((0.239, 1), (0.241, 2)):
        assert blocks_of(t, fall(ln), some_scales(sigma=0.04))[0] == count
    over = np.array([20_000.0, 20_000.0, 19_990.0, 19_990.0])
    assert blocks_of(t, over, some_scales())[4].tolist() == [0, 2, 4]


def coarse(
    t: Array, y: Array, v: Array, count: int, gap: float = 40.0, top: float = 9.0
) -> tuple[int, Array, Array, Array, list[int], list[int]]:
    nb = t.size
    bs = (3 * np.arange(nb + 1)).astype(np.int64)
    ct, cy, cv = np.empty(nb), np.empty(nb), np.empty(nb)
    cs, of = np.empty(nb + 1, dtype=np.int64), np.empty(nb, dtype=np.int64)
    n = coarsen_blocks(t, y, v, bs, nb, count, gap, top, ct, cy, cv, cs, of)
    return n, ct[:n], cy[:n], cv[:n], cs[: n + 1].tolist(), of.tolist()


def test_joined_blocks_are_weighted_means() -> None:
    rng = np.random.default_rng(4)
    t, y, v = 10.0 * np.arange(7.0), 5.0 + 0.01 * rng.normal(size=7), rng.uniform(1e-4, 2e-4, 7)
    n, ct, cy, cv, cs, of = coarse(t, y, v, 3)
    assert (n, cs, of) == (3, [0, 9, 18, 21], [0, 0, 0, 1, 1, 1, 2])
    for k, part in enumerate((slice(0, 3), slice(3, 6), slice(6, 7))):
        w = 1.0 / v[part]
        assert ct[k] == pytest.approx((w * t[part]).sum() / w.sum())
        assert cy[k] == pytest.approx((w * y[part]).sum() / w.sum())
        assert cv[k] == pytest.approx(1.0 / w.sum())


def test_blocks_are_not_joined_across_gaps_runs_and_the_top() -> None:
    v = np.full(4, 1e-4)
    t = np.array([0.0, 10.0, 50.1, 60.0])
    assert coarse(t, np.full(4, 5.0), v, 4)[5] == [0, 0, 1, 1]
    assert coarse(np.array([0.0, 10.0, 50.0, 60.0]), np.full(4, 5.0), v, 4)[5] == [0, 0, 0, 0]
    even = 10.0 * np.arange(4.0)
    # 0.05 and four sigmas of the difference
    limit = 0.05 + 4.0 * math.sqrt(2e-4)
    for apart, of in ((0.999, [0, 0, 0, 0]), (1.001, [0, 0, 1, 1])):
        assert coarse(even, 5.0 + limit * apart * np.array([0.0, 0.0, 1.0, 1.0]), v, 4)[5] == of
        assert coarse(even, 5.0 - limit * apart * np.array([0.0, 0.0, 1.0, 1.0]), v, 4)[5] == of
    # what is over-range stays alone
    assert coarse(even, np.full(4, 9.0), v, 4)[5] == [0, 1, 2, 3]
    assert coarse(even, np.array([8.98, 8.98, 9.0, 8.98]), v, 4)[5] == [0, 0, 1, 2]


def test_wander_of_blocks_beside_noise() -> None:
    rng = np.random.default_rng(5)
    v = rng.uniform(1e-4, 2e-4, 100)
    noise = rng.normal(size=100) * np.sqrt(v)
    calm = block_wander(5.0 + noise, v, 100, 9.0)
    assert 1.0 <= calm < 1.5
    y = 5.0 + 3.0 * noise
    second = (y[:-2] - 2.0 * y[1:-1] + y[2:]) ** 2 / (v[:-2] + 4.0 * v[1:-1] + v[2:])
    want = np.sort(second)[int(0.3 * 98)] / 0.1485
    assert block_wander(y, v, 100, 9.0) == pytest.approx(want)
    assert want == pytest.approx(9.0, rel=0.4)
    # too few to tell; over-range ones do not count
    assert block_wander(y, v, 6, 9.0) == 1.0
    assert block_wander(y, v, 7, 9.0) > 1.0
    assert block_wander(np.full(100, 9.0), v, 100, 9.0) == 1.0
    assert block_wander(5.0 + 0.1 * noise, v, 100, 9.0) == 1.0
    # three hundred blocks: every second one speaks
    v3, y3 = np.tile(v, 3), np.tile(y, 3)
    j = np.arange(1, 299, 2)[:120]
    second = (y3[j - 1] - 2.0 * y3[j] + y3[j + 1]) ** 2 / (v3[j - 1] + 4.0 * v3[j] + v3[j + 1])
    assert block_wander(y3, v3, 300, 9.0) == pytest.approx(np.sort(second)[36] / 0.1485)


def turns(p: list[float], v: float = 1e-6, scales: Array | None = None, room: int = 66) -> list[tuple[int, int]]:
    y = np.log(np.array(p))
    points, kinds = np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int64)
    nb = y.size
    found = turning_points(
        10.0 * np.arange(nb), y, np.full(nb, v), nb, some_scales(steps=(0.1, 0.1, 0.1)) if scales is None else scales,
        points, kinds,
    )  # fmt: skip
    return list(zip(points[:found].tolist(), kinds[:found].tolist(), strict=True))


def test_turning_points_of_a_pull_and_a_hold() -> None:
    assert turns([5000.0, 900.0, 300.0, 310.0, 350.0, 400.0]) == [(0, 1), (2, -1), (5, 1)]
    assert turns([5000.0, 900.0, 300.0, 305.0, 300.0]) == [(0, 1), (4, -1)]
    assert turns([300.0, 350.0, 400.0, 390.0]) == [(0, -1), (2, 1)]
    assert turns([300.0, 500.0, 400.0, 300.0, 600.0]) == [(0, -1), (1, 1), (3, -1), (4, 1)]
    assert turns([300.0, 300.5, 301.0]) == []
    # the later of two equal lows, the earlier of two equal highs
    assert turns([500.0, 300.0, 300.0, 400.0, 400.0]) == [(0, 1), (2, -1), (3, 1)]


@pytest.mark.parametrize(
    ("ln", "v", "steps", "turned"),
    [
        (0.0349, 1e-6, (0.1, 0.1, 0.1), False),
        (0.0351, 1e-6, (0.1, 0.1, 0.1), True),
        # five sigmas of a noisy block
        (0.0499, 1e-4, (0.1, 0.1, 0.1), False),
        (0.0501, 1e-4, (0.1, 0.1, 0.1), True),
        # 1.2 steps of 15 microns at 300
        (0.0599, 1e-6, (15.0, 0.1, 0.1), False),
        (0.0601, 1e-6, (15.0, 0.1, 0.1), True),
    ],
)
def test_what_counts_as_a_turn(ln: float, v: float, steps: tuple[float, float, float], turned: bool) -> None:
    up = turns([3000.0, 300.0, 300.0 * math.exp(ln)], v, some_scales(steps=steps))
    assert (up[-1] == (2, 1)) is turned
    # down: the step is that at the lower pressure
    down = turns([300.0 * math.exp(ln), 300.0], v, some_scales(steps=steps))
    assert (down == [(0, 1), (1, -1)]) is turned


def test_a_log_of_more_turns_than_there_is_room_for() -> None:
    zigzag = [300.0, 400.0] * 20
    got = turns(zigzag, room=12)
    assert len(got) == 11
    assert got[:3] == [(0, -1), (1, 1), (2, -1)]
