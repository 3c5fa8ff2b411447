"""Holds of many logs: which readings, drift, anchor and bounds the fit of each is given. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.hold import (
    CHOKED_SHARE,
    COLUMNS,
    HoldFits,
    _anchor,
    _last_pumped,
    fit_holds,
    rise_prior,
)
from blankoff.evacuation.hold_fit import OUT, fit_blocks
from blankoff.evacuation.hold_prior import split_table
from blankoff.evacuation.hold_wet import wet_shapes
from blankoff.evacuation.noise import BLOCKS, block_means
from blankoff.physics.saturation import saturation_pressure_micron
from blankoff.settings import Judging

WET_SHAPES = wet_shapes()

Array = NDArray[np.float64]
NAN = float("nan")
ATMOSPHERE = 760_000.0


def log(
    seed: int = 1, leak: float = 12.0, bend: float = 60.0, every: float = 10.0, end: float = 700.0
) -> tuple[Array, Array]:
    """Ten readings of a pull, then a hold from 100 s on."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, end + 100.0, every)
    u = np.maximum(t - 100.0, 0.0)
    p = 300.0 + np.where(t < 100.0, 0.5 * (100.0 - t), 0.0) + leak * u / 60.0 + bend * (1.0 - np.exp(-u / 150.0))
    return t, p * (1.0 + 0.002 * rng.normal(size=t.size))


def anchored(t: Array, p: Array, start: float, n: int = 3) -> tuple[int, Array, Array, Array]:
    bt, bp, bv = np.array([5.0, 9.0, 20.0, 0.0, 0.0]), np.array([310.0, 320.0, 330.0, 0.0, 0.0]), np.full(5, 4.0)
    got = _anchor(t, p, start, n, bt, bp, bv)
    return int(got), bt[:got], bp[:got], bv[:got]


def test_last_pumped_pressure_goes_before_the_blocks() -> None:
    """Known to 10 microns, 3 per cent, and twice by what it still fell from the reading before."""
    t = np.array([0.0, 10.0, 20.0, 30.0, 40.0])
    p = np.array([400.0, 330.0, 305.0, 301.0, 350.0])
    n, bt, bp, bv = anchored(t, p, 35.0)
    assert n == 4
    assert bt.tolist() == [0.0, 5.0, 9.0, 20.0]
    assert bp.tolist() == [301.0, 310.0, 320.0, 330.0]
    assert bv == pytest.approx([(10.0 + 0.03 * 301.0 + 2.0 * 4.0) ** 2, 4.0, 4.0, 4.0])
    # a reading at the very moment counts as pumped
    assert anchored(t, p, 30.0)[2][0] == 301.0
    # blanks are passed over
    blank = p.copy()
    blank[3] = NAN
    assert anchored(t, blank, 35.0)[2][0] == 305.0
    # without one before it, by a tenth of it
    alone = np.array([NAN, NAN, NAN, 301.0, 350.0])
    assert anchored(t, alone, 35.0)[3][0] == pytest.approx((10.0 + 0.03 * 301.0 + 0.2 * 301.0) ** 2)


def test_nothing_goes_before_the_blocks_where_the_last_reading_is_too_old() -> None:
    """Twenty seconds at most, of both readings."""
    t = np.array([0.0, 10.0, 20.0, 30.0])
    p = np.array([400.0, 330.0, 305.0, 301.0])
    assert anchored(t, p, 50.0)[0] == 3
    assert anchored(t, p, 49.9)[0] == 4
    # the one before is too old: a tenth
    n, _, _, bv = anchored(t, p, 45.0)
    assert n == 4
    assert bv[0] == pytest.approx((10.0 + 0.03 * 301.0 + 2.0 * 0.1 * 301.0) ** 2)
    assert anchored(t, np.full(4, NAN), 35.0)[0] == 3
    assert anchored(t, p, 35.0, n=0)[0] == 0
    assert anchored(t, p, -1.0)[0] == 3


def test_lowest_of_the_last_five_readings_is_the_last_pumped_pressure() -> None:
    """Wanted only where the hold's own readings begin twenty seconds after the isolation, or later."""
    t = 10.0 * np.arange(9.0)
    p = np.array([200.0, 250.0, 320.0, 310.0, NAN, 305.0, 306.0, 304.0, 400.0])
    assert _last_pumped(t, p, 75.0, 20.0) == 304.0
    assert _last_pumped(t, p, 70.0, 300.0) == 304.0
    assert _last_pumped(t, p, 69.0, 300.0) == 250.0
    assert math.isnan(_last_pumped(t, p, 75.0, 19.9))
    assert math.isnan(_last_pumped(t, p, -1.0, 300.0))
    assert math.isnan(_last_pumped(t, np.full(9, NAN), 75.0, 300.0))


