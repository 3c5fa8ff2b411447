"""Whether a stretch that rises or stands after pumping is a hold, and since when. Kernels only."""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_bends import sharpest_bend, smooth_cost, standing_cost
from blankoff.evacuation.phases_clean import GAP_S, SIGMA, WANDER, step_at
from blankoff.evacuation.phases_isolation import (
    AFTER,
    AFTER_SLOPE,
    BEFORE,
    BEFORE_SLOPE,
    COST,
    COST_BEFORE,
    SKIPPED,
    candidate_costs,
)
from blankoff.physics.compiled import copy_into, kernel
from blankoff.samples import FloatArray, IntArray

_WINDOW_BLOCKS = 24
_SHORT_WINDOW_BLOCKS = 6
_LONG_WINDOW_BLOCKS = 96
_DESCRIBED = 2.0
_DESCRIBED_LONG = 1.3
"""Misfit per reading up to which a window's curves are taken for it; of the longest, closer, for less bends unnoticed there."""

_BEFORE_BLOCKS = 12
_CANDIDATES = 40
_AFTER_BLOCKS = 8
_AFTER_LN = 0.35
_LEAST_AFTER = 12
_SAG_BLOCKS = 30
_SPANS = (5, 14, 4)
_SHORTEST_S = 15.0

BEND_EVIDENCE = 26.0
"""Twice the logarithm of the likelihood ratio, hold against one smooth pumped curve, that makes a hold."""

_CLIMB = 40.0
_CLIMB_LN = 0.08
"""The same for a rise against standing still, and the rise of ln p that pumped curves seldom show."""

_FLAT_LN = 0.03
_FLAT_EVIDENCE = 45.0
_FAST_LN = 0.3
_FAST_PER_S = 1.5e-4
"""A rise by a third within half an hour or so, to the log's end, needs no bend to be a hold."""

_LAST_CLIMB = 60.0
_LAST_LN = 0.03
_LAST_PER_S = 4e-5
_LEAST_LAST_S = 60.0
"""A log's last stretch may rise less, if it rises so fast: a pumped floor wanders with the oil's warmth and the day, over
tens of minutes. Of the 568 simulated logs without a hold that these bounds were chosen by, none shows that for a minute."""

_SUDDEN_PER_S = -1.5e-3
"""A fall of ln p that fast, and then a rise: no pump does that of itself."""

_SUDDEN_LN = 0.15
"""By so much it has to fall over three blocks."""

_LOST_LN = 0.4
"""A hold doesn't end that far below where pumping ended: pumping went on."""

_STEPS = 2.2

_MARK_SHARE = 0.35
"""Share of the evidence that is enough next to a mark."""

MARK_REACH_S = 90.0

N_RISE = 13
ACCEPTED, ISO_S, ISO_SD, ISO_J, PUMPED, STEP, EVIDENCE, RATE_BEFORE, RATE_AFTER, RISE_LN, IN_GAP, LAST_S, CLIMB = range(
    N_RISE
)
"""Places of what is found about a rise."""


@kernel
def _evidence(
    bt: FloatArray,
    by: FloatArray,
    bv: FloatArray,
    first: int,
    end: int,
    k: int,
    taus: FloatArray,
    inflate: float,
    row: FloatArray,
) -> tuple[float, float, float]:
    """Evidence for a hold from block `k`: against a smooth curve, against standing still; and the noise's inflation."""
    bend = climb = 0.0
    spread = 1e300
    kept = row[0].copy()
    # a pumped curve that one parabola does not describe is taken over a shorter stretch
    for window in (_LONG_WINDOW_BLOCKS, _WINDOW_BLOCKS, _SHORT_WINDOW_BLOCKS):
        candidate_costs(bt, by, bv, first, end, k, k, window, 1, taus, row)
        skipped = int(row[0, SKIPPED])
        start = first + skipped
        fitted = row[0, COST] - skipped
        free = max(end - start + 1 - 6, 1)
        now = max(inflate, fitted / free)
        if now < 0.7 * spread:
            spread = now
            bend = (smooth_cost(bt, by, bv, start, end) - fitted) / spread
            climb = (standing_cost(by, bv, k, end) - (row[0, COST] - row[0, COST_BEFORE])) / spread
            copy_into(kept, row[0])
        if spread < (_DESCRIBED_LONG if window == _LONG_WINDOW_BLOCKS else _DESCRIBED):
            break
    copy_into(row[0], kept)
    return bend, climb, spread


