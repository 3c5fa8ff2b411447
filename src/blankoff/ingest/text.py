"""Bytes to lines of text: encodings, byte-order marks, every kind of line end, within limits."""

from __future__ import annotations

import codecs

from blankoff.errors import LogUnreadableError
from blankoff.ingest.limits import LIMITS

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_ANY_BOM = tuple(bom for bom, _ in _BOMS)
FALLBACK = "cp1252"
"""What text is read as when much of it is no UTF-8: the usual encoding of western office programs."""
_MOSTLY_FOREIGN = 0.2


def encoding_of(data: bytes, stated: str = "") -> tuple[str, int]:
    """Return the encoding of some text bytes and the length of its byte-order mark.

    A byte-order mark wins over what is stated; without either, NULs in every other byte mean UTF-16.
    """
    if data.startswith(_ANY_BOM):
        return next((name, len(bom)) for bom, name in _BOMS if data.startswith(bom))
    if stated:
        canonical = codecs.lookup(stated).name
        return {"utf-16": "utf-16-le", "utf-32": "utf-32-le", "utf-8-sig": "utf-8"}.get(canonical, canonical), 0
    head = data[:4096]
    if len(head) >= 8 and b"\0" in head:
        even, odd = head[0::2].count(0) / (len(head) / 2), head[1::2].count(0) / (len(head) / 2)
        if odd > 0.6 and even < 0.1:
            return "utf-16-le", 0
        if even > 0.6 and odd < 0.1:
            return "utf-16-be", 0
    return "utf-8", 0


def is_foreign(text: str) -> bool:
    """Whether a piece of text holds bytes that its file's encoding has no character for."""
    return not text.isascii() and any("\udc80" <= c <= "\udcff" or c == "\ufffd" for c in text)


def decode(data: bytes, stated: str = "") -> str:
    """Text of some bytes; bytes that have no character stay visible to `is_foreign`."""
    encoding, skip = encoding_of(data, stated)
    data = data[skip:]
    if encoding != "utf-8":
        errors = "surrogateescape" if _is_byte_wise(encoding) else "replace"
        try:
            return data.decode(encoding, errors)
        except (UnicodeError, LookupError):
            return data.decode("latin-1")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        pass
    text = data.decode("utf-8", "surrogateescape")
    lines = text.split("\n")
    if sum(map(is_foreign, lines)) > _MOSTLY_FOREIGN * len(lines):
        return data.decode(FALLBACK, "replace")
    return text


def _is_byte_wise(encoding: str) -> bool:
    return not encoding.startswith(("utf-16", "utf-32", "utf-7"))


def split_lines(text: str) -> list[str]:
    """Lines of text whatever their ends are, CR, LF or CRLF mixed; a last empty piece is no line."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    if lines and not lines[-1]:
        lines.pop()
    return lines


def lines_of(data: bytes, shown: str, stated: str = "") -> tuple[list[str], bool]:
    """Decode and split a text file.

    Returns
    -------
    list of str, bool
        The lines, and whether the last one is ended.

    Raises
    ------
    LogUnreadableError
        Too many lines, or nothing that ends a line where lines should be.
    """
    ends = data.count(b"\n") + data.count(b"\r")
    if ends > LIMITS.lines:
        raise LogUnreadableError(shown, f"more than {LIMITS.lines} lines: no log has so many")
    if ends == 0 or (len(data) > 8 * LIMITS.line_characters and not _ends_early(data)):
        raise LogUnreadableError(
            shown,
            "there are no line ends: the readings cannot be told apart; export the log again with one reading a line",
        )
    text = decode(data, stated)
    return split_lines(text), text.endswith(("\n", "\r"))


def _ends_early(data: bytes) -> bool:
    head = data[: 8 * LIMITS.line_characters]
    return b"\n" in head or b"\r" in head
