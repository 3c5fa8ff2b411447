"""The moment of isolation of a hold that has been found: pumped curve and rise are fitted together around it.

Before the isolation pressure falls as a sum of exponentials towards a floor that may itself still fall; after it, it
rises by a steady and a saturating part. That the curve is continuous at the isolation is a linear constraint; what it
costs is known from the two fits. Kernels only.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_clean import GAP_S, MEDIAN_DT, WANDER, reading_variance_ln
from blankoff.evacuation.phases_gaps import earliest_in_gap
from blankoff.evacuation.phases_lag import LAGS_S, lagged_rises
from blankoff.evacuation.phases_sides import (
    COST,
    HEAD_SHARES,
    N_SIDE,
    SLOPE,
    TERM_PRICE,
    VALUE,
    VAR,
    WHOLE_SHARES,
    pumped_side,
    rising_side,
)
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray

_HEADS = 3
_HEAD_LN = 0.9
_HEAD_BLOCKS = 50
"""The pumped curve is fitted from at most so far above its low, over at most so many blocks before the candidates; where
no shape describes that, from half as far, and so on."""

_HEAD_LEAST = 6
"""Never so short that the likeliest block is among its first: a steep fall to the isolation lies within few blocks."""

_DESCRIBED = 2.0
"""Misfit per reading up to which a curve is described."""

_TAIL_LN = 0.5
_TAIL_BLOCKS = 30
_REACH_LN = 0.3
_REACH_BLOCKS = 60
"""Candidates lie within this of the lowest level, and so many blocks to either side of the first guess."""

_CANDIDATES = 48
_SINGLES = 25
"""Candidate blocks looked at first; readings taken singly beyond the likely ones."""

_JUMP_PRICE = -4.5
_STEP_SCALE = 0.1
_DROP_PRICE = 12.0
_OPEN = 9.0
"""Price of a jump up against a mere bend: pressures along the circuit even out within seconds of the isolation, so a
step is the rule; of any size alike, a tenth of the level being usual, so that the better two levels are known the less a
jump of just the size between them says. A drop is rare. And the price up to which a block stays open; in units of twice
the log-likelihood."""

_LAG_PRICE = 0.0
_LAG_SEEN_S = 4.0
"""Price of a gauge that answers late, in the same units, and the interval between readings up to which that shows."""

_FLOOR_INFLATION = 1.2
"""Noise of single readings is seldom quite white."""

_ANSWER_S = 1.5
"""How long a valve takes to close and a gauge to answer, which the curve does not tell apart (common practice)."""

_SHAPE_SHARE = 0.02
"""No sum of exponentials is quite the curve: it is trusted to this share of what pressure lies above its lowest."""

_AT_ONCE_BLOCKS = 5
_FREE_READINGS = 4
"""A hold that begins within so many blocks of a steep fall may have begun at any reading of it. So few readings before it
are not asked to follow a shape: each costs a term."""

_PARTS = 4
"""Parts of the interval between two readings that the isolation is placed in."""

N_MOMENT = 9
(
    MOMENT_S,
    MOMENT_SD,
    MOMENT_J,
    MOMENT_PUMPED,
    MOMENT_STEP,
    MOMENT_GAP,
    MOMENT_EVIDENCE,
    MOMENT_SHARP,
    MOMENT_RISE_LN,
) = range(N_MOMENT)
"""Places of what is found: the isolation, s, and its standard deviation; first reading of the hold; pumped value and
step there, microns; length of the gap it lies in, s, 0 for none; evidence against one smooth curve through both sides,
and against a richer family, which describes floors reached at once; rise of ln p to the hold's end."""


@kernel
def _back(part: int) -> float:
    """How far before a reading the middle of a part of the interval lies, as a share of it; the earliest part first."""
    return 1.0 - (part + 0.5) / _PARTS


