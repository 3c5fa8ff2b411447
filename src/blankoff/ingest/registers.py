"""Register files (CSV or Parquet) to typed frames; a bad row costs the row, a bad optional field the field."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from blankoff import schemas
from blankoff.errors import FleetFolderError, LogUnreadableError
from blankoff.ingest.dialect import clean_heading
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.rejects import Rejects, frame_of, printable
from blankoff.ingest.text import decode, is_foreign, split_lines
from blankoff.ingest.times import local_to_utc, parse_moments
from blankoff.ingest.tolerant import parse_numbers
from blankoff.ingest.unpack import kind_of_bytes, read_stored
from blankoff.settings import Settings

MAY_BE_BLANK = {("evacuations", "log_file")}
"""Required columns whose fields may be blank: no log was handed in."""
_NEED_COLUMN = {
    "evacuations": ("evacuation_id",),
    "technicians": ("technician_id",),
    "pumps": ("pump_id",),
    "hoses": ("hose_id",),
    "gauges": ("gauge_id",),
    "systems": ("system_id",),
    "services": ("serviced_on", "asset", "asset_id", "action"),
    "coaching": ("coached_on", "technician_id", "topic"),
}
"""Columns without which a register says nothing; any other missing column costs what needs it, not the rows."""
_DELIMITERS = (",", ";", "\t", "|")
_CELL_CHARACTERS = 4_096


@dataclass(frozen=True)
class Registers:
    """All registers of a fleet folder.

    Parameters
    ----------
    frames
        Register name to its frame, by its schema in ``schemas``, with ``row`` (line in the file) behind; a missing
        register has no rows.
    quarantine
        Rows of the ``quarantine`` table; ``seen_at`` is left to the caller.
    counts
        ``register, path, rows_handed_in, rows_kept, rows_refused``: the first is the sum of the others.
    missing
        ``register, column, problem``: registers (column null) and columns that are not there.
    """

    frames: Mapping[str, pl.DataFrame]
    quarantine: pl.DataFrame
    counts: pl.DataFrame
    missing: pl.DataFrame


@dataclass
class _Cells:
    """A register as text: ``columns`` name to one text per row (null where blank), and each row's line."""

    columns: dict[str, pl.Series]
    lines: list[int]
    refused: int = 0
    headings: list[str] = field(default_factory=list)


def read_registers(folder: str | Path, settings: Settings | None = None) -> Registers:
    """Read every register of a fleet folder.

    Parameters
    ----------
    folder
        The fleet folder.
    settings
        For the time zone in which naive times are read.

    Returns
    -------
    Registers
        Typed frames in file order, what was refused and why, and counts that add up.

    Raises
    ------
    FleetFolderError
        There is no usable ``evacuations`` register.
    """
    settings = settings or Settings()
    folder = Path(folder)
    frames: dict[str, pl.DataFrame] = {}
    rejects: list[Rejects] = []
    counts: list[tuple[str, str | None, int, int, int]] = []
    missing: list[tuple[str, str | None, str]] = []
    for name, table in schemas.REGISTERS.items():
        path, spare = _find(folder, name)
        if spare is not None and path is not None:
            beside = Rejects(spare.name)
            beside.add(None, "", f"{path.name} is there too and was used; keep one of them")
            rejects.append(beside)
        empty = table.empty().with_columns(pl.Series("row", [], dtype=pl.Int64))
        if path is None:
            if name == "evacuations":
                raise FleetFolderError(
                    f"{printable(folder, 300)}: there is no evacuations.csv (or .parquet); it is the register every run needs"
                )
            frames[name] = empty
            missing.append((name, None, f"there is no {name}.csv"))
            continue
        collected = Rejects(path.name)
        try:
            cells = _read_cells(path, collected)
            _check_columns(name, cells, path.name)
        except LogUnreadableError as error:
            if name == "evacuations":
                raise FleetFolderError(f"{path.name}: {error.problem}") from None
            whole = Rejects(path.name)
            whole.add(None, error.field, error.problem)
            rejects.append(whole)
            frames[name] = empty
            missing.append((name, None, f"{path.name} cannot be used: {error.problem}"))
            counts.append((name, path.name, 1, 0, 1))
            continue
        missing += [
            (name, c.name, f"{path.name} has no column {c.name}") for c in table.columns if c.name not in cells.columns
        ]
        frame = _typed(name, table, cells, settings, collected)
        frames[name] = frame
        handed_in = len(cells.lines) + cells.refused
        counts.append((name, path.name, handed_in, frame.height, handed_in - frame.height))
        rejects.append(collected)
    return Registers(
        frames=frames,
        quarantine=frame_of(rejects),
        counts=pl.DataFrame(
            counts,
            schema={
                "register": pl.String,
                "path": pl.String,
                "rows_handed_in": pl.Int64,
                "rows_kept": pl.Int64,
                "rows_refused": pl.Int64,
            },
            orient="row",
        ),
        missing=pl.DataFrame(
            missing, schema={"register": pl.String, "column": pl.String, "problem": pl.String}, orient="row"
        ),
    )


