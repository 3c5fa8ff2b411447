"""The trainer's page and one page per technician: practice against like work, with bounds and caveats, for coaching."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from blankoff import schemas
from blankoff.report import names
from blankoff.report.book import PEOPLE, Book
from blankoff.report.charts.base import Chart, table_of
from blankoff.report.charts.dots import Dot, dots_chart
from blankoff.report.charts.series import Event, Level, history_chart
from blankoff.report.layout import Block, Cell, Link, Page, Row, Section, cell, head, table_or
from blankoff.report.views.asset import first_of, ratio_history
from blankoff.report.views.common import (
    SMALL_SAMPLE,
    capital,
    entangled_words,
    evacuation_table,
    finding_cards,
    not_made_blocks,
    number_cell,
)
from blankoff.report.words import (
    FAULT_OF_KIND,
    FAULT_WORDS,
    KIND_WORDS,
    NONE,
    bounds,
    count,
    day,
    listed,
    month_name,
    percent,
    plural,
    sure,
    times,
)

MOST_PEOPLE = 20
_COUNTS = {
    "skipped": ("holds_skipped", "holds_owed"),
    "short": ("holds_short", "holds_owed"),
    "target_missed": ("targets_missed", "holds_owed"),
    "log_missing": ("logs_missing", "evacuations"),
}
_REASON_OF_FAULT = {"skipped": "no_hold", "short": "short_hold", "target_missed": "target_missed", "log_missing": "no_log"}
_KINDS = ("holds_skipped", "holds_cut_short", "pumping_stopped_early", "slow_rigging", "reported_pass_rate")


def latest_practice(book: Book, id_: str) -> dict[str, Any]:
    """Return a technician's newest practice row up to the month; empty without one."""
    rows = book.practice_by.get(id_, [])
    return rows[-1] if rows else {}


def jobs_in_year(book: Book, id_: str) -> int:
    """Evacuations of this month and the twelve before."""
    return sum(r["evacuations"] or 0 for r in book.practice_by.get(id_, []) if r["month"] in book.months)


def fault_totals(book: Book, id_: str, fault: str, months: Sequence[str]) -> tuple[int, int]:
    """``(times it happened, jobs where it could)`` over some months, counted."""
    hit, of = _COUNTS[fault]
    rows = [r for r in book.practice_by.get(id_, []) if r["month"] in months]
    return sum(r[hit] or 0 for r in rows), sum(r[of] or 0 for r in rows)


def rate_words(row: Mapping[str, Any], fault: str) -> str:
    """Rate with its bounds and what like work predicts."""
    if row.get(f"{fault}_rate") is None:
        return NONE
    inside = bounds(percent(row[f"{fault}_lower"]), percent(row[f"{fault}_upper"]))
    return f"{percent(row[f'{fault}_rate'])} ({inside}), like work {percent(row[f'{fault}_peers'])}"


def excess(row: Mapping[str, Any]) -> float:
    """Largest excess of any fault's rate over like work; -1 without rates."""
    known = [row[f"{f}_rate"] - row[f"{f}_peers"] for f in FAULT_WORDS if row.get(f"{f}_rate") is not None and row.get(f"{f}_peers") is not None]
    return max(known, default=-1.0)


def _people(book: Book) -> list[str]:
    """Technicians with work in these thirteen months or a finding: findings first, then by excess over like work."""
    active = set(book.work.filter(pl.col("month").is_in(book.months)).get_column("technician_id").drop_nulls().to_list())
    found = {f["subject_id"] for f in book.findings if f["subject"] == PEOPLE}
    return sorted(active | found, key=lambda t: (-len(book.findings_on(PEOPLE, t)), -excess(latest_practice(book, t)), t))


