"""The hold on a plain axis, its fitted rise split into the steady and the saturating part."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from blankoff.evacuation.hold_curve import hold_curve
from blankoff.report.charts.base import HALO, Chart, Columns, Records, Spec, build, figures, fill, named, table_of
from blankoff.report.charts.curve import reading_tip, thin_out
from blankoff.report.data import EvacuationData
from blankoff.report.theme import role
from blankoff.report.words import PressureWords, minutes
from blankoff.samples import FloatArray

HOLD_POINTS = 300
POINTS = 61
PARTS = ["steady part", "part that levels off"]
"""As the pages' words name them."""


def hold_parts(row: Mapping[str, Any], minutes_held: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Steady and saturating part of a hold's rise, microns, at minutes from isolation.

    From the stored numbers alone: ``r t`` and ``A (1 - exp(-t / tau))``, with ``A`` such that the saturating part over
    the required hold is ``moisture_rise_micron``. ``None`` when the result holds no fit.
    """
    slope, moist, tau = (
        row.get("leak_micron_per_min"),
        row.get("moisture_rise_micron"),
        row.get("rise_time_constant_min"),
    )
    required = row.get("required_hold_minutes")
    if slope is None and moist is None:
        return None
    steady = float(slope or 0.0) * minutes_held
    if moist and tau and required and tau > 0:
        saturating = float(moist) * np.expm1(-minutes_held / tau) / math.expm1(-float(required) / tau)
    else:
        saturating = np.zeros_like(minutes_held)
    return steady, saturating


@dataclass(frozen=True)
class Rise:
    """A hold's fitted rise in its parts, microns, at minutes from isolation; ``total`` holds the settling step too."""

    minutes: FloatArray
    start: float
    steady: FloatArray
    saturating: FloatArray
    total: FloatArray


def split_rise(data: EvacuationData, minutes_held: FloatArray, pressure_micron: FloatArray) -> Rise | None:
    """Split the rise of the hold that was judged: from the readings and the judged steady part where there are enough.

    With too few readings for a curve, from the stored numbers alone (`hold_parts`), lying as the readings lie.
    """
    row = data.row
    slope, start_s, length = row.get("leak_micron_per_min"), row.get("isolated_at_s"), row.get("hold_minutes")
    if slope is not None and start_s is not None and length is not None:
        judged = row.get("moisture_rise_micron"), row.get("moisture_rise_micron_se"), row.get("required_hold_minutes")
        fit = hold_curve(
            data.log, start_s, start_s + 60.0 * length, slope, points=POINTS, altitude_m=row.get("altitude_m") or 0.0,
            judged_rise=judged,
        )  # fmt: skip
        if fit is not None and np.all(np.isfinite(fit.total_micron)):
            held = (fit.elapsed_s - start_s) / 60.0
            return Rise(held, fit.start_micron, fit.steady_micron, fit.saturating_micron, fit.total_micron)
    grid = np.linspace(0.0, float(minutes_held[-1]), POINTS)
    fitted, at_readings = hold_parts(row, grid), hold_parts(row, minutes_held)
    if fitted is None or at_readings is None:
        return None
    start = float(np.median(pressure_micron - at_readings[0] - at_readings[1]))
    return Rise(grid, start, fitted[0], fitted[1], start + fitted[0] + fitted[1])


def hold_readings(data: EvacuationData) -> tuple[FloatArray, FloatArray]:
    """Minutes from isolation and microns of the readings of the hold that was judged; empty arrays without one."""
    start, length = data.row.get("isolated_at_s"), data.row.get("hold_minutes")
    if start is None or length is None or data.log.readings == 0:
        return np.empty(0), np.empty(0)
    t, p = data.log.elapsed_s, data.log.pressure_micron
    inside = (t >= start) & (t <= start + 60.0 * length + 0.5) & np.isfinite(p)
    return (t[inside] - start) / 60.0, p[inside]


@lru_cache(maxsize=8)
def _hold_drawing(pressure_name: str, height: int) -> Spec:
    import altair as alt  # here, because a sheet shall not wait for it

    x = alt.X(
        "x:Q",
        title="minutes from isolation",
        axis=alt.Axis(grid=False, tickCount=8),
        scale=alt.Scale(nice=False, zero=True),
    )
    y = alt.Y(
        "y:Q", title=f"pressure, {pressure_name}", scale=alt.Scale(zero=False, nice=True), axis=alt.Axis(format=",~r")
    )
    parts = alt.Scale(domain=PARTS, range=[role("steady"), role("saturating")])
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
                "part:N",
                scale=alt.Scale(domain=PARTS, range=[[6, 3], [1, 0]]),
                legend=legend,
            ),
        )
    )
    dots = (
        alt.Chart(named("readings"))
        .mark_circle(size=14, color=role("ink"), opacity=0.75)
        .encode(x=x, y=y, tooltip=reading_tip("minutes", pressure_name))
    )
    whole = alt.Chart(named("total")).mark_line(color=role("ink"), strokeWidth=1.1).encode(x=x, y=y)
    limit = alt.Chart(named("limit"))
    rule = limit.mark_rule(strokeDash=[8, 3], color=role("failed"), strokeWidth=1.4).encode(y=y)
    tags = [
        limit.mark_text(align="left", x=4, dy=-6, fontSize=11, **ink).encode(y="y:Q", text="label:N")
        for ink in (HALO, {"color": role("failed")})
    ]
    due = alt.Chart(named("due")).mark_rule(strokeDash=[4, 2], color=role("muted")).encode(x=x)
    due_tag = (
        alt.Chart(named("due"))
        .mark_text(align="right", dx=-4, y=8, fontSize=11, color=role("muted"))
        .encode(x="x:Q", text="label:N")
    )
    return build(alt.layer(areas, edges, whole, dots, rule, *tags, due, due_tag), height)


