"""The case against a hold, and where a curve bends most suddenly, against NumPy. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.phases_bends import sharpest_bend, smooth_cost, standing_cost

Array = NDArray[np.float64]


def bend_by_hand(t: Array, y: Array, v: Array, first: int, last: int, n: int, least: int, rising: bool) -> int:
    """Slopes over `n` readings on either side, less what the fall had slowed down before, over their standard error."""
    slope = {k: np.polyfit(t[k : k + n] - t[k], y[k : k + n], 1)[0] for k in range(first, last - n + 2)}
    best, at = 4.0, -1
    for k in range(max(first + n, least), last - n + 2):
        after, before = slope[k], slope[k - n]
        error = math.sqrt(
            12.0 / n * (v[k] / (t[k + n - 1] - t[k]) ** 2 + v[k - 1] / (t[k - 1] - t[k - n]) ** 2)
        )  # fmt: skip
        if rising:
            score = (after - max(before, 0.0)) / error if after > 0.0 else 0.0
        else:
            if before >= 0.0 or after < 0.35 * before:
                continue
            slowing = max(before - slope[k - 2 * n], 0.0) if k - 2 * n >= first else 0.0
            score = (after - before - slowing) / error
        if score > best:
            best, at = score, k
    return at


def curve(kind: str, seed: int, noise: float = 0.004, n: int = 60) -> tuple[Array, Array, Array]:
    rng = np.random.default_rng(seed)
    t = 7.0 + np.cumsum(rng.uniform(6.0, 14.0, n))
    u = t - t[0]
    y = {
        "stop": np.where(u < 300.0, -u / 100.0, -3.0),
        "bend": np.where(u < 300.0, -u / 100.0, -3.0 + (u - 300.0) / 400.0),
        "exponential": 0.5 * np.exp(-u / 80.0),
        "rise": np.where(u < 300.0, 0.0, (u - 300.0) / 200.0),
        "rise faster": np.where(u < 300.0, u / 500.0, 0.6 + (u - 300.0) / 100.0),
        "even": -u / 200.0,
    }[kind]
    return t, y + noise * rng.normal(size=n), noise**2 * rng.uniform(0.5, 2.0, n)


@pytest.mark.parametrize("kind", ["stop", "bend", "exponential", "rise", "rise faster", "even"])
@pytest.mark.parametrize(("n", "rising"), [(5, False), (14, False), (4, True)])
@pytest.mark.parametrize("seed", range(3))
def test_sharpest_bend_is_that_of_slopes_fitted_anew(kind: str, n: int, rising: bool, seed: int) -> None:
    t, y, v = curve(kind, seed)
    for first, last, least in ((0, 59, 0), (3, 50, 20), (10, 45, 34)):
        got = sharpest_bend(t, y, v, first, last, n, least, rising)
        assert got == bend_by_hand(t, y, v, first, last, n, least, rising)


def test_a_stop_is_found_where_it_is_and_an_even_fall_has_none() -> None:
    t, y, v = curve("stop", 1)
    at = int(np.flatnonzero(t - t[0] >= 300.0)[0])
    assert abs(sharpest_bend(t, y, v, 0, 59, 5, 0, False) - at) <= 1
    t, y, v = curve("rise", 1)
    assert abs(sharpest_bend(t, y, v, 0, 59, 4, 0, True) - at) <= 1
    t, y, v = curve("even", 1)
    assert sharpest_bend(t, y, v, 0, 59, 5, 0, False) == -1
    # an even rise has no beginning, wherever the look begins
    t, y, v = curve("rise", 2, noise=0.001)
    assert sharpest_bend(t, y, v, 38, 59, 4, 38, True) == -1
    # too few readings for slopes on both sides
    assert sharpest_bend(t, y, v, 0, 8, 5, 0, False) == -1
    # readings all at one moment have no slope
    assert sharpest_bend(np.zeros(60), y, v, 0, 59, 5, 0, False) == -1


def smooth_by_hand(t: Array, y: Array, v: Array, first: int, last: int) -> float:
    """The better of a parabola and of lines that settle with time constants from one and a half spans to 3 s."""
    t, z = t[first : last + 1], np.exp(y[first : last + 1])
    root = 1.0 / (z * np.sqrt(v[first : last + 1]))
    span = t[-1] - t[0]
    u = (t - 0.5 * (t[0] + t[-1])) / span
    shapes = [u * u]
    for k in range(7):
        tau = span / (1.5 * 2.5**k)
        if k >= 2 and span / (1.5 * 2.5 ** (k - 1)) < 3.0:
            break
        shapes.append(np.exp(-(t - t[0]) / max(tau, 3.0)))
    best = math.inf
    for shape in shapes:
        design = np.column_stack([np.ones_like(u), u, shape]) * root[:, None]
        x = np.linalg.lstsq(design, z * root, rcond=None)[0]
        best = min(best, float(((z * root - design @ x) ** 2).sum()))
    return best


@pytest.mark.parametrize("kind", ["stop", "bend", "exponential", "rise"])
@pytest.mark.parametrize(("first", "last"), [(0, 59), (0, 12), (20, 40)])
def test_misfit_of_one_smooth_curve(kind: str, first: int, last: int) -> None:
    t, y, v = curve(kind, 4)
    y = y + math.log(500.0)
    assert smooth_cost(t, y, v, first, last) == pytest.approx(smooth_by_hand(t, y, v, first, last), rel=1e-5)
    short = t[0] + 0.2 * (t - t[0])
    assert smooth_cost(short, y, v, first, last) == pytest.approx(smooth_by_hand(short, y, v, first, last), rel=1e-5)


def test_smooth_curves_cost_nothing_and_three_readings_neither() -> None:
    t = np.arange(0.0, 400.0, 10.0)
    v = np.full(40, 1e-4)
    for z in (500.0 - 0.5 * t + 0.001 * t * t, 300.0 + 200.0 * np.exp(-t / (390.0 / 1.5 / 2.5)), 500.0 + 0.3 * t):
        assert smooth_cost(t, np.log(z), v, 0, 39) == pytest.approx(0.0, abs=1e-4)
    z = np.array([500.0, 300.0, 500.0, 300.0])
    assert smooth_cost(t[:4], np.log(z), v[:4], 0, 2) == 0.0
    assert smooth_cost(t[:4], np.log(z), v[:4], 0, 3) > 100.0


def test_misfit_of_standing_still() -> None:
    rng = np.random.default_rng(6)
    y, v = math.log(400.0) + 0.05 * rng.normal(size=20), rng.uniform(1e-4, 3e-4, 20)
    z = np.exp(y[4:15])
    w = 1.0 / (z * z * v[4:15])
    mean = (w * z).sum() / w.sum()
    assert standing_cost(y, v, 4, 14) == pytest.approx(float((w * (z - mean) ** 2).sum()), rel=1e-8)
    assert standing_cost(np.full(5, 6.0), v[:5], 0, 4) == pytest.approx(0.0, abs=1e-6)
