"""One evacuation's page: the curve, the hold taken apart, the verdict in words, what was used, copies side by side."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from typing import Any

from blankoff.report.book import Book, verdict_of
from blankoff.report.charts.base import Chart
from blankoff.report.charts.copies import copies_chart
from blankoff.report.charts.curve import ambient_of, curve_chart
from blankoff.report.charts.hold import hold_chart
from blankoff.report.data import EvacuationData
from blankoff.report.layout import Block, Link, Page, Row, Section, cell, head, table_or
from blankoff.report.names import slug
from blankoff.report.views.common import capital, circuit, finding_cards, number_cell, plain_kind
from blankoff.report.words import (
    NONE,
    REASON_WORDS,
    RISE_WORDS,
    PressureWords,
    count,
    day,
    minutes,
    number,
    plain_sentence,
    sure,
)

_SIDE_BY_SIDE = 2


def sheet_command(id_: str) -> str:
    """Say how to make this evacuation's sheet, ready to be copied into a terminal."""
    return f"blankoff sheet --store STORE {shlex.quote(id_)} --out {slug(id_) or 'sheet'}.pdf"


def in_short(row: Mapping[str, Any]) -> str:
    """Verdict and reason in a few words, for headings."""
    verdict = verdict_of(row.get("verdict"))
    why = REASON_WORDS.get(row.get("reason") or "", "")
    return f"{verdict.word}{', ' + why if why else ''}" if verdict else "not judged"


def verdict_sentence(row: Mapping[str, Any], pressure: PressureWords) -> str:
    """Say the verdict and why, with the numbers that made it."""
    verdict = verdict_of(row.get("verdict"))
    word = capital(verdict.word) if verdict else "Not judged"
    limit, hold, target = (
        row.get("required_limit_micron"),
        row.get("required_hold_minutes"),
        row.get("required_target_micron"),
    )
    reason = row.get("reason") or ""
    lowest = row.get("lowest_pumped_micron") or row.get("final_vacuum_micron")
    # a floor that stands as a hold would shows no isolation
    unseen = "" if row.get("hold_minutes") else "; whether it was shut off then, the log does not show"
    detail = {
        "held": f"reached {pressure.text(row.get('final_vacuum_micron'))} and stood {minutes(row.get('hold_minutes'))} under {pressure.text(limit)}",
        "target_missed": f"the target of {pressure.text(target)} was not reached; the lowest was {pressure.text(lowest)}{unseen}",
        "short_hold": f"the hold stood {minutes(row.get('hold_minutes'))} where {minutes(hold)} were required",
        "no_hold": "the circuit was never isolated, or for under a minute",
        "recycled_log": "the log is a copy of another job's",
        "no_log": "no log was handed in",
        "unreadable_log": "the log cannot be read",
        "leak": f"rose over {pressure.text(limit)} within {minutes(hold)}: a steady rise, as a leak makes it",
        "moisture": f"rose over {pressure.text(limit)} within {minutes(hold)}: a rise that levels off, as water makes it",
        "leak_and_moisture": f"rose over {pressure.text(limit)} within {minutes(hold)}: part steady, part levelling off",
        "rise_unexplained": f"rose over {pressure.text(limit)} within {minutes(hold)}; what made it rise stays open",
    }.get(reason, REASON_WORDS.get(reason, ""))
    line = " The gauge's accuracy alone could have turned this verdict." if row.get("borderline") else ""
    return f"{word}: {detail}.{line}"


def dryness_sentence(row: Mapping[str, Any]) -> str:
    """Say how dry the circuit was at the hold's end; empty when unknown."""
    saturation, margin = row.get("saturation_c"), row.get("dryness_margin_k")
    if saturation is None:
        return ""
    last = "ice" if saturation < 0 else "water"
    text = f"At the hold's end pressure {last} would last only below {number(saturation, 2)} °C"
    if margin is None:
        return f"{text}. The air's temperature is unknown."
    if margin <= 0:
        return f"{text}, which is not below the air's temperature: free water may be left."
    away = f"{number(margin, 2)} K below the air"
    if row.get("verdict") == "failed" and row.get("rise_kind") in ("moisture", "leak_and_moisture"):
        return f"{text}, {away}; but the pressure was still rising as water makes it rise."
    if row.get("verdict") == "failed":
        return f"{text}, {away}; but the pressure was still rising, so this does not say that the circuit is dry."
    if margin >= 20:
        return f"{text}, {away}: free water at the air's temperature would have raised the pressure far higher."
    return f"{text}, only {away}: water in a cold spot could still be there."


