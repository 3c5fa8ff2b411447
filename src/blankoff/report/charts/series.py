"""Things over time: a level with its bounds and what happened to it, single evacuations, and the months' verdicts."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, TypeAlias

import altair as alt

from blankoff.report.charts.base import HALO, Chart, Records, Spec, Table, build, figures, fill, named
from blankoff.report.charts.dots import PERCENT_LABEL, RATIO_TICKS
from blankoff.report.charts.filled import Written
from blankoff.report.theme import role

Axis: TypeAlias = Literal["share", "ratio", "pressure", "speed"]
MONTH_LABEL = "[utcFormat(datum.value, '%b'), utcFormat(datum.value, '%Y')]"
"""Month over year: half as wide as side by side, so that a narrow drawing still names both its ends."""
_MOST_TICKS = 9


@dataclass(frozen=True)
class Level:
    """A level at one date, with bounds, and what like work or the fleet's middle would give there."""

    on: dt.date
    value: float | None
    lower: float | None = None
    upper: float | None = None
    peers: float | None = None
    tip: str = ""


@dataclass(frozen=True)
class Event:
    """Something that happened: a service, a talk."""

    on: dt.date
    label: str


@dataclass(frozen=True)
class Spot:
    """One evacuation's own value."""

    on: dt.date
    value: float
    verdict: str
    tip: str = ""
    href: str = ""


def _y(axis: Axis, title: str, field: str = "v:Q") -> Any:
    if axis == "share":
        return alt.Y(
            field,
            title=title,
            scale=alt.Scale(domainMin=0, nice=True, zero=True),
            axis=alt.Axis(labelExpr=PERCENT_LABEL, tickCount=4),
        )
    if axis == "ratio":
        return alt.Y(
            field,
            title=title,
            scale=alt.Scale(type="log", nice=False, domainMin={"expr": "lowest"}, domainMax={"expr": "highest"}),
            axis=alt.Axis(format="~r", values={"expr": "ticks"}),
        )
    return alt.Y(
        field,
        title=title,
        scale=alt.Scale(type="log", nice=False, padding=10),
        axis=alt.Axis(format=",~r", tickCount=5, grid=False),
    )


def _x(field: str = "on:T") -> Any:
    return alt.X(
        field, title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(labelExpr=MONTH_LABEL, tickCount=6, grid=False)
    )


@lru_cache(maxsize=64)
def _drawing(axis: Axis, title: str, height: int) -> Spec:
    x, y = _x(), _y(axis, title)
    levels = alt.Chart(named("levels"))
    band = levels.mark_area(color=role("own-soft"), opacity=0.75, clip=True).encode(
        x=x, y=_y(axis, title, "low:Q"), y2="high:Q"
    )
    line = levels.mark_line(color=role("own"), strokeWidth=2).encode(x=x, y=y)
    points = levels.mark_point(color=role("own"), filled=True, size=55, opacity=1).encode(
        x=x, y=y, tooltip=alt.Tooltip("tip:N", title="")
    )
    peers = levels.mark_line(color=role("peer"), strokeDash=[5, 4], strokeWidth=1.6).encode(x=x, y="peers:Q")
    events = alt.Chart(named("events"))
    rules = events.mark_rule(color=role("service"), strokeWidth=1.6).encode(
        x=x, tooltip=alt.Tooltip("label:N", title="")
    )
    tags = events.mark_text(
        angle=270, align="right", baseline="bottom", dx=-2, dy=-3, y=0, fontSize=10.5, color=role("service")
    ).encode(x=x, text="label:N")
    spots = (
        alt.Chart(named("spots"))
        .mark_point(size=42, opacity=0.85, strokeWidth=1.2)
        .encode(
            x=x,
            y=y,
            shape=alt.Shape(
                "verdict:N",
                scale=alt.Scale(domain=["proven", "failed", "unproven"], range=["circle", "triangle-up", "diamond"]),
                legend=None,
            ),
            color=alt.Color(
                "verdict:N",
                scale=alt.Scale(
                    domain=["proven", "failed", "unproven"], range=[role("own"), role("failed"), role("unproven-edge")]
                ),
                legend=None,
            ),
            tooltip=alt.Tooltip("tip:N", title=""),
        )
    )
    reference = (
        alt.Chart(named("reference")).mark_rule(strokeDash=[8, 3], color=role("failed"), strokeWidth=1.2).encode(y=y)
    )
    words = [
        alt.Chart(named("reference"))
        .mark_text(align="right", x="width", dx=-4, dy=-6, fontSize=11, **ink)
        .encode(y=y, text="label:N")
        for ink in (HALO, {"color": role("failed")})
    ]
    return build(alt.layer(band, peers, line, points, rules, tags, spots, reference, *words), height)


