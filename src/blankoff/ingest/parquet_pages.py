"""What a Parquet file's pages open to, by their own headers, before any of them is opened.

A reader makes room for what a page's header says, whatever the file's footer says of the whole: so the headers are looked through
first. Headers and footer are Thrift structures in its compact protocol (Parquet format, PageHeader and FileMetaData). The footer
is read here too, since the library ends the whole program over some that are damaged, when asked about a column.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple, TypeAlias

from blankoff.ingest.limits import LIMITS

__all__ = ["Chunk", "chunks_of", "page_bytes"]

_TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _LIST, _SET, _STRUCT = 1, 2, 3, 7, 8, 9, 10, 12
_INTEGERS = (4, 5, 6)
_Form: TypeAlias = "dict[int, int | _Form | list[int | _Form]]"
_NUMBER = 5
_STATISTICS: _Form = {1: _BINARY, 2: _BINARY, 3: _NUMBER, 4: _NUMBER, 5: _BINARY, 6: _BINARY, 7: _TRUE, 8: _TRUE}
_PAGE: _Form = {
    **dict.fromkeys((1, 2, 3, 4), _NUMBER),
    5: {**dict.fromkeys((1, 2, 3, 4), _NUMBER), 5: _STATISTICS},
    6: {},
    7: {1: _NUMBER, 2: _NUMBER, 3: _TRUE},
    8: {**dict.fromkeys((1, 2, 3, 4, 5, 6), _NUMBER), 7: _TRUE, 8: _STATISTICS},
}
_COLUMN: _Form = {
    2: [_NUMBER],
    3: [_BINARY],
    **dict.fromkeys((7, 9, 11), _NUMBER),
}
_FOOTER: _Form = {4: [{1: [{3: _COLUMN}]}]}
"""Of what kind each field of a header is. One of another kind is refused: readers differ in what they make of it."""
_HEADERS = (5, 7, 8)
"""What is said of a page by its kind; the first field of each is its number of values."""
_DEEPEST = 12
_FOOTER_BYTES = 8 * 2**20
"""Largest footer: a thousand columns in a hundred groups have as much."""


class Chunk(NamedTuple):
    """Where a column of a group of rows lies, under which name, and in which encodings, by the format's numbers."""

    name: str
    encodings: frozenset[int]
    start: int
    end: int


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


def chunks_of(data: bytes) -> list[Chunk]:
    """Columns of all groups of rows of a file.

    Raises
    ------
    ValueError
        Its footer is none, or a column lies outside of the file.
    """
    size = int.from_bytes(data[-8:-4], "little")
    start = len(data) - 8 - size
    if size > _FOOTER_BYTES or start < 4 or data[-4:] != b"PAR1":
        raise ValueError("a footer that is none")
    end, footer = _fields(data, start, _FOOTER, 0)
    if end > len(data) - 8:
        raise ValueError("a footer without an end")
    chunks = []
    for group in footer.get(4, ()):
        for column in group.get(1, ()):
            said = column.get(3, {})
            at, length, first = said.get(9, -1), said.get(7, -1), said.get(11, 0)
            if first > 0:
                if first >= at:
                    raise ValueError("a dictionary behind what it is for")
                at = first
            if not 0 <= at <= at + length <= len(data):
                raise ValueError("a column that lies outside of the file")
            name = b".".join(said.get(3, ())).decode("utf-8", "surrogateescape")
            chunks.append(Chunk(name, frozenset(said.get(2, ())), at, at + length))
    return chunks


def page_bytes(data: bytes, chunks: list[Chunk], names: list[str]) -> int:
    """Bytes that all pages of some columns take once they are open.

    Parameters
    ----------
    data
        The file.
    chunks
        Its columns.
    names
        Paths of columns in its schema.

    Raises
    ------
    ValueError
        A page's header is none, or more values lie in a page than a file may have rows.
    """
    total, pages = 0, 0
    for chunk in chunks:
        if chunk.name not in names:
            continue
        at, end = chunk.start, chunk.end
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
    at, header = _fields(data, at, _PAGE, 0)
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


