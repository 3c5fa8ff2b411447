"""A page's number is another wherever the page is: every column of every frame is changed, a cell at a time. Tag: CALC."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from blankoff.report import pages
from blankoff.report.book import open_book
from blankoff.report.data import MonthData
from blankoff.report.names import page_path
from blankoff.report.stamps import page_stamps
from blankoff.report.views.person import person_extras
from blankoff.report.words import months_up_to
from tests.report.invented_month import Plan, invented_month

IN_BASE = ("technicians", "pumps", "hoses", "gauges")
"""Registers that every page hangs on: a change writes all of them."""


@pytest.fixture(scope="module")
def data() -> MonthData:
    month = invented_month(Plan(technicians=4, pumps=4, per_month=14, months=4))
    keys = month.work.select("evacuation_id", log_key=pl.col("evacuation_id").hash(1).cast(pl.String))
    return replace(month, log_keys=keys)


def shown(data: MonthData) -> dict[str, tuple[str, str]]:
    """Path → number and text of every page of a single thing."""
    extra = person_extras(data.work, data.finding, months_up_to(data.month, 13))
    book = open_book(data, extra=extra)
    stamps, site = page_stamps(book, "base"), pages._site(data)
    return {
        page_path(kind, id_): (
            stamps[page_path(kind, id_)],
            pages.render(pages._page_of(book, kind, id_), site, "../"),
        )
        for piece in pages._pieces(book)
        for kind, id_ in piece
    }


@pytest.fixture(scope="module")
def before(data: MonthData) -> dict[str, tuple[str, str]]:
    return shown(data)


def frames(data: MonthData) -> Iterator[tuple[str, pl.DataFrame]]:
    """Every frame that pages are made from, by name."""
    yield from ((name, value) for name, value in vars(data).items() if isinstance(value, pl.DataFrame))
    yield from ((f"registers.{name}", frame) for name, frame in data.registers.items() if name not in IN_BASE)


def with_frame(data: MonthData, name: str, frame: pl.DataFrame) -> MonthData:
    kind, _, register = name.partition(".")
    if register:
        return replace(data, registers={**data.registers, register: frame})
    return replace(data, **{kind: frame})


def other(value: Any, column: pl.Series) -> Any:
    """Another value of the kind: of a text, one that stands elsewhere in the column if there is one."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value * 2 + 1
    if isinstance(value, dt.date):
        return value - dt.timedelta(days=1)
    if isinstance(value, list | pl.Series):
        return list(value)[1:]
    return next((t for t in column.drop_nulls().unique().sort() if t != value), f"{value}x")


def changes(data: MonthData, name: str, frame: pl.DataFrame, column: str) -> Iterator[MonthData]:
    """The month with one cell of a column changed; a row of the month's end where the frame has such."""
    rows = [k for k, v in enumerate(frame[column].to_list()) if v is not None]
    for row in (
        rows[-1:] if column in ("evacuation_id", "finding_id") else {rows[-1], rows[len(rows) // 2]} if rows else ()
    ):
        values = frame[column].to_list()
        values[row] = other(values[row], frame[column])
        yield with_frame(data, name, frame.with_columns(pl.Series(column, values, dtype=frame.schema[column])))


def check(data: MonthData, before: dict[str, tuple[str, str]], name: str, column: str) -> int:
    """Hold that no page differs under the same number; return how many differ."""
    differ = 0
    for changed in changes(data, name, dict(frames(data))[name], column):
        for path, (stamp, text) in shown(changed).items():
            if path in before and before[path][1] != text:
                assert before[path][0] != stamp, (name, column, path)
                differ += 1
    return differ


SOME = (
    ("work", "started_on"), ("work", "pump_id"), ("work", "system_oil"), ("phase", "end_micron"), ("finding", "evidence"),
    ("finding", "statement"), ("monthly", "ratio"), ("effect", "ratio"), ("oil_forecast", "due_on"), ("practice", "skipped_rate"),
    ("hours_lost", "hours_lost"), ("registers.services", "serviced_on"), ("registers.coaching", "topic"),
)  # fmt: skip


@pytest.mark.parametrize(("name", "column"), SOME)
def test_a_changed_cell_changes_the_number_of_all_pages_that_show_it(
    data: MonthData, before: dict[str, tuple[str, str]], name: str, column: str
) -> None:
    assert check(data, before, name, column) > 0


@pytest.mark.scheduled
def test_every_column_that_a_page_shows_is_in_its_number(data: MonthData, before: dict[str, tuple[str, str]]) -> None:
    told = {
        (name, column): check(data, before, name, column)
        for name, frame in frames(data)
        for column in frame.columns
        if (name, column) != ("work", "evacuation_id")
    }
    assert sum(n > 0 for n in told.values()) > 80


def test_what_a_page_does_not_show_leaves_its_number(data: MonthData, before: dict[str, tuple[str, str]]) -> None:
    """One evacuation's water is on its own page: no other is written again for it, but its technician's and its log's twins'."""
    row = data.work.height - 1
    at = pl.int_range(pl.len()) == row
    changed = replace(data, work=data.work.with_columns(water_g=pl.when(at).then(7.25).otherwise("water_g")))
    now = shown(changed)
    again = {path for path in before if now[path][0] != before[path][0]}
    evacuation, technician = (data.work[c][row] for c in ("evacuation_id", "technician_id"))
    twins = open_book(data).twins_of(evacuation)
    assert page_path("evacuation", evacuation) in again
    assert again <= {page_path("technician", technician), *(page_path("evacuation", e) for e in (evacuation, *twins))}


def test_pages_taken_over_and_written_anew_come_to_the_same(data: MonthData, tmp_path: Path) -> None:
    """A page that lies there already is given a second name; the folder is what it would be without it."""
    pages.write_month(data, tmp_path / "old", base="b")
    stamps = {
        name: stamp
        for stamp, name in (s.split(" ", 1) for s in (tmp_path / "old" / pages.STAMPS).read_text().splitlines())
    }
    changed = replace(data, practice=data.practice.with_columns(pl.col("skipped_rate") * 0.5))
    asked: list[str] = []

    def earlier(name: str, stamp: str) -> Path | None:
        if stamps.get(name) != stamp:
            return None
        asked.append(name)
        return tmp_path / "old" / name

    listed = pages.write_month(changed, tmp_path / "new", base="b", earlier=earlier)
    whole = pages.write_month(changed, tmp_path / "whole", base="b")
    assert {n.split("/")[0] for n in asked} == {"evacuation", "pump", "hose", "gauge"}
    assert [p.relative_to(tmp_path / "new") for p in listed] == [p.relative_to(tmp_path / "whole") for p in whole]
    for path in whole:
        name = path.relative_to(tmp_path / "whole")
        assert path.read_bytes() == (tmp_path / "new" / name).read_bytes(), name
    assert (tmp_path / "new" / asked[0]).stat().st_ino == (tmp_path / "old" / asked[0]).stat().st_ino