def ratio_ticks(lowest: float, highest: float) -> list[float]:
    """Return ratios to label on a log axis: 1 always, round ones before others, none closer than a label is high."""
    apart = math.log(highest / lowest) / _MOST_TICKS
    chosen: list[float] = []
    for tick in (1.0, 0.5, 2.0, 0.1, 10.0, 0.2, 5.0, *RATIO_TICKS):
        if lowest <= tick <= highest and all(abs(math.log(tick / other)) >= apart for other in chosen):
            chosen.append(tick)
    return sorted(chosen)


def _ratio_frame(levels: Sequence[Level]) -> list[dict[str, Any]]:
    """Lowest and highest ratio shown: every level, and bounds as far as half and twice the levels; wider ones are cut."""
    values = [v.value for v in levels if v.value] + [1.0]
    low = [max(v.lower, 0.5 * min(values)) for v in levels if v.lower]
    high = [min(v.upper, 2.0 * max(values)) for v in levels if v.upper]
    lowest, highest = 0.93 * min(*values, *low), 1.07 * max(*values, *high)
    return [
        {"name": "lowest", "value": figures(lowest)},
        {"name": "highest", "value": figures(highest)},
        {"name": "ticks", "value": ratio_ticks(lowest, highest)},
    ]


def spot_record(spot: Spot) -> dict[str, Any]:
    """One evacuation's value as `history_chart` draws it; of `Written`, as JSON."""
    return {
        "on": spot.on.isoformat(),
        "v": figures(spot.value, 4),
        "verdict": spot.verdict,
        "tip": spot.tip,
        "href": spot.href,
    }


def history_chart(
    key: str,
    title: str,
    description: str,
    axis: Axis,
    axis_title: str,
    table: Table,
    *,
    levels: Sequence[Level] = (),
    events: Sequence[Event] = (),
    spots: Written | None = None,
    reference: tuple[float, str] | None = None,
    height: int = 220,
    note: str = "",
) -> Chart:
    """Draw a level over time with its bounds, single evacuations, services or talks, and a limit."""
    level_rows: Records = [
        {
            "on": v.on.isoformat(),
            "v": figures(v.value),
            "low": figures(v.lower),
            "high": figures(v.upper),
            "peers": figures(v.peers),
            "tip": v.tip,
        }
        for v in sorted(levels, key=lambda v: v.on)
    ]
    event_rows: Records = [{"on": e.on.isoformat(), "label": e.label} for e in events]
    marks: Records = [] if reference is None else [{"v": figures(reference[0]), "label": reference[1]}]
    spec = fill(
        _drawing(axis, axis_title, height),
        {"levels": level_rows, "events": event_rows, "spots": spots or [], "reference": marks},
        **({"params": _ratio_frame(levels)} if axis == "ratio" else {}),
    )
    return Chart(key, title, description, spec, table, note)


@lru_cache(maxsize=4)
def _verdict_drawing(height: int) -> Spec:
    order = ["proven", "failed", "unproven"]
    x = alt.X(
        "month:O",
        sort=None,
        title=None,
        axis=alt.Axis(labelAngle=0, ticks=False, domain=False, labelExpr="split(datum.label, ' ')"),
    )
    base = alt.Chart(named("verdicts")).encode(x=x, order="rank:O")
    bars = base.mark_bar(strokeWidth=1.2).encode(
        y=alt.Y(
            "share:Q",
            stack="zero",
            title="share of evacuations",
            axis=alt.Axis(labelExpr=PERCENT_LABEL, tickCount=4),
            scale=alt.Scale(domain=[0, 1]),
        ),
        color=alt.Color(
            "verdict:N",
            scale=alt.Scale(domain=order, range=[role("passed"), role("failed"), role("unproven")]),
            legend=alt.Legend(title=None, symbolType="square"),
        ),
        stroke=alt.Stroke(
            "verdict:N",
            scale=alt.Scale(domain=order, range=[role("passed"), role("failed"), role("unproven-edge")]),
            legend=None,
        ),
        strokeDash=alt.StrokeDash(
            "verdict:N", scale=alt.Scale(domain=order, range=[[1, 0], [1, 0], [3, 2]]), legend=None
        ),
        tooltip=alt.Tooltip("tip:N", title=""),
    )
    words = (
        base.transform_filter("datum.share >= 0.055")
        .mark_text(fontSize=11)
        .encode(
            y=alt.Y("middle:Q", title="share of evacuations"),
            text="n:Q",
            color=alt.Color(
                "verdict:N",
                scale=alt.Scale(domain=order, range=[role("passed-ink"), role("failed-ink"), role("unproven-ink")]),
                legend=None,
            ),
        )
    )
    return build(alt.layer(bars, words).resolve_scale(color="independent"), height)


def verdict_chart(
    key: str, title: str, description: str, records: Records, table: Table, note: str = "", height: int = 240
) -> Chart:
    """Stack each month's proven, failed and unproven shares; ``records`` hold month, verdict, n, share, middle, rank, tip."""
    return Chart(key, title, description, fill(_verdict_drawing(height), {"verdicts": records}), table, note)
