"""The two sides of an isolation, each fitted at every candidate moment: the pumped curve before, the rise after it.

Both are linear in their coefficients at fixed time constants, so running sums give the misfit of every candidate for a
grid of time constants in one pass. Kernels only.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_isolation import solve3
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

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

N_SIDE = 4
COST, VALUE, SLOPE, VAR = range(N_SIDE)
"""Fit of one side at a candidate: misfit with prices, value (microns) and slope (microns/s) there, its variance."""


@kernel
def _offer(
    a: FloatArray,
    b: FloatArray,
    f: FloatArray,
    g: FloatArray,
    n: int,
    zz: float,
    price: float,
    x: FloatArray,
    inv: FloatArray,
    sign: int,
    row: FloatArray,
) -> None:
    """Solve one side's normal equations (`n` terms, of values `f` and slopes `g`) and keep the fit if it is better."""
    # what the terms explain, by elimination; most fits end here
    explained = b[0] * b[0] / a[0, 0]
    if n > 1:
        low = a[1, 0] / a[0, 0]
        pivot = a[1, 1] - low * a[1, 0]
        if not pivot > 1e-11 * a[1, 1]:
            return
        rest = b[1] - low * b[0]
        explained += rest * rest / pivot
        if n > 2:
            first = a[2, 0] / a[0, 0]
            second = (a[2, 1] - first * a[1, 0]) / pivot
            last = a[2, 2] - first * a[2, 0] - second * (a[2, 1] - first * a[1, 0])
            if not last > 1e-11 * a[2, 2]:
                return
            left = b[2] - first * b[0] - second * rest
            explained += left * left / last
    cost = zz + price - explained
    if not cost < row[COST]:
        return
    if n == 1:
        x[0] = b[0] / a[0, 0]
        inv[0, 0] = 1.0 / a[0, 0]
    elif n == 2:
        det = a[0, 0] * a[1, 1] - a[1, 0] * a[1, 0]
        if not det > 1e-12 * a[0, 0] * a[1, 1]:
            return
        inv[0, 0] = a[1, 1] / det
        inv[1, 1] = a[0, 0] / det
        inv[1, 0] = inv[0, 1] = -a[1, 0] / det
        x[0] = inv[0, 0] * b[0] + inv[0, 1] * b[1]
        x[1] = inv[1, 0] * b[0] + inv[1, 1] * b[1]
    elif not solve3(a, b, x, inv) or (sign < 0 and (x[1] > 0.0 or (x[2] < 0.0) == (sign == -1))):
        return
    value = slope = 0.0
    for i in range(n):
        value += x[i] * f[i]
        slope += x[i] * g[i]
    if not value > 0.0 or (sign > 0 and slope > 0.0):
        return
    var = 0.0
    for i in range(n):
        for j in range(n):
            var += f[i] * inv[i, j] * f[j]
    row[COST] = cost
    row[VALUE] = value
    row[SLOPE] = slope
    row[VAR] = var


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
    n_basis = _FIRST_EXP + shares.size
    span = max(t[hi] - t[0], 1e-3)
    gram = np.zeros((n_basis, n_basis))
    right = np.zeros(n_basis)
    value = np.ones(n_basis)
    slope = np.zeros(n_basis)
    rho = np.ones(n_basis)
    a = np.empty((3, 3))
    b = np.empty(3)
    x = np.empty(3)
    inv = np.empty((3, 3))
    f = np.empty(3)
    g = np.empty(3)
    zz = 0.0
    spacing = -1.0
    for k in range(hi + 1):
        u = (t[k] - t[0]) / span
        value[_LINE] = u
        slope[_LINE] = 1.0 / span
        value[_SQUARE] = u * u
        slope[_SQUARE] = 2.0 * u / span
        if k:
            if abs(t[k] - t[k - 1] - spacing) > 1e-6:
                spacing = t[k] - t[k - 1]
                for i in range(_FIRST_EXP, n_basis):
                    rho[i] = math.exp(-spacing / (shares[i - _FIRST_EXP] * span))
            for i in range(_FIRST_EXP, n_basis):
                value[i] *= rho[i]
                slope[i] = -value[i] / (shares[i - _FIRST_EXP] * span)
        if k >= lo and (k - lo) % stride == 0:
            row = out[k - lo]
            row[COST] = 1e300
            f[0], g[0] = 1.0, 0.0
            a[0, 0] = gram[0, 0]
            b[0] = right[0]
            _offer(a, b, f, g, 1, zz, 0.0, x, inv, 1 if falling else 0, row)
            for i in range(1, n_basis):
                if k < 3 or i == _SQUARE:
                    continue
                a[1, 0] = a[0, 1] = gram[i, 0]
                a[1, 1] = gram[i, i]
                b[1] = right[i]
                f[1], g[1] = value[i], slope[i]
                price = TERM_PRICE + (TAU_PRICE if i >= _FIRST_EXP else 0.0)
                _offer(a, b, f, g, 2, zz, price, x, inv, 1 if falling else 0, row)
            # three terms need four readings
            for i in range(2, n_basis if k >= 4 else 2):
                for j in range(1, i):
                    if j == _SQUARE:
                        continue
                    a[1, 0] = a[0, 1] = gram[j, 0]
                    a[1, 1] = gram[j, j]
                    a[2, 0] = a[0, 2] = gram[i, 0]
                    a[2, 1] = a[1, 2] = gram[i, j]
                    a[2, 2] = gram[i, i]
                    b[1], b[2] = right[j], right[i]
                    f[1], g[1] = value[j], slope[j]
                    f[2], g[2] = value[i], slope[i]
                    free = (1 if i >= _FIRST_EXP else 0) + (1 if j >= _FIRST_EXP else 0)
                    _offer(a, b, f, g, 3, zz, 2.0 * TERM_PRICE + free * TAU_PRICE, x, inv, 1 if falling else 0, row)
        wz = w[k] * z[k]
        for i in range(n_basis):
            wf = w[k] * value[i]
            for j in range(i + 1):
                gram[i, j] += wf * value[j]
            right[i] += wz * value[i]
        zz += wz * z[k]


