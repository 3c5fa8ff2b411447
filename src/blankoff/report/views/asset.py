"""One pump's, hose set's or gauge's page: its findings, its history with services marked, the logs behind it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from blankoff.report.book import Book
from blankoff.report.charts.base import Chart, table_of
from blankoff.report.charts.filled import Written, safe_json
from blankoff.report.charts.series import Event, Spot, history_chart, spot_record
from blankoff.report.layout import Block, Page, Section, table_or
from blankoff.report.views.common import (
    EVACUATION_HEADS,
    capital,
    entangled_words,
    finding_cards,
    found_words,
    newest_first,
    pages_on_request,
    ratio_words,
    rows_at,
)
from blankoff.report.views.history import PROMISED, promised, ratio_history
from blankoff.report.words import (
    ACTION_WORDS,
    FACTOR_WORDS,
    KIND_WORDS,
    MEASURE_WORDS,
    VERDICT_WORDS,
    PressureWords,
    day,
    hours,
    listed,
    money,
    month_name,
    number,
    plain_sentence,
    plural,
    times,
)

MOST_SPOTS = 400
MOST_NUMBERS = 100
MOST_LOGS = 60
_FACTS = {
    "pump": (("rated_l_per_s", "free air displacement", "l/s"), ("rated_blankoff_micron", "blank-off by its plate", "micron"), ("in_service_on", "in service since", ""), ("branch", "branch", "")),
    "hose": (("bore_mm", "bore", "mm"), ("length_m", "length", "m"), ("in_service_on", "in service since", "")),
    "gauge": (("top_of_range_micron", "top of range", "micron"), ("accuracy_percent", "stated accuracy", "% of reading"), ("calibrated_on", "calibrated on", "")),
}  # fmt: skip
_PROMISE_KEPT = 0.9
"""Of what its register row promises, from how much on gear is said to give it; judgement."""
_VALUES = {"speed_viscous": "speed_viscous_l_s", "speed_deep": "speed_deep_l_s", "floor": "floor_micron"}


def spot_chart(book: Book, factor: str, id_: str, measure: str) -> Chart | None:
    """Every evacuation's own value over time, as it was measured; ``None`` when fewer than two are known."""
    work = book.work_of(factor, id_)
    columns = [work[name].to_list() for name in ("evacuation_id", "started_on", "verdict", _VALUES[measure])]
    known = [r for r in zip(*columns, strict=True) if r[3] is not None and r[3] > 0 and r[1] is not None]
    if len(known) < 2:
        return None
    pressure = book.pressure
    floor = measure == "floor"
    links = [book.href("evacuation", r[0]) for r in known[-MOST_SPOTS:]]
    made = [_spot(*r, href, pressure if floor else None) for r, href in zip(known[-MOST_SPOTS:], links, strict=True)]
    spots, rows = Written([text for text, _ in made]), [row for _, row in made]
    events = [
        Event(s["serviced_on"], ACTION_WORDS.get(s["action"], s["action"])) for s in book.services_of(factor, id_)
    ]
    reference = None
    if floor and factor == "pump":
        limit = book.data.settings.maintenance.blankoff_limit_micron
        reference = (pressure.value(limit), f"oil due above {pressure.text(limit)}")
    unit = pressure.name if floor else "l/s"
    return history_chart(
        f"spots-{measure}",
        f"{capital(MEASURE_WORDS[measure])}: the latest was {rows[-1][2]}, on {rows[-1][1]}",
        f"{capital(MEASURE_WORDS[measure])} of each evacuation by date, unadjusted.",
        "pressure" if floor else "speed",
        f"{unit} (log axis)",
        table_of(
            ("evacuation", "date", unit, "verdict"), rows[: -MOST_NUMBERS - 1 : -1], links[: -MOST_NUMBERS - 1 : -1]
        ),
        events=events,
        spots=spots,
        reference=reference,
        note="As measured, not adjusted for the circuit, the hose or the water in it. Circle: proven; triangle: failed; diamond: unproven. A mark opens its log, where that has a page."
        + (f" The numbers below are the newest {MOST_NUMBERS}." if len(rows) > MOST_NUMBERS else ""),
    )


@lru_cache(maxsize=8192)
def _spot(
    evacuation: str, on: dt.date, judged: str | None, measured: float, href: str, pressure: PressureWords | None
) -> tuple[str, tuple[str, ...]]:
    """A value as it is drawn and as a row of numbers, once for all that was used; a speed where no pressure is meant."""
    value = pressure.value(measured) if pressure else measured
    shown = pressure.text(measured) if pressure else f"{number(value)} l/s"
    verdict, date = VERDICT_WORDS.get(judged or "", "unproven"), day(on)
    spot = Spot(on, value, verdict, f"{evacuation}, {date}\n{shown}, {verdict}", href)
    return safe_json(spot_record(spot)), (evacuation, date, shown, verdict)


