"""From raw readings of one log to its samples: pressures judged, time made to run, order restored."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from blankoff.errors import LogUnreadableError
from blankoff.ingest.clock import naive_to_utc, unwrap_midnight
from blankoff.ingest.hours import how_long_a_gap, which_began
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.order import FAR_S, put_in_order
from blankoff.ingest.plausible import bad_readings, is_plain, pressure_problem, rounded_zero_micron, unit_problem
from blankoff.ingest.rejects import Rejects
from blankoff.ingest.tolerant import RawLog

FloatArray: TypeAlias = NDArray[np.float64]

_MOST_S = 1e12
"""No clock has counted so long, nor do microseconds show in it: some 30 000 years."""
_NO_TIME = "a time that cannot be right beside its neighbours'; the line was left out"


@dataclass(frozen=True)
class CleanLog:
    """Samples of one log, and what is known of their making."""

    elapsed_s: FloatArray
    pressure_micron: FloatArray
    ambient_c: FloatArray
    marks: tuple[tuple[float, str], ...]
    first_timestamp: datetime | None
    unit: str
    layout: str
    repeats: int = 0
    clock_set_s: float = 0.0


def moment_of(seconds: float) -> datetime:
    """A UTC moment from seconds since 1970, to the microsecond."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=round(seconds * 1e6))


def finish(raw: RawLog, timezone: str, shown: str, rejects: Rejects) -> CleanLog:
    """Judge and order one log's raw readings.

    Raises
    ------
    LogUnreadableError
        The unit must be wrong, or what is left is no log.
    """
    if len(raw.marks) > LIMITS.marks:
        rejects.add(None, "mark", f"more than {LIMITS.marks} marks; the later ones were left out")
        raw = replace(raw, marks=raw.marks[: LIMITS.marks])
    pressure = raw.pressure_micron
    bad: NDArray[np.bool_] | None = None
    if not raw.is_judged and not is_plain(raw.pressure_micron):
        pressure, bad = _judged(raw, shown, rejects)
    time_s, turned, or_later_s = raw.time_s, False, 0.0
    if raw.kind == "clock":
        time_s = unwrap_midnight(time_s)
    elif raw.kind == "naive":
        running = naive_to_utc(time_s, timezone)
        if running.open_gap is not None:
            i, j = running.open_gap
            raise LogUnreadableError(shown, how_long_a_gap(raw.time_s[i], raw.time_s[j]), raw.time_name)
        time_s, or_later_s = running.seconds, running.or_later_s
        turned = bool(time_s.size > 1 and time_s[-1] - time_s[0] != raw.time_s[-1] - raw.time_s[0])
    absolute = raw.kind in ("aware", "naive") and not or_later_s
    if or_later_s:
        began_s = float(np.nanmin(time_s))
        rejects.ask(int(raw.line[0]), raw.time_name, which_began(began_s, began_s + or_later_s))
    if raw.is_judged and raw.is_ascending and time_s[-1] - time_s[0] < FAR_S and not turned:
        return CleanLog(  # the usual case, for speed; the way below gives the same
            time_s - time_s[0] if raw.elapsed_s is None else raw.elapsed_s,
            pressure,
            raw.ambient_c,
            tuple((float(time_s[i] - time_s[0]), text) for i, text in raw.marks),
            moment_of(float(time_s[0])) if absolute else None,
            raw.unit,
            raw.layout,
        )
    absurd = np.abs(time_s) > _MOST_S
    if absurd.any():
        for i in np.flatnonzero(absurd if bad is None else absurd & ~bad).tolist():
            rejects.add(int(raw.line[i]), raw.time_name, _NO_TIME)
        bad = absurd if bad is None else bad | absurd
    kept = np.arange(pressure.size) if bad is None else np.flatnonzero(~bad)
    ordered = put_in_order(time_s[kept], pressure[kept])
    for i in ordered.far.tolist():
        rejects.add(
            int(raw.line[kept[i]]),
            raw.time_name,
            _NO_TIME,
        )
    index = kept[ordered.index]
    p = pressure[index]
    if index.size == 0:
        raise LogUnreadableError(
            shown, "nothing in it can be a time and a pressure: no possible reading is left", raw.pressure_name
        )
    return CleanLog(
        elapsed_s=ordered.elapsed_s,
        pressure_micron=p,
        ambient_c=raw.ambient_c[index],
        marks=_marks(raw, kept, ordered.index, ordered.elapsed_s, time_s),
        first_timestamp=moment_of(float(time_s[index[0]])) if absolute else None,
        unit=raw.unit,
        layout=raw.layout,
        repeats=ordered.repeats,
        clock_set_s=ordered.clock_set_s,
    )


def _judged(raw: RawLog, shown: str, rejects: Rejects) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Pressures with rounded zeros given their value, and which are impossible; those are reported."""
    problem = unit_problem(raw.pressure_micron)
    if problem:
        raise LogUnreadableError(shown, problem, raw.pressure_name)
    pressure = raw.pressure_micron.copy()
    bad = bad_readings(pressure)
    zero = pressure == 0
    if zero.any():
        rounded = rounded_zero_micron(pressure)
        if rounded > 0:
            pressure[zero] = rounded
        else:
            bad |= zero
    for i in np.flatnonzero(bad).tolist():
        rejects.add(
            int(raw.line[i]), raw.pressure_name, pressure_problem(float(pressure[i])), f"{pressure[i]:.6g} microns"
        )
    return pressure, bad


def _marks(
    raw: RawLog, kept: NDArray[np.int64], index: NDArray[np.int64], elapsed_s: FloatArray, time_s: FloatArray
) -> tuple[tuple[float, str], ...]:
    """Marks at the elapsed time of their rows; of a repeated or refused row, at that of the nearest row before it."""
    if not raw.marks:
        return ()
    rows = kept[index]
    by_row = np.argsort(rows)
    marked = np.array([row for row, _ in raw.marks], dtype=np.int64)
    at = by_row[np.maximum(np.searchsorted(rows[by_row], marked, "right") - 1, 0)]
    # a repeat: its first showing has the same time
    shown_s = time_s[rows]
    by_time = np.argsort(shown_s, kind="stable")
    first = by_time[np.minimum(np.searchsorted(shown_s[by_time], time_s[marked], "left"), rows.size - 1)]
    at = np.where((rows[at] != marked) & (shown_s[first] == time_s[marked]), first, at)
    found = {(when, text) for when, (_, text) in zip(elapsed_s[at].tolist(), raw.marks, strict=True)}
    return tuple(sorted(found))