def rise_sentence(row: Mapping[str, Any], pressure: PressureWords, material_micron: float) -> str:
    """Say what the hold's rise is made of, and how likely each part adds ``material_micron``; empty without a hold."""
    kind = row.get("rise_kind")
    if kind is None:
        return ""
    parts = f"The hold {'was' if kind == 'undetermined' else 'shows'} {RISE_WORDS[kind]}."
    if row.get("leak_micron_per_min") is not None:
        parts += f" Steady part {pressure.rate(row['leak_micron_per_min'])}"
        if row.get("leak_micron_per_min_se"):
            parts += f" (standard error {pressure.rate(row['leak_micron_per_min_se'])})"
        parts += (
            f"; the part that levels off adds {pressure.text(row.get('moisture_rise_micron'))} over the required hold."
        )
    if row.get("p_leak") is not None and row.get("p_moisture") is not None:
        matters = pressure.text(material_micron)
        parts += (
            f" Chance of {matters} or more within the required hold: {sure(row['p_leak'])} from the steady part, "
            f"{sure(row['p_moisture'])} from the part that levels off."
        )
    more = row.get("more_hold_minutes")
    if kind == "undetermined" and more is not None and more >= 0.5:
        parts += f" It had to stand {minutes(more)} longer to tell a leak from moisture."
    return parts


def curve_title(data: EvacuationData) -> str:
    """Say in a line what the whole curve shows."""
    row, pressure = data.row, PressureWords(data.settings.units)
    if row.get("pumped_minutes") is None:
        return "The whole log"
    text = f"Pumped {minutes(row['pumped_minutes'])} to {pressure.text(row.get('final_vacuum_micron') or row.get('lowest_pumped_micron'))}"
    return (
        f"{text}, then stood {minutes(row['hold_minutes'])}"
        if row.get("hold_minutes") is not None
        else f"{text}; no hold"
    )


def hold_title(data: EvacuationData) -> str:
    """Say in a line what the hold shows."""
    row, pressure = data.row, PressureWords(data.settings.units)
    start, end = row.get("hold_start_micron"), row.get("hold_end_micron")
    if start is None or end is None:
        return "The hold, its rise taken apart"
    moved = (
        f"{'rose' if end >= start else 'fell'} {pressure.text(abs(end - start))} in {minutes(row.get('hold_minutes'))}"
    )
    return f"The hold {moved}: {RISE_WORDS.get(row.get('rise_kind') or '', 'not taken apart')}"


def criterion_source(data: EvacuationData) -> str:
    """Say where the acceptance criterion comes from."""
    given = [k for k in ("target_micron", "hold_limit_micron", "hold_minutes") if data.register_row.get(k) is not None]
    kind = data.row.get("kind")
    rest = (
        f"the fleet's setting for {plain_kind(kind)}"
        if kind in data.settings.acceptance_by_kind
        else "the fleet's general setting"
    )
    if len(given) == 3:
        return "this job's own row in the register"
    return f"this job's own row in the register, the rest from {rest}" if given else rest


def criterion_words(data: EvacuationData) -> str:
    """Target, limit and hold in one line."""
    row, pressure = data.row, PressureWords(data.settings.units)
    return f"pump to {pressure.text(row.get('required_target_micron'))} or lower, then stand {minutes(row.get('required_hold_minutes'))} at or below {pressure.text(row.get('required_limit_micron'))}"


def air_words(data: EvacuationData) -> str:
    """Air temperature at the circuit: the log's own middle, else the register's."""
    air = ambient_of(data)
    return "temperature unknown" if air is None else f"{number(air, 3)} °C"


