import csv
import datetime as dt
import io

import openpyxl
import polars as pl
import pytest
import vobject
from hypothesis import given
from hypothesis import strategies as st

from blankoff.pipeline.exporting import harmless_cells
from blankoff.report.book import open_book
from blankoff.report.handover import HEADINGS, calendar_bytes, csv_bytes, harmless, xlsx_bytes
from blankoff.report.worklist import work_list


@pytest.fixture(scope="module")
def items(data):
    return work_list(open_book(data))


@pytest.fixture(scope="module")
def wild_items(wild_data):
    return work_list(open_book(wild_data))


def test_the_list_is_in_order_of_its_dates(items, data):
    assert len(items) > 4
    assert [i.due for i in items] == sorted(i.due for i in items)
    assert all(i.due >= data.as_of for i in items)
    assert {i.asset for i in items} == {"pump", "hose", "gauge"}


def test_a_worn_pump_is_not_sent_for_oil(items):
    worn = {i.asset_id for i in items if i.kind == "pump_worn"}
    assert worn
    assert not worn & {i.asset_id for i in items if i.kind == "oil_due"}


def test_oil_dates_are_the_forecasts(items, data):
    known = {r["pump_id"]: r for r in data.oil_forecast.iter_rows(named=True)}
    for i in items:
        if i.kind == "oil_due" and not i.finding_id:
            assert i.due == max(known[i.asset_id]["due_on"], data.as_of)
            assert (i.due_lower, i.due_upper) == (known[i.asset_id]["due_lower"], known[i.asset_id]["due_upper"])


@given(
    st.text(max_size=60)
    | st.builds(
        "".join, st.tuples(st.sampled_from(" \u00a0\u3000\t\r\n"), st.sampled_from("=+-@＝＋－＠"), st.text(max_size=5))
    )
)
def test_no_text_is_taken_for_a_formula(text):
    shown = harmless(text)
    assert not shown.lstrip().startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠"))
    assert not shown.startswith(("\t", "\r", "\n"))


def test_csv_reads_back(wild_items):
    rows = list(csv.DictReader(io.StringIO(csv_bytes(wild_items).decode("utf-8-sig"))))
    assert len(rows) == len(wild_items)
    for row, item in zip(rows, wild_items, strict=True):
        assert row["due_on"] == item.due.isoformat()
        assert row["asset_id"].removeprefix("'") == item.asset_id
        for cell in row.values():
            try:
                float(cell or 0)
            except ValueError:
                assert not cell.startswith(("=", "+", "-", "@"))


def test_nothing_is_certain(items):
    import dataclasses

    sure = [dataclasses.replace(i, probability=0.9999) for i in items]
    rows = list(csv.DictReader(io.StringIO(csv_bytes(sure).decode("utf-8-sig"))))
    assert {row["probability"] for row in rows} == {"0.999"}


def test_workbook_reads_back_by_another_library(wild_items, wild_data):
    """openpyxl reads what xlsxwriter wrote [RUN]: same rows, dates as dates, no formula anywhere."""
    sheet = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(wild_items, wild_data.as_of))).active
    rows = list(sheet.iter_rows())
    assert tuple(c.value for c in rows[0]) == HEADINGS
    assert len(rows) == len(wild_items) + 1
    for line, item in zip(rows[1:], wild_items, strict=True):
        assert line[0].value.date() == item.due
        assert all(c.data_type != "f" for c in line)
        assert str(line[6].value).removeprefix("'") == item.asset_id


def test_calendar_is_read_by_an_outside_parser(wild_items, wild_data):
    """vobject reads what icalendar wrote; RFC 5545 line length and line ends [RUN, READ: RFC 5545 section 3.1]."""
    raw = calendar_bytes(wild_items, wild_data.as_of)
    assert raw.replace(b"\r\n", b"").count(b"\n") == 0
    assert all(len(line) <= 75 for line in raw.split(b"\r\n"))
    calendar = vobject.readOne(raw.decode("utf-8"))
    events = calendar.vevent_list
    assert len(events) == len(wild_items)
    for event, item in zip(events, wild_items, strict=True):
        assert event.dtstart.value == item.due
        assert event.dtend.value == item.due + dt.timedelta(days=1)
        assert item.asset_id in event.summary.value
    assert len({e.uid.value for e in events}) == len(events)


def test_the_same_work_keeps_its_uid_from_month_to_month(items, data):
    first = {
        e.summary.value: e.uid.value for e in vobject.readOne(calendar_bytes(items, data.as_of).decode()).vevent_list
    }
    later = {
        e.summary.value: e.uid.value
        for e in vobject.readOne(calendar_bytes(items, data.as_of + dt.timedelta(days=30)).decode()).vevent_list
    }
    assert first == later


def test_the_clock_leaves_no_trace(items, data):
    assert xlsx_bytes(items, data.as_of) == xlsx_bytes(items, data.as_of)


def test_an_empty_list_still_makes_files(data):
    assert openpyxl.load_workbook(io.BytesIO(xlsx_bytes([], data.as_of))).active.max_row == 1
    assert csv_bytes([]).count(b"\r\n") == 1
    assert b"BEGIN:VCALENDAR" in calendar_bytes([], data.as_of)


@given(st.lists(st.text(max_size=20), min_size=1, max_size=5))
def test_exported_cells_are_no_formulas_and_read_back(names):
    """Cells of an exported table: text and the lists joined to text; read back by the standard library's csv [RUN]."""
    wild = [*names, "=1+1", " =1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "＝1+1", "\u3000＠SUM(A1)"]
    frame = pl.DataFrame({"id": wild, "evidence": [[w, "b"] for w in wild], "n": [-1.5] * len(wild)})
    text = harmless_cells(frame).write_csv()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(rows) == len(wild)
    for row, name in zip(rows, wild, strict=True):
        for cell in (row["id"], row["evidence"]):
            assert not cell.lstrip().startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠"))
            assert not cell.startswith(("\t", "\r", "\n"))
        assert row["id"].removeprefix("'") in (name, name.removeprefix("'"))
        assert row["n"] == "-1.5"
