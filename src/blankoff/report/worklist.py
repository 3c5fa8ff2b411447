"""The dated maintenance list: what to do to which pump, hose set or gauge, by when, how sure, what waiting costs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from blankoff.report.book import Book
from blankoff.report.book_frames import ASSETS
from blankoff.report.words import day, effect_size, plain_sentence

SOON_DAYS = 62
"""Oil that falls due within two months is on the list; this project's own judgement, no source."""
_WEEKS_A_MONTH = 365.25 / 12 / 7
_RANK = {"pump": 0, "hose": 1, "gauge": 2}
_DO = {
    "pump_worn": "Overhaul or replace: fresh oil will not bring it back",
    "oil_due": "Change the oil",
    "hose_leaking": "Take out of use; find and mend the leak",
    "hose_restricted": "Take out of use; check bore, cores and kinks",
    "gauge_off": "Compare with a second gauge; send for calibration",
}


@dataclass(frozen=True)
class WorkItem:
    """One line of the list.

    ``due`` is the day it should be done by; ``due_lower`` and ``due_upper`` bound it (80 %), where it is a forecast.
    ``hours_per_month`` is what the asset cost this month beyond a typical one, with 90 % bounds. Of oil, ``oil_cost_per_week``
    is the labour that its state costs in a week as it is now, and ``cheapest_on`` the day on which a change costs least.
    """

    due: dt.date
    due_lower: dt.date | None
    due_upper: dt.date | None
    overdue: bool
    kind: str
    asset: str
    asset_id: str
    action: str
    reason: str
    probability: float | None
    since: dt.date | None
    size: str
    hours_per_month: float | None
    hours_lower: float | None
    hours_upper: float | None
    cost_per_month: float | None
    finding_id: str
    evidence: tuple[str, ...]
    oil_cost_per_week: float | None = None
    cheapest_on: dt.date | None = None

    @property
    def waiting_per_month(self) -> float:
        """What waiting costs a month, by whichever account says more; 0 where none says anything."""
        return max(self.cost_per_month or 0.0, (self.oil_cost_per_week or 0.0) * _WEEKS_A_MONTH)


def _money(book: Book, asset: str, id_: str) -> Mapping[str, Any]:
    row = book.hours_now.get((asset, id_), {})
    lost = row.get("hours_lost")
    return row if lost is not None and lost > 0 else {}


def _from_finding(book: Book, f: Mapping[str, Any], oil: Mapping[str, Mapping[str, Any]]) -> WorkItem:
    forecast = oil.get(f["subject_id"], {}) if f["kind"] == "oil_due" else {}
    money = _money(book, f["subject"], f["subject_id"])
    return WorkItem(
        book.data.as_of,
        forecast.get("due_lower"),
        forecast.get("due_upper"),
        True,
        f["kind"],
        f["subject"],
        f["subject_id"],
        plain_sentence(f["action"] or _DO.get(f["kind"], "Look at it"), book.pressure),
        plain_sentence(f["statement"] or "", book.pressure),
        f["probability"],
        f["since"],
        effect_size(dict(f), book.pressure),
        money.get("hours_lost"),
        money.get("hours_lower"),
        money.get("hours_upper"),
        money.get("cost"),
        f["finding_id"],
        tuple(f["evidence"] or ()),
        forecast.get("cost_of_waiting_per_week"),
        forecast.get("least_cost_on"),
    )


def _from_forecast(book: Book, row: Mapping[str, Any]) -> WorkItem:
    money = _money(book, "pump", row["pump_id"])
    due = max(row["due_on"], book.data.as_of)
    return WorkItem(
        due,
        row["due_lower"],
        row["due_upper"],
        row["due_on"] <= book.data.as_of,
        "oil_due",
        "pump",
        row["pump_id"],
        f"Change the oil by {day(due)}",
        plain_sentence(row["reason"] or "", book.pressure),
        None,
        None,
        book.pressure.text(row["blankoff_micron"]),
        money.get("hours_lost"),
        money.get("hours_lower"),
        money.get("hours_upper"),
        money.get("cost"),
        "",
        (),
        row.get("cost_of_waiting_per_week"),
        row.get("least_cost_on"),
    )


def work_list(book: Book) -> list[WorkItem]:
    """Return everything to do to assets: what findings ask for now, then oil by its forecast date, soonest first."""
    oil = {r["pump_id"]: r for r in book.oil.iter_rows(named=True)}
    items = [_from_finding(book, f, oil) for f in book.findings if f["subject"] in ASSETS]
    named = {(i.kind, i.asset_id) for i in items}
    worn = {i.asset_id for i in items if i.kind == "pump_worn"}
    horizon = book.data.as_of + dt.timedelta(days=SOON_DAYS)
    for row in book.oil.filter(pl.col("due_on").is_not_null() & (pl.col("due_on") <= horizon)).iter_rows(named=True):
        if ("oil_due", row["pump_id"]) not in named and row["pump_id"] not in worn:
            items.append(_from_forecast(book, row))
    return sorted(
        items,
        key=lambda i: (i.due, -i.waiting_per_month, _RANK[i.asset], -(i.probability or 0.0), i.asset_id, i.kind),
    )
