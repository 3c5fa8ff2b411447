"""One evacuation's whole curve on a log axis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from blankoff.physics.saturation import saturation_pressure_micron
from blankoff.report.charts.base import HALO, Chart, Columns, Records, Spec, build, figures, fill, named, table_of
from blankoff.report.charts.filled import figures_text
from blankoff.report.data import EvacuationData
from blankoff.report.theme import role
from blankoff.report.words import PHASE_WORDS, PressureWords, minutes, number
from blankoff.samples import FloatArray, SampleBatch

BUCKETS = 200
_HOURS_FROM_MIN = 300.0
_ROOM_FOR_NAME = "datum.share * width > 6.5 * length(datum.kind) + 6"
"""Whether a phase is as wide as its name is long, at the width it is drawn: a letter of 11 px takes some 6."""
_LINE_KINDS = ("limit", "target", "water")
CURVE_NOTE = (
    "Dashed line: hold limit. Dotted: target. Thin solid: water's saturation pressure at the air's temperature. "
    "Upright dashes: isolation. Grey bar at the top: the pressure was above the gauge's range."
)
"""How to read a curve, for the first one on a page."""


def thin_out(elapsed_s: FloatArray, pressure: FloatArray, buckets: int = BUCKETS) -> tuple[FloatArray, FloatArray]:
    """Keep the lowest and the highest reading of each of ``buckets`` equal stretches of time.

    Parameters
    ----------
    elapsed_s, pressure
        ``(N,)``; ascending times, NaN pressures allowed.

    Returns
    -------
    tuple of ndarray
        At most ``2 * buckets`` readings with their own times, in time order, finite only, first and last included.
    """
    keep = np.isfinite(pressure) & (pressure > 0)
    t, p = elapsed_s[keep], pressure[keep]
    if t.size <= 2 * buckets:
        return t, p
    which = np.minimum(((t - t[0]) / max(t[-1] - t[0], 1e-9) * buckets).astype(np.int64), buckets - 1)
    order = np.lexsort((p, which))
    starts = np.flatnonzero(np.diff(which, prepend=-1))
    lowest = order[starts]
    highest = order[np.append(starts[1:], t.size) - 1]
    chosen = np.unique(np.concatenate([lowest, highest, [0, t.size - 1]]))
    return t[chosen], p[chosen]


def over_range_stretches(elapsed_s: FloatArray, pressure: FloatArray) -> list[tuple[float, float]]:
    """``(start_s, end_s)`` of runs of over-range readings, each up to the next reading within range."""
    over = ~np.isfinite(pressure)
    if not over.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], over, [False]]).astype(np.int8)))
    last = elapsed_s.size - 1
    return [(float(elapsed_s[a]), float(elapsed_s[min(b, last)])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def ambient_of(data: EvacuationData) -> float | None:
    """Air temperature, degC: the log's own middle, else the register's."""
    known = data.log.ambient_c[np.isfinite(data.log.ambient_c)]
    if known.size:
        return float(np.median(known))
    value = data.row.get("ambient_c")
    return None if value is None else float(value)


def reading_tip(time_name: str, pressure_name: str) -> list[Any]:
    """Tell a reading's time and pressure when the pointer or the keyboard finds it; written where it is drawn."""
    import altair as alt

    return [
        alt.Tooltip("x:Q", title=time_name, format=",.3~r"),
        alt.Tooltip("y:Q", title=pressure_name, format=",.3~r"),
    ]


