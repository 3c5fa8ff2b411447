"""What an earlier pull of a log says of a later stand: how deep this pump draws this circuit, and how quickly. Kernels only."""

from __future__ import annotations

import math

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

_LOWER_LN = 0.4
_STANDS_LN = 0.05
_LEAST_S = 60.0
_TIMES = 5.0
"""A pump that runs draws a circuit down as it did an hour before: a stand within `_STANDS_LN` of its level, `_TIMES` as long as
the fall from that level to `_LOWER_LN` below it took in an earlier pull, and a minute at least, is a circuit that is shut off
(this project's judgement; dry gas let in between leaves nothing behind that would hold a floor up by half)."""
_WET_MICRON = 2000.0
"""Above it a stand may be water that boils, or ice that the gas let in has warmed."""


@kernel
def stopped_early(
    bt: FloatArray, by: FloatArray, bv: FloatArray, first: int, deepest: int, begin: int, low: int, end: int
) -> int:
    """First block of a stand that the pump, if it ran, would have drawn lower; -1 for none.

    Parameters
    ----------
    bt, by, bv
        Blocks of the log: s, ln p and its variance.
    first, deepest
        First block of the earlier pull, and its lowest.
    begin, low, end
        First block of this pull, its lowest, and the last of the stand.
    """
    level = by[low]
    if by[deepest] > level - _LOWER_LN or level > math.log(_WET_MICRON):
        return -1
    above = deepest
    while above > first and by[above] < level:
        above -= 1
    below = above
    while below < deepest and by[below] > level - _LOWER_LN:
        below += 1
    took_s = bt[below] - bt[above]
    stands = low
    while stands > begin and by[stands - 1] - level < max(_STANDS_LN, 4.0 * math.sqrt(bv[stands - 1] + bv[low])):
        stands -= 1
    return stands if bt[end] - bt[stands] > max(_TIMES * took_s, _LEAST_S) else -1
