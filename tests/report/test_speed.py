import time

from blankoff.report.book import open_book
from blankoff.report.pages import render, write_month
from blankoff.report.views.evacuation import evacuation_page
from blankoff.report.words import CAUTIONS, GLOSSARY
from tests.report.invented_month import Plan, invented_month


def test_three_thousand_evacuations_take_under_fifteen_seconds(tmp_path):
    """Processor time, so that a busy machine does not decide; the pages of one month, not every log's."""
    data = invented_month(Plan(per_month=215, months=14))
    assert data.work.height > 3000
    start = time.process_time()
    paths = write_month(data, tmp_path)
    took = time.process_time() - start
    assert len(paths) > 100
    assert took < 15.0, took
    for path in paths:
        assert path.stat().st_size < 3_000_000, path.name


def test_one_evacuations_page_takes_under_a_second():
    data = invented_month(Plan(technicians=4, pumps=4, per_month=20, months=6))
    book = open_book(data, all_evacuations=True)
    site = {"month_name": "x", "as_of": "x", "nav": (), "cautions": CAUTIONS, "glossary": GLOSSARY}
    ids = sorted(book.paged["evacuation"])
    render(evacuation_page(book, ids[0]), site, "../")
    start = time.process_time()
    render(evacuation_page(book, ids[1]), site, "../")
    assert time.process_time() - start < 1.0
