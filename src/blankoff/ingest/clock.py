"""What a clock showed, made into time that runs on: midnight, time zones, daylight saving."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]

_DAY_S = 86_400.0
_EPOCH = datetime(1970, 1, 1)


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


def naive_to_utc(wall_s: FloatArray, zone: str) -> FloatArray:
    """One log's wall-clock seconds, in file order, to seconds since 1970 UTC.

    A log that crosses a change of daylight saving is read so that its time runs on evenly: the hour that comes twice
    is told apart by the step back in the file; a logger that shows an hour which did not exist, or none of the steps,
    does not follow daylight saving, and its first offset stands for all of the log.
    """
    good = np.isfinite(wall_s)
    if not good.any():
        return wall_s
    w = wall_s[good]
    low, high = float(w.min()), float(w.max())
    if high - low > 400 * _DAY_S:
        return np.where(good, wall_s - _offset_at(zone, int(low // 900)), np.nan)
    change = _change_between(zone, int((low - 64_800) // 900), int((high + 64_800) // 900) + 1)
    out = wall_s.copy()
    if change is None:
        out[good] = w - _offset_at(zone, int(low // 900))
        return out
    at, before, after = change[0] * 900.0, change[1], change[2]
    if after > before:  # an hour is left out
        missing = (w >= at + before) & (w < at + after)
        follows = not missing.any()
        first = before if w[0] < at + after else after
        out[good] = np.where(w < at + before, w - before, w - after) if follows else w - first
        return out
    first_pass_end, second_start = at + before, at + after
    twice = (w >= second_start) & (w < first_pass_end)
    if not twice.any():
        out[good] = np.where(w < second_start, w - before, w - after)
        return out
    back = np.flatnonzero((np.diff(w) < -(before - after) / 2) & twice[1:] & (w[:-1] < first_pass_end))
    if back.size:
        index = np.arange(w.size)
        out[good] = np.where((w < second_start) | (twice & (index <= back[0])), w - before, w - after)
        return out
    starts_before, ends_after = bool((w < second_start).any()), bool((w >= first_pass_end).any())
    if ends_after and not starts_before:
        out[good] = w - after
    else:
        out[good] = w - before
    return out


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
