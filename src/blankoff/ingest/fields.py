"""Lines of one log to the texts of the columns that are used; what is no record is refused here, line by line.

Most lines of most logs split the same way: those are split together by Polars. Lines that are odd in any way, and files
with headings among their readings or quotation marks over line ends, are split one by one by the ``csv`` library.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable
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

IntArray: TypeAlias = NDArray[np.int64]

FOREIGN = "\ufffd"
"""Stands for a text with bytes that its file's encoding has no character for."""


@dataclass(frozen=True)
class Texts:
    """Texts under one heading, a row per record, in file order; blank ones are null.

    Parameters
    ----------
    line
        ``(n,)`` line in the file, the heading being line 1.
    last_width
        Fields of the last record.
    """

    columns: Columns
    line: IntArray
    time: pl.Series
    pressure: pl.Series
    ambient: pl.Series | None
    mark: pl.Series | None
    last_width: int


@dataclass
class _Section:
    """Records under one heading: most files have one."""

    columns: Columns
    numbers: list[int] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


def texts_of(lines: list[str], ended: bool, dialect: Dialect, rejects: Rejects) -> list[Texts]:
    """Split the data lines of a log.

    Parameters
    ----------
    lines
        All lines of the file.
    ended
        Whether the last line has a line end.
    dialect
        How the file is written.
    rejects
        Collects the lines that are no records.

    Returns
    -------
    list of Texts
        One for each heading that changes the columns; usually one.
    """
    unended_line = 0 if ended else len(lines)
    together = _split_together(lines, dialect, unended_line)
    if together is not None:
        texts, odd, usual = together
        if not odd:
            return [texts]
        sections = _sections(((i + 1, lines[i]) for i in odd), dialect, rejects)
        if len(sections) == 1:
            section = _fit_widths(sections[0], dialect, rejects, unended_line, usual)
            return [_merged(texts, _texts(section))]
    pieces = []
    for section in _sections(_records(lines, dialect.first_data_line, rejects), dialect, rejects):
        if section.rows:
            usual = Counter(map(len, section.rows)).most_common(1)[0][0]
            pieces.append(_texts(_fit_widths(section, dialect, rejects, unended_line, usual)))
    return pieces


def _split_together(lines: list[str], dialect: Dialect, unended_line: int) -> tuple[Texts, list[int], int] | None:
    """Split all lines alike at once.

    Returns
    -------
    Texts, list of int, int
        Texts of the lines that split alike, indices of all other lines, and the number of fields; None if the lines
        have to be looked at in turn.
    """
    first, columns, delimiter = dialect.first_data_line, dialect.columns, dialect.delimiter
    if delimiter == " " or len(lines) - first < 20:
        return None
    body = lines[first:]
    if not "\n".join(body).isascii() and any(map(is_foreign, body)):
        return None
    text = pl.col("text")
    frame = pl.DataFrame({"text": body}, schema={"text": pl.String}).select(
        text,
        quotes=text.str.count_matches('"', literal=True),
        width=text.str.count_matches(delimiter, literal=True) + 1,
        is_odd=text.str.contains('["\\x00]')
        | (text.str.len_chars() > LIMITS.line_characters)
        | (text.str.strip_chars(delimiter + " \t") == ""),
    )
    widths = frame["width"].to_numpy()
    usual = int(np.bincount(np.minimum(widths, LIMITS.columns + 1)).argmax())
    headed = len(columns.names)
    if usual <= columns.last_needed or (headed and usual > headed) or bool(np.any(frame["quotes"].to_numpy() % 2 == 1)):
        return None
    odd = frame["is_odd"].to_numpy() | (widths != usual)
    if unended_line:
        odd[-1] = True
    if _may_be_heading([body[i] for i in np.flatnonzero(odd).tolist()], columns):
        return None
    where = np.flatnonzero(~odd)
    if where.size == 0:
        return None
    used = {"time": columns.time, "pressure": columns.pressure, "ambient": columns.ambient, "mark": columns.mark}
    at = {name: i for name, i in used.items() if i is not None and i < usual}
    fields = text.str.split_exact(delimiter, usual - 1)
    parts = frame.filter(pl.Series(~odd)).select(
        pl.when(stripped != "").then(stripped).alias(name)
        for name, i in at.items()
        for stripped in (fields.struct.field(f"field_{i}").str.strip_chars(),)
    )
    time = parts["time"]
    if _may_be_heading(time.filter(time.str.contains("^[^0-9]").fill_null(False)).to_list(), columns):
        return None
    texts = Texts(
        columns,
        where + first + 1,
        time,
        parts["pressure"],
        parts["ambient"] if "ambient" in at else None,
        parts["mark"] if "mark" in at else None,
        last_width=usual,
    )
    return texts, (np.flatnonzero(odd) + first).tolist(), usual


def _may_be_heading(texts: list[str], columns: Columns) -> bool:
    """Whether any of some texts holds the heading of a time column."""
    if not texts:
        return False
    known = {"elapsed_s", "timestamp"}
    if columns.names:
        known.add(clean_heading(columns.name_of(columns.time)))
    joined = "\n".join(texts).casefold()
    return any(name in joined for name in known)


