"""A reject is data: where it was, which field, why; never an exception to the caller of a fleet function."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import polars as pl

from blankoff import schemas
from blankoff.ingest.limits import LIMITS

_SHOWN = 60


def printable(text: object, longest: int = _SHOWN) -> str:
    """Any text made safe to store and to show: control characters and stray bytes escaped, shortened.

    Paths and names may be any text, broken encodings included.
    """
    raw = str(text)
    if len(raw) > longest:
        raw = raw[: longest - 1] + "…"
    if raw.isprintable():
        return raw
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode("ascii") for c in raw
    )


def printable_path(path: str) -> str:
    """A path as it is stored: kept whole, only what is no valid text escaped."""
    return path.encode("utf-8", "backslashreplace").decode("utf-8").replace("\x00", "\\x00")


@dataclass
class Rejects:
    """Collects what could not be used of one file.

    Parameters
    ----------
    path
        The file, relative to the fleet folder.
    """

    path: str
    rows: list[tuple[int | None, str, str]] = field(default_factory=list)
    _count: dict[tuple[str, str], int] = field(default_factory=dict)

    def add(self, row: int | None, column: str, problem: str, value: object = None) -> None:
        """Refuse a line, a field of it, or (``row`` None) something of the whole file.

        ``problem`` names the kind; rows of one kind beyond the limit are counted, not listed.
        """
        kind = (column, problem)
        self._count[kind] = self._count.get(kind, 0) + 1
        if self._count[kind] <= LIMITS.quarantine_rows:
            shown = "" if value is None else f" (found {printable(value)!r})"
            self.rows.append((row, column, problem + shown))

    def ask(self, row: int | None, column: str, question: str) -> None:
        """Put a question about what is used all the same, so that it does not count as refused."""
        self.rows.append((row, column, question))

    @property
    def total(self) -> int:
        """How many were refused, those beyond the listing limit included."""
        return sum(self._count.values())

    def listed(self) -> list[tuple[str, int | None, str | None, str]]:
        """Rows of path, line, field and problem: whole-file ones first, then by line, then what was only counted."""
        if not self.rows:
            return []
        rows = sorted(self.rows, key=lambda r: (r[0] is not None, r[0] or 0))
        for (column, problem), n in self._count.items():
            if n > LIMITS.quarantine_rows:
                rows.append((None, column, f"{problem}: {n - LIMITS.quarantine_rows} more lines of the same kind"))
        path = printable_path(self.path)
        return [(path, row, column or None, problem) for row, column, problem in rows]


def frame_of(rejects: Iterable[Rejects]) -> pl.DataFrame:
    """As rows of the ``quarantine`` table; ``seen_at`` is left to the caller."""
    rows = [row for r in rejects for row in r.listed()]
    schema = {"path": pl.String, "row": pl.Int64, "field": pl.String, "problem": pl.String}
    return schemas.QUARANTINE.conform(pl.DataFrame(rows, schema=schema, orient="row"))
