"""Many clean logs of one dialect parsed by one library call; whatever is not clean is handed back for the careful path.

The bytes of the files are joined, Arrow's CSV reader parses them with stated types, and the columns are cut again by
the number of lines each file has. A file is clean if every line parsed, every pressure is possible, and its unit is
plainly right; its readings may still need ordering, which works on the arrays. The careful path
(`blankoff.ingest.tolerant`) decides everything else, so both give the same samples.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.errors import LogUnreadableError
from blankoff.ingest.arrow import pa, pa_csv
from blankoff.ingest.dialect import Columns, Dialect, layout_dialect, plain_delimiter, split_fields, standard_dialect
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.plausible import AIR_AT_MOST_MICRON, LOWEST_READING_MICRON, PLAIN_UNIT_MICRON
from blankoff.ingest.text import encoding_of, split_lines
from blankoff.ingest.times import Kind, Moments, parse_formatted, parse_moments
from blankoff.ingest.tolerant import MARK_CHARACTERS, RawLog
from blankoff.settings import LogLayout
from blankoff.units import PressureUnit, TemperatureUnit, to_celsius, to_micron

FloatArray: TypeAlias = NDArray[np.float64]
TimeMode = Literal["number", "iso", "iso_zoned", "text"]

_HEAD_BYTES = 32_768
_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d(:?\d\d)?)?")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_LINE_END = 10
_BLANK_LINES = re.compile(rb"\n(?:\r?\n)+")
_DECIMAL_COMMA = re.compile(rb"\d,\d")
_ANY_DIGIT = bytes.maketrans(b"123456789", b"000000000")
_NULLS = ("", "OL", "O.L.", "-", "--", "---", "----", "over", "OVER", "Over", "over-range", "NaN", "nan", "NAN")


@dataclass(frozen=True)
class Plan:
    """How the bytes of one kind of file are parsed; files with equal plans are joined."""

    columns: Columns
    delimiter: str
    decimal: str
    width: int
    time_mode: TimeMode
    nulls: tuple[str, ...]
    layout: str


@dataclass(frozen=True)
class Body:
    """A file's bytes after its heading, ready to be joined: UTF-8, ending in a line end."""

    plan: Plan
    data: bytes
    start: int
    lines: int


@dataclass(frozen=True)
class Seen:
    """What was found out of files read together: dialects by heading, plans by heading and the first line's look."""

    dialects: dict[bytes, Dialect] = field(default_factory=dict)
    plans: dict[tuple[int, bytes], Plan | None] = field(default_factory=dict)


def plan_body(data: bytes, layout: tuple[str, LogLayout] | None, seen: Seen) -> Body | None:
    """Find out how a text log could be parsed fast; None if only the careful path will do."""
    encoding, skip = encoding_of(data, layout[1].encoding if layout else "")
    if encoding not in ("utf-8", "ascii"):
        try:
            data, skip = data[skip:].decode(encoding).encode(), 0
        except (UnicodeError, LookupError):
            return None
    if b"\0" in data:
        return None
    found = _heading(data, skip, layout, seen.dialects)
    if found is None:
        return None
    dialect, start = found
    end = data.find(b"\n", start)
    if end < 0 or end - start > LIMITS.line_characters:
        return None
    plan = _plan_of(dialect, data, start, end, seen if layout is None else Seen())
    if plan is None:
        return None
    if data[-1:] != b"\n":
        if not _ends_whole(data, plan):
            return None
        data += b"\n"
    is_end = np.frombuffer(data, dtype=np.uint8, offset=start) == _LINE_END
    lines = int(np.count_nonzero(is_end))
    if _may_have_blank_lines(is_end, b"\r" in data):
        data = data[:start] + _BLANK_LINES.sub(b"\n", b"\n" + data[start:])[1:]
        lines = data.count(b"\n", start)
    return Body(plan, data, start, lines) if 2 <= lines <= LIMITS.lines else None


def _plan_of(dialect: Dialect, data: bytes, start: int, end: int, seen: Seen) -> Plan | None:
    """Plan by the line of readings between two places; lines that differ in digits alone have the same."""
    line = data[start:end]
    key = id(dialect), line.translate(_ANY_DIGIT)
    if key in seen.plans:
        return seen.plans[key]
    try:
        first = split_fields(line.decode().rstrip("\r"), dialect.delimiter)
    except UnicodeDecodeError:
        return None
    plan = _plan(dialect, first, data, start)
    if dialect.decimal != "?":
        seen.plans[key] = plan
    return plan


