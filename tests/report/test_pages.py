import datetime as dt
import json
import posixpath
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from blankoff import schemas
from blankoff.report.book import open_book, share_bounds
from blankoff.report.data import MonthData
from blankoff.report.pages import write_month
from blankoff.report.views.common import evidence_of
from blankoff.report.words import CAUTIONS
from blankoff.settings import Settings
from tests.report.invented_month import WILD_NAMES, Plan, invented_month
from tests.report.test_charts import charts_of


class Reader(HTMLParser):
    """Collect links, sources, scripts, ids, text and table rows of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loaded: list[str] = []
        self.ids: list[str] = []
        self.scripts: list[dict[str, str | None]] = []
        self.handlers: list[str] = []
        self.words: list[str] = []
        self.rows: list[list[str]] = []
        self._skip = 0
        self._cell: list[str] | None = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        had = dict(attrs)
        self.handlers += [k for k in had if k.startswith("on")]
        if "id" in had:
            self.ids.append(had["id"])
        if tag == "a":
            self.links.append(had["href"])
        if tag in ("link", "script", "img") and (had.get("href") or had.get("src")):
            self.loaded.append(had.get("href") or had.get("src"))
        if tag == "script":
            self.scripts.append(had)
            self._skip += 1
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self._cell = []

    def handle_endtag(self, tag):
        if tag == "script":
            self._skip -= 1
        if tag in ("td", "th") and self._cell is not None:
            self.rows[-1].append("".join(self._cell))
            self._cell = None

    def handle_data(self, data):
        if not self._skip:
            self.words.append(data)
            if self._cell is not None:
                self._cell.append(data)


def pages_in(folder: Path) -> dict[str, Reader]:
    return {
        p.relative_to(folder).as_posix(): Reader(p.read_text(encoding="utf-8")) for p in sorted(folder.rglob("*.html"))
    }


@pytest.fixture(scope="module")
def pages(folder):
    return pages_in(folder)


@pytest.fixture(scope="module")
def wild_pages(wild_folder):
    return pages_in(wild_folder)


def test_the_readers_pages_are_there(pages):
    assert {"index.html", "operations.html", "maintenance.html", "training.html", "glossary.html"} <= set(pages)
    for folder in ("pump", "hose", "gauge", "technician", "evacuation"):
        assert any(name.startswith(f"{folder}/") for name in pages), folder


@pytest.mark.parametrize("wild", [False, True])
def test_every_link_leads_to_a_page_of_the_folder(wild, request):
    folder = request.getfixturevalue("wild_folder" if wild else "folder").resolve()
    pages = request.getfixturevalue("wild_pages" if wild else "pages")
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert not any(p.is_symlink() for p in folder.rglob("*"))
    for name, page in pages.items():
        for link in (*page.links, *page.loaded):
            path, _, fragment = link.partition("#")
            target = posixpath.normpath(posixpath.join(posixpath.dirname(name), path)) if path else name
            assert target in there, (name, link)
            if fragment and target.endswith(".html"):
                assert fragment in pages[target].ids, (name, link)


def test_every_finding_leads_to_its_logs(book, folder):
    """From the page of its subject to each of the logs behind it, as far as pages list them (60)."""
    checked = 0
    for f in book.findings:
        if f["subject"] not in ("pump", "hose", "gauge", "technician"):
            continue
        page = Reader((folder / book.href(f["subject"], f["subject_id"])).read_text(encoding="utf-8"))
        for e in evidence_of(book, f)[:60]:
            assert f"../{book.href('evacuation', e)}" in page.links, (f["finding_id"], e)
            checked += 1
    assert checked > 20


def test_every_page_carries_the_cautions_a_glossary_and_a_policy(folder, pages):
    for name, page in pages.items():
        text = " ".join("".join(page.words).split())
        for caution in CAUTIONS:
            assert caution in text, name
        assert any(link.endswith("glossary.html") for link in page.links), name
        raw = (folder / name).read_text(encoding="utf-8")
        assert "default-src 'none'" in raw, name
        assert "unsafe" not in raw.split("</head>")[0], name


def test_the_first_lines_of_every_page_say_what_matters(folder, pages):
    for name in pages:
        if name != "glossary.html":
            assert 'class="matters"' in (folder / name).read_text(encoding="utf-8"), name


def test_every_id_is_once_on_its_page(pages):
    for name, page in pages.items():
        assert len(page.ids) == len(set(page.ids)), name


def test_wild_names_are_text_and_nothing_else(wild_pages, wild_folder):
    seen = set()
    for name, page in wild_pages.items():
        assert not page.handlers, name
        assert all(
            s.get("type") == "application/json" or (s.get("src") or "").endswith((".js",)) for s in page.scripts
        ), name
        assert all(re.fullmatch(r"(\.\./)?static/(charts|site)\.js", s["src"]) for s in page.scripts if s.get("src")), (
            name
        )
        text = "".join(page.words)
        seen |= {w for w in WILD_NAMES if w in text}
    assert seen == set(WILD_NAMES)
    for path in wild_folder.rglob("*"):
        assert re.fullmatch(r"[A-Za-z0-9.-]+", path.name), path.name
        assert len(path.name) < 80


def test_two_runs_give_the_same_bytes(tmp_path):
    plan = Plan(technicians=4, pumps=4, per_month=15, months=6)
    for name in ("one", "two"):
        write_month(invented_month(plan), tmp_path / name)
    first = sorted(p for p in (tmp_path / "one").rglob("*") if p.is_file())
    assert len(first) > 30
    for path in first:
        assert path.read_bytes() == (tmp_path / "two" / path.relative_to(tmp_path / "one")).read_bytes(), path.name


def test_the_order_of_rows_changes_nothing(tmp_path):
    data = invented_month(Plan(technicians=4, pumps=4, per_month=15, months=6))
    frames = (
        "work",
        "phase",
        "finding",
        "effect",
        "oil_forecast",
        "practice",
        "monthly",
        "hours_lost",
        "talks",
        "quarantine",
    )
    turned = replace(
        data,
        **{f: getattr(data, f).reverse() for f in frames},
        registers={k: v.reverse() for k, v in data.registers.items()},
    )
    write_month(data, tmp_path / "one")
    write_month(turned, tmp_path / "two")
    for path in sorted(p for p in (tmp_path / "one").rglob("*") if p.is_file()):
        assert path.read_bytes() == (tmp_path / "two" / path.relative_to(tmp_path / "one")).read_bytes(), path.name


def test_a_second_month_removes_only_what_the_first_listed(tmp_path):
    data = invented_month(Plan(technicians=3, pumps=3, per_month=12, months=6))
    write_month(data, tmp_path)
    (tmp_path / "my notes.txt").write_text("keep")
    before = {p.name for p in (tmp_path / "evacuation").iterdir()}
    write_month(replace(data, finding=data.finding.clear()), tmp_path)
    after = {p.name for p in (tmp_path / "evacuation").iterdir()}
    assert after < before
    assert (tmp_path / "my notes.txt").read_text() == "keep"


def test_pascals_throughout_where_the_fleet_wants_them(wild_pages):
    for name, page in wild_pages.items():
        text = "".join(page.words).split("Read this with care")[0]
        if name != "glossary.html":
            assert "micron" not in text.lower(), name


# --- numbers on pages, traced back to the tables ---------------------------------------------------------------------


def test_the_months_counts_are_those_of_the_table(data, pages):
    rows = [r for r in pages["operations.html"].rows if r and r[0].startswith(("October", "September"))]
    shown = {r[0]: [int(x) for x in r[1:]] for r in rows}
    for month, label in (("2026-10", "October 2026"), ("2026-09", "September 2026")):
        known = data.work.filter(pl.col("month") == month)
        count = [known.height, *(known.filter(pl.col("verdict") == v).height for v in ("passed", "failed", "unproven"))]
        assert shown[label] == count


def test_signed_without_proof_lists_exactly_those_jobs(data, book):
    now = data.work.filter(
        (pl.col("month") == data.month) & (pl.col("reported") == "passed") & (pl.col("verdict") != "passed")
    )
    from blankoff.report.views.operations import operations_page

    table = next(
        b.value
        for s in operations_page(book).sections
        for b in s.blocks
        if b.kind == "table" and b.value.caption == "Signed as passed, not proven"
    )
    assert sorted(r.cells[0].text for r in table.rows) == sorted(now["evacuation_id"].to_list())


def _stored(*frames: pl.DataFrame) -> set[float]:
    out: set[float] = set()
    for frame in frames:
        for column in frame.columns:
            if frame.schema[column].is_numeric():
                out |= {float(f"{x:.5g}") for x in frame[column].drop_nulls().to_list()}
                out |= {float(f"{x:.4g}") for x in frame[column].drop_nulls().to_list()}
    return out


def test_no_estimate_is_drawn_that_no_table_holds(data, every_page):
    """Every drawn value and bound, but shares counted on the page itself, is one of the tables' own numbers."""
    tables = _stored(data.effect, data.practice, data.monthly, data.hours_lost, data.work, data.oil_forecast)
    limit = float(f"{data.settings.maintenance.blankoff_limit_micron:.5g}")
    checked = 0
    for path, page in every_page:
        for chart in charts_of(page):
            if chart.key in ("months", "by-branch", "by-kind", "curve", "hold", "copies"):
                continue
            for name, rows in chart.spec["datasets"].items():
                for row in rows:
                    for field in ("v", "low", "high", "peers"):
                        value = row.get(field)
                        if isinstance(value, float) and name != "reference" and not (field == "peers" and value == 1.0):
                            assert value in tables or value == limit, (path, chart.key, name, field, value)
                            checked += 1
    assert checked > 1000


