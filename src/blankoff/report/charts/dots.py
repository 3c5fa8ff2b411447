"""Dots with their bounds, one row per thing: shares, ratios, rates, hours and dates alike."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, TypeAlias

import altair as alt

from blankoff.report.charts.base import Chart, Spec, Table, build, figures, fill, named
from blankoff.report.theme import role
from blankoff.report.words import clip

Scale: TypeAlias = Literal["share", "rate", "ratio", "hours", "date"]
STEP = 26
PERCENT_LABEL = "format(datum.value * 100, '~r') + '\u202f%'"
"""Percentages on axes as in the text, with a thin blank."""
RATIO_TICKS = [0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.2, 1.5, 2, 3, 5, 10]
_LEAST_RATE_AXIS = 0.2
_SHAPES = ("circle", "diamond", "square", "triangle-up")
_ROLES = ("own", "peer", "service", "warn")


@dataclass(frozen=True)
class Dot:
    """One estimate: where it stands, its bounds, which series it belongs to, and where a click leads.

    ``person`` and ``alias`` are set where the label is a person's name that can be hidden.
    """

    label: str
    value: float | dt.date | None
    lower: float | dt.date | None = None
    upper: float | dt.date | None = None
    series: str = ""
    tip: str = ""
    href: str = ""
    person: str = ""
    alias: str = ""


def _axis(scale: Scale, title: str) -> Any:
    if scale == "date":
        return alt.X(
            "v:T",
            title=title,
            scale=alt.Scale(type="utc", padding=26),
            axis=alt.Axis(format="%-d %b %Y", tickCount=4, grid=True),
        )
    if scale == "share":
        return alt.X(
            "v:Q",
            title=title,
            scale=alt.Scale(domain=[0, 1], nice=False, clamp=True),
            axis=alt.Axis(labelExpr=PERCENT_LABEL, tickCount=5),
        )
    if scale == "ratio":
        return alt.X(
            "v:Q",
            title=title,
            scale=alt.Scale(type="log", nice=False, padding=12),
            axis=alt.Axis(format="~r", values=RATIO_TICKS),
        )
    if scale == "rate":
        return alt.X(
            "v:Q",
            title=title,
            scale=alt.Scale(zero=True, nice=True, domainMax={"expr": "widest"}),
            axis=alt.Axis(labelExpr=PERCENT_LABEL, tickCount=5),
        )
    return alt.X(
        "v:Q", title=title, scale=alt.Scale(zero=True, nice=False, padding=10), axis=alt.Axis(format="~r", tickCount=5)
    )


@lru_cache(maxsize=64)
def _drawing(scale: Scale, title: str, series: tuple[str, ...], side_by_side: bool) -> Spec:
    x = _axis(scale, title)
    y = alt.Y(
        "label:N",
        scale=alt.Scale(domain={"expr": "labels"}),
        title=None,
        axis=alt.Axis(labelLimit={"expr": "width < 330 ? 110 : 230"}, ticks=False, domain=False, grid=False),
    )
    shapes = alt.Scale(domain=list(series), range=list(_SHAPES[: len(series)]))
    colours = alt.Scale(domain=list(series), range=[role(r) for r in _ROLES[: len(series)]])
    legend = alt.Legend(title=None, columns=1) if len(series) > 1 else None
    offset: dict[str, Any] = {"yOffset": alt.YOffset("series:N", sort=list(series))} if side_by_side else {}
    base = alt.Chart(named("dots")).encode(y=y, **offset)
    bounds = base.mark_rule(strokeWidth=2.4, opacity=0.65).encode(
        x=alt.X("low:T" if scale == "date" else "low:Q", title=title),
        x2="high:T" if scale == "date" else "high:Q",
        color=alt.Color("series:N", scale=colours, legend=legend),
    )
    marks = base.mark_point(size=90, filled=True, opacity=1, strokeWidth=1).encode(
        x=x,
        shape=alt.Shape("series:N", scale=shapes, legend=legend),
        color=alt.Color("series:N", scale=colours, legend=legend),
        tooltip=alt.Tooltip("tip:N", title=""),
    )
    at = "v:T" if scale == "date" else "v:Q"
    reference = (
        alt.Chart(named("reference")).mark_rule(strokeDash=[4, 3], color=role("muted"), strokeWidth=1.2).encode(x=at)
    )
    words = (
        alt.Chart(named("reference"))
        .mark_text(align="left", baseline="bottom", dx=3, y=-2, fontSize=11, color=role("muted"))
        .encode(x=at, text="label:N")
    )
    ticks = (
        alt.Chart(named("ticks"))
        .mark_tick(thickness=3, size=17, color=role("peer"))
        .encode(y=y, x=at, tooltip=alt.Tooltip("tip:N", title=""))
    )
    return build(alt.layer(reference, words, bounds, marks, ticks))


def _plain(x: float | dt.date | None) -> float | str | None:
    return x.isoformat() if isinstance(x, dt.date) else figures(x)


def _record(d: Dot) -> dict[str, Any]:
    record: dict[str, Any] = {
        "label": clip(d.label),
        "v": _plain(d.value),
        "low": _plain(d.lower),
        "high": _plain(d.upper),
        "series": d.series,
        "tip": d.tip,
    }
    return record | {k: v for k, v in (("href", d.href), ("person", d.person), ("alias", d.alias)) if v}


def dots_chart(
    key: str,
    title: str,
    description: str,
    dots: Sequence[Dot],
    scale: Scale,
    axis_title: str,
    table: Table,
    *,
    reference: tuple[float | dt.date, str] | None = None,
    ticks: Sequence[Dot] = (),
    note: str = "",
    rows_per_page: int = 0,
) -> Chart:
    """Draw estimates with their bounds, in the order given; an estimate without a value keeps its row.

    ``ticks`` are values to compare with, drawn as upright strokes on the rows of the same labels. With more rows than
    ``rows_per_page`` (unless 0) the page shows that many at a time.
    """
    series = tuple(dict.fromkeys(d.series for d in dots)) or ("",)
    records = [_record(d) for d in dots]
    strokes = [_record(d) for d in ticks]
    labels = list(dict.fromkeys(clip(d.label) for d in dots))
    side_by_side = len(labels) < len(dots)
    marks = [] if reference is None else [{"v": _plain(reference[0]), "label": reference[1]}]
    top = max(
        (float(x) for d in (*dots, *ticks) for x in (d.value, d.upper) if isinstance(x, float | int)), default=0.0
    )
    params: list[dict[str, Any]] = [{"name": "labels", "value": labels}]
    if scale == "rate":
        params.append({"name": "widest", "value": figures(max(top, _LEAST_RATE_AXIS))})
    spec = fill(
        _drawing(scale, axis_title, series, side_by_side),
        {"dots": records, "reference": marks, "ticks": strokes},
        height=round(STEP * max(len(labels), 1) * (1.35 if side_by_side else 1)),
        params=params,
    )
    return Chart(key, title, description, spec, table, note, rows_per_page)
