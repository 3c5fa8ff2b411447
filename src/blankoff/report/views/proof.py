"""What is not proven and why, and what was signed all the same: two sections of the operations page."""

from __future__ import annotations

import polars as pl

from blankoff import schemas
from blankoff.report.book import Book, share_bounds
from blankoff.report.layout import Row, Section, cell, head, table_or
from blankoff.report.views.common import evacuation_table, no_rows_section, number_cell, verdict_cell
from blankoff.report.views.operations_charts import signed_without_proof
from blankoff.report.words import NONE, REASON_WORDS, WITHOUT_PROOF_WORDS, count, percent, plural


def signed_section(book: Book) -> Section:
    """List the jobs that were signed as passed and are not proven, beside how it was before."""
    rows = signed_without_proof(book.now)
    signed = book.now.filter(pl.col("reported") == "passed").height
    if signed == 0:
        return no_rows_section(
            "signed",
            "Signed without proof",
            "Nothing was signed as passed this month, or the register has no column 'reported'.",
        )
    by = rows.group_by("reason").len().sort(["len", "reason"], descending=[True, False])
    why = ", ".join(f"{r['len']} {WITHOUT_PROOF_WORDS.get(r['reason'] or '', '')}" for r in by.iter_rows(named=True))
    lead = f"{rows.height} of {plural(signed, 'job')} signed as passed {'is' if rows.height == 1 else 'are'} not proven by {'its' if rows.height == 1 else 'their'} log{': ' + why if why else ''}.{_signed_before(book)}"
    return Section(
        "signed",
        "Signed without proof",
        (evacuation_table(book, "Signed as passed, not proven", rows.sort("started_on", "evacuation_id", descending=True).iter_rows(named=True), "Every job signed as passed is proven by its log."),),
        lead,
    )  # fmt: skip


def _signed_before(book: Book) -> str:
    """Say how many of the jobs signed as passed were not proven in the twelve months before; empty without any."""
    signed = book.year.filter(pl.col("reported") == "passed").height
    if not signed:
        return ""
    share, low, high = share_bounds(
        signed_without_proof(book.now).height, book.now.filter(pl.col("reported") == "passed").height
    )
    past = signed_without_proof(book.year).height / signed
    how = "no clear change" if low <= past <= high else "more than before" if share > past else "fewer than before"
    return f" That is {percent(share)}; in the twelve months before it was {percent(past)} of {count(signed)}: {how}."


def reasons_section(book: Book) -> Section:
    """Why evacuations failed or stayed unproven, this month and in the twelve before, and the circuits that failed."""
    now, year = book.now, book.year
    rows = []
    for verdict in ("failed", "unproven"):
        for reason in schemas.REASONS[verdict]:
            n, before = (f.filter(pl.col("reason") == reason).height for f in (now, year))
            if n or before:
                shares = [
                    number_cell(
                        f"{count(k)} ({percent(k / f.height)})" if f.height else NONE,
                        k / f.height if f.height else None,
                    )
                    for k, f in ((n, now), (before, year))
                ]
                rows.append(Row((cell(REASON_WORDS[reason]), verdict_cell(verdict), *shares)))
    failed = now.filter(pl.col("verdict") == "failed").sort("started_on", "evacuation_id", descending=True)
    blocks = [
        table_or(
            "All evacuations that are not proven, by reason",
            head("why", "verdict", "#this month", "#twelve months before"),
            rows,
            "No evacuation of these thirteen months failed or is unproven.",
        )
    ]
    if failed.height:
        blocks.append(
            evacuation_table(
                book,
                "Failed this month",
                failed.iter_rows(named=True),
                "",
            )
        )
    return Section("why", "Why it was not proven", tuple(blocks))
