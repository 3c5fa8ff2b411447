"""What a clock showed, made into time that runs on: midnight, time zones, daylight saving."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]

_DAY_S = 86_400.0
_EPOCH = datetime(1970, 1, 1)
_GAP_STEPS = 5.0
_GAP_S = 60.0
"""A step is a gap where it is longer than this, and than so many of the longer steps of its log: this project's judgement."""


@dataclass(frozen=True)
class Running:
    """A log's moments, and what its clock leaves open.

    Parameters
    ----------
    seconds
        ``(n,)`` since 1970 UTC, in file order.
    or_later_s
        By so much later the whole log may lie: an hour that came twice holds all of it. Else 0.
    open_gap
        ``(i, j)``, rows on both sides of a gap in which the clock may have been set back, and may not; `seconds` are then
        those without. None where there is no such gap.
    """

    seconds: FloatArray
    or_later_s: float = 0.0
    open_gap: tuple[int, int] | None = None


def unwrap_midnight(clock_s: FloatArray) -> FloatArray:
    """Clock times in file order to a running time: a fall by more than half a day is midnight; NaN stays NaN."""
    out = clock_s.copy()
    good = np.flatnonzero(np.isfinite(out))
    if good.size < 2:
        return out
    step = np.diff(out[good])
    turns = np.where(step < -_DAY_S / 2, 1, np.where(step > _DAY_S / 2, -1, 0))
    out[good[1:]] += _DAY_S * np.cumsum(turns)
    return out


@lru_cache(maxsize=64)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


@lru_cache(maxsize=4096)
def _offset_at(name: str, utc_hour: int) -> float:
    """UTC offset of a zone at a moment given in whole quarter hours since 1970."""
    return _offset_s(datetime.fromtimestamp(utc_hour * 900, tz=UTC).astimezone(_zone(name)))


@lru_cache(maxsize=1024)
def _change_between(name: str, low_quarter: int, high_quarter: int) -> tuple[int, float, float] | None:
    """Return the first change of offset between two moments (quarter hours since 1970): when, before, after."""
    before = _offset_at(name, low_quarter)
    probe = low_quarter
    while probe < high_quarter:
        following = min(probe + 96 * 7, high_quarter)
        if _offset_at(name, following) != before:
            lo, hi = probe, following
            while hi - lo > 1:
                mid = (lo + hi) // 2
                lo, hi = (mid, hi) if _offset_at(name, mid) == before else (lo, mid)
            return hi, before, _offset_at(name, hi)
        probe = following
    return None


def naive_to_utc(wall_s: FloatArray, zone: str) -> Running:
    """One log's wall-clock seconds, in file order, to seconds since 1970 UTC.

    A log that crosses a change of daylight saving is read so that its time runs on evenly: the hour that comes twice
    is told apart by the step back in the file, or by what comes before and after it; a logger that shows an hour which did
    not exist, or none of the steps, does not follow daylight saving, and its first offset stands for all of the log. What
    the log leaves open is said.
    """
    good = np.isfinite(wall_s)
    if not good.any():
        return Running(wall_s)
    w = wall_s[good]
    low, high = float(w.min()), float(w.max())
    if high - low > 400 * _DAY_S:
        return Running(np.where(good, wall_s - _offset_at(zone, int(low // 900)), np.nan))
    change = _change_between(zone, int((low - 64_800) // 900), int((high + 64_800) // 900) + 1)
    out = wall_s.copy()
    if change is None:
        out[good] = w - _offset_at(zone, int(low // 900))
        return Running(out)
    at, before, after = change[0] * 900.0, change[1], change[2]
    if after > before:  # an hour is left out
        missing = (w >= at + before) & (w < at + after)
        follows = not missing.any()
        first = before if w[0] < at + after else after
        out[good] = np.where(w < at + before, w - before, w - after) if follows else w - first
        return Running(out)
    seconds, or_later_s, gap = _where_clocks_were_set_back(w, at, before, after)
    out[good] = seconds
    rows = np.flatnonzero(good)
    return Running(out, or_later_s, None if gap is None else (int(rows[gap]), int(rows[gap + 1])))


def _where_clocks_were_set_back(
    w: FloatArray, at: float, before: float, after: float
) -> tuple[FloatArray, float, int | None]:
    """Moments of a log near a moment at which clocks were set back; what is open as in `Running`, a gap by its first row.

    All ways to read the log by a clock that was set are counted: before all of it, after all of it, at a step back, or unseen
    in a gap. One way decides; none means that the clock was not set.
    """
    first_pass_end, second_start = at + before, at + after
    twice = (w >= second_start) & (w < first_pass_end)
    if not twice.any():
        return np.where(w < second_start, w - before, w - after), 0.0, None
    step = np.diff(w)
    back = np.flatnonzero((step < -(before - after) / 2) & twice[1:] & (w[:-1] < first_pass_end))
    index = np.arange(w.size)
    if back.size:
        return np.where((w < second_start) | (twice & (index <= back[0])), w - before, w - after), 0.0, None
    is_first, is_second = bool(w.max() < first_pass_end), bool(w.min() >= second_start)
    unseen = _gaps(step)
    highest, lowest = np.maximum.accumulate(w), np.minimum.accumulate(w[::-1])[::-1]
    unseen = unseen[(highest[unseen] < first_pass_end) & (lowest[unseen + 1] >= second_start)]
    if unseen.size == 1 and not (is_first or is_second):
        return np.where(index <= unseen[0], w - before, w - after), 0.0, None
    gap = int(unseen[0]) if unseen.size else None
    if is_second and not is_first:
        return w - after, 0.0, gap
    return w - before, (before - after) if is_first and is_second else 0.0, gap


def _gaps(step: FloatArray) -> NDArray[np.int64]:
    """Steps so much longer than others that the logger may have been off meanwhile."""
    if step.size == 0:
        return np.empty(0, dtype=np.int64)
    usual = float(np.quantile(step, 0.9, method="lower"))
    return np.flatnonzero(step > max(_GAP_STEPS * usual, _GAP_S)).astype(np.int64)


def local_to_utc(wall_s: FloatArray, zone: str) -> tuple[FloatArray, NDArray[np.int8]]:
    """Unrelated wall-clock moments to seconds since 1970 UTC, and how often each of them was there.

    Returns
    -------
    seconds : (n,)
        Of an hour that comes twice, the first one; of one that was left out, as if clocks had not been set yet.
    times : (n,)
        2 for an hour that comes twice, 0 for one that was left out, else 1.
    """
    out = np.full(wall_s.size, np.nan)
    times = np.ones(wall_s.size, dtype=np.int8)
    tz = _zone(zone)
    good = np.isfinite(wall_s)
    quarters, where = np.unique(np.floor(wall_s[good] / 900).astype(np.int64), return_inverse=True)
    offsets, later = np.empty(quarters.size), np.empty(quarters.size)
    for i, quarter in enumerate(quarters.tolist()):
        local = (_EPOCH + timedelta(seconds=quarter * 900)).replace(tzinfo=tz)
        offsets[i], later[i] = (_offset_s(local.replace(fold=fold)) for fold in (0, 1))
    out[good] = wall_s[good] - offsets[where]
    times[good] = (1 + np.sign(offsets - later)).astype(np.int8)[where]
    return out, times


def _offset_s(moment: datetime) -> float:
    offset = moment.utcoffset()
    return offset.total_seconds() if offset is not None else 0.0