def _may_have_blank_lines(is_end: NDArray[np.bool_], has_returns: bool) -> bool:
    """Whether a line has nothing on it (or, where lines end in CR LF, one character at most), by its end's place."""
    if is_end[:1].any() or (is_end[1:] & is_end[:-1]).any():
        return True
    return has_returns and bool(is_end[1:2].any() or (is_end[2:] & is_end[:-2]).any())


def _heading(
    data: bytes, skip: int, layout: tuple[str, LogLayout] | None, cache: dict[bytes, Dialect]
) -> tuple[Dialect, int] | None:
    """Return the dialect, and where the data begins."""
    if layout is None:
        end = data.find(b"\n", skip, skip + _HEAD_BYTES)
        if end < 0:
            return None
        heading = data[skip:end]
        dialect = cache.get(heading)
        if dialect is None:
            try:
                dialect = standard_dialect([heading.decode().rstrip("\r")], "")
            except (LogUnreadableError, UnicodeDecodeError):
                return None
            cache[heading] = dialect
        return dialect, end + 1
    core, replaced = plain_delimiter(layout[1].delimiter)
    if replaced or core == " " or layout[1].decimal not in ".,":
        return None
    head = data[skip : skip + _HEAD_BYTES]
    try:
        dialect = layout_dialect(split_lines(head[: head.rfind(b"\n") + 1].decode()), layout[0], layout[1], "")
    except (LogUnreadableError, UnicodeDecodeError):
        return None
    start = skip
    for _ in range(dialect.first_data_line):
        start = data.find(b"\n", start) + 1
        if start == 0:
            return None
    if b"\r" in data[skip:start].replace(b"\r\n", b""):
        return None
    return dialect, start


def _plan(dialect: Dialect, first: list[str], data: bytes, start: int) -> Plan | None:
    """Types by the first line of readings, which begin at ``start``; the decimal mark by some more of them."""
    columns = dialect.columns
    headed = len(columns.names)
    width = len(first)
    if width <= columns.last_needed or (headed and not (width == headed or (width == headed + 1 and not first[-1]))):
        return None
    decimal = dialect.decimal
    pressure, time = first[columns.pressure], first[columns.time]
    if decimal == "?":
        decimal = "," if _DECIMAL_COMMA.search(data, start, start + 2 * _HEAD_BYTES) else "."
    nulls: tuple[str, ...] = _NULLS
    if not _NUMBER.fullmatch(pressure) and pressure not in nulls:
        # a number below zero in words is an impossible reading, not a word for over-range
        below_zero = pressure.strip().lower().startswith("-inf")
        if below_zero or any(c.isdigit() for c in pressure) or not pressure.isascii():
            return None
        nulls = (*nulls, pressure)
    mode: TimeMode
    iso = _ISO.fullmatch(time)
    if columns.time_format:
        mode = "text"
    elif _NUMBER.fullmatch(time) and not re.fullmatch(r"\d{8}|\d{12}|\d{14}", time):
        mode = "number"
    elif columns.time_style == "elapsed":
        return None
    else:
        mode = "text" if iso is None else "iso_zoned" if iso[3] else "iso"
    return Plan(columns, dialect.delimiter, decimal, width, mode, nulls, dialect.layout)


def _ends_whole(data: bytes, plan: Plan) -> bool:
    """Whether a last line without a line end is certainly whole: as many fields, its last value no shorter."""
    tail = data[-4096:].replace(b"\r\n", b"\n").split(b"\n")[-4:]
    if len(tail) < 4:
        return False
    try:
        rows = [split_fields(t.decode(), plan.delimiter) for t in tail]
    except UnicodeDecodeError:
        return False
    if any(len(r) != plan.width for r in rows):
        return False
    last_used = plan.width - 1 in (plan.columns.pressure, plan.columns.time)
    return not last_used or len(rows[-1][-1]) >= min(len(r[-1]) for r in rows[:-1])


# --- parsing ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Parsed:
    """Columns of several files, one after another."""

    time_s: FloatArray | pl.Series | Moments
    """Seconds; texts still to be parsed file by file; or moments by a stated format."""
    pressure_micron: FloatArray
    ambient_c: FloatArray | None
    marks: list[tuple[int, str]]
    """Row among all joined files, and text; ascending."""

    @property
    def rows(self) -> int:
        """Of all files together."""
        return int(self.pressure_micron.size)


