"""The fitted curve of a hold, in its parts, on holds drawn without noise. Tag: CALC."""

from __future__ import annotations

import numpy as np
import pytest

from blankoff.evacuation.hold_curve import hold_curve
from blankoff.evacuation.noise import BLOCKS, block_means
from blankoff.samples import SampleBatch

T = np.arange(0.0, 801.0, 4.0)


def drawn(pool: float = 80.0, tau: float = 200.0, leak: float = 12.0, step: float = -40.0) -> np.ndarray:
    held = np.maximum(T - 100.0, 0.0)
    p = 300.0 + leak * held / 60.0 + pool * (1.0 - np.exp(-held / tau)) + step * np.exp(-held / 7.0)
    return np.where(T < 100.0, 300.0, p)


def test_parts_of_a_curve_are_those_it_was_drawn_of() -> None:
    p = drawn()
    curve = hold_curve(SampleBatch.of_one("x", T, p), 100.0, 800.0, 12.0)
    assert curve is not None
    assert curve.elapsed_s.size == 121
    np.testing.assert_allclose(curve.elapsed_s, np.linspace(100.0, 800.0, 121))
    held = curve.elapsed_s - 100.0
    np.testing.assert_allclose(curve.steady_micron, 12.0 * held / 60.0)
    np.testing.assert_allclose(curve.saturating_micron, 80.0 * (1.0 - np.exp(-held / 200.0)), atol=1.5)
    assert curve.start_micron == pytest.approx(300.0, abs=1.0)
    want = 300.0 + 12.0 * held / 60.0 + 80.0 * (1.0 - np.exp(-held / 200.0)) - 40.0 * np.exp(-held / 7.0)
    np.testing.assert_allclose(curve.total_micron, want, atol=1.5)
    # blocks as the fit takes them
    t, mean, var = (np.empty(BLOCKS) for _ in range(3))
    n, _, _, _ = block_means(T, p, 100.0, 800.0, 1e9, t, mean, var)
    np.testing.assert_allclose(curve.block_s, 100.0 + t[:n])
    np.testing.assert_allclose(curve.block_micron, mean[:n])
    np.testing.assert_allclose(curve.block_sd_micron, np.sqrt(var[:n]))


def test_slowest_time_constant_is_four_holds() -> None:
    """A pool of 2 800 s, four times the hold, is in the library, so that its curve is met closely."""
    p = drawn(pool=400.0, tau=2800.0, leak=0.0, step=0.0)
    curve = hold_curve(SampleBatch.of_one("x", T, p), 100.0, 800.0, 0.0)
    assert curve is not None
    held = curve.elapsed_s - 100.0
    np.testing.assert_allclose(curve.saturating_micron, 400.0 * (1.0 - np.exp(-held / 2800.0)), atol=0.02)


def test_a_step_down_and_a_start_below_nothing_are_followed_too() -> None:
    p = drawn(pool=0.0, leak=30.0, step=60.0)
    curve = hold_curve(SampleBatch.of_one("x", T, p), 100.0, 800.0, 30.0, points=8)
    assert curve is not None
    assert curve.total_micron.size == 8
    assert curve.start_micron == pytest.approx(300.0, abs=1.0)
    assert curve.total_micron[0] == pytest.approx(360.0, abs=3.0)
    # a steady part judged too large is kept: the curve then starts above where its readings are
    curve = hold_curve(SampleBatch.of_one("x", T, p), 100.0, 800.0, 60.0)
    assert curve is not None
    assert curve.steady_micron[-1] == pytest.approx(60.0 * 700.0 / 60.0)
    assert (curve.saturating_micron >= -1e-9).all()


def test_readings_where_a_leak_is_no_longer_choked_are_left_out() -> None:
    """0.45 of 760 000 microns is 342 000; at 5 000 m, where it is 405 000, 182 000."""
    p = 300.0 + 500.0 * T
    for altitude, last_micron in ((0.0, 342_000.0), (5000.0, 182_300.0)):
        curve = hold_curve(SampleBatch.of_one("x", T, p), 0.0, 800.0, 30_000.0, altitude_m=altitude)
        assert curve is not None
        assert curve.elapsed_s[-1] == pytest.approx((last_micron - 300.0) / 500.0, abs=6.0)


def test_no_curve_of_three_readings_and_none_of_two_logs() -> None:
    p = drawn()
    one = SampleBatch.of_one("x", T, p)
    assert hold_curve(one, 100.0, 112.0, 1.0) is None
    assert hold_curve(one, 100.0, 116.0, 1.0) is not None
    with pytest.raises(ValueError, match="one log is wanted, 2 were given"):
        hold_curve(SampleBatch.concat([one, one]), 100.0, 800.0, 1.0)


def test_what_a_step_and_a_quick_approach_may_share_is_drawn_as_it_was_judged() -> None:
    """A step of 60 and then hardly a rise, read every 5 s with noise: drawn is what was judged, and it fits the readings."""
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 180.0, 5.0)
    p = np.round(130 + 60 * (1 - np.exp(-t / 6.0)) + 12 * t / 180 + 3.0 * rng.normal(size=t.size))
    log = SampleBatch.of_one("x", t, p)
    for judged, error in ((35.0, 10.0), (15.0, 5.0)):
        curve = hold_curve(log, 0.0, 175.0, 0.3, judged_rise=(judged, error, 15.0))
        assert curve is not None
        assert curve.saturating_micron[-1] <= judged + 1.5 * error
        assert np.median(np.abs(np.interp(t, curve.elapsed_s, curve.total_micron) - p)[2:]) < 4.0
    # where readings tell, the judged rise is not forced on them
    long = np.arange(0.0, 1800.0, 5.0)
    bends = np.round(130 + 100 * (1 - np.exp(-long / 200.0)))
    told = hold_curve(SampleBatch.of_one("x", long, bends), 0.0, 1795.0, 0.0, judged_rise=(60.0, 30.0, 30.0))
    assert told is not None
    assert abs(told.saturating_micron[-1] - 100.0) < 5.0


@pytest.mark.parametrize("first_s", [30.0, 60.0, 120.0])
def test_without_readings_in_its_first_minutes_a_hold_begins_near_its_readings(first_s: float) -> None:
    """Nothing says how large a step was that had settled before the first reading: less than the pressure, if any."""
    rng = np.random.default_rng(5)
    p = drawn(pool=40.0) + rng.normal(0.0, 1.5, T.size)
    seen = (T < 100.0) | (100.0 + first_s <= T)
    curve = hold_curve(SampleBatch.of_one("x", T[seen], p[seen]), 100.0, 800.0, 12.0)
    assert curve is not None
    assert np.all((curve.total_micron > 0.0) & (curve.total_micron < 900.0))
