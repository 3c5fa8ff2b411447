"""Falls of pressure: which are pumping, where one begins, and what stood before the first. Kernels only."""

from __future__ import annotations

import math

from blankoff.evacuation.phases_clean import TOP_LN, reading_variance_ln
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray

_RESTART_S = 45.0
_RESTART_PER_S = 7e-4
"""A pump on an open valve lowers ln p at least so fast for so long: 200 l at 0.14 l/s; holds sag ten times slower."""

_NEAR_ATMOSPHERE_LN = math.log(450_000.0)
"""A gauge that reads so high at first shows a circuit that nobody has pumped yet."""


@kernel
def fall_start(cy: FloatArray, scales: FloatArray, i0: int, i1: int) -> int:
    """Last reading of a level before pressure falls, from reading i0 (in the level) to i1 (well below it)."""
    high = cy[i0]
    for i in range(i0, i1 + 1):
        if cy[i] > high:
            high = cy[i]
    last = i0
    for i in range(i0, i1 + 1):
        if cy[i] >= high - 2.5 * math.sqrt(reading_variance_ln(scales, math.exp(cy[i]))) - 0.004:
            last = i
    return last


@kernel
def is_pumped(bt: FloatArray, by: FloatArray, bv: FloatArray, low: int, high: int, after: int) -> bool:
    """Whether a fall between blocks `high` and `after` is pumping, and not a hold that sags or noise."""
    fall = by[high] - by[after]
    if fall > 0.7 * (by[high] - by[low]) and fall > 0.25:
        return True
    return falls_at(bt, by, bv, high, after, _RESTART_PER_S)


@kernel
def falls_at(bt: FloatArray, by: FloatArray, bv: FloatArray, high: int, after: int, per_s: float) -> bool:
    """Whether ln p surely falls at a rate somewhere between two blocks, over `_RESTART_S` or the next block."""
    j = high
    for i in range(high, after):
        while j < after and bt[j] - bt[i] < _RESTART_S:
            j += 1
        if by[i] - by[j] - 4.0 * math.sqrt(bv[i] + bv[j]) > per_s * (bt[j] - bt[i]):
            return True
    return False


@kernel
def fastest_fall(bt: FloatArray, by: FloatArray, first: int, last: int, gap_s: float) -> float:
    """Fastest fall of ln p from one block to the next, per s, leaving out what lies `gap_s` or more apart; at least 0."""
    fastest = 0.0
    for g in range(first, last):
        if bt[g + 1] - bt[g] < gap_s:
            fastest = max(fastest, (by[g] - by[g + 1]) / (bt[g + 1] - bt[g]))
    return fastest


@kernel
def before_first_fall(
    cy: FloatArray, by: FloatArray, bv: FloatArray, bs: IntArray, scales: FloatArray, high: int, low: int
) -> tuple[int, bool]:
    """Last reading of what stands before a log's first fall, from block `high` to `low`, and whether it is a hold.

    It is one where it rose from the first reading on. -1 where the gauge showed nothing so high: the pump may have run
    all along.
    """
    if by[high] >= scales[TOP_LN] - 1e-9:
        return -1, False
    rises = by[high] - by[0] > max(0.05, 6.0 * math.sqrt(bv[0])) and high >= 3
    return fall_start(cy, scales, bs[high], bs[low]), rises and by[0] <= _NEAR_ATMOSPHERE_LN
