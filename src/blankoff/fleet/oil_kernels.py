"""Compiled core of the blank-off model: one pump's parameters by damped Gauss-Newton with robust weights.

Of evacuation i, with oil that ran ``h`` hours and swallowed ``w`` grams since it was filled:

    blank-off  B = f + exp(m[fill]) * (A * ((h + h0) / 10)^p + c * w)
    floor      F = exp(g * x_mul) * (B + Q * x_add) + load

``f`` fresh blank-off, ``A`` microns that ten hours add, ``c`` microns per gram, ``p`` how growth bends, ``h0`` hours the
first filling had run before its first record, ``m`` how one filling differs from the pump's usual; ``Q`` a leak of the
line, ``g`` a gauge's error.  All are fitted as logarithms but ``m``, ``Q`` and ``g``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.oil_floors import (
    BLOCK,
    FIRST,
    HELD,
    ROOM,
    SPARE,
    STIFF,
    STILL,
    VALUE,
    Y,
    floor_block,
    prepare,
    still_variance,
)
from blankoff.fleet.vector_math import exp, ln
from blankoff.physics.compiled import vector_kernel

__all__ = ["FRESH", "HEAD", "Floors", "fit_pump"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Floors = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Ints, Floats, Floats, Floats]
"""What `fit_pump` is given of the floors, from ``y`` to ``x_mul``."""

HEAD = 7
"""Parameters before the fillings' own: ln f, ln A, ln c, ln p, ln h0, Q, g."""
FRESH, BY_HOURS, BY_WATER, POWER, HOURS_BEFORE, LEAK, GAUGE = range(HEAD)
HOURS_UNIT = 10.0
_TILT, _BY_HOURS, _BY_WATER, _LN_HOURS, _TIMES, _BASE, _RAN = (SPARE + k * BLOCK for k in range(7))
"""Places in the workspace of `oil_floors` for what a floor's slopes by the parameters are made of."""


@vector_kernel
def _hold_up(theta: Floats, start: int, size: int, floors: Floors, scale: Floats, own_sd: float, w: Floats) -> None:
    """Put into the workspace what pump and line hold up of a block of floors, and what its slopes are made of."""
    y, se, _, _, hours, water, fill, base, x_add, x_mul = floors
    f, a, c = np.exp(theta[FRESH]), np.exp(theta[BY_HOURS]), np.exp(theta[BY_WATER])
    p, h0 = np.exp(theta[POWER]), np.exp(theta[HOURS_BEFORE])
    leak, gauge = theta[LEAK], theta[GAUGE]
    for i in range(size):
        g = start + i
        of = fill[g]
        w[_TIMES + i] = scale[of] if of >= 0 else 0.0
        w[_BASE + i] = f if of >= 0 else base[g]
        w[_RAN + i] = hours[g] + (h0 if of == 0 else 0.0)
        w[Y + i] = y[g]
    for i in range(size):
        g = start + i
        ran = w[_RAN + i]
        ln_h = ln((ran if ran > 1e-3 else 1e-3) / HOURS_UNIT)
        by_hours, by_water = w[_TIMES + i] * (a * exp(p * ln_h)), w[_TIMES + i] * (c * water[g])
        up = w[_BASE + i] + by_hours + by_water + leak * x_add[g]
        tilt = exp(gauge * x_mul[g])
        held = tilt * (up if up > 1.0 else 1.0)
        w[_TILT + i], w[_LN_HOURS + i] = tilt, ln_h
        w[_BY_HOURS + i], w[_BY_WATER + i] = by_hours * tilt, by_water * tilt
        w[HELD + i] = held
        w[STILL + i] = still_variance(held, se[g], own_sd)


