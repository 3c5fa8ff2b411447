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
from numba import njit
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

__all__ = ["FRESH", "HEAD", "fit_pump"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HEAD = 7
"""Parameters before the fillings' own: ln f, ln A, ln c, ln p, ln h0, Q, g."""
FRESH, BY_HOURS, BY_WATER, POWER, HOURS_BEFORE, LEAK, GAUGE = range(HEAD)
HOURS_UNIT = 10.0
_TILT, _BY_HOURS, _BY_WATER, _LN_HOURS = (SPARE + k * BLOCK for k in range(4))
"""Places in the workspace of `oil_floors` for what a floor's slopes by the parameters are made of."""


@njit(cache=True, nogil=True, error_model="numpy")
def _evaluate(
    theta: Floats,
    y: Floats,
    se: Floats,
    here: Floats,
    wide: Floats,
    hours: Floats,
    ln_hours: Floats,
    water: Floats,
    fill: Ints,
    base: Floats,
    x_add: Floats,
    x_mul: Floats,
    own_sd: float,
    w: Floats,
    gradient: Floats,
    hessian: Floats,
) -> float:
    """Minus log likelihood; fills gradient and Gauss-Newton hessian. ``fill`` -1: another pump's use, of blank-off ``base``.

    ``ln_hours`` is that of hours over `HOURS_UNIT`, ``w`` a workspace of `oil_floors`.
    """
    n, k = y.size, theta.size
    gradient[:] = 0.0
    hessian[:] = 0.0
    f, a, c = np.exp(theta[FRESH]), np.exp(theta[BY_HOURS]), np.exp(theta[BY_WATER])
    p, h0 = np.exp(theta[POWER]), np.exp(theta[HOURS_BEFORE])
    leak, gauge = theta[LEAK], theta[GAUGE]
    scale = np.exp(theta[HEAD:])
    # A row has a slope by few parameters only: those that are common, its filling's, the leak's, the gauge's.
    at, row = np.empty(HEAD + 1, np.int64), np.empty(HEAD + 1)
    total = 0.0
    for start in range(0, n, BLOCK):
        size = min(BLOCK, n - start)
        for i in range(size):
            g = start + i
            tilt = np.exp(gauge * x_mul[g]) if x_mul[g] != 0.0 else 1.0
            if fill[g] >= 0:
                ln_h = ln_hours[g]
                if fill[g] == 0:
                    ln_h = np.log(max(hours[g] + h0, 1e-3) / HOURS_UNIT)
                s = scale[fill[g]]
                w[_BY_HOURS + i] = s * (a * np.exp(p * ln_h))
                w[_BY_WATER + i] = s * (c * water[g])
                w[_LN_HOURS + i] = ln_h
                b = f + w[_BY_HOURS + i] + w[_BY_WATER + i]
            else:
                b = base[g]
            held = tilt * max(b + leak * x_add[g], 1.0)
            w[_TILT + i] = tilt
            w[Y + i] = y[g]
            w[HELD + i] = held
            w[STILL + i] = still_variance(held, se[g], own_sd)
        floor_block(w, start, size, here, wide)
        for i in range(size):
            g = start + i
            total += w[VALUE + i]
            push, stiff, tilt = w[FIRST + i], w[STIFF + i], w[_TILT + i]
            used = 0
            if fill[g] >= 0:
                by_hours, by_water = w[_BY_HOURS + i] * tilt, w[_BY_WATER + i] * tilt
                at[0], row[0] = FRESH, f * tilt
                at[1], row[1] = BY_HOURS, by_hours
                at[2], row[2] = BY_WATER, by_water
                at[3], row[3] = POWER, by_hours * w[_LN_HOURS + i] * p
                used = 4
                if fill[g] == 0:
                    at[4], row[4] = HOURS_BEFORE, by_hours * p * h0 / HOURS_UNIT / np.exp(w[_LN_HOURS + i])
                    used = 5
            if x_add[g] != 0.0:
                at[used], row[used] = LEAK, x_add[g] * tilt
                used += 1
            if x_mul[g] != 0.0:
                at[used], row[used] = GAUGE, x_mul[g] * w[HELD + i]
                used += 1
            if fill[g] >= 0:
                at[used], row[used] = HEAD + fill[g], by_hours + by_water
                used += 1
            for j in range(used):
                gradient[at[j]] -= push * row[j]
                stiff_j = stiff * row[j]
                for q in range(j + 1):
                    hessian[at[j], at[q]] += stiff_j * row[q]
    for j in range(k):
        for q in range(j):
            hessian[q, j] = hessian[j, q]
    return total


@njit(cache=True, nogil=True, error_model="numpy")
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
    here, wide = prepare(load, load_se)
    ln_hours = np.log(np.maximum(hours, 1e-3) / HOURS_UNIT)
    w = np.empty(ROOM)
    cost = _evaluate(
        theta, y, se, here, wide, hours, ln_hours, water, fill, base, x_add, x_mul, own_sd, w, gradient, hessian
    ) + 0.5 * np.sum(precision * (theta - mean) ** 2)
    damping = 1e-3
    g2, h2 = np.zeros(k), np.zeros((k, k))
    for _ in range(rounds):
        full = hessian.copy()
        slope = gradient + precision * (theta - mean)
        for j in range(k):
            full[j, j] += precision[j] + damping * (hessian[j, j] + precision[j])
        step = np.linalg.solve(full, -slope)
        for j in range(k):
            bound = 40.0 if j == LEAK else 0.7
            step[j] = min(max(step[j], -bound), bound)
        trial = theta + step
        trial[LEAK] = max(trial[LEAK], 0.0)
        new = _evaluate(
            trial, y, se, here, wide, hours, ln_hours, water, fill, base, x_add, x_mul, own_sd, w, g2, h2
        ) + 0.5 * np.sum(precision * (trial - mean) ** 2)
        if new <= cost:
            done = cost - new < 1e-4
            theta, cost = trial, new
            gradient[:], hessian[:] = g2, h2
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
