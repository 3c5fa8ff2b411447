"""The maintenance list for other programs: CSV, a workbook, a calendar. Same input, same bytes."""

from __future__ import annotations

import csv
import datetime as dt
import io
import uuid
import zipfile
from pathlib import Path

import icalendar
import xlsxwriter

from blankoff.report.words import FACTOR_WORDS, KIND_WORDS
from blankoff.report.worklist import WorkItem

HEADERS = (
    "due_on",
    "due_lower",
    "due_upper",
    "overdue",
    "what",
    "asset",
    "asset_id",
    "action",
    "reason",
    "probability",
    "since",
    "size",
    "hours_per_month",
    "hours_lower",
    "hours_upper",
    "cost_per_month",
    "oil_cost_per_week",
    "oil_cheapest_on",
    "finding_id",
    "evidence",
)
HEADINGS = (
    "due on",
    "earliest (80 %)",
    "latest (80 %)",
    "overdue",
    "what",
    "asset",
    "id",
    "to do",
    "why",
    "how sure (0 to 1)",
    "since about",
    "size",
    "hours lost a month",
    "at least (90 %)",
    "at most (90 %)",
    "cost a month (own currency)",
    "oil: waiting costs a week (own currency)",
    "oil: cheapest day for the change",
    "finding",
    "evacuations behind it",
)
"""The workbook's headings, for people; the CSV keeps the names in `HEADERS`, for programs."""
SUREST = 0.999
"""A probability that would round to one is written as this: nothing here is certain."""
_DANGEROUS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
"""What makes a spreadsheet evaluate a cell, wide forms as East Asian keyboards type them included (from memory)."""
_NAMESPACE = uuid.UUID("b1a2c0ff-0000-5000-8000-626c616e6b6f")


def harmless(text: str) -> str:
    """Keep a spreadsheet from taking text for a formula: an apostrophe before it, control characters out."""
    clean = "".join(c for c in text if c >= " " or c in "\n\t")
    return f"'{clean}" if clean.lstrip().startswith(_DANGEROUS) or clean[:1] in {"\t", "\n"} else clean


def _cells(item: WorkItem) -> tuple[str | float | dt.date | None, ...]:
    def rounded(x: float | None) -> float | None:
        return None if x is None else round(x, 3)

    return (
        item.due,
        item.due_lower,
        item.due_upper,
        "yes" if item.overdue else "no",
        KIND_WORDS.get(item.kind, item.kind),
        FACTOR_WORDS.get(item.asset, item.asset),
        harmless(item.asset_id),
        harmless(item.action),
        harmless(item.reason),
        rounded(None if item.probability is None else min(item.probability, SUREST)),
        item.since,
        harmless(item.size),
        rounded(item.hours_per_month),
        rounded(item.hours_lower),
        rounded(item.hours_upper),
        rounded(item.cost_per_month),
        rounded(item.oil_cost_per_week),
        item.cheapest_on,
        harmless(item.finding_id),
        harmless("; ".join(item.evidence)),
    )


def csv_bytes(items: list[WorkItem]) -> bytes:
    """Return the list as CSV in UTF-8 with a byte-order mark, so that spreadsheets read names right."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADERS)
    for item in items:
        writer.writerow(["" if c is None else c for c in _cells(item)])
    return ("\ufeff" + out.getvalue()).encode("utf-8", "replace")


def xlsx_bytes(items: list[WorkItem], as_of: dt.date) -> bytes:
    """Return the list as a workbook: dates as dates, text never as formulas, fixed creation date."""
    buffer = io.BytesIO()
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True}
    with xlsxwriter.Workbook(buffer, options) as book:
        book.set_properties({"title": "Maintenance list", "created": dt.datetime(as_of.year, as_of.month, as_of.day)})
        sheet = book.add_worksheet("Maintenance")
        bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        date = book.add_format({"num_format": "d mmm yyyy", "align": "left"})
        wrap = book.add_format({"text_wrap": True, "valign": "top"})
        widths = (12, 12, 12, 9, 18, 10, 16, 42, 60, 11, 12, 24, 10, 10, 10, 10, 10, 12, 18, 40)
        for column, (header, width) in enumerate(zip(HEADINGS, widths, strict=True)):
            sheet.set_column(column, column, width)
            sheet.write_string(0, column, header, bold)
        for line, item in enumerate(items, start=1):
            for column, value in enumerate(_cells(item)):
                if value is None:
                    continue
                if isinstance(value, dt.date):
                    sheet.write_datetime(line, column, dt.datetime(value.year, value.month, value.day), date)
                elif isinstance(value, float):
                    sheet.write_number(line, column, value)
                else:
                    sheet.write_string(line, column, value[:32_000], wrap)
        sheet.freeze_panes(1, 0)
        sheet.autofilter(0, 0, max(len(items), 1), len(HEADERS) - 1)
        sheet.repeat_rows(0)
        sheet.set_landscape()
    return _stable_zip(buffer.getvalue())


def _stable_zip(raw: bytes) -> bytes:
    """Pack a zip again with fixed dates, so that the clock leaves no trace."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for info in sorted(old.infolist(), key=lambda i: i.filename != "[Content_Types].xml"):
            new.writestr(zipfile.ZipInfo(info.filename, (1980, 1, 1, 0, 0, 0)), old.read(info), zipfile.ZIP_DEFLATED)
    return out.getvalue()


def calendar_bytes(items: list[WorkItem], as_of: dt.date) -> bytes:
    """Return the list as iCalendar (RFC 5545): an all-day entry a line, the same UID from month to month."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//blankoff//maintenance list//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    stamp = dt.datetime(as_of.year, as_of.month, as_of.day, tzinfo=dt.UTC)
    for item in items:
        event = icalendar.Event()
        event.add("uid", f"{uuid.uuid5(_NAMESPACE, f'{item.kind}|{item.asset}|{item.asset_id}')}")
        event.add("dtstamp", stamp)
        event.add("dtstart", item.due)
        event.add("dtend", item.due + dt.timedelta(days=1))
        event.add(
            "summary",
            f"{KIND_WORDS.get(item.kind, item.kind)}: {FACTOR_WORDS.get(item.asset, item.asset)} {item.asset_id}",
        )
        text = f"{item.action}\n{item.reason}".strip()
        event.add("description", "".join(c for c in text if c >= " " or c == "\n"))
        event.add("categories", [FACTOR_WORDS.get(item.asset, item.asset)])
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def write_handover(items: list[WorkItem], as_of: dt.date, out: Path) -> list[Path]:
    """Write ``maintenance.csv``, ``.xlsx`` and ``.ics`` into a folder; returns their paths."""
    paths = [out / f"maintenance.{ext}" for ext in ("csv", "xlsx", "ics")]
    for path, content in zip(
        paths, (csv_bytes(items), xlsx_bytes(items, as_of), calendar_bytes(items, as_of)), strict=True
    ):
        path.write_bytes(content)
    return paths