@vector_kernel
def _evaluate(
    theta: Floats,
    floors: Floors,
    here: Floats,
    wide: Floats,
    own_sd: float,
    w: Floats,
    gradient: Floats,
    hessian: Floats,
) -> float:
    """Minus log likelihood; fills gradient and Gauss-Newton hessian.  ``w`` is a workspace of `oil_floors`."""
    fill, x_add, x_mul = floors[6], floors[8], floors[9]
    n, k = fill.size, theta.size
    gradient[:] = 0.0
    hessian[:] = 0.0
    scale = np.exp(theta[HEAD:])
    f, p, h0 = np.exp(theta[FRESH]), np.exp(theta[POWER]), np.exp(theta[HOURS_BEFORE])
    # What slopes are made of: what does not depend on a floor's oil, its hours, its water, the bend of its hours, the hours
    # before the first record, the leak, the gauge.  A filling's own slope is that of its hours and water together.
    row, sums, push_sums = np.zeros(HEAD), np.zeros((HEAD, HEAD)), np.zeros(HEAD)
    total = 0.0
    for start in range(0, n, BLOCK):
        size = min(BLOCK, n - start)
        _hold_up(theta, start, size, floors, scale, own_sd, w)
        floor_block(w, start, size, here, wide)
        for i in range(size):
            total += w[VALUE + i]
        i = 0
        while i < size:
            of = fill[start + i]
            sums[:] = 0.0
            push_sums[:] = 0.0
            i = _add_filling(w, start, i, size, fill, x_add, x_mul, p, h0, row, sums, push_sums)
            _lay_out(sums, push_sums, f, of, gradient, hessian)
    for j in range(k):
        for q in range(j):
            hessian[q, j] = hessian[j, q]
    return total


@vector_kernel
def _add_filling(
    w: Floats,
    start: int,
    i: int,
    size: int,
    fill: Ints,
    x_add: Floats,
    x_mul: Floats,
    p: float,
    h0: float,
    row: Floats,
    sums: Floats,
    push_sums: Floats,
) -> int:
    """Sum up slopes and their products over the rows from ``i`` on that ran on one filling; return the row after them."""
    of = fill[start + i]
    s00, s10, s11, s20, s21, s22, s30, s31, s32, s33 = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    g0, g1, g2, g3 = 0.0, 0.0, 0.0, 0.0
    while i < size and fill[start + i] == of:
        push, stiff, tilt = w[FIRST + i], w[STIFF + i], w[_TILT + i]
        oil = tilt if of >= 0 else 0.0
        by_hours, by_water = w[_BY_HOURS + i], w[_BY_WATER + i]
        bend = by_hours * w[_LN_HOURS + i] * p
        a, b, c, d = stiff * oil, stiff * by_hours, stiff * by_water, stiff * bend
        s00 += a * oil
        s10 += b * oil
        s11 += b * by_hours
        s20 += c * oil
        s21 += c * by_hours
        s22 += c * by_water
        s30 += d * oil
        s31 += d * by_hours
        s32 += d * by_water
        s33 += d * bend
        g0 += push * oil
        g1 += push * by_hours
        g2 += push * by_water
        g3 += push * bend
        added, tilted = x_add[start + i], x_mul[start + i]
        if of == 0 or added != 0.0 or tilted != 0.0:
            row[0], row[1], row[2], row[3] = oil, by_hours, by_water, bend
            row[4] = by_hours * p * h0 / HOURS_UNIT / np.exp(w[_LN_HOURS + i]) if of == 0 else 0.0
            row[5], row[6] = added * tilt, tilted * w[HELD + i]
            for j in range(4, HEAD):
                push_sums[j] += push * row[j]
                for q in range(j + 1):
                    sums[j, q] += stiff * row[j] * row[q]
        i += 1
    sums[0, 0], sums[1, 0], sums[1, 1], sums[2, 0], sums[2, 1] = s00, s10, s11, s20, s21
    sums[2, 2], sums[3, 0], sums[3, 1], sums[3, 2], sums[3, 3] = s22, s30, s31, s32, s33
    push_sums[0], push_sums[1], push_sums[2], push_sums[3] = g0, g1, g2, g3
    return i


@vector_kernel
def _lay_out(sums: Floats, push_sums: Floats, f: float, of: int, gradient: Floats, hessian: Floats) -> None:
    """Add one filling's sums to gradient and lower hessian; the parameters stand in the order of the sums, then fillings."""
    for j in range(HEAD):
        left = f if j == FRESH else 1.0
        gradient[j] -= left * push_sums[j]
        for q in range(j + 1):
            hessian[j, q] += left * (f if q == FRESH else 1.0) * sums[j, q]
    if of < 0:
        return
    own = HEAD + of
    gradient[own] -= push_sums[BY_HOURS] + push_sums[BY_WATER]
    for q in range(HEAD):
        both = sums[max(q, BY_HOURS), min(q, BY_HOURS)] + sums[max(q, BY_WATER), min(q, BY_WATER)]
        hessian[own, q] += (f if q == FRESH else 1.0) * both
    hessian[own, own] += sums[BY_HOURS, BY_HOURS] + 2.0 * sums[BY_WATER, BY_HOURS] + sums[BY_WATER, BY_WATER]