@lru_cache(maxsize=8)
def _curve_drawing(pressure_name: str, time_name: str, height: int) -> Spec:
    import altair as alt  # here, because a sheet shall not wait for it

    x = alt.X(
        "x:Q",
        title=f"{time_name} from the first reading",
        axis=alt.Axis(grid=False, tickCount=8),
        scale=alt.Scale(nice=False),
    )
    y = alt.Y(
        "y:Q",
        title=f"pressure, {pressure_name} (log axis)",
        scale=alt.Scale(type="log", domainMin={"expr": "low"}, domainMax={"expr": "high"}, nice=False),
        axis=alt.Axis(format=",~r", tickCount=6),
    )
    phases = alt.Chart(named("phases")).encode(x=x, x2="x2:Q")
    fills = alt.Scale(
        domain=["pumping", "hold", "gas break", "no readings"],
        range=[role("phase-pump"), role("phase-hold"), role("phase-break"), role("phase-gap")],
    )
    shade = phases.mark_rect().encode(color=alt.Color("kind:N", scale=fills, legend=None))
    names = (
        alt.Chart(named("phases"))
        .transform_filter(_ROOM_FOR_NAME)
        .mark_text(baseline="bottom", y="height", dy=-5, fontSize=11, color=role("muted"))
        .encode(x="mid:Q", text="kind:N")
    )
    style = {
        "strokeDash": alt.StrokeDash(
            "kind:N", scale=alt.Scale(domain=list(_LINE_KINDS), range=[[8, 3], [2, 3], [1, 0]]), legend=None
        ),
        "color": alt.Color(
            "kind:N",
            scale=alt.Scale(domain=list(_LINE_KINDS), range=[role("failed"), role("muted"), role("water")]),
            legend=None,
        ),
    }
    lines = alt.Chart(named("lines"))
    rules = lines.mark_rule(strokeWidth=1.4).encode(y=y, **style)
    word: dict[str, Any] = {"align": "right", "x": "width", "dx": -4, "dy": -6, "fontSize": 11}
    halo = lines.mark_text(**word, **HALO).encode(y="y:Q", text="label:N")
    tags = lines.mark_text(**word).encode(y="y:Q", text="label:N", color=style["color"])
    curve = (
        alt.Chart(named("curve"))
        .mark_line(color=role("ink"), strokeWidth=1.8, invalid="break-paths-show-path-domains")
        .encode(x=x, y=y, order="x:Q")
    )
    spots = (
        alt.Chart(named("curve"))
        .mark_point(opacity=0, size=160)
        .encode(x=x, y=y, tooltip=reading_tip(time_name, pressure_name))
    )
    over = (
        alt.Chart(named("over"))
        .mark_rect(color=role("muted"), opacity=0.5, y=0, y2=5)
        .encode(x=x, x2="x2:Q", tooltip=alt.Tooltip("what:N", title=""))
    )
    moment = alt.Chart(named("moments")).mark_rule(strokeDash=[4, 2], color=role("muted")).encode(x=x)
    layered = alt.layer(shade, names, over, rules, moment, curve, halo, tags, spots).resolve_scale(
        color="independent", strokeDash="independent"
    )
    return build(layered, height)


def _curve_points(log: SampleBatch, pressure: PressureWords, scale: float, breaks: Sequence[float]) -> Columns:
    """Readings drawn, with a place without pressure where the curve is to break."""
    t, p = thin_out(log.elapsed_s, log.pressure_micron)
    x, y = t / scale, np.asarray(pressure.value(1.0)) * p
    if breaks:
        x = np.append(x, np.asarray(breaks) / scale)
        y = np.append(y, np.full(len(breaks), np.nan))
        # in the order in which they are drawn: a break behind readings that are drawn at the same place
        order = np.argsort([float(text) for text in figures_text(x)], kind="stable")
        x, y = x[order], y[order]
    return Columns(x=x, y=y)