@kernel
def _free_fall(z: FloatArray, w: FloatArray, n: int, row: FloatArray, other: FloatArray) -> bool:
    """Let the `n` first readings fall as they do, where that is cheaper than a shape; whether it is.

    Pressure goes on falling to the isolation, which leaves the rise to say where it came to, unless that is above them.
    """
    price = TERM_PRICE * n
    for i in range(1, n):
        risen = max(z[i] - z[i - 1], 0.0)
        price += risen * risen / (1.0 / w[i] + 1.0 / w[i - 1])
    # any shape goes through one reading
    if n > 1 and price >= row[COST]:
        return False
    row[COST] = price
    row[VAR] = 1.0 / w[n - 1]
    row[VALUE], row[SLOPE] = z[n - 1], 0.0
    if other[VALUE] < z[n - 1]:
        row[VALUE], row[SLOPE] = other[VALUE], other[SLOPE]
    return True


@kernel
def _weigh(
    t: FloatArray,
    z: FloatArray,
    w: FloatArray,
    lo: int,
    hi: int,
    stride: int,
    inflate: float,
    at_once: bool,
    cost: FloatArray,
    share: FloatArray,
    before: FloatArray,
    after: FloatArray,
    late: FloatArray,
) -> None:
    """Twice the negative log-likelihood that the hold begins with each candidate, and how it lies over the interval.

    The curve bends at a moment of the interval before the candidate, or it jumps somewhere in it; where `late` has room,
    it may also bend as a gauge with lag shows it. `at_once`: the first readings may be a fall of no known shape.
    """
    n = hi - lo + 1
    pumped_side(t, z, w, lo, hi, stride, HEAD_SHARES, True, before)
    rising_side(t, z, w, lo, hi, stride, after)
    falls = np.zeros(_FREE_READINGS, dtype=np.bool_)
    if at_once:
        for k in range(min(n, max(_FREE_READINGS + 1 - lo, 0))):
            falls[k] = _free_fall(z, w, lo + k, before[k], after[k])
    best = 1e300
    for k in range(0, n, stride):
        best = min(best, before[k, COST] + after[k, COST])
    inflate = max(inflate, best / max(t.size - 6, 1))
    if late.size:
        lagged_rises(t, z, w, lo, hi, before, late)
    for k in range(n):
        cost[k] = 1e300
        if k % stride:
            continue
        row, other = before[k], after[k]
        spacing = t[lo + k] - t[lo + k - 1]
        # any moment is as likely as another beforehand, so a longer interval between readings is likelier
        base = (row[COST] + other[COST]) / inflate - 2.0 * math.log(max(spacing, 1e-3))
        # where a fall without a shape ended is not known, so that a step is no sign
        up = other[VALUE] > row[VALUE] and not (k < _FREE_READINGS and falls[k])
        slow = 0.0
        for i in range(late.shape[1] if late.size else 0):
            slow += math.exp(-0.5 * min(max((late[k, i] - other[COST]) / inflate + _LAG_PRICE, -60.0), 700.0))
        total = 0.0
        for part in range(_PARTS):
            back = _back(part) * spacing
            apart = (other[VALUE] - other[SLOPE] * back) - (row[VALUE] - row[SLOPE] * back)
            var = (row[VAR] + other[VAR]) * inflate + 1e-12
            bend = apart * apart / var
            step = math.exp(-0.5 * _DROP_PRICE)
            if up:
                wide = _STEP_SCALE * max(row[VALUE], 1.0)
                step = max(step, math.exp(-0.5 * _JUMP_PRICE) * min(math.sqrt(2.0 * math.pi * var) / wide, 1.0))
            share[k, part] = math.exp(-0.5 * min(bend, 700.0)) + step + slow
            total += share[k, part]
        cost[k] = base - 2.0 * math.log(total / _PARTS)
        for part in range(_PARTS):
            share[k, part] /= total


