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
from numpy.typing import NDArray
from scipy.special import logsumexp

from blankoff.physics.compiled import kernel

__all__ = ["GRID", "MOVES", "LevelPaths", "Movement", "level_paths"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP = 0.025
GRID = np.arange(-80, 41) * STEP
"""ln ratios on which levels live: from a seventh to e times the fleet's middle."""
DRAWS = 240
"""Histories drawn per asset; enough for a probability to two places (judgement)."""


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


PUMP_MOVES = Movement(0.25, 0.12, 0.12, -1.2, 0.0, 0.05)
HOSE_MOVES = Movement(0.20, 0.06, 0.10, -2.0, 0.0, 0.08)
TECHNICIAN_MOVES = Movement(0.12, 0.05, 0.05, -1.6, 0.0, 0.10)
MOVES = {"pump": PUMP_MOVES, "hose": HOSE_MOVES, "technician": TECHNICIAN_MOVES}
"""How levels move, before data (judgement): a jump in eight years of a pump's life or so, mostly down."""


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
    changed : float
        ln evidence that the level moved at all, over having been the same throughout.
    """

    days: Floats
    draws: Floats
    now: Floats
    changed: float

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


@kernel
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


@kernel
def _filter(like: Floats, start: Floats, jump_to: Floats, jump: Floats, spread: Floats) -> tuple[Floats, float]:
    """(n, levels): what is known of each level after each value; and ln likelihood of all values."""
    n, m = like.shape
    known = np.empty((n, m))
    p = start.copy()
    evidence = 0.0
    for i in range(n):
        if i > 0:
            p = (1.0 - jump[i]) * _walk(p, spread[i]) + jump[i] * jump_to
        p = p * like[i]
        total = p.sum()
        evidence += np.log(max(total, 1e-300))
        p = p / total if total > 0.0 else jump_to.copy()
        known[i] = p
    return known, evidence


@kernel
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
    known, evidence = _filter(like, first, jump_to, jump, spread)
    still = float(logsumexp(np.log(like + 1e-300).sum(axis=0), b=first))
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
    return LevelPaths(days, draws, now, float(evidence) - still)
