"""The operations lead's page: a monthly review meeting, ten minutes."""

from __future__ import annotations

import re
from collections import Counter

import polars as pl

from blankoff.report.book import Book, share_bounds
from blankoff.report.book_frames import PEOPLE
from blankoff.report.layout import Block, Cell, Page, Row, Section, cell, chart_or, head, table_or
from blankoff.report.views.changes import changes_section
from blankoff.report.views.common import (
    capital,
    finding_cards,
    no_rows_section,
    not_made_items,
    number_cell,
    plain_kind,
)
from blankoff.report.views.operations_charts import (
    THIN,
    VERDICTS,
    hours_chart,
    months_chart,
    shares_chart,
    signed_without_proof,
    verdict_counts,
    verdict_rows,
)
from blankoff.report.views.proof import reasons_section, signed_section
from blankoff.report.words import (
    FACTOR_PLURALS,
    FACTOR_WORDS,
    KIND_WORDS,
    NONE,
    bounds,
    count,
    day,
    hours,
    money,
    month_name,
    percent,
    plain_sentence,
    plural,
)


def against_before(book: Book) -> str:
    """Say how this month's proven share stands to the twelve months before, as far as the numbers can tell."""
    now, before = verdict_counts(book.now), verdict_counts(book.year)
    n, m = sum(now.values()), sum(before.values())
    if n == 0 or m == 0:
        return "There are no earlier months to compare with." if n else ""
    share, low, high = share_bounds(now["passed"], n)
    past = before["passed"] / m
    changed = "better than before" if share > past else "worse than before"
    how = "no clear change" if low <= past <= high else changed
    return f"In the twelve months before, {percent(past)} were proven: {how}."


def in_short(book: Book) -> str:
    """Proven share and how it stands to before, for headings."""
    counts = verdict_counts(book.now)
    n = sum(counts.values())
    if n == 0:
        return "no evacuations"
    _, _, how = against_before(book).partition(" were proven: ")
    return f"{percent(counts['passed'] / n)} proven{', ' + how.rstrip('.') if how else ''}"


def _hours_section(book: Book) -> Section:
    chart, rows = hours_chart(book)
    if chart is None:
        return no_rows_section(
            "lost",
            "Hours and money lost",
            "Hours lost could not be worked out this month: too few pulls on circuits of known volume.",
        )
    by = {f: sum(r["hours_lost"] for r in rows if r["factor"] == f) for f in dict.fromkeys(r["factor"] for r in rows)}
    cost = book.data.settings.maintenance.labour_cost_per_hour
    total = ", ".join(f"{FACTOR_PLURALS.get(f, f)} {hours(h)} ({money(h * cost)})" for f, h in by.items())
    blocks: list[Block] = [Block("chart", chart)]
    repeat = book.proof_lost.filter(pl.col("month") == book.month)
    if repeat.height:
        per = repeat.group_by("habit").agg(pl.col("evacuations").sum(), pl.col("pumped_hours").sum()).sort("habit")
        table = tuple(
            Row((cell(r["habit"]), number_cell(count(r["evacuations"]), r["evacuations"]), *_hours_and_cost(r["pumped_hours"], cost)))
            for r in per.iter_rows(named=True)
        )  # fmt: skip
        blocks.append(
            table_or(
                "Pumping that ended without proof: what it would take to pump these again",
                head("habit", "#evacuations", "#hours", "#cost"),
                table,
                "",
            )
        )
    lead = f"Beyond a typical rig on the same circuits: {total}. The same hour may stand under a pump and under its hose set where the two can't be told apart: do not add them up. In brackets the cost, at {money(cost)} an hour in the fleet's own currency."
    return Section("lost", "Hours and money lost", tuple(blocks), lead)


def _hours_and_cost(pumped: float, cost: float) -> tuple[Cell, Cell]:
    """Return hours and their cost as cells; without a log nobody knows how long was pumped."""
    known = pumped or None
    return number_cell(hours(known), known), number_cell(money(known and known * cost), known)


def _group_words(name: str) -> str:
    """Name an outcome group; what belongs to none is said as that."""
    return "In no group: too few logs like them" if name == "like no other" else capital(name)


