"""Pieces that several pages share: findings as cards, evacuations as rows, what could not be made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from blankoff.report import names
from blankoff.report.book import EVIDENCE_PAGED, EVIDENCE_SHOWN, Book, verdict_of
from blankoff.report.book_frames import ROW_COLUMNS
from blankoff.report.layout import Block, Cell, Link, Row, Section, cell, head, table_or
from blankoff.report.words import (
    FACTOR_WORDS,
    KIND_WORDS,
    NBSP,
    NONE,
    REASON_WORDS,
    day,
    effect_size,
    listed,
    percent,
    plain_sentence,
    sure,
    times,
)

SMALL_SAMPLE = 10


@dataclass(frozen=True)
class Card:
    """One finding as a page shows it."""

    anchor: str
    kind: str
    subject: Link
    statement: str
    action: str
    small: str
    evidence: tuple[Link, ...]
    more_evidence: int
    rest: tuple[Link, ...] = ()
    """The next of the logs behind it, shown when asked for."""


def capital(text: str) -> str:
    """Upper-case the first letter only."""
    return text[:1].upper() + text[1:]


def found_words(book: Book, subject: str, id_: str) -> str:
    """What was found on one thing, in a few words; empty when nothing was."""
    return listed(list(dict.fromkeys(KIND_WORDS.get(f["kind"], f["kind"]) for f in book.findings_on(subject, id_))))


def anchor(finding: Mapping[str, Any]) -> str:
    """Return a finding's anchor on a page, safe whatever its id."""
    return "f-" + names.file_stem("finding", str(finding["finding_id"]))


def finding_cards(book: Book, findings: Iterable[Mapping[str, Any]]) -> tuple[Card, ...]:
    """Findings as cards with links to the logs behind them."""
    return tuple(book.card_of(f, _card) for f in findings)


def evidence_of(book: Book, finding: Mapping[str, Any]) -> list[str]:
    """Return the evacuations behind a finding that this fleet knows, the newest first."""
    known = [e for e in (finding["evidence"] or ()) if e in book.month_of]
    return sorted(known, key=lambda e: (book.month_of[e], e), reverse=True)


def _card(book: Book, f: Mapping[str, Any]) -> Card:
    evidence = evidence_of(book, f)
    size = effect_size(dict(f), book.pressure)
    small = [f"{capital(sure(f['probability']))} sure." if f["probability"] is not None else "How sure: not stated."]
    if str(f["unit"] or "").startswith("correlation") and f["effect"] is not None:
        small.append(f"The gauges' noise agrees to {times(f['effect'])}, where 1 is the same and 0 is chance.")
    elif size != NONE:
        small.append(f"Size: {size}.")
    if f["since"] is not None:
        small.append(f"Since about {day(f['since'])}.")
    return Card(
        anchor(f),
        capital(KIND_WORDS.get(f["kind"], str(f["kind"]))),
        book.link(f["subject"], f["subject_id"]),
        sentence(book, f, "statement"),
        sentence(book, f, "action"),
        " ".join(small),
        tuple(book.link("evacuation", e) for e in evidence[:EVIDENCE_SHOWN]),
        max(len(evidence) - EVIDENCE_SHOWN, 0),
        tuple(book.link("evacuation", e) for e in evidence[EVIDENCE_SHOWN:EVIDENCE_PAGED]),
    )


def sentence(book: Book, finding: Mapping[str, Any], field: str) -> str:
    """Return a finding's statement or action as this fleet's people read it: their unit, a person's name for the id."""
    text = plain_sentence(finding[field] or "", book.pressure)
    id_ = str(finding["subject_id"])
    if finding["subject"] == "technician" and text.startswith(id_):
        text = book.name_of("technician", id_) + text[len(id_) :]
    return text


def verdict_cell(code: str | None) -> Cell:
    """A verdict with its sign."""
    verdict = verdict_of(code)
    return cell(NONE) if verdict is None else Cell((Link(verdict.word),), verdict.word, verdict=verdict)


def date_cell(date: Any) -> Cell:
    """A day that sorts by time."""
    return cell(day(date), "" if date is None else date.isoformat())


def number_cell(text: str, key: float | None, href: str = "") -> Cell:
    """A number that sorts by its value."""
    return cell(text, "" if key is None or key != key else float(key), href)


def thing_cell(book: Book, kind: str, id_: str | None) -> Cell:
    """A thing, linked when it has a page."""
    link = book.link(kind, id_)
    return Cell((link,), link.text.lower())


EVACUATION_HEADS = head("evacuation", "date", "circuit", "verdict", "why", "by", "with")


def listed_rows(work: pl.DataFrame, at: Sequence[int] | None = None) -> list[dict[str, Any]]:
    """What `evacuation_rows` takes of each row of a work frame, or of those ``at`` some places, in that order."""
    if at is not None:
        work = work[pl.Series(at, dtype=pl.Int64)]
    return list(work.select(c for c in ROW_COLUMNS if c in work.columns).iter_rows(named=True))


