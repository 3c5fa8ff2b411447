"""A register's file to texts, a column at a time: what is no row is refused here."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from blankoff import schemas
from blankoff.errors import LogUnreadableError
from blankoff.ingest.dialect import clean_heading
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.parquet_bounded import is_nested, open_bounded, read_bounded
from blankoff.ingest.parquet_logs import cannot
from blankoff.ingest.rejects import Rejects
from blankoff.ingest.text import decode, is_foreign, split_lines
from blankoff.ingest.unpack import kind_of_bytes, read_stored

_DELIMITERS = (",", ";", "\t", "|")
_CELL_CHARACTERS = 4_096
_NUL = "NUL bytes in the row"
_LONG_FIELD = f"a field of more than {_CELL_CHARACTERS} characters"


@dataclass
class Cells:
    """A register as text: ``columns`` name to one text per row (null where blank), and each row's line."""

    columns: dict[str, pl.Series]
    lines: list[int]
    refused: int = 0
    headings: list[str] = field(default_factory=list)


def read_cells(path: Path, rejects: Rejects) -> Cells:
    """Read a register's file.

    Raises
    ------
    LogUnreadableError
        It cannot be used as a whole.
    """
    shown = path.name
    stored = read_stored(path, shown)
    kind = kind_of_bytes(stored)
    if path.suffix.casefold() == ".parquet":
        if kind != "parquet":
            raise LogUnreadableError(shown, "the bytes are not what the name says: it is no Parquet file")
        return _parquet_cells(stored, shown, rejects)
    if kind:
        raise LogUnreadableError(shown, f"the bytes are not what the name says: its bytes are {kind}, not text")
    if stored.count(b"\n") + stored.count(b"\r") > LIMITS.lines:
        raise LogUnreadableError(shown, f"more than {LIMITS.lines} lines")
    return _csv_cells(split_lines(decode(stored)), shown, rejects)


def _parquet_cells(stored: bytes, shown: str, rejects: Rejects) -> Cells:
    columns: dict[str, pl.Series] = {}
    try:
        file = open_bounded(stored, shown)
        names: dict[str, str] = {}
        for name in file.schema_arrow.names:
            names.setdefault(clean_heading(name), name)
        known = {c.name for t in schemas.REGISTERS.values() for c in t.columns}
        flat = [n for heading, n in names.items() if heading in known and not is_nested(file, n)]
        table = read_bounded(file, stored, flat, shown)
        for heading, name in names.items():
            if name in flat:
                columns[heading] = _as_text(pl.Series(heading, pl.from_arrow(table.column(name))))
            elif heading in known:
                columns[heading] = pl.Series(heading, [None] * table.num_rows, dtype=pl.String)
        return _without_bad_rows(columns, file.metadata.num_rows, rejects)
    except LogUnreadableError:
        raise
    except cannot() as error:
        reason = (str(error).splitlines() or [type(error).__name__])[0]
        raise LogUnreadableError(shown, f"it cannot be read as Parquet ({reason[:120]})") from None


def _without_bad_rows(columns: dict[str, pl.Series], n: int, rejects: Rejects) -> Cells:
    """Refuse the rows that a CSV's would be refused for, where a Parquet file can have them."""
    bad: dict[int, str] = {}
    for text in columns.values():
        for wrong, problem in (
            (text.str.contains("\0", literal=True), _NUL),
            (text.str.len_chars() > _CELL_CHARACTERS, _LONG_FIELD),
        ):
            for i in wrong.arg_true().to_list():
                bad.setdefault(i, problem)
    for i in sorted(bad):
        rejects.add(i + 1, "", bad[i])
    good = [i for i in range(n) if i not in bad] if bad else list(range(n))
    kept = {name: text.gather(good) for name, text in columns.items()} if bad else columns
    return Cells(kept, [i + 1 for i in good], len(bad))


def _as_text(series: pl.Series) -> pl.Series:
    """A typed Parquet column as the text a CSV would have."""
    dtype = series.dtype
    if isinstance(dtype, pl.Datetime):
        pattern = "%Y-%m-%dT%H:%M:%S%.6f" + ("%:z" if dtype.time_zone else "")
        return series.cast(pl.Datetime("us", dtype.time_zone)).dt.strftime(pattern)
    if dtype == pl.Date:
        return series.dt.strftime("%Y-%m-%d")
    if dtype in (pl.Float32, pl.Float64):
        whole = series.fill_nan(None)
        return pl.select(
            pl.when(whole == whole.round())
            .then(whole.cast(pl.Int64, strict=False).cast(pl.String))
            .otherwise(whole.cast(pl.String))
        ).to_series()
    if dtype == pl.Boolean or dtype.is_numeric():
        return series.cast(pl.String)
    if dtype in (pl.String, pl.Categorical, pl.Enum):
        text = series.cast(pl.String).str.strip_chars()
        return text.set(text == "", None)
    return pl.Series(series.name, [None] * series.len(), dtype=pl.String)