@pytest.mark.parametrize("bend", [15.0, 60.0])
def test_a_hold_whose_first_minutes_are_missing_begins_where_the_pump_left_it(bend: float) -> None:
    """CALC: 100 microns when the log went silent, three minutes before the isolation; read again five minutes after it."""
    rng = np.random.default_rng(4)
    t = np.concatenate([np.arange(0.0, 200.0, 5.0), np.arange(700.0, 1400.0, 5.0)])
    p = 100.0 + bend * (1.0 - np.exp(-np.maximum(t - 400.0, 0.0) / 240.0))
    p *= 1.0 + 0.01 * rng.normal(size=t.size)
    got = fits(t, p, start=400.0, end=1400.0)
    assert got["p0_micron"][0] == pytest.approx(100.0, rel=0.1)
    within = bend * (1.0 - math.exp(-600.0 / 240.0))
    assert got["saturating_micron"][0] == pytest.approx(within, abs=10.0)
    # what is read of the hold alone leaves its beginning open
    alone = fits(t[t > 400.0], p[t > 400.0], start=400.0, end=1400.0)
    assert alone["saturating_se"][0] > 3.0 * got["saturating_se"][0]
    assert alone["saturating_micron"][0] > within + 20.0


def fits(
    t: Array,
    p: Array,
    start: float = 100.0,
    end: float = 700.0,
    required: float = 10.0,
    ambient: float = 20.0,
    logged: Array | None = None,
    top: Array | None = None,
    judging: Judging | None = None,
    atmosphere: float = ATMOSPHERE,
) -> HoldFits:
    one = lambda x: np.array([float(x)])  # noqa: E731
    return fit_holds(
        np.array([0, t.size]), t, p, np.full(t.size, NAN) if logged is None else logged, one(start), one(end),
        one(required), one(ambient), one(atmosphere), judging or Judging(), top,
    )  # fmt: skip


def by_hand(
    t: Array,
    p: Array,
    start: float = 100.0,
    end: float = 700.0,
    required: float = 10.0,
    ambient: float = 20.0,
    warming: object = None,
    ceiling: float = CHOKED_SHARE * ATMOSPHERE,
    halves: float = 0.0,
) -> Array:
    """Blocks, anchor, drift and tables of one hold, handed to the fit."""
    judging = Judging()
    prior = rise_prior(judging)
    bt, bp, bv = np.empty(BLOCKS + 1), np.empty(BLOCKS + 1), np.empty(BLOCKS + 1)
    n = block_means(t, p, start, end, ceiling, bt, bp, bv)[0]
    n = _anchor(t, p, start, n, bt, bp, bv)
    pumped = _last_pumped(t, p, start, bt[0])
    # unknown drift is allowed for as 0.3 K in ten minutes at 293 K
    drift = 0.3 / 600.0 * bt / 293.15 if warming is None else np.array([warming(s) for s in bt[:n]])  # type: ignore[operator]
    high = float(saturation_pressure_micron(30.0 if math.isnan(ambient) else ambient))
    tables = [
        split_table(prior, required, judging.material_rise_micron, s / 2.0**halves)
        for s in (prior.slow_of_ordinary(), prior.slow_of_quick(), prior.slow_scale_micron)
    ]
    out = np.empty(OUT)
    # a drift of saturated vapour is some 18 times that of a gas
    drift_sd = 1.0 + 17.0 * min(1.0, bp[n - 1] / high)
    fit_blocks(
        bt, bp, bv, drift, n, 60.0 * required, max(high - bp[0], 1.0), drift_sd, pumped, np.stack([x.values for x in tables]),
        tables[0].scale, tables[0].step, WET_SHAPES, prior.vector(judging.material_rise_micron), out,
    )  # fmt: skip
    return out


def same(got: HoldFits, want: Array) -> None:
    np.testing.assert_allclose(got.values[0, :OUT], want, rtol=1e-9)


def test_a_hold_is_handed_over_with_its_blocks_anchor_and_drift() -> None:
    t, p = log()
    got = fits(t, p)
    same(got, by_hand(t, p))
    bt, bp, bv = np.empty(BLOCKS), np.empty(BLOCKS), np.empty(BLOCKS)
    n, noise, used, last = block_means(t, p, 100.0, 700.0, 342_000.0, bt, bp, bv)
    assert got["noise"][0] == noise
    assert got["used"][0] == used
    assert got["last_s"][0] == last
    assert got["blocks"][0] == n + 1
    assert got.values.shape == (1, len(COLUMNS)) == (1, OUT + 4)
    for place, name in enumerate(COLUMNS):
        np.testing.assert_array_equal(got[name], got.values[:, place])


@pytest.mark.parametrize(("end", "halves"), [(700.0, 0.0), (940.0, 0.0), (960.0, 0.5), (1310.0, 1.0)])
def test_what_stood_longer_and_did_not_bend_is_slower(end: float, halves: float) -> None:
    """By half octaves: 1.4 times the required hold, twice it; less is left for slow outgassing."""
    t, p = log(end=1300.0)
    same(fits(t, p, end=end), by_hand(t, p, end=end, halves=halves))