def _fields(data: bytes, at: int, form: _Form, depth: int) -> tuple[int, dict[int, Any]]:
    """Numbers of a structure, and what of it has a form, by field; and the place behind it.

    Raises
    ------
    ValueError
        It is not of the form.
    """
    found: dict[int, Any] = {}
    number = 0
    try:
        while byte := data[at]:
            kind, further = byte & 15, byte >> 4
            if not further:
                raise ValueError("fields out of order")
            number += further
            wanted = form.get(number)
            if kind in _INTEGERS:
                # most take one byte
                value = data[at + 1]
                at += 2
                if value > 127:
                    value, at = _varint(data, at - 1)
                found[number] = (value >> 1) ^ -(value & 1)
                kind = _NUMBER
            elif wanted is None or not isinstance(wanted, int):
                at, found[number] = _value(data, at + 1, kind, wanted, depth)
                continue
            else:
                at, _ = _value(data, at + 1, kind, None, depth)
                kind = _TRUE if kind == _FALSE else kind
            if wanted is not None and wanted != kind:
                raise ValueError("a field of another kind")
    except IndexError:
        raise ValueError("a structure without an end") from None
    return at + 1, found


def _value(data: bytes, at: int, kind: int, form: Any, depth: int) -> tuple[int, Any]:
    """A value where it has a form, and the place behind it; of one without, the place alone."""
    if depth > _DEEPEST:
        raise ValueError("structures within structures")
    if isinstance(form, list):
        if kind != _LIST:
            raise ValueError("a field of another kind")
    elif isinstance(form, dict) and kind != _STRUCT:
        raise ValueError("a field of another kind")
    if kind == _STRUCT:
        return _fields(data, at, form, depth + 1) if form else (_behind(data, at, depth + 1), None)
    if kind in (_LIST, _SET):
        return _list(data, at, form, depth)
    if kind == _BINARY:
        length, at = _varint(data, at)
        return at + length, data[at : at + length] if form == _BINARY else None
    if kind in _INTEGERS:
        value, at = _varint(data, at)
        return at, (value >> 1) ^ -(value & 1)
    if kind in (_TRUE, _FALSE):
        return at, None
    if kind in (_BYTE, _DOUBLE):
        return at + (1 if kind == _BYTE else 8), None
    raise ValueError("a kind that there is not")


def _behind(data: bytes, at: int, depth: int) -> int:
    """Place behind a structure of which nothing is wanted."""
    if depth > _DEEPEST:
        raise ValueError("structures within structures")
    while byte := data[at]:
        kind = byte & 15
        if byte < 16:
            raise ValueError("fields out of order")
        at += 1
        if kind in _INTEGERS:
            while data[at] > 127:
                at += 1
            at += 1
        elif kind == _BINARY and data[at] < 128:
            at += data[at] + 1
        elif kind > _FALSE:
            at, _ = _value(data, at, kind, None, depth)
    return at + 1


def _list(data: bytes, at: int, form: Any, depth: int) -> tuple[int, list[Any] | None]:
    """Values of a list where they have a form, and the place behind it."""
    head = data[at]
    at += 1
    size, kind = head >> 4, head & 15
    if size == 15:
        size, at = _varint(data, at)
    inner = form[0] if form else None
    if size and inner is not None and not isinstance(inner, dict) and (_NUMBER if kind in _INTEGERS else kind) != inner:
        raise ValueError("a field of another kind")
    if size > len(data) - at:
        raise ValueError("a list longer than the file")
    values = []
    if inner is None and kind == _STRUCT:
        for _ in range(size):
            at = _behind(data, at, depth + 1)
        return at, None
    for _ in range(size):
        # of yes and no each takes a byte in a list
        at, value = _value(data, at, _BYTE if kind in (_TRUE, _FALSE) else kind, inner, depth + 1)
        if inner is not None:
            values.append(value)
    return at, values if form else None


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
