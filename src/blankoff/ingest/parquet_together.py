"""Clean Parquet logs of one schema taken together; whatever is not clean is handed back for the careful path.

The bytes that were hashed are what is read: nothing is opened twice.  Which files may be read together, and how many rows each
has, their footers tell.  Values are then taken and judged by the same functions as on the careful path
(`blankoff.ingest.parquet_logs`), which decides everything that is in doubt, so both give the same samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from blankoff.ingest.arrow import pa, parquet
from blankoff.ingest.dialect import Columns
from blankoff.ingest.fast import Parsed, Plan, cut, marks_of
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.parquet_bounded import lies_open, read_bounded
from blankoff.ingest.parquet_logs import ambient_of, cannot, pressures_of, text_of, times_of, usual_columns
from blankoff.ingest.parquet_pages import chunks_of, page_bytes
from blankoff.ingest.tolerant import RawLog
from blankoff.units import to_micron

__all__ = ["read_together"]


@dataclass(frozen=True)
class _Kind:
    """One schema, and which of its columns are read."""

    schema: Any
    arrow: bytes
    columns: Columns | None
    """None where only the careful path will do."""

    @property
    def places(self) -> list[int]:
        """Places of the columns that are read."""
        c = self.columns
        return [] if c is None else [i for i in (c.time, c.pressure, c.ambient, c.mark) if i is not None]

    @property
    def used(self) -> list[str]:
        """Their names."""
        return [self.schema.names[i] for i in self.places]


@dataclass(frozen=True)
class _Opened:
    """A file whose readings are still to be read, and its place among those handed over."""

    place: int
    rows: int
    file: Any


def read_together(contents: Sequence[bytes]) -> list[RawLog | None]:
    """Readings of whole Parquet files, in their order; None for each that the careful path must read.

    Parameters
    ----------
    contents
        Bytes of the files, as stored.
    """
    out: list[RawLog | None] = [None] * len(contents)
    kinds: list[_Kind] = []
    waiting: dict[int, list[_Opened]] = {}
    held: dict[int, int] = {}
    for i, data in enumerate(contents):
        try:
            chunks = chunks_of(data)
            file = parquet().ParquetFile(pa.BufferReader(data), pre_buffer=False)
            footer = file.metadata
            k = _kind_of(footer, kinds)
            marked = kinds[k].columns
            if marked is None or (marked.mark is not None and not lies_open(chunks)):
                continue
            size = page_bytes(data, chunks, kinds[k].used)
        except cannot():
            continue
        rows = footer.num_rows
        if not 2 <= rows <= LIMITS.lines or size > LIMITS.held_bytes:
            continue
        if held.get(k, 0) + size > LIMITS.held_bytes:
            _read(waiting.pop(k), kinds[k], contents, out)
            held[k] = 0
        waiting.setdefault(k, []).append(_Opened(i, rows, file))
        held[k] = held.get(k, 0) + size
    for k, members in waiting.items():
        _read(members, kinds[k], contents, out)
    return out


def _kind_of(footer: Any, kinds: list[_Kind]) -> int:
    """Number of a file's kind; a new one is added."""
    arrow = (footer.metadata or {}).get(b"ARROW:schema", b"")
    for k, kind in enumerate(kinds):
        if arrow == kind.arrow and footer.schema.equals(kind.schema):
            return k
    kinds.append(_Kind(footer.schema, arrow, _plain_columns(footer.schema.to_arrow_schema())))
    return len(kinds) - 1


def _plain_columns(schema: Any) -> Columns | None:
    """Columns of a schema in which every value that is used has one meaning only."""
    columns = usual_columns(tuple(schema.names)) if len(schema.names) <= LIMITS.columns else None
    if columns is None or len(set(schema.names)) < len(schema.names):
        return None

    def is_number(place: int | None) -> bool:
        if place is None:
            return True
        kind = schema.field(place).type
        return bool(pa.types.is_float32(kind) or pa.types.is_float64(kind) or pa.types.is_integer(kind))

    time = schema.field(columns.time).type
    elapsed = is_number(columns.time) and columns.time_style == "elapsed"
    marked = columns.mark is None or pa.types.is_string(schema.field(columns.mark).type)
    marked = marked or pa.types.is_large_string(schema.field(columns.mark).type)
    good = (elapsed or pa.types.is_timestamp(time)) and is_number(columns.pressure) and is_number(columns.ambient)
    return columns if good and marked else None


def _read(members: Sequence[_Opened], kind: _Kind, contents: Sequence[bytes], out: list[RawLog | None]) -> None:
    """Read some files of one kind, and put the clean ones in their places."""
    columns = kind.columns
    assert columns is not None
    names = list(dict.fromkeys(kind.used))
    good, tables = [], []
    for member in members:
        try:
            if columns.mark is None:
                table = member.file.read(columns=names, use_threads=False)
            else:  # few bytes may stand for many
                table = read_bounded(member.file, contents[member.place], names, "")
        except cannot():  # the careful path finds out why
            continue
        if table.num_rows == member.rows:
            good.append(member)
            tables.append(table)
    if not good:
        return
    try:
        whole = pa.concat_tables(tables)
        read = {i: whole.column(columns.names[i]) for i in kind.places}
        time = times_of(read[columns.time], columns, "")
        pressure, _ = pressures_of(read[columns.pressure])
        # What is infinitely low is refused, which needs its row: doubtful enough for the careful path as it stands.
        parsed = Parsed(
            time_s=time,
            pressure_micron=to_micron(pressure, columns.unit),
            ambient_c=None if columns.ambient is None else ambient_of(read[columns.ambient], columns),
            marks=[] if columns.mark is None else marks_of(text_of(read[columns.mark])),
        )
    except cannot():  # the careful path finds out of which values
        return
    plan = Plan(columns, "", ".", len(columns.names), "number", (), "")
    for member, raw in zip(good, cut(parsed, [m.rows for m in good], plan), strict=True):
        out[member.place] = raw
