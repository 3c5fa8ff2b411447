"""The moment of isolation, on pulls and holds drawn from formulas; its likelihood written out. Tag: CALC."""

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
    pumped_side,
    rising_side,
)

Array = NDArray[np.float64]


def test_parts_of_an_interval_begin_with_the_earliest() -> None:
    assert [_back(k) for k in range(4)] == [0.875, 0.625, 0.375, 0.125]


@pytest.mark.parametrize("stride", [1, 3])
@pytest.mark.parametrize("late", [True, False])
def test_likelihood_of_candidates_is_a_bend_a_jump_or_a_lagging_gauge(stride: int, late: bool) -> None:
    """Twice the log-likelihood of both sides; over each of four parts of the interval the sides meet, or jump.

    A jump up costs nothing much (3 in favour), one down 12; a lagging gauge as it misfits.
    """
    rng = np.random.default_rng(1)
    t = 5.0 + np.cumsum(rng.uniform(1.0, 4.0, 40))
    u = t - t[20]
    z = np.where(u < 0.0, 300.0 - 2.0 * u, 310.0 + 1.5 * u) + 3.0 * rng.normal(size=40)
    w = np.full(40, 1.0 / 9.0)
    lo, hi = 12, 28
    n = hi - lo + 1
    before, after, slow = np.empty((n, N_SIDE)), np.empty((n, N_SIDE)), np.zeros((n, LAGS_S.size))
    cost, share = np.empty(n + 2), np.empty((n + 2, 4))
    room = np.empty((n, LAGS_S.size)) if late else np.empty((0, 0))
    _weigh(t, z, w, lo, hi, stride, 1.1, cost, share, before, after, room)
    want_before, want_after = np.empty((n, N_SIDE)), np.empty((n, N_SIDE))
    pumped_side(t, z, w, lo, hi, stride, HEAD_SHARES, True, want_before)
    rising_side(t, z, w, lo, hi, stride, want_after)
    tried = range(0, n, stride)
    np.testing.assert_array_equal(before[::stride], want_before[::stride])
    np.testing.assert_array_equal(after[::stride], want_after[::stride])
    least = min(before[k, COST] + after[k, COST] for k in tried)
    inflate = max(1.1, least / 34.0)
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
            bend = math.exp(-0.5 * min(apart**2 / ((a[VAR] + b[VAR]) * inflate), 700.0))
            step = math.exp(1.5) if b[VALUE] > a[VALUE] else math.exp(-6.0)
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
    """Errors over their stated deviation: fourteen of sixteen drawn holds within twice that, and not all within a tenth."""
    errors = []
    for seed in range(16):
        at = 300.0 + 0.25 * seed
        t, p = drawn("small step", at, 4.0, noise=0.005, seed=seed)
        found, moment = located(t, p, at, sigma=0.005)
        assert found
        errors.append((moment[MOMENT_S] - at) / moment[MOMENT_SD])
    assert (np.abs(errors) < 2.0).sum() >= 14
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


def test_too_few_blocks_tell_nothing() -> None:
    t = np.arange(0.0, 40.0, 10.0)
    assert not located(t, np.array([500.0, 400.0, 300.0, 310.0]), 25.0)[0]
