"""Columns of the hold model, their whitening and Gram matrix, against NumPy with dense covariances. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import covariance, plain

from blankoff.evacuation.hold_gram import (
    COLUMNS,
    DRIFT,
    EVENING,
    EVENING_S,
    EXP,
    LIBRARY,
    LINE,
    NUISANCES,
    ONE,
    SETTLING_S,
    STEP,
    Y,
    eliminate,
    fill_columns,
    filter_gains,
    gram_matrix,
    shape_terms,
    whiten_columns,
    with_prior,
)

Array = NDArray[np.float64]


def test_places_of_the_columns() -> None:
    """Nuisances come before the line, the library after it, the data last."""
    assert (ONE, STEP, EVENING, DRIFT, LINE, EXP) == (0, 1, 2, 3, 4, 5)
    assert NUISANCES == 4
    assert Y == EXP + LIBRARY
    assert COLUMNS == Y + 1
    assert (LIBRARY, SETTLING_S, EVENING_S) == (20, 7.0, 14.0)


def test_raw_columns() -> None:
    rng = np.random.default_rng(1)
    n, taus, longest = 12, 9, 2400.0
    t = np.sort(rng.uniform(0.0, 700.0, n))
    p, warming = rng.uniform(300.0, 800.0, n), rng.normal(size=n) * 1e-3
    cols = np.full((n + 2, COLUMNS), 77.0)
    fill_columns(cols, n, taus, longest, t, p, warming, 600.0)
    np.testing.assert_allclose(cols[:n, ONE], 1.0)
    np.testing.assert_allclose(cols[:n, STEP], np.exp(-t / 7.0))
    np.testing.assert_allclose(cols[:n, EVENING], np.exp(-t / 14.0))
    np.testing.assert_allclose(cols[:n, DRIFT], p * warming)
    np.testing.assert_allclose(cols[:n, LINE], t / 600.0)
    np.testing.assert_allclose(cols[:n, Y], p - p[0])
    for k in range(taus):
        np.testing.assert_allclose(cols[:n, EXP + k], 1.0 - np.exp(-t * 2.0 ** (0.5 * k) / longest), atol=1e-12)
    assert (cols[:n, EXP + taus : Y] == 77.0).all()
    assert (cols[n:] == 77.0).all()


@pytest.mark.parametrize("seed", range(3))
def test_whitened_gram_is_that_of_the_dense_covariance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, used = 15, EXP + 4
    t = np.sort(rng.uniform(0.0, 700.0, n))
    level, var = rng.uniform(300.0, 900.0, n), rng.uniform(0.5, 9.0, n)
    cols = np.zeros((n, COLUMNS))
    cols[:, :used] = rng.normal(size=(n, used))
    cols[:, Y] = rng.normal(size=n)
    want = cols.T @ np.linalg.solve(covariance(t, level, var, 0.004, 120.0), cols)
    filt, gram = np.empty((n, 3)), np.full((COLUMNS, COLUMNS), 9.0)
    filter_gains(n, t, level, var, 0.004, 120.0, filt)
    # innovations have unit variance: their weights are the inverse Cholesky factor's diagonal
    factor = np.linalg.cholesky(covariance(t, level, var, 0.004, 120.0))
    np.testing.assert_allclose(filt[:, 2], 1.0 / np.diag(factor), rtol=1e-9)
    np.testing.assert_allclose(filt[1:, 0], np.exp(-np.diff(t) / 120.0))
    whiten_columns(cols, n, used, level, filt)
    gram_matrix(cols, n, used, gram)
    np.testing.assert_allclose(gram, gram.T)
    np.testing.assert_allclose(gram, want, rtol=1e-8, atol=1e-10)


def spd(rng: np.random.Generator, size: int) -> Array:
    half = rng.normal(size=(size + 3, size))
    return half.T @ half


def test_a_normal_prior_is_one_more_observation() -> None:
    rng = np.random.default_rng(2)
    gram = spd(rng, 5)
    row = np.zeros(5)
    # coefficient 1 is 3, give or take 0.5: residual (x1 - 3) / 0.5
    row[1], row[4] = 1.0 / 0.5, 3.0 / 0.5
    want = gram + np.outer(row, row)
    plain(with_prior)(gram, 1, 4, 3.0, 0.5)
    np.testing.assert_allclose(gram, want)


def test_projection_leaves_the_schur_complement_and_back_substitution() -> None:
    rng = np.random.default_rng(3)
    size, out = 7, 3
    gram = spd(rng, size)
    gram[0, 5] = gram[5, 0] = 0.0
    start = gram.copy()
    rows = np.zeros((out, size))
    plain(eliminate)(gram, rows, out, size)
    a, b, d = start[:out, :out], start[:out, out:], start[out:, out:]
    np.testing.assert_allclose(gram[out:, out:], d - b.T @ np.linalg.solve(a, b), rtol=1e-10)
    # the rows are those of the unit upper triangular factor: x = rows' solution for any right-hand column
    for column in range(out, size):
        x = np.zeros(out)
        for j in range(out - 1, -1, -1):
            x[j] = rows[j, column] - rows[j, j + 1 : out] @ x[j + 1 :]
        np.testing.assert_allclose(x, np.linalg.solve(a, start[:out, column]), rtol=1e-9)
    np.testing.assert_allclose(np.diag(rows[:, :out]), 1.0)


def test_terms_of_a_shape_scaled_to_one_at_the_required_hold() -> None:
    rng = np.random.default_rng(4)
    gram = spd(rng, COLUMNS)
    rise = rng.uniform(0.2, 0.9, 6)
    limit = 5000.0
    for i, j, share in ((2, -1, 1.0), (1, 4, 0.3), (0, 5, 0.7)):
        weight = np.zeros(COLUMNS)
        weight[EXP + i] = share / rise[i]
        if j >= 0:
            weight[EXP + j] = (1.0 - share) / rise[j]
        got = shape_terms(gram, rise, i, j, share, limit)
        want = [weight @ gram @ weight, weight @ gram[:, LINE], weight @ gram[:, Y], limit / weight.sum()]
        assert got == pytest.approx(want, rel=1e-12)
    assert math.isfinite(got[0])
