"""What was known on a day: nothing that an assessment as of that day may use lies after it."""

from __future__ import annotations

import calendar
import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping

import polars as pl

from blankoff.errors import BlankoffError
from blankoff.settings import Settings

_DATED_ROWS = {"services": "serviced_on", "coaching": "coached_on"}
_DATED_FIELDS = {
    "gauges": "calibrated_on",
    "pumps": "in_service_on",
    "hoses": "in_service_on",
    "technicians": "hired_on",
}


def month_end(month: str) -> dt.date:
    """Return the last day of ``YYYY-MM``.

    Raises
    ------
    BlankoffError
        It is no month.
    """
    try:
        if len(month) != 7 or month[4] != "-":
            raise ValueError
        year, number = int(month[:4]), int(month[5:])
        return dt.date(year, number, calendar.monthrange(year, number)[1])
    except (ValueError, IndexError):
        raise BlankoffError(f"{month!r} is no month; write year and month such as 2026-10") from None


def as_date(day: dt.date | str) -> dt.date:
    """Return a date given as such or as ``YYYY-MM-DD``.

    Raises
    ------
    BlankoffError
        It is no date.
    """
    if isinstance(day, dt.datetime):
        return day.date()
    if isinstance(day, dt.date):
        return day
    try:
        return dt.date.fromisoformat(day)
    except ValueError:
        raise BlankoffError(f"{day!r} is no date; write it such as 2026-10-31") from None


def registers_known_on(
    registers: Mapping[str, pl.DataFrame], as_of: dt.date, settings: Settings
) -> dict[str, pl.DataFrame]:
    """Return the registers without what is dated after ``as_of``.

    Evacuations, services and talks after that day are left out; a later calibration, first day in use or first day at
    work blanks that field.
    """
    known: dict[str, pl.DataFrame] = {}
    for name, frame in registers.items():
        if name == "evacuations":
            day = pl.col("started_at").dt.convert_time_zone(settings.timezone).dt.date()
            frame = frame.filter(day <= as_of)
        elif name in _DATED_ROWS:
            frame = frame.filter(pl.col(_DATED_ROWS[name]) <= as_of)
        elif name in _DATED_FIELDS:
            field = pl.col(_DATED_FIELDS[name])
            frame = frame.with_columns(pl.when(field <= as_of).then(field))
        known[name] = frame
    return known


def fingerprint(parts: Iterable[pl.DataFrame | str]) -> str:
    """Return a SHA-256 over frames and texts: the same for the same rows, in whatever order and chunks they lie.

    The row hashes are those of the installed Polars: another version may give others, and then a day is only
    assessed once more than it had to be.
    """
    total = hashlib.sha256()
    for part in parts:
        if isinstance(part, str):
            total.update(part.encode())
        else:
            total.update(repr(list(part.schema.items())).encode())
            if part.width:
                total.update(part.hash_rows(seed=0).sort().to_numpy().tobytes())
        total.update(b"\0")
    return total.hexdigest()
