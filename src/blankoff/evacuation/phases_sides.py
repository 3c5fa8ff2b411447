"""The two sides of an isolation, each fitted at every candidate moment: the pumped curve before, the rise after it.

Both are linear in their coefficients at fixed time constants, so running sums give the misfit of every candidate for a
grid of time constants in one pass; `phases_fits` takes the best of the fits. Kernels only.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_fits import COST, N_SIDE, SLOPE, VALUE, VAR, best_fits
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

__all__ = [
    "COST",
    "HEAD_SHARES",
    "N_SIDE",
    "RISE_TAUS_S",
    "SLOPE",
    "TAU_PRICE",
    "TERM_PRICE",
    "VALUE",
    "VAR",
    "WHOLE_SHARES",
    "pumped_side",
    "rising_side",
]

HEAD_SHARES = np.array([0.5, 0.2, 0.08, 0.03])
"""Time constants of the pumped curve, as shares of the fitted stretch."""

WHOLE_SHARES = np.array([0.7, 0.4, 0.2, 0.12, 0.07, 0.04, 0.022, 0.012, 0.006])
"""The same for one smooth curve through both sides: a floor may be reached at once and then be pumped at for long."""

RISE_TAUS_S = np.array([4.0, 15.0, 50.0, 200.0, 800.0])
"""Time constants of the part of a rise that saturates, s."""

TERM_PRICE = 3.0
TAU_PRICE = 1.5
"""Prices of a further term and of choosing its time constant, so that noise buys neither; in units of twice the
log-likelihood."""

_LINE, _SQUARE, _FIRST_EXP = 1, 2, 3


@kernel
def pumped_side(
    t: FloatArray,
    z: FloatArray,
    w: FloatArray,
    lo: int,
    hi: int,
    stride: int,
    shares: FloatArray,
    falling: bool,
    out: FloatArray,
) -> None:
    """Fit the pumped curve on the readings before each candidate by the best of its shapes.

    A constant, a line, a square, exponentials alone, with a line and in pairs.

    Parameters
    ----------
    t, z, w
        Time, s; pressure, microns; weight (inverse variance).
    lo, hi, stride
        Candidates: every `stride`-th reading from `lo` to `hi`.
    shares
        Time constants of its exponentials, as shares of the stretch to `hi`.
    falling
        Whether the curve must fall or stand at the candidate.
    out
        ``(hi - lo + 1, N_SIDE)`` result.
    """
    m = _FIRST_EXP + shares.size
    n = (hi - lo) // stride + 1
    span = max(t[hi] - t[0], 1e-3)
    gram, right, zz = np.zeros((m, m)), np.zeros(m), 0.0
    grams, rights, squares = np.empty((m, m, n)), np.empty((m, n)), np.empty(n)
    values, slopes = np.empty((m, n)), np.empty((m, n))
    value, slope, rho = np.ones(m), np.zeros(m), np.ones(m)
    prices = np.full(m, TERM_PRICE)
    prices[_FIRST_EXP:] += TAU_PRICE
    spacing = -1.0
    c = 0
    for k in range(hi + 1):
        u = (t[k] - t[0]) / span
        value[_LINE] = u
        slope[_LINE] = 1.0 / span
        value[_SQUARE] = u * u
        slope[_SQUARE] = 2.0 * u / span
        if k:
            if abs(t[k] - t[k - 1] - spacing) > 1e-6:
                spacing = t[k] - t[k - 1]
                for i in range(_FIRST_EXP, m):
                    rho[i] = math.exp(-spacing / (shares[i - _FIRST_EXP] * span))
            for i in range(_FIRST_EXP, m):
                value[i] *= rho[i]
                slope[i] = -value[i] / (shares[i - _FIRST_EXP] * span)
        if k >= lo and (k - lo) % stride == 0:
            for i in range(m):
                for j in range(i + 1):
                    grams[i, j, c] = gram[i, j]
                rights[i, c], values[i, c], slopes[i, c] = right[i], value[i], slope[i]
            squares[c] = zz
            c += 1
        wz = w[k] * z[k]
        for i in range(m):
            wf = w[k] * value[i]
            for j in range(i + 1):
                gram[i, j] += wf * value[j]
            right[i] += wz * value[i]
        zz += wz * z[k]
    # one more term needs three readings, two need four
    two = min(max((2 - lo) // stride + 1, 0), n), n
    three = min(max((3 - lo) // stride + 1, 0), n), n
    best_fits(
        grams, rights, squares, values, slopes, prices, np.zeros(m), _SQUARE, falling, two, three, stride, out
    )  # fmt: skip


@kernel
def rising_side(t: FloatArray, z: FloatArray, w: FloatArray, lo: int, hi: int, stride: int, out: FloatArray) -> None:
    """Fit the rise from each candidate on by the best of: standing, a line, a saturating part, both, two saturating parts.

    Neither part may fall. Parameters as in `pumped_side`.
    """
    last = t.size - 1
    n_tau = RISE_TAUS_S.size
    # the slowest saturating part first, the line last: of two, the earlier is eliminated first
    m = n_tau + 2
    line = m - 1
    n = (hi - lo) // stride + 1
    e = np.zeros((n_tau, 4))
    pair = np.zeros((n_tau, n_tau))
    rho = np.ones(n_tau)
    grams, rights, squares = np.empty((m, m, n)), np.empty((m, n)), np.empty(n)
    values, slopes = np.ones((m, n)), np.zeros((m, n))
    values[line], slopes[line] = 0.0, 1.0
    prices = np.full(m, TERM_PRICE + TAU_PRICE)
    prices[line] = TERM_PRICE
    signs = np.full(m, -1.0)
    signs[line] = 1.0
    for i in range(n_tau):
        slopes[n_tau - i] = -1.0 / RISE_TAUS_S[i]
    w0 = w1 = w2 = z0 = z1 = zz = 0.0
    spacing = -1.0
    for k in range(last, lo - 1, -1):
        if k < last and abs(t[k + 1] - t[k] - spacing) > 1e-6:
            spacing = t[k + 1] - t[k]
            for i in range(n_tau):
                rho[i] = math.exp(-spacing / RISE_TAUS_S[i])
        u = t[k] - t[hi]
        wz = w[k] * z[k]
        w0 += w[k]
        w1 += w[k] * u
        w2 += w[k] * u * u
        z0 += wz
        z1 += wz * u
        zz += wz * z[k]
        for i in range(n_tau):
            r = rho[i]
            e[i, 0] = e[i, 0] * r + w[k]
            e[i, 1] = e[i, 1] * r + w[k] * u
            e[i, 2] = e[i, 2] * r * r + w[k]
            e[i, 3] = e[i, 3] * r + wz
            for j in range(i):
                pair[i, j] = pair[i, j] * r * rho[j] + w[k]
        if k > hi or (k - lo) % stride:
            continue
        c = (k - lo) // stride
        v1 = w1 - u * w0
        grams[0, 0, c], rights[0, c], squares[c] = w0, z0, zz
        grams[line, 0, c] = v1
        grams[line, line, c] = w2 - 2.0 * u * w1 + u * u * w0
        rights[line, c] = z1 - u * z0
        for i in range(n_tau):
            at = n_tau - i
            grams[at, 0, c] = e[i, 0]
            grams[at, at, c] = e[i, 2]
            rights[at, c] = e[i, 3]
            grams[line, at, c] = e[i, 1] - u * e[i, 0]
            for j in range(i):
                grams[n_tau - j, at, c] = pair[i, j]
    # one more term needs three readings, two need five
    two = 0, min(max((last - 2 - lo) // stride + 1, 0), n)
    three = 0, min(max((last - 4 - lo) // stride + 1, 0), n)
    best_fits(grams, rights, squares, values, slopes, prices, signs, 0, False, two, three, stride, out)