def _csv_cells(lines: list[str], shown: str, rejects: Rejects) -> Cells:
    start = next((i for i, line in enumerate(lines) if line.replace("\ufeff", "").strip(" ,;\t")), None)
    if start is None:
        raise LogUnreadableError(shown, "the file is empty")
    heading = lines[start]
    if len(heading) > LIMITS.line_characters or "\0" in heading:
        raise LogUnreadableError(shown, "its first line is no heading", row=start + 1)
    known = {c.name for t in schemas.REGISTERS.values() for c in t.columns}
    splits = {d: _fields([heading], 0, d)[0] or [] for d in _DELIMITERS}
    delimiter = max(_DELIMITERS, key=lambda d: sum(clean_heading(f) in known for f in splits[d]))
    # a heading that is no text names no column of ours; its cells are left alone
    headings = ["" if is_foreign(h) else clean_heading(h) for h in splits[delimiter]]
    if len(headings) > LIMITS.columns:
        raise LogUnreadableError(shown, f"more than {LIMITS.columns} columns", row=start + 1)
    together = _split_together(lines, start, delimiter, headings)
    if together is not None:
        return together
    numbers: list[int] = []
    rows: list[list[str]] = []
    refused = 0
    i = start + 1
    while i < len(lines):
        line, number = lines[i], i + 1
        if not line.strip(" \t,;|") and "\0" not in line:
            i += 1
            continue
        fields, used = _fields(lines, i, delimiter)
        i += max(used, 1)
        problem = _row_problem(line, fields, headings)
        if problem:
            rejects.add(number, "", problem)
            refused += 1
            continue
        numbers.append(number)
        rows.append(fields or [])
    columns: dict[str, pl.Series] = {}
    for k, name in enumerate(headings):
        if name and name not in columns:
            columns[name] = pl.Series(
                name, [(r[k].strip() or None) if k < len(r) else None for r in rows], dtype=pl.String
            )
    return Cells(columns, numbers, refused, headings)


def _split_together(lines: list[str], start: int, delimiter: str, headings: list[str]) -> Cells | None:
    """Split all rows at once if no line needs a closer look; None if one may."""
    body = "\n".join(lines[start + 1 :])
    # the last four count as blanks where cells are stripped one by one, and not where they are stripped together
    closer = ('"', "\0", "\n\n", "\x0b", "\x0c", lines[start].strip(), "\x1c", "\x1d", "\x1e", "\x1f")
    if any(mark in body for mark in closer) or not body.strip():
        return None
    if not body.isascii() and is_foreign(body):
        return None
    if max(map(len, lines)) > _CELL_CHARACTERS:
        return None
    names = [f"c{k}" for k in range(len(headings))]
    try:
        frame = pl.read_csv(
            body.encode(),
            has_header=False,
            separator=delimiter,
            quote_char=None,
            schema=dict.fromkeys(names, pl.String),
        )
    except (pl.exceptions.PolarsError, ValueError, UnicodeError):
        return None
    if frame.height != len(lines) - start - 1:
        return None
    stripped = [pl.col(n).str.strip_chars() for n in names]
    frame = frame.select(pl.when(s != "").then(s).alias(n) for n, s in zip(names, stripped, strict=True))
    frame = frame.with_columns(pl.Series("line", range(start + 2, len(lines) + 1), dtype=pl.Int64)).filter(
        pl.any_horizontal(pl.col(names).is_not_null())
    )
    columns: dict[str, pl.Series] = {}
    for name, heading in zip(names, headings, strict=True):
        if heading and heading not in columns:
            columns[heading] = frame[name].rename(heading)
    return Cells(columns, frame["line"].to_list(), 0, headings)


def _fields(lines: list[str], start: int, delimiter: str) -> tuple[list[str] | None, int]:
    """Split the record that starts at a line, quoted line ends included; None if its quotes never close."""
    line = lines[start]
    if '"' not in line:
        return line.split(delimiter), 1
    joined_lines, quotes = "", 0
    for used in range(min(LIMITS.quoted_lines, len(lines) - start)):
        joined_lines = line if used == 0 else f"{joined_lines}\n{lines[start + used]}"
        quotes += lines[start + used].count('"')
        if len(joined_lines) > LIMITS.line_characters:
            break
        if quotes % 2 == 0:
            try:
                return next(csv.reader([joined_lines], delimiter=delimiter, skipinitialspace=True)), used + 1
            except (csv.Error, StopIteration):
                return None, 1
    return None, 1


def _row_problem(line: str, fields: list[str] | None, headings: list[str]) -> str:
    """Why a row can't be used as a whole; empty if it can."""
    if len(line) > LIMITS.line_characters:
        return f"a line of more than {LIMITS.line_characters} characters"
    # a quoted field may go on in the lines below, which may hold anything
    said = line if fields is None or '"' not in line else line + "".join(fields)
    if "\0" in said:
        return _NUL
    if fields is None:
        return "a quotation mark is not closed, so the fields cannot be told apart"
    if is_foreign(said):
        return "bytes that are no text in the file's encoding; save the register as UTF-8"
    if len(fields) > len(headings) and any(f.strip() for f in fields[len(headings) :]):
        return "more fields than the heading has"
    if any(len(f) > _CELL_CHARACTERS for f in fields):
        return _LONG_FIELD
    # mostly the first cell says that it is none
    if len(fields) >= len(headings) and all(clean_heading(f) == h for f, h in zip(fields, headings, strict=False)):
        return "a heading line among the rows"
    return ""