def curve_data(data: EvacuationData) -> tuple[dict[str, Records | Columns], list[dict[str, Any]]]:
    """Datasets of the curve's drawing, and its Vega parameters."""
    pressure = PressureWords(data.settings.units)
    log, row = data.log, data.row
    last_s = float(log.elapsed_s[-1]) if log.readings else 1.0
    scale = 3600.0 if last_s / 60.0 > _HOURS_FROM_MIN else 60.0
    phases: Records = []
    breaks: list[float] = []
    for p in data.phases:
        if p["start_s"] is None or p["end_s"] is None:
            continue
        a, b = p["start_s"] / scale, p["end_s"] / scale
        phases.append(
            {
                "x": figures(a),
                "x2": figures(b),
                "mid": figures((a + b) / 2),
                "kind": PHASE_WORDS[p["kind"]],
                "share": figures((p["end_s"] - p["start_s"]) / max(last_s, 1e-9)),
            }
        )
        if p["kind"] == "gap":
            breaks.append((p["start_s"] + p["end_s"]) / 2)
    lines: Records = []
    for kind, column, word in (
        ("limit", "required_limit_micron", "hold limit"),
        ("target", "required_target_micron", "target"),
    ):
        if row.get(column) is not None:
            lines.append(
                {
                    "y": figures(pressure.value(float(row[column]))),
                    "kind": kind,
                    "label": f"{word} {pressure.text(row[column])}",
                }
            )
    air = ambient_of(data)
    if air is not None:
        line = float(saturation_pressure_micron(air))
        if math.isfinite(line):
            lines.append(
                {
                    "y": figures(pressure.value(line)),
                    "kind": "water",
                    "label": f"water at {number(air)} °C: {pressure.text(line)}",
                }
            )
    points = _curve_points(log, pressure, scale, breaks)
    heights = [float(d["y"]) for d in lines if d["y"]] + points.ends("y")
    low, high = (min(heights) * 0.6, max(heights) * 1.9) if heights else (1.0, 1e5)
    over = [
        {"x": figures(a / scale), "x2": figures(b / scale), "what": "above the gauge's range"}
        for a, b in over_range_stretches(log.elapsed_s, log.pressure_micron)
    ]
    moments = [{"x": figures(row["isolated_at_s"] / scale)}] if row.get("isolated_at_s") is not None else []
    params = [{"name": "low", "value": figures(low)}, {"name": "high", "value": figures(high)}]
    return {"curve": points, "phases": phases, "lines": lines, "over": over, "moments": moments}, params


def _phase_table(data: EvacuationData) -> Any:
    pressure = PressureWords(data.settings.units)
    rows = [
        (
            PHASE_WORDS[p["kind"]],
            minutes(None if p["start_s"] is None else p["start_s"] / 60),
            minutes(None if p["end_s"] is None else p["end_s"] / 60),
            pressure.text(p["start_micron"]),
            pressure.text(p["end_micron"]),
        )
        for p in data.phases
    ]
    return table_of(("phase", "from", "to", "pressure at its start", "at its end"), rows)


def time_name(data: EvacuationData) -> str:
    """The unit in which a log's time is drawn."""
    return "hours" if data.log.readings and float(data.log.elapsed_s[-1]) / 60.0 > _HOURS_FROM_MIN else "minutes"


def curve_alt(data: EvacuationData, drawn: int) -> str:
    """What the drawing of a log shows, `drawn` of its readings, for those who do not see it."""
    last_min = float(data.log.elapsed_s[-1]) / 60.0 if data.log.readings else 0.0
    return (
        f"Pressure against time over {minutes(last_min)} on a logarithmic axis, with its phases shaded. "
        f"{drawn} of {data.log.readings} readings are drawn."
    )


def curve_chart(
    data: EvacuationData, title: str, height: int = 340, key: str = "curve", note: str = CURVE_NOTE
) -> Chart:
    """The whole log on a log axis: phases, target, limit, water's saturation line, isolation."""
    pressure = PressureWords(data.settings.units)
    datasets, params = curve_data(data)
    drawing = _curve_drawing(pressure.name, time_name(data), height)
    drawn = fill(drawing, datasets, params=params)
    return Chart(
        key=key,
        title=title,
        alt=curve_alt(data, len(datasets["curve"])),
        drawn=drawn,
        table=_phase_table(data),
        note=note,
    )
