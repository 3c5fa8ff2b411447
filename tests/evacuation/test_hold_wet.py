"""How free water raises the pressure: shapes by an ODE solver, and their terms in the fit against dense NumPy. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import covariance
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from blankoff.evacuation.hold_gram import (
    COLUMNS,
    DRIFT,
    EVENING,
    EXP,
    LINE,
    NUISANCES,
    ONE,
    STEP,
    Y,
    fill_columns,
    filter_gains,
    gram_matrix,
    whiten_columns,
    with_prior,
)
from blankoff.evacuation.hold_wet import WARMING, wet_shape, wet_shapes
from blankoff.evacuation.hold_wet_fit import WET_LINE, WET_SIZE, WET_SLACK, WET_Y, wet_gram, wet_start, wet_terms
from blankoff.physics.saturation import saturation_pressure_micron

WET_SHAPES = wet_shapes()

Array = NDArray[np.float64]


def saturation(c: float) -> float:
    return float(saturation_pressure_micron(c))


@pytest.mark.parametrize("kind", range(3))
def test_shapes_solve_the_equations_of_evaporation_and_warming(kind: int) -> None:
    """``du/dt = psat(Ta - D exp(-t / w)) / psat(Ta) - u`` from 4 % on, time counted in that of 63 per cent."""
    warm, start = 20.0, 0.04
    slowness = WARMING[kind]
    chill = warm - brentq(lambda c: saturation(c) - start * saturation(warm), -60.0, 20.0) if slowness > 0.0 else 0.0

    def drive(time: float) -> float:
        cold = chill * math.exp(-time / slowness) if slowness > 0.0 else 0.0
        return saturation(warm - cold) / saturation(warm)

    solved = solve_ivp(lambda s, u: drive(s) - u, (0.0, 45.0), [start], rtol=1e-8, atol=1e-10, dense_output=True)
    rise = lambda s: (float(solved.sol(s)[0]) - start) / (1.0 - start)  # noqa: E731
    unit = brentq(lambda s: rise(s) - (1.0 - math.exp(-1.0)), 0.1, 20.0)
    for x in (0.0, 0.11, 0.4, 1.0, 1.7, 3.0, 6.0, 9.99):
        assert wet_shape(WET_SHAPES, kind, x) == pytest.approx(rise(x * unit), abs=2e-3)
    assert wet_shape(WET_SHAPES, kind, 0.0) == pytest.approx(0.0, abs=1e-12)
    assert wet_shape(WET_SHAPES, kind, 1.0) == pytest.approx(1.0 - math.exp(-1.0), abs=2e-4)


def test_table_is_read_by_straight_lines_and_ends_at_one() -> None:
    table = np.zeros((3, 401))
    table[1] = np.arange(401.0)
    for x in (0.0, 0.01, 2.5, 3.33, 9.999):
        assert wet_shape(table, 1, x) == pytest.approx(40.0 * x)
    assert wet_shape(table, 1, 10.0) == 1.0
    assert wet_shape(table, 1, 50.0) == 1.0
    assert WET_SHAPES.shape == (3, 401)
    # water that is not chilled is one exponential
    x = np.linspace(0.0, 9.9, 34)
    np.testing.assert_allclose([wet_shape(WET_SHAPES, 0, v) for v in x], 1.0 - np.exp(-x), atol=2e-4)
    assert WARMING == (0.0, 0.35, 2.0)
    assert not WET_SHAPES.flags.writeable


class Hold:
    """One drawn hold: whitened columns as the fit makes them, and the same by dense algebra."""

    def __init__(self, seed: int = 1, n: int = 24, required_s: float = 600.0, taus: int = 14) -> None:
        rng = np.random.default_rng(seed)
        self.n, self.required_s, self.taus = n, required_s, taus
        self.t = np.sort(rng.uniform(3.0, 800.0, n))
        self.p = 400.0 + 2000.0 * (1.0 - np.exp(-self.t / 200.0)) + 3.0 * rng.normal(size=n)
        self.var = rng.uniform(2.0, 9.0, n)
        self.tau = 3200.0 / 2.0 ** (0.5 * np.arange(taus))
        self.top_rise = 1.0 - np.exp(-required_s / self.tau)
        self.cols = np.zeros((n, COLUMNS))
        fill_columns(self.cols, n, taus, 3200.0, self.t, self.p, 1e-4 * self.t, required_s)
        self.raw_cols = self.cols.copy()
        self.filt, self.gram = np.empty((n, 3)), np.empty((COLUMNS, COLUMNS))
        filter_gains(n, self.t, self.p, self.var, 0.003, 150.0, self.filt)
        whiten_columns(self.cols, n, EXP + taus, self.p, self.filt)
        gram_matrix(self.cols, n, EXP + taus, self.gram)
        self.gram[ONE, ONE] += 1e-12
        for column, mean, sd in ((STEP, 0.0, 150.0), (EVENING, 0.0, 25.0), (DRIFT, 1.0, 2.0)):
            with_prior(self.gram, column, Y, mean, sd)
        self.inverse = np.linalg.inv(covariance(self.t, self.p, self.var, 0.003, 150.0))


POOLS_S = (30.0, 130.0, 550.0)


def family(hold: Hold, slack: float) -> tuple[Array, Array, list[int], float]:
    """Gram matrix of the wet family before projection, its nuisance part's prior, and the log evidence of the spread."""
    nearest = [int(np.abs(np.log(hold.tau / s)).argmin()) for s in POOLS_S]
    columns = [hold.raw_cols[:, k] for k in (ONE, STEP, EVENING, DRIFT)]
    columns += [hold.raw_cols[:, EXP + k] / hold.top_rise[k] for k in nearest]
    columns += [hold.raw_cols[:, LINE]] * 2 + [hold.raw_cols[:, Y]]
    x = np.column_stack(columns)
    gram = x.T @ hold.inverse @ x
    gram[0, 0] += 1e-12
    priors = [(1, 0.0, 150.0), (2, 0.0, 25.0), (3, 1.0, 2.0), (7, 0.0, slack), *((4 + s, 25.0, 40.0) for s in range(3))]
    for k, mean, sd in priors:
        row = np.zeros(10)
        row[k], row[9] = 1.0 / sd, mean / sd
        gram += np.outer(row, row)
    return gram, x, nearest, 0.0