def _find(folder: Path, name: str) -> tuple[Path | None, Path | None]:
    """Return the file of a register, CSV before Parquet, letter case aside; and the other one, where both are there."""
    try:
        by_name = {p.name.casefold(): p for p in sorted(folder.iterdir(), reverse=True) if p.is_file()}
    except OSError as error:
        raise FleetFolderError(f"{printable(folder, 300)}: the folder cannot be read ({error.strerror})") from None
    found = [by_name[f"{name}{s}"] for s in (".csv", ".parquet") if f"{name}{s}" in by_name]
    return (found[0] if found else None), (found[1] if len(found) > 1 else None)


def _check_columns(name: str, cells: _Cells, shown: str) -> None:
    lacking = [c for c in _NEED_COLUMN[name] if c not in cells.columns]
    if lacking:
        raise LogUnreadableError(
            shown,
            f"this is no {name} register: its heading lacks {', '.join(lacking)}; correct the heading",
            lacking[0],
        )


# --- files to text ------------------------------------------------------------------------------------------------


def _read_cells(path: Path, rejects: Rejects) -> _Cells:
    shown = path.name
    stored = read_stored(path, shown)
    kind = kind_of_bytes(stored)
    if path.suffix.casefold() == ".parquet":
        if kind != "parquet":
            raise LogUnreadableError(shown, "the bytes are not what the name says: it is no Parquet file")
        return _parquet_cells(stored, shown)
    if kind:
        raise LogUnreadableError(shown, f"the bytes are not what the name says: its bytes are {kind}, not text")
    if stored.count(b"\n") + stored.count(b"\r") > LIMITS.lines:
        raise LogUnreadableError(shown, f"more than {LIMITS.lines} lines")
    return _csv_cells(split_lines(decode(stored)), shown, rejects)


def _parquet_cells(stored: bytes, shown: str) -> _Cells:
    try:
        frame = pl.read_parquet(io.BytesIO(stored))
    except (pl.exceptions.PolarsError, OSError, ValueError, pl.exceptions.PanicException) as error:
        reason = (str(error).splitlines() or [type(error).__name__])[0]
        raise LogUnreadableError(shown, f"it cannot be read as Parquet ({reason[:120]})") from None
    columns: dict[str, pl.Series] = {}
    for series in frame.get_columns():
        columns.setdefault(clean_heading(series.name), _as_text(series))
    return _Cells(columns, list(range(1, frame.height + 1)))


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


def _csv_cells(lines: list[str], shown: str, rejects: Rejects) -> _Cells:
    start = next((i for i, line in enumerate(lines) if line.replace("\ufeff", "").strip(" ,;\t")), None)
    if start is None:
        raise LogUnreadableError(shown, "the file is empty")
    heading = lines[start]
    if len(heading) > LIMITS.line_characters or "\0" in heading:
        raise LogUnreadableError(shown, "its first line is no heading", row=start + 1)
    known = {c.name for t in schemas.REGISTERS.values() for c in t.columns}
    splits = {d: _fields([heading], 0, d)[0] or [] for d in _DELIMITERS}
    delimiter = max(_DELIMITERS, key=lambda d: sum(clean_heading(f) in known for f in splits[d]))
    headings = [clean_heading(h) for h in splits[delimiter]]
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
    return _Cells(columns, numbers, refused, headings)


