"""Small multiples: one little drawing a person, all on one scale, a page of them at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import altair as alt

from blankoff.report.charts.base import Spec, build, figures, named, safe_json
from blankoff.report.charts.dots import PERCENT_LABEL
from blankoff.report.charts.series import MONTH_LABEL
from blankoff.report.theme import role
from blankoff.report.words import month_short

PER_PAGE = 12
_HEIGHT = 90
_LEAST_TOP = 0.2


@dataclass(frozen=True)
class Small:
    """One person's little drawing; shares by month, ``None`` where a month has none."""

    title: str
    what: str
    href: str
    person: str
    alias: str
    value: tuple[float | None, ...]
    lower: tuple[float | None, ...]
    upper: tuple[float | None, ...]
    peers: tuple[float | None, ...]


@dataclass(frozen=True)
class Multiples:
    """Little drawings that share months and scale."""

    key: str
    title: str
    note: str
    months: tuple[str, ...]
    items: tuple[Small, ...]
    rows_per_page: int = PER_PAGE

    @property
    def json(self) -> str:
        """The one drawing and everybody's numbers, in thousandths, as JSON that is safe inside a script element."""

        def thousandths(values: Sequence[float | None]) -> list[int | None]:
            return [None if v is None else round(1000 * v) for v in values]

        items = [
            {
                "title": i.title,
                "what": i.what,
                "href": i.href,
                "person": i.person,
                "alias": i.alias,
                "v": thousandths(i.value),
                "low": thousandths(i.lower),
                "high": thousandths(i.upper),
                "peers": thousandths(i.peers),
            }
            for i in self.items
        ]
        top = max([_LEAST_TOP, *(v for i in self.items for v in (*i.value, *i.peers) if v is not None)])
        spec = {**_drawing(), "params": [{"name": "top", "value": figures(min(1.0, 1.1 * top))}]}
        months = [[f"{m}-01", month_short(m)] for m in self.months]
        return safe_json({"spec": spec, "months": months, "items": items})


@lru_cache(maxsize=1)
def _drawing() -> Spec:
    x = alt.X(
        "on:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(labelExpr=MONTH_LABEL, tickCount=4, grid=False)
    )
    y = alt.Y(
        "v:Q",
        title=None,
        scale=alt.Scale(domainMin=0, domainMax={"expr": "top"}, nice=False),
        axis=alt.Axis(labelExpr=PERCENT_LABEL, tickCount=3),
    )
    base = alt.Chart(named("levels"))
    tips: list[Any] = [
        alt.Tooltip("month:N", title=""),
        alt.Tooltip("v:Q", title="own rate", format=".0%"),
        alt.Tooltip("peers:Q", title="like work", format=".0%"),
    ]
    band = base.mark_area(color=role("own-soft"), opacity=0.75, clip=True).encode(x=x, y=alt.Y("low:Q"), y2="high:Q")
    peers = base.mark_line(color=role("peer"), strokeDash=[5, 4], strokeWidth=1.4).encode(x=x, y="peers:Q")
    line = base.mark_line(color=role("own"), strokeWidth=1.8).encode(x=x, y=y)
    points = base.mark_point(color=role("own"), filled=True, size=26, opacity=1).encode(x=x, y=y, tooltip=tips)
    return build(alt.layer(band, peers, line, points), _HEIGHT)