def test_everybodys_year_is_the_tables_own_by_month(data, book):
    from blankoff.report.views.training import year_of_everybody

    people = sorted(data.registers["technicians"]["technician_id"].to_list())
    year = year_of_everybody(book, people)
    assert year is not None
    columns = dict(zip(("hold skipped", "hold cut short", "target not reached", "log not handed in"), ("skipped", "short", "target_missed", "log_missing"), strict=True))  # fmt: skip
    drawn = json.loads(year.json)
    assert [m for m, _ in drawn["months"]] == [f"{m}-01" for m in book.months]
    for t, item in zip(people, drawn["items"], strict=True):
        fault = columns[item["what"]]
        own = book.practice.filter(pl.col("technician_id") == t).sort("month").tail(13)
        excess = {f: own[f"{f}_rate"][-1] - own[f"{f}_peers"][-1] for f in columns.values()}
        assert excess[fault] == max(excess.values())
        for drawn_as, column in (("v", "rate"), ("low", "lower"), ("high", "upper"), ("peers", "peers")):
            assert item[drawn_as] == [round(1000 * x) for x in own[f"{fault}_{column}"].to_list()]


def test_how_past_forecasts_fared_is_counted_from_the_back_test(data, book):
    """The chart's points are the rows whose day came; middle and share by pandas' own median and mean [RUN]."""
    from blankoff.report.views.forecasts import past_forecasts

    chart = past_forecasts(book)
    assert chart is not None
    known = data.backtest.to_pandas()
    come = known[known["came_on"].notna()]
    drawn = chart.spec["datasets"]["forecasts"]
    assert sorted((d["ahead"], d["early"]) for d in drawn) == sorted(
        zip(come["days_ahead"], -come["error_days"], strict=True)
    )
    held = come["covered"].astype(bool)
    assert f"were {round(come['error_days'].abs().median())}\u00a0day" in chart.title
    assert f"{100 * held.mean():.0f}\u00a0% of {len(held)}" in chart.title
    near = come[come["days_ahead"] <= 30]
    assert chart.table.rows[0][2] == str(len(near))
    few = open_book(replace(data, backtest=data.backtest.head(3)))
    assert past_forecasts(few) is None


