"""Rates of practice beside like work, for the trainer's page and the technicians' own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from blankoff.report import names
from blankoff.report.book import Book
from blankoff.report.book_frames import PEOPLE
from blankoff.report.layout import Cell, Row, cell
from blankoff.report.views.common import (
    capital,
    number_cell,
)
from blankoff.report.words import (
    FAULT_WORDS,
    KIND_WORDS,
    NONE,
    bounds,
    count,
    day,
    percent,
    points,
    sure,
)

MOST_PEOPLE = 20
FAULT_COUNTS = {
    "skipped": ("holds_skipped", "holds_owed"),
    "short": ("holds_short", "holds_owed"),
    "target_missed": ("targets_missed", "holds_owed"),
    "log_missing": ("logs_missing", "evacuations"),
}
REASON_OF_FAULT = {
    "skipped": "no_hold",
    "short": "short_hold",
    "target_missed": "target_missed",
    "log_missing": "no_log",
}
PEOPLE_KINDS = ("holds_skipped", "holds_cut_short", "pumping_stopped_early", "slow_rigging", "reported_pass_rate")


TALK_HEADS = (
    "talk",
    "topic",
    "#rate before",
    "#rate after",
    "#change in points (90 % bounds)",
    "#peers changed by",
    "#sure it helped",
)


def latest_practice(book: Book, id_: str) -> dict[str, Any]:
    """Return a technician's newest practice row up to the month; empty without one."""
    rows = book.practice_by.get(id_, [])
    return rows[-1] if rows else {}


def jobs_in_year(book: Book, id_: str) -> int:
    """Evacuations of this month and the twelve before."""
    return book.jobs_in_year(id_)


def clearly_above(row: Mapping[str, Any], fault: str) -> bool:
    """Whether a rate's lower bound lies above what like work predicts."""
    lower = row.get(f"{fault}_lower")
    return lower is not None and lower > (row.get(f"{fault}_peers") or 0.0)


def rate_words(row: Mapping[str, Any], fault: str) -> str:
    """Rate with its bounds and what like work predicts."""
    if row.get(f"{fault}_rate") is None:
        return NONE
    inside = bounds(percent(row[f"{fault}_lower"]), percent(row[f"{fault}_upper"]))
    return f"{percent(row[f'{fault}_rate'])} ({inside}), like work {percent(row[f'{fault}_peers'])}"


def talk_rows(book: Book, talks: pl.DataFrame, named: bool) -> list[Row]:
    """Coaching talks with what happened after them."""
    rows = []
    for r in talks.sort("coached_on", "technician_id", "topic", descending=[True, False, False]).iter_rows(named=True):
        link = book.link(PEOPLE, r["technician_id"])
        change = f"{points(r['change'])} ({points(r['change_lower'])} to {points(r['change_upper'])})"
        cells = [
            cell(day(r["coached_on"]), r["coached_on"].isoformat()),
            cell(capital(KIND_WORDS.get(r["topic"], str(r["topic"]).replace("_", " ")))),
            number_cell(f"{percent(r['rate_before'])} of {count(r['jobs_before'])}", r["rate_before"]),
            number_cell(f"{percent(r['rate_after'])} of {count(r['jobs_after'])}", r["rate_after"]),
            number_cell(change, r["change"]),
            number_cell(points(r["peers_change"]), r["peers_change"]),
            number_cell(sure(r["p_improved"]), r["p_improved"]),
        ]
        if named:
            cells.insert(1, Cell((link,), link.text.lower(), alias="a colleague"))
        rows.append(Row(tuple(cells), person=names.file_stem(PEOPLE, r["technician_id"]) if named else ""))
    return rows


def excess(row: Mapping[str, Any]) -> float:
    """Largest excess of any fault's rate over like work; -1 without rates."""
    known = [
        row[f"{f}_rate"] - row[f"{f}_peers"]
        for f in FAULT_WORDS
        if row.get(f"{f}_rate") is not None and row.get(f"{f}_peers") is not None
    ]
    return max(known, default=-1.0)
