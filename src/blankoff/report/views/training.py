"""The trainer's page: whom to coach in what, everybody against like work, whether coaching helped."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias

import polars as pl

from blankoff import schemas
from blankoff.report import names
from blankoff.report.book import Book
from blankoff.report.book_frames import PEOPLE
from blankoff.report.charts.base import Chart, table_of
from blankoff.report.charts.dots import Dot, dots_chart
from blankoff.report.charts.multiples import Multiples, Small
from blankoff.report.layout import Block, Cell, Page, Row, Section, cell, head, table_or
from blankoff.report.views.common import (
    SMALL_SAMPLE,
    capital,
    not_made_blocks,
    number_cell,
)
from blankoff.report.views.practice import (
    MOST_PEOPLE,
    PEOPLE_KINDS,
    TALK_HEADS,
    clearly_above,
    excess,
    jobs_in_year,
    latest_practice,
    rate_words,
    talk_rows,
)
from blankoff.report.words import (
    FAULT_WORDS,
    FOR_WHOM,
    KIND_WORDS,
    bounds,
    clip,
    count,
    listed,
    month_name,
    percent,
    plural,
    sure,
)

Shares: TypeAlias = tuple[float | None, ...]


def _people(book: Book) -> list[str]:
    """Technicians with work in these thirteen months or a finding: findings first, then by excess over like work."""
    active = set(
        book.work.filter(pl.col("month").is_in(book.months)).get_column("technician_id").drop_nulls().to_list()
    )
    found = {f["subject_id"] for f in book.findings if f["subject"] == PEOPLE}
    return sorted(
        active | found, key=lambda t: (-len(book.findings_on(PEOPLE, t)), -excess(latest_practice(book, t)), t)
    )


def fault_overview(book: Book, people: Sequence[str], fault: str) -> Chart | None:
    """Compare technicians on one fault, those furthest above like work first."""
    known = [(t, latest_practice(book, t)) for t in people]
    rows = [(t, r) for t, r in known if r.get(f"{fault}_rate") is not None]
    if not rows:
        return None
    rows.sort(key=lambda p: (-(p[1][f"{fault}_rate"] - (p[1][f"{fault}_peers"] or 0.0)), p[0]))
    shown = Counter(book.name_of(PEOPLE, t) for t, _ in rows)
    places = {t: f"colleague {i}" for i, t in enumerate(people, start=1)}
    dots, ticks, cells, stems = [], [], [], []
    for place, (t, r) in enumerate(rows):
        name, stem = book.name_of(PEOPLE, t), names.file_stem(PEOPLE, t)
        label = name if shown[name] == 1 else f"{name} ({t})"
        tip = f"{name}\n{capital(FAULT_WORDS[fault])}: {rate_words(r, fault)}"
        href = book.href(PEOPLE, t)
        dots.append(
            Dot(label, r[f"{fault}_rate"], r[f"{fault}_lower"], r[f"{fault}_upper"], "", tip, href, stem, places[t])
        )
        ticks.append(Dot(label, r[f"{fault}_peers"], tip=tip, person=stem, alias=places[t]))
        if place >= MOST_PEOPLE:
            continue
        stems.append((stem, places[t]))
        cells.append(
            (
                label,
                percent(r[f"{fault}_rate"]),
                bounds(percent(r[f"{fault}_lower"]), percent(r[f"{fault}_upper"])),
                percent(r[f"{fault}_peers"]),
            )
        )
    clear = sum(clearly_above(r, fault) for _, r in rows)
    title = (
        f"{capital(FAULT_WORDS[fault])}: {plural(clear, 'person stands', 'people stand')} clearly above like work"
        if clear
        else f"{capital(FAULT_WORDS[fault])}: nobody stands clearly above like work"
    )
    note = "Circle: own standing rate with 90 % bounds. Upright stroke: what like work predicts. A mark opens that person's page."
    if len(rows) > MOST_PEOPLE:
        note += f" Those furthest above come first, {MOST_PEOPLE} at a time; the table below has everybody's numbers."
    return dots_chart(
        f"fault-{fault}", title, f"Standing rate of '{FAULT_WORDS[fault]}' by technician with 90 % bounds, beside what like work predicts.",
        dots, "rate", "share of jobs", table_of(("who", "own rate", "90 % bounds", "like work"), cells, [book.href(PEOPLE, t) for t, _ in rows[:MOST_PEOPLE]], stems), ticks=ticks, note=note, rows_per_page=MOST_PEOPLE,
    )  # fmt: skip


def year_of_everybody(book: Book, people: Sequence[str]) -> Multiples | None:
    """Draw everybody's year small: of each the fault that stands furthest above like work; ``None`` without rates."""
    places = {t: f"colleague {i}" for i, t in enumerate(people, start=1)}
    items = []
    for t in people:
        rows = {r["month"]: r for r in book.practice_by.get(t, []) if r["month"] in book.months}
        last = latest_practice(book, t)
        known = [f for f in FAULT_WORDS if last.get(f"{f}_rate") is not None]
        if not rows or not known:
            continue
        fault = max(known, key=lambda f: last[f"{f}_rate"] - (last[f"{f}_peers"] or 0.0))

        def by_month(what: str, rows: Mapping[str, Mapping[str, Any]] = rows, fault: str = fault) -> Shares:
            return tuple(rows[m][f"{fault}_{what}"] if m in rows else None for m in book.months)

        items.append(
            Small(
                clip(book.name_of(PEOPLE, t)),
                FAULT_WORDS[fault],
                book.href(PEOPLE, t),
                names.file_stem(PEOPLE, t),
                places[t],
                by_month("rate"),
                by_month("lower"),
                by_month("upper"),
                by_month("peers"),
            )
        )
    if not items:
        return None
    return Multiples(
        "year",
        "Everybody's thirteen months, each by what stands furthest above like work",
        "One scale for all. Line and band: own standing rate with 90 % bounds, cut at the frame. Dashes: what like work predicts. People with a finding come first; a name opens that person's page.",
        tuple(book.months),
        tuple(items),
    )