def test_shares_by_branch_are_counted_from_the_table(data, book):
    """Wilson bounds against statsmodels [RUN]."""
    from statsmodels.stats.proportion import proportion_confint

    from blankoff.report.views.operations_charts import shares_chart

    chart = shares_chart(book, "branch", "branch")
    assert chart is not None
    for row in chart.spec["datasets"]["dots"]:
        if row["series"] != "this month":
            continue
        own = data.work.filter((pl.col("month") == data.month) & (pl.col("branch") == row["label"]))
        hits = own.filter(pl.col("verdict") == "passed").height
        low, high = proportion_confint(hits, own.height, alpha=0.1, method="wilson")
        assert row["v"] == pytest.approx(hits / own.height, abs=1e-5)
        assert (row["low"], row["high"]) == pytest.approx((low, high), abs=1e-5)


def test_bounds_of_a_share_of_nothing_are_everything():
    _, low, high = share_bounds(0, 0)
    assert (low, high) == (0.0, 1.0)


def test_an_evacuations_page_shows_the_results_own_numbers(data, book):
    from blankoff.report.views.evacuation import evacuation_page
    from blankoff.report.words import PressureWords, minutes

    pressure = PressureWords("micron")
    for row in (
        data.work.filter(pl.col("reason").is_in(["held", "leak", "short_hold", "no_log"]))
        .head(40)
        .iter_rows(named=True)
    ):
        page = evacuation_page(book, row["evacuation_id"])
        plain = {k: v for s in page.sections for b in s.blocks if b.kind == "plain" for k, v in b.value}
        assert plain["pumped"] == minutes(row["pumped_minutes"])
        assert plain["last steady reading before isolation"] == pressure.text(row["final_vacuum_micron"])
        if row["verdict"] == "passed":
            assert pressure.text(row["final_vacuum_micron"]) in page.matters[0]


