"""Misfit of every candidate start of a hold against least squares done anew for each. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import plain

from blankoff.evacuation.phases_isolation import (
    AFTER,
    AFTER_SLOPE,
    BEFORE,
    BEFORE_SLOPE,
    COST,
    COST_BEFORE,
    N_FIT,
    SKIPPED,
    _solve2,
    candidate_costs,
    solve3,
)

Array = NDArray[np.float64]
TAUS = np.array([10.0, 40.0, 160.0])


def test_small_systems_are_solved_and_inverted() -> None:
    rng = np.random.default_rng(1)
    for _ in range(5):
        half = rng.normal(size=(5, 3))
        a, b = half.T @ half, rng.normal(size=3)
        x, inverse = np.empty(3), np.empty((3, 3))
        assert solve3(a, b, x, inverse)
        np.testing.assert_allclose(x, np.linalg.solve(a, b), rtol=1e-9)
        np.testing.assert_allclose(inverse, np.linalg.inv(a), rtol=1e-9)
        got = _solve2(a[0, 0], a[0, 1], a[1, 1], b[0], b[1])
        np.testing.assert_allclose(got[:2], np.linalg.solve(a[:2, :2], b[:2]), rtol=1e-9)
        assert got[2]
    # columns that are one another's sum
    half[:, 2] = half[:, 0] + half[:, 1]
    assert not solve3(half.T @ half, b, x, inverse)
    assert _solve2(1.0, 2.0, 4.0, 1.0, 1.0) == (0.0, 0.0, False)
    # nearly so: a part in ten thousand million of the diagonal still counts, one in a million million does not
    for part, good in ((1e-10, True), (1e-12, False)):
        close = math.sqrt(1.0 - part)
        assert solve3(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, close], [0.0, close, 1.0]]), b, x, inverse) is good


def least(design: Array, z: Array, w: Array) -> tuple[Array, float]:
    root = np.sqrt(w)
    x = np.linalg.lstsq(design * root[:, None], z * root, rcond=None)[0]
    return x, float((((z - design @ x) * root) ** 2).sum())


def pumped(t: Array, y: Array, v: Array, first: int, k: int, window: int, spans: bool = True) -> tuple[float, ...]:
    """Value, slope, cost and readings left out of the curve before a candidate, as the docstring has it.

    At most `window` readings while they lie within a quarter of the last level in ln p, but five if those lie within
    1.2; a parabola whose curvature is believed to be a part of the fall, a line, or a constant; none may rise.
    """
    if k == first:
        return math.exp(y[k]), 0.0, 0.0, 0
    start = k - 1
    while start > first and start > k - window:
        above = y[start - 1] - y[k - 1]
        if above > 0.25 and (k - start >= 5 or above > 1.2):
            break
        start -= 1
    u, z = t[start:k] - t[k], np.exp(y[start:k])
    w = 1.0 / (z * z * v[start:k])
    count = k - start
    x, cost = least(np.ones((count, 1)), z, w)
    value, slope = float(x[0]), 0.0
    done = False
    if count >= 3:
        bend = 0.5 * abs(z[0] - z[-1]) + 0.5 * math.sqrt(v[k - 1]) * z[-1]
        design = np.column_stack([np.ones(count), u, u * u])
        design = np.vstack([design, [0.0, 0.0, (t[k] - t[start]) ** 2]])
        x, rest = least(design, np.append(z, 0.0), np.append(w, 1.0 / bend**2))
        if x[1] <= 0.0:
            value, slope, cost, done = float(x[0]), float(x[1]), rest, True
    if count >= 2 and not done:
        x, rest = least(np.column_stack([np.ones(count), u]), z, w)
        if x[1] <= 0.0:
            value, slope, cost = float(x[0]), float(x[1]), rest
    cost += start - first
    if start > first and count >= 3:
        fall = (y[start - 1] - y[start]) / (t[start] - t[start - 1])
        span = t[k - 1] - t[start]
        left = (y[start] - y[k - 1] - 2.0 * math.sqrt(v[start])) / span
        if fall * span > 0.5 and left < 0.06 * fall and fall * (t[start] - t[start - 1]) < 1.5:
            cost += 20.0
    return value, slope, cost, start - first


def risen(t: Array, y: Array, v: Array, k: int, last: int, taus: Array) -> tuple[float, float, float]:
    """Cost, value and slope of the rise from a candidate on; neither its slope nor what saturates may fall."""
    u, z = t[k : last + 1] - t[k], np.exp(y[k : last + 1])
    w = 1.0 / (z * z * v[k : last + 1])
    one = np.ones(u.size)
    x, cost = least(one[:, None], z, w)
    best = (cost, float(x[0]), 0.0)
    if last > k:
        x, cost = least(np.column_stack([one, u]), z, w)
        if x[1] >= 0.0 and cost < best[0]:
            best = (cost, float(x[0]), float(x[1]))
    for tau in taus:
        decay = np.exp(-u / tau)
        fits = False
        if last - k >= 3:
            x, cost = least(np.column_stack([one, u, decay]), z, w)
            fits = x[1] >= 0.0 and x[2] <= 0.0
            if fits and cost < best[0]:
                best = (cost, float(x[0] + x[2]), float(x[1] - x[2] / tau))
        if not fits and last - k >= 2:
            x, cost = least(np.column_stack([one, decay]), z, w)
            if x[1] <= 0.0 and cost < best[0]:
                best = (cost, float(x[0] + x[1]), float(-x[1] / tau))
    return best


def log(kind: str, seed: int, every: float = 10.0) -> tuple[Array, Array, Array]:
    rng = np.random.default_rng(seed)
    t = 100.0 + (np.cumsum(rng.uniform(0.6, 1.4, 34)) * every if kind != "even" else np.arange(34.0) * every)
    u = t - t[17]
    p = {
        "slow": 300.0 + 200.0 * np.exp(-(u + 170.0) / 60.0) + np.where(u > 0.0, 0.5 * u, 0.0),
        "even": 300.0 + 200.0 * np.exp(-(u + 170.0) / 60.0) + np.where(u > 0.0, 80.0 * (1.0 - np.exp(-u / 40.0)), 0.0),
        "steep": np.where(u < 0.0, 300.0 * np.exp(-u / 30.0), 300.0 + 1.5 * u + 60.0 * (1.0 - np.exp(-np.maximum(u, 0.0) / 10.0))),
        "stop": np.where(u < -60.0, 300.0 * np.exp(-(u + 60.0) / 25.0), 300.0 + np.where(u > 0.0, 0.4 * u, 0.0)),
        "standing": 300.0 + 0.0 * u,
        "rising": 300.0 * np.exp((u + 170.0) / 900.0),
        "jump": np.where(u < 0.0, 300.0 * np.exp(-u / 90.0), 800.0 + 30.0 * (1.0 - np.exp(-np.maximum(u, 0.0) / 10.0))),
        "sag": np.where(u < 0.0, 300.0 - 0.8 * u, 400.0 - 0.3 * u),
    }[kind]  # fmt: skip
    v = 0.006**2 * rng.uniform(0.5, 2.0, 34)
    return t, np.log(p) + np.sqrt(v) * rng.normal(size=34), v


@pytest.mark.parametrize(
    ("kind", "window"),
    [
        ("slow", 24), ("steep", 6), ("jump", 24),
        *(
            pytest.param(kind, window, marks=pytest.mark.scheduled)
            for kind in ("slow", "even", "steep", "stop", "standing", "rising", "jump", "sag")
            for window in (24, 6)
        ),
    ],
)  # fmt: skip
def test_every_candidate_is_least_squares_on_both_sides(kind: str, window: int) -> None:
    t, y, v = log(kind, 7)
    first, last, lo, hi = 1, 32, 1, 31
    out = np.full((hi - lo + 1, N_FIT), -1.0)
    plain(candidate_costs)(t, y, v, first, last, lo, hi, window, 1, TAUS, out)
    for k in range(lo, hi + 1):
        value, slope, before, skipped = pumped(t, y, v, first, k, window)
        cost, after, after_slope = risen(t, y, v, k, last, TAUS)
        row = out[k - lo]
        assert row[[BEFORE, BEFORE_SLOPE, COST_BEFORE]] == pytest.approx([value, slope, before], rel=1e-4, abs=1e-5), k
        assert row[SKIPPED] == skipped
        assert row[COST] == pytest.approx(before + cost, rel=1e-4, abs=1e-4), k
        assert row[AFTER] == pytest.approx(after, rel=1e-4), k
        assert row[AFTER_SLOPE] == pytest.approx(after_slope, rel=1e-3, abs=1e-5), k


def test_candidates_between_cost_too_much_and_others_are_the_same() -> None:
    t, y, v = log("even", 3)
    full, some = np.empty((21, N_FIT)), np.empty((21, N_FIT))
    plain(candidate_costs)(t, y, v, 0, 33, 8, 28, 24, 1, TAUS, full)
    plain(candidate_costs)(t, y, v, 0, 33, 8, 28, 24, 5, TAUS, some)
    np.testing.assert_allclose(some[::5], full[::5])
    assert (np.delete(some[:, COST], [0, 5, 10, 15, 20]) == 1e300).all()
    # the likeliest start is where it was drawn
    assert abs(int(full[:, COST].argmin()) + 8 - 18) <= 2


def test_a_fall_that_stops_before_the_fitted_window_is_left_unexplained_at_a_price() -> None:
    """A window that begins where a steep fall ended costs 20, unless the level still falls, or the drop was a jump."""
    t = np.arange(0.0, 200.0, 10.0)
    v = np.full(20, 1e-6)

    def cost(step: float, drift: float) -> float:
        y = 6.0 + np.where(t < 60.0, step * (6.0 - t / 10.0), 0.0) - drift * np.maximum(t - 60.0, 0.0)
        out = np.empty((1, N_FIT))
        plain(candidate_costs)(t, y, v, 0, 19, 16, 16, 24, 1, TAUS, out)
        assert out[0, SKIPPED] > 0.0
        return float(out[0, COST_BEFORE] - out[0, SKIPPED])

    assert cost(0.4, 0.0) == pytest.approx(20.0, abs=0.1)
    # left: a twentieth of the fall's rate, or more
    assert cost(0.4, 0.04 * 0.05) > 19.0
    assert cost(0.4, 0.04 * 0.07) < 15.0
    # 1.5 in ln between two readings is a jump, not a fall
    assert cost(1.49, 0.0) > 19.0
    assert cost(1.51, 0.0) < 1.0
    # and little is no fall at all
    assert cost(0.26, 0.0) > 19.0
