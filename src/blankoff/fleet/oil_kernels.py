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

__all__ = ["FRESH", "HEAD", "blankoff_micron", "fit_pump", "floor_likelihood", "floor_moments"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HEAD = 7
"""Parameters before the fillings' own: ln f, ln A, ln c, ln p, ln h0, Q, g."""
FRESH, BY_HOURS, BY_WATER, POWER, HOURS_BEFORE, LEAK, GAUGE = range(HEAD)
HOURS_UNIT = 10.0
SPOILED_MICRON = 500.0
"""Blank-off from which growth with hours is no longer what it was (judgement)."""
NU_ABOVE, NU_BELOW = 2.5, 5.0
"""Degrees of freedom of the noise: a floor is often too high (gas the hold did not show), seldom too low (judgement)."""
LOADS_Z = np.array([-3.0, -1.2, 0.0, 0.9, 1.8])
LOADS_SHARE = np.array([0.12, 0.22, 0.32, 0.22, 0.12])
LOADS_STEP = 0.4
"""Loads that stand for all, in s.e. of their logarithm, how likely each is, and how far each reaches: the lower end is
long, for some circuits have as good as none (found on simulated logs of one set of parameters, checked on others)."""


@njit(cache=True, nogil=True)
def blankoff_micron(theta: Floats, fill: int, first: bool, hours: float, water: float) -> float:
    """Blank-off of oil that ran ``hours`` and swallowed ``water``, microns."""
    before = np.exp(theta[HOURS_BEFORE]) if first else 0.0
    grown = np.exp(theta[BY_HOURS]) * ((hours + before) / HOURS_UNIT) ** np.exp(theta[POWER])
    grown += np.exp(theta[BY_WATER]) * water
    return float(np.exp(theta[FRESH]) + np.exp(theta[HEAD + fill]) * grown)


@njit(cache=True, nogil=True)
def _one_floor(y: float, held: float, load: float, load_se: float, still: float) -> tuple[float, float, float]:
    """Slope of ln likelihood by what is held up, its curvature, and minus ln likelihood, of one floor.

    The circuit's load is known to a factor only: a few possible loads stand for all.  A floor cannot lie far below what
    the pump alone reaches, but it may lie far above.
    """
    # Oil spoiled beyond any use is spoiled: how far, the model cannot say.
    far = max(np.log(held / SPOILED_MICRON), 0.0)
    total, first, second, squares = 0.0, 0.0, 0.0, 0.0
    for m in range(LOADS_Z.size):
        here = load * np.exp(LOADS_Z[m] * load_se)
        pred = held + here
        r = y - np.log(pred)
        v = still + (0.5 * far) ** 2 + (LOADS_STEP * load_se * here / pred) ** 2
        nu = NU_ABOVE if r > 0 else NU_BELOW
        density = LOADS_SHARE[m] * np.exp(-0.5 * (nu + 1.0) * np.log1p(r * r / (nu * v))) / np.sqrt(v)
        w = (nu + 1.0) / (nu * v + r * r)
        score = w * r / pred
        total += density
        first += density * score
        squares += density * score * score
        second += density * w / (pred * pred)
    total += 1e-12
    first /= total
    second /= total
    # What is not known of the load takes information away, but not all of it.
    stiff = max(second - (squares / total - first * first), 0.15 * second)
    return first, stiff, -np.log(total)


@njit(cache=True, nogil=True)
def floor_likelihood(y: Floats, held: Floats, load: Floats, load_se: Floats, se: Floats, own_sd: float) -> Floats:
    """Ln likelihood of floors under what pump and line hold up, up to a constant, (n,).

    Parameters
    ----------
    y, held, load, load_se, se : float64 (n,)
        ln floor; what blank-off, leak and gauge make of it in microns; the circuit's load in microns and the s.e. of its
        logarithm; s.e. of ln floor.
    own_sd : float
    """
    out = np.empty(y.size)
    for i in range(y.size):
        out[i] = -_one_floor(y[i], held[i], load[i], load_se[i], se[i] ** 2 + own_sd**2)[2]
    return out


@njit(cache=True, nogil=True)
def floor_moments(
    y: Floats, held: Floats, load: Floats, load_se: Floats, se: Floats, own_sd: float
) -> tuple[Floats, Floats]:
    """What each floor says of ln of what is held up: its estimate less the prediction, and its variance; each (n,).

    Arguments as for `floor_likelihood`.
    """
    mean, variance = np.empty(y.size), np.empty(y.size)
    for i in range(y.size):
        push, stiff, _ = _one_floor(y[i], held[i], load[i], load_se[i], se[i] ** 2 + own_sd**2)
        stiff = max(stiff * held[i] * held[i], 1e-3)
        mean[i], variance[i] = push * held[i] / stiff, 1.0 / stiff
    return mean, variance


@njit(cache=True, nogil=True)
def _evaluate(
    theta: Floats,
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
    gradient: Floats,
    hessian: Floats,
) -> float:
    """Minus log likelihood; fills gradient and Gauss-Newton hessian. ``fill`` -1: another pump's use, of blank-off ``base``."""
    n, k = y.size, theta.size
    gradient[:] = 0.0
    hessian[:] = 0.0
    f, a, c = np.exp(theta[FRESH]), np.exp(theta[BY_HOURS]), np.exp(theta[BY_WATER])
    p, h0 = np.exp(theta[POWER]), np.exp(theta[HOURS_BEFORE])
    leak, gauge = theta[LEAK], theta[GAUGE]
    row = np.zeros(k)
    total = 0.0
    for i in range(n):
        row[:] = 0.0
        tilt = np.exp(gauge * x_mul[i])
        if fill[i] >= 0:
            first = fill[i] == 0
            hh = max(hours[i] + (h0 if first else 0.0), 1e-3) / HOURS_UNIT
            by_hours = a * hh**p
            by_water = c * water[i]
            s = np.exp(theta[HEAD + fill[i]])
            b = f + s * (by_hours + by_water)
            row[FRESH] = f
            row[BY_HOURS] = s * by_hours
            row[BY_WATER] = s * by_water
            row[POWER] = s * by_hours * np.log(hh) * p
            if first:
                row[HOURS_BEFORE] = s * by_hours * p * h0 / HOURS_UNIT / hh
            row[HEAD + fill[i]] = s * (by_hours + by_water)
        else:
            b = base[i]
        held = max(b + leak * x_add[i], 1.0)
        push, stiff, value = _one_floor(y[i], tilt * held, load[i], load_se[i], se[i] ** 2 + own_sd**2)
        total += value
        row[LEAK] = x_add[i]
        for j in range(k):
            row[j] *= tilt
        row[GAUGE] = x_mul[i] * tilt * held
        for j in range(k):
            if row[j] == 0.0:
                continue
            gradient[j] -= push * row[j]
            for q in range(j + 1):
                hessian[j, q] += stiff * row[j] * row[q]
    for j in range(k):
        for q in range(j):
            hessian[q, j] = hessian[j, q]
    return total


@njit(cache=True, nogil=True)
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
    cost = _evaluate(
        theta, y, se, load, load_se, hours, water, fill, base, x_add, x_mul, own_sd, gradient, hessian
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
            trial, y, se, load, load_se, hours, water, fill, base, x_add, x_mul, own_sd, g2, h2
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