@vector_kernel
def _solve(a: Floats, b: Floats) -> None:
    """Solve ``a x = b`` in place of ``b``, for a positive definite ``a`` whose lower triangle is used up.

    So small a system is solved before a library is called.
    """
    k = b.size
    for j in range(k):
        for q in range(j + 1):
            total = a[j, q]
            for m in range(q):
                total -= a[j, m] * a[q, m]
            a[j, q] = np.sqrt(total) if q == j else total / a[q, q]
    for j in range(k):
        for m in range(j):
            b[j] -= a[j, m] * b[m]
        b[j] /= a[j, j]
    for j in range(k - 1, -1, -1):
        for m in range(j + 1, k):
            b[j] -= a[m, j] * b[m]
        b[j] /= a[j, j]


@vector_kernel
def fit_pump(
    start: Floats,
    mean: Floats,
    precision: Floats,
    y: Floats,
    se: Floats,
    load: Floats,
    load_se: Floats,
    hours: Floats,
    water: Floats,
    fill: Ints,
    base: Floats,
    x_add: Floats,
    x_mul: Floats,
    own_sd: float,
    rounds: int,
) -> tuple[Floats, Floats, float]:
    """Fit one pump.

    Parameters
    ----------
    start, mean, precision : float64 (k,)
        First guess; prior mean and precision of each parameter (a huge precision holds it fixed).
    y : float64 (n,)
        ln floor.
    se, load, load_se : float64 (n,)
        s.e. of ln floor; the circuit's load in microns, and the s.e. of its logarithm.
    hours, water : float64 (n,)
    fill : int64 (n,)
        Number of the oil filling, 0 the first; -1 for a use of another pump, whose blank-off ``base`` gives.
    base, x_add, x_mul : float64 (n,)
    own_sd : float
        What no cause explains, ln.
    rounds : int

    Returns
    -------
    theta : float64 (k,)
    covariance : float64 (k, k)
    evidence : float
        ln of posterior density at its top plus half ln det covariance (Laplace), up to a constant of the prior.
    """
    k = start.size
    theta = start.copy()
    gradient, hessian = np.zeros(k), np.zeros((k, k))
    floors = (y, se, load, load_se, hours, water, fill, base, x_add, x_mul)
    here, wide = prepare(load, load_se)
    w = np.empty(ROOM)
    cost = _evaluate(theta, floors, here, wide, own_sd, w, gradient, hessian)
    cost += 0.5 * np.sum(precision * (theta - mean) ** 2)
    damping = 1e-3
    g2, h2 = np.zeros(k), np.zeros((k, k))
    full, step = np.zeros((k, k)), np.zeros(k)
    for _ in range(rounds):
        for j in range(k):
            for q in range(j):
                full[j, q] = hessian[j, q]
            full[j, j] = hessian[j, j] + (precision[j] + damping * (hessian[j, j] + precision[j]))
            step[j] = -(gradient[j] + precision[j] * (theta[j] - mean[j]))
        _solve(full, step)
        for j in range(k):
            bound = 40.0 if j == LEAK else 0.7
            step[j] = min(max(step[j], -bound), bound)
        trial = theta + step
        trial[LEAK] = max(trial[LEAK], 0.0)
        new = _evaluate(trial, floors, here, wide, own_sd, w, g2, h2)
        new += 0.5 * np.sum(precision * (trial - mean) ** 2)
        if new <= cost:
            done = cost - new < 1e-4
            theta, cost = trial, new
            gradient, g2 = g2, gradient
            hessian, h2 = h2, hessian
            damping = max(damping * 0.3, 1e-6)
            if done:
                break
        else:
            damping *= 5.0
            if damping > 1e6:
                break
    full = hessian.copy()
    for j in range(k):
        full[j, j] += precision[j]
    covariance: Floats = np.linalg.inv(full).astype(np.float64)
    logdet = 0.0
    chol = np.linalg.cholesky(full)
    for j in range(k):
        logdet += 2.0 * np.log(chol[j, j]) - np.log(precision[j])
    return theta, covariance, -cost - 0.5 * logdet
