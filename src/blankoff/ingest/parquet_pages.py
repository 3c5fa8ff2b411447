"""What a Parquet file's pages open to, by their own headers, before any of them is opened.

A reader makes room for what a page's header says, whatever the file's footer says of the whole: so the headers are looked through
first. They are Thrift structures in its compact protocol (Parquet format, PageHeader).
"""

from __future__ import annotations

import re
from typing import Any, TypeAlias

from blankoff.ingest.limits import LIMITS

__all__ = ["page_bytes"]

_TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _STRUCT = 1, 2, 3, 7, 8, 12
_INTEGERS = (4, 5, 6)
_Form: TypeAlias = "dict[int, int | _Form]"
_NUMBER = 5
_STATISTICS: _Form = {1: _BINARY, 2: _BINARY, 3: _NUMBER, 4: _NUMBER, 5: _BINARY, 6: _BINARY, 7: _TRUE, 8: _TRUE}
_PAGE: _Form = {
    **dict.fromkeys((1, 2, 3, 4), _NUMBER),
    5: {**dict.fromkeys((1, 2, 3, 4), _NUMBER), 5: _STATISTICS},
    6: {},
    7: {1: _NUMBER, 2: _NUMBER, 3: _TRUE},
    8: {**dict.fromkeys((1, 2, 3, 4, 5, 6), _NUMBER), 7: _TRUE, 8: _STATISTICS},
}
"""Of what kind each field of a header is. One of another kind is refused: readers differ in what they make of it."""
_HEADERS = (5, 7, 8)
"""What is said of a page by its kind; the first field of each is its number of values."""

_V = rb"(?:[\x80-\xff]{0,4}[\x00-\x7f])"
_USUAL = re.compile(
    (
        rb"\x15[\x00\x04]\x15(%b)\x15(%b)(?:"
        rb"\x4c\x15(%b)\x15%b[\x11\x12]?\x00\x00|"
        rb"\x2c\x15(%b)\x15%b\x15%b\x15%b\x1c\x18\x08.{8}\x18\x08.{8}\x16%b\x28\x08.{8}\x18\x08.{8}[\x11\x12]{0,2}\x00\x00\x00)"
    )
    % ((_V,) * 9),
    re.DOTALL,
)
"""Headers of a dictionary and of numbers with their statistics as most writers have them: the same as below, sooner found."""


def page_bytes(data: bytes, footer: Any, names: list[str]) -> int:
    """Bytes that all pages of some columns take once they are open.

    Parameters
    ----------
    data
        The file.
    footer
        Its metadata.
    names
        Paths of columns in its schema.

    Raises
    ------
    ValueError
        A page's header is none, or more values lie in a page than a file may have rows.
    """
    total, pages = 0, 0
    for g in range(footer.num_row_groups):
        group = footer.row_group(g)
        for c in range(group.num_columns):
            chunk = group.column(c)
            if chunk.path_in_schema not in names:
                continue
            at, first = chunk.data_page_offset, chunk.dictionary_page_offset
            if first is not None and first > 0:
                if first >= at:
                    raise ValueError("a dictionary behind what it is for")
                at = first
            end = at + chunk.total_compressed_size
            if not 0 <= at <= end <= len(data):
                raise ValueError("a column that lies outside of the file")
            while at < end:
                at, opened, stored, values = _page(data, at)
                if values > LIMITS.lines:
                    raise ValueError("a page of more values than there may be rows")
                at += stored
                total += opened
                pages += 1
                if pages > LIMITS.members:
                    raise ValueError(f"more than {LIMITS.members} pages")
            if at > end:
                raise ValueError("a page that ends outside of its column")
    return total


def _page(data: bytes, at: int) -> tuple[int, int, int, int]:
    """Where the page of a header begins, its bytes opened and as stored, and its number of values."""
    usual = _USUAL.match(data, at)
    if usual is not None:
        opened, stored, entries, values = usual.groups()
        return usual.end(), _number(opened), _number(stored), _number(entries or values)
    at, header = _fields(data, at, _PAGE)
    sizes = header.get(2, -1), header.get(3, -1)
    if min(sizes) < 0:
        raise ValueError("a page without a size")
    return at, *sizes, max((header[kind].get(1, 0) for kind in _HEADERS if kind in header), default=0)


def _number(varint: bytes) -> int:
    """A size, as it is written."""
    if len(varint) == 1:
        value = varint[0]
    else:
        value, _ = _varint(varint, 0)
    if value & 1:
        raise ValueError("a size below nothing")
    return value >> 1


def _fields(data: bytes, at: int, form: _Form) -> tuple[int, dict[int, Any]]:
    """Whole numbers and structures of a structure by field, and the place behind it.

    Raises
    ------
    ValueError
        It is not of the form.
    """
    found: dict[int, Any] = {}
    number = 0
    try:
        while byte := data[at]:
            at += 1
            kind, further = byte & 15, byte >> 4
            if not further:
                raise ValueError("a page's header out of order")
            number += further
            wanted = form.get(number, kind)
            if kind in _INTEGERS:
                kind = _NUMBER
                # most take one byte
                value = data[at]
                at += 1
                if value > 127:
                    value, at = _varint(data, at - 1)
                found[number] = (value >> 1) ^ -(value & 1)
            elif kind == _BINARY:
                length, at = _varint(data, at)
                at += length
            elif kind == _STRUCT and isinstance(wanted, dict):
                at, found[number] = _fields(data, at, wanted)
                continue
            elif kind == _FALSE:
                kind = _TRUE
            elif kind == _DOUBLE:
                at += 8
            elif kind == _BYTE:
                at += 1
            elif kind != _TRUE:
                raise ValueError("a page's header holds what none does")
            if wanted not in (kind, byte & 15):
                raise ValueError("a page's header holds what none does")
    except IndexError:
        raise ValueError("a page's header has no end") from None
    return at + 1, found


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of seven bits a byte, and the place behind it."""
    value = shift = 0
    while True:
        byte = data[at]
        at += 1
        value |= (byte & 127) << shift
        if byte < 128:
            return value, at
        shift += 7
        if shift > 63:
            raise ValueError("a number without an end")
