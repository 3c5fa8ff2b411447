"""One shape's share of the posterior against brute-force quadrature over both parts of the rise. Tag: CALC."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import plain
from scipy.optimize import minimize
from scipy.stats import norm

from blankoff.evacuation.hold_posterior import (
    BEND,
    EVENING_LEAST,
    EVENING_SHARE,
    KEEP_LN,
    MATERIAL,
    ORDINARY,
    PAIR,
    QUICK,
    QUICK_SHARE,
    QUICK_SLOW,
    SLOW,
    STRAY,
    SUMS,
    WET,
    WET_SHARE,
    accumulate,
    best_parts,
    falling_edge,
    ln_tail,
    prior_bend,
)
from blankoff.evacuation.hold_prior import SPLIT, RisePrior, split_table

Array = NDArray[np.float64]

PRIOR = RisePrior()
BELIEF = PRIOR.vector(50.0)


def test_places_of_the_belief() -> None:
    want = {
        BEND: PRIOR.bend_scale_micron, PAIR: PRIOR.pair_share, SLOW: PRIOR.slow_of_ordinary(), STRAY: PRIOR.stray_share,
        QUICK_SHARE: PRIOR.quick_share, QUICK_SLOW: PRIOR.slow_of_quick(), WET_SHARE: PRIOR.wet_share, MATERIAL: 50.0,
        EVENING_LEAST: PRIOR.evening_least_micron, EVENING_SHARE: PRIOR.evening_share,
    }  # fmt: skip
    assert [BELIEF[k] for k in want] == list(want.values())
    assert sorted(want) == list(range(BELIEF.size))


@pytest.mark.parametrize("z", [-30.0, -3.0, 0.0, 1.5, 7.9, 8.0, 9.0, 30.0])
def test_logarithm_of_the_normal_tail(z: float) -> None:
    assert ln_tail(z) == pytest.approx(norm.logsf(z), rel=1e-9 if z < 8.0 else 2e-5)
    if z < 8.0:
        assert ln_tail(z) == pytest.approx(math.log(1.0 - NormalDist().cdf(z)), abs=1e-9 if z < 5.0 else 10.0)


def test_far_out_the_tail_is_its_series_to_the_second_term() -> None:
    """ln of (1 - 1/z^2 + 3/z^4 - ...) is -1/z^2 + 5/2 / z^4 - ...: what is left out is told, and all that is kept is seen."""
    for z in (8.0, 12.0, 20.0):
        assert (norm.logsf(z) - ln_tail(z)) * z**4 == pytest.approx(2.5, abs=12.5 / z**2)


def gain(c: float, ell: float, terms: tuple[float, ...]) -> float:
    gss, gsl, gsy, gll, gly = terms
    return c * gsy + ell * gly - 0.5 * (c * c * gss + 2.0 * c * ell * gsl + ell * ell * gll)


@pytest.mark.parametrize("seed", range(16))
def test_best_parts_are_the_bounded_least_squares(seed: int) -> None:
    rng = np.random.default_rng(seed)
    half = rng.normal(size=(4, 2))
    g = half.T @ half
    gsy, gly = rng.normal(size=2) * 3.0
    terms = (g[0, 0], g[0, 1], gsy, g[1, 1], gly)
    top = float(rng.uniform(0.1, 3.0))
    c, ell, best = best_parts(*terms, top)
    found = minimize(lambda x: -gain(x[0], x[1], terms), [0.1, 0.1], bounds=[(0.0, top), (0.0, None)], tol=1e-14)
    assert best == pytest.approx(-found.fun, abs=1e-6)
    assert best == pytest.approx(gain(c, ell, terms), abs=1e-9)
    assert 0.0 <= c <= top
    assert ell >= 0.0


def test_best_parts_of_two_shapes_that_are_one() -> None:
    """No telling them apart: the better of either alone."""
    assert best_parts(4.0, 2.0, 8.0, 1.0, 4.0, 1e9) == pytest.approx((0.0, 4.0, 8.0))
    assert best_parts(4.0, 2.0, 9.0, 1.0, 4.0, 1e9) == pytest.approx((2.25, 0.0, 10.125))
    assert best_parts(4.0, 2.0, -8.0, 1.0, -4.0, 1e9) == (0.0, 0.0, 0.0)


def bend_density(state: int, c: Array, share: float, slow_scale: float, full: float, saturation: float) -> Array:
    """Density of the saturating part as the prior's docstring has it."""
    if state == WET:
        # near saturation, 0.95 give or take 0.1, or anywhere up to 1.12 of it
        x = c * full / saturation
        return (0.6 * norm.pdf(x, 0.95, 0.1) + 0.4 / 1.12) * full / saturation
    slow = share * c
    quick = (1.0 - PRIOR.stray_share) * np.exp(-slow / slow_scale) / slow_scale
    heavy = PRIOR.stray_share * 300.0 / (300.0 + slow) ** 2
    return (quick + heavy) * ((PRIOR.bend_scale_micron + slow) / (PRIOR.bend_scale_micron + c)) ** 2


