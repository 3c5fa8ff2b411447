"""The charts of the operations page, and the counts they share with it."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

import polars as pl

from blankoff.report.book import Book, share_bounds
from blankoff.report.book_frames import PEOPLE
from blankoff.report.charts.base import Chart, Records, table_of
from blankoff.report.charts.dots import Dot, dots_chart
from blankoff.report.charts.series import verdict_chart
from blankoff.report.layout import Row, cell
from blankoff.report.views.common import capital, number_cell, plain_kind
from blankoff.report.words import (
    FACTOR_WORDS,
    NONE,
    VERDICT_WORDS,
    count,
    hours,
    money,
    month_name,
    month_short,
    percent,
    plural,
)

VERDICTS = ("passed", "failed", "unproven")
THIN = 5
_MOST_ROWS = 14
_LEAST_HOURS = 0.5


def verdict_counts(frame: pl.DataFrame) -> dict[str, int]:
    """Evacuations by verdict, every verdict present."""
    found = Counter(frame.get_column("verdict").drop_nulls().to_list())
    return {v: found.get(v, 0) for v in VERDICTS}


def signed_without_proof(frame: pl.DataFrame) -> pl.DataFrame:
    """Evacuations that were signed as passed and are not proven."""
    return frame.filter((pl.col("reported") == "passed") & (pl.col("verdict") != "passed"))


def months_chart(book: Book) -> Chart | None:
    """Proven, failed and unproven by month."""
    frame = book.work.filter(pl.col("month").is_in(book.months))
    if frame.is_empty():
        return None
    by = frame.group_by("month", "verdict").len()
    counts = {(r["month"], r["verdict"]): r["len"] for r in by.iter_rows(named=True)}
    records: Records = []
    rows = []
    for month in book.months:
        total = sum(counts.get((month, v), 0) for v in VERDICTS)
        below = 0.0
        for rank, verdict in enumerate(VERDICTS):
            n = counts.get((month, verdict), 0)
            share = n / total if total else 0.0
            if n:
                records.append(
                    {
                        "month": month_short(month),
                        "verdict": VERDICT_WORDS[verdict],
                        "n": n,
                        "share": round(share, 5),
                        "middle": round(below + share / 2, 5),
                        "rank": rank,
                        "tip": f"{month_name(month)}: {n} of {total} {VERDICT_WORDS[verdict]} ({percent(share)})",
                    }
                )
            below += share
        if not total:
            records.append(
                {
                    "month": month_short(month),
                    "verdict": "unproven",
                    "n": 0,
                    "share": 0,
                    "middle": 0,
                    "rank": 2,
                    "tip": "",
                }
            )
        rows.append((month_name(month), count(total), *(count(counts.get((month, v), 0)) for v in VERDICTS)))
    now = verdict_counts(book.now)
    n = sum(now.values())
    title = f"{percent(now['passed'] / n)} proven in {month_name(book.month)}" if n else "Proven, month by month"
    before = verdict_counts(book.year)
    if n and sum(before.values()):
        title += f", {percent(before['passed'] / sum(before.values()))} in the twelve months before"
    return verdict_chart(
        "months",
        title,
        "Stacked bars, one per month: share of evacuations proven, failed and unproven, with counts inside.",
        records,
        table_of(("month", "evacuations", "proven", "failed", "unproven"), rows),
        "Numbers inside the bars are evacuations. From below: proven, failed, unproven (dashed edge).",
    )


def shares_chart(book: Book, column: str, word: str) -> Chart | None:
    """Proven share by branch or system kind, this month against the twelve before."""
    frame = book.now.filter(pl.col(column).is_not_null())
    if frame.is_empty():
        return None
    past = book.year
    groups = (
        frame.group_by(column).agg(pl.len().alias("n")).sort(["n", column], descending=[True, False]).head(_MOST_ROWS)
    )
    dots: list[Dot] = []
    rows = []
    worst: tuple[float, str] | None = None
    overall = verdict_counts(book.now)["passed"] / max(book.now.height, 1)
    for name in groups.get_column(column).to_list():
        label_of = plain_kind(name)
        cells = [label_of]
        for label, part in (("this month", frame), ("twelve months before", past)):
            own = part.filter(pl.col(column) == name)
            hits, n = verdict_counts(own)["passed"], own.height
            share, low, high = share_bounds(hits, n)
            tip = f"{label_of}, {label}: {hits} of {n} proven ({percent(share)})\n90 % bounds {percent(low)} to {percent(high)}"
            dots.append(Dot(label_of, share if n else None, low if n else None, high if n else None, label, tip))
            cells.extend(
                [f"{count(hits)} of {count(n)}", f"{percent(share)} ({percent(low)} to {percent(high)})" if n else NONE]
            )
            if label == "this month" and n >= THIN and high < overall and (worst is None or share < worst[0]):
                worst = (share, label_of)
        rows.append(cells)
    title = (
        f"By {word}: {worst[1]} is clearly below the rest, {percent(worst[0])} proven"
        if worst
        else f"By {word}: no {word} is clearly below the rest"
    )
    return dots_chart(
        f"by-{column}",
        title,
        f"Share proven by {word} this month and in the twelve months before, with 90 % bounds.",
        dots,
        "share",
        "share proven",
        table_of((word, "this month", "share (90 % bounds)", "twelve before", "share (90 % bounds)"), rows),
        note="Circle: this month. Diamond: the twelve months before. Lines: 90 % bounds.",
    )


def verdict_rows(book: Book) -> list[Row]:
    """Return proven, failed and unproven by branch and by system kind, this month and in the twelve before."""
    rows = []
    for column, word in (("branch", "branch"), ("kind", "system kind")):
        frame = book.now.filter(pl.col(column).is_not_null())
        groups = frame.group_by(column).agg(pl.len().alias("n")).sort(["n", column], descending=[True, False])
        for name in groups.get_column(column).head(_MOST_ROWS).to_list():
            cells = [cell(plain_kind(name)), cell(word)]
            for part in (frame, book.year):
                counts = verdict_counts(part.filter(pl.col(column) == name))
                n = sum(counts.values())
                cells.append(number_cell(count(n), n))
                for verdict in VERDICTS:
                    share = counts[verdict] / n if n else math.nan
                    cells.append(number_cell(f"{count(counts[verdict])} ({percent(share)})" if n else NONE, share))
            rows.append(Row(tuple(cells)))
    return rows


def hours_chart(book: Book) -> tuple[Chart | None, list[dict[str, Any]]]:
    """Hours lost this month, the costliest things first, and those rows."""
    rows = sorted(
        (r for r in book.hours_now.values() if r["hours_lost"] is not None and r["hours_lost"] > 0),
        key=lambda r: (-r["hours_lost"], r["factor"], r["level_id"]),
    )
    if not rows:
        return None, []
    dots, cells = [], []
    shown = [r for r in rows if r["hours_lost"] >= _LEAST_HOURS][:_MOST_ROWS] or rows[:1]
    for r in shown:
        person = r["factor"] == PEOPLE
        name = (
            book.name_of(PEOPLE, r["level_id"])
            if person
            else f"{FACTOR_WORDS.get(r['factor'], r['factor'])} {book.name_of(r['factor'], r['level_id'])}"
        )
        cost = "" if r["cost"] is None else f", cost {money(r['cost'])}"
        tip = f"{name}: {hours(r['hours_lost'])} lost (90 % bounds {hours(r['hours_lower'])} to {hours(r['hours_upper'])}){cost}"
        dots.append(
            Dot(
                name,
                r["hours_lost"],
                r["hours_lower"],
                r["hours_upper"],
                "",
                tip,
                book.href(r["factor"], r["level_id"]),
            )
        )
        cells.append(
            (
                name,
                hours(r["hours_lost"]),
                f"{hours(r['hours_lower'])} to {hours(r['hours_upper'])}",
                money(r["cost"]),
                count(r["evacuations"]),
            )
        )
    top = rows[0]
    title = f"{capital(FACTOR_WORDS.get(top['factor'], top['factor']))} {book.name_of(top['factor'], top['level_id'])} cost the most: {hours(top['hours_lost'])}"
    chart = dots_chart(
        "hours",
        title,
        "Hours lost this month against a typical rig on the same circuits, the costliest first, with 90 % bounds.",
        dots,
        "hours",
        "hours beyond a typical rig",
        table_of(
            ("what", "hours lost", "90 % bounds", "cost", "evacuations"),
            cells,
            [book.href(r["factor"], r["level_id"]) for r in shown],
        ),
        reference=(0.0, ""),
        note="Against what the same circuits would have taken with a typical rig, with 90 % bounds. A dot opens its page."
        + (
            f" {plural(len(rows) - len(shown), 'thing')} more lost less than {hours(shown[-1]['hours_lost'])} each."
            if len(rows) > len(shown)
            else ""
        ),
    )
    return chart, rows
