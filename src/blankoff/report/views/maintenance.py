"""The maintenance planner's page: a dated work list, each row leading to its evidence."""

from __future__ import annotations

import datetime as dt

from blankoff.report.book import Book
from blankoff.report.charts.base import Chart, table_of
from blankoff.report.charts.dots import Dot, dots_chart
from blankoff.report.layout import Block, Cell, Link, Page, Row, Section, cell, head, table_or
from blankoff.report.views.asset import as_built
from blankoff.report.views.common import (
    capital,
    date_cell,
    entangled_words,
    not_made_blocks,
    number_cell,
    thing_cell,
)
from blankoff.report.views.forecasts import past_forecasts
from blankoff.report.words import (
    FACTOR_PLURALS,
    FACTOR_WORDS,
    KIND_WORDS,
    NBSP,
    NONE,
    bounds,
    count,
    day,
    hours,
    listed,
    money,
    month_name,
    plain_sentence,
    plural,
    sure,
    times,
)
from blankoff.report.worklist import SOON_DAYS, WorkItem, work_list

_MOST_DOTS = 24
_LITTLE_H = 0.5
_FAR_DAYS = 400


def oil_chart(book: Book) -> Chart | None:
    """When each pump's oil falls due, with bounds."""
    rows = [
        r for r in book.oil.sort("due_on", "pump_id", nulls_last=True).iter_rows(named=True) if r["due_on"] is not None
    ]
    if not rows:
        return None
    known = len(rows)
    near = [r for r in rows if r["due_on"] <= book.data.as_of + dt.timedelta(days=_FAR_DAYS)]
    rows = near or rows
    dots, cells = [], []
    for r in rows:
        name = r["pump_id"]
        tip = f"{name}: due {day(r['due_on'])}\n80 % bounds {day(r['due_lower'])} to {day(r['due_upper'])}\nnow {book.pressure.text(r['blankoff_micron'])}, {hours(r['oil_hours'])} on this oil"
        dots.append(Dot(name, r["due_on"], r["due_lower"], r["due_upper"], "", tip, book.href("pump", name)))
        cells.append(
            (
                name,
                day(r["due_on"]),
                f"{day(r['due_lower'])} to {day(r['due_upper'])}",
                book.pressure.text(r["blankoff_micron"]),
                hours(r["oil_hours"]),
                money(r.get("cost_of_waiting_per_week")),
                day(r.get("least_cost_on")),
                plain_sentence(r["reason"] or NONE, book.pressure),
            )
        )
    now = sum(r["due_on"] <= book.data.as_of for r in rows)
    soon = sum(r["due_on"] <= book.data.as_of + dt.timedelta(days=SOON_DAYS) for r in rows) - now
    later = f"{soon if now else plural(soon, 'pump needs', 'pumps need')} {'more' if now else 'fresh oil'} within two months"
    title = (
        f"{plural(now, 'pump needs', 'pumps need')} fresh oil now{', ' + later if soon else ''}"
        if now
        else later
        if soon
        else "No pump needs fresh oil within two months"
    )
    note = "Dot: most likely day. Line: 80 % bounds. Dashes: the day of this report. A dot opens its pump."
    if known > len(rows):
        note += f" The {len(rows)} soonest of {known} pumps; the others are due later."
    return dots_chart(
        "oil",
        title,
        "The day on which each pump's oil falls due, with 80 % bounds, the soonest first.",
        dots,
        "date",
        "",
        table_of(
            (
                "pump",
                "due",
                "80 % bounds",
                "blank-off now",
                "hours on this oil",
                "waiting costs a week",
                "cheapest day",
                "why",
            ),
            cells,
            [book.href("pump", r["pump_id"]) for r in rows],
        ),
        reference=(book.data.as_of, "this report"),
        note=note,
        rows_per_page=_MOST_DOTS,
    )


def _due_words(item: WorkItem, as_of: dt.date) -> str:
    if item.overdue or item.due <= as_of:
        return "now"
    inside = f" ({day(item.due_lower)} to {day(item.due_upper)})" if item.due_lower and item.due_upper else ""
    return f"{day(item.due)}{inside}"


