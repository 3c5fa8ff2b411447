"""Pages and books that the report's tests share; each made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from blankoff.report.book import Book, open_book
from blankoff.report.data import MonthData
from blankoff.report.layout import Page
from blankoff.report.pages import month_pages, write_month
from tests.report.invented_month import WILD_NAMES, Plan, invented_month


@pytest.fixture(scope="session")
def data() -> MonthData:
    return invented_month(Plan(technicians=8, pumps=9, per_month=40))


@pytest.fixture(scope="session")
def book(data: MonthData) -> Book:
    return open_book(data, all_evacuations=True)


@pytest.fixture(scope="session")
def every_page(book: Book) -> list[tuple[str, Page]]:
    """Every page of the book with its path, as it is before it is written."""
    return list(month_pages(book))


@pytest.fixture(scope="session")
def wild_data() -> MonthData:
    return invented_month(Plan(technicians=8, pumps=9, per_month=30, units="pa", names=WILD_NAMES))


@pytest.fixture(scope="session")
def folder(data: MonthData, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("pages")
    write_month(data, out)
    return out


@pytest.fixture(scope="session")
def wild_folder(wild_data: MonthData, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wild")
    write_month(wild_data, out)
    return out
