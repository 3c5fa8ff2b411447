"""Drawings written straight as SVG, read back as XML. Tag: CALC."""

import re
from xml.etree import ElementTree

import pytest

from blankoff.report.book import open_book
from blankoff.report.charts.hold import hold_data
from blankoff.report.paper import Axis, Drawing, axis_number, even_ticks, log_ticks
from blankoff.report.sheet_drawings import curve_on_paper, hold_on_paper

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize(
    ("low", "high", "about", "wanted"),
    [
        (0.0, 22.0, 8, [0.0, 5.0, 10.0, 15.0, 20.0]),
        (0.0, 16.0, 8, [0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0]),
        (-0.35, 0.4, 4, [-0.2, 0.0, 0.2, 0.4]),
        (5.0, 5.0, 8, [5.0]),
    ],
)
def test_even_ticks_are_round_numbers_within(low, high, about, wanted):
    assert even_ticks(low, high, about) == wanted


def test_log_ticks_thin_out_as_decades_grow():
    assert log_ticks(40.0, 3000.0, 9) == [50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0]
    assert log_ticks(1.0, 1e4, 9) == [1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10000.0]
    assert log_ticks(1.0, 1e8, 9) == [10.0**k for k in range(9)]


def test_numbers_part_thousands_and_know_a_minus():
    assert axis_number(20_000.0) == "20\u202f000"
    assert axis_number(-0.25) == "−0.25"


def test_marks_lie_where_their_values_say():
    drawing = Drawing(400.0, 100.0, Axis(0.0, 10.0, "x & y"), Axis(1.0, 100.0, "p", log=True))
    drawing.line([(0.0, 100.0), (5.0, 10.0), (7.0, None), (8.0, 1.0), (10.0, 1.0)], "ink", 1.0)
    drawing.dots([(10.0, 10.0)], "ink", 2.0)
    root = ElementTree.fromstring(drawing.svg())
    left, wide, top = drawing.left, drawing.plane_width, drawing.top
    assert left + wide <= 400.0
    path = next(p for p in root.iter(f"{SVG}path") if p.get("stroke-linejoin"))
    numbers = [float(v) for v in re.findall(r"-?[\d.]+", path.get("d", ""))]
    wanted = [left, top, left + wide / 2, top + 50.0, left + 0.8 * wide, top + 100.0, left + wide, top + 100.0]
    assert numbers == pytest.approx(wanted, abs=0.01)
    assert path.get("d", "").count("M") == 2  # parted where there is no value
    dot = next(root.iter(f"{SVG}circle"))
    assert (float(dot.get("cx", 0)), float(dot.get("cy", 0))) == pytest.approx((left + wide, top + 50.0), abs=0.01)
    assert "x & y" in [t.text for t in root.iter(f"{SVG}text")]


def test_a_phase_too_narrow_for_its_name_has_none():
    drawing = Drawing(400.0, 100.0, Axis(0.0, 10.0, "x"), Axis(0.0, 1.0, "y"))
    drawing.name_below(0.0, 5.0, "pumping", "muted")
    drawing.name_below(5.0, 5.2, "gas break", "muted")
    written = [t.text for t in ElementTree.fromstring(drawing.svg()).iter(f"{SVG}text")]
    assert "pumping" in written
    assert "gas break" not in written


@pytest.mark.parametrize("pascals", [False, True])
def test_every_log_is_drawn_within_its_frame(pascals, book, request):
    """In pascals every third one: the same drawing on another scale."""
    if pascals:
        book = open_book(request.getfixturevalue("wild_data"), all_evacuations=True)
    drawn = 0
    for id_ in list(book.rows)[:: 3 if pascals else 1]:
        one = book.evacuation(id_)
        if not one.log.readings:
            continue
        hold = hold_data(one)
        for svg in [curve_on_paper(one, 740.0, 200.0)[0]] + (
            [hold_on_paper(hold, "microns", 740.0, 120.0)] if hold else []
        ):
            assert "nan" not in svg
            root = ElementTree.fromstring(svg)
            high = float(root.get("height", 0))
            for path in (p for p in root.iter(f"{SVG}path") if p.get("stroke-linejoin")):
                places = [float(v) for v in re.findall(r"-?[\d.]+", path.get("d", ""))]
                assert all(0.0 <= x <= 740.0 for x in places[::2]), id_
                assert all(0.0 <= y <= high for y in places[1::2]), id_
            drawn += 1
    assert drawn > 100