def register_row(book: Book, factor: str, id_: str) -> dict[str, Any]:
    """Return the asset's row of its register; empty when it has none."""
    return book.register_of(factor).get(id_, {})


def _register_facts(book: Book, factor: str, id_: str) -> list[tuple[str, str]]:
    row = register_row(book, factor, id_)
    out = []
    for column, word, unit in _FACTS[factor]:
        value = row.get(column)
        if value is None:
            shown = "unknown"
        elif isinstance(value, dt.date):
            shown = day(value)
        elif unit == "micron":
            shown = book.pressure.text(value)
        elif isinstance(value, float):
            shown = f"{number(value)} {unit}".strip()
        else:
            shown = str(value)
        out.append((word, shown))
    services = book.services_of(factor, id_)
    out.append(
        (
            "services",
            ", ".join(
                f"{ACTION_WORDS.get(s['action'], s['action'])} {day(s['serviced_on'])}" for s in services[::-1][:6]
            )
            or "none on record",
        )
    )
    return out


def _oil_sentence(book: Book, row: dict[str, Any]) -> str:
    """When the oil falls due, and why."""
    if row["due_on"] is None:
        when = "No due day for the oil could be forecast."
    else:
        verb = "fell" if row["due_on"] < book.data.as_of else "falls"
        inside = f"{day(row['due_lower'])} to {day(row['due_upper'])}"
        when = f"Its oil {verb} due on about {day(row['due_on'])} (80 % bounds {inside})."
    why = capital(plain_sentence(row["reason"] or "", book.pressure))
    if not why:
        why = f"Blank-off pressure now {book.pressure.text(row['blankoff_micron'])}, {hours(row['oil_hours'])} on this oil"
    return f"{when} {why.rstrip('.')}.{_waiting_sentence(book, row)}"


def _waiting_sentence(book: Book, row: Mapping[str, Any]) -> str:
    """What the oil's state costs a week, and the day on which its change costs least; empty where neither is told."""
    week, best = row.get("cost_of_waiting_per_week"), row.get("least_cost_on")
    if week is None:
        return ""
    change = money(book.data.settings.maintenance.oil_change_cost)
    cost = f"{money(week)} in labour a week" if week >= 1.0 else "next to nothing"
    if best is None:
        return f" Waiting costs {cost} as it is now."
    when = "now" if best <= book.data.as_of else f"on {day(best)}"
    return f" Waiting costs {cost} as it is now; with {change} for a change, changing it {when} is cheapest."


def _in_short(book: Book, factor: str, id_: str) -> str:
    """What was found, and when the oil falls due, for the page's heading."""
    parts = [found_words(book, factor, id_) or "nothing found"]
    if factor == "pump" and not any(f["kind"] in ("oil_due", "pump_worn") for f in book.findings_on(factor, id_)):
        due = book.oil_of.get(id_, {}).get("due_on")
        if due is not None:
            parts.append(f"oil due {'now' if due <= book.data.as_of else f'about {day(due)}'}")
    return ", ".join(parts)


def _matters(book: Book, factor: str, id_: str) -> tuple[str, ...]:
    findings = book.findings_on(factor, id_)
    lines = []
    if findings:
        lines.append(
            f"Found: {listed([KIND_WORDS.get(f['kind'], f['kind']) for f in findings])}. {plain_sentence(' '.join(f['action'] or '' for f in findings), book.pressure)}".strip()
        )
    else:
        lines.append(f"Nothing was found against this {FACTOR_WORDS[factor]}.")
    if factor == "pump" and id_ in book.oil_of:
        lines.append(_oil_sentence(book, book.oil_of[id_]))
    lost = book.hours_now.get((factor, id_))
    if lost and lost["hours_lost"] is not None and lost["hours_lost"] >= 0.5:
        lines.append(
            f"It cost {hours(lost['hours_lost'])} this month beyond a typical one on the same circuits (90 % bounds {hours(lost['hours_lower'])} to {hours(lost['hours_upper'])})."
        )
        if as_built(book, factor, id_):
            lines.append(
                {
                    "pump": "It gives what its rating promises: a larger pump would be quicker, a service would not help.",
                    "hose": "It gives what its bore and length promise: a wider or shorter set would be quicker.",
                }[factor]
            )
    tied = {entangled_words(book, e) for e in book.effects_on(factor, id_)} - {""}
    if tied:
        lines.append(
            f"Take care: it was always used with {listed(sorted(tied))}. This fleet's history cannot tell which of them is the cause; a swap would."
        )
    return tuple(lines)