@kernel
def locate_isolation(
    ct: FloatArray,
    cy: FloatArray,
    scales: FloatArray,
    bt: FloatArray,
    by: FloatArray,
    bv: FloatArray,
    bs: IntArray,
    pull: int,
    end: int,
    guess_s: float,
    result: FloatArray,
) -> bool:
    """Isolation of a hold from blocks around a first guess, then from single readings around the likely blocks.

    Parameters
    ----------
    ct, cy, scales, bt, by, bv, bs
        Readings and blocks of one log as `phases_clean` makes them.
    pull, end
        First block of the pull, last block of the hold.
    guess_s
        First guess of the isolation, s.
    result
        Out, by the places named above.

    Returns
    -------
    bool
        False when there are too few blocks to tell better than the guess.
    """
    low = pull
    while low < end and bt[low] < guess_s:
        low += 1
    guess = low
    for k in range(max(pull, guess - 3), min(end, guess + 3) + 1):
        if by[k] < by[low]:
            low = k
    lo = hi = low
    while lo > pull + 3 and low - lo < _REACH_BLOCKS and by[lo - 1] < by[low] + _REACH_LN:
        lo -= 1
    while hi < end - 3 and hi - low < _REACH_BLOCKS and by[hi + 1] < by[low] + _REACH_LN:
        hi += 1
    last = hi
    while last < end and last - hi < _TAIL_BLOCKS and (by[last + 1] < by[low] + _TAIL_LN or last < low + 6):
        last += 1
    hi = min(hi, last - 3)
    floor = math.exp(by[low])
    first = lo
    n = 0
    stride = 1
    cost = np.empty(hi - pull + 2)
    share = np.empty((hi - pull + 2, _PARTS))
    before = np.empty((hi - pull + 2, N_SIDE))
    after = np.empty((hi - pull + 2, N_SIDE))
    best = 0
    none = np.empty((0, 0))
    for halving in range(_HEADS):
        reach = 0.5**halving
        begin = lo
        while begin > pull and lo - begin < reach * _HEAD_BLOCKS and by[begin - 1] < by[low] + reach * _HEAD_LN:
            begin -= 1
        while begin < low - 6 and by[begin] > by[low] + reach * _HEAD_LN:
            begin += 1
        if halving and begin > lo + best - _HEAD_LEAST:
            break
        first = begin
        lo = max(lo, first + 3)
        n = hi - lo + 1
        if n < 1:
            return False
        z = np.exp(by[first : last + 1])
        shape = np.maximum(z - floor, 0.0) * _SHAPE_SHARE
        w = 1.0 / (z * z * bv[first : last + 1] + shape * shape)
        stride = 1 + (n - 1) // _CANDIDATES
        inflate = max(scales[WANDER], 1.0)
        _weigh(
            bt[first : last + 1], z, w, lo - first, hi - first, stride, inflate, False, cost, share, before, after, none
        )
        best = 0
        for k in range(n):
            if cost[k] < cost[best]:
                best = k
        if before[best, COST] < _DESCRIBED * inflate * (lo + best - first + 6):
            break
    whole = last - first + 1
    split = before[best, COST] + after[best, COST]
    inflate = max(scales[WANDER], max(1.0, split / max(whole - 6, 1)))
    smooth = np.empty((1, N_SIDE))
    for shares, place in ((HEAD_SHARES, MOMENT_EVIDENCE), (WHOLE_SHARES, MOMENT_SHARP)):
        pumped_side(bt[first : last + 1], z, w, whole - 1, whole - 1, 1, shares, False, smooth)
        result[place] = (smooth[0, COST] - split) / inflate
    result[MOMENT_SHARP] = min(result[MOMENT_SHARP], result[MOMENT_EVIDENCE])
    begins = max(math.log(before[best, VALUE]), float(np.mean(by[lo + best - 1 : lo + best + 2])))
    result[MOMENT_RISE_LN] = np.mean(by[max(end - 4, lo + best) : end + 1]) - begins
    a = b = best
    for k in range(n):
        if cost[k] < cost[best] + _OPEN:
            a = min(a, k)
            b = max(b, k)
    # blocks far from the likely ones stay; between them readings count singly
    a = max(bs[max(lo + a - 1 - stride, first + 2)], bs[first] + 3)
    b = min(bs[min(lo + b + 1 + stride, last - 1) + 1] - 1, bs[last + 1] - 4)
    at_once = lo + best <= first + _AT_ONCE_BLOCKS
    extra = 0
    if at_once:
        # the last reading of the steep fall before is one more that may be the last before the isolation
        extra = 1 if first > pull else 0
        a = bs[first] - extra + 1
    head = first
    while head < last and bs[head + 1] <= a - _SINGLES:
        head += 1
    tail = last
    while tail > first and bs[tail] > b + _SINGLES:
        tail -= 1
    single = bs[tail + 1] - bs[head] + extra
    m = head - first + single + last - tail
    t = np.empty(m)
    z = np.empty(m)
    w = np.empty(m)
    i = 0
    for k in range(first, last + 1):
        if head <= k <= tail:
            for j in range(bs[k] - (extra if k == head else 0), bs[k + 1]):
                t[i] = ct[j]
                z[i] = math.exp(cy[j])
                part = max(z[i] - floor, 0.0) * _SHAPE_SHARE
                w[i] = 1.0 / (z[i] * z[i] * reading_variance_ln(scales, z[i]) + part * part)
                i += 1
        else:
            t[i] = bt[k]
            z[i] = math.exp(by[k])
            part = max(z[i] - floor, 0.0) * _SHAPE_SHARE
            w[i] = 1.0 / (z[i] * z[i] * bv[k] + part * part)
            i += 1
    shift = head - first - bs[head] + extra
    a = max(a, bs[head] - extra + 1)
    b = max(a, b)
    n = b - a + 1
    cost = np.empty(n)
    share = np.empty((n, _PARTS))
    before = np.empty((n, N_SIDE))
    after = np.empty((n, N_SIDE))
    late = np.empty((n, LAGS_S.size)) if scales[MEDIAN_DT] < _LAG_SEEN_S else none
    _weigh(t, z, w, a + shift, b + shift, 1, _FLOOR_INFLATION, at_once, cost, share, before, after, late)
    best = 0
    for k in range(n):
        if cost[k] < cost[best]:
            best = k
    if not cost[best] < 1e299:
        return False
    total = mean = square = half = 0.0
    least = cost[best]
    for k in range(n):
        cost[k] = math.exp(-0.5 * min(cost[k] - least, 700.0))
        total += cost[k]
    at = -1
    isolated_s = 0.0
    for k in range(n):
        for part in range(_PARTS):
            weight = cost[k] * share[k, part] / total
            moment_s = ct[a + k] - _back(part) * (ct[a + k] - ct[a + k - 1])
            mean += weight * (moment_s - ct[a])
            square += weight * (moment_s - ct[a]) ** 2
            half += weight
            if at < 0 and half >= 0.5:
                at = k
                isolated_s = moment_s
    j = a + at
    spacing = ct[j] - ct[j - 1]
    result[MOMENT_S] = isolated_s
    result[MOMENT_SD] = math.sqrt(max(square - mean * mean, 0.0) + _ANSWER_S * _ANSWER_S)
    result[MOMENT_J] = j
    result[MOMENT_PUMPED] = before[at, VALUE]
    result[MOMENT_STEP] = after[at, VALUE] - before[at, VALUE]
    result[MOMENT_GAP] = 0.0
    if spacing > scales[GAP_S]:
        earliest = earliest_in_gap(ct, cy, j, bs[last + 1] - 1, before[at, VALUE])
        if isolated_s < earliest:
            # it lies between there and the first reading after
            result[MOMENT_S] = 0.5 * (earliest + ct[j])
        result[MOMENT_GAP] = spacing
    return True
