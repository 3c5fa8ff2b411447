"""Standing rates from yes/no sequences: shrunken, bounded, and allowed to have changed once.

A technician's rate of some fault is estimated from a sequence of jobs. Few jobs make raw rates wild, so the rate is
drawn toward the spread of rates over all technicians; that spread is estimated from the technicians themselves
(smoothed non-parametric maximum likelihood, a few EM steps, as in Efron, "Large-Scale Inference", 2010; from memory).
A habit may begin or end, above all after a talk, so every moment is weighed as a possible change of the rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blankoff.fleet.vector_math import exp
from blankoff.physics.compiled import kernel, vector_kernel
from blankoff.samples import FloatArray, IntArray

GRID_POINTS = 121
_LOGIT = np.linspace(-8.0, 4.5, GRID_POINTS)
RATE_GRID: FloatArray = 1.0 / (1.0 + np.exp(-_LOGIT))
"""Rates at which posteriors are held, even in logit from 0.03 % to 98.9 %."""
_CELL = _LOGIT[1] - _LOGIT[0]
_BOUNDS = np.concatenate([[_LOGIT[0] - _CELL / 2], _LOGIT + _CELL / 2])
_LN_RATE, _LN_NOT = np.log(RATE_GRID), np.log1p(-RATE_GRID)
_SMOOTHING_LOGIT = 0.45
_EM_STEPS = 12
_WIDE_SHARE = 0.1


@dataclass(frozen=True)
class ChangePrior:
    """How likely a rate changed once. This project's own judgement, no source."""

    somewhere: float = 0.07
    """That it changed at some job that no talk precedes: a run of luck is met more often than a new habit."""
    at_a_talk: float = 0.35
    """That it changed at a given talk about that fault."""


@dataclass(frozen=True)
class RatePosterior:
    """Posterior of one standing rate as it stands at the sequence's end."""

    density: FloatArray
    """``(GRID_POINTS,)`` over `RATE_GRID`, sums to 1."""
    change_weight: FloatArray
    """``(n + 1,)``: entry 0 = never changed; entry k = the rate changed just before job k (k = 1 .. n-1), sums to 1."""
    before_mean: FloatArray
    """``(n + 1,)``: mean rate before each such change; entry 0 = mean rate overall."""

    @property
    def mean(self) -> float:
        """Posterior mean rate."""
        return float(self.density @ RATE_GRID)

    def quantile(self, q: float) -> float:
        """Posterior quantile, interpolated in logit."""
        x = np.interp(q, np.concatenate([[0.0], np.cumsum(self.density)]), _BOUNDS)
        return float(1.0 / (1.0 + np.exp(-x)))

    def above(self, rate: float) -> float:
        """Probability that the rate exceeds ``rate``."""
        x = np.log(rate / (1 - rate)) if 0 < rate < 1 else (-np.inf if rate <= 0 else np.inf)
        return float(1.0 - np.interp(x, _BOUNDS, np.concatenate([[0.0], np.cumsum(self.density)])))


UNSURE = 0.5
"""In the place of 0 or 1: the job's log shows either a fault or none."""
UNSURE_ODDS = 10.0
"""How much likelier such a log is where the fault was done: of skipped holds 1 or 2 in 10 end on a floor that stands still for
as long as a hold, of holds 0.5 to 3.7 in 100 show nothing; seven fleets of two simulators give 5 to 21 times."""


def wide_prior() -> FloatArray:
    """A prior that rules nothing out: Beta(0.5, 2) on the grid, mean 20 %."""
    weight = np.exp(0.5 * np.log(RATE_GRID) + 2.0 * np.log1p(-RATE_GRID))  # density times the logit's Jacobian
    return np.asarray(weight / weight.sum())


def unsure_ln() -> FloatArray:
    """Logarithm of how likely each rate of `RATE_GRID` makes a job that shows either a fault or none."""
    return np.asarray(np.log(UNSURE_ODDS * RATE_GRID + 1.0 - RATE_GRID))


_LN_UNSURE = unsure_ln()


def rate_prior(successes: IntArray, trials: IntArray, unsure: IntArray | None = None) -> FloatArray:
    """Spread of rates over technicians.

    Parameters
    ----------
    successes, trials
        ``(m,)`` per technician.
    unsure
        ``(m,)`` how many of the trials are `UNSURE`, and so neither counted a success nor a failure; none if not given.

    Returns
    -------
    ndarray
        ``(GRID_POINTS,)`` prior weights over `RATE_GRID`; a tenth of it stays wide, so that nobody is ruled out.
    """
    wide = wide_prior()
    use = np.asarray(trials) > 0
    if use.sum() < 2:
        return wide
    s, n = np.asarray(successes)[use, None], np.asarray(trials)[use, None]
    m = np.zeros_like(s) if unsure is None else np.asarray(unsure)[use, None]
    log_like = s * np.log(RATE_GRID) + (n - s - m) * np.log1p(-RATE_GRID) + m * unsure_ln()
    like = np.exp(log_like - log_like.max(axis=1, keepdims=True))
    kernel = np.exp(-0.5 * ((_LOGIT[:, None] - _LOGIT[None, :]) / _SMOOTHING_LOGIT) ** 2)
    kernel /= kernel.sum(axis=0, keepdims=True)
    prior = wide
    for _ in range(_EM_STEPS):
        share = like * prior
        share /= share.sum(axis=1, keepdims=True)
        prior = kernel @ share.mean(axis=0)
        prior /= prior.sum()
    return (1 - _WIDE_SHARE) * prior + _WIDE_SHARE * wide


