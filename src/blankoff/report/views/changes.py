"""What last month's actions changed: services and talks on record with what followed, findings opened and closed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from blankoff import schemas
from blankoff.report.book import Book
from blankoff.report.book_frames import PEOPLE
from blankoff.report.layout import Block, Cell, Link, Row, Section, cell, head, table_or
from blankoff.report.views.common import capital, date_cell, no_rows_section
from blankoff.report.words import (
    ACTION_WORDS,
    FACTOR_WORDS,
    KIND_WORDS,
    NBSP,
    NONE,
    day,
    listed,
    percent,
    plural,
    sure,
)

ANSWERS = {
    "oil_change": ("oil_due",),
    "overhaul": ("pump_worn", "oil_due"),
    "repair": ("hose_leaking", "hose_restricted", "pump_worn"),
    "replacement": ("pump_worn", "oil_due", "hose_leaking", "hose_restricted", "gauge_off"),
    "calibration": ("gauge_off",),
}
"""Which findings a service may close; this project's own reading of the register's actions."""
_MOST_ACTIONS = 60
SIX_WEEKS = 42
"""Days before and after a service whose lowest pressures are compared."""
LEAST_PULLS = 2
FLOOR_ACTIONS = ("oil_change", "overhaul", "repair", "replacement")


def _first_of_previous(month: str) -> dt.date:
    year, number = int(month[:4]), int(month[5:7])
    return dt.date(year - (number == 1), (number - 2) % 12 + 1, 1)


def _known(frame: pl.DataFrame) -> dict[str, dict[str, Any]]:
    lasting = frame.filter(pl.col("subject") != "evacuation")
    return {f["finding_id"]: f for f in lasting.iter_rows(named=True)}


def _fate(
    then: Mapping[str, Mapping[str, Any]], now: Mapping[str, Mapping[str, Any]], subject: str, id_: str, kinds: tuple[str, ...]
) -> str:  # fmt: skip
    """What became of the findings that an action may answer."""

    def of(known: Mapping[str, Mapping[str, Any]]) -> set[str]:
        return {f["kind"] for f in known.values() if f["subject"] == subject and f["subject_id"] == id_ and f["kind"] in kinds}  # fmt: skip

    before, after = of(then), of(now)
    parts = [f"{KIND_WORDS[k]}: {'still found' if k in after else 'no longer found'}" for k in kinds if k in before]
    parts += [f"{KIND_WORDS[k]}: found since" for k in kinds if k in after - before]
    return "; ".join(parts) or "no finding before, none since"


def _level(book: Book, asset: str, id_: str, on: dt.date) -> str:
    """Lowest pressures as measured in the weeks before and after an oil change or overhaul; empty without both.

    Levels on like work would not do: what oil does to a floor is no part of a pump's level there.
    """
    work = book.work_of(asset, id_).filter(pl.col("floor_micron").is_not_null() & pl.col("started_on").is_not_null())
    days = (pl.col("started_on") - on).dt.total_days()
    sides = [work.filter(days.is_between(*span))["floor_micron"] for span in ((-SIX_WEEKS, -1), (1, SIX_WEEKS))]
    if any(len(side) < LEAST_PULLS for side in sides):
        return ""
    before, after = (book.pressure.text(float(np.median(side))) for side in sides)
    return f"lowest pressure {before} before ({plural(len(sides[0]), 'pull')}), {after} after ({len(sides[1])})"


def _services(book: Book, since: dt.date, then: Any, now: Any) -> list[tuple[dt.date, Row]]:
    register = book.data.registers.get("services", schemas.SERVICES.empty())
    recent = register.filter(pl.col("serviced_on").is_between(since, book.data.as_of))
    out = []
    for s in recent.sort("serviced_on", "asset", "asset_id", "action").iter_rows(named=True):
        link = book.link(s["asset"], s["asset_id"])
        followed = [_fate(then, now, s["asset"], s["asset_id"], ANSWERS.get(s["action"], ()))]
        if s["asset"] == "pump" and s["action"] in FLOOR_ACTIONS:
            followed.extend(w for w in (_level(book, "pump", s["asset_id"], s["serviced_on"]),) if w)
        out.append(
            (
                s["serviced_on"],
                Row(
                    (
                        date_cell(s["serviced_on"]),
                        cell(capital(ACTION_WORDS.get(s["action"], str(s["action"]))).replace(" ", NBSP)),
                        Cell(
                            (Link(f"{FACTOR_WORDS[s['asset']]} {link.text}".replace(" ", NBSP), link.href),),
                            link.text.lower(),
                        ),
                        cell(capital("; ".join(followed))),
                    )
                ),
            )
        )
    return out


def _talks(book: Book, since: dt.date, then: Any, now: Any) -> list[tuple[dt.date, Row]]:
    register = book.data.registers.get("coaching", schemas.COACHING.empty())
    recent = register.filter(pl.col("coached_on").is_between(since, book.data.as_of))
    measured = {(r["coached_on"], r["technician_id"], r["topic"]): r for r in book.talks.iter_rows(named=True)}
    out = []
    for c in recent.sort("coached_on", "technician_id", "topic").iter_rows(named=True):
        known = measured.get((c["coached_on"], c["technician_id"], c["topic"]))
        topic = KIND_WORDS.get(c["topic"] or "", str(c["topic"] or "no topic noted").replace("_", " "))
        followed = [_fate(then, now, PEOPLE, c["technician_id"], (c["topic"],))] if c["topic"] in KIND_WORDS else []
        if known:
            followed.append(
                f"rate {percent(known['rate_before'])} before, {percent(known['rate_after'])} after, {sure(known['p_improved'])} sure it helped"
            )
        out.append(
            (
                c["coached_on"],
                Row(
                    (
                        date_cell(c["coached_on"]),
                        cell(f"Talk: {topic}"),
                        Cell(
                            (book.link(PEOPLE, c["technician_id"]),), book.name_of(PEOPLE, c["technician_id"]).lower()
                        ),
                        cell(capital("; ".join(followed)) or "Too early to say"),
                    )
                ),
            )
        )
    return out


def _not_acted_on(book: Book, since: dt.date, then: Any, now: Any) -> tuple[Block, ...]:
    """Assets with a finding then and now, and no service on record since."""
    waiting = [
        f"{FACTOR_WORDS[f['subject']]} {f['subject_id']} ({KIND_WORDS[f['kind']]})"
        for i, f in sorted(then.items())
        if i in now
        and f["subject"] in FACTOR_WORDS
        and f["subject"] != PEOPLE
        and not any(s["serviced_on"] >= since for s in book.services_of(f["subject"], f["subject_id"]))
    ]
    if not waiting:
        return ()
    return (
        Block(
            "text", f"Found last month, found still, and no service on record since {day(since)}: {listed(waiting)}."
        ),
    )


def changes_section(book: Book) -> Section:
    """Actions on record with what followed; findings that opened, persist and closed."""
    key, title = "changed", "What last month's actions changed"
    if book.earlier_finding.is_empty():
        return no_rows_section(
            key, title, "No findings from an earlier month are known, so nothing can be compared yet."
        )
    now, then = _known(book.finding), _known(book.earlier_finding)
    since = _first_of_previous(book.month)
    actions = sorted(
        (*_services(book, since, then, now), *_talks(book, since, then, now)), key=lambda a: a[0], reverse=True
    )
    rows: list[Row] = []
    for kind in [k for k in KIND_WORDS if any(f["kind"] == k for f in (*now.values(), *then.values()))]:
        groups = (
            [f for i, f in sorted(now.items()) if f["kind"] == kind and i not in then],
            [f for i, f in sorted(now.items()) if f["kind"] == kind and i in then],
            [f for i, f in sorted(then.items()) if f["kind"] == kind and i not in now],
        )
        cells = [cell(capital(KIND_WORDS[kind]))]
        for group in groups:
            parts = tuple(book.link(f["subject"], f["subject_id"]) for f in group) or (Link(NONE),)
            cells.append(Cell(parts, float(len(group))))
        rows.append(Row(tuple(cells)))
    opened, closed = len(now.keys() - then.keys()), len(then.keys() - now.keys())
    when = day(book.earlier_finding.get_column("as_of").max())  # type: ignore[arg-type]
    lead = (
        f"Since {when}: {plural(opened, 'finding')} opened, {len(now.keys() & then.keys())} persist, {closed} closed."
    )
    return Section(
        key,
        title,
        (
            table_or(
                f"Services and talks on record since {day(since)}, and what followed; an earlier finding is one of {when}; lowest pressures are the middle ones of up to six weeks, as measured",
                head("date", "action", "on", "what followed"),
                [row for _, row in actions[:_MOST_ACTIONS]],
                f"No service and no talk is on record since {day(since)}.",
                15,
            ),
            *_not_acted_on(book, since, then, now),
            table_or(
                "Findings by kind", head("finding", "opened", "persists", "closed"), rows, "No findings then or now."
            ),
        ),
        lead,
    )
