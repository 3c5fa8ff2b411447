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
    turning_points,
)
from blankoff.evacuation.phases_depth import stopped_early
from blankoff.evacuation.phases_falls import before_first_fall, fall_start, falls_at, fastest_fall, is_pumped
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
from blankoff.evacuation.phases_rows import (
    BREAK,
    HOLD,
    PUMP_DOWN,
    WHY_BEGINS,
    WHY_BENDS,
    WHY_FALLS,
    WHY_GAS,
    WHY_IN_GAP,
    WHY_MARK,
    WHY_STEP,
    WHY_STOPS,
    put_gaps,
    put_phase,
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
from blankoff.physics.compiled import copy_into, kernel
from blankoff.physics.saturation import _psat_kernel
from blankoff.samples import FloatArray, IntArray

MARK_CLOSED = 1
MARK_OPENED = 2

_SURE_PER_S = 3e-3
"""A pump on an open valve lowers ln p so fast after a stand that did not rise; see `phases_falls` for any other."""

_SPLIT_EVIDENCE = 25.0
_SPLIT_RISE_LN = 0.03
_SPLIT_LEAST_S = 60.0
_FLAT_EVIDENCE = 40.0
_FLAT_RISE_LN = -0.005
"""A stretch that was no hold by its blocks is one by the two sides fitted together: the evidence against one smooth
curve, the rise that it takes and how long it must last; more evidence where the fall merely ends. None of 363 simulated
logs without a hold shows the first."""

_UNSUPPORTED = 5.0
_FLOOR_BLOCKS = 10
"""Evidence of a located isolation, against floors reached at once, below which a bend within the stand is looked for, and
the blocks that the stand must have for that. Of what lies below, two in three are falls of small circuits to their floor."""

_LONG_STAND_S = 3600.0
_LONG_STAND_LN = 0.1
_TOO_STEADY_S = 7200.0
_TOO_STEADY_LN = 0.01
"""A stand of an hour that rose so little may be a pump at its floor, and a bend within it is looked for; where there is none
and it rose less still, or fell, for two hours, it was: a circuit that is shut off takes in something, and few hold so long."""

_JOINED_LN = 0.012
"""Noise of a block above which neighbours are joined, and the longest that they may span together, s."""
_JOINED_S = 120.0
_JOINED_BLOCKS = 100
_LONG_SHARP = 22.0
"""Of a stand of hours neighbours are joined down to so many as well: against an hour at the floor, the slight rise of its
last minutes is a bend, which the few minutes before it do not show. A floor that wanders bends as well, but slowly: there
the two sides must show it by so much more than one smooth curve."""

_STOPS_S = 5.0
"""How much later than the isolation a fall may seem to stop: the gauge's lag, s (this project's judgement)."""

_MARK_LATE_S = 30.0
"""A mark may be set so long after the stand that it tells of."""

_SLIGHT_LN = 0.15
"""A rise below which a stand amid a log is a hold only if pumping surely begins at its end."""


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
    noisy = bv[low] * scales[WANDER] / (_JOINED_LN * _JOINED_LN)
    most = int(min(max(noisy, (end - pull + 1) / _JOINED_BLOCKS), _JOINED_S / scales[MEDIAN_DT]))
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
def _is_long(pull: int, end: int) -> bool:
    """Whether blocks of a stand are joined for its length."""
    return end - pull + 1 >= 3 * _JOINED_BLOCKS


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
def _floor_from(bs: IntArray, moment: FloatArray, end: int, stands_s: float) -> int:
    """First block after a located isolation that a floor reached at once explains as well; -1 where none does."""
    long = stands_s > _LONG_STAND_S and moment[MOMENT_RISE_LN] < _LONG_STAND_LN
    if moment[MOMENT_SHARP] >= _UNSUPPORTED and not long:
        return -1
    k = 0
    while k < end and bs[k] <= moment[MOMENT_J]:
        k += 1
    return k if end - k >= _FLOOR_BLOCKS else -1


@kernel
def _vapour_ln(ambient_c: float) -> float:
    """Logarithm of the pressure, microns, that vapour of water does not exceed: a warm day's where the ambient is unknown or cannot be."""
    warm = ambient_c if -30.0 < ambient_c < 60.0 else 28.0
    return math.log(1.15 * _psat_kernel(warm + 2.0))


@kernel
def _last_before(bs: IntArray, nb: int, low: int, jump: int) -> int:
    """Last block that ends before reading `jump`, `low` at least."""
    end = low
    for k in range(low + 1, nb):
        if bs[k + 1] <= jump:
            end = k
    return end


@kernel
def _closed_within(mark_s: FloatArray, mark_kinds: IntArray, from_s: float, to_s: float) -> float:
    """Last mark between two moments that says isolated, s; NaN for none."""
    marked = math.nan
    for g in range(mark_s.size):
        if mark_kinds[g] == MARK_CLOSED and from_s <= mark_s[g] <= to_s:
            marked = mark_s[g]
    return marked


@kernel
def _begins_held(
    ct: FloatArray, scales: FloatArray, by: FloatArray, bs: IntArray, low: int, end: int, rise: FloatArray
) -> bool:
    """Whether a log begins with its hold, or just before it: a rise that nothing before explains."""
    if low > 2 or end - low < 6 or by[low] >= scales[TOP_LN] - 1e-9:
        return False
    if by[end] - by[low] <= 0.12 or rise[CLIMB] <= 100.0:
        return False
    rise[ISO_J] = bs[low]
    rise[ISO_S] = ct[bs[low]]
    rise[ISO_SD] = scales[MEDIAN_DT]
    rise[PUMPED] = math.exp(by[low])
    return True


@kernel
def _stop_at(ct: FloatArray, by: FloatArray, bs: IntArray, k: int, spacing_s: float, rise: FloatArray) -> None:
    """Put an isolation where block `k` begins, at which a fall stopped."""
    rise[ISO_J] = bs[k]
    rise[ISO_S] = ct[bs[k]]
    rise[ISO_SD] = spacing_s + _STOPS_S
    rise[PUMPED] = math.exp(by[k])
    rise[STEP] = 0.0
    rise[IN_GAP] = 0.0


@kernel
def _shown_by_sides(moment: FloatArray, until_s: float) -> bool:
    """Whether a located isolation shows a hold, to `until_s`, that its blocks did not show."""
    lasts = until_s - moment[MOMENT_S] > _SPLIT_LEAST_S
    rises = moment[MOMENT_RISE_LN] > _SPLIT_RISE_LN and moment[MOMENT_EVIDENCE] > _SPLIT_EVIDENCE
    stands = moment[MOMENT_RISE_LN] > _FLAT_RISE_LN and moment[MOMENT_SHARP] > _FLAT_EVIDENCE
    return bool(lasts and (rises or stands))


@kernel
def _why_isolated(rise: FloatArray, marked_s: float) -> int:
    """What shows an isolation."""
    if rise[IN_GAP] > 0.0:
        return WHY_IN_GAP
    if abs(marked_s - rise[ISO_S]) < MARK_REACH_S and rise[EVIDENCE] < BEND_EVIDENCE:
        return WHY_MARK
    if abs(rise[STEP]) > 0.03 * rise[PUMPED] + 3.0:
        return WHY_STEP
    return WHY_BENDS


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
    ct = np.empty(n)
    cy = np.empty(n)
    ci = np.empty(n, dtype=np.int64)
    m = compact(t, p, scales, ct, cy, ci)
    bt = np.empty(m)
    by = np.empty(m)
    bv = np.empty(m)
    bs = np.empty(m + 1, dtype=np.int64)
    nb = make_blocks(ct, cy, m, scales, bt, by, bv, bs)
    seen_ln = scales[TOP_LN] - 1e-9
    scales[WANDER] = block_wander(by, bv, nb, seen_ln)
    points = np.empty(66, dtype=np.int64)
    kinds = np.empty(66, dtype=np.int64)
    found = turning_points(bt, by, bv, nb, scales, points, kinds)
    out = np.empty((nb, N_FIT))
    rise = np.empty(N_RISE)
    moment = np.empty(N_MOMENT)
    later = np.empty(N_RISE)
    joined = np.empty((3, nb))
    joined_i = np.empty((2, nb + 1), dtype=np.int64)
    vapour_ln = _vapour_ln(ambient_c)
    spacing_s = scales[MEDIAN_DT]
    k = 0
    # the pump-down that is open: its first reading (of all), when and why it began
    at_i = 0
    at_s = t[0]
    why = WHY_BEGINS
    sd = 0.0
    pull = 0
    # the pull before, if it was the deepest: its first block and its lowest
    earlier, deepest = 0, -1
    fastest = 0.0
    q = 0
    if not found:
        # a log without turning points has its lowest block for one
        points[0] = np.argmin(by[:nb])
        found = 1
    elif kinds[0] == 1:
        # a low follows it in any case
        q = 1
        pull = points[0]
        last, held = before_first_fall(cy, by, bv, bs, scales, pull, points[1])
        if last >= 0:
            # a level that is no hold is no phase of its own
            at_i = ci[last]
            at_s = ct[last]
            why = WHY_FALLS
            sd = spacing_s
            if held:
                at_i += 1
                k = put_phase(rows, k, HOLD, t[0], at_s, 0, at_i, p, WHY_BEGINS, 0.0)
    while True:
        # points[q] is a low; the rise after it goes to points[e], or it is the last stretch of the log
        low = points[q]
        e = q + 1
        while e + 1 < found and not is_pumped(bt, by, bv, low, points[e], points[e + 1]):
            e += 2
        final = e + 1 >= found
        end, i_end = nb - 1, m - 1
        if not final:
            end = points[e]
            i_end = fall_start(cy, scales, bs[end], bs[points[e + 1]])
        fastest = max(fastest, fastest_fall(bt, by, pull, low, 3.0 * scales[GAP_S]))
        jump = find_jump(ct, cy, max(bs[low] - 1, 0), i_end, fastest, vapour_ln, scales[TOP_LN], final)
        gas = jump >= 0
        stand_end = _last_before(bs, nb, low, jump) if gas else end
        until_s = ct[bs[stand_end + 1] - 1]
        marked = _closed_within(mark_s, mark_kinds, ct[bs[pull]], until_s + _MARK_LATE_S)
        accepted = False
        # small sags part what is one stand: its hold may begin at any low of them, the earliest first
        at = q
        plainly = True
        while at < e and not accepted:
            low_at = points[at]
            at += 2
            if stand_end - pull < 2 or stand_end < low_at or by[low_at] >= seen_ln:
                continue
            weigh_rise(ct, scales, bt, by, bv, bs, pull, low_at, stand_end, final, marked, out, rise)
            plainly = rise[ACCEPTED] > 0.0
            accepted = plainly or _weigh_joined(
                ct, scales, bt, by, bv, bs, nb, pull, low_at, stand_end, final, marked, out, joined, joined_i, rise
            )
            if accepted and not final and not gas and rise[RISE_LN] < _SLIGHT_LN:
                # a stand that ends as slowly as it began was pumped all along
                accepted = falls_at(bt, by, bv, end, points[e + 1], _SURE_PER_S)
        if k == 0 and not accepted and not gas:
            accepted = _begins_held(ct, scales, by, bs, low, stand_end, rise)
        again = not accepted and (final or gas) and stand_end - low >= 5 and by[low] < seen_ln
        if (accepted or again) and locate_isolation(
            ct, cy, scales, bt, by, bv, bs, pull, stand_end, rise[ISO_S], moment
        ):
            if again:
                accepted = _shown_by_sides(moment, until_s)
            elif not plainly and _is_long(pull, stand_end):
                accepted = moment[MOMENT_SHARP] > _LONG_SHARP
            if accepted:
                _take_moment(moment, rise)
                stands_s = ct[bs[stand_end + 1] - 1] - moment[MOMENT_S]
                reached = _floor_from(bs, moment, stand_end, stands_s)
                steady = moment[MOMENT_RISE_LN] < _TOO_STEADY_LN and stands_s > _TOO_STEADY_S
                if reached >= 0:
                    # the fall may merely have come to its floor there: a bend after it is the better one
                    floor_low = reached + int(np.argmin(by[reached : stand_end + 1]))
                    weigh_rise(ct, scales, bt, by, bv, bs, reached, floor_low, stand_end, final, marked, out, later)
                    plainly = later[ACCEPTED] > 0.0
                    better = plainly or _weigh_joined(
                        ct, scales, bt, by, bv, bs, nb, reached, floor_low, stand_end, final, marked, out,
                        joined, joined_i, later,
                    )  # fmt: skip
                    better = better and later[EVIDENCE] > BEND_EVIDENCE
                    located = better and locate_isolation(
                        ct, cy, scales, bt, by, bv, bs, reached, stand_end, later[ISO_S], moment
                    )
                    if located and not plainly and _is_long(reached, stand_end):
                        better = moment[MOMENT_SHARP] > _LONG_SHARP
                    if better:
                        copy_into(rise, later)
                        if located:
                            _take_moment(moment, rise)
                    else:
                        accepted = not steady
        stopped = False
        if not accepted and deepest >= 0 and (final or gas):
            stands = stopped_early(bt, by, bv, earlier, deepest, pull, low, stand_end)
            stopped = accepted = stands >= 0
            if stopped:
                _stop_at(ct, by, bs, stands, spacing_s, rise)
        if accepted:
            j = ci[int(rise[ISO_J])]
            k = put_phase(rows, k, PUMP_DOWN, at_s, rise[ISO_S], at_i, j, p, why, sd)
            hold_last = jump - 1 if gas else i_end
            at_i = ci[hold_last] + 1
            at_s = ct[hold_last]
            shown_by = WHY_STOPS if stopped else _why_isolated(rise, marked)
            k = put_phase(rows, k, HOLD, rise[ISO_S], at_s, j, at_i, p, shown_by, rise[ISO_SD])
            why = WHY_FALLS
            sd = spacing_s
        if gas:
            j = ci[jump]
            if not accepted:
                k = put_phase(rows, k, PUMP_DOWN, at_s, t[j], at_i, j, p, why, sd)
            at_i = n if final else ci[i_end] + 1
            at_s = t[at_i - 1]
            k = put_phase(rows, k, BREAK, t[j], at_s, j, at_i, p, WHY_GAS, spacing_s)
            why = WHY_FALLS
            sd = spacing_s
        if accepted or gas:
            if deepest < 0 or by[low] < by[deepest]:
                earlier, deepest = pull, low
            pull = end
        if final:
            break
        q = e + 1
    # readings at the end that repeat the hold's last one are of no other phase
    if at_i <= ci[m - 1]:
        k = put_phase(rows, k, PUMP_DOWN, at_s, t[n - 1], at_i, n, p, why, sd)
    return put_gaps(rows, k, t, p, scales[GAP_S])