@pytest.mark.parametrize("state", [ORDINARY, QUICK, WET])
@pytest.mark.parametrize("c", [0.0, 12.0, 150.0, 2500.0])
def test_prior_of_the_saturating_part_and_its_slope(state: int, c: float) -> None:
    share, slow_scale, full, saturation = 0.7, 90.0, 1.6, 5000.0
    ln, slope = prior_bend(state, c, share, slow_scale, full, saturation, BELIEF)
    at = lambda x: math.log(bend_density(state, np.array(x), share, slow_scale, full, saturation))  # noqa: E731
    assert ln == pytest.approx(at(c), abs=2e-4)
    assert slope == pytest.approx((at(c + 1e-4) - at(c - 1e-4)) / 2e-4, rel=1e-4, abs=1e-9)


def test_no_water_beyond_what_saturation_allows() -> None:
    assert prior_bend(WET, 5601.0, 1.0, 1.0, 1.0, 5000.0, BELIEF) == (-50.0, 0.0)
    assert prior_bend(WET, 5599.0, 1.0, 1.0, 1.0, 5000.0, BELIEF)[0] > -20.0


TABLES = {state: split_table(PRIOR, 10.0, 50.0, s) for state, s in ((ORDINARY, 80.0), (QUICK, 15.0), (WET, 40.0))}


def sums_of(
    state: int,
    terms: tuple[float, float, float, float, float],
    top: float,
    full: float = 1.3,
    base: float = -2.0,
    share: float = 0.7,
    slow_scale: float = 120.0,
    extra: float = 0.0,
    saturation: float = 16_000.0,
    tau: float = 150.0,
    start: Array | None = None,
) -> Array:
    sums = np.zeros(SUMS) if start is None else start.copy()
    table = TABLES[state]
    plain(accumulate)(
        sums, state, *terms, top, full, base, share, slow_scale, extra, saturation, math.log(tau), table.values,
        table.scale, table.step, BELIEF,
    )  # fmt: skip
    return sums


def quadrature(
    state: int,
    terms: tuple[float, float, float, float, float],
    top: float,
    full: float = 1.3,
    base: float = -2.0,
    share: float = 0.7,
    slow_scale: float = 120.0,
    extra: float = 0.0,
    saturation: float = 16_000.0,
    tau: float = 150.0,
) -> Array:
    """The same sums on a fine grid of both parts."""
    gss, gsl, gsy, gll, gly = terms
    table = TABLES[state]
    sd_l = 1.0 / math.sqrt(max(gll - gsl * gsl / gss, 1e-12 * gll))
    sd_c = 1.0 / math.sqrt(max(gss - gsl * gsl / gll, 1e-12 * gss))
    c0, l0, _ = best_parts(*terms, top)
    ell = np.linspace(max(0.0, l0 - 8.0 * sd_l), l0 + 8.0 * sd_l, 500)
    c = np.linspace(max(0.0, c0 - 8.0 * sd_c), min(top, c0 + 8.0 * sd_c), 501)
    like = c[:, None] * gsy + ell * gly - 0.5 * (c[:, None] ** 2 * gss + 2.0 * np.outer(c, ell) * gsl + ell**2 * gll)
    x = np.log1p(ell / table.scale) / table.step
    nodes = np.arange(table.values.shape[0])
    cols = np.column_stack([np.interp(x, nodes, v) for v in table.values.T])
    w = np.exp(like + base + cols[:, 0]) * bend_density(state, c, share, slow_scale, full, saturation)[:, None]
    w *= (c[1] - c[0]) * (ell[1] - ell[0])
    w[[0, -1]] *= 0.5
    w[:, [0, -1]] *= 0.5
    leak, leak2 = cols[:, 2], cols[:, 3]
    slow = np.maximum(ell - leak, 0.0)
    saturating = c[:, None] + extra + slow
    above = np.tile(cols[:, -1], (c.size, 1))
    for d in range(5):
        above += (c[:, None] + extra >= 50.0 * (1.0 - (d + 0.5) / 5.0)) * cols[:, SPLIT + d]
    # by state: without a leak all that is straight is slow
    tight = np.tile(cols[:, 6], (c.size, 1))
    tight_moist = tight * (c[:, None] + extra + ell >= 50.0)
    leak_moist = w * above
    above = above + tight_moist
    by_state = np.zeros(15)
    by_state[5 * state : 5 * state + 5] = (
        (w * tight).sum(), (w * (1.0 - tight)).sum(), (w * cols[:, 1]).sum(), (w * tight_moist).sum(), leak_moist.sum(),
    )  # fmt: skip
    spread = np.maximum(leak2 - leak**2, 0.0)
    ln_tau = math.log(tau)
    return np.array(
        [
            w.sum(), (w * leak).sum(), (w * leak2).sum(), (w * saturating).sum(), (w * (saturating**2 + spread)).sum(),
            (w * ell).sum(), (w * ell**2).sum(), (w * cols[:, 1]).sum(), (w * above).sum(),
            (w * c[:, None]).sum() * ln_tau, (w * c[:, None]).sum(), (w * cols[:, 4]).sum(), (w * cols[:, 5]).sum(), *by_state,
        ]
    )  # fmt: skip