@vector_kernel
def _weigh(
    prior: FloatArray,
    log_rate: FloatArray,
    log_not: FloatArray,
    log_unsure: FloatArray,
    faults: float,
    others: float,
    unsure: float,
    peak: float,
    out: FloatArray,
) -> None:
    """Prior times likelihood of so many faults, other and unsure jobs, over the rates."""
    for j in range(prior.size):
        out[j] = prior[j] * exp(faults * log_rate[j] + others * log_not[j] + unsure * log_unsure[j] - peak)


@kernel
def _posterior_kernel(
    y: FloatArray,
    change_prior: FloatArray,
    prior: FloatArray,
    log_rate: FloatArray,
    log_not: FloatArray,
    log_unsure: FloatArray,
    rate: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    n, g = y.size, prior.size
    total = float(np.sum(y == 1.0))
    unsure = float(np.sum(y == UNSURE))
    log_weight = np.full(n + 1, -np.inf)
    before = np.zeros(n + 1)
    after, first = np.zeros((n + 1, g)), np.empty(g)
    done = seen = 0.0
    for k in range(n + 1):
        if k > 0 and y[k - 1] == 1.0:
            done += 1.0
        elif k > 0 and y[k - 1] == UNSURE:
            seen += 1.0
        if k == n and n > 0:
            break
        if change_prior[k] <= 0.0:
            continue
        s1, m1, n1 = done, seen, k
        s2, m2, n2 = total - done, unsure - seen, n - k
        peak1, peak2 = -1e300, -1e300
        for j in range(g):
            a = s1 * log_rate[j] + (n1 - s1 - m1) * log_not[j] + m1 * log_unsure[j]
            b = s2 * log_rate[j] + (n2 - s2 - m2) * log_not[j] + m2 * log_unsure[j]
            peak1 = max(peak1, a)
            peak2 = max(peak2, b)
        _weigh(prior, log_rate, log_not, log_unsure, s1, n1 - s1 - m1, m1, peak1, first)
        _weigh(prior, log_rate, log_not, log_unsure, s2, n2 - s2 - m2, m2, peak2, after[k])
        mass1, mass2, mean1 = 0.0, 0.0, 0.0
        for j in range(g):
            mass1 += first[j]
            mean1 += first[j] * rate[j]
            mass2 += after[k, j]
        for j in range(g):
            after[k, j] /= mass2
        log_weight[k] = np.log(change_prior[k]) + peak2 + np.log(mass2)
        if k > 0:
            log_weight[k] += peak1 + np.log(mass1)
            before[k] = mean1 / mass1
    top = log_weight.max()
    weight = np.exp(log_weight - top)
    weight /= weight.sum()
    density = np.zeros(g)
    for k in range(n + 1):
        if weight[k] > 0.0:
            for j in range(g):
                density[j] += weight[k] * after[k, j]
    for j in range(g):
        before[0] += after[0, j] * rate[j]
    return density, weight, before


def standing_rate(
    faults: FloatArray, prior: FloatArray, talks_before_job: IntArray | None = None, change: ChangePrior | None = None
) -> RatePosterior:
    """Posterior of a standing rate that may have changed once.

    Parameters
    ----------
    faults
        ``(n,)`` per job, in time order: 0, 1 or `UNSURE`; may be empty.
    prior
        ``(GRID_POINTS,)`` from `rate_prior`.
    talks_before_job
        Indexes ``k`` (0 .. n) such that a talk about this fault fell between job ``k - 1`` and job ``k``.
    change
        How likely a change is.
    """
    change = change or ChangePrior()
    y = np.ascontiguousarray(faults, dtype=np.float64)
    n = y.size
    weight = np.zeros(n + 1)
    if n >= 2:
        weight[1:n] = change.somewhere / (n - 1)
        for k in np.unique(np.asarray([] if talks_before_job is None else talks_before_job, dtype=np.int64)):
            if 0 < k < n:
                weight[k] += change.at_a_talk
    weight[0] = max(1.0 - weight[1:].sum(), 0.2)
    weight /= weight.sum()
    density, change_weight, before = _posterior_kernel(y, weight, prior, _LN_RATE, _LN_NOT, _LN_UNSURE, RATE_GRID)
    if n >= 1 and talks_before_job is not None and np.any(np.asarray(talks_before_job) >= n):
        # a talk after the last job: its effect is not seen yet, only that the rate may change
        density = (1 - change.at_a_talk) * density + change.at_a_talk * prior
    return RatePosterior(density, change_weight, before)