def fault_overview(book: Book, people: Sequence[str], fault: str) -> Chart | None:
    """Compare technicians on one fault, those furthest above like work first."""
    known = [(t, latest_practice(book, t)) for t in people]
    rows = [(t, r) for t, r in known if r.get(f"{fault}_rate") is not None]
    if not rows:
        return None
    rows.sort(key=lambda p: (-(p[1][f"{fault}_rate"] - (p[1][f"{fault}_peers"] or 0.0)), p[0]))
    places = {t: f"colleague {i}" for i, t in enumerate(people, start=1)}
    dots, ticks, cells, stems = [], [], [], []
    for t, r in rows[:MOST_PEOPLE]:
        name, stem = book.name_of(PEOPLE, t), names.file_stem(PEOPLE, t)
        label = name if [book.name_of(PEOPLE, p) for p, _ in rows].count(name) == 1 else f"{name} ({t})"
        tip = f"{name}\n{capital(FAULT_WORDS[fault])}: {rate_words(r, fault)}"
        href = book.href(PEOPLE, t)
        dots.append(Dot(label, r[f"{fault}_rate"], r[f"{fault}_lower"], r[f"{fault}_upper"], "", tip, href, stem, places[t]))
        ticks.append(Dot(label, r[f"{fault}_peers"], tip=tip, href=href, person=stem, alias=places[t]))
        stems.append((stem, places[t]))
        cells.append((label, percent(r[f"{fault}_rate"]), bounds(percent(r[f"{fault}_lower"]), percent(r[f"{fault}_upper"])), percent(r[f"{fault}_peers"])))
    clear = sum(1 for _, r in rows if r[f"{fault}_lower"] is not None and r[f"{fault}_lower"] > (r[f"{fault}_peers"] or 0.0))
    title = f"{capital(FAULT_WORDS[fault])}: {plural(clear, 'person stands', 'people stand')} clearly above like work" if clear else f"{capital(FAULT_WORDS[fault])}: nobody stands clearly above like work"
    note = "Circle: own standing rate with 90 % bounds. Upright stroke: what like work predicts. Click a mark to open that person's page."
    if len(rows) > MOST_PEOPLE:
        note += f" The {MOST_PEOPLE} furthest above of {len(rows)}."
    return dots_chart(
        f"fault-{fault}", title, f"Standing rate of '{FAULT_WORDS[fault]}' by technician with 90 % bounds, beside what like work predicts.",
        dots, "rate", "share of jobs", table_of(("who", "own rate", "90 % bounds", "like work"), cells, [book.href(PEOPLE, t) for t, _ in rows[:MOST_PEOPLE]], stems), ticks=ticks, note=note,
    )  # fmt: skip


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
            cells.append(number_cell(rate_words(row, fault), row.get(f"{fault}_rate")))
        rows.append(Row(tuple(cells), person=names.file_stem(PEOPLE, t)))
    return rows


def talk_rows(book: Book, talks: pl.DataFrame, named: bool) -> list[Row]:
    """Coaching talks with what happened after them."""
    rows = []
    for r in talks.sort("coached_on", "technician_id", "topic", descending=[True, False, False]).iter_rows(named=True):
        link = book.link(PEOPLE, r["technician_id"])
        change = f"{percent(r['change'])} ({bounds(percent(r['change_lower']), percent(r['change_upper']))})".replace("-", "−")
        cells = [
            cell(day(r["coached_on"]), r["coached_on"].isoformat()),
            cell(capital(KIND_WORDS.get(r["topic"], str(r["topic"]).replace("_", " ")))),
            number_cell(f"{percent(r['rate_before'])} of {count(r['jobs_before'])}", r["rate_before"]),
            number_cell(f"{percent(r['rate_after'])} of {count(r['jobs_after'])}", r["rate_after"]),
            number_cell(change, r["change"]),
            number_cell(percent(r["peers_change"]).replace("-", "−"), r["peers_change"]),
            number_cell(sure(r["p_improved"]), r["p_improved"]),
        ]
        if named:
            cells.insert(1, Cell((link,), link.text.lower(), alias="a colleague"))
        rows.append(Row(tuple(cells), person=names.file_stem(PEOPLE, r["technician_id"]) if named else ""))
    return rows


_TALK_HEADS = ("talk", "topic", "#rate before", "#rate after", "#change (90 % bounds)", "#peers changed by", "#sure it helped")