def newest_first(work: pl.DataFrame) -> list[int]:
    """Rows of a frame that is in order of time, those of no known time last as in it, from the newest."""
    known = work.height - work["started_at"].null_count()
    return [*range(known - 1, -1, -1), *range(work.height - 1, known - 1, -1)]


def rows_at(book: Book, work: pl.DataFrame, ids: Sequence[str], at: Sequence[int]) -> list[Row]:
    """Evacuations at some places of a work frame as table rows; ``ids`` are all of its evacuations' in order."""
    made = {k: book.rows_made.get(ids[k]) for k in at}
    missing = [k for k in at if made[k] is None]
    if missing:
        made |= dict(zip(missing, evacuation_rows(book, listed_rows(work, missing)), strict=True))
    return [row for k in at if (row := made[k]) is not None]


def evacuation_rows(book: Book, rows: Iterable[Mapping[str, Any]], hide: str | None = None) -> list[Row]:
    """Evacuations as table rows; with ``hide``, everybody but that technician is marked as another."""
    out = []
    for r in rows:
        other = hide is not None and r["technician_id"] != hide
        known = None if other else book.rows_made.get(r["evacuation_id"])
        if known is not None:
            out.append(known)
            continue
        who = book.link("technician", r["technician_id"])
        with_what = tuple(book.link(k, r[f"{k}_id"]) for k in ("pump", "hose", "gauge") if r[f"{k}_id"] is not None)
        out.append(
            Row(
                (
                    thing_cell(book, "evacuation", r["evacuation_id"]),
                    date_cell(r["started_on"]),
                    cell(circuit(r)),
                    verdict_cell(r["verdict"]),
                    cell(REASON_WORDS.get(r["reason"] or "", NONE) + (", borderline" if r["borderline"] else "")),
                    Cell((who,), who.text.lower(), alias="a colleague" if other else ""),
                    Cell(with_what or (Link(NONE),)),
                ),
                person="-" if other else "",
            )
        )
        if not other:
            book.rows_made.keep(r["evacuation_id"], out[-1])
    return out


def plain_kind(kind: object) -> str:
    """Return a system kind as words: registers often join them by underscores."""
    return str(kind).replace("_", " ")


def circuit(row: Mapping[str, Any]) -> str:
    """Name a circuit with its kind."""
    parts = [str(row["system_id"])] if row.get("system_id") else []
    if row.get("kind"):
        parts.append(plain_kind(row["kind"]))
    return ", ".join(parts) or NONE


def evacuation_table(
    book: Book, caption: str, rows: Iterable[Mapping[str, Any]], why: str, hide: str | None = None, first: int = 15
) -> Block:
    """Evacuations as a table, or why there are none."""
    return table_or(caption, EVACUATION_HEADS, evacuation_rows(book, rows, hide), why, first)


def pages_on_request(book: Book, evacuation_ids: Iterable[str]) -> tuple[Block, ...]:
    """Say how logs without a link get their pages, if there are such among some."""
    if all(book.href("evacuation", e) for e in evacuation_ids):
        return ()
    command = f"blankoff report --store STORE --month {book.month} --out DIR --every-log"
    return (Block("quiet", f"A log without a link gets its page too with: {command}"),)


def not_made_items(book: Book) -> list[tuple[str, str]]:
    """``(finding kind or estimate, why)``, one each."""
    return [(k.strip(), why) for what, why in book.data.not_made for k in what.split(",")]


def not_made_blocks(book: Book, kinds: Sequence[str]) -> tuple[Block, ...]:
    """Say what of these could not be made from this fleet's input, and why."""
    lines = [
        f"{capital(KIND_WORDS.get(k, k.replace('_', ' ')))}: {why}" for k, why in not_made_items(book) if k in kinds
    ]
    if not lines:
        return ()
    return (Block("quiet", "What could not be looked for in this fleet's data:"), Block("list", lines))


def no_rows_section(key: str, title: str, why: str) -> Section:
    """Make a section that only says why it is empty."""
    return Section(key, title, (Block("missing", why),))


def entangled_words(book: Book, effect: Mapping[str, Any]) -> str:
    """What a level can't be told from, in words; empty when it stands alone."""
    partners = effect.get("entangled_with") or []
    if effect.get("separable") in (None, True) and not partners:
        return ""
    words = []
    for partner in partners:
        factor, _, id_ = str(partner).partition(":")
        words.append(f"{FACTOR_WORDS.get(factor, factor)} {book.name_of(factor, id_)}")
    return ", ".join(words) or "what it always travels with"


def ratio_words(ratio: float | None, faster: str = "above", slower: str = "below") -> str:
    """``18 % below`` typical, or ``typical``."""
    if ratio is None:
        return NONE
    if abs(ratio - 1.0) < 0.03:
        return "about typical"
    if ratio >= 2.0:
        return f"{times(ratio)} times typical"
    return f"{percent(abs(ratio - 1.0))} {faster if ratio > 1 else slower} typical".replace("  ", NBSP)
