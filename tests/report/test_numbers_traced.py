"""Every number that a reader sees on a page is one of the tables' own, or counted or taken from them here again.

A page's words are read back from its HTML. Names, dates and the prose's own constants are taken away; each number that is left
must be the rendering of a value in the rows that belong to the page's subject, of a count over those rows, or of one of
the few differences that pages state. A page about one pump may not show another pump's number.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Iterable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.proportion import proportion_confint

from blankoff import schemas
from blankoff.physics.saturation import saturation_pressure_micron
from blankoff.pipeline import assess, ingest
from blankoff.pipeline.known import month_end
from blankoff.pipeline.reporting import month_data
from blankoff.report import names, words
from blankoff.report.book import Book, open_book
from blankoff.report.data import MonthData
from blankoff.report.pages import month_pages, write_month
from blankoff.report.views.person import logs_to_look_at, person_extras
from blankoff.report.worklist import work_list
from blankoff.store import open_store
from tests.pipeline.fleets import SAMPLE
from tests.report.invented_month import Plan, invented_month
from tests.report.test_charts import charts_of

NUMBER = re.compile(r"[−-]?\d[\d\u202f]*(?:\.\d+)?")
MONTH_OR_DAY = re.compile(
    r"(?:\b\d{1,2}\s)?\b(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]*\s\d{4}\b", flags=re.UNICODE
)
PROSE = {"100", "90", "80", "99", "1", "1.0", "2", "5", "10", "0", "12", "13", "15", "60"}
"""Numbers of the prose itself: bounds' chances, "over 99 %", ratio 1.0, thresholds of thin data, rows shown at first."""


class Words(HTMLParser):
    """Words between a page's main tags, without scripts; cells and paragraphs apart."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.inside = False
        self.skip = 0
        self.parts: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside |= tag == "main"
        self.skip += tag in ("script", "select")
        self.parts.append(
            "\n"
            if tag in ("td", "th", "p", "li", "dd", "dt", "h1", "h2", "h3", "figcaption", "caption", "small", "div")
            else ""
        )

    def handle_endtag(self, tag: str) -> None:
        self.inside &= tag != "main"
        self.skip -= tag in ("script", "select")

    def handle_data(self, data: str) -> None:
        if self.inside and not self.skip:
            self.parts.append(data)


class Allowed(set[str]):
    """Numbers as a page may write them."""

    def __init__(self, pressure: words.PressureWords) -> None:
        super().__init__(PROSE)
        self.pressure = pressure

    def text(self, *texts: object) -> None:
        """Allow the numbers of texts that a table holds."""
        for text in texts:
            self.update(NUMBER.findall(MONTH_OR_DAY.sub(" ", str(text))))

    def count(self, *numbers: int) -> None:
        """Allow whole numbers."""
        self.text(*(words.count(n) for n in numbers))

    def as_unit(self, unit: str, *values: object) -> None:
        """Allow values as their unit is written."""
        for x in values:
            if isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x):
                self.text(*(write(self.pressure, x) for write in WRITTEN[unit]))

    def rows(self, *frames: pl.DataFrame) -> None:
        """Allow every number of some rows as its column's unit is written, and those inside their texts."""
        for frame in frames:
            for column in frame.columns:
                values = frame[column].drop_nulls().to_list()
                if frame.schema[column] == pl.String:
                    self.text(*(words.plain_sentence(v, self.pressure) for v in values))
                elif frame.schema[column].is_integer():
                    self.count(*values)
                elif frame.schema[column].is_float() and column in ("effect", "effect_lower", "effect_upper"):
                    for row in frame.iter_rows(named=True):
                        self.text(words.effect_size(row, self.pressure))
                        if str(row["unit"]).startswith("correlation"):
                            self.as_unit("ratio", row["effect"])
                elif frame.schema[column].is_float():
                    self.as_unit(unit_of(column), *values)

    def counts(self, frame: pl.DataFrame, *by: str) -> None:
        """Allow how many rows there are, in all and by each value of some columns, and their shares."""
        self.count(frame.height)
        for column in by:
            for n in frame.group_by(column).len()["len"].to_list():
                self.count(n)
                self.as_unit("share", n / frame.height)