def test_projected_family_is_the_schur_complement_of_the_dense_one() -> None:
    hold = Hold()
    slack = WET_SLACK * 1500.0
    want, _, nearest, _ = family(hold, slack)
    small, rows = np.full((WET_SIZE, WET_SIZE), 7.0), np.full((WET_SIZE, WET_SIZE), 7.0)
    pools = np.zeros(3, dtype=np.int64)
    got = wet_gram(hold.gram, hold.tau, hold.taus, hold.top_rise, pools, slack, small, rows)
    assert pools.tolist() == nearest
    assert (WET_LINE, WET_Y, WET_SIZE) == (NUISANCES + 4, NUISANCES + 5, NUISANCES + 6) == (8, 9, 10)
    a, b, d = want[:8, :8], want[:8, 8:], want[8:, 8:]
    np.testing.assert_allclose(small[8:, 8:], d - b.T @ np.linalg.solve(a, b), rtol=1e-6)
    # spread of pools and slack: their posterior over their prior, one after the other
    ln = 0.0
    for k, sd in ((4, 40.0), (5, 40.0), (6, 40.0), (7, slack)):
        before = want[:k, :k]
        pivot = want[k, k] - want[k, :k] @ np.linalg.solve(before, want[:k, k])
        ln -= 0.5 * math.log(pivot * sd * sd)
    assert got == pytest.approx(ln, rel=1e-6)


