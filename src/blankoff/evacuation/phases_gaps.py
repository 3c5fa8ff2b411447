"""How early within a gap of its log a circuit can have been isolated. Kernels only."""

from __future__ import annotations

import math

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

_FIRST_READINGS = 8
"""Readings after a gap by which a rise is led back into it."""


@kernel
def earliest_in_gap(ct: FloatArray, cy: FloatArray, j: int, last: int, level: float) -> float:
    """Earliest that a circuit can have been isolated before reading `j`, to have been at `level` microns then.

    A rise does not quicken, so it began no earlier than a straight line through its first readings says. A gauge that
    writes only what changes is silent all along a floor, and that is no sign of an isolation in the middle of it.
    """
    n = min(_FIRST_READINGS, last - j + 1)
    earliest = float(ct[j - 1])
    if n < 4:
        return earliest
    t0 = p0 = 0.0
    for i in range(j, j + n):
        t0 += ct[i] / n
        p0 += math.exp(cy[i]) / n
    tt = tp = 0.0
    for i in range(j, j + n):
        tt += (ct[i] - t0) ** 2
        tp += (ct[i] - t0) * (math.exp(cy[i]) - p0)
    slope = tp / tt if tt > 0.0 else 0.0
    rest = 0.0
    for i in range(j, j + n):
        rest += (math.exp(cy[i]) - p0 - slope * (ct[i] - t0)) ** 2
    # as slow as the readings leave open
    slope -= 2.0 * math.sqrt(rest / ((n - 2) * tt)) if tt > 0.0 else 0.0
    if slope <= 0.0:
        return earliest
    begun = t0 - max(p0 - level, 0.0) / slope - (ct[j + n - 1] - ct[j]) / (n - 1)
    return float(min(max(earliest, begun), ct[j]))