WRITTEN: dict[str, tuple[Callable[[words.PressureWords, float], str], ...]] = {
    "micron": (lambda p, x: p.text(x),),
    "micron per min": (lambda p, x: p.rate(x),),
    "min": (lambda _, x: words.minutes(x),),
    "share": (lambda _, x: words.percent(x), lambda _, x: words.sure(x)),
    "points": (lambda _, x: words.points(x),),
    "ratio": (lambda _, x: words.times(x), lambda _, x: words.percent(abs(x - 1.0))),
    "hours": (lambda _, x: words.hours(x),),
    "money": (lambda _, x: words.money(x),),
    "other": (lambda _, x: words.number(x), lambda _, x: words.number(x, 2)),
}
"""How pages write each unit."""
ENDINGS = {
    "_micron_per_min": "micron per min", "_micron_per_min_se": "micron per min", "_micron": "micron", "_minutes": "min", "_min": "min", "_rate": "share",
    "_peers": "share", "rate_before": "share", "rate_after": "share", "probability": "share", "p_improved": "share", "p_leak": "share", "p_moisture": "share",
    "change": "points", "change_lower": "points", "change_upper": "points", "_to_like": "ratio", "_like_lower": "ratio", "_like_upper": "ratio", "ratio": "ratio", "ratio_lower": "ratio", "ratio_upper": "ratio",
    "_hours": "hours", "hours_lost": "hours", "hours_lower": "hours", "hours_upper": "hours", "cost": "money", "waiting_per_week": "money",
    **{f"{f}_{b}": "share" for f in schemas.FAULTS for b in ("lower", "upper")}, **{f"minutes_to_{p}": "min" for p in (10000, 5000, 2000, 1000, 500)},
}  # fmt: skip


def unit_of(column: str) -> str:
    """Unit in which pages write a column."""
    return next((unit for ending, unit in ENDINGS.items() if column.endswith(ending)), "other")


def share(allowed: Allowed, frame: pl.DataFrame, verdict: str) -> None:
    """Allow a verdict's share with its Wilson bounds, by statsmodels [RUN]."""
    hits, n = frame.filter(pl.col("verdict") == verdict).height, frame.height
    if n:
        low, high = proportion_confint(hits, n, alpha=0.1, method="wilson")
        allowed.text(words.count(hits), words.count(n), *(words.percent(float(x)) for x in (hits / n, low, high)))


def one_evacuation(allowed: Allowed, book: Book, id_: str) -> None:
    """Allow the numbers of one evacuation: its row, phases, findings, readings, and the differences stated."""
    data = book.evacuation(id_)
    allowed.rows(
        book.work.filter(pl.col("evacuation_id") == id_), pl.DataFrame(list(data.findings), infer_schema_length=None)
    )
    allowed.rows(
        data.phase.select(
            "start_micron",
            "end_micron",
            (pl.col("start_s") / 60.0).alias("start_min"),
            (pl.col("end_s") / 60.0).alias("end_min"),
        )
    )
    row = data.row
    if row["hold_end_micron"] is not None:
        allowed.as_unit("micron", abs(row["hold_end_micron"] - row["hold_start_micron"]))
    allowed.count(data.log.readings)
    allowed.rows(pl.DataFrame(book.refused_of(id_), infer_schema_length=None))
    allowed.as_unit("micron", data.settings.judging.material_rise_micron, 10_000.0, 5_000.0, 2_000.0, 1_000.0, 500.0)
    if data.log.readings:
        air = float(np.median(data.log.ambient_c))
        allowed.as_unit("other", air)
        allowed.as_unit("micron", float(saturation_pressure_micron(air)))
        allowed.as_unit("min", data.log.elapsed_s[-1] / 60.0)


def mine(frame: pl.DataFrame, factor: str, id_: str) -> pl.DataFrame:
    """Rows of one asset or technician."""
    return frame.filter((pl.col("factor") == factor) & (pl.col("level_id") == id_))


def asset_or_person(allowed: Allowed, book: Book, factor: str, id_: str) -> None:
    """Allow the numbers of one asset's or person's own rows."""
    own = book.work_of(factor, id_)
    found = book.finding.filter((pl.col("subject") == factor) & (pl.col("subject_id") == id_))
    allowed.rows(
        found,
        *(mine(f, factor, id_) for f in (book.effect, book.monthly)),
        mine(book.hours, factor, id_).filter(pl.col("month") == book.month),
    )
    named = {e for evidence in found["evidence"].to_list() for e in evidence}
    rest = own.filter(~pl.col("evacuation_id").is_in(list(named))).height
    allowed.count(
        own.height, own.filter(pl.col("month") == book.month).height, rest, min(rest, 60 - min(len(named), 30))
    )
    allowed.count(*(len(e) - 12 for e in found["evidence"].to_list() if len(e) > 12))
    allowed.rows(own.select("floor_micron", "speed_deep_l_s"))
    if factor == "technician":
        month = own.filter(pl.col("month") == book.month)
        allowed.count(
            own.filter(pl.col("month").is_in(book.months)).height, month.filter(pl.col("verdict") == "passed").height
        )
        allowed.rows(*(f.filter(pl.col("technician_id") == id_) for f in (book.practice, book.talks)))
        return
    allowed.rows(book.data.registers[f"{factor}s"].filter(pl.col(f"{factor}_id") == id_))
    if factor == "pump":
        allowed.rows(book.oil.filter(pl.col("pump_id") == id_))
        allowed.as_unit("micron", book.data.settings.maintenance.blankoff_limit_micron)
        allowed.as_unit("money", book.data.settings.maintenance.oil_change_cost)


