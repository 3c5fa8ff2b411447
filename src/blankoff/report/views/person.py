"""One technician's page, for a talk with one person: practice, trend, logs to look at together, what improved."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from blankoff.report.book import Book
from blankoff.report.book_frames import PEOPLE
from blankoff.report.charts.base import Chart, table_of
from blankoff.report.charts.curve import CURVE_NOTE, curve_chart
from blankoff.report.charts.dots import Dot, dots_chart
from blankoff.report.charts.series import Event, Level, history_chart
from blankoff.report.layout import Block, Link, Page, Section, head, table_or
from blankoff.report.views.common import (
    SMALL_SAMPLE,
    capital,
    circuit,
    entangled_words,
    evacuation_table,
    finding_cards,
    found_words,
    listed_rows,
    newest_first,
    pages_on_request,
)
from blankoff.report.views.evacuation import curve_title, verdict_sentence
from blankoff.report.views.history import first_of, ratio_history
from blankoff.report.views.practice import (
    FAULT_COUNTS,
    REASON_OF_FAULT,
    TALK_HEADS,
    jobs_in_year,
    latest_practice,
    rate_words,
    talk_rows,
)
from blankoff.report.words import (
    FAULT_OF_KIND,
    FAULT_WORDS,
    FOR_WHOM,
    KIND_WORDS,
    day,
    listed,
    month_name,
    percent,
    plural,
    times,
)


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
        cells.append(
            (
                capital(word),
                percent(row[f"{fault}_rate"]),
                f"{percent(row[f'{fault}_lower'])} to {percent(row[f'{fault}_upper'])}",
                percent(row[f"{fault}_peers"]),
            )
        )
    if not dots:
        return None
    above = [
        w
        for f, w in FAULT_WORDS.items()
        if row.get(f"{f}_lower") is not None and row[f"{f}_lower"] > (row[f"{f}_peers"] or 0.0)
    ]
    title = (
        f"Clearly more often than like work predicts: {listed(above)}"
        if above
        else "Nothing is clearly more frequent than like work predicts"
    )
    return dots_chart(
        "practice", title, "Standing rates of four faults with 90 % bounds, beside what like work predicts.", dots, "rate", "share of jobs",
        table_of(("practice", "own rate", "90 % bounds", "like work"), cells), ticks=ticks, note="Circle: own standing rate with 90 % bounds. Upright stroke: what like work predicts.",
    )  # fmt: skip


def trend_chart(book: Book, id_: str, fault: str) -> Chart | None:
    """One fault's standing rate by month, with talks marked; ``None`` without two months or without any case."""
    rows = [r for r in book.practice_by.get(id_, []) if r["month"] in book.months and r[f"{fault}_rate"] is not None]
    if len(rows) < 2:
        return None
    hit, of = FAULT_COUNTS[fault]
    word = FAULT_WORDS[fault]
    levels = [
        Level(first_of(r["month"]), r[f"{fault}_rate"], r[f"{fault}_lower"], r[f"{fault}_upper"], r[f"{fault}_peers"],
              f"{month_name(r['month'])}: {rate_words(r, fault)}\nthat month {r[hit] or 0} of {r[of] or 0}")
        for r in rows
    ]  # fmt: skip
    events = [
        Event(c["coached_on"], "talk")
        for c in book.coaching_of(id_)
        if FAULT_OF_KIND.get(c["topic"], c["topic"]) == fault and c["coached_on"] >= first_of(book.months[0])
    ]
    first, last = rows[0], rows[-1]
    change = last[f"{fault}_rate"] - first[f"{fault}_rate"]
    how = (
        "much as before"
        if abs(change) < 0.03
        else ("less often than" if change < 0 else "more often than") + f" in {month_name(first['month'])}"
    )
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
        note="Line and band: own standing rate with 90 % bounds. Dashes: like work."
        + (" Upright lines: talks on this topic." if events else ""),
    )  # fmt: skip