def _now_sentence(book: Book, factor: str, id_: str) -> str:
    parts = []
    for measure, word in (
        ("speed_viscous", "speed in the thick stage"),
        ("speed_deep", "speed in the deep stage"),
        ("floor", "lowest pressure"),
    ):
        e = book.effects.get((factor, id_, measure))
        if e is not None and e["ratio"] is not None:
            parts.append(
                f"{word} {ratio_words(e['ratio'])} ({times(e['ratio_lower'])} to {times(e['ratio_upper'])} of the fleet's middle, {plural(e['n'] or 0, 'evacuation')})"
            )
    if not parts:
        return ""
    like = _like_sentence(book, factor, id_)
    return f"In a typical rig on like work: {'; '.join(parts)}.{' ' + like if like else ''}"


def _like_sentence(book: Book, factor: str, id_: str) -> str:
    """How a pump or hose set stands to what its register row promises; empty where that is not known."""
    e = book.effects.get((factor, id_, "speed_deep"), {})
    if factor not in PROMISED or e.get("ratio_to_like") is None or not promised(book, factor, id_):
        return ""
    inside = f"{times(e['ratio_to_like_lower'])} to {times(e['ratio_to_like_upper'])}"
    _, quantity = PROMISED[factor]
    return f"Its {quantity} in the deep stage is {times(e['ratio_to_like'])} ({inside}) of {PROMISED[factor][0]}."


def as_built(book: Book, factor: str, id_: str) -> bool:
    """Tell whether gear is surely slow in a typical rig, yet gives what its rating, or its bore and length, promise."""
    e = book.effects.get((factor, id_, "speed_deep"), {})
    like = e.get("ratio_to_like")
    if e.get("ratio_upper") is None or like is None or book.findings_on(factor, id_):
        return False
    return bool(e["ratio_upper"] < 1.0 and like >= _PROMISE_KEPT and promised(book, factor, id_))


def asset_page(book: Book, factor: str, id_: str) -> Page:
    """Put one asset's page together."""
    work = book.work_of(factor, id_)
    findings = book.findings_on(factor, id_)
    # a pump's floor by month is left to the measured chart: its oil's state is part of like work there, not of the pump
    measures = ("speed_viscous", "speed_deep") if factor == "pump" else ("speed_viscous", "speed_deep", "floor")
    histories = [c for c in (ratio_history(book, factor, id_, m) for m in measures) if c is not None]
    spots = [c for c in (spot_chart(book, factor, id_, m) for m in ("floor", "speed_deep")) if c is not None]
    named: set[str] = set()
    for f in findings:
        named.update(f["evidence"] or ())
    newest = newest_first(work)
    ids = work["evacuation_id"].to_list()
    found = [k for k in newest if ids[k] in named] if named else []
    rest = [k for k in newest if ids[k] not in named] if named else newest
    behind = rows_at(book, work, ids, found[:MOST_LOGS])
    others = rest[: MOST_LOGS - min(len(found), MOST_LOGS // 2)]
    sections = []
    if findings:
        sections.append(Section("findings", "What was found", (Block("findings", finding_cards(book, findings)),)))
    sections.append(
        Section(
            "history",
            "History on like work",
            (Block("charts", histories),)
            if histories
            else (
                Block(
                    "missing",
                    "No level on like work could be worked out: too few pulls on circuits of known volume, or the same partners throughout.",
                ),
            ),
            _now_sentence(book, factor, id_),
        )
    )
    if spots:
        sections.append(Section("measured", "As measured", (Block("charts", spots),)))
    elif work.height:
        sections.append(
            Section(
                "measured",
                "As measured",
                (Block("missing", "Fewer than two evacuations have a measured speed or lowest pressure."),),
            )
        )
    if behind:
        sections.append(
            Section(
                "behind",
                "Logs behind the findings",
                (table_or("The newest first", EVACUATION_HEADS, behind, "", 15),),
            )
        )
    sections.append(
        Section(
            "logs",
            "Its other logs" if behind else "Its logs",
            (
                table_or(
                    f"The latest {len(others)} of {plural(len(rest), 'log')}",
                    EVACUATION_HEADS,
                    rows_at(book, work, ids, others),
                    f"No evacuation with this {FACTOR_WORDS[factor]} is on record.",
                    15,
                ),
                *pages_on_request(book, (ids[k] for k in others)),
            ),
        )
    )
    sections.append(Section("facts", "From the registers", (Block("plain", _register_facts(book, factor, id_)),)))
    heading = f"{capital(FACTOR_WORDS[factor])} {id_}: {_in_short(book, factor, id_)}"
    return Page(
        "maintenance",
        heading,
        heading,
        f"{plural(work.height, 'evacuation')} on record, {plural(int((work['month'] == book.month).sum()), 'evacuation')} in {month_name(book.month)}",
        _matters(book, factor, id_),
        (),
        tuple(sections),
        ("Effective speed", "Deep stage", "Blank-off pressure", "Ratio to the fleet's middle", "Like work", "Bounds", "Entangled"),
    )  # fmt: skip
