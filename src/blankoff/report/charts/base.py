"""What every chart is: a message, a drawing, the same in words, and the numbers behind it as a table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blankoff.report import theme
from blankoff.report.charts.filled import Columns, Data, Filled, Records, Spec, figures, safe_json

if TYPE_CHECKING:
    import altair as alt

__all__ = [
    "HALO", "Chart", "Columns", "Data", "Filled", "Records", "Spec", "Table", "build", "figures", "fill", "iso", "named",
    "safe_json", "table_of",
]  # fmt: skip

HALO: dict[str, Any] = {"color": theme.role("paper"), "stroke": theme.role("paper"), "strokeWidth": 4, "opacity": 0.85}
"""How a label is first drawn in the paper's colour, so that marks under it do not make it unreadable."""


@dataclass(frozen=True)
class Table:
    """Numbers as shown text; ``links`` are page paths for the first column, empty where there is none."""

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    links: tuple[str, ...] = ()
    people: tuple[tuple[str, str], ...] = ()
    """``(person, alias)`` per row, where the first column is a name that can be hidden."""


@dataclass(frozen=True)
class Chart:
    """One chart with one message.

    Parameters
    ----------
    key
        Unique on its page.
    title
        The message, in a sentence.
    alt
        What the drawing shows, for those who don't see it.
    drawn
        Vega-Lite, colours as roles, data inside.
    table
        The numbers drawn.
    note
        How to read it: marks, bounds, units.
    rows_per_page
        Rows of the drawing shown at a time where it has more; 0 shows all.
    """

    key: str
    title: str
    alt: str
    drawn: Filled
    table: Table
    note: str = ""
    rows_per_page: int = 0

    @property
    def spec(self) -> Spec:
        """The drawing as plain values."""
        return self.drawn.spec()

    @property
    def rows(self) -> int:
        """Rows of a drawing that has one row per thing; 0 for others."""
        return next((len(p["value"]) for p in self.drawn.top("params", ()) if p["name"] == "labels"), 0)

    @property
    def high(self) -> int:
        """Height to keep free before it is drawn, px, axis and legend included."""
        height = float(self.drawn.top("height", 200))
        shown = min(self.rows_per_page, self.rows) / self.rows if self.rows_per_page and self.rows else 1.0
        return round(height * shown) + 60

    @property
    def spec_json(self) -> str:
        """The spec as JSON that is safe inside a script element."""
        return self.drawn.json()


def iso(date: dt.date | None) -> str | None:
    """Date as Vega reads it as UTC midnight."""
    return None if date is None else date.isoformat()


def named(name: str) -> alt.NamedData:
    """Return data that `fill` puts in later, so that a drawing can be built once and used for many."""
    import altair as alt  # here, because what needs only the numbers shall not wait for it

    return alt.NamedData(name=name)


def build(chart: Any, height: int | None = None) -> Spec:
    """Turn an Altair chart into a bare spec that fills its container's width."""
    sized = (
        chart.properties(width="container") if height is None else chart.properties(width="container", height=height)
    )
    spec: Spec = sized.to_dict(validate=False)
    spec.pop("config", None)
    spec["config"] = theme.config()
    spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    return spec


def fill(drawing: Spec, data: Data, **changes: Any) -> Filled:
    """Put named data into a drawing; ``changes`` replace top-level entries."""
    return Filled(drawing, data, changes)


def table_of(
    headers: Sequence[str],
    rows: Sequence[Sequence[str]],
    links: Sequence[str] = (),
    people: Sequence[tuple[str, str]] = (),
) -> Table:
    """Make a table from any sequences."""
    return Table(tuple(headers), tuple(tuple(r) for r in rows), tuple(links), tuple(people))
