"""One evacuation's curve, its hold taken apart, and copies side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import altair as alt
import numpy as np
import polars as pl

from blankoff.physics.saturation import saturation_pressure_micron
from blankoff.report.charts.base import Chart, Records, Spec, build, figures, fill, named, table_of
from blankoff.report.data import EvacuationData
from blankoff.report.theme import role
from blankoff.report.words import PHASE_WORDS, PressureWords, minutes, number
from blankoff.samples import FloatArray, SampleBatch

BUCKETS = 200
HOLD_POINTS = 300
_HOURS_FROM_MIN = 300.0
_LINE_KINDS = ("limit", "target", "water")


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


def hold_parts(row: Mapping[str, Any], minutes_held: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Steady and saturating part of a hold's rise, microns, at minutes from isolation.

    From the stored numbers alone: ``r t`` and ``A (1 - exp(-t / tau))``, with ``A`` such that the saturating part over
    the required hold is ``moisture_rise_micron``. ``None`` when the result holds no fit.
    """
    slope, moist, tau = row.get("leak_micron_per_min"), row.get("moisture_rise_micron"), row.get("rise_time_constant_min")
    required = row.get("required_hold_minutes")
    if slope is None and moist is None:
        return None
    steady = float(slope or 0.0) * minutes_held
    if moist and tau and required and tau > 0:
        saturating = float(moist) * np.expm1(-minutes_held / tau) / math.expm1(-float(required) / tau)
    else:
        saturating = np.zeros_like(minutes_held)
    return steady, saturating


def hold_readings(data: EvacuationData) -> tuple[FloatArray, FloatArray]:
    """Minutes from isolation and microns of the readings of the hold that was judged; empty arrays without one."""
    start, length = data.row.get("isolated_at_s"), data.row.get("hold_minutes")
    if start is None or length is None or data.log.readings == 0:
        return np.empty(0), np.empty(0)
    t, p = data.log.elapsed_s, data.log.pressure_micron
    inside = (t >= start) & (t <= start + 60.0 * length + 0.5) & np.isfinite(p)
    return (t[inside] - start) / 60.0, p[inside]


def ambient_of(data: EvacuationData) -> float | None:
    """Air temperature, degC: the log's own middle, else the register's."""
    known = data.log.ambient_c[np.isfinite(data.log.ambient_c)]
    if known.size:
        return float(np.median(known))
    value = data.row.get("ambient_c")
    return None if value is None else float(value)


@lru_cache(maxsize=8)
def _curve_drawing(pressure_name: str, time_name: str, height: int) -> Spec:
    x = alt.X("x:Q", title=f"{time_name} from the first reading", axis=alt.Axis(grid=False, tickCount=8), scale=alt.Scale(nice=False))
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
        .transform_filter("datum.wide")
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
    tags = lines.mark_text(align="right", x="width", dx=-4, dy=-6, fontSize=11).encode(
        y="y:Q", text="label:N", color=style["color"]
    )
    curve = (
        alt.Chart(named("curve"))
        .mark_line(color=role("ink"), strokeWidth=1.8, invalid="break-paths-show-path-domains")
        .encode(x=x, y=y, order="x:Q")
    )
    spots = (
        alt.Chart(named("curve"))
        .mark_point(opacity=0, size=160)
        .encode(x=x, y=y, tooltip=[alt.Tooltip("t:N", title="time"), alt.Tooltip("p:N", title="pressure")])
    )
    over = (
        alt.Chart(named("over"))
        .mark_rect(color=role("muted"), opacity=0.5, y=0, y2=5)
        .encode(x=x, x2="x2:Q", tooltip=alt.Tooltip("what:N", title=""))
    )
    moment = alt.Chart(named("moments")).mark_rule(strokeDash=[4, 2], color=role("muted")).encode(x=x)
    layered = alt.layer(shade, names, over, rules, moment, curve, tags, spots).resolve_scale(
        color="independent", strokeDash="independent"
    )
    return build(layered, height)


def _curve_points(log: SampleBatch, pressure: PressureWords, scale: float, breaks: Sequence[float]) -> Records:
    t, p = thin_out(log.elapsed_s, log.pressure_micron)
    shown = np.asarray(pressure.value(1.0)) * p
    points: Records = [
        {
            "x": figures(float(a) / scale),
            "y": figures(float(b)),
            "t": minutes(float(a) / 60.0),
            "p": f"{number(float(b))} {pressure.name}",
        }
        for a, b in zip(t, shown, strict=True)
    ]
    points.extend({"x": figures(s / scale), "y": None} for s in breaks)
    points.sort(key=lambda d: float(d["x"]))
    return points


