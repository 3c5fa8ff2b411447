"""The evidence sheet of one evacuation: one page, fonts inside, tagged, the log's content hash on it.

Same data and same day give the same bytes; nothing is fetched from anywhere.
"""

from __future__ import annotations

import datetime as dt
import html
import json
import re
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst

from blankoff.report.charts.hold import hold_data
from blankoff.report.data import EvacuationData
from blankoff.report.fonts import font_folder, show
from blankoff.report.sheet_drawings import curve_on_paper, hold_on_paper
from blankoff.report.views.common import circuit
from blankoff.report.views.evacuation import (
    air_words,
    criterion_source,
    criterion_words,
    curve_title,
    dryness_sentence,
    gauge_words,
    hold_title,
    oil_words,
    rise_sentence,
    verdict_sentence,
)
from blankoff.report.words import CAUTIONS, NONE, PressureWords, day, minutes, number

STANDARDS = ("a-2a", "ua-1")
"""PDF/A-2a (archive, tagged text, fonts inside) and PDF/UA-1 (reachable by screen readers)."""
_MARK = re.compile(rb"blankoff-log:([0-9a-zA-Z_.-]+)")
_WHICH = re.compile(rb"blankoff-evacuation:([0-9a-f]*)")
_MADE = re.compile(rb"<xmp:CreateDate>(\d{4}-\d\d-\d\d)T")
_WIDTH = 740
_FITS = ((235, 145, 150), (200, 120, 80), (150, 90, 48), (110, 70, 30))
"""Height of the curve, height of the hold, longest text: tried in turn until the sheet is one page."""


@dataclass(frozen=True)
class SheetMark:
    """What a sheet says of itself: which evacuation, the content hash of the log it was made from, and the day."""

    evacuation_id: str
    content_hash: str
    made_on: dt.date | None = None


def _picture(svg: str, alt: str, title: str) -> dict[str, str]:
    return {"svg": svg, "alt": show(alt, 300), "title": show(title, 150)}


def _columns(data: EvacuationData, longest: int) -> list[dict[str, Any]]:
    row, pressure = data.row, PressureWords(data.settings.units)
    who = row.get("technician_id")
    margins = []
    lowest, target = row.get("final_vacuum_micron"), row.get("required_target_micron")
    end, limit = row.get("hold_at_limit_micron"), row.get("required_limit_micron")
    margins.append(("vacuum at isolation", pressure.text(lowest)))
    if lowest is not None and target is not None:
        margins.append(
            ("to the target", f"{pressure.text(abs(target - lowest))} {'under' if lowest <= target else 'over'}")
        )
    margins.append(("at the required minute", pressure.text(end)))
    if end is not None and limit is not None:
        margins.append(("to the limit", f"{pressure.text(abs(limit - end))} {'under' if end <= limit else 'over'}"))
    margins.append(("hold stood", minutes(row.get("hold_minutes"))))
    margins.append(("steady part of the rise", pressure.rate(row.get("leak_micron_per_min"))))
    margins.append(("part that levels off", pressure.text(row.get("moisture_rise_micron"))))
    margins.append(
        ("dryness margin", NONE if row.get("dryness_margin_k") is None else f"{number(row['dryness_margin_k'], 2)} K")
    )
    known = [(k, v) for k, v in margins if v != NONE] or [("margins", "none without a readable log")]
    volume = "" if row.get("volume_l") is None else f", {number(row['volume_l'])} l"
    job = [
        ("circuit", f"{circuit(row)}{volume}"),
        ("refrigerant, oil", ", ".join((*filter(None, (row.get("refrigerant"),)), *oil_words(row))) or NONE),
        ("date", day(row.get("started_on"))),
        ("job, branch", ", ".join(str(row[k]) for k in ("job_id", "branch") if row.get(k)) or NONE),
        ("technician", data.names.get(who, who) if who else NONE),
        ("pump, hose set", ", ".join(str(row[k]) for k in ("pump_id", "hose_id") if row.get(k)) or NONE),
        ("gauge", str(row.get("gauge_id") or "not noted")),
        ("its accuracy", gauge_words(row)),
        ("air", air_words(data)),
        ("criterion", f"{criterion_words(data)}; from {criterion_source(data)}"),
    ]
    return [
        {"title": "Job and equipment", "rows": [[k, show(str(v), longest)] for k, v in job]},
        {"title": "Against the criterion", "rows": [[k, show(v, longest)] for k, v in known]},
    ]