def _waiting(item: WorkItem) -> Cell:
    """What waiting costs: of oil a week's labour by its forecast, of anything what this month lost, with bounds."""
    key = item.waiting_per_month
    oil = "" if item.oil_cost_per_week is None else f"{money(item.oil_cost_per_week)} a week"
    if item.hours_per_month is None:
        return number_cell(oil or NONE, key if oil else None)
    if item.hours_per_month < _LITTLE_H:
        return number_cell(oil or "under half an hour a month", key)
    inside = f"{bounds(hours(item.hours_lower), hours(item.hours_upper))}"
    cost = "" if item.cost_per_month is None else f"; {money(item.cost_per_month)}"
    lost = f"{hours(item.hours_per_month)} {'this' if oil else 'a'} month ({inside}){cost}"
    return number_cell(f"{oil}; {lost}" if oil else lost, key)


def _why(item: WorkItem) -> str:
    """What is wrong, how much of it, since when; for a forecast, what it rests on."""
    words = capital(KIND_WORDS[item.kind])
    if not item.finding_id:
        return f"{words}: {item.reason or item.size}"
    blanks = "blank-off " if item.kind == "oil_due" else ""
    size = f": {blanks}{item.size}" if item.size != NONE else ""
    return f"{words}{size}{f', since about {day(item.since)}' if item.since else ''}"


def work_rows(book: Book, items: list[WorkItem]) -> list[Row]:
    """Return the work list as table rows."""
    rows = []
    for item in items:
        link = book.link(item.asset, item.asset_id)
        rows.append(
            Row(
                (
                    cell(_due_words(item, book.data.as_of), item.due.isoformat()),
                    Cell(
                        (Link(f"{FACTOR_WORDS[item.asset]} {link.text}".replace(" ", NBSP), link.href),),
                        link.text.lower(),
                    ),
                    cell(_why(item), KIND_WORDS[item.kind]),
                    cell(item.action),
                    number_cell(
                        sure(item.probability) if item.probability is not None else "forecast", item.probability
                    ),
                    _waiting(item),
                )
            )
        )
    return rows


def levels_chart(book: Book, factor: str, measure: str, key: str, what: str) -> Chart | None:
    """How each asset stands to the fleet's middle on like work, the worst first."""
    rows = [
        r for r in book.effects.values() if r["factor"] == factor and r["measure"] == measure and r["ratio"] is not None
    ]
    if not rows:
        return None
    worst_low = measure != "floor"
    rows.sort(key=lambda r: (r["ratio"] if worst_low else -r["ratio"], r["level_id"]))
    dots, cells = [], []
    for r in rows:
        tied = entangled_words(book, r)
        name = book.name_of(factor, r["level_id"])
        tip = f"{name}: {times(r['ratio'])} of the fleet's middle\n90 % bounds {times(r['ratio_lower'])} to {times(r['ratio_upper'])}\n{count(r['n'])} evacuations"
        dots.append(
            Dot(
                name,
                r["ratio"],
                r["ratio_lower"],
                r["ratio_upper"],
                "can't be told apart" if tied else "stands alone",
                f"{tip}\ncan't be told from {tied}" if tied else tip,
                book.href(factor, r["level_id"]),
            )
        )
        cells.append(
            (
                name,
                times(r["ratio"]),
                f"{times(r['ratio_lower'])} to {times(r['ratio_upper'])}",
                count(r["n"]),
                tied or NONE,
            )
        )
    note = "1.0 is the fleet's middle in a typical rig on like work. Lines: 90 % bounds. Circle: stands alone; diamond: always used with something else, so the cause may be that."
    if len(rows) > _MOST_DOTS:
        note += f" {_MOST_DOTS} at a time, the lowest first."
    first = rows[0]
    name = book.name_of(factor, first["level_id"])
    below = first["ratio_upper"] is not None and first["ratio_upper"] < 1.0
    title = (
        f"{what}: {name} stands lowest, at {times(first['ratio'])} of the fleet's middle"
        if below
        else f"{what}: no {FACTOR_WORDS[factor]} is surely below the fleet's middle"
    )
    return dots_chart(
        key, title, f"{what} against the fleet's middle, with 90 % bounds, the lowest first.", dots, "ratio", "ratio to the fleet's middle",
        table_of((FACTOR_WORDS[factor], "ratio", "90 % bounds", "evacuations", "can't be told from"), cells, [book.href(factor, r["level_id"]) for r in rows]),
        reference=(1.0, "typical"), note=note, rows_per_page=_MOST_DOTS,
    )  # fmt: skip