def curve_data(data: EvacuationData) -> tuple[dict[str, Records], list[dict[str, Any]]]:
    """Datasets of the curve's drawing, and its Vega parameters."""
    pressure = PressureWords(data.settings.units)
    log, row = data.log, data.row
    last_s = float(log.elapsed_s[-1]) if log.readings else 1.0
    scale = 3600.0 if last_s / 60.0 > _HOURS_FROM_MIN else 60.0
    phases: Records = []
    breaks: list[float] = []
    for p in data.phase.sort("phase_no").iter_rows(named=True):
        if p["start_s"] is None or p["end_s"] is None:
            continue
        a, b = p["start_s"] / scale, p["end_s"] / scale
        wide = (p["end_s"] - p["start_s"]) > 0.07 * last_s
        phases.append(
            {"x": figures(a), "x2": figures(b), "mid": figures((a + b) / 2), "kind": PHASE_WORDS[p["kind"]], "wide": wide}
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
                {"y": figures(pressure.value(line)), "kind": "water", "label": f"water at {number(air)} °C: {pressure.text(line)}"}
            )
    points = _curve_points(log, pressure, scale, breaks)
    heights = [float(d["y"]) for d in (*points, *lines) if d.get("y")]
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
        for p in data.phase.sort("phase_no").iter_rows(named=True)
    ]
    return table_of(("phase", "from", "to", "pressure at its start", "at its end"), rows)


def curve_chart(data: EvacuationData, title: str, height: int = 340) -> Chart:
    """The whole log on a log axis: phases, target, limit, water's saturation line, isolation."""
    pressure = PressureWords(data.settings.units)
    datasets, params = curve_data(data)
    last_min = float(data.log.elapsed_s[-1]) / 60.0 if data.log.readings else 0.0
    drawing = _curve_drawing(pressure.name, "hours" if last_min > _HOURS_FROM_MIN else "minutes", height)
    spec = fill(drawing, datasets, params=params)
    return Chart(
        key="curve",
        title=title,
        alt=f"Pressure against time over {minutes(last_min)} on a logarithmic axis, with its phases shaded. "
        f"{len(datasets['curve'])} of {data.log.readings} readings are drawn.",
        spec=spec,
        table=_phase_table(data),
        note="Dashed line: hold limit. Dotted: target. Thin solid: water's saturation pressure at the air's temperature. "
        "Upright dashes: isolation. Grey bar at the top: the pressure was above the gauge's range.",
    )


@lru_cache(maxsize=8)
def _hold_drawing(pressure_name: str, height: int) -> Spec:
    x = alt.X("x:Q", title="minutes from isolation", axis=alt.Axis(grid=False, tickCount=8), scale=alt.Scale(nice=False, zero=True))
    y = alt.Y("y:Q", title=f"pressure, {pressure_name}", scale=alt.Scale(zero=False, nice=True), axis=alt.Axis(format=",~r"))
    parts = alt.Scale(domain=["steady part", "saturating part"], range=[role("steady"), role("saturating")])
    legend = alt.Legend(title=None, symbolType="square", symbolOpacity=0.6)
    areas = (
        alt.Chart(named("parts"))
        .mark_area(opacity=0.28)
        .encode(
            x=x,
            y=y,
            y2="y2:Q",
            color=alt.Color("part:N", scale=parts, legend=legend),
        )
    )
    edges = (
        alt.Chart(named("parts"))
        .mark_line(strokeWidth=1.6)
        .encode(
            x=x,
            y=y,
            color=alt.Color("part:N", scale=parts, legend=legend),
            strokeDash=alt.StrokeDash(
                "part:N", scale=alt.Scale(domain=["steady part", "saturating part"], range=[[6, 3], [1, 0]]), legend=legend
            ),
        )
    )
    dots = (
        alt.Chart(named("readings"))
        .mark_circle(size=14, color=role("ink"), opacity=0.75)
        .encode(x=x, y=y, tooltip=[alt.Tooltip("t:N", title="time"), alt.Tooltip("p:N", title="pressure")])
    )
    limit = alt.Chart(named("limit"))
    rule = limit.mark_rule(strokeDash=[8, 3], color=role("failed"), strokeWidth=1.4).encode(y=y)
    tag = limit.mark_text(align="left", x=4, dy=-6, fontSize=11, color=role("failed")).encode(y="y:Q", text="label:N")
    due = alt.Chart(named("due")).mark_rule(strokeDash=[4, 2], color=role("muted")).encode(x=x)
    due_tag = (
        alt.Chart(named("due"))
        .mark_text(align="right", dx=-4, y=8, fontSize=11, color=role("muted"))
        .encode(x="x:Q", text="label:N")
    )
    return build(alt.layer(areas, edges, dots, rule, tag, due, due_tag), height)


