"""One text log read line by line: what is bad costs its line, with a reason, and the log is read on.

Fields are split by the ``csv`` library and numbers parsed by Polars, a column at a time; only lines are repaired here.
"""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.errors import LogUnreadableError
from blankoff.ingest.dialect import Columns, Dialect, clean_heading, standard_columns
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.rejects import Rejects
from blankoff.ingest.text import is_foreign
from blankoff.ingest.times import Kind, Moments, parse_formatted, parse_moments
from blankoff.units import to_celsius, to_micron

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

MARK_CHARACTERS = 500
_THOUSANDS = r"^[+-]?\d{1,3}(?:[.,\s]\d{3})+$"
_CUT_LAST_CHANGE = 0.25


@dataclass
class RawLog:
    """Readings of one log in file order, before time and pressure are judged.

    Parameters
    ----------
    line
        ``(n,)`` line in the file, the heading being line 1.
    time_s
        ``(n,)`` finite; origin by ``kind``.
    pressure_micron
        ``(n,)``; NaN where over-range; impossible ones still in.
    ambient_c
        ``(n,)``; NaN where unknown.
    marks
        Row index and text.
    """

    line: IntArray
    time_s: FloatArray
    pressure_micron: FloatArray
    ambient_c: FloatArray
    kind: Kind
    unit: str
    layout: str = ""
    pressure_name: str = ""
    time_name: str = ""
    marks: list[tuple[int, str]] = field(default_factory=list)
    is_judged: bool = False
    """Every pressure is possible, and the unit in no doubt."""
    is_ascending: bool = False
    """Times ascend strictly."""


@dataclass
class _Section:
    """Lines under one heading: most files have one."""

    columns: Columns
    numbers: list[int] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


def read_lines(lines: list[str], ended: bool, dialect: Dialect, shown: str, rejects: Rejects) -> RawLog:
    """Read the data lines of one log.

    Parameters
    ----------
    lines
        All lines of the file.
    ended
        Whether the last line has a line end.
    dialect
        How the file is written.
    shown
        The path, for reasons.
    rejects
        Collects the lines left out.

    Raises
    ------
    LogUnreadableError
        Day and month are undecided, or no line has a time and a pressure.
    """
    sections = _sections(lines, dialect, rejects)
    pieces = [_read_section(s, dialect, shown, rejects, len(lines) if not ended else 0) for s in sections if s.rows]
    kept = [p for p in pieces if p is not None and p.line.size]
    if not kept:
        raise LogUnreadableError(
            shown,
            "nothing in it can be a time and a pressure: no line has both"
            if any(s.rows for s in sections)
            else "no readings follow the heading line",
        )
    first_kind = max(kept, key=lambda p: p.line.size).kind
    same = [p for p in kept if p.kind == first_kind]
    for other in (p for p in kept if p.kind != first_kind):
        for line in other.line.tolist():
            rejects.add(int(line), other.time_name, "the time is of another kind than the rest of the file's")
    return _join(same)


def _join(pieces: list[RawLog]) -> RawLog:
    if len(pieces) == 1:
        return pieces[0]
    starts = np.cumsum([0] + [p.line.size for p in pieces[:-1]])
    first = pieces[0]
    return RawLog(
        line=np.concatenate([p.line for p in pieces]),
        time_s=np.concatenate([p.time_s for p in pieces]),
        pressure_micron=np.concatenate([p.pressure_micron for p in pieces]),
        ambient_c=np.concatenate([p.ambient_c for p in pieces]),
        kind=first.kind,
        unit=first.unit,
        layout=first.layout,
        pressure_name=first.pressure_name,
        time_name=first.time_name,
        marks=[(int(s) + i, text) for s, p in zip(starts, pieces, strict=True) for i, text in p.marks],
    )


def _sections(lines: list[str], dialect: Dialect, rejects: Rejects) -> list[_Section]:
    """Split data lines into fields; stray headings, NULs and over-long lines are refused here."""
    current = _Section(dialect.columns)
    sections = [current]
    delimiter = dialect.delimiter
    names = {clean_heading(n) for n in dialect.columns.names}
    i, n = dialect.first_data_line, len(lines)
    while i < n:
        line, number = lines[i], i + 1
        i += 1
        if not line or line.isspace():
            continue
        if "\0" in line:
            rejects.add(number, "", "NUL bytes in the line; the line was left out")
            continue
        if len(line) > LIMITS.line_characters:
            rejects.add(number, "", f"a line of more than {LIMITS.line_characters} characters; it was left out")
            continue
        if delimiter == " ":
            fields = line.split()
        elif '"' not in line:
            fields = line.split(delimiter)
        else:
            joined, used = _whole_record(lines, i - 1)
            if used == 0:
                rejects.add(number, "", "a quotation mark is not closed; the line was left out")
                continue
            i += used - 1
            try:
                fields = next(csv.reader([joined], delimiter=delimiter, skipinitialspace=True))
            except (csv.Error, StopIteration):
                rejects.add(number, "", "the line cannot be split into fields; it was left out")
                continue
        fields = [f.strip() for f in fields]
        if not any(fields):
            continue
        at = current.columns.time
        if len(fields) > at and _is_heading(fields, at, names):
            rejects.add(number, "", "a heading line among the readings; the line was left out")
            columns = _new_columns(fields, dialect, current.columns)
            if columns is not None:
                current = _Section(columns)
                sections.append(current)
            continue
        current.numbers.append(number)
        current.rows.append(fields)
    return sections


