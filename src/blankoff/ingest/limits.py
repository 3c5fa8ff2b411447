"""How much one file may cost, so that no file can take the machine down with it.

All are this project's own judgement, no source: each lies well above what a real log needs (a day at ten readings a
second is 864 000 lines and some 30 MB) and well below what hurts a small machine.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """Bounds on one file."""

    stored_bytes: int = 128 * 2**20
    """Largest file as stored."""
    text_bytes: int = 128 * 2**20
    """Largest file once decompressed."""
    ratio: int = 200
    """Largest decompressed size over stored size, above `ratio_free_bytes`; text deflates to a tenth or a fiftieth."""
    ratio_free_bytes: int = 4 * 2**20
    """Below this the ratio doesn't matter."""
    members: int = 100_000
    """Most gzip members or zstd frames in a file; a logger that appends one a reading makes a day's worth at one a second."""
    marks: int = 100_000
    """Most marks that are kept of a log; one more quarantine row says that there were more."""
    held_bytes: int = 64 * 2**20
    """Text one thread holds before it parses what it has."""
    lines: int = 4_000_000
    """Most lines in a log."""
    line_characters: int = 65_536
    """Longest line; a longer one is refused."""
    columns: int = 1_000
    """Most columns in a heading."""
    quarantine_rows: int = 100
    """Most quarantine rows of one kind a file may fill; one more then says how many there were besides."""
    quoted_lines: int = 20
    """Most lines a quoted field may span."""


LIMITS = Limits()