def _asset_section(book: Book, factor: str) -> Section:
    """Make a section with every asset of one sort, worst first."""
    ids = sorted(book.paged[factor])
    rows = []
    for id_ in ids:
        deep = book.effects.get((factor, id_, "speed_deep"), {})
        floor = book.effects.get((factor, id_, "floor"), {})
        words = ", ".join(KIND_WORDS[f["kind"]] for f in book.findings_on(factor, id_) if f["kind"] in KIND_WORDS)
        lost = book.hours_now.get((factor, id_), {}).get("hours_lost")
        services = book.services_of(factor, id_)
        this_month = book.work_of(factor, id_).filter(book.work_of(factor, id_)["month"] == book.month).height
        rows.append(
            (
                (-len(book.findings_on(factor, id_)), -(lost or 0.0), id_),
                Row(
                    (
                        thing_cell(book, factor, id_),
                        cell(capital(words) or _unfound(book, factor, id_), words or "~"),
                        number_cell(_ratio(deep), deep.get("ratio")),
                        number_cell(_ratio(floor), floor.get("ratio")),
                        number_cell(hours(lost), lost),
                        number_cell(count(this_month), this_month),
                        date_cell(services[-1]["serviced_on"] if services else None),
                    )
                ),
            )
        )
    rows.sort(key=lambda r: r[0])
    kinds = {"pump": ("pump_worn", "oil_due"), "hose": ("hose_leaking", "hose_restricted"), "gauge": ("gauge_off",)}[
        factor
    ]
    blocks: list[Block] = []
    if factor == "pump":
        chart = oil_chart(book)
        blocks.append(
            Block("chart", chart)
            if chart
            else Block(
                "missing",
                "No oil forecast could be made: it needs pump hours and, for its dates, oil changes in the services register.",
            )
        )
        fared = past_forecasts(book)
        if fared:
            blocks.append(Block("chart", fared))
    if factor in ("pump", "hose"):
        pair = [
            c
            for c in (
                levels_chart(book, factor, "speed_viscous", f"{factor}-viscous", "Speed in the thick stage")
                if factor == "pump"
                else None,
                levels_chart(book, factor, "speed_deep", f"{factor}-deep", "Speed in the deep stage"),
            )
            if c is not None
        ]
        blocks.append(
            Block("charts", pair)
            if pair
            else Block("missing", "Speeds could not be compared: they need circuits of known volume.")
        )
    blocks.append(
        table_or(
            f"All {FACTOR_PLURALS[factor]}, those with findings first; ratios are to the fleet's middle in a typical rig on like work, with 90 % bounds; hours below zero are hours saved",
            head(
                FACTOR_WORDS[factor],
                "found",
                "#deep speed",
                "#lowest pressure",
                "#hours lost this month",
                "#evacuations this month",
                "last service",
            ),
            [r for _, r in rows],
            f"No {FACTOR_PLURALS[factor]} are on record.",
        )
    )
    blocks.extend(not_made_blocks(book, kinds))
    return Section(f"all-{factor}", capital(FACTOR_PLURALS[factor]), tuple(blocks))


def _unfound(book: Book, factor: str, id_: str) -> str:
    """Say that nothing was found; of gear that is slow by its make, that as well."""
    slow = {"pump": "small by its rating", "hose": "narrow or long by the register"}
    return f"nothing found; {slow[factor]}" if as_built(book, factor, id_) else "nothing found"


