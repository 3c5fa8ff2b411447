"""Columns of a Parquet file in bounded memory, whatever its bytes: few of them may stand for very many values.

A value in a dictionary is written once and may stand in every row; a text may be told by what it shares with the one before.
So texts are read as dictionaries, and their size is told before they are laid out; and pages are looked at before they are opened.
"""

from __future__ import annotations

from typing import Any

from blankoff.errors import LogUnreadableError
from blankoff.ingest.arrow import pa, pa_compute, parquet
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.parquet_pages import Chunk, chunks_of, page_bytes

__all__ = ["is_nested", "lies_open", "open_bounded", "read_bounded"]

_MOST_ROWS_AT_ONCE = 65_536
_PLAIN = frozenset({0, 2, 3, 4, 8})
"""Numbers of the encodings PLAIN, PLAIN_DICTIONARY, RLE, BIT_PACKED and RLE_DICTIONARY, in which no value takes up another's bytes, those of a dictionary aside."""


def open_bounded(data: bytes, shown: str) -> Any:
    """Open a Parquet file.

    Raises
    ------
    LogUnreadableError
        It has more rows or columns than the limits allow.
    """
    file = parquet().ParquetFile(pa.BufferReader(data), pre_buffer=False)
    if file.metadata.num_rows > LIMITS.lines:
        raise LogUnreadableError(shown, f"more than {LIMITS.lines} rows: no file of this kind has so many")
    if len(file.schema_arrow.names) > LIMITS.columns:
        raise LogUnreadableError(shown, f"more than {LIMITS.columns} columns: no file of this kind has so many")
    return file


def is_nested(file: Any, name: str) -> bool:
    """Whether a column holds lists or structures and not values."""
    return bool(pa.types.is_nested(file.schema_arrow.types[file.schema_arrow.names.index(name)]))


def lies_open(chunks: list[Chunk]) -> bool:
    """Whether all columns are in encodings that tell each value by itself."""
    return all(chunk.encodings <= _PLAIN for chunk in chunks)


def read_bounded(file: Any, data: bytes, names: list[str], shown: str) -> Any:
    """Read some columns as a table.

    Parameters
    ----------
    file
        From `open_bounded`.
    data
        The bytes that it was opened from.
    names
        Columns that are not nested.
    shown
        The file as it is named in a refusal.

    Raises
    ------
    LogUnreadableError
        They open to more than the limits allow.
    """
    types = dict(zip(file.schema_arrow.names, file.schema_arrow.types, strict=True))
    texts = [name for name in names if _is_text(types[name])]
    others = [name for name in names if name not in texts]
    fixed = sum(types[n].byte_width for n in others if pa.types.is_fixed_size_binary(types[n])) * file.metadata.num_rows
    size = page_bytes(data, chunks_of(data), names)
    if max(size, fixed) > LIMITS.text_bytes:
        raise _too_large(shown)
    columns = {}
    if others:
        columns.update(_by_name(file.read(columns=others, use_threads=False)))
    if texts:
        columns.update(_by_name(_texts(file, data, texts, shown)))
    return pa.table([columns[name] for name in names], names=names)


def _too_large(shown: str) -> LogUnreadableError:
    return LogUnreadableError(shown, f"it opens to more than {LIMITS.text_bytes >> 20} MB: no file of this kind does")


def _by_name(table: Any) -> dict[str, Any]:
    return {name: table.column(name) for name in table.column_names}


def _is_text(kind: Any) -> bool:
    kind = kind.value_type if pa.types.is_dictionary(kind) else kind
    t = pa.types
    return any(
        is_a(kind) for is_a in (t.is_string, t.is_large_string, t.is_binary, t.is_large_binary, t.is_string_view)
    )


def _texts(file: Any, data: bytes, names: list[str], shown: str) -> Any:
    """Text columns, laid out once their size is known."""
    folded = parquet().ParquetFile(pa.BufferReader(data), pre_buffer=False, read_dictionary=names)
    try:
        table = folded.read(columns=names, use_threads=False)
    except (OSError, pa.ArrowNotImplementedError):  # an encoding that cannot be read so, or damage, which shows again
        return _texts_bit_by_bit(file, data, names, shown)
    size = sum(_text_bytes(chunk) for name in names for chunk in table.column(name).chunks)
    if size > LIMITS.text_bytes:
        raise _too_large(shown)
    return pa.table([_laid_out(table.column(name)) for name in names], names=names)


def _text_bytes(chunk: Any) -> int:
    """Bytes of a dictionary's values, each as often as it occurs."""
    if not pa.types.is_dictionary(chunk.type):
        return int(chunk.nbytes)
    lengths = pa_compute.binary_length(chunk.dictionary)
    return int(pa_compute.sum(lengths.take(chunk.indices)).as_py() or 0)


def _laid_out(column: Any) -> Any:
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


def _texts_bit_by_bit(file: Any, data: bytes, names: list[str], shown: str) -> Any:
    """Text columns in parts so small that even the longest texts there can be take no more than a few times the limit."""
    longest = max(page_bytes(data, chunks_of(data), names), 1)
    rows = min(max(8 * LIMITS.text_bytes // longest, 1), _MOST_ROWS_AT_ONCE)
    parts, size = [], 0
    for part in file.iter_batches(batch_size=rows, columns=names, use_threads=False):
        size += part.nbytes
        if size > LIMITS.text_bytes + 8 * len(names) * LIMITS.lines:
            raise _too_large(shown)
        parts.append(part)
    schema = parts[0].schema if parts else pa.schema([file.schema_arrow.field(name) for name in names])
    return pa.Table.from_batches(parts, schema)
