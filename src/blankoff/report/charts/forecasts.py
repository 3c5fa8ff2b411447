"""How past forecasts fared: how far ahead each looked, how many days it was out, and whether its bounds held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import altair as alt

from blankoff.report.charts.base import Chart, Records, Spec, Table, build, fill, named
from blankoff.report.theme import role

HELD, MISSED = "bounds held", "bounds missed"


@dataclass(frozen=True)
class PastForecast:
    """One forecast whose day has come."""

    days_ahead: int
    days_early: int
    held: bool
    tip: str = ""
    href: str = ""


@lru_cache(maxsize=1)
def _drawing() -> Spec:
    kinds = [HELD, MISSED]
    legend = alt.Legend(title=None)
    points = (
        alt.Chart(named("forecasts"))
        .mark_point(size=60, opacity=0.9, strokeWidth=1.4)
        .encode(
            x=alt.X(
                "ahead:Q",
                title="days ahead that the forecast looked",
                scale=alt.Scale(zero=True),
                axis=alt.Axis(tickCount=8),
            ),
            y=alt.Y("early:Q", title="days too early (above 0) or too late", axis=alt.Axis(tickCount=5)),
            shape=alt.Shape("held:N", scale=alt.Scale(domain=kinds, range=["circle", "triangle-up"]), legend=legend),
            color=alt.Color("held:N", scale=alt.Scale(domain=kinds, range=[role("own"), role("warn")]), legend=legend),
            tooltip=alt.Tooltip("tip:N", title=""),
        )
    )
    zero = alt.Chart(named("zero")).mark_rule(strokeDash=[4, 3], color=role("muted")).encode(y="early:Q")
    return build(alt.layer(zero, points), 200)


def forecasts_chart(
    key: str, title: str, description: str, past: Sequence[PastForecast], table: Table, note: str = ""
) -> Chart:
    """Draw each past forecast by how far it looked and how far it was out."""
    rows: Records = [
        {"ahead": p.days_ahead, "early": p.days_early, "held": HELD if p.held else MISSED, "tip": p.tip, "href": p.href}
        for p in past
    ]
    return Chart(key, title, description, fill(_drawing(), {"forecasts": rows, "zero": [{"early": 0}]}), table, note)
