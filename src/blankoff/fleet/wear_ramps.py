"""Since when: a loss that came on some day, or little by little, and the day on which it passed a limit.

Histories that jump and wander say well where a level stands and badly when it got there: a slow wear looks to them like a jump
half-way down.  So what jobs say is asked once more, of falls that last from no time to a year.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.wear_levels import GRID, STEP

__all__ = ["passed_on"]

Floats = NDArray[np.float64]

LASTS_DAYS = np.array([0.0, 60.0, 120.0, 180.0, 270.0, 400.0])
AT_ONCE = 0.5
"""Chance that a loss came on one day (judgement); all others alike."""
ABOUT = np.arange(-3, 4) * 0.05
"""Levels tried about those that histories tell, ln."""
MOST_ONSETS = 80


def passed_on(days: Floats, like: Floats, before: float, now: float, limit: float) -> tuple[Floats, Floats]:
    """Days on which a falling level may have passed a limit below where it was, and the weight of each.

    Parameters
    ----------
    days : float64 (n,)
        Of uses, in order of time.
    like : float64 (n, levels)
        What each use says of every level of `GRID`, ln.
    before, now : float
        ln levels as histories tell them.
    limit : float
        ln share of ``before``, below zero.

    Returns
    -------
    float64 (k,), float64 (k,)
        Empty where none falls so far.
    """
    n = days.size
    onset = np.unique(np.linspace(1, n - 1, min(n - 1, MOST_ONSETS)).astype(np.int64)) if n > 1 else np.array([], int)
    if onset.size == 0:
        return np.empty(0), np.empty(0)
    begin = 0.5 * (days[onset] + days[onset - 1])
    old, new = (np.exp(x + ABOUT) for x in (before, now))
    every, when, score = np.arange(n), [], []
    for lasts in LASTS_DAYS:
        since = days[None, :] - begin[:, None]
        come = (since >= 0).astype(np.float64) if lasts == 0.0 else np.clip(since / lasts, 0.0, 1.0)
        come /= np.maximum(come[:, -1:], 1e-9)
        prior = np.log(AT_ONCE if lasts == 0.0 else (1.0 - AT_ONCE) / (LASTS_DAYS.size - 1))
        for a in old:
            for b in new:
                if b >= a * np.exp(limit):
                    continue
                level = np.log(a + (b - a) * come)
                place = np.clip(np.rint((level - GRID[0]) / STEP), 0, GRID.size - 1).astype(np.int64)
                score.append(like[every[None, :], place].sum(axis=1) + prior)
                # Where a straight fall has come down to the limit.
                share = a * (1.0 - np.exp(limit)) / (a - b)
                whole = np.minimum(lasts, days[-1] - begin)
                when.append(begin + share * whole)
    if not score:
        return np.empty(0), np.empty(0)
    weight = np.concatenate(score)
    weight = np.exp(weight - weight.max())
    return np.concatenate(when), weight / weight.sum()