def read_bodies(bodies: Sequence[Body]) -> list[RawLog | None]:
    """Parse files of one plan.

    Returns
    -------
    list of RawLog or None
        Per file its raw readings, all of them possible ones of a plain unit; None where the careful path must decide.
        ``line`` counts readings, not lines.
    """
    plan = bodies[0].plan
    parsed = _parse(_put_together(bodies), plan)
    expected = [b.lines for b in bodies]
    if parsed is None or parsed.rows != sum(expected):
        if len(bodies) == 1:  # fewer rows than lines: blank lines, unless a quotation mark was left open
            sound = parsed is not None and b'"' not in bodies[0].data
            return cut(parsed, [parsed.rows], plan) if parsed is not None and sound else [None]
        return [raw for b in bodies for raw in read_bodies([b])]
    return cut(parsed, expected, plan)


class _Room(threading.local):
    """A thread's room to put bytes together in: memory that is handed out anew each time costs more than filling it."""

    bytes_ = bytearray()


_room = _Room()


def _put_together(bodies: Sequence[Body]) -> memoryview:
    """Bytes of bodies one after another, good until the next call in this thread."""
    total = sum(len(b.data) - b.start for b in bodies)
    if len(_room.bytes_) < total:
        _room.bytes_ = bytearray(total)
    out = memoryview(_room.bytes_)[:total]
    at = 0
    for body in bodies:
        size = len(body.data) - body.start
        out[at : at + size] = memoryview(body.data)[body.start :]
        at += size
    return out


def _parse(data: memoryview, plan: Plan) -> Parsed | None:
    """Columns of some joined bytes; None if a line does not parse."""
    names = [f"c{i}" for i in range(plan.width)]
    c = plan.columns
    time_type: Any = {
        "number": pa.float64(),
        "iso": pa.timestamp("us"),
        "iso_zoned": pa.timestamp("us", "UTC"),
        "text": pa.string(),
    }[plan.time_mode]
    types = {names[c.time]: time_type, names[c.pressure]: pa.float64()}
    if c.ambient is not None and c.ambient < plan.width:
        types[names[c.ambient]] = pa.float64()
    if c.mark is not None and c.mark < plan.width:
        types[names[c.mark]] = pa.string()
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(pa.py_buffer(data)),
            read_options=pa_csv.ReadOptions(use_threads=False, block_size=1 << 20, column_names=names),
            parse_options=pa_csv.ParseOptions(delimiter=plan.delimiter, ignore_empty_lines=True),
            convert_options=pa_csv.ConvertOptions(
                column_types=types,
                include_columns=list(types),
                null_values=list(plan.nulls),
                strings_can_be_null=False,
                decimal_point=plan.decimal,
                timestamp_parsers=[pa_csv.ISO8601],
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError, pa.ArrowKeyError):
        return None
    time = _time(table.column(names[c.time]), plan.time_mode, c.time_format)
    if time is None:
        return None
    pressure = _floats(table.column(names[c.pressure]))
    ambient = None
    if c.ambient is not None and c.ambient < plan.width:
        ambient = _floats(table.column(names[c.ambient]))
        if c.ambient_unit is not TemperatureUnit.C:
            ambient = to_celsius(ambient, c.ambient_unit)
        with np.errstate(invalid="ignore"):
            ambient[~((ambient > -60) & (ambient < 80))] = np.nan
    marks: list[tuple[int, str]] = []
    if c.mark is not None and c.mark < plan.width:
        marks = marks_of(pl.Series(pl.from_arrow(table.column(names[c.mark]))))
    if c.unit is not PressureUnit.MICRON:
        pressure = to_micron(pressure, c.unit)
    return Parsed(time, pressure, ambient, marks)


def _floats(column: Any) -> FloatArray:
    pieces = [chunk.to_numpy(zero_copy_only=False) for chunk in column.chunks]
    return np.concatenate(pieces) if pieces else np.empty(0)


def _time(column: Any, mode: TimeMode, time_format: str) -> FloatArray | pl.Series | Moments | None:
    """Times as `Parsed` has them; None if a line has no time."""
    if mode == "text":
        texts = pl.Series(pl.from_arrow(column)).str.strip_chars()
        return parse_formatted(texts, time_format) if time_format else texts
    if column.null_count:
        return None
    if mode == "number":
        return _floats(column)
    return _floats(column.cast(pa.int64())) / 1e6


