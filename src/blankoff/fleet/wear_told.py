"""What jobs say of levels that are tried on one asset: prediction and likelihood in one compiled pass.

Assets are asked thousands of times.  What a job's values cannot tell is not predicted, and nothing of the size of jobs
times levels is laid down but the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.vector_math import ln
from blankoff.fleet.wear_noise import density, density_terms
from blankoff.fleet.wear_seen import show_job, what_moves
from blankoff.physics.compiled import vector_kernel

__all__ = ["Told", "told_of_levels"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Told:
    """All jobs' values and rigs, as `told_of_levels` takes them.

    Attributes
    ----------
    of_row : float64 (n, 8)
        From `wear_speeds.SpeedTable.rigs`.
    value, variance : float64 (3, n)
        Viscous, line, above; nan where not known.
    shape : float64 (3, n, 7)
        Noise of each.
    middle : float
        Resistance that halves the middle rig's deep speed.
    """

    of_row: Floats
    value: Floats
    variance: Floats
    shape: Floats
    middle: float


@vector_kernel
def told_of_levels(
    rows: Ints,
    of_row: Floats,
    value: Floats,
    variance: Floats,
    shape: Floats,
    base: Floats,
    keep: Floats,
    more: Floats,
    constants: Floats,
    middle: float,
) -> Floats:
    """(n, k): ln likelihood of jobs under levels that are tried.

    Parameters
    ----------
    rows : int64 (n,)
        Which jobs.
    of_row, value, variance, shape, middle
        See `Told`.
    base, more : float64 (7, all jobs), (7, k)
        Levels in the order of `wear_speeds.LEVELS`, and what is tried beside them.
    keep : float64 (7,)
        0 for levels of which ``more`` is the whole, else 1.
    constants : float64 (6,)
    """
    n, k = rows.size, more.shape[1]
    out, w, shown, guess = np.zeros((n, k)), np.empty((5, k)), np.empty((3, k)), np.empty(k)
    last, moves = np.full(5, np.nan), what_moves(more)
    for q in range(n):
        i = rows[q]
        off_deep, off_above = 1.0 - of_row[i, 6], 1.0 - of_row[i, 7]
        seen, deep, above = not np.isnan(value[0, i]), not np.isnan(value[1, i]), not np.isnan(value[2, i])
        viscous = seen or (deep and off_deep > 0.0) or (above and off_above > 0.0)
        show_job(i, of_row, base, keep, more, moves, constants, middle, (viscous, deep, above), w, last, shown)
        if not viscous:
            shown[0, :] = 0.0
        for v in range(3):
            here = value[v, i]
            if np.isnan(here):
                continue
            off = 0.0 if v == 0 else (off_deep if v == 1 else off_above)
            narrow, sides = density_terms(variance[v, i], shape[v, i])
            for j in range(k):
                guess[j] = shown[v, j] - off * shown[0, j]
            for j in range(k):
                out[q, j] += ln(density(here - guess[j], narrow, sides)[0])
    return out
