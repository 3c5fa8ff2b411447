"""Whitened columns of the hold model and their Gram matrix: kernels of the compiled fit.

Columns: constant, settling step, slower evening out, ambient drift, line, the library of exponential approaches, data. Noise is white noise
and quantisation plus AR(1) wander in per cent of reading; a scalar Kalman filter turns every column into innovations
of unit variance, after which plain least squares is generalised least squares.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import kernel, vector_kernel

__all__ = [
    "COLUMNS",
    "DRIFT",
    "EVENING",
    "EVENING_S",
    "EXP",
    "LIBRARY",
    "LINE",
    "NUISANCES",
    "ONE",
    "SETTLING_S",
    "STEP",
    "WIDTH",
    "Y",
    "eliminate",
    "fill_columns",
    "filter_gains",
    "gram_matrix",
    "shape_terms",
    "whiten_columns",
    "with_prior",
]

FloatArray = NDArray[np.float64]

LIBRARY = 20
"""Most time constants in the library; spaced by the square root of two."""
SETTLING_S = 7.0
"""Time constant of the step after isolation: gas evening out along the line, gauge lag (common practice, no source)."""

EVENING_S = 14.0
"""Time constant of what settles more slowly: the parts of a circuit evening out along its own long or narrow pipes. With the
quicker one it makes any step of 3 - 20 s; what takes longer is the circuit's own ("from under a minute", the field's ranges)."""

ONE, STEP, EVENING, DRIFT, LINE, EXP = 0, 1, 2, 3, 4, 5
NUISANCES = LINE
"""Columns projected out of all others: those before the line."""
Y = EXP + LIBRARY
COLUMNS = Y + 1
WIDTH = 32
"""Numbers in a row of columns, those that say nothing included."""


@kernel
def filter_gains(
    n: int, t: FloatArray, level: FloatArray, var: FloatArray, size: float, memory: float, filt: FloatArray
) -> None:
    """Kalman filter of AR(1) wander plus white noise: per block 0 memory factor, 1 gain, 2 weight of the innovation."""
    w2 = size * size
    cov = w2
    for i in range(n):
        rho = math.exp(-(t[i] - t[i - 1]) / memory) if i > 0 else 0.0
        if i > 0:
            cov = rho * rho * cov + w2 * (1.0 - rho * rho)
        h = level[i]
        s = h * h * cov + var[i]
        gain = h * cov / s
        filt[i, 0], filt[i, 1], filt[i, 2] = rho, gain, 1.0 / math.sqrt(s)
        cov -= gain * h * cov


@kernel
def whiten_columns(cols: FloatArray, n: int, used: int, level: FloatArray, filt: FloatArray) -> None:
    """Replace every column by its innovations, scaled to unit variance."""
    state = np.zeros(COLUMNS)
    for i in range(n):
        rho, gain, scale, h = filt[i, 0], filt[i, 1], filt[i, 2], level[i]
        for k in range(used):
            before = state[k] * rho
            e = cols[i, k] - h * before
            state[k] = before + gain * e
            cols[i, k] = e * scale
        before = state[Y] * rho
        e = cols[i, Y] - h * before
        state[Y] = before + gain * e
        cols[i, Y] = e * scale


@vector_kernel
def _add_rows(cols: FloatArray, i: int, used: int, total: FloatArray) -> None:
    """Add the products of four rows, one after the other: every column with those from a multiple of eight on."""
    width = np.uint64(cols.shape[1])
    for a in range(used):
        x0, x1, x2, x3 = cols[i, a], cols[i + 1, a], cols[i + 2, a], cols[i + 3, a]
        # whole vectors, and indices that cannot be negative: those need no check
        for b in range(np.uint64(a - a % 8), width):
            total[a, b] = (
                total[a, b] + x0 * cols[i, b] + x1 * cols[i + 1, b] + x2 * cols[i + 2, b] + x3 * cols[i + 3, b]
            )


@kernel
def gram_matrix(cols: FloatArray, n: int, used: int, gram: FloatArray) -> None:
    """Gram matrix of the whitened columns; quickest where rows are a multiple of eight long, as `WIDTH`."""
    total = np.zeros((used + 1, cols.shape[1]))
    whole = n - n % 4
    for i in range(0, whole, 4):
        _add_rows(cols, i, used, total)
    for i in range(whole, n):
        for a in range(used):
            for b in range(a, cols.shape[1]):
                total[a, b] += cols[i, a] * cols[i, b]
    gram[:] = 0.0
    for a in range(used):
        for b in range(a, used):
            gram[a, b] = gram[b, a] = total[a, b]
        gram[a, Y] = gram[Y, a] = total[a, Y]
    for i in range(n):
        gram[Y, Y] += cols[i, Y] * cols[i, Y]


@kernel
def with_prior(gram: FloatArray, k: int, y: int, mean: float, sd: float) -> None:
    """Add a normal prior on the coefficient of column `k`."""
    w = 1.0 / (sd * sd)
    gram[k, k] += w
    gram[k, y] += w * mean
    gram[y, k] += w * mean
    gram[y, y] += w * mean * mean


@kernel
def eliminate(gram: FloatArray, rows: FloatArray, nuisances: int, size: int) -> None:
    """Project the first columns out of the Gram matrix; `rows` keeps what back-substitution needs."""
    for j in range(nuisances):
        pivot = gram[j, j]
        for a in range(j, size):
            rows[j, a] = gram[j, a] / pivot
        for a in range(j + 1, size):
            f = rows[j, a]
            if f != 0.0:
                for b in range(j + 1, size):
                    gram[a, b] -= f * gram[j, b]


@kernel
def shape_terms(
    gram: FloatArray, top_rise: FloatArray, i: int, j: int, share: float, limit: float
) -> tuple[float, float, float, float]:
    """Gram entries of a shape scaled to 1 at the required hold, and its highest physical amplitude."""
    a = share / top_rise[i]
    gss = a * a * gram[EXP + i, EXP + i]
    gsl = a * gram[LINE, EXP + i]
    gsy = a * gram[EXP + i, Y]
    full = a
    if j >= 0:
        b = (1.0 - share) / top_rise[j]
        gss += 2.0 * a * b * gram[EXP + i, EXP + j] + b * b * gram[EXP + j, EXP + j]
        gsl += b * gram[LINE, EXP + j]
        gsy += b * gram[EXP + j, Y]
        full += b
    # c * full is the amplitude at infinite time, which saturation at the ambient bounds
    return gss, gsl, gsy, limit / full


@kernel
def fill_columns(
    cols: FloatArray,
    n: int,
    taus: int,
    longest: float,
    t: FloatArray,
    p: FloatArray,
    warming_k: FloatArray,
    required_s: float,
) -> None:
    """Raw columns: constant, settling step, evening out, drift, line, library of exponential approaches, data."""
    for i in range(n):
        cols[i, ONE] = 1.0
        cols[i, STEP] = math.exp(-t[i] / SETTLING_S)
        cols[i, EVENING] = math.exp(-t[i] / EVENING_S)
        cols[i, DRIFT] = p[i] * warming_k[i]
        cols[i, LINE] = t[i] / required_s
        # the library's time constants fall by the root of two, so squaring walks down it: two exponentials do for all
        even = math.exp(-t[i] / longest)
        odd = math.exp(-t[i] * 1.4142135623730951 / longest)
        for k in range(taus):
            if k % 2 == 0:
                cols[i, EXP + k] = 1.0 - even
                even *= even
            else:
                cols[i, EXP + k] = 1.0 - odd
                odd *= odd
        cols[i, Y] = p[i] - p[0]
