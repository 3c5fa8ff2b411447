"""What a page is made of: plain records that the one page template lays out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from blankoff.report.charts.base import Chart


@dataclass(frozen=True)
class Link:
    """Text that may lead to a page; ``href`` is relative to the pages' folder, empty where there is no page."""

    text: str
    href: str = ""
    note: str = ""


@dataclass(frozen=True)
class Verdict:
    """A verdict as a code for style, a sign that needs no colour, and a word."""

    code: str
    sign: str
    word: str


@dataclass(frozen=True)
class Cell:
    """A table cell: parts that may lead somewhere, or a verdict; ``key`` is what it sorts by."""

    parts: tuple[Link, ...] = ()
    key: str | float | None = None
    joint: str = ", "
    verdict: Verdict | None = None
    alias: str = ""

    @property
    def text(self) -> str:
        """Words of the first part."""
        return self.parts[0].text if self.parts else ""

    @property
    def href(self) -> str:
        """Where the first part leads."""
        return self.parts[0].href if self.parts else ""


@dataclass(frozen=True)
class Head:
    """A column's heading; numbers stand to the right."""

    text: str
    number: bool = False


@dataclass(frozen=True)
class Row:
    """A row: its cells, an anchor, and whose it is when names can be hidden."""

    cells: tuple[Cell, ...]
    id: str = ""
    person: str = ""
    made: list[Any] = field(default_factory=list, compare=False, repr=False)
    """The headings and the root that it was last laid out for, and what came of it."""


@dataclass(frozen=True)
class LivelyTable:
    """A table that sorts, filters and unfolds."""

    caption: str
    headers: tuple[Head, ...]
    rows: tuple[Row, ...]
    first: int = 60
    """Rows shown before it unfolds."""
    folded_on_paper: bool = False
    """Whether paper shows only what the screen does; otherwise it shows every row."""


@dataclass(frozen=True)
class Block:
    """One piece of a section; ``kind`` is one of those that the template knows."""

    kind: str
    value: Any


@dataclass(frozen=True)
class Section:
    """A headed part of a page."""

    key: str
    title: str
    blocks: tuple[Block, ...]
    lead: str = ""


@dataclass(frozen=True)
class Page:
    """A page without its frame."""

    here: str
    title: str
    heading: str
    under: str
    matters: tuple[str, ...] = ()
    opening: tuple[Block, ...] = ()
    sections: tuple[Section, ...] = ()
    words: tuple[str, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)

    @property
    def charted(self) -> bool:
        """Whether any chart is on it."""
        blocks = [*self.opening, *(b for s in self.sections for b in s.blocks)]
        return any(b.kind in {"chart", "charts", "multiples"} for b in blocks)


def cell(text: str, key: str | float | None = None, href: str = "", alias: str = "") -> Cell:
    """Make a cell of one part."""
    return Cell((Link(text, href),), key, alias=alias)


def head(*texts: str) -> tuple[Head, ...]:
    """Make headings; one that starts with ``#`` is of a number column."""
    return tuple(Head(t.removeprefix("#"), t.startswith("#")) for t in texts)


def chart_or(chart: Chart | None, why: str) -> Block:
    """Show a chart, or say why it could not be drawn."""
    return Block("missing", why) if chart is None else Block("chart", chart)


def table_or(caption: str, headers: Sequence[Head], rows: Sequence[Row], why: str, first: int = 60) -> Block:
    """Show a table, or say why it is empty."""
    return Block("table", LivelyTable(caption, tuple(headers), tuple(rows), first)) if rows else Block("missing", why)
