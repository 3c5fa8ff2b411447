"""A log and those it shares its curve with, over one another."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from blankoff.report.charts.base import Chart, Records, Spec, build, figures, fill, named, table_of
from blankoff.report.charts.curve import thin_out
from blankoff.report.data import EvacuationData
from blankoff.report.theme import role
from blankoff.report.words import PressureWords, clip, count, minutes

MOST_COPIES = 3


@lru_cache(maxsize=4)
def _copies_drawing(pressure_name: str, origin: str, height: int) -> Spec:
    import altair as alt  # here, because a sheet shall not wait for it

    x = alt.X(
        "x:Q",
        title=f"minutes from {origin}",
        axis=alt.Axis(grid=False, tickCount=8),
        scale=alt.Scale(nice=False),
    )
    y = alt.Y(
        "y:Q",
        title=f"pressure, {pressure_name} (log axis)",
        scale=alt.Scale(type="log"),
        axis=alt.Axis(format=",~r", tickCount=5, grid=False),
    )
    domain = {"expr": "who"}
    colours = alt.Scale(domain=domain, range=[role("own-soft"), role("ink"), role("warn"), role("service")])
    dashes = alt.Scale(domain=domain, range=[[1, 0], [1, 0], [6, 3], [2, 3]])
    legend = alt.Legend(title=None, columns=1, symbolType="stroke", symbolStrokeWidth=3)
    lines = alt.Chart(named("curves")).encode(
        x=x,
        y=y,
        color=alt.Color("who:N", scale=colours, legend=legend),
        strokeDash=alt.StrokeDash("who:N", scale=dashes, legend=legend),
        order="x:Q",
    )
    own = lines.transform_filter("datum.own").mark_line(strokeWidth=7)
    others = lines.transform_filter("!datum.own").mark_line(strokeWidth=1.3)
    both = alt.layer(own, others)
    return build(both, height)


def copies_chart(data: EvacuationData, height: int = 280, link: Callable[[str], str] | None = None) -> Chart | None:
    """One log and those it shares its curve with, drawn over one another; ``None`` when there are none."""
    if not data.copies or data.log.readings == 0:
        return None
    pressure = PressureWords(data.settings.units)
    curves: Records = []
    rows, links = [], []
    starts = {data.evacuation_id: data.row.get("isolated_at_s"), **{who: start for who, _, start in data.copies}}
    aligned = all(s is not None for s in starts.values())
    for who, log in ((data.evacuation_id, data.log), *((who, log) for who, log, _ in data.copies[:MOST_COPIES])):
        t, p = thin_out(log.elapsed_s, log.pressure_micron)
        zero = float(starts[who] or 0.0) if aligned else 0.0
        label = clip(who, 40)
        curves.extend(
            {
                "x": figures((float(a) - zero) / 60.0),
                "y": figures(float(b) * pressure.value(1.0)),
                "who": label,
                "own": who == data.evacuation_id,
            }
            for a, b in zip(t, p, strict=True)
        )
        last = float(log.elapsed_s[-1]) if log.readings else None
        links.append(link(who) if link and who != data.evacuation_id else "")
        rows.append((who, count(log.readings), minutes(None if last is None else last / 60.0)))
    drawing = _copies_drawing(pressure.name, "isolation" if aligned else "the first reading", height)
    return Chart(
        key="copies",
        title="The curves of these jobs lie on one another",
        alt="Pressure against time of this log and of the logs it shares its curve with, drawn over one another.",
        drawn=fill(
            drawing,
            {"curves": curves},
            params=[{"name": "who", "value": list(dict.fromkeys(c["who"] for c in curves))}],
        ),
        table=table_of(("evacuation", "readings", "length"), rows, links),
        note="Broad pale line: this log. Thin lines: the others, aligned at isolation where it is known. Two honest pulls on one circuit are alike but never the same: noise and timing differ.",
    )
