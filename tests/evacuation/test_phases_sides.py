"""Both sides of an isolation and a gauge with lag against least squares done anew for every candidate. Tag: CALC."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import constant

from blankoff.evacuation.phases_lag import LAGS_S, lagged_rises
from blankoff.evacuation.phases_sides import (
    COST,
    HEAD_SHARES,
    N_SIDE,
    RISE_TAUS_S,
    SLOPE,
    VALUE,
    VAR,
    WHOLE_SHARES,
    pumped_side,
    rising_side,
)

Array = NDArray[np.float64]

TERM, TAU = 3.0, 1.5
"""What a further term costs, and choosing its time constant: twice the log-likelihood."""


def fitted(design: Array, z: Array, w: Array) -> tuple[Array, Array, float]:
    """Coefficients, their covariance and the misfit of weighted least squares."""
    root = np.sqrt(w)[:, None]
    x = np.linalg.lstsq(design * root, z * root[:, 0], rcond=None)[0]
    rest = (z - design @ x) * root[:, 0]
    return x, np.linalg.inv((design * root).T @ (design * root)), float(rest @ rest)


def pumped_by_hand(t: Array, z: Array, w: Array, k: int, hi: int, shares: Array, falling: bool) -> Array:
    """Best of a constant, a line, an exponential, and pairs of these with each other or with a square."""
    span = t[hi] - t[0]
    at = lambda s: np.column_stack(  # noqa: E731
        [np.ones_like(s), (s - t[0]) / span, ((s - t[0]) / span) ** 2]
        + [np.exp(-(s - t[0]) / (share * span)) for share in shares]
    )
    basis, here = at(t[:k]), at(t[k : k + 1])[0]
    slopes = np.array(
        [0.0, 1.0 / span, 2.0 * (t[k] - t[0]) / span**2]
        + [-here[3 + i] / (share * span) for i, share in enumerate(shares)]
    )
    n = basis.shape[1]
    models = [(0,)]
    if k >= 3:
        models += [(0, i) for i in range(1, n) if i != 2]
    if k >= 4:
        models += [(0, j, i) for i in range(2, n) for j in range(1, i) if j != 2]
    best = np.array([1e300, 0.0, 0.0, 0.0])
    for model in models:
        pick = list(model)
        x, cov, rest = fitted(basis[:, pick], z[:k], w[:k])
        cost = rest + TERM * (len(pick) - 1) + TAU * sum(i >= 3 for i in pick)
        value, slope = float(x @ here[pick]), float(x @ slopes[pick])
        if cost < best[COST] and value > 0.0 and not (falling and slope > 0.0):
            best = np.array([cost, value, slope, here[pick] @ cov @ here[pick]])
    return best


def stretch(seed: int, kind: str, n: int = 16, even: bool = False) -> tuple[Array, Array, Array]:
    rng = np.random.default_rng(seed)
    t = 5.0 + (np.arange(n) * 10.0 if even else np.cumsum(rng.uniform(4.0, 16.0, n)))
    u = t - t[0]
    z = {
        "exponential": 300.0 + 400.0 * np.exp(-u / 40.0),
        "line": 700.0 - 1.5 * u,
        "two": 250.0 + 100.0 * np.exp(-u / 120.0) + 300.0 * np.exp(-u / 15.0),
        "rising": 300.0 + 0.8 * u,
        "constant": 300.0 + 0.0 * u,
        "bent": 600.0 - 3.0 * u + 0.015 * u * u,
    }[kind]
    z = z + 2.0 * rng.normal(size=n)
    return t, z, 1.0 / rng.uniform(2.0, 6.0, n)


@pytest.mark.parametrize("kind", ["exponential", "line", "two", "rising", "constant", "bent"])
@pytest.mark.parametrize(("shares", "falling"), [(constant(HEAD_SHARES), True), (constant(WHOLE_SHARES[::3]), False)])
def test_pumped_side_is_the_best_of_its_shapes_at_every_candidate(kind: str, shares: Array, falling: bool) -> None:
    t, z, w = stretch(1, kind, even=kind == "two")
    lo, hi = 2, 14
    out = np.full((hi - lo + 1, N_SIDE), -1.0)
    pumped_side(t, z, w, lo, hi, 1, shares, falling, out)
    for k in range(lo, hi + 1):
        want = pumped_by_hand(t, z, w, k, hi, shares, falling)
        assert out[k - lo] == pytest.approx(want, rel=1e-4, abs=1e-6), k


def test_only_every_so_many_candidates_are_fitted() -> None:
    t, z, w = stretch(2, "two")
    full, some = np.full((12, N_SIDE), -1.0), np.full((12, N_SIDE), -1.0)
    pumped_side(t, z, w, 3, 14, 1, constant(HEAD_SHARES), True, full)
    pumped_side(t, z, w, 3, 14, 4, constant(HEAD_SHARES), True, some)
    np.testing.assert_array_equal(some[::4], full[::4])
    assert (np.delete(some, [0, 4, 8], axis=0) == -1.0).all()
    rising_side(t, z, w, 3, 14, 1, full)
    some[:] = -1.0
    rising_side(t, z, w, 3, 14, 4, some)
    np.testing.assert_array_equal(some[::4], full[::4])
    assert (np.delete(some, [0, 4, 8], axis=0) == -1.0).all()


def rising_by_hand(t: Array, z: Array, w: Array, k: int) -> Array:
    """Best of standing, a line, a saturating part, both, two saturating parts; no part may fall."""
    u, z, w = t[k:] - t[k], z[k:], w[k:]
    decays = [np.exp(-u / tau) for tau in RISE_TAUS_S]
    left = u.size - 1
    models: list[tuple[list[Array], list[float], list[float], float]] = [([], [], [], 0.0)]
    if left >= 2:
        models.append(([u], [0.0], [1.0], TERM))
        for tau, decay in zip(RISE_TAUS_S, decays, strict=True):
            models.append(([decay], [1.0], [-1.0 / tau], TERM + TAU))
    if left >= 4:
        for i, tau in enumerate(RISE_TAUS_S):
            models.append(([decays[i], u], [1.0, 0.0], [-1.0 / tau, 1.0], 2.0 * TERM + TAU))
            models.extend(
                ([decays[i], decays[j]], [1.0, 1.0], [-1.0 / tau, -1.0 / RISE_TAUS_S[j]], 2.0 * (TERM + TAU))
                for j in range(i)
            )
    best = np.array([1e300, 0.0, 0.0, 0.0])
    for columns, values, slopes, price in models:
        x, cov, rest = fitted(np.column_stack([np.ones(u.size), *columns]), z, w)
        # a saturating part rises with a negative coefficient of its decay, a line with a positive one
        if any((b > 0.0) == (v > 0.0) for b, v in zip(x[1:], values, strict=True)):
            continue
        here = np.array([1.0, *values])
        value = float(x @ here)
        if rest + price < best[COST] and value > 0.0:
            best = np.array([rest + price, value, float(x @ np.array([0.0, *slopes])), here @ cov @ here])
    return best


def rise(seed: int, kind: str, n: int = 14, even: bool = False) -> tuple[Array, Array, Array]:
    rng = np.random.default_rng(seed)
    t = 50.0 + (np.arange(n) * 10.0 if even else np.cumsum(rng.uniform(2.0, 18.0, n)))
    u = t - t[0]
    z = {
        "line": 300.0 + 0.9 * u,
        "bend": 300.0 + 150.0 * (1.0 - np.exp(-u / 50.0)),
        "both": 300.0 + 0.6 * u + 90.0 * (1.0 - np.exp(-u / 15.0)),
        "two": 300.0 + 120.0 * (1.0 - np.exp(-u / 4.0)) + 150.0 * (1.0 - np.exp(-u / 200.0)),
        "standing": 300.0 + 0.0 * u,
        "falling": 300.0 - 0.5 * u,
    }[kind]
    return t, z + 2.0 * rng.normal(size=n), 1.0 / rng.uniform(2.0, 6.0, n)


@pytest.mark.parametrize("kind", ["line", "bend", "both", "two", "standing", "falling"])
def test_rising_side_is_the_best_of_its_shapes_at_every_candidate(kind: str) -> None:
    t, z, w = rise(3, kind, even=kind == "both")
    lo, hi = 0, 12
    out = np.full((hi - lo + 1, N_SIDE), -1.0)
    rising_side(t, z, w, lo, hi, 1, out)
    for k in range(lo, hi + 1):
        assert out[k - lo] == pytest.approx(rising_by_hand(t, z, w, k), rel=1e-4, abs=1e-6), k


def lagged_by_hand(t: Array, z: Array, w: Array, k: int, lag: float, before: Array) -> float:
    """Least misfit of a bend half a spacing before the candidate, as a first-order lag shows it.

    The reading at the isolation is the pumped curve's, as sure as that is; from it the pressure rises by a line, by a
    saturating part, or by both.
    """
    back = 0.5 * (t[k] - t[k - 1]) if k else 0.0
    u = t[k:] - t[k] + back
    e = np.exp(-u / lag)
    z = z[k:] - lag * before[SLOPE] * (1.0 - e)
    line = u - lag * (1.0 - e)
    tied = (before[VALUE] - before[SLOPE] * back, 1.0 / max(before[VAR], 1e-9))
    bends = [tau / (tau - lag) * (np.exp(-u / tau) - e) - (1.0 - e) for tau in RISE_TAUS_S]
    models: list[tuple[list[Array], list[float], float]] = [([line], [1.0], TERM)]
    for bend in bends:
        models.append(([bend], [-1.0], TERM + TAU))
        models.append(([line, bend], [1.0, -1.0], 2.0 * TERM + TAU))
    best = 1e300
    for columns, signs, price in models:
        design = np.column_stack([np.ones(u.size), *columns])
        design = np.vstack([design, np.eye(1, design.shape[1])])
        x, _, rest = fitted(design, np.append(z, tied[0]), np.append(w[k:], tied[1]))
        if all(b * s >= 0.0 for b, s in zip(x[1:], signs, strict=True)):
            best = min(best, rest + price)
    return best


@pytest.mark.parametrize("kind", ["line", "bend", "both", "falling"])
def test_lagged_rises_are_least_squares_of_the_stated_formula(kind: str) -> None:
    t, z, w = rise(4, kind, even=kind == "line")
    rng = np.random.default_rng(5)
    lo, hi = 1, 9
    before = np.column_stack(
        [np.zeros(9), 300.0 + 5.0 * rng.normal(size=9), -rng.uniform(0.0, 2.0, 9), rng.uniform(0.5, 4.0, 9)]
    )
    before[3, VAR] = 1e-4
    out = np.full((hi - lo + 1, LAGS_S.size), -1.0)
    lagged_rises(t, z, w, lo, hi, before, out)
    for k in range(lo, hi + 1):
        for j, lag in enumerate(LAGS_S):
            want = lagged_by_hand(t, z, w, k, lag, before[k - lo])
            assert out[k - lo, j] == pytest.approx(want, rel=1e-5, abs=1e-4), (k, lag)


def test_a_lag_is_recognised() -> None:
    """A bend drawn through a gauge that answers in 6 s misfits by 6 s least; by none it misfits far more."""
    t = np.arange(0.0, 60.0, 1.0)
    lag, slope, value = 6.0, -1.0, 300.0
    u = t[10:] - t[10] + 0.5
    e = np.exp(-u / lag)
    z = np.full(60, value)
    # reading v at the isolation, slope s there: pressure is v + L s, and rises by 2 microns a second from then on
    z[10:] = value - slope * 0.5 + lag * slope * (1.0 - e) + 2.0 * (u - lag * (1.0 - e))
    w = np.full(60, 1.0 / 0.25)
    before = np.array([[0.0, value, slope, 0.1]])
    late, plain = np.empty((1, 2)), np.empty((1, N_SIDE))
    lagged_rises(t, z, w, 10, 10, before, late)
    rising_side(t, z, w, 10, 10, 1, plain)
    assert late[0, 1] == pytest.approx(TERM, abs=0.1)
    assert late[0, 0] > 20.0
    # beside it two free saturating parts must be bought to come as near
    assert plain[0, COST] > TERM + 2.0


def test_grids_of_time_constants() -> None:
    """Gauges' lags of seconds; rises from valve and line to hours; shares that fall by about half each."""
    assert LAGS_S.tolist() == [2.5, 6.0]
    assert RISE_TAUS_S.tolist() == [4.0, 15.0, 50.0, 200.0, 800.0]
    assert HEAD_SHARES.tolist() == [0.5, 0.2, 0.08, 0.03]
    assert all(0.3 < b / a < 0.65 for a, b in pairwise(WHOLE_SHARES))
    assert WHOLE_SHARES[0] == 0.7
    assert math.prod(WHOLE_SHARES) == pytest.approx(0.7 * 0.4 * 0.2 * 0.12 * 0.07 * 0.04 * 0.022 * 0.012 * 0.006)