def _ratio(effect: dict[str, float]) -> str:
    if effect.get("ratio") is None:
        return NONE
    return f"{times(effect['ratio'])} ({times(effect['ratio_lower'])} to {times(effect['ratio_upper'])})"


def matters(book: Book, items: list[WorkItem]) -> tuple[str, ...]:
    """Say in a few sentences what the planner should take along."""
    if not items:
        oil = "No oil forecast could be made." if book.oil.is_empty() else "No oil falls due within two months."
        return (f"No pump, hose set or gauge shows a fault that the logs can prove. {oil}",)
    now = [i for i in items if i.overdue]
    later = [i for i in items if not i.overdue]
    lines = []
    if now:
        per = {a: len({i.asset_id for i in now if i.asset == a}) for a in ("pump", "hose", "gauge")}
        told = listed([plural(n, FACTOR_WORDS[a], FACTOR_PLURALS[a]) for a, n in per.items() if n])
        lines.append(f"To do now: {told}.")
    if later:
        lines.append(
            f"Oil falls due within two months on {plural(len(later), 'more pump')}, the first on {day(later[0].due)} (pump {later[0].asset_id})."
        )
    costly = max(items, key=lambda i: (i.hours_per_month or 0.0, i.asset_id))
    if costly.hours_per_month:
        lines.append(
            f"Waiting costs most with {FACTOR_WORDS[costly.asset]} {costly.asset_id}: {hours(costly.hours_per_month)} a month beyond a typical one."
        )
    tired = [i.oil_cost_per_week for i in now if i.oil_cost_per_week is not None]
    if sum(tired) >= 1.0:
        change = book.data.settings.maintenance.oil_change_cost
        lines.append(
            f"Tired oil costs {money(sum(tired))} in labour a week on {plural(len(tired), 'pump')} that {'is' if len(tired) == 1 else 'are'} due; a change costs {money(change)}."
        )
    return tuple(lines)


def in_short(items: list[WorkItem]) -> str:
    """How much there is to do, for headings."""
    if not items:
        return "nothing to do"
    now = sum(i.overdue for i in items)
    return f"{plural(now, 'thing')} to do now, {len(items) - now} falling due"


def maintenance_page(book: Book) -> Page:
    """Put the maintenance page together."""
    items = work_list(book)
    files = [
        Link("Spreadsheet (XLSX)", "maintenance.xlsx"),
        Link("Plain table (CSV)", "maintenance.csv"),
        Link("Calendar (iCalendar)", "maintenance.ics", "all-day entries on the due days"),
    ]
    cost, labour = book.data.settings.maintenance.oil_change_cost, book.data.settings.maintenance.labour_cost_per_hour
    return Page(
        "maintenance",
        f"Maintenance, {month_name(book.month)}: {in_short(items)}",
        f"Maintenance: {in_short(items)}",
        f"Work list of {day(book.data.as_of)}",
        matters(book, items),
        (),
        (
            Section(
                "list",
                "Work list, by date",
                (
                    table_or(
                        "Each row opens the asset's evidence",
                        head("due", "asset", "what, and why", "to do", "#sure", "#waiting costs"),
                        work_rows(book, items),
                        "Nothing is due.",
                    ),
                    Block("quiet", f"Oil is due above a blank-off pressure of {book.pressure.text(book.data.settings.maintenance.blankoff_limit_micron)}; an oil change costs {money(cost)}. Dates in brackets are 80 % bounds. What waiting costs, a month: hours beyond a typical one on the same circuits, with 90 % bounds, and that labour at {money(labour)} an hour; of oil, a week: the labour lost to its state as it is now. Money is in the fleet's own currency, as set in fleet.toml."),
                    Block("links", files),
                ),
            ),
            *(_asset_section(book, a) for a in ("pump", "hose", "gauge")),
        ),
        ("Blank-off pressure", "Effective speed", "Deep stage", "Ratio to the fleet's middle", "Like work", "Bounds", "Entangled", "Finding"),
    )  # fmt: skip