# --- small, empty and odd fleets -------------------------------------------------------------------------------------


def test_one_technician_and_no_optional_register(tmp_path):
    data = invented_month(Plan(technicians=1, pumps=1, per_month=2, registers=False))
    write_month(data, tmp_path)
    text = (tmp_path / "operations.html").read_text(encoding="utf-8")
    assert "register hoses is missing" in text
    training = (tmp_path / "training.html").read_text(encoding="utf-8")
    assert "There is no coaching register" in training


def test_a_month_without_any_evacuation(tmp_path):
    data = invented_month(Plan(technicians=2, pumps=2, per_month=3, months=3))
    quiet = replace(data, month="2027-03", as_of=dt.date(2027, 3, 31))
    write_month(quiet, tmp_path)
    assert "No evacuation is on record for March 2027" in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_nothing_at_all(tmp_path):
    work = invented_month(Plan(technicians=2, pumps=2, per_month=3, months=3)).work.clear()
    paths = write_month(MonthData("2026-10", dt.date(2026, 10, 31), Settings(), work), tmp_path)
    assert (tmp_path / "index.html") == paths[0]


def test_null_columns_cost_what_needs_them_and_no_more(tmp_path):
    data = invented_month(Plan(technicians=3, pumps=3, per_month=10, months=4))
    kept = {"evacuation_id", "month", "technician_id", "pump_id", "verdict", "reason", "started_at", "started_on"}
    bare = data.work.with_columns(pl.lit(None).cast(t).alias(c) for c, t in data.work.schema.items() if c not in kept)
    finding = data.finding.with_columns(
        pl.lit(None).cast(t).alias(c)
        for c, t in data.finding.schema.items()
        if c in {"probability", "effect", "effect_lower", "since", "unit", "statement", "action", "evidence"}
    )
    write_month(replace(data, work=bare, finding=finding), tmp_path)
    assert "Neither branches nor system kinds are known" in (tmp_path / "operations.html").read_text(encoding="utf-8")


def test_an_evacuation_without_a_page_still_has_its_phases(data):
    book = open_book(data)
    bare = next(
        e for e in book.work.filter(pl.col("reason") == "held")["evacuation_id"] if e not in book.paged["evacuation"]
    )
    assert book.evacuation(bare).phase.height == 2


def test_what_of_a_log_was_refused_stands_on_its_page(data):
    from blankoff.report.views.evacuation import evacuation_page

    hurt, whole = data.work.filter(pl.col("log_file").is_not_null())["evacuation_id"].to_list()[:2]
    file = data.work.filter(pl.col("evacuation_id") == hurt)["log_file"].item()
    why = {"path": f"logs/{file}", "seen_at": None}
    refused = [
        {**why, "row": 512, "field": "elapsed_s", "problem": "no time in the time column; mend the line"},
        {**why, "row": None, "field": None, "problem": "cut short; hand in the whole file"},
        {**why, "path": "logs/elsewhere.csv", "row": 3, "field": None, "problem": "NUL bytes in the line"},
        {**why, "path": "evacuations.csv", "row": 4, "field": None, "problem": "given twice"},
    ]
    frame = schemas.QUARANTINE.conform(pl.DataFrame(refused, infer_schema_length=None))
    book = open_book(replace(data, quarantine=frame))
    tables = [b.value for s in evacuation_page(book, hurt).sections for b in s.blocks if b.kind == "table"]
    [table] = [t for t in tables if t.caption.startswith("Refused of this log")]
    assert [[c.text for c in row.cells] for row in table.rows] == [
        ["whole file", "\N{EN DASH}", "cut short; hand in the whole file"],
        ["512", "elapsed_s", "no time in the time column; mend the line"],
    ]
    assert "Refused of this log" not in str(evacuation_page(book, whole))


def test_a_log_that_cannot_be_fetched_is_said(tmp_path, data):
    def gone(evacuation_id: str):
        raise KeyError(evacuation_id)

    book = open_book(replace(data, load_log=gone))
    from blankoff.report.views.evacuation import evacuation_page

    page = evacuation_page(book, sorted(book.paged["evacuation"])[0])
    assert any(b.kind == "missing" and "no readings" in b.value for s in page.sections for b in s.blocks)