def test_pools_are_three_different_ones() -> None:
    """A library that has few time constants near them still gives three, the slower ones further on."""
    hold = Hold(taus=14)
    tau = np.array([900.0, 600.0, 500.0, 100.0, 31.0, 10.0] + [1.0] * 8)
    small, rows, pools = np.empty((WET_SIZE, WET_SIZE)), np.empty((WET_SIZE, WET_SIZE)), np.zeros(3, dtype=np.int64)
    wet_gram(hold.gram, tau, 6, hold.top_rise, pools, 60.0, small, rows)
    # of 600 and 500 s the first is nearer to 550 on a scale of ratios
    assert pools.tolist() == [4, 3, 1]
    crowded = np.array([3000.0, 2000.0, 1000.0])
    wet_gram(hold.gram, crowded, 3, hold.top_rise, pools, 60.0, small, rows)
    assert pools.tolist() == [2, 1, 0]


@pytest.mark.parametrize("kind", range(3))
@pytest.mark.parametrize("tau", [60.0, 400.0])
def test_terms_of_a_wet_shape_are_those_of_dense_projection(kind: int, tau: float) -> None:
    hold = Hold(seed=kind)
    slack = WET_SLACK * 1500.0
    want, x, _, _ = family(hold, slack)
    small, rows = np.empty((WET_SIZE, WET_SIZE)), np.empty((WET_SIZE, WET_SIZE))
    pools = np.zeros(3, dtype=np.int64)
    wet_gram(hold.gram, hold.tau, hold.taus, hold.top_rise, pools, slack, small, rows)
    v, raw = np.empty(WET_SIZE), np.empty(hold.n)
    gss, gsl, gsy, over = wet_terms(
        WET_SHAPES, kind, tau, hold.required_s, hold.t, hold.n, hold.p, hold.filt, hold.cols, pools, hold.top_rise,
        small, rows, v, raw,
    )  # fmt: skip
    end = wet_shape(WET_SHAPES, kind, hold.required_s / tau)
    shape = np.array([wet_shape(WET_SHAPES, kind, s / tau) for s in hold.t]) / end
    np.testing.assert_allclose(raw, shape)
    assert over == pytest.approx(1.0 / end)
    with_all = x.T @ hold.inverse @ shape
    a = want[:8, :8]
    project = np.linalg.solve(a, with_all[:8])
    assert gss == pytest.approx(shape @ hold.inverse @ shape - with_all[:8] @ project, rel=1e-3)
    assert gsl == pytest.approx(with_all[8] - want[8, :8] @ project, rel=1e-4, abs=1e-3)
    assert gsy == pytest.approx(with_all[9] - want[9, :8] @ project, rel=1e-4, abs=1e-2)
    # pressure at isolation and the settling beside 1 500 microns of water and 80 of a leak
    c, straight = 1500.0, 80.0
    out = np.zeros(20)
    wet_start(float(hold.p[0]), small, rows, v, c, straight, out)
    nuisance = np.linalg.solve(a, want[:8, 9] - straight * want[:8, 8] - c * with_all[:8])
    assert out[7] == pytest.approx(hold.p[0] + nuisance[0], rel=1e-6)
    assert out[8] == pytest.approx(nuisance[1] + nuisance[2], rel=1e-5, abs=1e-3)


def test_a_shape_that_is_over_at_once_stays_finite() -> None:
    """Time of 63 per cent of a second: all of the rise is a constant, which is projected out; nothing is left, not less."""
    hold = Hold()
    small, rows = np.empty((WET_SIZE, WET_SIZE)), np.empty((WET_SIZE, WET_SIZE))
    pools = np.zeros(3, dtype=np.int64)
    wet_gram(hold.gram, hold.tau, hold.taus, hold.top_rise, pools, 60.0, small, rows)
    v, raw = np.empty(WET_SIZE), np.empty(hold.n)
    for tau in (0.05, 1e9):
        gss, _, _, over = wet_terms(
            WET_SHAPES, 0, tau, 600.0, hold.t, hold.n, hold.p, hold.filt, hold.cols, pools, hold.top_rise, small, rows,
            v, raw,
        )  # fmt: skip
        assert gss > 0.0
        assert over == (1.0 if tau < 1.0 else pytest.approx(1e6))
