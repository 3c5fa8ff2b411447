"""From a file's stored bytes to its content: size, hash, magic numbers, decompression within limits."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import zlib
from dataclasses import dataclass
from pathlib import Path

from blankoff.errors import LogUnreadableError
from blankoff.ingest.limits import LIMITS

SUFFIXES = (".csv", ".csv.gz", ".csv.zst", ".parquet")
"""Log files the contract names; others are read only where a layout names them."""

_MAGIC = (
    (b"\x1f\x8b", "gzip"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
    (b"PAR1", "parquet"),
    (b"PK\x03\x04", "zip"),
    (b"%PDF-", "pdf"),
    (b"\x89PNG", "png"),
    (b"\xff\xd8\xff", "jpeg"),
    (b"BZh", "bzip2"),
    (b"\xfd7zXZ\x00", "xz"),
    (b"\x7fELF", "program"),
    (b"SQLite format 3\x00", "sqlite"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "office document"),
)
_ANY_MAGIC = tuple(magic for magic, _ in _MAGIC)
_READ = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK
"""A pipe must not be waited for."""
_PIECE = 1 << 20
_FED = 1 << 14
"""Compressed bytes fed at a time: what follows a member's end among them is copied, once a member."""
_ZSTD_HEAD = 18
"""The longest head of a zstd frame, in bytes (RFC 8878, section 3.1.1)."""
_ZSTD_RUN = 1
"""Type of a block that is one byte repeated."""


@dataclass(frozen=True)
class Content:
    """A file's content after unpacking."""

    data: bytes
    """Text bytes, or the whole Parquet file."""
    is_parquet: bool
    cut_short: str = ""
    """Why the compressed stream could be read only in part; empty if it was whole."""


def sha256_hex(stored: bytes) -> str:
    """SHA-256 of the bytes as stored: the key of a log."""
    return hashlib.sha256(stored).hexdigest()


def read_stored(path: str | Path, shown: str) -> bytes:
    """Read a file's bytes as stored.

    Raises
    ------
    LogUnreadableError
        Not a regular file, gone, unreadable, empty or larger than the limit.
    """
    try:
        stream = os.open(path, _READ)
        try:
            told = os.fstat(stream)
            if not stat.S_ISREG(told.st_mode):
                raise LogUnreadableError(shown, "it is no regular file")
            size = told.st_size
            if size > LIMITS.stored_bytes:
                raise LogUnreadableError(
                    shown, f"the file is larger than {LIMITS.stored_bytes >> 20} MB, too large for a log"
                )
            stored = os.read(stream, size + 1)
            # it grew meanwhile, or came in pieces; it ends where there is nothing more
            while len(stored) != size and len(stored) <= LIMITS.stored_bytes and (more := os.read(stream, _PIECE)):
                stored += more
        finally:
            os.close(stream)
    except LogUnreadableError:
        raise
    except FileNotFoundError:
        raise LogUnreadableError(shown, "there is no such file") from None
    except OSError as error:
        raise LogUnreadableError(shown, f"the file cannot be read ({error.strerror or 'system error'})") from None
    except ValueError:  # a NUL in the path
        raise LogUnreadableError(shown, "no file can have this name") from None
    if len(stored) > LIMITS.stored_bytes:
        raise LogUnreadableError(shown, f"the file is larger than {LIMITS.stored_bytes >> 20} MB, too large for a log")
    if not stored:
        raise LogUnreadableError(shown, "the file is empty")
    return stored


def kind_of_bytes(stored: bytes) -> str:
    """What the first bytes say the file is; empty for anything that may be text."""
    if not stored.startswith(_ANY_MAGIC):
        return ""
    return next(kind for magic, kind in _MAGIC if stored.startswith(magic))


def unpack(stored: bytes, name: str) -> Content:
    """Decompress what the name says is compressed.

    A compressed stream that ends early gives its readable part and says so.

    Raises
    ------
    LogUnreadableError
        The bytes are not what the name says, or open to more than the limits allow.
    """
    lower = name.lower()
    said = "gzip" if lower.endswith(".gz") else "zstd" if lower.endswith(".zst") else ""
    said = "parquet" if lower.endswith((".parquet", ".pq")) else said
    found = kind_of_bytes(stored)
    if found != said:
        looks = f"its bytes are {found}" if found else "its bytes are not"
        raise LogUnreadableError(
            name,
            f"the bytes are not what the name says: the name says {said or 'plain text'}, {looks}; name it rightly",
        )
    if said == "parquet":
        if len(stored) < 12 or stored[-4:] != b"PAR1":
            raise LogUnreadableError(name, "the Parquet file is cut short: its end is missing; hand it in again")
        return Content(stored, is_parquet=True)
    if said == "":
        return Content(stored, is_parquet=False)
    data, cut_short = _gunzip(stored, name) if said == "gzip" else _unzstd(stored, name)
    if not data:
        raise LogUnreadableError(name, cut_short or "nothing is in the compressed file")
    inner = kind_of_bytes(data)
    if inner:
        raise LogUnreadableError(name, f"the bytes are not what the name says: inside is {inner}, not text")
    return Content(data, is_parquet=False, cut_short=cut_short)