def _groups_section(book: Book) -> Section:
    key, title = "groups", "How evacuations went, without looking at the verdict"
    frame = book.now.filter(pl.col("group_name").is_not_null())
    if frame.is_empty():
        return no_rows_section(key, title, "Too few logs alike to form groups.")
    puzzling = (
        set(book.data.group_summary.filter("unexplained")["group_id"].to_list())
        if book.data.group_summary.height
        else set()
    )
    rows = []
    for r in (
        frame.group_by("group_id", "group_name")
        .agg(pl.len().alias("n"), *((pl.col("verdict") == v).sum().alias(v) for v in VERDICTS))
        .sort(["n", "group_id"], descending=[True, False])
        .iter_rows(named=True)
    ):
        rows.append(
            Row((cell(_group_words(r["group_name"]) + (" (no verdict explains it)" if r["group_id"] in puzzling else "")), number_cell(count(r["n"]), r["n"]), *(number_cell(f"{count(r[v])} ({percent(r[v] / r['n'])})", r[v]) for v in VERDICTS)))
        )  # fmt: skip
    lead = "Logs that look alike, grouped by the computer from their curves alone. A group that is split between verdicts, or that none explains, deserves a look."
    return Section(
        key,
        title,
        (
            table_or(
                "Outcome groups and verdicts this month",
                head("group", "#evacuations", "#proven", "#failed", "#unproven"),
                rows,
                "",
            ),
        ),
        lead,
    )


def _with_names(book: Book, sentence: str) -> str:
    """Write a sentence of the exchange plan with people's names where the table has their ids."""
    named = re.sub(r"\(with ([^()]+)\)", lambda m: f"(with {book.name_of(PEOPLE, m[1])})", sentence)
    return named.replace(" levels that", " levels (one speed or lowest pressure of one thing or person) that")


def _thin_section(book: Book) -> Section:
    lines: list[str] = []
    for column, word in (("branch", "branch"), ("kind", "system kind")):
        known = book.now.filter(pl.col(column).is_not_null())
        small = known.group_by(column).len().filter(pl.col("len") < THIN).sort(column)
        if small.height:
            names = ", ".join(f"{plain_kind(r[column])} ({r['len']})" for r in small.head(12).iter_rows(named=True))
            lines.append(f"Fewer than {THIN} evacuations this month, by {word}: {names}.")
    n = book.now.height
    for column, word in (
        ("volume_l", "the circuit's volume"),
        ("ambient_c", "the air's temperature"),
        ("gauge_id", "the gauge"),
        ("kind", "the system's kind"),
    ):
        missing = book.now.get_column(column).null_count()
        if n and missing > 0.1 * n:
            lines.append(f"{capital(word)} is unknown for {missing} of {n} evacuations.")
    lost = [r for r in book.effects.values() if r["separable"] is False]
    by = Counter(r["factor"] for r in {(r["factor"], r["level_id"]): r for r in lost}.values())
    if by:
        told = ", ".join(plural(by[f], FACTOR_WORDS[f], FACTOR_PLURALS[f]) for f in FACTOR_WORDS if by[f])
        lines.append(
            f"Always used together with something else, so that this fleet's history can't tell which is the cause: {told}."
        )
    lines.extend(_with_names(book, sentence) for sentence in book.data.swap_plan)
    blocks: list[Block] = (
        [Block("list", lines)] if lines else [Block("missing", "Nothing stands out as thin this month.")]
    )
    if book.data.not_made:
        blocks.append(Block("quiet", "What could not be made from this fleet's input:"))
        blocks.append(
            Block(
                "list", [f"{capital(KIND_WORDS.get(k, k.replace('_', ' ')))}: {why}" for k, why in not_made_items(book)]
            )
        )
    return Section("thin", "Where the data is thin", tuple(blocks))


def _coverage_section(book: Book) -> Section:
    rows = [
        Row((cell(capital(r["item"])), *(number_cell(count(r[k]), r[k]) for k in ("handed_in", "used", "refused"))))
        for r in book.coverage.iter_rows(named=True)
    ]
    blocks = [
        table_or(
            "What was handed in, used and refused",
            head("input", "#handed in", "#used", "#refused"),
            rows,
            "No counts of the input are known.",
        )
    ]
    refused = book.data.quarantine
    if refused.height:
        items = [
            Row(
                (
                    cell(r["path"] or NONE),
                    number_cell(count(r["row"]), r["row"]),
                    cell(r["field"] or NONE),
                    cell(plain_sentence(r["problem"] or NONE, book.pressure)),
                )
            )
            for r in refused.sort("path", "row", "field", nulls_last=True).head(400).iter_rows(named=True)
        ]
        blocks.append(
            table_or("Refused, with the reason and the mend", head("file", "#line", "part", "reason"), items, "", 12)
        )
        if refused.height > len(items):
            blocks.append(
                Block(
                    "quiet",
                    f"The first {len(items)} of {count(refused.height)}; the rest is in the exported table quarantine.",
                )
            )
    return Section(
        "coverage",
        "What was handed in",
        tuple(blocks),
        "Every file and every register row is either used or listed here with the reason.",
    )