def _person_rows(book: Book, people: Sequence[str]) -> list[Row]:
    rows = []
    for place, t in enumerate(people, start=1):
        row = latest_practice(book, t)
        link = book.link(PEOPLE, t)
        found = [KIND_WORDS[f["kind"]] for f in book.findings_on(PEOPLE, t) if f["kind"] in KIND_WORDS]
        jobs = jobs_in_year(book, t)
        cells = [
            Cell((link,), link.text.lower(), alias=f"colleague {place}"),
            cell(capital(", ".join(found)) or "nothing found", ", ".join(found) or "~"),
            number_cell(f"{count(jobs)}{' (few)' if jobs < SMALL_SAMPLE else ''}", jobs),
        ]
        for fault in FAULT_WORDS:
            mark = "▲ " if clearly_above(row, fault) else ""
            cells.append(number_cell(f"{mark}{rate_words(row, fault)}", row.get(f"{fault}_rate")))
        rows.append(Row(tuple(cells), person=names.file_stem(PEOPLE, t)))
    return rows


def training_page(book: Book) -> Page:
    """Put the trainer's page together."""
    people = _people(book)
    findings = [f for f in book.findings if f["subject"] == PEOPLE]
    charts = [c for c in (fault_overview(book, people, f) for f in FAULT_WORDS) if c is not None]
    whom: dict[str, list[str]] = {}
    for f in findings:
        whom.setdefault(f["subject_id"], []).append(KIND_WORDS.get(f["kind"], f["kind"]))
    lines = [
        f"{plural(len(whom), 'person', 'people')} to talk to: surely, and by enough to matter, {'does' if len(whom) == 1 else 'each does'} something more often or slower than like work predicts."
        if whom
        else "Nobody surely does anything more often or slower than like work predicts, by enough to matter."
    ]
    topics = Counter(k for kinds in whom.values() for k in dict.fromkeys(kinds))
    if topics:
        lines.append(
            f"About: {listed([f'{k} ({n})' for k, n in sorted(topics.items(), key=lambda p: (-p[1], p[0]))])}."
        )
    no_log = sum(clearly_above(latest_practice(book, t), "log_missing") for t in people)
    if no_log:
        lines.append(
            f"{plural(no_log, 'person hands', 'people hand')} in no log clearly more often than like work predicts: without a log nothing else can be said of a job."
        )
    improved = book.talks.filter(pl.col("p_improved") >= 0.8).height
    if book.talks.height:
        lines.append(
            f"Of {plural(book.talks.height, 'talk')} with jobs before and after, {improved} {'was' if improved == 1 else 'were'} very likely followed by an improvement (over 80{chr(160)}% sure)."
        )
    few = sum(1 for t in people if jobs_in_year(book, t) < SMALL_SAMPLE)
    if few:
        lines.append(
            f"{plural(few, 'person has', 'people have')} fewer than {SMALL_SAMPLE} jobs in these thirteen months: their rates say little, whatever they are."
        )
    talk_to = [
        Row((Cell((book.link(PEOPLE, t),), book.name_of(PEOPLE, t).lower(), alias="a colleague"), cell(capital(listed(kinds))), cell(listed([sure(f["probability"]) for f in book.findings_on(PEOPLE, t)]))), person=names.file_stem(PEOPLE, t))
        for t, kinds in whom.items()
    ]  # fmt: skip
    options = sorted(
        ((names.file_stem(PEOPLE, t), clip(book.name_of(PEOPLE, t))) for t in people),
        key=lambda p: (p[1].lower(), p[0]),
    )
    year = year_of_everybody(book, people)
    sections = [
        Section(
            "whom",
            "Whom to talk to, about what",
            (
                table_or(
                    "People with a finding",
                    head("who", "what", "sure"),
                    talk_to,
                    "No finding on any person this month.",
                ),
                *not_made_blocks(book, PEOPLE_KINDS),
            ),
        ),
        Section(
            "everybody",
            "Everybody, against like work",
            (
                *(
                    (Block("charts", charts),)
                    if charts
                    else (Block("missing", "No rates could be worked out: too few readable logs."),)
                ),
                *((Block("multiples", year),) if year else ()),
                table_or(
                    "Standing rates with 90 % bounds, and what like work predicts; ▲ clearly above it; jobs of thirteen months",
                    head("who", "found", "#jobs", *(f"#{w}" for w in FAULT_WORDS.values())),
                    _person_rows(book, people),
                    "Nobody has work on record in these thirteen months.",
                ),
            ),
            "Rates are drawn towards like work as long as there are few jobs. Bounds that reach over the value for like work mean: no difference shown.",
        ),
        Section(
            "coached",
            "Did coaching change anything?",
            (
                table_or(
                    "Talks with jobs on both sides",
                    head("talk", "who", *TALK_HEADS[1:]),
                    talk_rows(book, book.talks, True),
                    _no_talks(book),
                ),
            ),
        ),
    ]
    in_short = f"{plural(len(whom), 'person', 'people')} to talk to" if whom else "nobody stands out"
    return Page(
        "training",
        f"Training, {month_name(book.month)}: {in_short}",
        f"Training: {in_short}",
        f"{month_name(book.month)}, {plural(len(people), 'technician')} with work in thirteen months; {FOR_WHOM['training']}",
        tuple(lines),
        (Block("person-switch", options),) if options else (),
        tuple(sections),
        ("Hold", "Like work", "Standing rate", "Bounds", "Valve core", "Entangled", "Finding"),
    )


def _no_talks(book: Book) -> str:
    register = book.data.registers.get("coaching", schemas.COACHING.empty())
    if register.is_empty():
        return "There is no coaching register, or it is empty: what talks changed cannot be said."
    return "No talk has jobs both before and after it yet, on a topic that is followed as a rate."
