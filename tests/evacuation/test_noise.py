"""Readings reduced to block means, and the noise taken from them, on drawn readings of known noise. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import covariance

from blankoff.evacuation.noise import (
    BLOCKS,
    DESIGN,
    WANDER_MEMORIES_S,
    WANDER_SIZES,
    _live_readings,
    _longest_honest_run,
    block_means,
    wander_beside,
    white_noise,
)

Array = NDArray[np.float64]
NAN = float("nan")


def plain_noise(t: Array, p: Array) -> float:
    """Each reading against the line between its neighbours, squares clipped at three sigma four times."""
    span = t[2:] - t[:-2]
    ok = (span > 0.0) & (p[1:-1] > 0.0)
    w = (t[1:-1] - t[:-2])[ok] / span[ok]
    off = 1.0 - ((1.0 - w) * p[:-2][ok] + w * p[2:][ok]) / p[1:-1][ok]
    square = off**2 / (1.0 + w**2 + (1.0 - w) ** 2)
    mean = square.mean()
    for _ in range(4):
        mean = np.minimum(square, 9.0 * mean).mean()
    return max(math.sqrt(mean), 2e-4)


@pytest.mark.parametrize("seed", range(4))
def test_white_noise_is_that_of_a_plain_estimate_and_near_the_truth(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.5, 3.0, 200))
    p = (300.0 + 0.5 * t) * (1.0 + 0.01 * rng.normal(size=200))
    p[rng.integers(5, 195)] *= 2.0
    assert white_noise(t, p) == pytest.approx(plain_noise(t, p), rel=1e-9)
    assert white_noise(t, p) == pytest.approx(0.01, rel=0.25)
    # twice at one moment, and a reading of nothing, are passed over
    t[50:52] = t[49]
    p[80] = 0.0
    assert white_noise(t, p) == pytest.approx(plain_noise(t, p), rel=1e-9)


def test_noise_of_few_readings_and_of_none() -> None:
    t = np.arange(5.0)
    # fewer than five readings, or than three of use, say nothing: one per cent
    assert white_noise(t[:4], np.array([1.0, 5.0, 2.0, 9.0])) == 0.01
    assert white_noise(t, np.array([300.0, 310.0, 0.0, 310.0, 300.0])) == 0.01
    assert white_noise(t, np.array([300.0, 310.0, 300.0, 310.0, 300.0])) == pytest.approx(
        plain_noise(t, np.array([300.0, 310.0, 300.0, 310.0, 300.0]))
    )
    # no gauge of this trade is better than 0.02 per cent
    assert white_noise(t, 300.0 + t) == 2e-4


@pytest.mark.parametrize(
    ("values", "want"),
    [
        # 20 differences, none zero: runs of up to five are honest
        (np.arange(21.0), 5),
        # half of 20 are zero: 11.5 / ln 2 = 16.6
        (np.repeat(np.arange(11.0), 2)[:21], 16),
        # nine tenths: 11.5 / 0.105
        (np.repeat(np.arange(10.0), 10), 109),
        # fewer than eight differences say nothing
        (np.arange(8.0), 8),
        (np.arange(9.0), 5),
        # a run of 14 counts, one of 15 is frozen and does not
        (np.concatenate([np.zeros(15), np.arange(1.0, 12.0)]), int(11.5 / -math.log(14.0 / 25.0))),
        (np.concatenate([np.zeros(16), np.arange(1.0, 12.0)]), 5),
        # the most that honest repeats can be, 14 of 15: 11.5 / 0.069
        (np.repeat(np.arange(4.0), 15), 166),
    ],
)
def test_longest_run_of_one_value_that_noise_explains(values: Array, want: int) -> None:
    """Runs longer than one in a hundred thousand (``e^-11.5``) at the share of repeats seen are a frozen gauge."""
    assert _longest_honest_run(values) == want


def test_frozen_stretches_keep_their_first_two_readings() -> None:
    p = np.arange(40.0)
    p[10:15] = 10.0
    assert _live_readings(p).all()
    p[10:16] = 10.0
    live = _live_readings(p)
    assert np.flatnonzero(~live).tolist() == [12, 13, 14, 15]
    p = np.arange(40.0)
    p[30:] = 30.0
    assert np.flatnonzero(~_live_readings(p)).tolist() == list(range(32, 40))


def blocks(
    t: Array, p: Array, start: float = 0.0, end: float = 1e9, ceiling: float = 1e9
) -> tuple[Array, Array, Array, float, int, float]:
    out = [np.full(BLOCKS, -1.0) for _ in range(3)]
    n, noise, used, last = block_means(t, p, start, end, ceiling, *out)
    assert all((x[n:] == -1.0).all() for x in out)
    return out[0][:n], out[1][:n], out[2][:n], noise, used, last


@pytest.mark.parametrize("size", [30, 120, 400])
def test_block_means_are_means_over_edges_that_grow(size: int) -> None:
    """Blocks end at shares ``(k / 72)^1.5`` of the time; variance is white noise and steps, averaged as each may be."""
    rng = np.random.default_rng(size)
    t = np.cumsum(rng.uniform(1.0, 4.0, size)) + 100.0
    p = np.round((300.0 + 0.4 * (t - 100.0)) * (1.0 + 0.02 * rng.normal(size=size)), 1)
    bt, bp, bv, noise, used, last = blocks(t, p, 100.0)
    kept = t >= 103.0
    s, q = t[kept] - 100.0, p[kept]
    assert used == kept.sum()
    assert last == pytest.approx(s[-1])
    assert noise == pytest.approx(plain_noise(s, q), rel=1e-9)
    edges = s[0] + (s[-1] - s[0]) * ((np.arange(BLOCKS) + 1) / BLOCKS) ** 1.5
    edges[-1] += 1.0
    of = np.searchsorted(edges, s)
    full = [np.flatnonzero(of == b) for b in range(BLOCKS) if (of == b).any()]
    np.testing.assert_allclose(bt, [s[i].mean() for i in full])
    np.testing.assert_allclose(bp, [q[i].mean() for i in full])
    step, var = 0.0, []
    for i in full:
        jumps = np.abs(np.diff(q[i]))
        jumps = jumps[jumps > 0.0]
        step = jumps.min() if jumps.size else step
        # a step's error averages only as often as a level is crossed
        var.append((noise * q[i].mean()) ** 2 / i.size + step**2 / 12.0 / min(i.size, jumps.size + 1))
    np.testing.assert_allclose(bv, var, rtol=1e-9)


def test_what_is_left_out_of_the_blocks() -> None:
    t = np.arange(0.0, 60.0)
    p = 300.0 + t
    # before three seconds after the isolation, and after the end
    bt, _, _, _, used, last = blocks(t, p, 10.0, 40.0)
    assert used == 28
    assert (bt[0], last) == (3.0, 30.0)
    # nothing after the first reading above the ceiling; at the ceiling counts
    rising = p.copy()
    rising[30] = 900.0
    assert blocks(t, rising, 0.0, 1e9, 899.0)[4] == 27
    assert blocks(t, rising, 0.0, 1e9, 900.0)[4] == 57
    # blanks and zeros
    rising[20], rising[21] = NAN, 0.0
    assert blocks(t, rising, 0.0, 1e9, 900.0)[4] == 55
    # fewer than three readings are none
    out = [np.empty(BLOCKS) for _ in range(3)]
    assert block_means(t[:5], p[:5], 0.0, 1e9, 1e9, *out) == (0, 0.01, 2, 0.0)
    assert block_means(t[:6], p[:6], 0.0, 1e9, 1e9, *out)[0] == 3
    # a frozen stretch
    stuck = p.copy()
    stuck[30:50] = stuck[30]
    assert blocks(t, stuck)[4] == 57 - 18


@pytest.mark.parametrize(("sigmas", "dropped"), [(7.4, False), (8.2, True)])
def test_a_spike_beyond_six_sigmas_is_left_out(sigmas: float, dropped: bool) -> None:
    """Six sigmas of the difference to two neighbours, hence 7.8 of one reading; noise here is as it comes."""
    t = np.arange(0.0, 200.0)
    p = 1000.0 + 10.0 * np.where(np.arange(200) % 4 < 2, 1.0, -1.0)
    noise = white_noise(t[3:], p[3:])
    p[101] = p[100] = p[102] = 1000.0
    p[101] = 1000.0 + sigmas * noise * 1000.0
    noise = white_noise(t[3:], p[3:])
    p[101] = 1000.0 + sigmas * noise * 1000.0
    noise = white_noise(t[3:], p[3:])
    bt, bp, _, _, _, _ = blocks(t, p)
    near = np.abs(bt - 101.0).argmin()
    off = p[101] - 1000.0
    assert bool(off > 7.8 * noise * 1000.0) is dropped
    # its block's mean shows it, or does not
    assert bool(bp[near] - 1000.0 > 0.2 * off) is not dropped


def test_where_pressure_changes_fast_a_step_is_no_spike() -> None:
    """A jump of 300 between steady levels: each side lies 150 off its line, of which a quarter of 300 is the slope's own."""
    t = np.arange(0.0, 100.0)
    p = np.where(t < 50.0, 1000.0, 1300.0) + np.where(np.arange(100) % 4 < 2, 6.0, -6.0)
    bt, bp, _, _, used, _ = blocks(t, p)
    assert used == 97
    near = np.abs(bt - 49.0) < 3.0
    assert near.any()
    assert np.isfinite(bp).all()
    # noise under a micron counts as one: 7.8 microns off are still no spike
    for off, dropped in ((7.5, False), (8.1, True)):
        low = np.full(100, 100.0)
        low[50] = 100.0 + off
        low[::2] += 1e-3
        bt, bp, _, _, _, _ = blocks(t, low)
        assert bool(bp.max() < 100.1) is dropped


