"""The entry page: the month in a minute, the things most worth doing, and three doors."""

from __future__ import annotations

from typing import Any

from blankoff.report.book import Book
from blankoff.report.book_frames import ASSETS, PEOPLE
from blankoff.report.layout import Block, Link, LivelyTable, Page, Section
from blankoff.report.views.common import EVACUATION_HEADS, capital, evacuation_rows
from blankoff.report.views.maintenance import in_short as maintenance_in_short
from blankoff.report.views.maintenance import matters as maintenance_matters
from blankoff.report.views.operations import in_short as operations_in_short
from blankoff.report.views.operations import matters as operations_matters
from blankoff.report.views.operations_charts import verdict_counts
from blankoff.report.words import FACTOR_WORDS, KIND_WORDS, count, day, hours, month_name, percent, plural
from blankoff.report.worklist import work_list

MOST_WORTH_DOING = 5
MOST_LISTED = 1_000


def worth_doing(book: Book) -> list[Link]:
    """Return the few things most worth doing: the costliest assets, then the surest findings, people and logs in turn."""
    ranked: list[tuple[tuple[float, float, str], Link]] = []
    seen: set[tuple[str, str]] = set()
    items = sorted(
        work_list(book), key=lambda i: (-(i.hours_per_month or 0.0), not i.overdue, -(i.probability or 0.0), i.asset_id)
    )
    for item in items:
        if (item.asset, item.asset_id) in seen:
            continue
        seen.add((item.asset, item.asset_id))
        cost = f", {hours(item.hours_per_month)} lost this month" if item.hours_per_month else ""
        note = f"{KIND_WORDS[item.kind]}{cost}"
        ranked.append(
            ((-(item.hours_per_month or 0.0), -(item.probability or 0.5), item.asset_id),
             Link(f"{capital(FACTOR_WORDS[item.asset])} {item.asset_id}: {item.action}", book.href(item.asset, item.asset_id), note))
        )  # fmt: skip
    assets = [link for _, link in sorted(ranked, key=lambda p: p[0])]
    people = [
        Link(
            f"Talk to {book.name_of(PEOPLE, f['subject_id'])}: {KIND_WORDS.get(f['kind'], f['kind'])}",
            book.href(PEOPLE, f["subject_id"]),
        )
        for f in book.findings
        if f["subject"] == PEOPLE
    ]
    people = list({link.href or link.text: link for link in people[::-1]}.values())[::-1]
    copies = [
        Link(f"Look at {f['subject_id']}: its log is a copy of another job's", book.href("evacuation", f["subject_id"]))
        for f in book.findings
        if f["kind"] == "log_recycled" and book.rows.get(f["subject_id"], {}).get("month") == book.month
    ]
    chosen = [*assets[:3], *people[:1], *copies[:1]]
    rest = [*assets[3:], *people[1:], *copies[1:]]
    return (chosen + rest)[:MOST_WORTH_DOING]


def _logs_listed(book: Book, recent: list[dict[str, Any]]) -> Block:
    """List the logs that have pages: to be looked through on the screen, not to be printed whole."""
    if not recent:
        return Block("missing", "No finding names a log.")
    cut = f"; the latest {count(MOST_LISTED)} of {count(len(recent))}" if len(recent) > MOST_LISTED else ""
    caption = f"Logs of this month, and older ones that a finding names; the newest first{cut}"
    rows = tuple(evacuation_rows(book, recent[:MOST_LISTED]))
    return Block("table", LivelyTable(caption, EVACUATION_HEADS, rows, 12, folded_on_paper=True))


def entry_page(book: Book) -> Page:
    """Put the entry page together."""
    counts = verdict_counts(book.now)
    n = sum(counts.values())
    work = work_list(book)
    talk_to = len({f["subject_id"] for f in book.findings if f["subject"] == PEOPLE})
    doing = worth_doing(book)
    doors: list[dict[str, Any]] = [
        {"href": "operations.html", "title": "Operations", "lines": [f"{percent(counts['passed'] / n)} proven." if n else "No evacuations.", "The month against the year, where it goes wrong, hours lost, what actions changed."]},
        {"href": "maintenance.html", "title": "Maintenance", "lines": [f"{plural(sum(i.overdue for i in work), 'thing')} to do now, {sum(not i.overdue for i in work)} falling due.", "Pumps by date, hose sets and gauges to pull, with evidence."]},
        {"href": "training.html", "title": "Training", "lines": [f"{plural(talk_to, 'person', 'people')} to talk to.", "Practice against like work, and whether coaching helped."]},
    ]  # fmt: skip
    recent = [
        book.rows[e]
        for e in sorted(
            book.paged["evacuation"],
            key=lambda e: (
                book.rows[e]["month"] or "",
                book.rows[e]["started_on"].isoformat() if book.rows[e]["started_on"] else "",
                e,
            ),
            reverse=True,
        )
    ]
    handed = {r["item"]: r for r in book.coverage.iter_rows(named=True)}
    logs = handed.get("log files")
    told = (
        f"{plural(logs['handed_in'], 'log')} handed in, {count(logs['used'])} used, {count(logs['refused'])} refused"
        if logs and logs["handed_in"] is not None
        else "What was handed in is not counted here"
    )
    assets = ", ".join(plural(len(book.paged[a]), FACTOR_WORDS[a]) for a in (*ASSETS, PEOPLE))
    heading = f"{month_name(book.month)}: {operations_in_short(book)}; {maintenance_in_short(work)}"
    return Page(
        "index",
        heading,
        heading,
        f"From what was known on {day(book.data.as_of)}",
        (*operations_matters(book)[:2], *maintenance_matters(book, work)[:1]),
        (),
        (
            Section("doing", "Most worth doing", (Block("links", doing) if doing else Block("missing", "Nothing stands out this month."),)),
            Section("doors", "Open the page you need", (Block("doors", doors),)),
            Section("input", "What this rests on", (Block("text", f"{told}; {assets}. The operations page lists what was refused and why."),)),
            Section("logs", "Logs with a page of their own", (_logs_listed(book, recent),)),
        ),
        ("Evacuation", "Proven", "Failed", "Unproven", "Finding"),
    )  # fmt: skip