def training_page(book: Book) -> Page:
    """Put the trainer's page together."""
    people = _people(book)
    findings = [f for f in book.findings if f["subject"] == PEOPLE]
    charts = [c for c in (fault_overview(book, people, f) for f in FAULT_WORDS) if c is not None]
    whom: dict[str, list[str]] = {}
    for f in findings:
        whom.setdefault(f["subject_id"], []).append(KIND_WORDS.get(f["kind"], f["kind"]))
    lines = [
        f"{plural(len(whom), 'person', 'people')} would gain from a talk: clearly and materially more of something than like work predicts."
        if whom
        else "Nobody does anything clearly and materially more often than like work predicts."
    ]
    improved = book.talks.filter(pl.col("p_improved") >= 0.8).height
    if book.talks.height:
        lines.append(f"Of {plural(book.talks.height, 'talk')} with jobs before and after, {improved} {'was' if improved == 1 else 'were'} very likely followed by an improvement (over 80{chr(160)}% sure).")
    few = sum(1 for t in people if jobs_in_year(book, t) < SMALL_SAMPLE)
    if few:
        lines.append(f"{plural(few, 'person has', 'people have')} fewer than {SMALL_SAMPLE} jobs in these thirteen months: their rates say little, whatever they are.")
    talk_to = [
        Row((Cell((book.link(PEOPLE, t),), book.name_of(PEOPLE, t).lower(), alias="a colleague"), cell(capital(listed(kinds))), cell(listed([sure(f["probability"]) for f in book.findings_on(PEOPLE, t)]))), person=names.file_stem(PEOPLE, t))
        for t, kinds in whom.items()
    ]  # fmt: skip
    options = sorted(((names.file_stem(PEOPLE, t), book.name_of(PEOPLE, t)) for t in people), key=lambda p: (p[1].lower(), p[0]))
    sections = [
        Section("whom", "Whom to talk to, about what", (table_or("People with a finding", head("who", "what", "sure"), talk_to, "No finding on any person this month."), *not_made_blocks(book, _KINDS))),
        Section(
            "everybody",
            "Everybody, against like work",
            (
                *((Block("charts", charts),) if charts else (Block("missing", "No rates could be worked out: too few readable logs."),)),
                table_or(
                    "Standing rates with 90 % bounds, and what like work predicts; jobs of thirteen months",
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
            (table_or("Talks with jobs on both sides", head("talk", "who", *_TALK_HEADS[1:]), talk_rows(book, book.talks, True), _no_talks(book)),),
        ),
    ]
    return Page(
        "training",
        f"Training, {month_name(book.month)}",
        "Training",
        f"{month_name(book.month)}, {plural(len(people), 'technician')} with work in thirteen months",
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


# --- one technician -------------------------------------------------------------------------------------------------


def practice_chart(book: Book, id_: str) -> Chart | None:
    """Own standing rates beside like work, all faults in one drawing."""
    row = latest_practice(book, id_)
    dots, ticks, cells = [], [], []
    for fault, word in FAULT_WORDS.items():
        if row.get(f"{fault}_rate") is None:
            continue
        tip = f"{capital(word)}: {rate_words(row, fault)}"
        dots.append(Dot(capital(word), row[f"{fault}_rate"], row[f"{fault}_lower"], row[f"{fault}_upper"], "", tip))
        ticks.append(Dot(capital(word), row[f"{fault}_peers"], tip=tip))
        cells.append((capital(word), percent(row[f"{fault}_rate"]), f"{percent(row[f'{fault}_lower'])} to {percent(row[f'{fault}_upper'])}", percent(row[f"{fault}_peers"])))
    if not dots:
        return None
    above = [w for f, w in FAULT_WORDS.items() if row.get(f"{f}_lower") is not None and row[f"{f}_lower"] > (row[f"{f}_peers"] or 0.0)]
    title = f"Clearly more often than like work predicts: {listed(above)}" if above else "Nothing is clearly more frequent than like work predicts"
    return dots_chart(
        "practice", title, "Standing rates of four faults with 90 % bounds, beside what like work predicts.", dots, "rate", "share of jobs",
        table_of(("practice", "own rate", "90 % bounds", "like work"), cells), ticks=ticks, note="Circle: own standing rate with 90 % bounds. Upright stroke: what like work predicts.",
    )  # fmt: skip


def trend_chart(book: Book, id_: str, fault: str) -> Chart | None:
    """One fault's standing rate by month, with talks marked; ``None`` without two months or without any case."""
    rows = [r for r in book.practice_by.get(id_, []) if r["month"] in book.months and r[f"{fault}_rate"] is not None]
    if len(rows) < 2:
        return None
    hit, of = _COUNTS[fault]
    word = FAULT_WORDS[fault]
    levels = [
        Level(first_of(r["month"]), r[f"{fault}_rate"], r[f"{fault}_lower"], r[f"{fault}_upper"], r[f"{fault}_peers"],
              f"{month_name(r['month'])}: {rate_words(r, fault)}\nthat month {r[hit] or 0} of {r[of] or 0}")
        for r in rows
    ]  # fmt: skip
    events = [Event(c["coached_on"], "talk") for c in book.coaching_of(id_) if FAULT_OF_KIND.get(c["topic"], c["topic"]) == fault and c["coached_on"] >= first_of(book.months[0])]
    first, last = rows[0], rows[-1]
    change = last[f"{fault}_rate"] - first[f"{fault}_rate"]
    how = "much as before" if abs(change) < 0.03 else ("less often than" if change < 0 else "more often than") + f" in {month_name(first['month'])}"
    return history_chart(
        f"trend-{fault}",
        f"{capital(word)}: {how}",
        f"Standing rate of '{word}' by month with 90 % bounds, beside what like work predicts.",
        "share",
        "share of jobs",
        table_of(("month", "standing rate", "90 % bounds", "like work", "that month"), [(month_name(r["month"]), percent(r[f"{fault}_rate"]), f"{percent(r[f'{fault}_lower'])} to {percent(r[f'{fault}_upper'])}", percent(r[f"{fault}_peers"]), f"{r[hit] or 0} of {r[of] or 0}") for r in rows]),
        levels=levels,
        events=events,
        height=170,
        note="Line and band: own standing rate with 90 % bounds. Dashes: like work. Upright lines: talks on this topic.",
    )  # fmt: skip


def logs_to_look_at(book: Book, id_: str) -> list[tuple[str, str]]:
    """Pick two or three logs for a talk, each with the reason: the newest examples of the findings, and one done well."""
    work = book.work_of(PEOPLE, id_).sort("started_at", "evacuation_id", descending=True, nulls_last=True)
    recent = [r for r in work.iter_rows(named=True) if r["month"] in book.months]
    chosen: dict[str, str] = {}
    for f in book.findings_on(PEOPLE, id_):
        named = set(f["evidence"] or ())
        for r in recent:
            if r["evacuation_id"] in named and r["evacuation_id"] not in chosen and r["reason"] != "no_log":
                chosen[r["evacuation_id"]] = f"an example of: {KIND_WORDS.get(f['kind'], f['kind'])}"
                break
        if len(chosen) == 2:
            break
    if not chosen:
        for fault in ("skipped", "short", "target_missed"):
            hit = next((r for r in recent if r["reason"] == _REASON_OF_FAULT[fault]), None)
            if hit is not None:
                chosen.setdefault(hit["evacuation_id"], f"the latest with: {FAULT_WORDS[fault]}")
            if len(chosen) == 2:
                break
    good = next((r for r in recent if r["verdict"] == "passed" and not r["borderline"] and r["evacuation_id"] not in chosen), None)
    if good is not None:
        chosen[good["evacuation_id"]] = "one that went well"
    return list(chosen.items())


def person_extras(book_work: pl.DataFrame, findings: pl.DataFrame, months: Sequence[str]) -> list[str]:
    """Return the newest good log and the newest of each fault per technician: they get pages too."""
    recent = book_work.filter(pl.col("month").is_in(list(months))).sort("started_at", "evacuation_id", nulls_last=True)
    wanted = recent.filter((pl.col("verdict") == "passed") & ~pl.col("borderline").fill_null(False)).group_by("technician_id", maintain_order=True).last()
    faults = recent.filter(pl.col("reason").is_in(["no_hold", "short_hold", "target_missed"])).group_by("technician_id", "reason", maintain_order=True).last()
    return [*wanted.get_column("evacuation_id").to_list(), *faults.get_column("evacuation_id").to_list()]


def _caveats(book: Book, id_: str) -> list[str]:
    lines = []
    jobs = jobs_in_year(book, id_)
    if jobs < SMALL_SAMPLE:
        lines.append(f"Only {plural(jobs, 'job')} in these thirteen months: the bounds are wide, and the standing rates lean on like work.")
    tied = {entangled_words(book, e) for (f, i, _), e in book.effects.items() if f == PEOPLE and i == id_} - {""}
    if tied:
        lines.append(f"Always works with {listed(sorted(tied))}: what looks like a habit may be the equipment. A swap would tell.")
    lines.append("Like work means the same kinds of system, size, water and season. It cannot see what happened on the day: pressure from a customer, a late van, a wet circuit opened by others.")
    lines.append("These are logs, not a judgement of a person. Ask before concluding.")
    return lines


def _rigging(book: Book, id_: str) -> tuple[Block, ...]:
    blocks: list[Block] = []
    e = book.effects.get((PEOPLE, id_, "speed_deep"))
    if e is not None and e["ratio"] is not None:
        text = f"With whatever pump and hose, the deep stage runs at {times(e['ratio'])} of the fleet's middle (90 % bounds {times(e['ratio_lower'])} to {times(e['ratio_upper'])}, {plural(e['n'] or 0, 'evacuation')})."
        if e["ratio_upper"] is not None and e["ratio_upper"] < 1:
            text += " Valve cores left in, or long and narrow lines, would do that."
        blocks.append(Block("text", text))
    chart = ratio_history(book, PEOPLE, id_, "speed_deep")
    if chart is not None:
        blocks.append(Block("chart", chart))
    return tuple(blocks) or (Block("missing", "How fast the rig runs with this person could not be worked out: too few pulls on circuits of known volume."),)


def person_page(book: Book, id_: str) -> Page:
    """Put one technician's page together."""
    name = book.name_of(PEOPLE, id_)
    work = book.work_of(PEOPLE, id_)
    findings = book.findings_on(PEOPLE, id_)
    month = work.filter(pl.col("month") == book.month)
    done = month.filter(pl.col("verdict") == "passed").height
    lines = []
    if month.height:
        lines.append(f"{plural(month.height, 'evacuation')} in {month_name(book.month)}, {done} proven.")
    else:
        lines.append(f"No evacuation in {month_name(book.month)}.")
    if findings:
        lines.append(f"To talk about: {listed([KIND_WORDS.get(f['kind'], f['kind']) for f in findings])}.")
    else:
        lines.append("Nothing stands out against like work.")
    talks = book.talks.filter(pl.col("technician_id") == id_)
    better = talks.filter(pl.col("p_improved") >= 0.8)
    if better.height:
        lines.append(f"Better since the talk of {day(better.sort('coached_on').row(-1, named=True)['coached_on'])}: {KIND_WORDS.get(better.sort('coached_on').row(-1, named=True)['topic'], 'its topic')}.")
    trends = [c for c in (trend_chart(book, id_, f) for f in FAULT_WORDS) if c is not None]
    practice = practice_chart(book, id_)
    look = [Link(e, book.href("evacuation", e), why) for e, why in logs_to_look_at(book, id_)]
    held = book.coaching_of(id_)
    talk_blocks: list[Block] = [table_or("Talks with jobs on both sides", head(*_TALK_HEADS), talk_rows(book, talks, False), "No talk with jobs both before and after it is on record.")]
    if held:
        talk_blocks.append(Block("quiet", "All talks held: " + ", ".join(f"{day(c['coached_on'])} ({KIND_WORDS.get(c['topic'] or '', c['topic'] or 'no topic')})" for c in held[::-1][:12]) + "."))
    sections = [
        Section("practice-section", "Practice against like work", (Block("chart", practice) if practice else Block("missing", "No rates could be worked out: no readable log yet."),)),
        *((Section("findings", "What was found", (Block("findings", finding_cards(book, findings)),)),) if findings else ()),
        Section("together", "Logs to look at together", (Block("links", look) if look else Block("missing", "No log of these thirteen months shows a fault, and none is proven."),)),
        Section("trend", "Month by month", (Block("charts", trends),) if trends else (Block("missing", "A trend needs at least two months with jobs."),)),
        Section("rigging", "How the rig runs with this person", _rigging(book, id_)),
        Section("coached", "Before and after coaching", tuple(talk_blocks)),
        Section("care", "Before drawing conclusions", (Block("list", _caveats(book, id_)),)),
        Section("month", f"All jobs of {month_name(book.month)}", (evacuation_table(book, "This month's evacuations", month.iter_rows(named=True), "None.", hide=id_),)),
    ]
    return Page(
        "training",
        name,
        name,
        f"{month_name(book.month)}; {plural(jobs_in_year(book, id_), 'job')} in thirteen months" + (f"; {id_}" if name != id_ else ""),
        tuple(lines),
        (Block("others-switch", None),),
        tuple(sections),
        ("Hold", "Like work", "Standing rate", "Bounds", "Valve core", "Entangled", "Effective speed"),
    )  # fmt: skip