def oil_words(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Name the circuit's oil so that a bare ``ester`` is read as oil; empty where it is unknown."""
    oil = str(row.get("system_oil") or "")
    return () if not oil else (oil if "oil" in oil.lower() else f"{oil} oil",)


def gauge_words(row: Mapping[str, Any]) -> str:
    """Gauge's stated accuracy and calibration date."""
    if row.get("gauge_id") is None:
        return NONE
    accuracy = (
        "accuracy not stated"
        if row.get("accuracy_percent") is None
        else f"± {number(row['accuracy_percent'])} % of reading"
    )
    calibrated = (
        "calibration date unknown" if row.get("calibrated_on") is None else f"calibrated {day(row['calibrated_on'])}"
    )
    return f"{accuracy}, {calibrated}"


def _pump_down(row: Mapping[str, Any], pressure: PressureWords) -> list[tuple[str, str]]:
    marks = [
        (f"to {pressure.text(float(p))}", minutes(row[f"minutes_to_{p}"]))
        for p in (10000, 5000, 2000, 1000, 500)
        if row.get(f"minutes_to_{p}") is not None
    ]
    water = NONE
    if row.get("water_g") is not None:
        water = f"{number(row['water_g'], 2)} g"
        if row.get("water_g_lower") is not None and row.get("water_g_upper") is not None:
            water += f" ({number(row['water_g_lower'], 2)} to {number(row['water_g_upper'], 2)})"
    plateau = NONE
    if row.get("plateau_micron") is not None:
        plateau = f"{minutes(row.get('plateau_minutes'))} at {pressure.text(row['plateau_micron'])}"
    speed = "needs the circuit's volume" if row.get("volume_l") is None else NONE
    return [
        ("pumped", minutes(row.get("pumped_minutes"))),
        *marks,
        ("last steady reading before isolation", pressure.text(row.get("final_vacuum_micron"))),
        (
            "effective speed, thick stage",
            f"{number(row['speed_viscous_l_s'])} l/s" if row.get("speed_viscous_l_s") is not None else speed,
        ),
        (
            "effective speed, deep stage",
            f"{number(row['speed_deep_l_s'])} l/s" if row.get("speed_deep_l_s") is not None else speed,
        ),
        ("boil-off plateau", plateau),
        ("water boiled off", water),
    ]


def _used(book: Book, data: EvacuationData) -> list[tuple[str, Link | str]]:
    row = data.row
    volume = "" if row.get("volume_l") is None else f", {number(row['volume_l'])} l"
    extra = ", ".join((*([row["refrigerant"]] if row.get("refrigerant") else []), *oil_words(row)))
    return [
        ("circuit", f"{circuit(row)}{volume}{', ' + extra if extra else ''}"),
        ("date", day(row.get("started_on"))),
        ("branch, job", ", ".join(str(row[k]) for k in ("branch", "job_id") if row.get(k)) or NONE),
        ("technician", book.link("technician", row.get("technician_id"))),
        ("pump", book.link("pump", row.get("pump_id"))),
        ("hose set", book.link("hose", row.get("hose_id"))),
        ("gauge", book.link("gauge", row.get("gauge_id"))),
        ("its accuracy", gauge_words(row)),
        ("air", air_words(data)),
        ("signed as", row.get("reported") or "not noted"),
        ("criterion", criterion_words(data)),
        ("it comes from", criterion_source(data)),
        ("log", row.get("log_file") or "none handed in"),
        ("readings", count(data.log.readings) if data.log.readings else "none"),
        ("content hash of the log", data.log.keys[0] if len(data.log) else NONE),
    ]


def _refused(book: Book, refused: Sequence[Mapping[str, Any]]) -> Block:
    """List what of the log could not be used; a refusal without a line is the whole file's."""
    rows = [
        Row(
            (
                number_cell("whole file" if r["row"] is None else count(r["row"]), r["row"]),
                cell(r["field"] or NONE),
                cell(plain_sentence(r["problem"] or NONE, book.pressure)),
            )
        )
        for r in refused
    ]
    return table_or("Refused of this log, with the reason", head("#line", "part", "reason"), rows, "", 12)


def _beside(book: Book, data: EvacuationData) -> list[Chart]:
    """Draw this log's curve and those of its twins each on its own, in the same frame, side by side."""
    shown = [
        data,
        *(
            book.evacuation(e, with_copies=False)
            for e, log, _ in data.copies[: _SIDE_BY_SIDE - 1]
            if log.readings and e in book.rows
        ),
    ]
    return [
        curve_chart(d, f"{d.evacuation_id}, {day(d.row.get('started_on'))}: {circuit(d.row)}", 200, f"beside-{i}", "")
        for i, d in enumerate(shown)
    ]


def evacuation_page(book: Book, id_: str) -> Page:
    """Put one evacuation's page together."""
    data = book.evacuation(id_)
    row, pressure = data.row, book.pressure
    lines = [verdict_sentence(row, pressure)]
    lines.extend(
        s
        for s in (rise_sentence(row, pressure, data.settings.judging.material_rise_micron), dryness_sentence(row))
        if s
    )
    sections = []
    if data.log.readings:
        charts = [Block("chart", curve_chart(data, curve_title(data)))]
        hold = hold_chart(data, hold_title(data))
        charts.append(Block("chart", hold) if hold else Block("missing", "There is no hold to take apart."))
        sections.append(Section("curve-section", "The curve", tuple(charts)))
    else:
        sections.append(Section("curve-section", "The curve", (Block("missing", "There are no readings to draw."),)))
    copies = copies_chart(data, link=lambda e: book.href("evacuation", e))
    if data.copies:
        same = [book.link("evacuation", e) for e, *_ in data.copies]
        blocks: list[Block] = [Block("chart", copies)] if copies else []
        if copies:
            blocks.append(Block("charts", _beside(book, data)))
        blocks.append(Block("links", same))
        sections.append(
            Section(
                "copies-section",
                "Shares its curve with",
                tuple(blocks),
                "Look at both before speaking to anybody. The same file may have been handed in for two jobs by mistake.",
            )
        )
    if data.findings:
        sections.append(
            Section(
                "findings", "Findings that name this log", (Block("findings", finding_cards(book, data.findings[:6])),)
            )
        )
    proof = Block("quiet", f"For a customer, one printable page: {sheet_command(id_)}")
    used = [Block("plain", _used(book, data)), proof]
    refused = book.refused_of(id_)
    if refused:
        used.append(_refused(book, refused))
    sections.append(Section("used", "What was done with what", tuple(used)))
    sections.append(Section("pumping", "Pumping", (Block("plain", _pump_down(row, pressure)),)))
    return Page(
        "",
        f"Evacuation {id_}: {in_short(row)}",
        f"Evacuation {id_}: {in_short(row)}",
        f"{day(row.get('started_on'))}, {circuit(row)}",
        tuple(lines),
        (),
        tuple(sections),
        ("Micron", "Hold", "Isolation", "Target and limit", "Steady rise", "Saturating rise", "Saturation line", "Dryness margin", "Effective speed"),
    )  # fmt: skip
