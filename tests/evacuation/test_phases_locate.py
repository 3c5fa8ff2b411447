"""The moment of isolation, on pulls and holds drawn from formulas; its likelihood written out. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import constant

from blankoff.evacuation.phases_clean import (
    GAP_S,
    MEDIAN_DT,
    N_SCALES,
    SIGMA,
    STEP_LOW,
    STEP_MID,
    TOP_LN,
    WANDER,
    make_blocks,
)
from blankoff.evacuation.phases_lag import LAGS_S, lagged_rises
from blankoff.evacuation.phases_locate import (
    MOMENT_EVIDENCE,
    MOMENT_GAP,
    MOMENT_J,
    MOMENT_PUMPED,
    MOMENT_RISE_LN,
    MOMENT_S,
    MOMENT_SD,
    MOMENT_SHARP,
    MOMENT_STEP,
    N_MOMENT,
    _back,
    _weigh,
    locate_isolation,
)
from blankoff.evacuation.phases_sides import (
    COST,
    HEAD_SHARES,
    N_SIDE,
    SLOPE,
    VALUE,
    VAR,
    WHOLE_SHARES,
    pumped_side,
    rising_side,
)

Array = NDArray[np.float64]


def test_parts_of_an_interval_begin_with_the_earliest() -> None:
    assert [_back(k) for k in range(4)] == [0.875, 0.625, 0.375, 0.125]


@pytest.mark.parametrize("stride", [1, 3])
@pytest.mark.parametrize("late", [True, False])
@pytest.mark.parametrize("noise", [3.0, 1.0])
def test_likelihood_of_candidates_is_a_bend_a_jump_or_a_lagging_gauge(stride: int, late: bool, noise: float) -> None:
    """Twice the log-likelihood of both sides; over each of four parts of the interval the sides meet, or jump.

    A jump up may have any size to a tenth of the level (4.5 in favour); one down costs 12; a lagging gauge as it misfits.
    Readings of 3 microns' noise, told to have that, or 1: all is then worth as much less as they misfit.
    """
    rng = np.random.default_rng(1)
    t = 5.0 + np.cumsum(rng.uniform(1.0, 4.0, 40))
    u = t - t[20]
    z = np.where(u < 0.0, 300.0 - 2.0 * u, 310.0 + 1.5 * u) + 3.0 * rng.normal(size=40)
    w = np.full(40, 1.0 / noise**2)
    lo, hi = 12, 28
    n = hi - lo + 1
    before, after, slow = np.empty((n, N_SIDE)), np.empty((n, N_SIDE)), np.zeros((n, LAGS_S.size))
    cost, share = np.empty(n + 2), np.empty((n + 2, 4))
    room = np.empty((n, LAGS_S.size)) if late else np.empty((0, 0))
    _weigh(t, z, w, lo, hi, stride, 1.1, False, cost, share, before, after, room)
    want_before, want_after = np.empty((n, N_SIDE)), np.empty((n, N_SIDE))
    pumped_side(t, z, w, lo, hi, stride, constant(HEAD_SHARES), True, want_before)
    rising_side(t, z, w, lo, hi, stride, want_after)
    tried = range(0, n, stride)
    np.testing.assert_array_equal(before[::stride], want_before[::stride])
    np.testing.assert_array_equal(after[::stride], want_after[::stride])
    least = min(before[k, COST] + after[k, COST] for k in tried)
    inflate = max(1.1, least / 34.0)
    assert (inflate > 3.0) == (noise == 1.0)
    if late:
        lagged_rises(t, z, w, lo, hi, before, slow)
    for k in range(n):
        if k not in tried:
            assert cost[k] == 1e300
            continue
        a, b = before[k], after[k]
        spacing = t[lo + k] - t[lo + k - 1]
        parts = []
        for back in (0.875, 0.625, 0.375, 0.125):
            apart = (b[VALUE] - b[SLOPE] * back * spacing) - (a[VALUE] - a[SLOPE] * back * spacing)
            known = math.sqrt((a[VAR] + b[VAR]) * inflate)
            bend = math.exp(-0.5 * min((apart / known) ** 2, 700.0))
            # the share of that width which the two levels leave open, as a normal density has it at its top
            step = math.exp(-6.0)
            if b[VALUE] > a[VALUE]:
                step = max(step, math.exp(2.25) * min(math.sqrt(2.0 * math.pi) * known / (0.1 * a[VALUE]), 1.0))
            lag = sum(math.exp(-0.5 * max((s - b[COST]) / inflate, -60.0)) for s in slow[k]) if late else 0.0
            parts.append(bend + step + lag)
        whole = (a[COST] + b[COST]) / inflate - 2.0 * math.log(spacing) - 2.0 * math.log(sum(parts) / 4.0)
        assert cost[k] == pytest.approx(whole, rel=1e-9)
        assert share[k] == pytest.approx(np.array(parts) / sum(parts), rel=1e-9)


def scales_of(dt: float, sigma: float, wander: float = 1.0) -> Array:
    out = np.zeros(N_SCALES)
    out[MEDIAN_DT], out[GAP_S], out[SIGMA], out[TOP_LN], out[WANDER] = dt, 20.0 + 5.0 * dt, sigma, math.log(3e4), wander
    out[STEP_LOW] = out[STEP_MID] = 0.01
    return out


RISES = {
    "leak": lambda u: 300.0 + 1.2 * u,
    "outgassing": lambda u: 300.0 + 140.0 * (1.0 - np.exp(-u / 120.0)),
    "both": lambda u: 300.0 + 0.3 * u + 60.0 * (1.0 - np.exp(-u / 30.0)),
    "step": lambda u: 360.0 + 0.5 * u,
    "small step": lambda u: 310.0 + 0.2 * u + 60.0 * (1.0 - np.exp(-u / 120.0)),
}


def located(
    t: Array, p: Array, guess: float, sigma: float = 0.002, dt: float | None = None, pull: int = 0, end: int = -1
) -> tuple[bool, Array]:
    spacing = float(np.median(np.diff(t))) if dt is None else dt
    scales = scales_of(spacing, sigma)
    m = t.size
    bt, by, bv = np.empty(m + 1), np.empty(m + 1), np.empty(m + 1)
    bs = np.empty(m + 2, dtype=np.int64)
    t, y = np.ascontiguousarray(t), np.log(p)
    nb = make_blocks(t, y, m, scales, bt, by, bv, bs)
    result = np.full(N_MOMENT, -1.0)
    return bool(
        locate_isolation(t, y, scales, bt, by, bv, bs, pull, nb - 1 if end < 0 else end, guess, result)
    ), result  # fmt: skip


def drawn(kind: str, at: float, dt: float, tau: float = 50.0, noise: float = 0.0, seed: int = 0) -> tuple[Array, Array]:
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, at + 420.0, dt)
    u = t - at
    rest = 900.0 * math.exp(-at / tau)
    p = np.where(u < 0.0, 300.0 + 900.0 * np.exp(-t / tau), rest + RISES[kind](np.maximum(u, 0.0)))
    return t, p * (1.0 + noise * rng.normal(size=t.size))


@pytest.mark.parametrize("kind", ["leak", "outgassing", "both", "step"])
@pytest.mark.parametrize(("at", "dt"), [(300.0, 2.0), (302.5, 5.0), (307.5, 10.0)])
def test_isolation_is_placed_within_a_reading_of_where_it_was_drawn(kind: str, at: float, dt: float) -> None:
    t, p = drawn(kind, at, dt, noise=0.002)
    found, moment = located(t, p, at + 12.0)
    assert found
    # over ten minutes of settled floor a slow bend says little of one reading; a step says it all
    assert moment[MOMENT_S] == pytest.approx(at, abs=dt if kind == "step" else max(8.0, 1.5 * dt))
    assert abs(moment[MOMENT_S] - at) < 3.0 * moment[MOMENT_SD]
    assert moment[MOMENT_SD] >= 1.5
    assert moment[MOMENT_SD] < max(10.0, 1.5 * dt)
    # first reading of the hold: the moment lies in the interval before it
    j = int(moment[MOMENT_J])
    assert t[j - 1] < moment[MOMENT_S] < t[j]
    assert moment[MOMENT_PUMPED] == pytest.approx(302.0, abs=4.0)
    assert moment[MOMENT_STEP] == pytest.approx(60.0 if kind == "step" else 0.0, abs=6.0)
    assert moment[MOMENT_GAP] == 0.0
    last = math.log(float(p[-8:].mean()))
    assert moment[MOMENT_RISE_LN] == pytest.approx(last - math.log(302.0), abs=0.1 if kind != "step" else 0.2)
    assert moment[MOMENT_EVIDENCE] > 25.0
    assert moment[MOMENT_SHARP] <= moment[MOMENT_EVIDENCE]


def test_uncertainty_is_honest_over_many_holds() -> None:
    """Errors over their stated deviation: seven of eight drawn holds within twice that, and not all within a tenth."""
    errors = []
    for seed in range(64):
        at = 300.0 + 0.25 * (seed % 16)
        t, p = drawn("small step", at, 4.0, noise=0.005, seed=seed)
        found, moment = located(t, p, at, sigma=0.005)
        assert found
        errors.append((moment[MOMENT_S] - at) / moment[MOMENT_SD])
    assert (np.abs(errors) < 2.0).sum() >= 56
    assert np.median(np.abs(errors)) > 0.1


def test_a_fall_that_goes_on_to_the_isolation() -> None:
    """No floor yet: pressure falls by a per cent a second, and turns; a rise that begins within one reading is seen."""
    t = np.arange(0.0, 500.0, 2.0)
    at = 241.0
    p = np.where(t < at, 4000.0 * np.exp(-t / 100.0), 4000.0 * math.exp(-2.41) + 1.0 * np.maximum(t - at, 0.0))
    found, moment = located(t, p, 250.0)
    assert found
    assert moment[MOMENT_S] == pytest.approx(at, abs=2.0)
    assert moment[MOMENT_PUMPED] == pytest.approx(4000.0 * math.exp(-2.41), rel=0.02)
    assert moment[MOMENT_SHARP] > 40.0


def test_no_isolation_in_one_smooth_curve() -> None:
    """A pull that only settles gives no evidence, wherever the best place for one may be."""
    t = np.arange(0.0, 900.0, 4.0)
    rng = np.random.default_rng(2)
    p = (300.0 + 900.0 * np.exp(-t / 80.0)) * (1.0 + 0.003 * rng.normal(size=t.size))
    found, moment = located(t, p, 600.0, sigma=0.003)
    assert found
    # the few shapes of a pump's head may misfit all of it, the richer family does not
    assert moment[MOMENT_SHARP] < 5.0
    assert abs(moment[MOMENT_RISE_LN]) < 0.01


def test_an_isolation_within_a_gap_lies_in_it_and_its_length_is_told() -> None:
    t, p = drawn("outgassing", 300.0, 4.0)
    keep = (t < 270.0) | (t > 330.0)
    found, moment = located(t[keep], p[keep], 310.0, dt=4.0)
    assert found
    assert 268.0 < moment[MOMENT_S] < 332.0
    assert moment[MOMENT_GAP] == pytest.approx(332.0 - 268.0)
    # forty seconds are no gap at this spacing
    keep = (t < 282.0) | (t > 318.0)
    assert located(t[keep], p[keep], 310.0, dt=4.0)[1][MOMENT_GAP] == 0.0


def test_a_gauge_that_answers_late_is_recognised_at_short_spacings() -> None:
    """Drawn through a lag of six seconds: readings turn later than the pressure does, and the moment is found all the same."""
    dt, lag, at = 1.0, 6.0, 300.0
    fine = np.arange(0.0, 700.0, 0.05)
    p = np.where(fine < at, 300.0 + 900.0 * np.exp(-fine / 60.0), 306.0 + 1.5 * np.maximum(fine - at, 0.0))
    seen = np.empty(fine.size)
    seen[0] = p[0]
    for i in range(1, fine.size):
        seen[i] = seen[i - 1] + 0.05 / lag * (p[i] - seen[i - 1])
    found, moment = located(fine[:: int(dt / 0.05)], seen[:: int(dt / 0.05)], 305.0, sigma=0.001)
    assert found
    assert moment[MOMENT_S] == pytest.approx(at, abs=5.0)


def by_hand(t: Array, p: Array, v: Array, guess: float, scales: Array) -> Array:
    """The same where every reading is a block of its own.

    Candidates lie within 0.3 of the lowest level, the rise is taken to 0.5 above it, the pumped curve from 0.9 above it,
    or from half as far, or a quarter, where no shape describes it to twice the noise.
    """
    y, end = np.log(p), t.size - 1
    near = int(np.flatnonzero(t >= guess)[0])
    low = min(range(max(near - 3, 0), min(near + 3, end) + 1), key=lambda k: (y[k], k != near, k))
    lo = hi = low
    while lo > 3 and low - lo < 60 and y[lo - 1] < y[low] + 0.3:
        lo -= 1
    while hi < end - 3 and hi - low < 60 and y[hi + 1] < y[low] + 0.3:
        hi += 1
    last = hi
    while last < end and last - hi < 30 and (y[last + 1] < y[low] + 0.5 or last < low + 6):
        last += 1
    hi = min(hi, last - 3)
    wander = max(scales[WANDER], 1.0)
    none = np.empty((0, 0))
    best = 0
    for reach in (1.0, 0.5, 0.25):
        begin = lo
        while begin > 0 and lo - begin < reach * 50 and y[begin - 1] < y[low] + reach * 0.9:
            begin -= 1
        while begin < low - 6 and y[begin] > y[low] + reach * 0.9:
            begin += 1
        if reach < 1.0 and begin > lo + best - 6:
            break
        first, lo = begin, max(lo, begin + 3)
        part = slice(first, last + 1)
        z = np.exp(y[part])
        # trusted to two per cent of what lies above the lowest
        w = 1.0 / (z * z * v[part] + (0.02 * np.maximum(z - np.exp(y[low]), 0.0)) ** 2)
        n = hi - lo + 1
        stride = 1 + (n - 1) // 48
        before, after = np.empty((n, N_SIDE)), np.empty((n, N_SIDE))
        cost, share = np.empty(n), np.empty((n, 4))
        _weigh(t[part], z, w, lo - first, hi - first, stride, wander, False, cost, share, before, after, none)
        best = int(cost.argmin())
        if before[best, COST] < 2.0 * wander * (lo + best - first + 6):
            break
    out = np.full(N_MOMENT, np.nan)
    split = before[best, COST] + after[best, COST]
    inflate = max(wander, split / max(z.size - 6, 1))
    whole = np.empty((1, N_SIDE))
    for shares, place in ((HEAD_SHARES, MOMENT_EVIDENCE), (WHOLE_SHARES, MOMENT_SHARP)):
        pumped_side(t[part], z, w, z.size - 1, z.size - 1, 1, constant(shares), False, whole)
        out[place] = (whole[0, COST] - split) / inflate
    out[MOMENT_SHARP] = min(out[MOMENT_SHARP], out[MOMENT_EVIDENCE])
    begins = max(math.log(before[best, VALUE]), y[lo + best - 1 : lo + best + 2].mean())
    out[MOMENT_RISE_LN] = y[max(end - 4, lo + best) : end + 1].mean() - begins
    # candidates that stay open, and a block more on either side, are looked at reading by reading
    still_open = np.flatnonzero(cost < cost[best] + 9.0)
    a = max(lo + still_open[0] - 1 - stride, first + 3)
    b = min(lo + still_open[-1] + 1 + stride, last - 3)
    # near the beginning of what is fitted, any reading may be the last before the isolation, and the one before it too
    at_once = lo + best <= first + 5
    if at_once:
        first -= 1 if first > 0 else 0
        part, a = slice(first, last + 1), first + 1
        z = np.exp(y[part])
        w = 1.0 / (z * z * v[part] + (0.02 * np.maximum(z - np.exp(y[low]), 0.0)) ** 2)
    n = b - a + 1
    before, after = np.empty((n, N_SIDE)), np.empty((n, N_SIDE))
    cost, share = np.empty(n), np.empty((n, 4))
    late = np.empty((n, LAGS_S.size)) if scales[MEDIAN_DT] < 4.0 else none
    _weigh(t[part], z, w, a - first, b - first, 1, 1.2, at_once, cost, share, before, after, late)
    weight = np.exp(-0.5 * np.minimum(cost - cost.min(), 700.0))[:, None] * share
    weight /= weight.sum()
    spacing = t[a : b + 1] - t[a - 1 : b]
    moments = t[a : b + 1, None] - np.array([0.875, 0.625, 0.375, 0.125]) * spacing[:, None]
    mean = (weight * moments).sum()
    out[MOMENT_SD] = math.sqrt((weight * (moments - mean) ** 2).sum() + 1.5**2)
    # the middle of the posterior, the earliest part first
    place = int(np.flatnonzero(np.cumsum(weight) >= 0.5)[0])
    k = place // 4
    out[MOMENT_S], out[MOMENT_J] = moments.reshape(-1)[place], a + k
    out[MOMENT_PUMPED], out[MOMENT_STEP] = before[k, VALUE], after[k, VALUE] - before[k, VALUE]
    out[MOMENT_GAP] = spacing[k] if spacing[k] > scales[GAP_S] else 0.0
    return out


@pytest.mark.parametrize("kind", ["leak", "outgassing", "both", "step", "small step"])
@pytest.mark.parametrize(("dt", "seed", "wander"), [(10.0, 1, 1.0), (12.0, 2, 2.5), (3.0, 3, 1.0)])
def test_what_is_found_is_the_posterior_over_readings(kind: str, dt: float, seed: int, wander: float) -> None:
    rng = np.random.default_rng(seed)
    n, at = 50, 16
    t = 4.0 + np.cumsum(rng.uniform(0.8, 1.2, n)) * dt
    u = t - t[at] + 0.4 * dt
    p = np.where(u < 0.0, 300.0 + 500.0 * np.exp(-np.arange(n) / 3.0), RISES[kind](np.maximum(u, 0.0)))
    p *= 1.0 + 0.004 * rng.normal(size=n)
    scales = scales_of(dt, 0.004, wander)
    v = np.array([0.004**2 + (0.01 / x) ** 2 / 12.0 + 1e-8 for x in p])
    result = np.full(N_MOMENT, -1.0)
    blocks = np.arange(n + 1)
    for guess in (float(t[at]), float(t[at + 3])):
        assert locate_isolation(t, np.log(p), scales, t, np.log(p), v, blocks, 0, n - 1, guess, result)
        assert result == pytest.approx(by_hand(t, p, v, guess, scales), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(("n", "at", "slope"), [(50, 18, 0.03), (60, 30, 0.08), (24, 18, 2.0), (26, 21, 2.0)])
def test_slow_rises_and_short_ones_are_the_posterior_too(n: int, at: int, slope: float) -> None:
    """Of a slow rise a dozen candidates stay open; a short one ends a few readings after them."""
    rng = np.random.default_rng(n)
    t = 4.0 + np.cumsum(rng.uniform(0.8, 1.2, n)) * 10.0
    p = 300.0 + 500.0 * np.exp(-np.arange(n) / 3.0) + slope * np.maximum(t - t[at] + 4.0, 0.0)
    p *= 1.0 + 0.004 * rng.normal(size=n)
    scales = scales_of(10.0, 0.004)
    v = np.array([0.004**2 + (0.01 / x) ** 2 / 12.0 + 1e-8 for x in p])
    result = np.full(N_MOMENT, -1.0)
    assert locate_isolation(t, np.log(p), scales, t, np.log(p), v, np.arange(n + 1), 0, n - 1, float(t[at]), result)
    assert result == pytest.approx(by_hand(t, p, v, float(t[at]), scales), rel=1e-6, abs=1e-6)


def test_a_floor_from_the_first_reading_on() -> None:
    """Candidates begin with the fourth reading, so that three are left for the pumped side, until one of the first is likely."""
    rng = np.random.default_rng(8)
    n, at = 40, 9
    t = 10.0 * np.arange(n) + 4.0
    p = np.where(np.arange(n) < at, 300.0, 300.0 + 2.0 * np.maximum(t - t[at] + 4.0, 0.0)) * (
        1.0 + 0.004 * rng.normal(size=n)
    )
    scales, v = scales_of(10.0, 0.004), np.full(n, 0.004**2 + (0.01 / 300.0) ** 2 / 12.0 + 1e-8)
    v = np.array([0.004**2 + (0.01 / x) ** 2 / 12.0 + 1e-8 for x in p])
    result = np.full(N_MOMENT, -1.0)
    for guess in (float(t[at]), float(t[3])):
        assert locate_isolation(t, np.log(p), scales, t, np.log(p), v, np.arange(n + 1), 0, n - 1, guess, result)
        assert result == pytest.approx(by_hand(t, p, v, guess, scales), rel=1e-6, abs=1e-6)


def test_grid_of_many_candidates_is_looked_at_coarsely_first() -> None:
    """Some 110 candidates on a flat floor: every third at first, then all of those that stay open."""
    rng = np.random.default_rng(5)
    n, at = 160, 70
    t = 10.0 * np.arange(n) + 4.0
    p = np.where(np.arange(n) < at, 300.0, 300.0 + 0.5 * np.maximum(t - t[at] + 6.0, 0.0) ** 1.0 / 2.0)
    p *= 1.0 + 0.004 * rng.normal(size=n)
    scales, v = scales_of(10.0, 0.004), np.full(n, 0.004**2 + 1e-8)
    result = np.full(N_MOMENT, -1.0)
    assert locate_isolation(t, np.log(p), scales, t, np.log(p), v, np.arange(n + 1), 0, n - 1, float(t[at]), result)
    want = by_hand(t, p, v, float(t[at]), scales)
    assert result[[MOMENT_EVIDENCE, MOMENT_SHARP, MOMENT_RISE_LN]] == pytest.approx(
        want[[MOMENT_EVIDENCE, MOMENT_SHARP, MOMENT_RISE_LN]], rel=1e-6
    )
    # from 25 readings beyond the likely ones on, blocks stay blocks: here they are readings, so nothing changes
    assert result[MOMENT_S] == pytest.approx(want[MOMENT_S], abs=0.01)
    assert result[MOMENT_SD] == pytest.approx(want[MOMENT_SD], rel=1e-3)


def test_too_few_blocks_tell_nothing() -> None:
    t = np.arange(0.0, 40.0, 10.0)
    assert not located(t, np.array([500.0, 400.0, 300.0, 310.0]), 25.0)[0]


def test_a_fall_of_no_shape_costs_a_term_for_each_reading() -> None:
    """Up to four readings, where that is cheaper than a shape and none of them rises; the rise says where it came to."""
    t = 5.0 * np.arange(24.0)
    z = np.concatenate([[9000.0, 2500.0, 900.0], 600.0 + 4.0 * np.arange(21.0)])
    w = np.full(24, 1.0 / 9.0)
    n, none = 12, np.empty((0, 0))

    def weighed(z: Array, at_once: bool) -> tuple[Array, Array, Array, Array]:
        before, after = np.empty((n, N_SIDE)), np.empty((n, N_SIDE))
        cost, share = np.empty(n), np.empty((n, 4))
        _weigh(t, z, w, 1, n, 1, 1.0, at_once, cost, share, before, after, none)
        return cost, share, before, after

    shaped = weighed(z, False)
    free = weighed(z, True)
    np.testing.assert_array_equal(free[3], shaped[3])
    for k in range(n):
        before, plain = free[2][k], shaped[2][k]
        if k < 4 and (k == 0 or 3.0 * (k + 1) < plain[COST]):
            after = free[3][k]
            assert before[COST] == 3.0 * (k + 1)
            assert before[VAR] == pytest.approx(9.0)
            met = after[VALUE] < z[k]
            assert before[VALUE] == (after[VALUE] if met else z[k])
            assert before[SLOPE] == (after[SLOPE] if met else 0.0)
        else:
            np.testing.assert_array_equal(before, plain)
    # the first rising reading is the fourth, and nothing says where within the interval before it
    assert free[0].argmin() == 2
    assert free[1][2] == pytest.approx([0.25] * 4, abs=1e-9)
    # a reading that rises is of the fall as far as noise explains it: here by two deviations of the two
    risen = z.copy()
    risen[1] = 9000.0 + 2.0 * math.sqrt(18.0)
    assert weighed(risen, True)[2][2:4, COST] == pytest.approx([13.0, 16.0])
    w[:2] = 1.0 / 16.0, 1.0 / 34.0
    assert weighed(risen, True)[2][2:4, COST] == pytest.approx([9.0 + 72.0 / 50.0, 12.0 + 72.0 / 50.0])
    w[:2] = 1.0 / 9.0
    risen[1] = 9900.0
    assert weighed(risen, True)[2][2:4, COST] == pytest.approx([45009.0, 45012.0])


@pytest.mark.parametrize("readings", [1, 2, 3, 5])
@pytest.mark.parametrize("dt", [2.0, 5.0, 10.0])
def test_a_circuit_pulled_down_within_a_few_readings(readings: int, dt: float) -> None:
    """A small circuit on a large pump, whether or not any floor was seen: five of six within a reading and its half."""
    errors = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, 600.0, dt)
        at = dt * (readings - 0.5)
        u = np.maximum(t - at, 0.0)
        p = np.where(
            t < at, 600.0 + 20000.0 * np.exp(-6.0 * t / at), 620.0 + 0.4 * u + 60.0 * (1.0 - np.exp(-u / 90.0))
        )
        found, moment = located(t, p * (1.0 + 0.004 * rng.normal(size=t.size)), at + 4.0 * dt, sigma=0.004)
        assert found
        errors.append(abs(moment[MOMENT_S] - at))
    assert np.sort(errors)[-2] < max(12.0, 1.5 * dt)


def test_a_slow_rise_without_a_step_is_found_no_later_than_it_is_said_to_be_uncertain() -> None:
    """Three microns a minute from a floor of 95, half a micron of noise, forty drawn.

    Were a step of any size as good as a bend, every one would be found late: the rise so far passes for the step.
    """
    errors, deviations = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, 900.0, 2.0)
        at = 400.0 + 0.37 * seed
        p = 95.0 + 900.0 * np.exp(-np.minimum(t, at) / 60.0) + 0.05 * np.maximum(t - at, 0.0)
        found, moment = located(t, p + 0.5 * rng.normal(size=t.size), at, sigma=0.5 / 95.0)
        assert found
        errors.append(moment[MOMENT_S] - at)
        deviations.append(moment[MOMENT_SD])
    assert abs(np.median(errors)) < np.median(deviations) < 6.0
    assert np.abs(errors).max() < 20.0