def hold_chart(data: EvacuationData, title: str, height: int = 280) -> Chart | None:
    """The hold on a plain axis, its fitted rise split into the steady and the saturating part; ``None`` without one."""
    t, p = hold_readings(data)
    if t.size < 2:
        return None
    pressure = PressureWords(data.settings.units)
    factor = pressure.value(1.0)
    row = data.row
    end = float(t[-1])
    parts: Records = []
    grid = np.linspace(0.0, end, 60)
    fitted = hold_parts(row, grid)
    at_readings = hold_parts(row, t)
    rows: list[tuple[str, str]] = []
    if fitted is not None and at_readings is not None:
        base = float(np.median(p - at_readings[0] - at_readings[1]))
        steady, saturating = fitted
        for m, s, w in zip(grid, steady, saturating, strict=True):
            low, mid = (base) * factor, (base + s) * factor
            parts.append({"x": figures(float(m)), "y": figures(mid), "y2": figures(low), "part": "steady part"})
            parts.append(
                {"x": figures(float(m)), "y": figures(mid + w * factor), "y2": figures(mid), "part": "saturating part"}
            )
        rows = [
            ("steady part", pressure.rate(row.get("leak_micron_per_min"))),
            ("its standard error", pressure.rate(row.get("leak_micron_per_min_se"))),
            ("saturating part over the required hold", pressure.text(row.get("moisture_rise_micron"))),
            ("its time constant", minutes(row.get("rise_time_constant_min"))),
        ]
    thin_t, thin_p = thin_out(t, p, HOLD_POINTS // 2)
    readings = [
        {
            "x": figures(float(a)),
            "y": figures(float(b) * factor),
            "t": minutes(float(a)),
            "p": f"{number(float(b) * factor)} {pressure.name}",
        }
        for a, b in zip(thin_t, thin_p, strict=True)
    ]
    limit_micron = row.get("required_limit_micron")
    near = limit_micron is not None and float(np.max(p)) > 0.6 * float(limit_micron)
    limit = [{"y": figures(limit_micron * factor), "label": f"hold limit {pressure.text(limit_micron)}"}] if near else []
    required = row.get("required_hold_minutes")
    due = []
    if required is not None and required <= 1.5 * end:
        due = [{"x": figures(required), "label": f"required {minutes(required)}"}]
    rows.extend(
        [
            ("pressure at its beginning", pressure.text(row.get("hold_start_micron"))),
            ("at the required minute", pressure.text(row.get("hold_at_limit_micron"))),
            ("at its end", pressure.text(row.get("hold_end_micron"))),
        ]
    )
    return Chart(
        key="hold",
        title=title,
        alt=f"Pressure during the hold of {minutes(end)}, with the fitted rise split into a steady and a saturating part.",
        spec=fill(
            _hold_drawing(pressure.name, height), {"parts": parts, "readings": readings, "limit": limit, "due": due}
        ),
        table=table_of(("hold", "value"), rows),
        note="Dots: readings. Below the dashed edge: the steady part, which a leak makes. Between the dashed and the solid "
        "edge: the part that levels off, which water and outgassing make.",
    )


@lru_cache(maxsize=4)
def _copies_drawing(pressure_name: str, height: int) -> Spec:
    x = alt.X("x:Q", title="minutes from the first reading", axis=alt.Axis(grid=False, tickCount=8), scale=alt.Scale(nice=False))
    y = alt.Y(
        "y:Q", title=f"pressure, {pressure_name} (log axis)", scale=alt.Scale(type="log"), axis=alt.Axis(format=",~r", tickCount=5)
    )
    both = (
        alt.Chart(named("curves"))
        .mark_line(strokeWidth=1.8)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "who:N",
                scale=alt.Scale(range=[role("ink"), role("warn"), role("service"), role("water")]),
                legend=alt.Legend(title=None, columns=1, symbolType="stroke"),
                sort=None,
            ),
            strokeDash=alt.StrokeDash(
                "who:N", scale=alt.Scale(range=[[1, 0], [7, 4], [2, 3], [9, 2, 2, 2]]), legend=alt.Legend(title=None), sort=None
            ),
            order="x:Q",
        )
    )
    return build(both, height)


def copies_chart(data: EvacuationData, height: int = 280) -> Chart | None:
    """This log and those it shares its curve with, drawn over one another; ``None`` when there are none."""
    if not data.copies or data.log.readings == 0:
        return None
    pressure = PressureWords(data.settings.units)
    curves: Records = []
    rows = []
    for who, log in ((data.evacuation_id, data.log), *data.copies[:3]):
        t, p = thin_out(log.elapsed_s, log.pressure_micron)
        label = who if len(who) <= 40 else f"{who[:39]}…"
        curves.extend(
            {"x": figures(float(a) / 60.0), "y": figures(float(b) * pressure.value(1.0)), "who": label}
            for a, b in zip(t, p, strict=True)
        )
        last = float(log.elapsed_s[-1]) if log.readings else None
        rows.append((who, str(log.readings), minutes(None if last is None else last / 60.0)))
    return Chart(
        key="copies",
        title="The curves of these jobs lie on one another",
        alt="Pressure against time of this log and of the logs it shares its curve with, drawn over one another.",
        spec=fill(_copies_drawing(pressure.name, height), {"curves": curves}),
        table=table_of(("evacuation", "readings", "length"), rows),
        note="Two honest pulls on one circuit are alike but never the same: noise and timing differ.",
    )


def phases_of(phase: pl.DataFrame, evacuation_id: str) -> pl.DataFrame:
    """Rows of table ``phase`` for one evacuation."""
    return phase.filter(pl.col("evacuation_id") == evacuation_id)
