"""EWMA and CUSUM charts, their run lengths by integral equation, limits for a wanted false-alarm rate, change dates.

A chart's limit is never a bare number here: it is solved for the average run length in control that the fleet's whole
false-alarm budget allows, and the run lengths are checked against published tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

_NODES = 100


def ewma_run_length(smoothing: float, limit: float, shift: float = 0.0, nodes: int = _NODES) -> float:
    """Average run length of a two-sided EWMA chart with fixed limits, started at zero.

    Parameters
    ----------
    smoothing
        Weight of the newest standardised value, in (0, 1].
    limit
        Limit in units of the EWMA's own asymptotic standard deviation, sqrt(smoothing / (2 - smoothing)).
    shift
        Mean of the values in their standard deviations.

    Notes
    -----
    Fredholm equation L(u) = 1 + integral L(v) f((v - (1 - s) u) / s) dv / s solved by Gauss-Legendre nodes
    (Crowder 1987, Technometrics 29; from memory).
    """
    h = limit * np.sqrt(smoothing / (2.0 - smoothing))
    x, w = np.polynomial.legendre.leggauss(nodes)
    x, w = h * x, h * w

    def kernel(u: FloatArray) -> FloatArray:
        z = (x[None, :] - (1.0 - smoothing) * u[:, None]) / smoothing - shift
        return np.asarray(norm.pdf(z) / smoothing * w[None, :])

    length = np.linalg.solve(np.eye(nodes) - kernel(x), np.ones(nodes))
    return float(1.0 + kernel(np.zeros(1))[0] @ length)


def cusum_run_length(
    reference: float, limit: float, shift: float = 0.0, headstart: float = 0.0, nodes: int = _NODES
) -> float:
    """Average run length of a one-sided CUSUM of standardised values.

    Parameters
    ----------
    reference
        Allowance k subtracted from each value.
    limit
        Decision interval h.
    shift
        Mean of the values in the direction watched.
    headstart
        Where the sum begins.

    Notes
    -----
    Page's integral equation with an atom at zero, by Gauss-Legendre nodes (Brook and Evans 1972 solve the same by a
    Markov chain; from memory).
    """
    x, w = np.polynomial.legendre.leggauss(nodes)
    x, w = 0.5 * limit * (x + 1.0), 0.5 * limit * w
    start = np.concatenate([[0.0], x])
    a = np.eye(nodes + 1)
    a[:, 0] -= norm.cdf(reference - start - shift)
    a[:, 1:] -= norm.pdf(x[None, :] - start[:, None] + reference - shift) * w[None, :]
    length = np.linalg.solve(a, np.ones(nodes + 1))
    at = norm.cdf(reference - headstart - shift) * length[0]
    at += (norm.pdf(x - headstart + reference - shift) * w) @ length[1:]
    return float(1.0 + at)


def cusum_run_length_two_sided(reference: float, limit: float, shift: float = 0.0, headstart: float = 0.0) -> float:
    """Average run length of a pair of CUSUMs, up and down, from those of each alone.

    Notes
    -----
    1/L = 1/L(up) + 1/L(down), exact at zero start for limits that keep the two from signalling together; with a head
    start, van Dobben de Bruyn's combination (Lucas and Crosier 1982; from memory).
    """
    up0, down0 = (cusum_run_length(reference, limit, s) for s in (shift, -shift))
    if headstart == 0.0:
        return 1.0 / (1.0 / up0 + 1.0 / down0)
    up, down = (cusum_run_length(reference, limit, s, headstart) for s in (shift, -shift))
    return (up * down0 + down * up0 - up0 * down0) / (up0 + down0)


@lru_cache(maxsize=256)
def cusum_limit(reference: float, run_length: float) -> float:
    """Decision interval of a one-sided CUSUM whose average run length in control is ``run_length``."""
    return float(brentq(lambda h: np.log(cusum_run_length(reference, h)) - np.log(run_length), 0.3, 25.0, xtol=1e-6))


@lru_cache(maxsize=256)
def ewma_limit(smoothing: float, run_length: float) -> float:
    """Limit of a two-sided EWMA whose average run length in control is ``run_length``."""
    return float(brentq(lambda c: np.log(ewma_run_length(smoothing, c)) - np.log(run_length), 0.5, 6.0, xtol=1e-6))


def ewma(values: FloatArray, smoothing: float, start: float = 0.0) -> FloatArray:
    """Exponentially weighted moving average, ``(n,)``, of values in time order."""
    out = np.empty(values.size)
    level = start
    for i, v in enumerate(values):
        level = smoothing * v + (1.0 - smoothing) * level
        out[i] = level
    return out


def cusum_down(values: FloatArray, reference: float, target: float = 0.0) -> FloatArray:
    """Lower one-sided CUSUM, ``(n,)``, at or above zero: grows while values lie below target - reference."""
    return cusum_up(-np.asarray(values), reference, -target)


def cusum_up(values: FloatArray, reference: float, target: float = 0.0) -> FloatArray:
    """Upper one-sided CUSUM, ``(n,)``, at or above zero: grows while values lie above target + reference."""
    out: FloatArray = _sum_up(np.asarray(values, dtype=float), reference, target)
    return out


@kernel
def _sum_up(values: FloatArray, reference: float, target: float) -> FloatArray:
    out = np.empty(values.size)
    s = 0.0
    for i in range(values.size):
        s = max(0.0, s + values[i] - target - reference)
        out[i] = s
    return out


@dataclass(frozen=True)
class Change:
    """One step in a sequence."""

    index: int
    """First value after the step."""
    lower: int
    upper: int
    """Bounds of that index."""
    before: float
    after: float
    p_change: float
    """Probability that there was a step at all."""


@kernel
def _step_log_likelihoods(y: FloatArray, w: FloatArray, spread: float) -> FloatArray:
    """Log marginal likelihood of each step place; entry 0 = no step. Means integrated under N(overall, spread²)."""
    n = y.size
    sw, swy, swyy = np.zeros(n + 1), np.zeros(n + 1), np.zeros(n + 1)
    for i in range(n):
        sw[i + 1] = sw[i] + w[i]
        swy[i + 1] = swy[i] + w[i] * y[i]
        swyy[i + 1] = swyy[i] + w[i] * y[i] * y[i]
    out = np.full(n, -np.inf)
    for k in range(n):
        total = 0.0
        for part in range(2):
            a, b = (0, k) if part == 0 else (k, n)
            s0, s1, s2 = sw[b] - sw[a], swy[b] - swy[a], swyy[b] - swyy[a]
            if s0 <= 0.0:
                continue
            precision = s0 + 1.0 / (spread * spread)
            total += -0.5 * (s2 - s1 * s1 / precision) - 0.5 * np.log(spread * spread * precision)
        out[k] = total
    return out


def find_step(
    values: FloatArray, weights: FloatArray, spread: float, p_step: float = 0.3, level: float = 0.9
) -> Change:
    """Find the most probable single step of a level, with bounds on where it was.

    Parameters
    ----------
    values
        ``(n,)`` in time order, in any unit; centred here on their weighted mean.
    weights
        ``(n,)`` one over the variance of each.
    spread
        Prior standard deviation of a level about the overall mean.
    p_step
        Prior probability that there is a step at all, shared evenly by the places.
    level
        Level of the bounds on the place.
    """
    y, w = np.asarray(values, dtype=float), np.asarray(weights, dtype=float)
    if y.size < 2:
        only = float(y.mean()) if y.size else 0.0
        return Change(0, 0, 0, only, only, 0.0)
    centre = float((y * w).sum() / w.sum())
    log_like = _step_log_likelihoods(y - centre, w, spread)
    log_post = log_like + np.log(np.concatenate([[1.0 - p_step], np.full(y.size - 1, p_step / (y.size - 1))]))
    post = np.exp(log_post - log_post.max())
    post /= post.sum()
    place = post[1:] / max(post[1:].sum(), 1e-300)
    cumulated = np.cumsum(place)
    k = int(np.argmax(place)) + 1
    tail = (1.0 - level) / 2.0
    lower, upper = int(np.searchsorted(cumulated, tail)) + 1, int(np.searchsorted(cumulated, 1.0 - tail)) + 1

    def mean(part: slice) -> float:
        return float((y[part] * w[part]).sum() / w[part].sum())

    return Change(
        k, min(lower, k), max(min(upper, y.size - 1), k), mean(slice(0, k)), mean(slice(k, None)), float(1.0 - post[0])
    )
