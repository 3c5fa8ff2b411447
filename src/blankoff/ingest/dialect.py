"""Which column of a log is what: by the contract's own headings, or by a layout described in ``fleet.toml``."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from blankoff.errors import LogUnreadableError, UnknownWordError
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.rejects import printable
from blankoff.settings import LogLayout, Settings
from blankoff.units import PressureUnit, TemperatureUnit

TimeStyle = Literal["elapsed", "stamp"]

_TIME_SCALE_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "ms": 1e-3}
_DELIMITERS = (",", ";", "\t", "|")
_HEADING_WITHIN_LINES = 30


@dataclass(frozen=True)
class Columns:
    """Positions (from 0) and meanings of the columns that are used."""

    time: int
    time_style: TimeStyle
    pressure: int
    unit: PressureUnit
    ambient: int | None = None
    ambient_unit: TemperatureUnit = TemperatureUnit.C
    mark: int | None = None
    time_format: str = ""
    time_scale_s: float = 1.0
    names: tuple[str, ...] = ()
    """Headings, as found; empty without a heading line."""

    def name_of(self, position: int) -> str:
        """Heading of a column, or its position counted from 1."""
        return self.names[position] if position < len(self.names) and self.names[position] else f"column {position + 1}"

    @property
    def last_needed(self) -> int:
        """Position of the last column a line can't do without."""
        return max(self.time, self.pressure)


@dataclass(frozen=True)
class Dialect:
    """How a text log is written."""

    delimiter: str
    """One character; a blank stands for any run of blanks."""
    decimal: str
    columns: Columns
    first_data_line: int
    """Index (from 0) of the first line after the heading."""
    layout: str = ""
    """Name of the layout in ``fleet.toml``; empty for the contract's own headings."""


def clean_heading(text: str) -> str:
    """A heading as it is compared: blanks, quotes and a byte-order mark around it gone, case folded."""
    return re.sub(r"\s+", " ", text.replace("\ufeff", "").strip().strip("\"'").strip()).casefold()


def standard_columns(headings: Sequence[str], shown: str, row: int) -> Columns | None:
    """Columns by the contract's headings.

    Returns
    -------
    Columns or None
        None if the line names neither a time nor a pressure: it is no heading line.

    Raises
    ------
    LogUnreadableError
        It is a heading line, but lacks the time or the pressure, or the unit is unknown.
    """
    names = [clean_heading(h) for h in headings]
    time = (
        names.index("elapsed_s") if "elapsed_s" in names else names.index("timestamp") if "timestamp" in names else None
    )
    pressures = [(i, n) for i, n in enumerate(names) if n == "pressure" or n.startswith("pressure_")]
    if time is None and not pressures:
        return None
    if time is None:
        raise LogUnreadableError(
            shown, "the heading names no time: a column must be called elapsed_s or timestamp", "time", row
        )
    if not pressures:
        raise LogUnreadableError(
            shown, "the heading names no pressure: a column must be called pressure_<unit>", "pressure", row
        )
    known = [(i, u) for i, n in pressures if (u := _unit(n.removeprefix("pressure").removeprefix("_"))) is not None]
    if not known:
        units = ", ".join(u.value for u in PressureUnit)
        raise LogUnreadableError(
            shown,
            f"the unit in {printable(headings[pressures[0][0]].strip())!r} is unknown; it must be one of {units}",
            printable(headings[pressures[0][0]].strip()),
            row,
        )
    ambient = next((i for i, n in enumerate(names) if n == "ambient_c"), None)
    ambient_unit = TemperatureUnit.C
    if ambient is None:
        ambient = next((i for i, n in enumerate(names) if n == "ambient_f"), None)
        ambient_unit = TemperatureUnit.F
    return Columns(
        time=time,
        time_style="elapsed" if names[time] == "elapsed_s" else "stamp",
        pressure=known[0][0],
        unit=known[0][1],
        ambient=ambient,
        ambient_unit=ambient_unit,
        mark=names.index("mark") if "mark" in names else None,
        names=tuple(h.replace("\ufeff", "").strip() for h in headings),
    )