def test_longest_time_that_counts_is_eight_holds() -> None:
    t, p = log(end=1300.0)
    same(fits(t, p, end=1300.0, required=1.0), by_hand(t, p, end=1300.0, required=1.0, halves=3.0))


def test_ambient_that_was_logged_is_the_drift() -> None:
    t, p = log()
    logged = 20.0 + 0.002 * (t - 100.0)
    # at each block's moment the next reading's, as a fraction of absolute temperature
    first = 20.0 + 0.0

    def warming(s: float) -> float:
        later = t[np.searchsorted(t - 100.0, s)]
        x = 20.0 + 0.002 * (later - 100.0)
        return (x - first) / (x + 273.15)

    same(fits(t, p, logged=logged), by_hand(t, p, warming=warming))
    # an ambient that never moves says no more than none; one that is not there from the start is filled up
    same(fits(t, p, logged=np.full(t.size, 21.0)), by_hand(t, p))
    holes = logged.copy()
    holes[25:40] = NAN
    last = [0.0]

    def kept(s: float) -> float:
        k = int(np.searchsorted(t - 100.0, s))
        if math.isfinite(holes[k]):
            last[0] = warming(t[k] - 100.0)
        return last[0]

    same(fits(t, p, logged=holes), by_hand(t, p, warming=kept))
    # known only from some moment on: none before, and counted from there
    late = logged.copy()
    late[:15] = NAN

    def since(s: float) -> float:
        later = t[np.searchsorted(t - 100.0, s)]
        return 0.002 * (later - 150.0) / (20.0 + 0.002 * (later - 100.0) + 273.15) if later >= 150.0 else 0.0

    same(fits(t, p, logged=late), by_hand(t, p, warming=since))


def test_bounds_by_ambient_atmosphere_and_the_gauges_range() -> None:
    t, p = log(leak=200.0)
    same(fits(t, p, ambient=5.0), by_hand(t, p, ambient=5.0))
    # unknown: as on a warm day
    same(fits(t, p, ambient=NAN), by_hand(t, p, ambient=NAN))
    # a gauge that reads to 1 500 microns: what lies above is left out
    got = fits(t, p, top=np.array([1500.0]))
    same(got, by_hand(t, p, ceiling=1500.0))
    assert got["last_s"][0] < 400.0
    same(fits(t, p, top=np.array([NAN])), by_hand(t, p))
    # a leak is choked below 0.45 of the atmosphere
    same(fits(t, p, atmosphere=4000.0), by_hand(t, p, ceiling=1800.0))
    assert CHOKED_SHARE == 0.45
    # ambients beyond any weather are taken at the ends
    same(fits(t, p, ambient=95.0), by_hand(t, p, ambient=80.0))


def test_too_little_of_a_hold_gives_no_fit() -> None:
    t, p = log()
    for start, end in ((NAN, NAN), (100.0, 100.0), (200.0, 100.0), (100.0, NAN)):
        assert np.isnan(fits(t, p, start, end).values).all()
    # five blocks and twenty seconds are wanted: readings at 10, 20 ... s after it, and the one before
    short = fits(t, p, end=141.0)
    assert short["blocks"][0] == 5.0
    assert math.isfinite(short["leak_micron"][0])
    assert math.isnan(fits(t, p, end=131.0)["leak_micron"][0])
    assert fits(t, p, end=131.0)["blocks"][0] == 4.0
    quick_t, quick_p = log(every=3.0)
    assert math.isnan(fits(quick_t, quick_p, end=119.0)["leak_micron"][0])
    assert fits(quick_t, quick_p, end=119.0)["blocks"][0] > 5.0
    assert math.isfinite(fits(quick_t, quick_p, end=121.0)["leak_micron"][0])


def test_slow_outgassing_of_the_settings_is_the_priors_scale() -> None:
    assert rise_prior(Judging(slow_outgassing_micron=25.0)).slow_scale_micron == 25.0
    assert rise_prior(Judging(slow_outgassing_micron=0.0)).slow_scale_micron == 0.5


def test_logs_are_fitted_each_for_itself() -> None:
    logs = [log(seed=s, leak=leak) for s, leak in ((1, 12.0), (2, 60.0))]
    t, p = (np.concatenate(x) for x in zip(*logs, strict=True))
    n = logs[0][0].size
    got = fit_holds(
        np.array([0, n, 2 * n, 2 * n]), t, p, np.full(2 * n, NAN), np.array([100.0, 100.0, NAN]),
        np.array([700.0, 500.0, NAN]), np.array([10.0, 5.0, 10.0]), np.array([20.0, 30.0, 20.0]), np.full(3, ATMOSPHERE),
        Judging(),
    )  # fmt: skip
    np.testing.assert_allclose(got.values[0], fits(*logs[0]).values[0])
    np.testing.assert_allclose(got.values[1], fits(*logs[1], end=500.0, required=5.0, ambient=30.0).values[0])
    assert np.isnan(got.values[2]).all()