def oil_changes(allowed: Allowed, book: Book) -> None:
    """Allow how pumps' lowest pressures were in the six weeks before and after each service, counted again."""
    for s in book.data.registers["services"].filter(pl.col("asset") == "pump").iter_rows(named=True):
        own = book.work.filter((pl.col("pump_id") == s["asset_id"]) & pl.col("floor_micron").is_not_null())
        for first, last in ((-42, -1), (1, 42)):
            near = own.filter(
                pl.col("started_on") >= s["serviced_on"] + dt.timedelta(days=first),
                pl.col("started_on") <= s["serviced_on"] + dt.timedelta(days=last),
            )
            allowed.count(near.height)
            if near.height:
                allowed.as_unit("micron", near["floor_micron"].median())


def whole_month(allowed: Allowed, book: Book) -> None:
    """Allow the numbers of the readers' pages: the month's tables, counted again."""
    data, now = book.data, book.now
    for frame in (now, book.year):
        for v in ("passed", "failed", "unproven"):
            share(allowed, frame, v)
        for column in ("branch", "kind"):
            for part in frame.partition_by(column):
                for v in ("passed", "failed", "unproven"):
                    share(allowed, part, v)
    for part in book.work.partition_by("month"):
        allowed.counts(part, "verdict")
    signed = now.filter(pl.col("reported") == "passed")
    allowed.counts(signed)
    allowed.counts(signed.filter(pl.col("verdict") != "passed"), "reason")
    signed_before = book.year.filter(pl.col("reported") == "passed")
    for frame in (signed, signed_before):
        share(allowed, frame, "passed")
        allowed.as_unit("share", frame.filter(pl.col("verdict") != "passed").height / max(frame.height, 1))
    for frame in (now, book.year):
        allowed.counts(frame, "reason")
    for group in now.drop_nulls("group_id").partition_by("group_id"):
        allowed.counts(group, "verdict")
    hours = book.hours.filter(pl.col("month") == book.month)
    lost = hours.filter(pl.col("hours_lost") > 0)
    repeat = (
        book.proof_lost.filter(pl.col("month") == book.month)
        .group_by("habit")
        .agg(pl.col("evacuations", "pumped_hours").sum())
    )
    maintenance = data.settings.maintenance
    allowed.as_unit(
        "money",
        *(lost.group_by("factor").agg(pl.col("hours_lost").sum())["hours_lost"] * maintenance.labour_cost_per_hour),
    )
    oil_changes(allowed, book)
    allowed.rows(
        hours,
        lost.group_by("factor").agg(pl.col("hours_lost").sum()),
        repeat,
        book.coverage,
        data.quarantine,
        book.oil,
        book.talks,
        book.effect,
    )
    allowed.count(lost.filter(pl.col("hours_lost") < 0.5).height)
    allowed.as_unit("hours", lost.filter(pl.col("hours_lost") >= 0.5)["hours_lost"].min())
    allowed.as_unit(
        "money",
        *(repeat["pumped_hours"] * maintenance.labour_cost_per_hour),
        maintenance.oil_change_cost,
        maintenance.labour_cost_per_hour,
    )
    allowed.as_unit("micron", maintenance.blankoff_limit_micron)
    lasting = book.finding.filter(pl.col("subject") != "evacuation")
    allowed.rows(lasting, book.finding.filter(pl.col("kind") == "log_recycled"))
    now_ids, then_ids = (
        set(lasting["finding_id"]),
        set(book.earlier_finding.filter(pl.col("subject") != "evacuation")["finding_id"]),
    )
    allowed.count(len(now_ids - then_ids), len(now_ids & then_ids), len(then_ids - now_ids))
    practice = book.practice.sort("month").group_by("technician_id", maintain_order=True).last()
    allowed.rows(practice)
    jobs = (
        book.practice.filter(pl.col("month").is_in(book.months))
        .group_by("technician_id")
        .agg(pl.col("evacuations").sum())
    )
    allowed.count(*jobs["evacuations"].to_list())
    allowed.count(*(practice.filter(pl.col(f"{f}_lower") > pl.col(f"{f}_peers")).height for f in schemas.FAULTS))
    for factor in ("pump", "hose", "gauge", "technician"):
        own = lasting.filter(pl.col("subject") == factor)
        apart = book.effect.filter((pl.col("factor") == factor) & ~pl.col("separable"))["level_id"].n_unique()
        allowed.count(
            len(book.paged[factor]),
            own["subject_id"].n_unique(),
            apart,
            *now.group_by(f"{factor}_id").len()["len"].to_list(),
        )
        allowed.counts(own, "kind")
    told = book.backtest.drop_nulls("covered")
    come = told.drop_nulls("error_days")
    for low, high in ((-1, 30), (30, 90), (90, 180), (180, 365), (-1, 365)):
        every, held, known = (
            f.filter(pl.col("days_ahead").is_between(low, high, closed="right")) for f in (book.backtest, told, come)
        )
        allowed.count(every.height, known.height, held.height, low, high)
        if known.height:
            allowed.count(round(known["error_days"].abs().median()))  # type: ignore[arg-type]
        if held.height:
            allowed.as_unit("share", held["covered"].mean())
    items = work_list(book)
    allowed.as_unit("money", sum(i.oil_cost_per_week or 0.0 for i in items if i.overdue))
    overdue = sum(i.overdue for i in items)
    due = book.oil.filter(pl.col("due_on") <= data.as_of).height
    soon = book.oil.filter(pl.col("due_on") <= data.as_of + dt.timedelta(days=62)).height - due
    allowed.count(
        overdue,
        len(items) - overdue,
        due,
        soon,
        len(book.paged["evacuation"]),
        *(now[c].null_count() for c in ("volume_l", "ambient_c", "gauge_id", "kind")),
    )
    allowed.text(*data.swap_plan, *(why for _, why in data.not_made))