def _unit(word: str) -> PressureUnit | None:
    try:
        return PressureUnit.coerce(word)
    except UnknownWordError:
        return None


def split_fields(line: str, delimiter: str) -> list[str]:
    """Split one line into stripped fields; quotes count, and a blank delimiter stands for any run of blanks."""
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return [f.strip() for f in line.split(delimiter)]
    try:
        return [f.strip() for f in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
    except (csv.Error, StopIteration):
        return [f.strip() for f in line.split(delimiter)]


def standard_dialect(lines: Sequence[str], shown: str) -> Dialect:
    """Find the heading line of a log in the contract's own layout, among the first lines, and its delimiter.

    Raises
    ------
    LogUnreadableError
        No heading line, or one that lacks what it must name.
    """
    fault: LogUnreadableError | None = None
    for i, line in enumerate(lines[:_HEADING_WITHIN_LINES]):
        if len(line) > LIMITS.line_characters or "\0" in line:
            continue
        if not ("pressure" in line.casefold() or "elapsed_s" in line.casefold() or "timestamp" in line.casefold()):
            continue
        for delimiter in _DELIMITERS:
            headings = split_fields(line, delimiter)
            if len(headings) > LIMITS.columns:
                raise LogUnreadableError(shown, f"more than {LIMITS.columns} columns: no log has so many", "", i + 1)
            try:
                columns = standard_columns(headings, shown, i + 1)
            except LogUnreadableError as error:
                fault = fault or error
                if len(headings) > 1:
                    fault = error
                continue
            if columns is not None:
                return Dialect(delimiter, "." if delimiter == "," else "?", columns, i + 1)
    if fault is not None:
        raise fault
    raise LogUnreadableError(
        shown,
        "nothing in it can be a time and a pressure: no heading line names elapsed_s or timestamp and pressure_<unit>; "
        "if it is another logger's file, describe its layout in fleet.toml",
    )


# --- layouts from fleet.toml --------------------------------------------------------------------------------------


@lru_cache(maxsize=256)
def glob_pattern(glob: str) -> re.Pattern[str]:
    """A glob with ``**``, ``*``, ``?`` and ``[...]`` on paths with forward slashes, as a pattern for the whole path."""
    glob = glob.replace("\\", "/").removeprefix("./").removeprefix("logs/")
    out, i = "", 0
    while i < len(glob):
        if glob.startswith("**/", i):
            out, i = out + "(?:.*/)?", i + 3
        elif glob.startswith("**", i):
            out, i = out + ".*", i + 2
        elif glob[i] == "*":
            out, i = out + "[^/]*", i + 1
        elif glob[i] == "?":
            out, i = out + "[^/]", i + 1
        elif glob[i] == "[" and (end := glob.find("]", i + 2)) > 0:
            inner = glob[i + 1 : end].replace("\\", "\\\\").replace("[", "\\[")
            inner = "^" + inner[1:] if inner.startswith("!") else inner
            out, i = out + f"[{inner}]", end + 1
        else:
            out, i = out + re.escape(glob[i]), i + 1
    try:
        return re.compile(out, re.DOTALL)
    except re.error:
        return re.compile(re.escape(glob), re.DOTALL)


def layout_for(log_file: str, settings: Settings) -> tuple[str, LogLayout] | None:
    """Return the first layout in ``fleet.toml`` whose glob fits the log's path under ``logs/``."""
    for name, layout in settings.log_layouts.items():
        if glob_pattern(layout.files).fullmatch(log_file):
            return name, layout
    return None


def plain_delimiter(delimiter: str) -> tuple[str, str]:
    """A stated delimiter as one character, and what must be replaced in the text by it (empty if nothing).

    Blanks around the delimiter count for nothing, since fields are stripped; a delimiter that is blanks alone stands
    for any run of blanks, unless it has a tab.
    """
    core = delimiter.strip()
    if len(core) == 1:
        return core, ""
    if core:
        return "\x1f", core
    return ("\t" if "\t" in delimiter else " "), ""


def layout_dialect(lines: Sequence[str], name: str, layout: LogLayout, shown: str) -> Dialect:
    """Columns of a log by a described layout.

    Raises
    ------
    LogUnreadableError
        The heading line, or a column the layout names, is not there, or the unit is unknown.
    """
    delimiter, _ = plain_delimiter(layout.delimiter)
    wanted = {"time": layout.time.column, "pressure": layout.pressure.column}
    if layout.ambient is not None:
        wanted["ambient"] = layout.ambient.column
    if layout.mark is not None:
        wanted["mark"] = layout.mark.column
    unit = _unit(layout.pressure.unit)
    if unit is None:
        units = ", ".join(u.value for u in PressureUnit)
        raise LogUnreadableError(
            shown,
            f"layout {name!r} names the unknown unit {layout.pressure.unit!r}; it must be one of {units}",
            "pressure",
        )
    headings: list[str] = []
    first = layout.skip_rows
    if layout.header:
        headings, first = _find_headings(lines, layout, delimiter, wanted, name, shown)
    places = {what: _place(column, headings, name, shown, what) for what, column in wanted.items()}
    columns = Columns(
        time=places["time"],
        time_style="stamp",
        pressure=places["pressure"],
        unit=unit,
        ambient=places.get("ambient"),
        ambient_unit=TemperatureUnit.coerce(layout.ambient.unit) if layout.ambient else TemperatureUnit.C,
        mark=places.get("mark"),
        time_format=layout.time.format,
        time_scale_s=_TIME_SCALE_S[layout.time.unit],
        names=tuple(h.replace("\ufeff", "").strip() for h in headings),
    )
    return Dialect(delimiter, layout.decimal, columns, first, name)


def _find_headings(
    lines: Sequence[str],
    layout: LogLayout,
    delimiter: str,
    wanted: dict[str, str | int],
    name: str,
    shown: str,
) -> tuple[list[str], int]:
    """Return the heading line after the skipped rows, or the next one that has all the named columns."""
    texts = {clean_heading(c) for c in wanted.values() if isinstance(c, str)}
    nearby: Iterable[int] = range(layout.skip_rows, min(layout.skip_rows + _HEADING_WITHIN_LINES, len(lines)))
    for i in nearby:
        if len(lines[i]) > LIMITS.line_characters or not lines[i].strip():
            continue
        headings = split_fields(lines[i], delimiter)
        if len(headings) > LIMITS.columns:
            raise LogUnreadableError(shown, f"more than {LIMITS.columns} columns: no log has so many", "", i + 1)
        if texts <= {clean_heading(h) for h in headings}:
            return headings, i + 1
    raise LogUnreadableError(
        shown,
        f"nothing in it can be a time and a pressure by layout {printable(name)!r}: no heading line with "
        f"{', '.join(repr(str(c)) for c in wanted.values() if isinstance(c, str)) or 'columns'} after "
        f"{layout.skip_rows} skipped rows",
    )


def _place(column: str | int, headings: list[str], name: str, shown: str, what: str) -> int:
    """Position from 0 of a column named by heading or by position from 1."""
    if isinstance(column, str) and headings:
        names = [clean_heading(h) for h in headings]
        if clean_heading(column) in names:
            return names.index(clean_heading(column))
    text = str(column).strip()
    if not isinstance(column, str) or (not headings and text.isdecimal()):
        position = int(text)
        if position < 1 or (headings and position > len(headings)):
            raise LogUnreadableError(
                shown,
                f"layout {printable(name)!r} puts {what} in column {position}, but there are {len(headings)}",
                what,
            )
        return position - 1
    raise LogUnreadableError(shown, f"layout {printable(name)!r}: no column is headed {printable(column)!r}", what)