def _is_heading(fields: list[str], time_at: int, names: set[str]) -> bool:
    first = fields[time_at]
    if not first or first[0].isdigit():
        return False
    folded = {clean_heading(f) for f in fields}
    return (bool(names) and clean_heading(first) in names) or (
        bool(folded & {"elapsed_s", "timestamp"}) and any(f.startswith("pressure") for f in folded)
    )


def _new_columns(fields: list[str], dialect: Dialect, current: Columns) -> Columns | None:
    """Columns by a second heading, if it is one of the contract's and says something else."""
    if dialect.layout:
        return None
    try:
        columns = standard_columns(fields, "", 0)
    except LogUnreadableError:
        return None
    return columns if columns is not None and columns != current else None


def _whole_record(lines: list[str], start: int) -> tuple[str, int]:
    """A record whose quoted field may run over line ends, and how many lines it takes; 0 if it never closes."""
    joined, quotes = "", 0
    for used in range(min(LIMITS.quoted_lines, len(lines) - start)):
        line = lines[start + used]
        joined = line if used == 0 else f"{joined}\n{line}"
        quotes += line.count('"')
        if quotes % 2 == 0:
            return joined, used + 1
        if len(joined) > LIMITS.line_characters:
            break
    return "", 0


def _read_section(
    section: _Section, dialect: Dialect, shown: str, rejects: Rejects, unended_line: int
) -> RawLog | None:
    """Values of one section's lines."""
    columns = section.columns
    numbers, rows = _fit_widths(section, dialect, rejects, unended_line)
    if not rows:
        return None
    n = len(rows)
    line = np.array(numbers, dtype=np.int64)
    good = np.ones(n, dtype=bool)
    for i, r in enumerate(rows):
        if is_foreign(r[columns.time]) or is_foreign(r[columns.pressure]):
            rejects.add(numbers[i], "", "bytes that are no text in the file's encoding; the line was left out")
            r[columns.time] = r[columns.pressure] = ""
            good[i] = False
    time_text = pl.Series([r[columns.time] or None for r in rows], dtype=pl.String, strict=False)
    pressure_text = [r[columns.pressure] for r in rows]

    marks = {}
    if columns.mark is not None:
        for i, r in enumerate(rows):
            if len(r) > columns.mark and r[columns.mark]:
                if is_foreign(r[columns.mark]):
                    rejects.add(
                        numbers[i],
                        columns.name_of(columns.mark),
                        "a mark in another encoding than the file's; the line was left out",
                    )
                    good[i] = False
                else:
                    marks[i] = r[columns.mark][:MARK_CHARACTERS]

    moments = _moments(time_text, columns)
    if moments.question:
        raise LogUnreadableError(shown, moments.question, columns.name_of(columns.time))
    bad_time = good & ~np.isfinite(moments.seconds)
    for i in np.flatnonzero(bad_time).tolist():
        rejects.add(
            numbers[i],
            columns.name_of(columns.time),
            "no time in the time column; the line was left out",
            rows[i][columns.time],
        )
    good &= ~bad_time

    pressure, problem = parse_pressures(pl.Series(pressure_text, dtype=pl.String), dialect.decimal)
    for i, why in problem.items():
        if good[i]:
            rejects.add(numbers[i], columns.name_of(columns.pressure), why, pressure_text[i])
            good[i] = False

    ambient = np.full(n, np.nan)
    if columns.ambient is not None:
        at = columns.ambient
        texts = pl.Series(
            [r[at] if len(r) > at and not is_foreign(r[at]) else None for r in rows], dtype=pl.String, strict=False
        )
        ambient = to_celsius(parse_numbers(texts, dialect.decimal), columns.ambient_unit)
        with np.errstate(invalid="ignore"):
            ambient[~((ambient > -60) & (ambient < 80))] = np.nan

    if unended_line and good.sum() > 3 and numbers[-1] == unended_line and good[-1]:
        why = _half_written(rows, moments.seconds, pressure, columns, good)
        if why:
            rejects.add(numbers[-1], columns.name_of(columns.pressure), why)
            good[-1] = False

    where = np.flatnonzero(good)
    new_index = {int(w): k for k, w in enumerate(where)}
    return RawLog(
        line=line[where],
        time_s=moments.seconds[where],
        pressure_micron=to_micron(pressure[where], columns.unit),
        ambient_c=ambient[where],
        kind=moments.kind,
        unit=columns.unit.value,
        layout=dialect.layout,
        pressure_name=columns.name_of(columns.pressure),
        time_name=columns.name_of(columns.time),
        marks=[(new_index[i], text) for i, text in marks.items() if i in new_index],
    )