def strip_names(book: Book, text: str) -> str:
    """Take names, ids, dates and hashes out of a text."""
    text = MONTH_OR_DAY.sub(" ", text)
    for name in sorted(book.people_names.values(), key=len, reverse=True):
        text = text.replace(name, " ")
    for path in book.work["log_file"].drop_nulls().to_list():
        text = text.replace(path, " ") if path else text
    return re.sub(
        r"\b[A-Z]+-?\d+[\w.-]*|\b[0-9a-f]{64}\b|\b\d{4}-\d\d/\d+\.csv|sheet --store \S+ \S+ --out \S+", " ", text
    )


def numbers_of(book: Book, path: Path) -> list[str]:
    """Numbers of a page that are no names and no dates, in order."""
    return NUMBER.findall(strip_names(book, "".join(Words(path.read_text(encoding="utf-8")).parts)))


def allowed_on(book: Book, name: str) -> Allowed:
    """What a page may show."""
    allowed = Allowed(book.pressure)
    folder, _, _ = name.partition("/")
    if "/" not in name:
        whole_month(allowed, book)
        return allowed
    id_ = next(i for i in book.paged[folder] if names.page_path(folder, i) == name)
    if folder == "evacuation":
        one_evacuation(allowed, book, id_)
        for twin, *_ in book.evacuation(id_).copies:
            one_evacuation(allowed, book, twin)
        return allowed
    asset_or_person(allowed, book, folder, id_)
    if folder == "technician":
        for e, _ in logs_to_look_at(book, id_):
            one_evacuation(allowed, book, e)
    return allowed


def strangers(allowed: Allowed, shown: Iterable[str]) -> list[str]:
    """Numbers that no table holds."""
    return [n for n in shown if n not in allowed and n.lstrip("−-") not in allowed]