def _split_together(lines: list[str], start: int, delimiter: str, headings: list[str]) -> _Cells | None:
    """Split all rows at once if no line needs a closer look; None if one may."""
    body = "\n".join(lines[start + 1 :])
    if any(mark in body for mark in ('"', "\0", "\n\n", "\x0b", "\x0c", lines[start].strip())) or not body.strip():
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
    return _Cells(columns, frame["line"].to_list(), 0, headings)


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
    if "\0" in line:
        return "NUL bytes in the row"
    if fields is None:
        return "a quotation mark is not closed, so the fields cannot be told apart"
    if is_foreign(line):
        return "bytes that are no text in the file's encoding; save the register as UTF-8"
    if len(fields) > len(headings) and any(f.strip() for f in fields[len(headings) :]):
        return "more fields than the heading has"
    if any(len(f) > _CELL_CHARACTERS for f in fields):
        return f"a field of more than {_CELL_CHARACTERS} characters"
    if [clean_heading(f) for f in fields][: len(headings)] == headings:
        return "a heading line among the rows"
    return ""


# --- text to typed frames -----------------------------------------------------------------------------------------


def _typed(name: str, table: schemas.Table, cells: _Cells, settings: Settings, rejects: Rejects) -> pl.DataFrame:
    """Typed frame of the rows that stay."""
    n = len(cells.lines)
    lines = np.array(cells.lines, dtype=np.int64)
    stays = np.ones(n, dtype=bool)
    typed: dict[str, pl.Series] = {}
    field_faults: list[tuple[int, str, str, object]] = []
    for column in table.columns:
        text = cells.columns.get(column.name)
        if text is None:
            typed[column.name] = pl.Series(column.name, [None] * n, dtype=column.dtype)
            continue
        values, problem = _convert(name, column, text, settings)
        typed[column.name] = values
        blank = text.is_null().to_numpy()
        wrong = values.is_null().to_numpy() & ~blank
        needed = column.required and (name, column.name) not in MAY_BE_BLANK
        for i in np.flatnonzero(wrong | (blank if needed else False)).tolist():
            is_date = column.dtype in (pl.Date, schemas.TIME)
            if stays[i] and (needed or (wrong[i] and is_date and column.required)):
                stays[i] = False
                rejects.add(int(lines[i]), column.name, problem if wrong[i] else "a required field is blank", text[i])
            elif stays[i]:
                field_faults.append((i, column.name, problem, text[i]))
    _refuse_repeats(name, table, typed, lines, stays, rejects)
    for i, column_name, problem, value in field_faults:
        if stays[i]:
            rejects.add(int(lines[i]), column_name, f"{problem}; the field was left blank", value)
    frame = pl.DataFrame([*typed.values(), pl.Series("row", lines)])
    return frame.filter(pl.Series(stays))


def _convert(name: str, column: schemas.Column, text: pl.Series, settings: Settings) -> tuple[pl.Series, str]:
    """Values of one column, null where blank or wrong, and what is wrong with the wrong ones."""
    choices = schemas.REGISTER_CHOICES.get((name, column.name))
    if choices is not None:
        folded = text.str.to_lowercase().str.replace_all(r"[\s-]+", "_")
        values = pl.select(pl.when(folded.is_in(choices)).then(folded)).to_series().alias(column.name)
        return values, f"not one of {', '.join(choices)}"
    if column.dtype == pl.String:
        return text.alias(column.name), ""
    if column.dtype == schemas.TIME:
        return _times(column.name, text, settings)
    if column.dtype == pl.Date:
        return _dates(column.name, text)
    numbers = parse_numbers(text, "?" if _is_decimal_comma(text) else ".")
    numbers[~np.isfinite(numbers)] = np.nan
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    with np.errstate(invalid="ignore"):
        numbers[~((numbers >= low) & (numbers <= high))] = np.nan
    return pl.Series(column.name, numbers).fill_nan(None), f"not a number from {low:g} to {high:g}"