def likelihood(c: float, ell: float, sd_c: float, sd_l: float, rho: float) -> tuple[float, float, float, float, float]:
    """Gram entries of a likelihood about (c, ell) whose parts are known to `sd_c`, `sd_l` with correlation `rho`."""
    g = np.linalg.inv([[sd_c**2, rho * sd_c * sd_l], [rho * sd_c * sd_l, sd_l**2]])
    right = g @ [c, ell]
    return float(g[0, 0]), float(g[0, 1]), float(right[0]), float(g[1, 1]), float(right[1])


def deep_in(terms: tuple[float, ...], top: float) -> float:
    """Offset that brings the best fit's gain to nothing, as the fit's does."""
    return -best_parts(*terms, top)[2]  # type: ignore[arg-type]


@pytest.mark.parametrize("state", [ORDINARY, QUICK, WET])
@pytest.mark.parametrize(
    ("c", "ell", "sd_c", "sd_l", "rho", "within"),
    [
        (90.0, 400.0, 8.0, 10.0, 0.0, 0.02),
        (90.0, 400.0, 8.0, 10.0, -0.8, 0.02),
        (20.0, 60.0, 8.0, 10.0, -0.6, 0.03),
        (-12.0, 200.0, 8.0, 10.0, -0.5, 0.03),
        (5.0, 800.0, 20.0, 30.0, -0.9, 0.08),
        # a straight part of nothing: nine nodes are coarse beside a prior that falls within microns, and make too much of it
        (60.0, 15.0, 15.0, 20.0, -0.7, 0.45),
        (40.0, -15.0, 8.0, 10.0, -0.5, 0.55),
    ],
)
def test_sums_are_those_of_quadrature(
    state: int, c: float, ell: float, sd_c: float, sd_l: float, rho: float, within: float
) -> None:
    """Within 2 - 8 %, as the prior of the saturating part bends more or less over what the data leave open."""
    terms = likelihood(c, ell, sd_c, sd_l, rho)
    base = deep_in(terms, 15_000.0) - 1.0
    got = sums_of(state, terms, 15_000.0, base=base, extra=50.0 if state == WET else 0.0)
    want = quadrature(state, terms, 15_000.0, base=base, extra=50.0 if state == WET else 0.0)
    np.testing.assert_allclose(got, want, rtol=within, atol=1e-3 * want[0])