@kernel
def rising_side(t: FloatArray, z: FloatArray, w: FloatArray, lo: int, hi: int, stride: int, out: FloatArray) -> None:
    """Fit the rise from each candidate on by the best of: standing, a line, a saturating part, both, two saturating parts.

    Neither part may fall. Parameters as in `pumped_side`.
    """
    last = t.size - 1
    n_tau = RISE_TAUS_S.size
    e = np.zeros((n_tau, 4))
    pair = np.zeros((n_tau, n_tau))
    rho = np.ones(n_tau)
    a = np.empty((3, 3))
    b = np.empty(3)
    x = np.empty(3)
    inv = np.empty((3, 3))
    f = np.ones(3)
    g = np.zeros(3)
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
        row = out[k - lo]
        row[COST] = 1e300
        a[0, 0] = w0
        b[0] = z0
        f[0], g[0] = 1.0, 0.0
        _offer(a, b, f, g, 1, zz, 0.0, x, inv, -1, row)
        if last - k < 2:
            continue
        v1 = w1 - u * w0
        v2 = w2 - 2.0 * u * w1 + u * u * w0
        y1 = z1 - u * z0
        a[1, 0] = a[0, 1] = v1
        a[1, 1] = v2
        b[1] = y1
        f[1], g[1] = 0.0, 1.0
        if w0 * y1 > v1 * z0:
            _offer(a, b, f, g, 2, zz, TERM_PRICE, x, inv, -1, row)
        for i in range(n_tau):
            a[1, 0] = a[0, 1] = e[i, 0]
            a[1, 1] = e[i, 2]
            b[1] = e[i, 3]
            f[1], g[1] = 1.0, -1.0 / RISE_TAUS_S[i]
            if w0 * e[i, 3] < e[i, 0] * z0:
                _offer(a, b, f, g, 2, zz, TERM_PRICE + TAU_PRICE, x, inv, -1, row)
            if last - k < 4:
                continue
            ve = e[i, 1] - u * e[i, 0]
            a[2, 0] = a[0, 2] = v1
            a[2, 1] = a[1, 2] = ve
            a[2, 2] = v2
            b[2] = y1
            f[2], g[2] = 0.0, 1.0
            _offer(a, b, f, g, 3, zz, 2.0 * TERM_PRICE + TAU_PRICE, x, inv, -1, row)
            for j in range(i):
                a[2, 0] = a[0, 2] = e[j, 0]
                a[2, 1] = a[1, 2] = pair[i, j]
                a[2, 2] = e[j, 2]
                b[2] = e[j, 3]
                f[2], g[2] = 1.0, -1.0 / RISE_TAUS_S[j]
                _offer(a, b, f, g, 3, zz, 2.0 * (TERM_PRICE + TAU_PRICE), x, inv, -2, row)
