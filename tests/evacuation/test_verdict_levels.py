"""The robust pressures that a verdict is made on, against plain NumPy over the windows documented. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.verdict import _level_at, hold_pressures

Array = NDArray[np.float64]
NAN = float("nan")


def one(x: float) -> Array:
    return np.array([float(x)])


def plain_level(t: Array, p: Array, at: float, half: float) -> float:
    """A straight line through the readings within `half` of a moment, refitted thrice with outliers clipped.

    Weights as documented by robust regression: 1 within 2.5 robust sigmas (0.5 micron at least), falling as one over the
    distance, nothing beyond six.
    """
    keep = (np.abs(t - at) <= half) & (p > 0.0)
    x, y = t[keep] - at, p[keep]
    if x.size < 4:
        return float(np.median(y)) if x.size else NAN
    w = np.ones(x.size)
    for _ in range(4):
        design = np.column_stack([np.ones(x.size), x]) * np.sqrt(w)[:, None]
        level, slope = np.linalg.lstsq(design, y * np.sqrt(w), rcond=None)[0]
        off = np.abs(y - level - slope * x)
        sigma = max(1.4826 * np.median(off), 0.5)
        w = np.where(off <= 2.5 * sigma, 1.0, 2.5 * sigma / np.maximum(off, 1e-12))
        w[off > 6.0 * sigma] = 0.0
    return float(level)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("size", [0.1, 3.0])
def test_robust_level_is_that_of_a_plain_one(seed: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(1.0, 4.0, 60))
    p = 400.0 + 2.0 * t + size * rng.standard_t(2, t.size)
    p[rng.choice(60, 6, replace=False)] += rng.choice([-40.0, 9.0, 25.0, 200.0], 6)
    p[rng.choice(60, 3, replace=False)] = [np.nan, 0.0, -5.0]
    for at, half in ((t[0], 30.0), (t[30], 20.0), (t[-1], 25.0), (t[20] + 0.3, 3.0)):
        got = _level_at(t, p, 0, 60, at, half)
        assert got == pytest.approx(plain_level(t, p, at, half), rel=1e-9, nan_ok=True)
    # readings outside the bounds handed over are not looked at
    got = _level_at(t, p, 10, 40, t[30], 200.0)
    assert got == pytest.approx(plain_level(t[10:40], p[10:40], t[30], 200.0), rel=1e-9)


def test_robust_level_of_few_readings_and_of_readings_at_once() -> None:
    t = np.array([0.0, 10.0, 20.0, 30.0])
    p = np.array([100.0, 400.0, 200.0, 900.0])
    # exactly at the window's ends counts
    assert _level_at(t, p, 0, 4, 10.0, 10.0) == 200.0
    assert _level_at(t, p, 0, 4, 10.0, 9.0) == 400.0
    assert math.isnan(_level_at(t, p, 0, 4, 4.0, 2.0))
    assert _level_at(t, np.array([0.0, 400.0, 200.0, 900.0]), 0, 4, 10.0, 10.0) == 300.0
    assert math.isnan(_level_at(t, np.full(4, np.nan), 0, 4, 10.0, 50.0))
    # four readings make a line: through 1, 2, 4, 3 (hundreds) at x = -15, -5, 5, 15 it passes 250 in the middle
    assert _level_at(t, np.array([100.0, 200.0, 400.0, 300.0]), 0, 4, 15.0, 15.0) == pytest.approx(250.0)
    assert _level_at(t, 100.0 + 3.0 * t, 0, 4, 0.0, 30.0) == pytest.approx(100.0)
    # no line without extent: the mean
    assert _level_at(np.full(4, 7.0), np.array([10.0, 10.1, 10.1, 10.4]), 0, 4, 7.0, 1.0) == pytest.approx(10.15)
    # a fraction of a micron is a pressure
    assert _level_at(t, np.full(4, 0.5), 0, 4, 10.0, 10.0) == 0.5


def pressures(t: Array, p: Array, start: float, end: float, required: float = 600.0, tolerance: float = 12.0) -> Array:
    out = np.full((1, 6), -1.0)
    hold_pressures(
        np.array([0, t.size]), t, p, one(start), one(end), one(required), one(tolerance), out,
    )  # fmt: skip
    return out[0]


def test_a_hold_of_one_or_two_readings() -> None:
    t = np.array([0.0, 10.0, 20.0, 30.0])
    got = pressures(t, np.array([400.0, 300.0, 310.0, 350.0]), 28.0, 31.0)
    assert got[[0, 2, 3, 4]].tolist() == [350.0] * 4
    got = pressures(t, np.array([400.0, 300.0, 310.0, 350.0]), 15.0, 31.0)
    # half a minute or two readings around any moment: both
    assert got[[0, 2, 3, 4]].tolist() == [330.0] * 4
    # a fraction of a micron is a pressure
    assert pressures(t, np.array([0.8, 0.7, 0.6, 0.5]), 15.0, 31.0)[[0, 5]].tolist() == pytest.approx([0.55, 0.6])


def bent(t: Array) -> Array:
    """A rise that bends: what a window yields depends on where its ends lie."""
    return 300.0 + 0.8 * t - 0.0003 * t * t


@pytest.mark.parametrize(
    ("every", "end", "half"),
    [
        (2.0, 900.0, 20.0),  # twenty seconds on either side
        (5.0, 900.0, 30.0),  # or six readings
        (2.0, 40.0, 10.0),  # or a quarter of a short hold
        (20.0, 100.0, 40.0),  # but two readings
        (0.05, 30.0, 7.5),
        (0.01, 0.5, 0.2),  # readings nearer than a tenth of a second count as that far apart
        (7.0, 21.0, 14.0),
    ],
)
def test_pressures_of_a_hold_are_levels_over_the_windows_documented(every: float, end: float, half: float) -> None:
    rng = np.random.default_rng(4)
    pump = np.arange(-200.0, 0.0, every)
    held = np.arange(0.0, end + every / 4.0, every)
    held[1:-1] += rng.uniform(-0.45, 0.45, held.size - 2) * every
    t = np.concatenate([pump, held]) + 200.0
    p = np.concatenate([np.linspace(900.0, 301.0, pump.size), bent(held)])
    start, last = 200.0, held[-1] + 200.0
    got = pressures(t, p, start, last + every / 3.0)
    inside = t >= start
    hold = lambda at, width: plain_level(t[inside], p[inside], at, width)  # noqa: E731
    assert got[0] == pytest.approx(hold(last, half), rel=1e-9)
    due = min(800.0, last)
    assert got[2] == pytest.approx(hold(due, half), rel=1e-9)
    assert got[1] == pytest.approx(got[2], nan_ok=True) if last >= 788.0 else math.isnan(got[1])
    assert got[4] == pytest.approx(hold(min(260.0, last), max(20.0, 2.0 * every)), rel=1e-9)
    early = min(40.0, max(last - start, 2.0 * every))
    assert got[3] == pytest.approx(hold(start + min(8.0, early), early), rel=1e-9)


def test_readings_further_apart_widen_the_windows_by_just_two_of_them() -> None:
    """Twenty seconds apart on the average: forty seconds on either side of the first minute count, 42 and more do not."""
    t = 100.0 + np.array([0.0, 17.0, 21.0, 40.0, 60.0, 80.0, 101.0, 103.0, 160.0])
    p = bent(t) + 30.0 * np.cos(t)
    got = pressures(t, p, 100.0, 260.0)
    assert got[4] == pytest.approx(plain_level(t, p, 160.0, 40.0), rel=1e-9)
    assert got[4] != pytest.approx(plain_level(t, p, 160.0, 42.5), rel=1e-6)
    # lowest readings are sought up to three of them, a minute, into the hold
    t = np.array([0.0, 20.0, 40.0, 60.0, 80.0, 119.9, 122.0, 140.0, 160.0])
    p = np.array([500.0, 500.0, 500.0, 500.0, 305.0, 310.0, 300.0, 500.0, 500.0])
    assert pressures(t, p, 60.0, 160.0)[5] == 310.0


def test_a_zero_at_the_end_is_no_reading() -> None:
    t = np.arange(0.0, 700.0, 2.0)
    p = bent(t)
    want = pressures(t[:-1], p[:-1], 0.0, 698.0)
    p[-1] = 0.0
    np.testing.assert_array_equal(pressures(t, p, 0.0, 698.0), want)


def test_required_minute_is_known_where_the_hold_stood_so_long() -> None:
    t = np.arange(0.0, 700.0, 2.0)
    p = bent(t)
    assert pressures(t, p, 0.0, 588.0)[1] == pytest.approx(bent(np.array([588.0]))[0], abs=0.5)
    assert math.isnan(pressures(t, p, 0.0, 586.0)[1])
    # over-range at the required minute: not known, and the last reading before counts against the limit
    off = np.where(t > 500.0, np.nan, p)
    got = pressures(t, off, 0.0, 690.0)
    assert math.isnan(got[1])
    assert got[2] == pytest.approx(bent(np.array([500.0]))[0], abs=0.5)
    assert got[0] == pytest.approx(got[2])


def test_second_lowest_reading_up_to_the_isolation_and_just_after() -> None:
    """One low reading may be a slip: the second lowest is kept; readings three intervals into the hold still count."""
    t = np.arange(0.0, 200.0, 2.0)
    p = np.full(t.size, 500.0)
    p[10], p[20], p[30] = 100.0, 210.0, 220.0
    assert pressures(t, p, 100.0, 198.0)[5] == 210.0
    # at 106 s, three intervals after the isolation at 100 s
    p[53] = 150.0
    assert pressures(t, p, 100.0, 198.0)[5] == 150.0
    p[53], p[54] = 500.0, 150.0
    assert pressures(t, p, 100.0, 198.0)[5] == 210.0
    # the lowest twice, and in ascending order
    p[54], p[20] = 500.0, 100.0
    assert pressures(t, p, 100.0, 198.0)[5] == 100.0
    p[10], p[20] = 0.0, np.nan
    assert pressures(t, p, 100.0, 198.0)[5] == 500.0
    p[:51] = np.nan
    p[0] = 321.0
    p[51:] = np.nan
    p[90] = 700.0
    assert math.isnan(pressures(t, p, 100.0, 198.0)[5])


@pytest.mark.parametrize(("start", "end"), [(NAN, NAN), (50.0, NAN), (50.0, 50.0), (60.0, 50.0), (500.0, 600.0)])
def test_no_hold_gives_no_pressures(start: float, end: float) -> None:
    t = np.arange(0.0, 100.0, 2.0)
    assert np.isnan(pressures(t, np.full(50, 300.0), start, end)).all()
    assert np.isnan(pressures(t, np.where(t < 50.0, 300.0, np.nan), 50.0, 98.0)).all()


def test_logs_of_a_batch_do_not_mix() -> None:
    t = np.arange(0.0, 300.0, 3.0)
    logs = [300.0 + 0.2 * t, 5000.0 - 3.0 * t, 800.0 + 0.0 * t]
    out = np.empty((3, 6))
    hold_pressures(
        np.array([0, 100, 200, 300]), np.tile(t, 3), np.concatenate(logs), np.array([30.0, 60.0, NAN]),
        np.array([297.0, 240.0, NAN]), np.full(3, 120.0), np.full(3, 2.4), out,
    )  # fmt: skip
    for i, (start, end) in enumerate(((30.0, 297.0), (60.0, 240.0))):
        np.testing.assert_allclose(out[i], pressures(t, logs[i], start, end, 120.0, 2.4))
    assert np.isnan(out[2]).all()


def test_the_lowest_reading_about_an_isolation_that_lies_in_a_gap() -> None:
    """Nobody saw the pump's last minutes: the first readings of the hold tell where it had come to."""
    t = np.r_[np.arange(0.0, 81.0), np.arange(596.0, 700.0)]
    p = np.r_[np.linspace(18_600.0, 5800.0, 81), np.linspace(216.0, 240.0, 104)]
    assert pressures(t, p, 403.0, 699.0)[5] == pytest.approx(p[82])
