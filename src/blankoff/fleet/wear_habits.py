"""What a habit of rigging is told by: it is not kept to on every job, and it goes where its owner goes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.wear_levels import GRID

__all__ = ["NOT_AS_USUAL", "SAME_LN", "SHAPE_SHARE", "now_and_then", "slow_elsewhere"]

Floats = NDArray[np.float64]

NOT_AS_USUAL = 0.12
"""Share of jobs that somebody with a habit of rigging does as others do: a core is taken out now and then, and one such job, or
two, as the newest is no end of the habit (judgement)."""
TELLS_LN, LEAST_APART = 0.5, 2.0
"""A job tells for or against a level by so much, ln; jobs with other gear together have to by so much (judgement)."""

SAME_LN = 0.1
"""Levels that differ less, ln, are the same all along (judgement)."""
SHAPE_SHARE = 0.1
"""Where two never parted and nothing ever changed, only the shape of a loss over pressure parts them; that much of a gain is
within what shapes themselves are wrong by (judgement)."""


def now_and_then(like: Floats) -> Floats:
    """Ln likelihood of a habit's levels where it is not kept to on every job, (n, levels).

    Parameters
    ----------
    like : float64 (n, levels)
        On `GRID`, if it were.
    """
    usual = like[:, [int(np.argmin(np.abs(GRID)))]]
    return np.asarray(np.logaddexp(np.log1p(-NOT_AS_USUAL) + like, np.log(NOT_AS_USUAL) + usual))


def slow_elsewhere(like: Floats, gear: Sequence[str | None], level: float) -> bool:
    """Whether half of the telling jobs with other gear than the usual piece, and all of those together, speak for a level.

    Parameters
    ----------
    like : float64 (n, levels)
        From `now_and_then`.
    gear : sequence of hose_id or pump_id
        Of the same jobs.
    level : float
        ln.
    """
    usual = Counter(gear).most_common(1)[0][0]
    says = like[:, int(np.argmin(np.abs(GRID - level)))] - like[:, int(np.argmin(np.abs(GRID)))]
    apart = says[[g != usual for g in gear]]
    telling = apart[np.abs(apart) > TELLS_LN]
    return bool(apart.sum() > LEAST_APART and (telling > 0).sum() >= 0.5 * telling.size)
