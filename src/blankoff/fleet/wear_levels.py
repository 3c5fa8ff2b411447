"""How an asset's level moved: a filter on a grid of levels that bears with skewed noise, jumps, slow wear and renewals.

What attribution leaves for one asset is a row of noisy values whose errors lean one way (an unseen gas load always makes
a pump look slow, never fast).  A normal filter would follow them down.  Here the level lives on a grid, the noise is a
core with a long lower and a short upper tail, both measured on the fleet, and whole histories are drawn: their spread
is the doubt, the share of them that lies beyond a limit is the probability, the days on which they crossed it are the
bounds of ``since``.

References
----------
Forward filtering, backward sampling of hidden Markov chains: Scott, "Bayesian methods for hidden Markov models",
JASA 97 (2002); from memory.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["GRID", "LevelPaths", "Movement", "NoiseShape", "fit_noise", "level_paths", "shapes_of_rows"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP = 0.025
GRID = np.arange(-80, 41) * STEP
"""ln ratios on which levels live: from a seventh to e times the fleet's middle."""
MOST_VALUES = 2000
"""Values from which a noise shape is measured; more change nothing."""
DRAWS = 240
"""Histories drawn per asset; enough for a probability to two places (judgement)."""


@dataclass(frozen=True)
class NoiseShape:
    """Shape of what is left after all effects: a normal core, and two one-sided exponential tails.

    Attributes
    ----------
    core_sd : float
        Beside each value's own standard error.
    low_share, high_share : float
        Share of values in the tails.
    low_scale, high_scale : float
        Mean distance of those.
    """

    core_sd: float
    low_share: float
    low_scale: float
    high_share: float
    high_scale: float


@dataclass(frozen=True)
class Movement:
    """How a level may move, prior to data; this project's judgement from the field's ranges.

    Attributes
    ----------
    start_sd : float
        Spread of an asset's level when first seen.
    walk_per_sqrt_year : float
        Slow wander.
    jumps_per_year : float
        How often it jumps to anywhere in ``jump_low`` to ``jump_high`` of where it may lie.
    jump_low, jump_high : float
    bad_start : float
        Chance that it is somewhere in that span when first seen.
    """

    start_sd: float
    walk_per_sqrt_year: float
    jumps_per_year: float
    jump_low: float
    jump_high: float
    bad_start: float


@dataclass(frozen=True)
class LevelPaths:
    """Drawn histories of one asset.

    Attributes
    ----------
    days : float64 (n,)
        Of its uses.
    draws : float64 (draws, n)
        ln level at each use.
    now : float64 (draws,)
        ln level on the day asked for.
    """

    days: Floats
    draws: Floats
    now: Floats

    def probability(self, low: float = -np.inf, high: float = np.inf) -> float:
        """Share of histories that now lie within ``low`` to ``high``."""
        return float(np.mean((self.now >= low) & (self.now <= high)))

    def smoothed(self) -> Floats:
        """Mean history, (n,)."""
        return np.asarray(self.draws.mean(axis=0))

    def crossing_days(self, beyond: NDArray[np.bool_]) -> Floats:
        """Day on which each history that now lies beyond a limit last went there.

        Parameters
        ----------
        beyond : bool (draws, n)
            Whether each history is beyond at each use.

        Returns
        -------
        float64 (k,)
            One per history that is beyond at its last use; the middle between the uses around the crossing.
        """
        at_end = beyond[:, -1]
        inside = ~beyond[at_end]
        n = inside.shape[1]
        first = n - np.argmax(inside[:, ::-1], axis=1)
        first = np.where(inside.any(axis=1), first, 0)
        first = np.minimum(first, n - 1)
        before = np.maximum(first - 1, 0)
        return np.asarray(0.5 * (self.days[first] + self.days[before]))


