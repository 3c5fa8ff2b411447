"""From turning points to phases: what each rise is, where it begins, and what lies between. Kernels only."""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_clean import (
    GAP_S,
    MEDIAN_DT,
    N_SCALES,
    TOP_LN,
    WANDER,
    block_wander,
    coarsen_blocks,
    compact,
    make_blocks,
    measure_scales,
    reading_variance_ln,
    turning_points,
)
from blankoff.evacuation.phases_isolation import N_FIT
from blankoff.evacuation.phases_jumps import find_jump
from blankoff.evacuation.phases_locate import (
    MOMENT_EVIDENCE,
    MOMENT_GAP,
    MOMENT_J,
    MOMENT_PUMPED,
    MOMENT_RISE_LN,
    MOMENT_S,
    MOMENT_SD,
    MOMENT_SHARP,
    MOMENT_STEP,
    N_MOMENT,
    locate_isolation,
)
from blankoff.evacuation.phases_weigh import (
    ACCEPTED,
    BEND_EVIDENCE,
    CLIMB,
    EVIDENCE,
    IN_GAP,
    ISO_J,
    ISO_S,
    ISO_SD,
    MARK_REACH_S,
    N_RISE,
    PUMPED,
    RISE_LN,
    STEP,
    weigh_rise,
)
from blankoff.physics.compiled import kernel
from blankoff.physics.saturation import _psat_kernel
from blankoff.samples import FloatArray, IntArray

N_PHASE = 9
"""Columns of a phase row: kind, start_s, end_s, start_i, end_i, start_micron, end_micron, start_why, uncertainty."""

MARK_CLOSED = 1
MARK_OPENED = 2

_PUMP_DOWN, _HOLD, _BREAK, _GAP = 0, 1, 2, 3
_WHY_BEGINS, _WHY_FALLS, _WHY_BENDS, _WHY_STEP, _WHY_IN_GAP, _WHY_GAS, _WHY_NONE, _WHY_MARK = 0, 1, 2, 3, 4, 5, 6, 7

_RESTART_S = 45.0
_RESTART_PER_S = 7e-4
"""A pump on an open valve lowers ln p at least so fast for so long: 200 l at 0.14 l/s; holds sag ten times slower."""

_SURE_PER_S = 3e-3
"""The same after a stand that did not rise."""

_SPLIT_EVIDENCE = 25.0
_SPLIT_RISE_LN = 0.03
_SPLIT_LEAST_S = 60.0
_FLAT_EVIDENCE = 40.0
_FLAT_RISE_LN = -0.005
"""A stretch that was no hold by its blocks is one by the two sides fitted together: the evidence against one smooth
curve, the rise that it takes and how long it must last; more evidence where the fall merely ends. None of 363 simulated
logs without a hold shows the first."""

_UNSUPPORTED = -20.0
_FLOOR_BLOCKS = 10
"""Evidence of a located isolation, against floors reached at once, below which a bend within the stand is looked for, and
the blocks that the stand must have for that. Of what lies below, two in three are falls of small circuits to their floor."""

_JOINED_LN = 0.012
"""Noise of a block above which neighbours are joined, and the longest that they may span together, s."""
_JOINED_S = 120.0


@kernel
def _put(
    rows: FloatArray,
    k: int,
    kind: int,
    start_s: float,
    end_s: float,
    start_i: int,
    end_i: int,
    p: FloatArray,
    why: int,
    sd: float,
) -> int:
    if k >= rows.shape[0] or end_i <= start_i:
        return k
    row = rows[k]
    row[0] = kind
    row[1] = start_s
    row[2] = end_s
    row[3] = start_i
    row[4] = end_i
    row[5] = p[start_i]
    row[6] = p[end_i - 1]
    row[7] = why
    row[8] = sd
    return k + 1


@kernel
def _fall_start(ct: FloatArray, cy: FloatArray, scales: FloatArray, i0: int, i1: int) -> int:
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
def _is_pumped(bt: FloatArray, by: FloatArray, bv: FloatArray, low: int, high: int, after: int) -> bool:
    """Whether a fall between blocks `high` and `after` is pumping, and not a hold that sags or noise."""
    fall = by[high] - by[after]
    if fall > 0.7 * (by[high] - by[low]) and fall > 0.25:
        return True
    return _falls_at(bt, by, bv, high, after, _RESTART_PER_S)