def logs_to_look_at(book: Book, id_: str) -> list[tuple[str, str]]:
    """Pick two or three logs for a talk, each with the reason: the newest examples of the findings, and one done well."""
    chosen = book.chosen_logs.get(id_)
    return chosen if chosen is not None else book.chosen_logs.keep(id_, _to_look_at(book, id_))


def _to_look_at(book: Book, id_: str) -> list[tuple[str, str]]:
    work = book.work_of(PEOPLE, id_)
    columns = ("evacuation_id", "reason", "verdict", "borderline", "month")
    done = list(work.select(columns).iter_rows(named=True))
    months = set(book.months)
    recent = [done[k] for k in newest_first(work) if done[k]["month"] in months]
    chosen: dict[str, str] = {}
    findings = book.findings_on(PEOPLE, id_)
    for f in (*findings, *findings):  # one example of each, then a second one
        named = set(f["evidence"] or ())
        for r in recent:
            if r["evacuation_id"] in named and r["evacuation_id"] not in chosen and r["reason"] != "no_log":
                chosen[r["evacuation_id"]] = f"an example of: {KIND_WORDS.get(f['kind'], f['kind'])}"
                break
        if len(chosen) == 2:
            break
    if not chosen:
        for fault in ("skipped", "short", "target_missed"):
            hit = next((r for r in recent if r["reason"] == REASON_OF_FAULT[fault]), None)
            if hit is not None:
                chosen.setdefault(hit["evacuation_id"], f"the latest with: {FAULT_WORDS[fault]}")
            if len(chosen) == 2:
                break
    good = next(
        (r for r in recent if r["verdict"] == "passed" and not r["borderline"] and r["evacuation_id"] not in chosen),
        None,
    )
    if good is not None:
        chosen[good["evacuation_id"]] = "one that went well"
    return list(chosen.items())


def _curve_of(book: Book, evacuation_id: str, place: int) -> Chart | None:
    """Draw one of the logs for the talk; ``None`` without readings."""
    data = book.evacuation(evacuation_id, with_copies=False)
    if not data.log.readings:
        return None
    note = CURVE_NOTE if place == 0 else ""
    return curve_chart(data, f"{evacuation_id}: {curve_title(data)}", 200, f"look-{place}", note)


def person_extras(book_work: pl.DataFrame, findings: pl.DataFrame, months: Sequence[str]) -> list[str]:
    """Return the newest good log and the newest of each fault per technician: they get pages too."""
    recent = book_work.filter(pl.col("month").is_in(list(months))).sort("started_at", "evacuation_id", nulls_last=True)
    wanted = (
        recent.filter((pl.col("verdict") == "passed") & ~pl.col("borderline").fill_null(False))
        .group_by("technician_id", maintain_order=True)
        .last()
    )
    faults = (
        recent.filter(pl.col("reason").is_in(["no_hold", "short_hold", "target_missed"]))
        .group_by("technician_id", "reason", maintain_order=True)
        .last()
    )
    return [*wanted.get_column("evacuation_id").to_list(), *faults.get_column("evacuation_id").to_list()]


def _caveats(book: Book, id_: str) -> list[str]:
    lines = []
    jobs = jobs_in_year(book, id_)
    if jobs < SMALL_SAMPLE:
        lines.append(
            f"Only {plural(jobs, 'job')} in these thirteen months: the bounds are wide, and the standing rates lean on like work."
        )
    tied = {entangled_words(book, e) for e in book.effects_on(PEOPLE, id_)} - {""}
    if tied:
        lines.append(
            f"Always works with {listed(sorted(tied))}: what looks like a habit may be the equipment. A swap would tell."
        )
    lines.append(
        "Like work means the same kinds of system, size, water and season. It cannot see what happened on the day: pressure from a customer, a late van, a wet circuit opened by others."
    )
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
    return tuple(blocks) or (
        Block(
            "missing",
            "How fast the rig runs with this person could not be worked out: too few pulls on circuits of known volume.",
        ),
    )


