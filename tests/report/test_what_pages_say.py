"""Sentences and tables that readers act on, each from frames with known numbers."""

import datetime as dt
from dataclasses import replace

import polars as pl

from blankoff.report import words
from blankoff.report.book import open_book
from blankoff.report.views.asset import asset_page
from blankoff.report.views.changes import changes_section
from blankoff.report.views.history import ratio_history
from blankoff.report.views.maintenance import work_rows
from blankoff.report.views.proof import reasons_section
from blankoff.report.worklist import work_list
from tests.report.test_charts import charts_of


def test_a_hose_set_is_followed_against_its_bore_and_length_and_its_page_says_so(data):
    """Speed in a typical rig and conductance against the register's promise are two things; neither is called by the other's name."""
    slow = data.effect.with_columns(
        ratio=pl.when(pl.col("factor") == "hose").then(0.5).otherwise("ratio"),
        ratio_upper=pl.when(pl.col("factor") == "hose").then(0.6).otherwise("ratio_upper"),
    )
    hours = data.hours_lost.with_columns(hours_lost=pl.lit(7.5))
    book = open_book(replace(data, effect=slow, hours_lost=hours))
    quiet = next(h for h in sorted(book.paged["hose"]) if not book.findings_on("hose", h))
    page = asset_page(book, "hose", quiet)
    assert any("a wider or shorter set would be quicker" in line for line in page.matters)
    titles = [c.title for c in charts_of(page) if c.key in ("history-speed_deep", "history-floor")]
    assert titles[0].startswith("Conductance in the deep stage")
    assert "what hose sets of its bore and length give" in titles[0]
    assert "the fleet's middle" in titles[1]
    bare = {**data.registers, "hoses": data.registers["hoses"].with_columns(bore_mm=pl.lit(None, pl.Float64))}
    unknown = asset_page(open_book(replace(data, effect=slow, hours_lost=hours, registers=bare)), "hose", quiet)
    assert not any("its bore and length promise" in line for line in unknown.matters)
    assert not any("bore and length" in c.title for c in charts_of(unknown))


def test_a_month_that_tells_nothing_is_not_drawn_and_no_title_says_more_than_its_bounds(data):
    """Bounds from a twentieth to twenty hide the other months when drawn; a level whose bounds hold 1 is not called different."""
    months = pl.DataFrame(
        {
            "month": ["2026-08", "2026-09", "2026-10"],
            "ratio": [0.5, 25.0, 0.8],
            "ratio_lower": [0.4, 0.05, 0.6],
            "ratio_upper": [0.6, 20.0, 1.1],
        }
    )
    pump = data.work["pump_id"].drop_nulls()[0]
    frame = months.with_columns(factor=pl.lit("pump"), level_id=pl.lit(pump), measure=pl.lit("speed_deep"), n=pl.lit(6))
    for last, says in ((3, "not clearly apart from"), (1, "0.50 of")):
        chart = ratio_history(open_book(replace(data, monthly=frame.head(last))), "pump", pump, "speed_deep")
        assert says in chart.title
    chart = ratio_history(open_book(replace(data, monthly=frame)), "pump", pump, "speed_deep")
    assert [row["v"] for row in chart.spec["datasets"]["levels"]] == [0.5, 0.8]
    assert [row[1] for row in chart.table.rows] == ["0.50", "25.00", "0.80"]
    assert "in the numbers only" in chart.note


def test_why_it_was_not_proven_is_counted_from_the_table(data, book):
    section = reasons_section(book)
    table = section.blocks[0].value
    now = data.work.filter(pl.col("month") == data.month)
    told = {row.cells[0].text: row.cells[2].text for row in table.rows}
    for reason, n in now.filter(pl.col("verdict") != "passed").group_by("reason").len().iter_rows():
        assert told[words.REASON_WORDS[reason]].split(" (")[0] == str(n)
    failed = now.filter(pl.col("verdict") == "failed")["evacuation_id"].to_list()
    assert sorted(row.cells[0].text for row in section.blocks[1].value.rows) == sorted(failed)


def test_what_an_oil_change_did_is_told_by_pressures_as_measured(data):
    """Known floors of 400 before and 50 after: said with how many pulls, and only of a pump with both."""
    pump = data.work["pump_id"].drop_nulls()[0]
    on = dt.date(2026, 10, 10)
    days = [on + dt.timedelta(days=d) for d in (-60, -20, -3, -1, 0, 2, 5)]
    work = data.work.filter(pl.col("pump_id") == pump).head(len(days)).with_columns(
        started_on=pl.Series(days), floor_micron=pl.Series([9.0, 380.0, 400.0, 420.0, 9.0, 40.0, 60.0])
    )  # fmt: skip
    services = pl.DataFrame({"serviced_on": [on], "asset": ["pump"], "asset_id": [pump], "action": ["oil_change"]})
    book = open_book(replace(data, work=work, registers={**data.registers, "services": services}))
    told = [
        row.cells[3].text for row in changes_section(book).blocks[0].value.rows if row.cells[1].text.startswith("Oil")
    ]
    assert [t.replace("\u00a0", " ").split("; ")[-1] for t in told] == [
        "lowest pressure 400 microns before (3 pulls), 50 microns after (2)"
    ]


def test_waiting_for_oil_costs_what_its_forecast_says(data, book):
    week = {r["pump_id"]: r["cost_of_waiting_per_week"] for r in data.oil_forecast.iter_rows(named=True)}
    items = [i for i in work_list(book) if i.kind == "oil_due"]
    assert items
    assert all(i.oil_cost_per_week == week[i.asset_id] for i in items)
    shown = {row.cells[1].key: row.cells[5].text for row in work_rows(book, items)}
    assert all(f"{words.money(week[i.asset_id])} a week" in shown[i.asset_id.lower()] for i in items)


def test_every_log_of_the_month_has_its_page(data):
    book = open_book(data)
    assert set(data.work.filter(pl.col("month") == data.month)["evacuation_id"]) <= book.paged["evacuation"]
    assert len(book.paged["evacuation"]) < data.work.height