def matters(book: Book) -> tuple[str, ...]:
    """Say in a few sentences what the lead should take along."""
    counts = verdict_counts(book.now)
    n = sum(counts.values())
    if n == 0:
        return (f"No evacuation is on record for {month_name(book.month)}.",)
    lines = [
        f"{plural(n, 'evacuation')}: {counts['passed']} proven dry and tight ({percent(counts['passed'] / n)}), {counts['failed']} failed, {counts['unproven']} without proof. {against_before(book)}"
    ]
    unproven = signed_without_proof(book.now).height
    if unproven:
        lines.append(f"{plural(unproven, 'job was', 'jobs were')} signed as passed without proof in the log.")
    _, rows = hours_chart(book)
    if rows:
        r = rows[0]
        name = f"{FACTOR_WORDS.get(r['factor'], r['factor'])} {book.name_of(r['factor'], r['level_id'])}"
        cost = "" if r["cost"] is None else f", {money(r['cost'])} in labour"
        lines.append(f"The dearest single thing was {name}: {hours(r['hours_lost'])} beyond a typical rig{cost}.")
    return tuple(lines)


def operations_page(book: Book) -> Page:
    """Put the operations page together."""
    counts = verdict_counts(book.now)
    n = sum(counts.values())
    facts = []
    for verdict, word in (("passed", "proven"), ("failed", "failed"), ("unproven", "unproven")):
        share, low, high = share_bounds(counts[verdict], n)
        facts.append(
            {
                "label": capital(word),
                "value": count(counts[verdict]),
                "small": f"{percent(share)} ({bounds(percent(low), percent(high))})" if n else "",
            }
        )
    unproven = signed_without_proof(book.now).height
    facts.append({"label": "Signed without proof", "value": count(unproven), "small": "jobs signed as passed"})
    evacuation_findings = [
        f
        for f in book.findings
        if f["kind"] == "log_recycled" and book.rows.get(f["subject_id"], {}).get("month") == book.month
    ]
    where = [
        c for c in (shares_chart(book, "branch", "branch"), shares_chart(book, "kind", "system kind")) if c is not None
    ]
    sections = [
        Section(
            "months-section",
            "This month against the twelve before",
            (chart_or(months_chart(book), "No evacuations in these thirteen months."),),
        ),
        Section(
            "where",
            "Where it goes wrong",
            (
                Block("charts", where),
                table_or(
                    "The same by verdict, this month and in the twelve months before (12 m)",
                    head(
                        "where",
                        "by",
                        "#jobs",
                        "#proven",
                        "#failed",
                        "#unproven",
                        "#12 m: jobs",
                        "#proven",
                        "#failed",
                        "#unproven",
                    ),
                    verdict_rows(book),
                    "",
                ),
            )
            if where
            else (Block("missing", "Neither branches nor system kinds are known."),),
        ),
        reasons_section(book),
        signed_section(book),
        _hours_section(book),
        changes_section(book),
        _groups_section(book),
    ]
    if evacuation_findings:
        sections.insert(4, Section("copies", "Logs that are copies of other jobs'", (Block("findings", finding_cards(book, evacuation_findings)),),
                                   "Look at the two curves side by side before speaking to anybody."))  # fmt: skip
    sections += [_thin_section(book), _coverage_section(book)]
    return Page(
        "operations",
        f"Operations, {month_name(book.month)}: {in_short(book)}",
        f"Operations: {in_short(book)}",
        f"{month_name(book.month)}, from what was known on {day(book.data.as_of)}",
        matters(book),
        (Block("facts", facts),),
        tuple(sections),
        (
            "Proven",
            "Failed",
            "Unproven",
            "Hold",
            "Target and limit",
            "Bounds",
            "Like work",
            "Entangled",
            "Outcome group",
            "Finding",
        ),
    )