def cut(parsed: Parsed, rows: list[int], plan: Plan) -> list[RawLog | None]:
    """Cut parsed columns into files, and keep those in which nothing is in doubt."""
    bounds = np.concatenate([[0], np.cumsum(rows)]).astype(np.int64)
    if bounds[-1] == 0:
        return [None for _ in rows]
    p = parsed.pressure_micron
    p[p == np.inf] = np.nan
    with np.errstate(invalid="ignore"):
        doubtful = (p < LOWEST_READING_MICRON) | (p > AIR_AT_MOST_MICRON)
        plain = p > PLAIN_UNIT_MICRON
    is_doubtful = _per_file(doubtful, bounds) > 0
    is_plain = _per_file(plain, bounds) >= 3
    is_ascending = is_timed = np.zeros(len(rows), dtype=bool)
    seconds = parsed.time_s.seconds if isinstance(parsed.time_s, Moments) else parsed.time_s
    if isinstance(seconds, np.ndarray):
        falls = np.empty(seconds.size, dtype=bool)
        with np.errstate(invalid="ignore"):
            np.greater(seconds[1:], seconds[:-1], out=falls[1:])
        np.logical_not(falls, out=falls)
        falls[bounds[:-1][bounds[:-1] < bounds[-1]]] = False
        # no log stood for ever: a row with such a time is the careful path's to refuse
        endless = ~np.isfinite(seconds)
        is_timed = _per_file(endless, bounds) == 0
        is_ascending = is_timed & (_per_file(falls, bounds) == 0)
    # a scale may make finite times infinite
    is_as_read = plan.time_mode != "number" or plan.columns.time_style == "elapsed"
    # the times of a log from its first reading on, in one array for all, so that they need not be joined again
    is_plain_time = plan.time_mode == "number" and is_as_read
    elapsed = np.empty(p.size) if is_plain_time and isinstance(seconds, np.ndarray) else None
    no_ambient = np.full(int(np.diff(bounds).max()), np.nan)
    line = np.arange(1, no_ambient.size + 1)
    mark_at = np.searchsorted([row for row, _ in parsed.marks], bounds)
    out: list[RawLog | None] = []
    for i in range(len(rows)):
        a, b = int(bounds[i]), int(bounds[i + 1])
        if is_doubtful[i] or not is_plain[i] or b - a < 2:
            out.append(None)
            continue
        moments = _moments_of(parsed.time_s, a, b, plan)
        if moments is None or moments.question:
            out.append(None)
            continue
        if not (is_timed[i] and is_as_read) and not bool(np.isfinite(moments.seconds).all()):
            out.append(None)
            continue
        own = None
        if elapsed is not None and moments.kind == "plain":
            own = np.subtract(moments.seconds, moments.seconds[0], out=elapsed[a:b])
        out.append(
            RawLog(
                line=line[: b - a],
                time_s=moments.seconds,
                pressure_micron=p[a:b],
                ambient_c=no_ambient[: b - a] if parsed.ambient_c is None else parsed.ambient_c[a:b],
                kind=moments.kind,
                unit=plan.columns.unit.value,
                layout=plan.layout,
                pressure_name=plan.columns.name_of(plan.columns.pressure),
                time_name=plan.columns.name_of(plan.columns.time),
                marks=[(row - a, text) for row, text in parsed.marks[mark_at[i] : mark_at[i + 1]]],
                is_judged=True,
                is_ascending=bool(is_ascending[i]),
                elapsed_s=own,
            )
        )
    return out


def _per_file(flags: NDArray[np.bool_], bounds: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many flags are set in each file."""
    return np.diff(np.searchsorted(np.flatnonzero(flags), bounds))


def _moments_of(time_s: FloatArray | pl.Series | Moments, a: int, b: int, plan: Plan) -> Moments | None:
    columns = plan.columns
    if isinstance(time_s, Moments):
        return Moments(time_s.kind, time_s.seconds[a:b])
    if isinstance(time_s, pl.Series):
        return parse_moments(time_s.slice(a, b - a))
    seconds = time_s[a:b]
    if plan.time_mode == "number":
        if columns.time_style == "elapsed":
            return Moments("plain", seconds)
        middle = float(np.median(seconds))
        if 6e8 <= middle <= 5e9 or middle >= 6e11:  # an epoch: the careful path's business
            return None
        return Moments("plain", seconds * columns.time_scale_s)
    kind: Kind = "aware" if plan.time_mode == "iso_zoned" else "naive"
    if seconds[0] < 0 or seconds.min() < 0 or seconds.max() >= 7_258_118_400.0:
        return None
    return Moments(kind, seconds)


def marks_of(texts: pl.Series) -> list[tuple[int, str]]:
    """Rows with a mark, and its text."""
    where = np.flatnonzero((texts.str.len_bytes() > 0).fill_null(False).to_numpy())
    found = zip(where.tolist(), texts.gather(where).to_list(), strict=True)
    return [(i, kept) for i, text in found if (kept := text.strip()[:MARK_CHARACTERS])]