@pytest.mark.parametrize(("off", "dropped"), [(17.6, False), (18.0, True)])
def test_a_quarter_of_what_the_neighbours_differ_is_the_slopes_own(off: float, dropped: bool) -> None:
    """On a ramp of 20 a reading neighbours differ by 40: 7.8 microns and ten more are no spike."""
    t = np.arange(0.0, 100.0)
    p = 1000.0 + 20.0 * t
    p[50] += off
    bt, bp, _, _, _, _ = blocks(t, p)
    at = int(np.abs(bt - 50.0).argmin())
    assert bool(abs(bp[at] - 1000.0 - 20.0 * bt[at]) < 0.1) is dropped


def restricted(t: Array, x: Array, y: Array, level: Array, var: Array) -> tuple[float, float]:
    """Size and memory of wander by the restricted likelihood of dense covariances on the stated grid."""
    scores = np.empty((WANDER_MEMORIES_S.size, WANDER_SIZES.size))
    for b, memory_s in enumerate(WANDER_MEMORIES_S):
        for a, size in enumerate(WANDER_SIZES):
            inverse = np.linalg.inv(covariance(t, level, var, size, memory_s))
            normal = x.T @ inverse @ x
            left = y - x @ np.linalg.solve(normal, x.T @ inverse @ y)
            scores[b, a] = (
                -0.5 * (-np.linalg.slogdet(inverse)[1] + np.linalg.slogdet(normal)[1] + left @ inverse @ left)
                - 0.5 * (np.log(size / 0.0025) / 1.2) ** 2
            )
    weight = np.exp(scores - scores.max())
    size = math.sqrt(float((weight * WANDER_SIZES**2).sum() / weight.sum()))
    return size, float(WANDER_MEMORIES_S[np.unravel_index(scores.argmax(), scores.shape)[0]])


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("size", [0.0, 0.002, 0.008])
def test_wander_is_that_of_the_dense_restricted_likelihood(seed: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    n = 16
    t = np.sort(rng.uniform(0.0, 900.0, n))
    level, var = 400.0 + 0.3 * t, rng.uniform(1.0, 4.0, n)
    x = np.column_stack([np.ones(n), t / 600.0, 1.0 - np.exp(-t / 100.0)])
    memory = (40.0, 150.0, 600.0)[seed % 3]
    wander = np.linalg.cholesky(covariance(t, level, var, size, memory)) @ rng.normal(size=n)
    y = 300.0 * x[:, 0] + 50.0 * x[:, 2] + wander
    design = np.full((n, DESIGN), 77.0)
    design[:, :3] = x
    got = wander_beside(t, design, 3, y, level, var)
    want = restricted(t, x, y, level, var)
    assert got[0] == pytest.approx(want[0], rel=5e-3)
    assert got[1] == want[1]


def test_wander_of_tiny_and_huge_variances() -> None:
    """Products of variances do not run out of a float's range."""
    rng = np.random.default_rng(1)
    t = np.linspace(3.0, 900.0, 40)
    x = np.ones((40, 1))
    design = np.zeros((40, DESIGN))
    design[:, 0] = 1.0
    for scale in (1e-9, 1e9):
        level = np.full(40, scale)
        y = level * (1.0 + 0.003 * rng.normal(size=40))
        got = wander_beside(t, design, 1, y, level, (0.001 * level) ** 2)
        assert got == pytest.approx(restricted(t, x, y, level, (0.001 * level) ** 2), rel=5e-3)
    # a column of nothing changes nothing
    with_nothing = wander_beside(t, design, 2, y, level, (0.001 * level) ** 2)
    assert with_nothing == pytest.approx(got)


def test_grid_of_wander() -> None:
    """Sizes from 0.05 to 2 per cent of reading, memories from under a minute to eight."""
    assert WANDER_SIZES.tolist() == [0.0005, 0.0012, 0.0025, 0.005, 0.010, 0.020]
    assert WANDER_MEMORIES_S.tolist() == [45.0, 150.0, 500.0]
    assert (BLOCKS, DESIGN) == (72, 6)