def fit_noise(residual: Floats, variance: Floats, rounds: int = 25) -> NoiseShape:
    """Fit the shape of the noise to residuals of all assets together.

    Parameters
    ----------
    residual : float64 (n,)
        About each asset's own level.
    variance : float64 (n,)
        Each value's own measurement variance.
    rounds : int
        Rounds of expectation and maximisation.

    Returns
    -------
    NoiseShape
        Shares at least 0.5 %, so that nothing is impossible.
    """
    known = np.isfinite(residual) & np.isfinite(variance)
    r, v = residual[known], variance[known]
    if r.size > MOST_VALUES:
        # Evenly spread over the sorted values, so that no number depends on the order of rows.
        pick = np.lexsort((v, r))[np.linspace(0, r.size - 1, MOST_VALUES).astype(np.int64)]
        r, v = r[pick], v[pick]
    if r.size < 20:
        return NoiseShape(0.12, 0.10, 0.6, 0.05, 0.3)
    sd, low, low_scale, high, high_scale = 0.1, 0.15, 0.6, 0.05, 0.3
    for _ in range(rounds):
        core = _normal(r, v + sd**2) * (1.0 - low - high)
        below = low * _tail(-r, v + sd**2, low_scale)
        above = high * _tail(r, v + sd**2, high_scale)
        total = core + below + above + 1e-300
        core, below, above = core / total, below / total, above / total
        low = float(np.clip(below.mean(), 0.005, 0.45))
        high = float(np.clip(above.mean(), 0.005, 0.25))
        low_scale = float(np.clip((below * np.maximum(-r, 0)).sum() / max(below.sum(), 1e-9), 0.25, 2.0))
        high_scale = float(np.clip((above * np.maximum(r, 0)).sum() / max(above.sum(), 1e-9), 0.15, 1.0))
        # A value tells of the core's spread as far as its own error leaves room.
        share = core / (v + sd**2) ** 2
        sd = float(np.sqrt(np.clip((share * (r**2 - v)).sum() / max(share.sum(), 1e-9), 0.02**2, 0.5**2)))
    return NoiseShape(sd, low, low_scale, high, high_scale)


def shapes_of_rows(residual: Floats, variance: Floats, noise_class: Ints) -> Floats:
    """Fit a noise shape per class of values and hand it to each; (n, 5). A class too small for a fit of its own has all's."""
    every = _as_row(fit_noise(residual, variance))
    out = np.tile(every, (residual.size, 1))
    for number in np.unique(noise_class):
        mine = noise_class == number
        if mine.sum() >= 60:
            out[mine] = _as_row(fit_noise(residual[mine], variance[mine]))
    return out


def _as_row(shape: NoiseShape) -> Floats:
    return np.array([shape.core_sd, shape.low_share, shape.low_scale, shape.high_share, shape.high_scale])


def _normal(x: Floats, variance: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x / variance) / np.sqrt(2.0 * np.pi * variance))


def _tail(x: Floats, variance: Floats, scale: float) -> Floats:
    """Density of an exponential tail above zero, softened at zero by the core's width."""
    width = np.sqrt(variance)
    return np.asarray(
        np.exp(-np.maximum(x, 0.0) / scale) / (scale + width) / (1.0 + np.exp(-np.clip(x / width, -40, 40) * 2.0))
    )


@njit(cache=True, nogil=True)
def _walk(p: Floats, spread: float) -> Floats:
    """One stretch of wander: ``spread`` is its variance in grid steps squared; nothing leaves the grid."""
    out = p.copy()
    left = spread
    m = p.size
    while left > 1e-9:
        side = min(0.5 * left, 0.25)
        left -= 2.0 * side
        nxt = np.empty(m)
        for j in range(m):
            below = out[j - 1] if j > 0 else out[j]
            above = out[j + 1] if j < m - 1 else out[j]
            nxt[j] = (1.0 - 2.0 * side) * out[j] + side * (below + above)
        out = nxt
        if side == 0.25 and left > 100.0:
            left = 100.0
    return out


@njit(cache=True, nogil=True)
def _filter(like: Floats, start: Floats, jump_to: Floats, jump: Floats, spread: Floats) -> Floats:
    """(n, levels): what is known of each level after each value."""
    n, m = like.shape
    known = np.empty((n, m))
    p = start.copy()
    for i in range(n):
        if i > 0:
            p = (1.0 - jump[i]) * _walk(p, spread[i]) + jump[i] * jump_to
        p = p * like[i]
        total = p.sum()
        p = p / total if total > 0.0 else jump_to.copy()
        known[i] = p
    return known