def test_spread_of_a_saturating_part_cut_off_at_nothing() -> None:
    """A likelihood about minus 6 microns, 8 wide, the straight part well known: mean and spread of what is left of it."""
    terms = likelihood(-6.0, 400.0, 8.0, 1.0, 0.0)
    base = deep_in(terms, 15_000.0)
    got = sums_of(QUICK, terms, 15_000.0, base=base)
    c = np.linspace(0.0, 80.0, 20_001)
    w = norm.pdf(c, -6.0, 8.0) * bend_density(QUICK, c, 0.7, 120.0, 1.3, 16_000.0)
    mean = (w * c).sum() / w.sum()
    var = (w * (c - mean) ** 2).sum() / w.sum()
    assert got[10] / got[0] == pytest.approx(mean, rel=5e-3)
    # beside what slow outgassing adds, which is nearly nothing of 400 microns of a leak
    table = TABLES[QUICK]
    x = math.log1p(400.0 / table.scale) / table.step
    leak, leak2 = (float(np.interp(x, np.arange(220), table.values[:, k])) for k in (2, 3))
    spread = got[4] / got[0] - (got[3] / got[0]) ** 2
    assert spread == pytest.approx(var + max(leak2 - leak * leak, 0.0), rel=0.1)


def test_sums_add_to_what_is_there_and_scale_with_the_prior() -> None:
    terms = likelihood(90.0, 400.0, 8.0, 10.0, -0.5)
    base = deep_in(terms, 15_000.0)
    one = sums_of(ORDINARY, terms, 15_000.0, base=base)
    np.testing.assert_allclose(sums_of(ORDINARY, terms, 15_000.0, base=base, start=one), 2.0 * one)
    np.testing.assert_allclose(sums_of(ORDINARY, terms, 15_000.0, base=base - 1.0), math.exp(-1.0) * one, rtol=1e-2)
    # alone it counts, however poor the fit beside a better one that its prior rules out
    assert sums_of(ORDINARY, terms, 15_000.0, base=base - 60.0)[0] > 0.0
    # what is hopeless beside what has been summed up already is not counted
    edge = math.log(one[0]) - KEEP_LN
    np.testing.assert_array_equal(sums_of(ORDINARY, terms, 15_000.0, base=base + edge - 0.1, start=one), one)
    assert sums_of(ORDINARY, terms, 15_000.0, base=base + edge + 5.0, start=one)[0] > one[0]
    huge = np.full(SUMS, 1e9)
    np.testing.assert_array_equal(sums_of(ORDINARY, terms, 15_000.0, base=base, start=huge), huge)


def test_saturation_bounds_the_saturating_part() -> None:
    """The data want 90 microns, water at the ambient makes 60: the rest of the rise has to be straight."""
    terms = likelihood(90.0, 100.0, 12.0, 15.0, -0.9)
    top = 60.0
    base = deep_in(terms, top)
    got = sums_of(QUICK, terms, top, base=base)
    want = quadrature(QUICK, terms, top, base=base)
    np.testing.assert_allclose(got, want, rtol=0.08)
    assert got[10] / got[0] <= top
    assert got[5] / got[0] > 105.0


@pytest.mark.parametrize("state", [ORDINARY, QUICK])
def test_moisture_where_the_data_speak_against_any_saturating_part(state: int) -> None:
    """A likelihood about minus 60 microns, 8 wide: what is left of it at 0 falls off within a micron, and slow pools decide."""
    terms = likelihood(-60.0, 400.0, 8.0, 10.0, 0.0)
    base = deep_in(terms, 15_000.0)
    got, want = (f(state, terms, 15_000.0, base=base) for f in (sums_of, quadrature))
    np.testing.assert_allclose(got[:9], want[:9], rtol=0.03)
    # the tail beyond eight deviations is taken from a series: the mean is right to a twentieth of a micron
    assert got[10] / got[0] == pytest.approx(want[10] / want[0], abs=0.05)
    assert 0.0 < got[8] / got[0] < 0.5


@pytest.mark.parametrize("scale", [1.0, 4.0, 20.0, 500.0])
def test_first_node_of_a_prior_that_falls_as_an_exponential(scale: float) -> None:
    """With half of the next node it makes the integral over the first interval, however wide; half a width where nothing falls."""
    nodes = 10.0 * np.expm1(0.06 * np.arange(220))
    table = (-nodes / scale)[:, None]
    width = 14.0
    first = plain(falling_edge)(table, width, 10.0, 0.06)
    assert first + 0.5 * math.exp(-width / scale) == pytest.approx(
        scale * -math.expm1(-width / scale) / width, rel=5e-3
    )
    assert plain(falling_edge)(np.zeros((220, 1)), width, 10.0, 0.06) == 0.5
    assert plain(falling_edge)((nodes / scale)[:, None], width, 10.0, 0.06) == 0.5