@pytest.fixture(scope="module", params=["micron", pytest.param("pa", marks=pytest.mark.scheduled)])
def traced(request: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[Book, Path]:
    out = tmp_path_factory.mktemp("traced")
    return made(invented_month(Plan(technicians=8, pumps=9, per_month=40, units=request.param)), out), out


def made(data: MonthData, out: Path) -> Book:
    """Write a month's pages; returns the book that they were written from."""
    write_month(data, out)
    return open_book(data, extra=person_extras(data.work, data.finding, words.months_up_to(data.month, 13)))


def pages_to_trace(out: Path) -> list[str]:
    """Every page, of the evacuations every third."""
    found = sorted(p.relative_to(out).as_posix() for p in out.rglob("*.html") if p.name != "glossary.html")
    evacuations = [n for n in found if n.startswith("evacuation/")]
    return [n for n in found if n not in evacuations] + evacuations[::3]


@pytest.fixture(scope="module")
def read(traced: tuple[Book, Path]) -> dict[str, tuple[list[str], Allowed]]:
    """Of every page the numbers on it, and those that it may show."""
    book, out = traced
    return {name: (numbers_of(book, out / name), allowed_on(book, name)) for name in pages_to_trace(out)}


def test_no_number_on_any_page_that_the_tables_do_not_hold(read: dict[str, tuple[list[str], Allowed]]) -> None:
    checked = 0
    for name, (shown, allowed) in read.items():
        assert shown, name
        assert strangers(allowed, shown) == [], name
        checked += len(shown)
    assert checked > 5_000


@pytest.mark.scheduled
def test_no_number_on_the_sample_fleets_pages_that_its_store_does_not_hold(tmp_path: Path) -> None:
    """The same from logs to pages: read, judged, assessed and kept by the pipeline itself."""
    with open_store(tmp_path / "s.duckdb") as store:
        ingest(SAMPLE, store)
        month = store.months()[-1]
        assess(store, month_end(month))
        book = made(month_data(store, month), tmp_path / "pages")
        checked = 0
        for name in pages_to_trace(tmp_path / "pages"):
            shown = numbers_of(book, tmp_path / "pages" / name)
            assert strangers(allowed_on(book, name), shown) == [], name
            checked += len(shown)
    assert checked > 500


def test_a_changed_number_would_be_found(read: dict[str, tuple[list[str], Allowed]]) -> None:
    """The check above can fail: of the numbers with three figures on the pages of things, most would be missed once altered.

    Ratios to the fleet's middle are too many and too alike for that; the next test follows them row by row.
    """
    altered = found = 0
    for name, (shown, allowed) in read.items():
        if "/" not in name:
            continue
        for n in shown:
            if len(re.sub(r"\D", "", n)) >= 3 and not re.fullmatch(r"\d\.\d\d", n):
                other = n[:-1] + str((int(n[-1]) + 4) % 10)
                altered += 1
                found += other not in allowed
    assert altered > 500
    assert found / altered > 0.8, (found, altered)


def test_every_row_under_a_chart_of_ratios_or_rates_is_one_row_of_the_tables(traced: tuple[Book, Path]) -> None:
    book, _ = traced
    times, percent, checked = words.times, words.percent, 0
    monthly = {
        (r["factor"], r["level_id"], r["measure"], words.month_name(r["month"])): r
        for r in book.monthly.iter_rows(named=True)
    }
    effect = {(r["factor"], r["level_id"], r["measure"]): r for r in book.effect.iter_rows(named=True)}
    practice = {(r["technician_id"], words.month_name(r["month"])): r for r in book.practice.iter_rows(named=True)}
    who = {book.name_of("technician", t): t for t in book.paged["technician"]}
    page_of = {names.page_path(f, i): (f, i) for f, ids in book.paged.items() for i in ids}
    for path, page in month_pages(book):
        factor, id_ = page_of.get(path, ("", ""))
        for chart in charts_of(page):
            sort, _, what = chart.key.partition("-")
            for row in chart.table.rows:
                if sort == "history":
                    r = monthly[factor, id_, what, row[0]]
                    wanted = (
                        row[0],
                        times(r["ratio"]),
                        f"{times(r['ratio_lower'])} to {times(r['ratio_upper'])}",
                        words.count(r["n"]),
                    )
                elif sort in ("pump", "hose") and path == "maintenance.html":
                    r = effect[sort, row[0], f"speed_{what}"]
                    wanted = (
                        row[0],
                        times(r["ratio"]),
                        f"{times(r['ratio_lower'])} to {times(r['ratio_upper'])}",
                        words.count(r["n"]),
                        row[4],
                    )
                elif sort == "trend":
                    r = practice[id_, row[0]]
                    inside = f"{percent(r[f'{what}_lower'])} to {percent(r[f'{what}_upper'])}"
                    wanted = (row[0], percent(r[f"{what}_rate"]), inside, percent(r[f"{what}_peers"]), row[4])
                elif sort == "fault":
                    r = practice[who[row[0]], words.month_name(book.month)]
                    inside = words.bounds(percent(r[f"{what}_lower"]), percent(r[f"{what}_upper"]))
                    wanted = (row[0], percent(r[f"{what}_rate"]), inside, percent(r[f"{what}_peers"]))
                else:
                    continue
                assert row == wanted, (path, chart.key)
                checked += 1
    assert checked > 1_000