@kernel
def _falls_at(bt: FloatArray, by: FloatArray, bv: FloatArray, high: int, after: int, per_s: float) -> bool:
    """Whether ln p surely falls at a rate somewhere between two blocks, over `_RESTART_S` or the next block."""
    j = high
    for i in range(high, after):
        j = max(j, i + 1)
        while j < after and bt[j] - bt[i] < _RESTART_S:
            j += 1
        if by[i] - by[j] - 4.0 * math.sqrt(bv[i] + bv[j]) > per_s * (bt[j] - bt[i]):
            return True
    return False


@kernel
def _weigh_joined(
    ct: FloatArray,
    scales: FloatArray,
    bt: FloatArray,
    by: FloatArray,
    bv: FloatArray,
    bs: IntArray,
    nb: int,
    pull: int,
    low: int,
    end: int,
    final: bool,
    marked_s: float,
    out: FloatArray,
    joined: FloatArray,
    joined_i: IntArray,
    rise: FloatArray,
) -> bool:
    """Weigh a stand again on joined blocks, coarser each time, while single blocks are noisier than `_JOINED_LN`."""
    jt, jy, jv = joined[0], joined[1], joined[2]
    js, of = joined_i[0], joined_i[1]
    most = int(min(bv[low] * scales[WANDER] / (_JOINED_LN * _JOINED_LN), _JOINED_S / max(scales[MEDIAN_DT], 1.0)))
    kept = scales[WANDER]
    accepted = False
    for count in (3, 8):
        if most < count or accepted:
            break
        n = coarsen_blocks(bt, by, bv, bs, nb, count, 3.0 * scales[GAP_S], scales[TOP_LN] - 1e-9, jt, jy, jv, js, of)
        first, last = of[pull], of[end]
        lowest = of[low]
        for k in range(max(lowest - 2, first), min(lowest + 3, last + 1)):
            if jy[k] < jy[lowest]:
                lowest = k
        if last - first < 4:
            break
        scales[WANDER] = block_wander(jy, jv, n, scales[TOP_LN] - 1e-9)
        weigh_rise(ct, scales, jt, jy, jv, js, first, lowest, last, final, marked_s, out, rise)
        accepted = rise[ACCEPTED] > 0.0
    scales[WANDER] = kept
    return accepted


@kernel
def _take_moment(moment: FloatArray, rise: FloatArray) -> None:
    """Put a located isolation in place of the first guess."""
    rise[ISO_S], rise[ISO_SD], rise[ISO_J] = moment[MOMENT_S], moment[MOMENT_SD], moment[MOMENT_J]
    rise[PUMPED], rise[STEP] = moment[MOMENT_PUMPED], moment[MOMENT_STEP]
    rise[IN_GAP] = 0.0
    if moment[MOMENT_GAP] > 0.0:
        rise[IN_GAP] = 1.0
        rise[ISO_SD] = moment[MOMENT_GAP]


@kernel
def _floor_from(bs: IntArray, moment: FloatArray, end: int) -> int:
    """First block after a located isolation that a floor reached at once explains as well; -1 where none does."""
    if moment[MOMENT_SHARP] >= _UNSUPPORTED:
        return -1
    k = 0
    while k < end and bs[k] <= moment[MOMENT_J]:
        k += 1
    return k if end - k >= _FLOOR_BLOCKS else -1