@dataclass(frozen=True)
class HoldData:
    """What is drawn of a hold: records by name, pressures in the fleet's unit; the numbers behind it in words."""

    datasets: Mapping[str, Records | Columns]
    rows: tuple[tuple[str, str], ...]
    alt: str


def _in_turn(one: FloatArray, other: FloatArray) -> FloatArray:
    """One of each in turn."""
    return np.stack([one, other], axis=1).ravel()


def hold_data(data: EvacuationData) -> HoldData | None:
    """What is drawn of the hold that was judged; ``None`` without one."""
    t, p = hold_readings(data)
    if t.size < 2:
        return None
    pressure = PressureWords(data.settings.units)
    factor = pressure.value(1.0)
    row = data.row
    end = float(t[-1])
    parts: Records | Columns = []
    total: Records | Columns = []
    rows: list[tuple[str, str]] = []
    rise = split_rise(data, t, p)
    if rise is not None:
        low = np.full(rise.minutes.size, rise.start * factor)
        mid = (rise.start + rise.steady) * factor
        parts = Columns(
            x=np.repeat(rise.minutes, 2),
            y=_in_turn(mid, mid + rise.saturating * factor),
            y2=_in_turn(low, mid),
            part=PARTS * rise.minutes.size,
        )
        seen = rise.minutes >= float(t[0])  # before it the step is nobody's reading, and would stretch the axis
        total = Columns(x=rise.minutes[seen], y=rise.total[seen] * factor)
        rows = [
            ("steady part", pressure.rate(row.get("leak_micron_per_min"))),
            ("its standard error", pressure.rate(row.get("leak_micron_per_min_se"))),
            ("part that levels off, over the required hold", pressure.text(row.get("moisture_rise_micron"))),
            ("its time constant", minutes(row.get("rise_time_constant_min"))),
        ]
    thin_t, thin_p = thin_out(t, p, HOLD_POINTS // 2)
    readings = Columns(x=thin_t, y=thin_p * factor)
    limit_micron = row.get("required_limit_micron")
    limit: Records = []
    if limit_micron is not None and float(np.max(p)) > 0.6 * float(limit_micron):
        limit = [{"y": figures(limit_micron * factor), "label": f"hold limit {pressure.text(limit_micron)}"}]
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
    return HoldData(
        {"parts": parts, "total": total, "readings": readings, "limit": limit, "due": due},
        tuple(rows),
        f"Pressure during the hold of {minutes(end)}, with the fitted rise split into a steady part and one that levels off.",
    )


def hold_chart(data: EvacuationData, title: str, height: int = 280) -> Chart | None:
    """The hold on a plain axis, its fitted rise split into the steady and the saturating part; ``None`` without one."""
    drawn = hold_data(data)
    if drawn is None:
        return None
    return Chart(
        key="hold",
        title=title,
        alt=drawn.alt,
        drawn=fill(_hold_drawing(PressureWords(data.settings.units).name, height), drawn.datasets),
        table=table_of(("hold", "value"), drawn.rows),
        note="Dots: readings. Below the dashed edge: the steady part, which a leak makes. Between the dashed and the solid "
        "edge: the part that levels off, which water and outgassing make. Thin line: the whole fit, with the step that "
        "settles in the first seconds.",
    )
