"""The two drawings of an evidence sheet: the same data as on the pages, drawn for paper."""

from __future__ import annotations

from blankoff.report.charts.curve import curve_alt, curve_data, time_name
from blankoff.report.charts.hold import PARTS, HoldData
from blankoff.report.data import EvacuationData
from blankoff.report.paper import Axis, Drawing, even_ticks
from blankoff.report.words import PressureWords

__all__ = ["curve_on_paper", "hold_on_paper"]

_PHASE_COLOURS = {"pumping": "phase-pump", "hold": "phase-hold", "gas break": "phase-break", "no readings": "phase-gap"}
_LINES = {"limit": ("failed", (8.0, 3.0)), "target": ("muted", (2.0, 3.0)), "water": ("water", ())}
_ISOLATION_DASH = (4.0, 2.0)


def curve_on_paper(data: EvacuationData, width: float, height: float) -> tuple[str, str]:
    """Draw the whole log on a log axis.

    Parameters
    ----------
    data
        One evacuation with readings.
    width, height
        Of the drawing and of its plane, px.

    Returns
    -------
    tuple of str
        SVG, and what it shows in words.
    """
    sets, params = curve_data(data)
    ends = {p["name"]: float(p["value"]) for p in params}
    unit = PressureWords(data.settings.units).name
    times = [float(d[k]) for name in ("curve", "phases", "over") for d in sets[name] for k in ("x", "x2") if k in d]
    last = max(times, default=1.0)
    drawing = Drawing(
        width,
        height,
        Axis(min([*times, 0.0]), last if last > 0.0 else 1.0, f"{time_name(data)} from the first reading"),
        Axis(ends["low"], ends["high"], f"pressure, {unit} (log axis)", log=True, about=9),
    )
    for phase in sets["phases"]:
        drawing.shade(phase["x"], phase["x2"], _PHASE_COLOURS[phase["kind"]])
    for phase in sets["phases"]:
        drawing.name_below(phase["x"], phase["x2"], phase["kind"], "muted")
    for over in sets["over"]:
        drawing.shade(over["x"], over["x2"], "muted", 0.5, high=5.0)
    for moment in sets["moments"]:
        drawing.upright(moment["x"], "muted", _ISOLATION_DASH)
    drawing.line(((d["x"], d["y"]) for d in sets["curve"]), "ink", 1.8)
    for line in sets["lines"]:
        colour, dash = _LINES[line["kind"]]
        drawing.level(line["y"], colour, dash, line["label"], right=True)
    return drawing.svg(), curve_alt(data, len(sets["curve"]))


def hold_on_paper(data: HoldData, unit: str, width: float, height: float) -> str:
    """Draw the hold on a plain axis, its rise split; SVG.

    Parameters
    ----------
    data
        What the page draws, see `charts.hold.hold_data`.
    unit
        Name of the unit that its pressures are in.
    width, height
        Of the drawing and of its plane, px.
    """
    sets = data.datasets
    values = [float(d[k]) for records in sets.values() for d in records for k in ("y", "y2") if d.get(k) is not None]
    ticks = even_ticks(min(values), max(values), 5)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else max(abs(ticks[0]), 1.0) if ticks else 1.0
    low, high = (ticks[0], ticks[-1]) if ticks else (min(values), max(values))
    low, high = (low if low <= min(values) else low - step), (high if high >= max(values) else high + step)
    times = [float(d["x"]) for records in sets.values() for d in records if "x" in d]
    drawing = Drawing(
        width,
        height,
        Axis(0.0, max(times), "minutes from isolation"),
        Axis(low, high if high > low else low + 1.0, f"pressure, {unit}", about=5),
        legend=[(PARTS[0], "steady"), (PARTS[1], "saturating")] if sets["parts"] else (),
    )
    looks = ((PARTS[0], "steady", (6.0, 3.0)), (PARTS[1], "saturating", ()))
    edges = {part: [(d["x"], d["y"], d["y2"]) for d in sets["parts"] if d["part"] == part] for part in PARTS}
    for part, colour, _ in looks:
        if edges[part]:
            drawing.area(edges[part], colour, 0.28)
    for part, colour, dash in looks:
        if edges[part]:
            drawing.line([(x, y) for x, y, _ in edges[part]], colour, 1.6, dash)
    if sets["total"]:
        drawing.line([(d["x"], d["y"]) for d in sets["total"]], "ink", 1.1)
    drawing.dots([(d["x"], d["y"]) for d in sets["readings"]], "ink")
    for limit in sets["limit"]:
        drawing.level(limit["y"], "failed", (8.0, 3.0), limit["label"], right=False)
    for due in sets["due"]:
        drawing.upright(due["x"], "muted", _ISOLATION_DASH, due["label"])
    return drawing.svg()