@kernel
def weigh_rise(
    ct: FloatArray,
    scales: FloatArray,
    bt: FloatArray,
    by: FloatArray,
    bv: FloatArray,
    bs: IntArray,
    pull: int,
    low: int,
    end: int,
    final: bool,
    marked_s: float,
    out: FloatArray,
    rise: FloatArray,
) -> None:
    """Weigh a stretch that rises or stands after pumping: is it a hold, and since when.

    Parameters
    ----------
    pull, low, end
        Blocks: where the pull begins, where pressure is lowest, the last one of the rise.
    final
        Whether the log ends with this stretch.
    marked_s
        Time of a mark that says isolated, NaN if there is none.
    rise
        Out, by the places named above.
    """
    rise[:] = 0.0
    inflate = scales[WANDER]
    # a hold may sag after its highest point; what it is shows before
    last = end
    peak = low
    for k in range(low, end + 1):
        if by[k] > by[peak]:
            peak = k
    end = max(peak, min(end, low + _SAG_BLOCKS))
    near = 2.5 * math.sqrt(bv[low] * inflate) + 0.03
    lo = low
    while lo > pull + 1 and by[lo - 1] < by[low] + near:
        lo -= 1
    # a pumped floor may drift upwards before the isolation, but not by most of the rise
    far = max(near, min(0.3, 0.4 * (by[end] - by[low])))
    hi = low
    while hi < end and by[hi + 1] < by[low] + far:
        hi += 1
    lo = max(lo - 2, pull + 1)
    hi = min(hi + 2, end - 1)
    if hi < lo:
        hi = lo = min(max(low, pull + 1), end)
    # a quick rise is weighed by its first part only: one exponential does not describe all of it
    whole = end
    end = hi
    while end < whole and (end < hi + _AFTER_BLOCKS or by[end] < by[low] + _AFTER_LN):
        end += 1
    taus = np.array([10.0, 40.0, 160.0, 640.0])
    first = max(pull, lo - _BEFORE_BLOCKS)
    stride = max(1, (hi - lo + 1) // _CANDIDATES)
    candidate_costs(bt, by, bv, first, end, lo, hi, _WINDOW_BLOCKS, stride, taus, out)
    best = lo
    for k in range(lo, hi + 1, stride):
        if out[k - lo, COST] < out[best - lo, COST]:
            best = k
    least = out[best - lo, COST]
    row = np.empty((1, out.shape[1]))
    bend, climb, spread = _evidence(bt, by, bv, first, end, best, taus, inflate, row)
    best_end = end
    total = mean = var = 0.0
    for sweep in range(2):
        for k in range(lo, hi + 1, stride):
            w = math.exp(max(-0.5 * (out[k - lo, COST] - least) / spread, -700.0))
            if sweep:
                var += w * (bt[k] - mean) ** 2
            else:
                total += w
                mean += w * bt[k]
        if not sweep:
            mean /= total
    coarse = math.sqrt(var / total)
    if stride > 1:
        a = max(best - stride, lo)
        b = min(best + stride, hi)
        candidate_costs(bt, by, bv, first, end, a, b, _WINDOW_BLOCKS, 1, taus, out)
        for k in range(a, b + 1):
            if out[k - a, COST] < out[best - a, COST]:
                best = k
        bend, climb, spread = _evidence(bt, by, bv, first, end, best, taus, inflate, row)
    # a sudden stop of the fall may lie where the rise after it is too small to weigh
    for shape in range(3):
        k = sharpest_bend(bt, by, bv, max(pull, lo - 40), whole, _SPANS[shape], lo, shape == 2)
        if k > pull and k < whole and abs(k - best) > 1:
            k_end = k
            while k_end < whole and (k_end < k + _LEAST_AFTER or by[k_end] < by[k] + _AFTER_LN):
                k_end += 1
            k_bend, k_climb, k_spread = _evidence(
                bt, by, bv, max(pull, k - _BEFORE_BLOCKS - _LONG_WINDOW_BLOCKS), k_end, k, taus, inflate, row
            )
            if k_bend * k_spread > bend * spread and k_bend > bend:
                best, bend, climb, spread = k, k_bend, k_climb, k_spread
                coarse = 0.0
                best_end = k_end
    bend, climb, spread = _evidence(
        bt, by, bv, max(pull, best - _BEFORE_BLOCKS - _LONG_WINDOW_BLOCKS), best_end, best, taus, inflate, row
    )
    found = row[0]
    rise[EVIDENCE] = bend
    rise[CLIMB] = climb
    level = max(found[BEFORE], 1.0)
    rise[RATE_BEFORE] = found[BEFORE_SLOPE] / level
    rise[RATE_AFTER] = found[AFTER_SLOPE] / level
    end = whole
    rise[RISE_LN] = by[end] - math.log(max(found[AFTER], 1.0))
    _first_guess(ct, scales, bs, last, best, coarse, found, rise)

    held = by[last] > min(math.log(max(rise[PUMPED], 1.0)), by[best]) - _LOST_LN
    sudden = _stops_suddenly(bt, by, pull, best, rise[RATE_BEFORE])
    if held and _shows(by, max(pull, best - 6), best, last, scales) and _rises_as_a_hold(rise, sudden, marked_s, final):
        rise[ACCEPTED] = 1.0


@kernel
def _stops_suddenly(bt: FloatArray, by: FloatArray, pull: int, best: int, rate_before: float) -> bool:
    """Whether a fall that no pump ends by itself ends with a block: by its fitted rate, or by the three blocks before it."""
    k = max(pull, best - 3)
    fall = by[best] - by[k]
    return rate_before < _SUDDEN_PER_S or (fall < -_SUDDEN_LN and fall < _SUDDEN_PER_S * (bt[best] - bt[k]))


@kernel
def _shows(by: FloatArray, first: int, best: int, last: int, scales: FloatArray) -> bool:
    """Whether pressure moves by more than two of the gauge's steps, which may be one of them, or its noise hides those."""
    top = floor = math.exp(by[best])
    for k in range(first, last + 1):
        top = max(top, math.exp(by[k]))
        floor = min(floor, math.exp(by[k]))
    step = step_at(scales, floor)
    return top - floor > _STEPS * step or step < 2.0 * scales[SIGMA] * floor


@kernel
def _rises_as_a_hold(rise: FloatArray, sudden: bool, marked_s: float, final: bool) -> bool:
    """Whether what was found of a stretch makes it a hold; `sudden` and `final` as above, `marked_s` as in `weigh_rise`."""
    bend, climb, grown, lasts_s = rise[EVIDENCE], rise[CLIMB], rise[RISE_LN], rise[LAST_S]
    if not (rise[RATE_AFTER] > rise[RATE_BEFORE] and rise[RATE_AFTER] >= 0.0 and lasts_s > _SHORTEST_S):
        return False
    # no mark is NaN, which lies nowhere near
    need = _MARK_SHARE if abs(marked_s - rise[ISO_S]) < MARK_REACH_S else 1.0
    # standing still without a rise may be a floor; it takes more to be a hold
    if bend > (BEND_EVIDENCE if grown > _FLAT_LN else _FLAT_EVIDENCE) * need:
        return True
    if climb > _CLIMB * need and grown > _CLIMB_LN and (sudden or bend > 0.3 * BEND_EVIDENCE):
        return True
    if climb > 2.5 * _CLIMB and grown > 2.5 * _CLIMB_LN and (sudden or bend > 0.1 * BEND_EVIDENCE):
        return True
    if not final:
        return False
    if climb > 0.5 * _CLIMB and grown > _FAST_LN and grown > _FAST_PER_S * lasts_s:
        return True
    return bool(climb > _LAST_CLIMB and lasts_s > _LEAST_LAST_S and grown > max(_LAST_LN, _LAST_PER_S * lasts_s))


@kernel
def _first_guess(
    ct: FloatArray,
    scales: FloatArray,
    bs: IntArray,
    end: int,
    best: int,
    coarse: float,
    found: FloatArray,
    rise: FloatArray,
) -> None:
    """Isolation as far as blocks tell it: between the last reading before the best block and its first."""
    j = max(bs[best], 1)
    spacing = ct[j] - ct[j - 1]
    rise[ISO_S] = ct[j] - 0.5 * spacing
    rise[ISO_SD] = math.hypot(coarse, ct[bs[best + 1] - 1] - ct[j] + spacing)
    rise[ISO_J] = j
    rise[PUMPED] = found[BEFORE]
    rise[STEP] = found[AFTER] - found[BEFORE]
    if spacing > scales[GAP_S]:
        rise[IN_GAP] = 1.0
        rise[ISO_SD] = spacing
    rise[LAST_S] = ct[bs[end + 1] - 1] - rise[ISO_S]