def _check_size(size: int, stored: int, name: str) -> None:
    bound = max(LIMITS.ratio_free_bytes, min(LIMITS.text_bytes, LIMITS.ratio * stored))
    if size > bound:
        raise LogUnreadableError(
            name, f"the compressed file opens to more than {bound >> 20} MB, {LIMITS.ratio} times its size: no log does"
        )


def _too_many_members(name: str) -> LogUnreadableError:
    return LogUnreadableError(name, f"the compressed file has more than {LIMITS.members} members: no log does")


def _gunzip(stored: bytes, name: str) -> tuple[bytes, str]:
    """Open a gzip file, which may have several members; what it costs grows with its bytes, however many those are."""
    view, at = memoryview(stored), 0
    pieces: list[bytes] = []
    size = 0
    for _ in range(LIMITS.members):
        member = zlib.decompressobj(wbits=31)
        try:
            while not member.eof and at < len(view):
                given = view[at : at + _FED]
                piece = member.decompress(given, _PIECE)
                at += len(given) - len(member.unused_data if member.eof else member.unconsumed_tail)
                size += len(piece)
                pieces.append(piece)
                _check_size(size, len(stored), name)
            while not member.eof and (piece := member.decompress(member.unconsumed_tail, _PIECE)):
                size += len(piece)
                pieces.append(piece)
                _check_size(size, len(stored), name)
        except zlib.error as error:
            return b"".join(pieces), f"the gzip stream is damaged ({error}); what came before was used"
        if not member.eof:
            return b"".join(pieces), "the gzip stream ends early; what came before was used"
        at = _behind_noughts(stored, at)
        if at == len(stored):
            return b"".join(pieces), ""
        if stored[at : at + 2] != b"\x1f\x8b":
            return b"".join(pieces), "bytes that are no gzip follow the gzip stream; they were left out"
    raise _too_many_members(name)


def _behind_noughts(stored: bytes, at: int) -> int:
    """Where the next byte that is none stands; the end if there is none."""
    while at < len(stored) and not stored[at]:
        part = stored[at : at + _PIECE]
        at += len(part) - len(part.lstrip(b"\0"))
    return at


def _unzstd(stored: bytes, name: str) -> tuple[bytes, str]:
    import zstandard

    pieces: list[bytes] = []
    size = 0
    try:  # the usual case: one frame that states its size
        stated = zstandard.get_frame_parameters(stored).content_size
        if 0 < stated <= max(LIMITS.ratio_free_bytes, min(LIMITS.text_bytes, LIMITS.ratio * len(stored))):
            return zstandard.ZstdDecompressor().decompress(stored, allow_extra_data=False), ""
    except zstandard.ZstdError:
        pass
    whole = _zstd_is_whole(stored, name)
    reader = zstandard.ZstdDecompressor(max_window_size=1 << 27).stream_reader(
        io.BytesIO(stored), read_across_frames=True
    )
    try:
        while piece := reader.read(_PIECE):
            size += len(piece)
            pieces.append(piece)
            _check_size(size, len(stored), name)
    except zstandard.ZstdError as error:
        return b"".join(pieces), f"the zstd stream is damaged ({error}); what came before was used"
    data = b"".join(pieces)
    return data, "" if whole else "the zstd stream ends early; what came before was used"


def _zstd_is_whole(stored: bytes, name: str) -> bool:
    """Whether the last frame is complete: a truncated frame reads as a quiet end of stream.

    Frames and blocks say how long they are, so nothing is decompressed. RFC 8878, sections 3.1.1 and 3.1.2.
    """
    import zstandard

    at, end = 0, len(stored)
    for _ in range(LIMITS.members):
        at = _behind_noughts(stored, at)
        if at == end:
            return True
        head = stored[at : at + _ZSTD_HEAD]
        if head[1:4] == b"\x2a\x4d\x18" and head[0] >> 4 == 5:  # a frame to be skipped
            if len(head) < 8:
                return False
            at += 8 + int.from_bytes(head[4:8], "little")
            continue
        try:
            checked = zstandard.get_frame_parameters(head).has_checksum
            at += zstandard.frame_header_size(head)
        except (zstandard.ZstdError, ValueError):
            return False
        last = False
        while not last:
            block = stored[at : at + 3]
            if len(block) < 3:
                return False
            said = int.from_bytes(block, "little")
            last, kind, length = bool(said & 1), said >> 1 & 3, said >> 3
            at += 3 + (1 if kind == _ZSTD_RUN else length)
        at += 4 if checked else 0
        if at > end:
            return False
    raise _too_many_members(name)