def _fit_widths(
    section: _Section, dialect: Dialect, rejects: Rejects, unended_line: int
) -> tuple[list[int], list[list[str]]]:
    """Lines that have all the fields they need; cut and over-full ones are refused."""
    columns = section.columns
    usual = Counter(map(len, section.rows)).most_common(1)[0][0]
    width = max(len(columns.names), usual)
    needed = columns.last_needed
    numbers: list[int] = []
    rows: list[list[str]] = []
    for number, fields in zip(section.numbers, section.rows, strict=True):
        k = len(fields)
        if k == usual and k > needed and number != unended_line:
            pass
        elif k <= needed:
            rejects.add(number, "", "a line cut short: time and pressure are not both there; the line was left out")
            continue
        elif k < usual and columns.last_needed == k - 1:
            rejects.add(number, "", "a line cut short within its last value; the line was left out")
            continue
        elif k > width:
            if columns.mark == len(columns.names) - 1 and columns.names:
                fields = [*fields[: columns.mark], dialect.delimiter.join(fields[columns.mark :])]
            elif any(fields[width:]):
                rejects.add(number, "", "more fields than the heading has; the line was left out")
                continue
        numbers.append(number)
        rows.append(fields)
    return numbers, rows


def _moments(texts: pl.Series, columns: Columns) -> Moments:
    """Times of a section by its style."""
    if columns.time_format:
        return parse_formatted(texts, columns.time_format)
    if columns.time_style == "elapsed":
        seconds = parse_numbers(texts, "?")
        if np.isfinite(seconds).sum() * 2 >= seconds.size - texts.null_count():
            seconds[~np.isfinite(seconds)] = np.nan
            return Moments("plain", seconds)
    moments = parse_moments(texts)
    if moments.kind == "plain":
        return Moments("plain", moments.seconds * columns.time_scale_s)
    return moments


def _half_written(
    rows: list[list[str]], time_s: FloatArray, pressure: FloatArray, columns: Columns, good: NDArray[np.bool_]
) -> str:
    """Why the last line, which has no line end, may lack the end of its last value; empty if it looks whole."""
    before = np.flatnonzero(good[:-1])[-3:]
    last = rows[-1]
    why = "a half-written last line; it was left out"
    if len(last) == columns.time + 1 and time_s[-1] <= time_s[before[-1]]:
        return why
    if len(last) != columns.pressure + 1:
        return ""
    usual_p = pressure[before]
    if np.isnan(pressure[-1]):
        return why if np.isfinite(usual_p[-1]) and not last[columns.pressure] else ""
    if np.isnan(usual_p).any():
        return ""
    middle = float(np.median(usual_p))
    shorter = len(last[columns.pressure]) < min(len(rows[i][columns.pressure]) for i in before)
    return why if shorter and abs(pressure[-1] - middle) > _CUT_LAST_CHANGE * middle else ""


# --- numbers ------------------------------------------------------------------------------------------------------


def parse_numbers(texts: pl.Series, decimal: str) -> FloatArray:
    """Numbers out of text; NaN where there is none; infinities stay.

    ``decimal`` is ``.``, ``,``, or ``?`` for either, whichever the text has.
    """
    texts = texts.cast(pl.String).str.strip_chars()
    if decimal == "." or not texts.str.contains(",", literal=True).any():
        plain = texts
        if decimal == ",":
            plain = pl.select(
                pl.when(texts.str.contains(_THOUSANDS))
                .then(texts.str.replace_all(".", "", literal=True))
                .otherwise(texts)
            ).to_series()
    else:
        both = texts.str.contains(",", literal=True) & texts.str.contains(".", literal=True)
        plain = (
            pl.select(pl.when(both).then(texts.str.replace_all(".", "", literal=True)).otherwise(texts))
            .to_series()
            .str.replace(",", ".", literal=True)
        )
    return plain.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy().astype(np.float64)


def parse_pressures(texts: pl.Series, decimal: str) -> tuple[FloatArray, dict[int, str]]:
    """Pressures out of text: NaN for over-range (blank, inf, nan, any word), and the rows that are neither.

    A text with digits that is no number is refused rather than taken for over-range, unless it says so (``>20000``).
    """
    values = parse_numbers(texts, decimal)
    problem: dict[int, str] = {}
    doubtful = np.flatnonzero(~np.isfinite(values))
    if doubtful.size == 0:
        return values, problem
    for i in doubtful.tolist():
        text = texts[i] or ""
        if values[i] == -np.inf:
            problem[i] = "a negative absolute pressure is impossible; the line was left out"
        elif is_foreign(text) or (any(c.isdigit() for c in text) and not text.startswith((">", "≥", "+>"))):
            problem[i] = "no pressure in the pressure column; the line was left out"
        values[i] = np.nan
    return values, problem
