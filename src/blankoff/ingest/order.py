"""One log's readings put in order: repeats dropped, moved blocks put back, a clock set back undone, ties spread.

Works on arrays alone. Rules, all this project's own judgement:

* a reading whose time and pressure both repeat an earlier one exactly is a repeat and is dropped;
* a block whose time falls back either fits between readings that are there already (it was moved, or handed in late:
  sorting puts it right), or runs through times that are taken by other readings (the clock was set back: it and all
  that follows are moved to follow on);
* readings that share a time although their pressures differ (a clock with coarse steps, or one that stood still) are
  spread evenly over the time to the next one, in file order, none is dropped;
* a reading days away from all others, or a single one out of place whose time other readings hold, is refused; a clock
  that leaps by days is taken to run on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

FAR_S = 2 * 86_400.0
"""A pull takes a day at worst (common practice, no source): readings further apart than this are no one log."""
_TOUCH_STEPS = 5.0
_MOST_RUNS = 60
_MOSTLY = 0.8
_SMOOTHER = 0.2
"""In ln of pressure: by so much must one order be smoother than the other before it is believed."""
_DECIMALS = 6
"""Microseconds: finer differences of time are rounding, not time."""


@dataclass(frozen=True)
class Ordered:
    """What became of one log's rows.

    Parameters
    ----------
    index
        ``(m,)`` the rows that stay, in order of time.
    elapsed_s
        ``(m,)`` seconds from the first reading, strictly ascending.
    repeats
        How many exact repeats were dropped.
    far
        Rows refused because their time cannot be right.
    clock_set_s
        Seconds by which the clock was found to have been set, in all.
    """

    index: IntArray
    elapsed_s: FloatArray
    repeats: int = 0
    far: IntArray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    clock_set_s: float = 0.0


def put_in_order(time_s: FloatArray, pressure: FloatArray) -> Ordered:
    """Put one log's readings in order.

    Parameters
    ----------
    time_s
        ``(n,)`` finite times in file order, any origin.
    pressure
        ``(n,)`` pressures, NaN where over-range.

    Returns
    -------
    Ordered
        Rows kept, their elapsed seconds, and what was done.
    """
    n = time_s.size
    if n == 0:
        return Ordered(np.empty(0, dtype=np.int64), np.empty(0))
    if n == 1 or (bool(np.all(np.diff(time_s) > 0)) and time_s[-1] - time_s[0] < FAR_S):
        return Ordered(np.arange(n), time_s - time_s[0])
    time_s = np.round(time_s - time_s[0], _DECIMALS)
    far = _far_rows(time_s) | _mistimed_rows(time_s, pressure)
    refused, keep = np.flatnonzero(far), np.flatnonzero(~far)
    t, moved = _join_leaps(time_s[keep])
    t, set_s = _undo_clock_set(t, pressure[keep])
    once = _first_of_each(t, pressure[keep])
    repeats = keep.size - once.size
    keep, t = keep[once], t[once]
    order = np.argsort(t, kind="stable")
    t = _spread_ties(t[order])
    return Ordered(keep[order], t - t[0], repeats, refused, moved + set_s)


def _first_of_each(time_s: FloatArray, pressure: FloatArray) -> IntArray:
    """Rows left when exact repeats of time and pressure go, in file order."""
    order = np.argsort(time_s, kind="stable")
    tied = np.diff(time_s[order]) == 0
    if not tied.any():
        return np.arange(time_s.size)
    filled = np.where(np.isnan(pressure), -1.0, pressure)
    same = tied & (np.diff(filled[order]) == 0)
    if np.count_nonzero(tied) != np.count_nonzero(
        same
    ):  # ties with differing pressures: repeats need not be neighbours
        order = np.lexsort((np.arange(time_s.size), filled, time_s))
        same = (np.diff(time_s[order]) == 0) & (np.diff(filled[order]) == 0)
    return np.sort(order[np.concatenate([[True], ~same])])


def _far_rows(t: FloatArray) -> NDArray[np.bool_]:
    """Flag a few rows whose time lies days from the rest."""
    far = np.abs(t - np.median(t)) > FAR_S
    if t.size >= 5 and 0 < far.sum() <= max(2, t.size // 50):
        return far
    return np.zeros(t.size, dtype=bool)


def _mistimed_rows(t: FloatArray, pressure: FloatArray) -> NDArray[np.bool_]:
    """Flag single rows out of place between neighbours in place, unless they fill a hole (came late) or are repeats."""
    wrong = np.zeros(t.size, dtype=bool)
    if t.size < 5:
        return wrong
    typical = _typical_step(t)
    before, after, across = np.abs(t[1:-1] - t[:-2]), np.abs(t[2:] - t[1:-1]), t[2:] - t[:-2]
    lone = (before > 20 * typical) & (after > 20 * typical) & (across > 0) & (across <= _TOUCH_STEPS * typical)
    rows = np.flatnonzero(lone) + 1
    if rows.size == 0 or rows.size > max(2, t.size // 20):
        return wrong
    others = np.sort(np.delete(t, rows))
    place = np.searchsorted(others, t[rows])
    inside = (place > 0) & (place < others.size)
    hole = np.where(inside, others[np.clip(place, 0, others.size - 1)] - others[np.clip(place - 1, 0, None)], 0.0)
    edge = np.where(place == 0, others[0] - t[rows], t[rows] - others[-1])
    fills = np.where(inside, hole > 1.5 * typical, edge <= _TOUCH_STEPS * typical)
    wrong[rows] = ~fills
    first = np.zeros(t.size, dtype=bool)
    first[_first_of_each(t, pressure)] = True
    return wrong & first


def _typical_step(t: FloatArray) -> float:
    step = np.diff(t)
    step = step[(step > 0) & (step < FAR_S)]
    return float(np.median(step)) if step.size else 1.0


def _join_leaps(t: FloatArray) -> tuple[FloatArray, float]:
    """Undo leaps of days, forward or back, between two stretches of a log: its clock was set on the way."""
    step = np.diff(t)
    leaps = np.abs(step) > FAR_S
    if not leaps.any():
        return t, 0.0
    excess = np.where(leaps, step - _typical_step(t), 0.0)
    return t - np.concatenate([[0.0], np.cumsum(excess)]), float(np.abs(excess).sum())


def _undo_clock_set(t: FloatArray, pressure: FloatArray) -> tuple[FloatArray, float]:
    """Shift what follows a clock set back; leave moved blocks where their times say."""
    typical = _typical_step(t)
    starts = np.flatnonzero(np.diff(t) < -_TOUCH_STEPS * typical) + 1
    if starts.size == 0 or starts.size > _MOST_RUNS:
        return t, 0.0
    log_p = np.log(np.where(pressure > 0, pressure, np.nan))
    if _sorts_cleanly(t, log_p, starts, typical):
        return t, 0.0
    out = t.copy()
    bounds = np.concatenate([[0], starts, [t.size]])
    shift = 0.0
    total = 0.0
    for k in range(1, bounds.size - 1):
        a, b = int(bounds[k]), int(bounds[k + 1])
        out[a:b] += shift
        if _is_repeat(out[:a], pressure[:a], out[a:b], pressure[a:b]):
            continue
        if _was_clock_set(out[:a], log_p[:a], out[a:b], log_p[a:b], typical):
            more = float(out[a - 1] + typical - out[a])
            out[a:b] += more
            shift += more
            total += abs(more)
    return out, total


def _is_repeat(seen_t: FloatArray, seen_p: FloatArray, run_t: FloatArray, run_p: FloatArray) -> bool:
    """Whether most of a run that lies among times seen before repeats readings seen before."""
    order = np.lexsort((np.nan_to_num(seen_p, nan=-1.0), seen_t))
    t, p = seen_t[order], np.nan_to_num(seen_p, nan=-1.0)[order]
    over = (run_t >= t[0]) & (run_t <= t[-1])
    if not over.any():
        return False
    mine_t, mine_p = run_t[over], np.nan_to_num(run_p, nan=-1.0)[over]
    place = np.minimum(np.searchsorted(t, mine_t, "left"), t.size - 1)
    found = np.zeros(mine_t.size, dtype=bool)
    for step in range(3):  # a time may have a few readings
        at = np.minimum(place + step, t.size - 1)
        found |= (t[at] == mine_t) & (p[at] == mine_p)
    return float(found.mean()) > _MOSTLY


def _sorts_cleanly(t: FloatArray, log_p: FloatArray, starts: IntArray, typical: float) -> bool:
    """Whether sorting by time alone gives one even run: no two blocks share a time, and no seam leaves a hole.

    Where seams leave holes, the order in which the pressure runs on more smoothly is the true one.
    """
    order = np.argsort(t, kind="stable")
    step = np.diff(t[order])
    seam = np.diff(order) != 1
    if np.count_nonzero(seam) > 3 * starts.size + 3 or bool(np.any(step[seam] < 0.2 * typical)):
        return False
    if bool(np.all(step[seam] <= _TOUCH_STEPS * typical)):
        return True
    as_sorted = sum(_leap(log_p[order[i]], log_p[order[i + 1]]) for i in np.flatnonzero(seam).tolist())
    as_filed = sum(_leap(log_p[i - 1], log_p[i]) for i in starts.tolist())
    return as_sorted + _SMOOTHER < as_filed


def _was_clock_set(
    seen_t: FloatArray, seen_p: FloatArray, run_t: FloatArray, run_p: FloatArray, typical: float
) -> bool:
    """Whether a run that falls back follows on in truth, rather than belonging where its times say."""
    order = np.argsort(seen_t, kind="stable")
    t, p = seen_t[order], seen_p[order]
    low, high = float(run_t.min()), float(run_t.max())
    inside = t[(t >= low) & (t <= high)]
    if inside.size:
        slots = np.unique(np.searchsorted(np.sort(run_t), inside)).size
        if slots > max(3, min(inside.size, run_t.size) // 5):
            return True
    below, above = int(np.searchsorted(t, low, "left")) - 1, int(np.searchsorted(t, low, "right"))
    after = int(np.searchsorted(t, high, "right"))
    touches = (below >= 0 and low - t[below] <= _TOUCH_STEPS * typical) or (
        after < t.size and t[after] - high <= _TOUCH_STEPS * typical
    )
    if inside.size == 0 and above == after and touches and below >= 0 and after < t.size:
        return False  # fills a hole
    moved = []
    if below >= 0:
        moved.append(_leap(p[below], run_p[0]))
    if after < t.size:
        moved.append(_leap(run_p[-1], p[after]))
    cost_moved = max(moved, default=0.0) + (-_SMOOTHER if touches else _SMOOTHER)
    return _leap(seen_p[-1], run_p[0]) < cost_moved


def _leap(x: float, y: float) -> float:
    """How far two neighbouring log-pressures are apart; over-range beside a number counts as far."""
    if np.isnan(x) and np.isnan(y):
        return 0.0
    return 1.0 if np.isnan(x) or np.isnan(y) else abs(float(x - y))


def _spread_ties(t: FloatArray) -> FloatArray:
    """Spread readings that share a time evenly up to the next time, at most at the usual spacing."""
    if t.size < 2 or bool(np.all(np.diff(t) > 0)):
        return t
    first = np.concatenate([[True], np.diff(t) > 0])
    group = np.cumsum(first) - 1
    begin = np.flatnonzero(first)
    count = np.diff(np.concatenate([begin, [t.size]]))
    gap = np.diff(t[begin])
    usual = float(np.median(gap)) if gap.size else float(count[0])
    gap = np.concatenate([gap, [usual]])
    last_like = gap[-2] if gap.size > 1 else usual
    gap[-1] = min(usual, last_like) if gap.size > 1 else usual
    spacing = np.minimum(gap / count, usual)
    spread: FloatArray = t + spacing[group] * (np.arange(t.size) - begin[group])
    return spread