def _is_decimal_comma(text: pl.Series) -> bool:
    """Whether a column's commas can only be decimal marks: no field would be a group of thousands."""
    with_comma = text.filter(text.str.contains(",", literal=True).fill_null(False))
    return (
        with_comma.len() > 0
        and bool(with_comma.str.contains(r"^[+-]?\d+,\d+$").all())
        and not bool(with_comma.str.contains(r"^[+-]?\d{1,3},\d{3}$").all())
    )


def _times(name: str, text: pl.Series, settings: Settings) -> tuple[pl.Series, str]:
    seconds, question = _moments(text, settings.timezone)
    micros = pl.Series(name, np.round(seconds * 1e6)).fill_nan(None).cast(pl.Int64).cast(schemas.TIME)
    return micros, question or "an impossible date or time; write it as YYYY-MM-DDThh:mm"


def _dates(name: str, text: pl.Series) -> tuple[pl.Series, str]:
    seconds, question = _moments(text, "UTC")
    days = pl.Series(name, np.floor(seconds / 86_400.0)).fill_nan(None).cast(pl.Int32).cast(pl.Date)
    return days, question or "an impossible date; write it as YYYY-MM-DD"


def _moments(text: pl.Series, timezone: str) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], str]:
    """Seconds since 1970 UTC, aware and naive texts mixed; all NaN where the whole column leaves a question."""
    zoned = text.str.contains(r"(?i)(?:Z|UTC|GMT|\d[+-]\d{2}(?::?\d{2})?)\s*$").fill_null(False) & text.str.contains(
        ":", literal=True
    ).fill_null(False)
    out = np.full(text.len(), np.nan)
    question = ""
    for is_zoned in (False, True):
        where = np.flatnonzero((zoned == is_zoned).to_numpy())
        if where.size == 0:
            continue
        moments = parse_moments(text.gather(where), dates_of_many_jobs=True)
        if moments.kind not in ("aware", "naive"):
            continue
        seconds = moments.seconds if moments.kind == "aware" else local_to_utc(moments.seconds, timezone)
        if moments.question:
            question = moments.question
            certain = text.gather(where).str.contains(r"^\s*\d{4}").fill_null(False).to_numpy()
            seconds = np.where(certain, seconds, np.nan)
        out[where] = seconds
    return out, question


def _refuse_repeats(
    name: str,
    table: schemas.Table,
    typed: dict[str, pl.Series],
    lines: np.ndarray[tuple[int], np.dtype[np.int64]],
    stays: np.ndarray[tuple[int], np.dtype[np.bool_]],
    rejects: Rejects,
) -> None:
    """Of rows with the same key, the first stands."""
    seen: dict[tuple[object, ...], int] = {}
    keys = zip(*(typed[k].to_list() for k in table.key), strict=True)
    for i, key in enumerate(keys):
        if not stays[i]:
            continue
        if key in seen:
            stays[i] = False
            what = f"{table.key[0]} {key[0]}" if len(key) == 1 else "the same entry"
            rejects.add(int(lines[i]), table.key[0], f"given twice; line {seen[key]} stands", what)
        else:
            seen[key] = int(lines[i])


def clean_log_path(text: str) -> str | None:
    """A register's ``log_file`` as a plain path under ``logs/``; None if it leaves ``logs/``.

    Backslashes count as slashes; a leading ``./`` or ``logs/`` may be there (the latter is tried both ways by the
    caller).
    """
    path = text.strip().replace("\\", "/")
    if "\0" in path or path.startswith("/") or re.match(r"^[A-Za-z]:", path):
        return None
    parts = [p for p in path.split("/") if p not in ("", ".")]
    return None if ".." in parts or not parts else "/".join(parts)