def person_page(book: Book, id_: str) -> Page:
    """Put one technician's page together."""
    name = book.name_of(PEOPLE, id_)
    work = book.work_of(PEOPLE, id_)
    findings = book.findings_on(PEOPLE, id_)
    month = listed_rows(work, [k for k, m in enumerate(work["month"].to_list()) if m == book.month])
    done = sum(r["verdict"] == "passed" for r in month)
    lines = []
    if month:
        lines.append(f"{plural(len(month), 'evacuation')} in {month_name(book.month)}, {done} proven.")
    else:
        lines.append(f"No evacuation in {month_name(book.month)}.")
    if findings:
        lines.append(f"To talk about: {listed([KIND_WORDS.get(f['kind'], f['kind']) for f in findings])}.")
    else:
        lines.append("Nothing stands out against like work.")
    talks = book.talks_with(id_)
    better = talks.filter(pl.col("p_improved") >= 0.8)
    if better.height:
        lines.append(
            f"Better since the talk of {day(better.sort('coached_on').row(-1, named=True)['coached_on'])}: {KIND_WORDS.get(better.sort('coached_on').row(-1, named=True)['topic'], 'its topic')}."
        )
    trends = [c for c in (trend_chart(book, id_, f) for f in FAULT_WORDS) if c is not None]
    practice = practice_chart(book, id_)
    together = logs_to_look_at(book, id_)
    look = [
        Link(e, book.href("evacuation", e), f"{why}; {day(book.rows[e]['started_on'])}, {circuit(book.rows[e])}. {verdict_sentence(book.rows[e], book.pressure)}")
        for e, why in together
    ]  # fmt: skip
    curves = [c for c in (_curve_of(book, e, place) for place, (e, _) in enumerate(together)) if c is not None]
    held = book.coaching_of(id_)
    talk_blocks: list[Block] = [
        table_or(
            "Talks with jobs on both sides",
            head(*TALK_HEADS),
            talk_rows(book, talks, False),
            "No talk with jobs both before and after it is on record.",
        )
    ]
    if held:
        talk_blocks.append(
            Block(
                "quiet",
                "All talks held: "
                + ", ".join(
                    f"{day(c['coached_on'])} ({KIND_WORDS.get(c['topic'] or '', c['topic'] or 'no topic')})"
                    for c in held[::-1][:12]
                )
                + ".",
            )
        )
    sections = [
        Section(
            "practice-section",
            "Practice against like work",
            (
                Block("chart", practice)
                if practice
                else Block("missing", "No rates could be worked out: no readable log yet."),
            ),
        ),
        *(
            (Section("findings", "What was found", (Block("findings", finding_cards(book, findings)),)),)
            if findings
            else ()
        ),
        Section(
            "together",
            "Logs to look at together",
            (
                Block("links", look)
                if look
                else Block("missing", "No log of these thirteen months shows a fault, and none is proven."),
                *((Block("charts", curves),) if curves else ()),
            ),
        ),
        Section(
            "trend",
            "Month by month",
            (Block("charts", trends),)
            if trends
            else (Block("missing", "A trend needs at least two months with jobs."),),
        ),
        Section("rigging", "How the rig runs with this person", _rigging(book, id_)),
        Section("coached", "Before and after coaching", tuple(talk_blocks)),
        Section("care", "Before drawing conclusions", (Block("list", _caveats(book, id_)),)),
        Section(
            "month",
            f"All jobs of {month_name(book.month)}",
            (
                evacuation_table(book, "This month's evacuations", month, "None.", hide=id_),
                *pages_on_request(book, (r["evacuation_id"] for r in month)),
            ),
        ),
    ]
    return Page(
        "training",
        f"{name}: {found_words(book, PEOPLE, id_) or 'nothing stands out'}",
        f"{name}: {found_words(book, PEOPLE, id_) or 'nothing stands out'}",
        f"{month_name(book.month)}; {plural(jobs_in_year(book, id_), 'job')} in thirteen months" + (f"; {id_}" if name != id_ else "") + f"; {FOR_WHOM['person']}",
        tuple(lines),
        (Block("others-switch", None),),
        tuple(sections),
        ("Hold", "Like work", "Standing rate", "Bounds", "Valve core", "Entangled", "Effective speed"),
    )  # fmt: skip