def sheet_content(data: EvacuationData, made_on: dt.date, fit: tuple[int, int, int] = _FITS[0]) -> dict[str, Any]:
    """Return everything the sheet prints, as text and SVG; ``fit`` is the curve's and the hold's height, the longest text."""
    curve_height, hold_height, longest = fit
    pressure = PressureWords(data.settings.units)
    id_ = data.evacuation_id
    mark = data.log.keys[0] if len(data.log) else ""
    lines = [
        s
        for s in (
            rise_sentence(data.row, pressure, data.settings.judging.material_rise_micron),
            dryness_sentence(data.row),
        )
        if s
    ]
    curve = hold = None
    if data.log.readings:
        curve = _picture(*curve_on_paper(data, _WIDTH, curve_height), curve_title(data))
        drawn = hold_data(data)
        hold = drawn and _picture(hold_on_paper(drawn, pressure.name, _WIDTH, hold_height), drawn.alt, hold_title(data))
    return {
        "title": f"Evacuation {show(id_, 60)}",
        "heading": f"Evacuation {show(id_, min(longest, 60))}",
        "description": "Evidence sheet of one evacuation",
        "keywords": [
            "evacuation",
            f"blankoff-evacuation:{id_.encode('utf-8', 'surrogatepass').hex()}",
            f"blankoff-log:{mark}",
        ],
        "made": f"Evidence sheet, made {day(made_on)}",
        "verdict": show(verdict_sentence(data.row, pressure), 300),
        "lines": [show(line, 500) for line in lines],
        "columns": _columns(data, longest),
        "curve": curve,
        "hold": hold,
        "no_curve": "There are no readings to draw.",
        "legend": show(
            "Long dashes: hold limit. Dots: target. Thin line: water's saturation pressure at the air's temperature. Upright dashes: "
            "isolation, required minute. Hold: below the dashed edge the steady part, above it the part that levels off."
            if curve
            else "",
            400,
        ),
        "cautions": [show(c, 400) for c in CAUTIONS[:2]],
        "hash": show(mark, 90) or "no log",
        "check": "The hash belongs to the readings as they were handed in. Whoever holds the store can check this sheet: blankoff sheet --store STORE --verify FILE.pdf",
    }


@lru_cache(maxsize=1)
def _compiler() -> Any:
    template = str(files("blankoff.report") / "templates" / "sheet.typ")
    return typst.Compiler(template, font_paths=typst.Fonts(False, False, [font_folder()]))


def sheet_bytes(data: EvacuationData, made_on: dt.date) -> bytes:
    """Return the sheet as PDF/A-2a.

    Parameters
    ----------
    data
        One evacuation.
    made_on
        The day printed on it and kept in it: the clock is a parameter.
    """
    stamp = dt.datetime(made_on.year, made_on.month, made_on.day, tzinfo=dt.UTC)
    pdf = b""
    for fit in _FITS:
        content = json.dumps(sheet_content(data, made_on, fit), sort_keys=True)
        made = _compiler().compile(
            sys_inputs={"data": content}, format="pdf", pdf_standards=list(STANDARDS), timestamp=stamp
        )
        pdf = bytes(made)
        if _pages(pdf) == 1:
            break
    return pdf


def _pages(pdf: bytes) -> int:
    """Count pages by the page tree's root, which the typesetter leaves uncompressed."""
    return max((int(n) for n in re.findall(rb"/Count (\d+)", pdf)), default=0)


def write_sheet(data: EvacuationData, out: Path, made_on: dt.date) -> Path:
    """Write one evacuation's evidence sheet as a one-page PDF; returns its path."""
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_bytes(sheet_bytes(data, made_on))
    return out


def read_mark(pdf: bytes) -> SheetMark | None:
    """Read which evacuation and log a sheet was made from; ``None`` when it is no sheet of ours.

    The marks stand in the XMP metadata, which PDF/A keeps uncompressed.
    """
    start = pdf.find(b"<x:xmpmeta")
    part = pdf[start : pdf.find(b"</x:xmpmeta>", start)] if start >= 0 else b""
    which, log = _WHICH.search(part), _MARK.search(part)
    if which is None:
        return None
    name = bytes.fromhex(which.group(1).decode()).decode("utf-8", "surrogatepass")
    made = _MADE.search(part)
    day_made = None if made is None else dt.date.fromisoformat(made.group(1).decode())
    return SheetMark(name, html.unescape(log.group(1).decode()) if log else "", day_made)


def verify_sheet(pdf: bytes, expected_hash: str) -> bool:
    """Tell whether a sheet carries the content hash that the log has now.

    This checks the mark, not every word on the paper: to check those too, make the sheet again and compare the bytes.
    """
    mark = read_mark(pdf)
    return mark is not None and mark.content_hash != "" and mark.content_hash == expected_hash


def same_sheet(pdf: bytes, data: EvacuationData, made_on: dt.date) -> bool:
    """Tell whether making the sheet again from the store gives the same bytes: nothing on it was changed."""
    return pdf == sheet_bytes(data, made_on)