@kernel
def segment_log(
    t: FloatArray, p: FloatArray, ambient_c: float, mark_s: FloatArray, mark_kinds: IntArray, rows: FloatArray
) -> int:
    """Phases of one log into `rows`; returns how many. See `phases.find_phases_batch`."""
    n = t.size
    if n == 0:
        return 0
    scales = np.zeros(N_SCALES)
    measure_scales(t, p, scales)
    ct = np.empty(n + 1)
    cy = np.empty(n + 1)
    ci = np.empty(n + 1, dtype=np.int64)
    m = compact(t, p, scales, ct, cy, ci)
    bt = np.empty(m + 1)
    by = np.empty(m + 1)
    bv = np.empty(m + 1)
    bs = np.empty(m + 2, dtype=np.int64)
    nb = make_blocks(ct, cy, m, scales, bt, by, bv, bs)
    scales[WANDER] = block_wander(by, bv, nb, scales[TOP_LN] - 1e-9)
    points = np.empty(66, dtype=np.int64)
    kinds = np.empty(66, dtype=np.int64)
    found = turning_points(bt, by, bv, nb, scales, points, kinds)
    out = np.empty((m + 8, N_FIT))
    rise = np.empty(N_RISE)
    moment = np.empty(N_MOMENT)
    later = np.empty(N_RISE)
    joined = np.empty((3, m + 1))
    joined_i = np.empty((2, m + 2), dtype=np.int64)
    k = 0
    # what stands before the first fall
    at_i = 0  # reading (of all) at which the open pump-down begins
    at_s = t[0]
    why = _WHY_BEGINS
    sd = 0.0
    warm = ambient_c if -30.0 < ambient_c < 60.0 else 28.0
    vapour_ln = math.log(1.15 * _psat_kernel(warm + 2.0))
    pull = 0
    fastest = 0.0
    q = 0
    if found and kinds[0] == 1:
        # a low follows it in any case
        high = points[0]
        top = by[high]
        near_atmosphere = by[0] > math.log(450_000.0)
        rising = top - by[0] > max(0.05, 6.0 * math.sqrt(bv[0])) and high >= 3
        last = _fall_start(ct, cy, scales, bs[high], bs[points[1]])
        if rising and not near_atmosphere and top < scales[TOP_LN] - 1e-9:
            k = _put(rows, k, _HOLD, t[0], ct[last], 0, ci[last] + 1, p, _WHY_BEGINS, 0.0)
            at_i = ci[last] + 1
            at_s = ct[last]
            why = _WHY_FALLS
            sd = scales[MEDIAN_DT]
        elif top < scales[TOP_LN] - 1e-9:
            # a level before the pump starts: no phase of its own
            at_i = ci[last]
            at_s = ct[last]
            why = _WHY_FALLS
            sd = scales[MEDIAN_DT]
        pull = high
        q = 1
    while q < found or (found == 0 and q == 0):
        # points[q] is a low; the rise after it goes to points[q + 1], or it is the last stretch of the log
        low = points[q] if found else int(np.argmin(by[:nb]))
        e = q + 1
        while e + 1 < found and not _is_pumped(bt, by, bv, low, points[e], points[e + 1]):
            e += 2
        final = e + 1 >= found
        high = points[e] if e < found else nb - 1
        end = nb - 1 if final else high
        after_low = 0 if final else points[e + 1]
        i_end = bs[end + 1] - 1 if final else _fall_start(ct, cy, scales, bs[high], bs[after_low])
        for g in range(pull, low):
            if bt[g + 1] - bt[g] < 3.0 * scales[GAP_S]:
                fastest = max(fastest, (by[g] - by[g + 1]) / (bt[g + 1] - bt[g]))
        jump = find_jump(ct, cy, max(bs[low] - 1, 0), i_end, fastest, vapour_ln, scales[TOP_LN], final)
        stand_end = end
        if jump >= 0:
            stand_end = low
            while stand_end + 1 < nb and bs[stand_end + 2] <= jump:
                stand_end += 1
        marked = math.nan
        for g in range(mark_s.size):
            if mark_kinds[g] == MARK_CLOSED and ct[bs[pull]] <= mark_s[g] <= ct[bs[stand_end + 1] - 1] + 30.0:
                marked = mark_s[g]
        accepted = False
        # small sags part what is one stand: its hold may begin at any low of them, the earliest first
        at = q
        while stand_end >= low and at < (e if found else q + 1) and not accepted:
            low_at = points[at] if found else low
            at += 2
            if stand_end - pull < 2 or stand_end < low_at or by[low_at] >= scales[TOP_LN] - 1e-9:
                continue
            weigh_rise(ct, scales, bt, by, bv, bs, pull, low_at, stand_end, final, marked, out, rise)
            accepted = rise[ACCEPTED] > 0.0
            if not accepted:
                accepted = _weigh_joined(
                    ct,
                    scales,
                    bt,
                    by,
                    bv,
                    bs,
                    nb,
                    pull,
                    low_at,
                    stand_end,
                    final,
                    marked,
                    out,
                    joined,
                    joined_i,
                    rise,
                )
            if accepted and not final and jump < 0 and rise[RISE_LN] < 0.15:
                # a stand that ends as slowly as it began was pumped all along
                accepted = _falls_at(bt, by, bv, high, after_low, _SURE_PER_S)
        if k == 0 and not accepted and low <= 2 and jump < 0 and stand_end - low >= 6:
            # a log that begins with the hold or just before it: a rise that nothing before explains
            quick = by[stand_end] - by[low] > 0.12 and rise[CLIMB] > 100.0
            if quick and by[low] < scales[TOP_LN] - 1e-9:
                accepted = True
                rise[ISO_J] = bs[low]
                rise[ISO_S] = ct[bs[low]]
                rise[ISO_SD] = scales[MEDIAN_DT]
                rise[PUMPED] = math.exp(by[low])
        hold_last = bs[stand_end + 1] - 1 if (jump < 0 and final) else (jump - 1 if jump >= 0 else i_end)
        again = not accepted and (final or jump >= 0) and stand_end - low >= 5 and by[low] < scales[TOP_LN] - 1e-9
        if (accepted or again) and locate_isolation(
            ct, cy, scales, bt, by, bv, bs, pull, stand_end, rise[ISO_S], moment
        ):
            if again:
                lasts = ct[bs[stand_end + 1] - 1] - moment[MOMENT_S] > _SPLIT_LEAST_S
                rises = moment[MOMENT_RISE_LN] > _SPLIT_RISE_LN and moment[MOMENT_EVIDENCE] > _SPLIT_EVIDENCE
                stands = moment[MOMENT_RISE_LN] > _FLAT_RISE_LN and moment[MOMENT_SHARP] > _FLAT_EVIDENCE
                accepted = lasts and (rises or stands)
            if accepted:
                _take_moment(moment, rise)
                reached = _floor_from(bs, moment, stand_end)
                if reached >= 0:
                    # the fall may merely have come to its floor there: a bend after it is the better one
                    floor_low = reached + int(np.argmin(by[reached : stand_end + 1]))
                    weigh_rise(ct, scales, bt, by, bv, bs, reached, floor_low, stand_end, final, marked, out, later)
                    if later[ACCEPTED] > 0.0 and later[EVIDENCE] > BEND_EVIDENCE:
                        rise[:] = later
                        if locate_isolation(ct, cy, scales, bt, by, bv, bs, reached, stand_end, later[ISO_S], moment):
                            _take_moment(moment, rise)
        if accepted:
            j = ci[int(rise[ISO_J])]
            k = _put(rows, k, _PUMP_DOWN, at_s, rise[ISO_S], at_i, j, p, why, sd)
            reason = _WHY_BENDS
            if rise[IN_GAP] > 0.0:
                reason = _WHY_IN_GAP
            elif abs(marked - rise[ISO_S]) < MARK_REACH_S and rise[EVIDENCE] < BEND_EVIDENCE:
                reason = _WHY_MARK
            elif abs(rise[STEP]) > 0.03 * rise[PUMPED] + 3.0:
                reason = _WHY_STEP
            stop_s = ct[hold_last]
            k = _put(rows, k, _HOLD, rise[ISO_S], stop_s, j, ci[hold_last] + 1, p, reason, rise[ISO_SD])
            at_i = ci[hold_last] + 1
            at_s = stop_s
            why = _WHY_FALLS
            sd = scales[MEDIAN_DT]
        if jump >= 0:
            j = ci[jump]
            if not accepted:
                k = _put(rows, k, _PUMP_DOWN, at_s, t[j], at_i, j, p, why, sd)
            stop = n if final else ci[i_end] + 1
            k = _put(rows, k, _BREAK, t[j], t[stop - 1], j, stop, p, _WHY_GAS, scales[MEDIAN_DT])
            at_i = stop
            at_s = t[stop - 1]
            why = _WHY_FALLS
            sd = scales[MEDIAN_DT]
        if accepted or jump >= 0:
            pull = high
        if final:
            break
        q = e + 1
    if at_i < n and not (k > 0 and rows[k - 1, 0] == _HOLD and ci[m - 1] < at_i):
        k = _put(rows, k, _PUMP_DOWN, at_s, t[n - 1], at_i, n, p, why, sd)
    for i in range(1, n):
        if t[i] - t[i - 1] > scales[GAP_S] and k < rows.shape[0]:
            row = rows[k]
            row[0] = _GAP
            row[1] = t[i - 1]
            row[2] = t[i]
            row[3] = i
            row[4] = i
            row[5] = p[i - 1]
            row[6] = p[i]
            row[7] = _WHY_NONE
            row[8] = 0.0
            k += 1
    return k