@njit(cache=True, nogil=True)
def _draw(known: Floats, jump_to: Floats, jump: Floats, spread: Floats, now: Ints, luck: Floats) -> Ints:
    """(draws, n): histories drawn backwards from the levels ``now`` after the newest value."""
    n, m = known.shape
    draws = now.size
    out = np.empty((draws, n), np.int64)
    weight = np.empty(m)
    for d in range(draws):
        out[d, n - 1] = now[d]
    for i in range(n - 2, -1, -1):
        # Where a history stood before: near by, by wandering, or anywhere, by a jump.
        sd2 = max(spread[i + 1], 1e-12)
        reach = int(min(4.0 * np.sqrt(sd2) + 2.0, m))
        for d in range(draws):
            j = out[d, i + 1]
            lo, hi = max(0, j - reach), min(m - 1, j + reach)
            total = 0.0
            for k in range(lo, hi + 1):
                gap = float(k - j)
                # Variance of a small wander sits on the next grid steps; of a large one it is a normal curve.
                if sd2 < 0.5:
                    kernel = 1.0 - sd2 if k == j else (0.5 * sd2 if abs(k - j) == 1 else 0.0)
                else:
                    kernel = np.exp(-0.5 * gap * gap / sd2) / np.sqrt(2.0 * np.pi * sd2)
                weight[k] = known[i, k] * kernel * (1.0 - jump[i + 1])
                total += weight[k]
            away = jump[i + 1] * jump_to[j]
            u = luck[d, i] * (total + away)
            if u >= total or total <= 0.0:
                u = (u - total) / max(away, 1e-300)
                run, k = 0.0, 0
                while k < m - 1:
                    run += known[i, k]
                    if run >= u:
                        break
                    k += 1
                out[d, i] = k
            else:
                run, k = 0.0, lo
                while k < hi:
                    run += weight[k]
                    if run >= u:
                        break
                    k += 1
                out[d, i] = k
    return out


def level_paths(
    name: str,
    days: Floats,
    log_likelihood: Floats,
    movement: Movement,
    renewals: Sequence[float] = (),
    end_day: float | None = None,
    seed: int = 0,
) -> LevelPaths:
    """Draw histories of one asset's level.

    Parameters
    ----------
    name : str
        Seeds the draws together with ``seed``, so that one asset's numbers depend on no other's.
    days : float64 (n,)
        Of its uses, in order of time.
    log_likelihood : float64 (n, levels)
        What each use says of every level of `GRID`.
    movement : Movement
    renewals : sequence of float
        Days of work that may have changed the level.
    end_day : float, optional
        Day for which the level is wanted; that of the newest use if not given.
    seed : int
        From the settings.
    """
    n = days.size
    years = np.diff(days, prepend=days[0]) / 365.25
    jump = 1.0 - np.exp(-movement.jumps_per_year * years)
    for day in renewals:
        after = int(np.searchsorted(days, day, side="left"))
        if after < n:
            jump[after] = 0.9
    spread = movement.walk_per_sqrt_year**2 * years / STEP**2
    start = np.exp(-0.5 * (GRID / movement.start_sd) ** 2)
    start /= start.sum()
    inside = ((movement.jump_low <= GRID) & (movement.jump_high >= GRID)).astype(float)
    anywhere = inside / inside.sum()
    # A jump may also mend: half of them lead back to where assets are when sound.
    jump_to = 0.5 * anywhere + 0.5 * start
    first = (1.0 - movement.bad_start) * start + movement.bad_start * anywhere
    like = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    known = _filter(like, first, jump_to, jump, spread)
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    luck = rng.random((DRAWS, n + 2))
    at_end = np.searchsorted(np.cumsum(known[-1]) / known[-1].sum(), np.sort(luck[:, n]))
    last = np.minimum(at_end, GRID.size - 1).astype(np.int64)
    histories = _draw(known, jump_to, jump, spread, last, luck)
    draws = GRID[histories] + STEP * (luck[:, :1] - 0.5)
    now = draws[:, -1].copy()
    end = days[-1] if end_day is None else max(end_day, days[-1])
    if any(days[-1] < d <= end for d in renewals):
        mended = rng.random(DRAWS) < 0.9
        now = np.where(mended, rng.choice(GRID, DRAWS, p=jump_to), now)
    else:
        idle = (end - days[-1]) / 365.25
        now = now + movement.walk_per_sqrt_year * np.sqrt(idle) * rng.standard_normal(DRAWS)
    return LevelPaths(days, draws, now)