def _records(lines: list[str], first: int, rejects: Rejects) -> Iterable[tuple[int, str]]:
    """Records and the line each begins at; a quoted field may run over line ends, an open quotation mark costs its line."""
    i, n = first, len(lines)
    while i < n:
        line, number = lines[i], i + 1
        i += 1
        if line.count('"') % 2 == 0 or "\0" in line:
            yield number, line
            continue
        joined, quotes = line, line.count('"')
        for used in range(1, min(LIMITS.quoted_lines, n - number + 1)):
            joined = f"{joined}\n{lines[number - 1 + used]}"
            quotes += lines[number - 1 + used].count('"')
            if quotes % 2 == 0 or len(joined) > LIMITS.line_characters:
                break
        if quotes % 2 == 0 and len(joined) <= LIMITS.line_characters:
            i = number + used
            yield number, joined
        else:
            rejects.add(number, "", "a quotation mark is not closed; the line was left out")


def _sections(records: Iterable[tuple[int, str]], dialect: Dialect, rejects: Rejects) -> list[_Section]:
    """Split records into fields; stray headings, NULs and over-long lines are refused here."""
    current = _Section(dialect.columns)
    sections = [current]
    names = {clean_heading(n) for n in dialect.columns.names}
    for number, line in records:
        if not line or line.isspace():
            continue
        if "\0" in line:
            rejects.add(number, "", "NUL bytes in the line; the line was left out")
            continue
        if len(line) > LIMITS.line_characters:
            rejects.add(number, "", f"a line of more than {LIMITS.line_characters} characters; it was left out")
            continue
        fields = _split(line, dialect.delimiter)
        if fields is None:
            rejects.add(number, "", "the line cannot be split into fields; it was left out")
            continue
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


def _split(line: str, delimiter: str) -> list[str] | None:
    """Stripped fields of one record; None if it can't be split."""
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return [f.strip() for f in line.split(delimiter)]
    try:
        return [f.strip() for f in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
    except (csv.Error, StopIteration):
        return None


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


def _fit_widths(section: _Section, dialect: Dialect, rejects: Rejects, unended_line: int, usual: int) -> _Section:
    """Records that have all the fields they need; cut and over-full ones are refused."""
    columns = section.columns
    width = max(len(columns.names), usual)
    kept = _Section(columns)
    for number, fields in zip(section.numbers, section.rows, strict=True):
        k = len(fields)
        if k <= columns.last_needed:
            rejects.add(number, "", "a line cut short: time and pressure are not both there; the line was left out")
            continue
        if k < usual and columns.last_needed == k - 1:
            rejects.add(number, "", "a line cut short within its last value; the line was left out")
            continue
        if k > width:
            if columns.names and columns.mark == len(columns.names) - 1:
                whole = [*fields[: columns.mark], dialect.delimiter.join(fields[columns.mark :])]
                kept.numbers.append(number)
                kept.rows.append(whole)
                continue
            if any(fields[width:]):
                rejects.add(number, "", "more fields than the heading has; the line was left out")
                continue
        kept.numbers.append(number)
        kept.rows.append(fields)
    return kept


def _texts(section: _Section) -> Texts:
    """Texts of the columns that are used; a record with bytes that are no text has no time and no pressure."""
    columns = section.columns

    def column(position: int | None) -> pl.Series | None:
        if position is None:
            return None
        cells = [(r[position] or None) if position < len(r) else None for r in section.rows]
        return pl.Series([FOREIGN if c is not None and is_foreign(c) else c for c in cells], dtype=pl.String)

    time, pressure = column(columns.time), column(columns.pressure)
    assert time is not None
    assert pressure is not None
    return Texts(
        columns,
        np.array(section.numbers, dtype=np.int64),
        time,
        pressure,
        column(columns.ambient),
        column(columns.mark),
        len(section.rows[-1]) if section.rows else 0,
    )


def _merged(texts: Texts, others: Texts) -> Texts:
    """Texts of two sets of lines under one heading, in file order."""
    line = np.concatenate([texts.line, others.line])
    order = np.argsort(line)

    def column(one: pl.Series | None, other: pl.Series | None) -> pl.Series | None:
        if one is None and other is None:
            return None
        one = pl.Series([None] * texts.line.size, dtype=pl.String) if one is None else one.rename("")
        other = pl.Series([None] * others.line.size, dtype=pl.String) if other is None else other.rename("")
        return pl.concat([one, other]).gather(order)

    time, pressure = column(texts.time, others.time), column(texts.pressure, others.pressure)
    assert time is not None
    assert pressure is not None
    last = others if others.line.size and others.line[-1] == line.max() else texts
    return Texts(
        texts.columns,
        line[order],
        time,
        pressure,
        column(texts.ambient, others.ambient),
        column(texts.mark, others.mark),
        last.last_width,
    )
