"""One text log read line by line: what is bad costs its line, with a reason, and the log is read on.

Numbers are parsed by Polars, a column at a time; how lines become fields is `blankoff.ingest.fields`'s business.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.errors import LogUnreadableError
from blankoff.ingest.dialect import Columns, Dialect
from blankoff.ingest.fields import FOREIGN, Texts, texts_of
from blankoff.ingest.rejects import Rejects
from blankoff.ingest.text import is_foreign
from blankoff.ingest.times import Kind, Moments, parse_formatted, parse_moments
from blankoff.units import to_celsius, to_micron

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

MARK_CHARACTERS = 500
_THOUSANDS = r"^[+-]?\d{1,3}(?:[.,\s]\d{3})+$"
_CUT_LAST_CHANGE = 0.25
_OVER_RANGE_WORDS = 3
"""A log all above the gauge's range says so in a word or two; a column of ever different words is something else."""


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
    elapsed_s: FloatArray | None = None
    """``(n,)`` from the first reading, where ``time_s`` needs no more than that."""


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
    pieces = texts_of(lines, ended, dialect, rejects)
    had_records = any(piece.line.size for piece in pieces)
    unended_line = 0 if ended else len(lines)
    kept = [raw for piece in pieces if (raw := _values(piece, dialect, shown, rejects, unended_line)).line.size]
    if not kept:
        raise LogUnreadableError(
            shown,
            "nothing in it can be a time and a pressure: no line has both"
            if had_records or rejects.total
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


def _values(texts: Texts, dialect: Dialect, shown: str, rejects: Rejects, unended_line: int) -> RawLog:
    """Values of the records under one heading."""
    columns, line = texts.columns, texts.line
    n = line.size
    good = np.ones(n, dtype=bool)

    def refuse(rows: NDArray[np.bool_], name: str, problem: str, found: pl.Series | None = None) -> None:
        for i in np.flatnonzero(rows & good).tolist():
            rejects.add(int(line[i]), name, problem, None if found is None else found[i])
        good[rows] = False

    foreign = _is(texts.time, FOREIGN) | _is(texts.pressure, FOREIGN)
    refuse(foreign, "", "bytes that are no text in the file's encoding; the line was left out")
    if texts.mark is not None:
        refuse(
            _is(texts.mark, FOREIGN),
            columns.name_of(columns.mark or 0),
            "a mark in another encoding than the file's; the line was left out",
        )
    moments = _moments(texts.time, columns)
    if moments.question:
        raise LogUnreadableError(shown, moments.question, columns.name_of(columns.time))
    refuse(
        ~np.isfinite(moments.seconds),
        columns.name_of(columns.time),
        "no time in the time column; the line was left out",
        texts.time,
    )
    pressure, problems = parse_pressures(texts.pressure, dialect.decimal)
    for i, why in problems.items():
        if good[i]:
            rejects.add(int(line[i]), columns.name_of(columns.pressure), why, texts.pressure[i])
            good[i] = False
    if n and not np.isfinite(pressure).any() and texts.pressure.n_unique() > _OVER_RANGE_WORDS:
        raise LogUnreadableError(
            shown, "nothing in it can be a pressure: the column holds no number", columns.name_of(columns.pressure)
        )
    ambient = np.full(n, np.nan)
    if texts.ambient is not None:
        ambient = to_celsius(parse_numbers(texts.ambient, dialect.decimal), columns.ambient_unit)
        with np.errstate(invalid="ignore"):
            ambient[~((ambient > -60) & (ambient < 80))] = np.nan
    if unended_line and good.sum() > 3 and line[-1] == unended_line and good[-1]:
        why = _half_written(texts, moments.seconds, pressure, good)
        if why:
            rejects.add(int(line[-1]), columns.name_of(columns.pressure), why)
            good[-1] = False
    where = np.flatnonzero(good)
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
        marks=_marks(texts.mark, where),
    )


def _is(texts: pl.Series, value: str) -> NDArray[np.bool_]:
    return np.asarray((texts == value).fill_null(False).to_numpy(), dtype=bool)


def _marks(texts: pl.Series | None, where: IntArray) -> list[tuple[int, str]]:
    if texts is None:
        return []
    kept = texts.gather(where)
    rows = np.flatnonzero(kept.is_not_null().to_numpy())
    return [(i, text[:MARK_CHARACTERS]) for i, text in zip(rows.tolist(), kept.gather(rows).to_list(), strict=True)]


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


def _half_written(texts: Texts, time_s: FloatArray, pressure: FloatArray, good: NDArray[np.bool_]) -> str:
    """Why the last line, which has no line end, may lack the end of its last value; empty if it looks whole."""
    columns = texts.columns
    before = np.flatnonzero(good[:-1])[-3:]
    why = "a half-written last line; it was left out"
    if texts.last_width == columns.time + 1 and time_s[-1] <= time_s[before[-1]]:
        return why
    if texts.last_width != columns.pressure + 1:
        return ""
    last = texts.pressure[-1] or ""
    usual = pressure[before]
    if np.isnan(pressure[-1]):
        return why if np.isfinite(usual[-1]) and not last else ""
    if np.isnan(usual).any():
        return ""
    middle = float(np.median(usual))
    shorter = len(last) < min(len(texts.pressure[int(i)] or "") for i in before)
    return why if shorter and abs(pressure[-1] - middle) > _CUT_LAST_CHANGE * middle else ""


# --- numbers ------------------------------------------------------------------------------------------------------


def parse_numbers(texts: pl.Series, decimal: str) -> FloatArray:
    """Numbers out of text; NaN where there is none; infinities stay.

    ``decimal`` is ``.``, ``,``, or ``?`` for either, whichever the text has.
    """
    if decimal != ",":
        values = texts.cast(pl.Float64, strict=False)
        if values.null_count() == texts.null_count():
            return values.fill_null(np.nan).to_numpy().astype(np.float64)
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
    for i, found in zip(doubtful.tolist(), texts.gather(doubtful).to_list(), strict=True):
        text = found or ""
        if values[i] == -np.inf:
            problem[i] = "a negative absolute pressure is impossible; the line was left out"
        elif is_foreign(text) or (any(c.isdigit() for c in text) and not text.startswith((">", "≥", "+>"))):
            problem[i] = "no pressure in the pressure column; the line was left out"
        values[i] = np.nan
    return values, problem
