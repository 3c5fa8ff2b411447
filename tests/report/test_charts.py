import json
import math
import re

import altair as alt
import numpy as np
import pytest
import vl_convert
from hypothesis import given
from hypothesis import strategies as st

from blankoff.report import theme
from blankoff.report.charts.base import Chart, safe_json
from blankoff.report.charts.copies import copies_chart
from blankoff.report.charts.curve import curve_chart, over_range_stretches, thin_out
from blankoff.report.charts.hold import hold_chart, hold_parts, hold_readings, split_rise


def charts_of(page):
    for block in (*page.opening, *(b for s in page.sections for b in s.blocks)):
        if block.kind == "chart":
            yield block.value
        elif block.kind == "charts":
            yield from block.value


def one_of_each(pages):
    """One chart of every kind on the month's pages, by page and key."""
    found: dict[tuple[str, str], Chart] = {}
    for path, page in pages:
        for chart in charts_of(page):
            found.setdefault((path.partition("/")[0] if "/" in path else path, chart.key), chart)
    return found


@pytest.fixture(scope="module")
def charts(every_page):
    return one_of_each(every_page)


def test_there_are_charts_of_every_sort(charts):
    keys = {key for _, key in charts}
    assert {
        "months",
        "by-branch",
        "by-kind",
        "hours",
        "oil",
        "pump-deep",
        "fault-skipped",
        "practice",
        "trend-skipped",
        "history-floor",
        "spots-floor",
        "curve",
        "hold",
        "copies",
    } <= keys


@pytest.mark.scheduled
def test_every_drawing_follows_the_grammars_schema(charts):
    """Against the Vega-Lite JSON schema that Altair ships [RUN]."""
    for (page, key), chart in charts.items():
        alt.LayerChart.from_dict(chart.spec, validate=True) if "layer" in chart.spec else alt.Chart.from_dict(
            chart.spec, validate=True
        )
        assert chart.spec["$schema"].startswith("https://vega.github.io/schema/vega-lite/v6"), (page, key)


@pytest.mark.scheduled
def test_every_drawing_is_drawn_by_an_outside_renderer(charts):
    """vl-convert compiles each to Vega and draws it [RUN]."""
    for key, chart in charts.items():
        svg = vl_convert.vegalite_to_svg(
            json.dumps({**theme.resolve(chart.spec), "width": 500}), vl_version=theme.VEGA_LITE
        )
        assert svg.startswith("<svg"), key
        assert "var(--" not in svg, key
        assert "NaN" not in svg, key


def test_every_chart_has_a_message_words_and_numbers(charts):
    for key, chart in charts.items():
        assert len(chart.title) > 10, key
        assert len(chart.alt) > 20, key
        assert chart.table.rows, key
        assert all(len(row) == len(chart.table.headers) for row in chart.table.rows), key


def test_specs_name_roles_never_colours(charts):
    for key, chart in charts.items():
        text = json.dumps({k: v for k, v in chart.spec.items() if k != "datasets"})
        assert '"#' not in text, key
        for role in re.findall(r"var\(--([a-z-]+)\)", text):
            assert role in theme.LIGHT, (key, role)


def test_dark_has_every_colour_of_light():
    assert set(theme.DARK) == set(theme.LIGHT)


def _luminance(colour):
    """Relative luminance, WCAG 2.2 [READ]."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one, other):
    a, b = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


@pytest.mark.parametrize("palette", [theme.LIGHT, theme.DARK])
def test_text_and_marks_stand_out_from_the_paper(palette):
    """WCAG 2.2: 4.5 for text, 3 for marks that carry meaning [READ]."""
    for role in ("ink", "muted", "accent", "failed", "service", "water"):
        assert _contrast(palette[role], palette["paper"]) >= 4.5, role
    for role in ("own", "peer", "unproven-edge", "warn"):
        assert _contrast(palette[role], palette["paper"]) >= 3, role
    for fill in ("passed", "failed", "unproven"):
        assert _contrast(palette[fill], palette[f"{fill}-ink"]) >= 4.5, fill


@pytest.mark.parametrize("palette", [theme.LIGHT, theme.DARK])
def test_the_verdicts_differ_in_grey_print(palette):
    """Lightness alone must tell the three apart: neighbouring luminances at least 1.4 to 1; this project's own judgement."""
    levels = sorted(palette[v] for v in ("passed", "failed", "unproven"))
    for i, one in enumerate(levels):
        for other in levels[i + 1 :]:
            assert _contrast(one, other) >= 1.4, (one, other)


def test_json_inside_a_page_cannot_end_its_script_element():
    text = safe_json({"x": "</script><!-- & \u2028"})
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == {"x": "</script><!-- & \u2028"}


@given(st.lists(st.floats(1.0, 1e5), min_size=3, max_size=900), st.integers(2, 40))
def test_thinning_keeps_the_extremes_and_the_ends(values, buckets):
    p = np.array(values)
    t = np.arange(p.size, dtype=float)
    kept_t, kept_p = thin_out(t, p, buckets)
    assert kept_t.size <= 2 * buckets + 2 or p.size <= 2 * buckets
    assert kept_p.min() == p.min()
    assert kept_p.max() == p.max()
    assert (kept_t[0], kept_t[-1]) == (t[0], t[-1])
    assert np.all(np.diff(kept_t) > 0)
    assert np.array_equal(p[kept_t.astype(int)], kept_p)


def test_over_range_stretches_reach_to_the_next_reading_in_range():
    t = np.array([0.0, 5.0, 10.0, 15.0, 20.0])
    p = np.array([np.nan, np.nan, 9000.0, np.nan, np.nan])
    assert over_range_stretches(t, p) == [(0.0, 10.0), (15.0, 20.0)]


def test_the_rise_is_split_as_the_model_says():
    """r t + A (1 - exp(-t / tau)) with the saturating part over the required hold as stored; worked by hand [CALC]."""
    row = {
        "leak_micron_per_min": 6.0,
        "moisture_rise_micron": 100.0,
        "rise_time_constant_min": 5.0,
        "required_hold_minutes": 10.0,
    }
    steady, saturating = hold_parts(row, np.array([0.0, 5.0, 10.0]))
    assert steady.tolist() == [0.0, 30.0, 60.0]
    assert saturating[0] == 0.0
    assert saturating[2] == pytest.approx(100.0)
    assert saturating[1] == pytest.approx(100.0 * (1 - math.exp(-1)) / (1 - math.exp(-2)))
    assert hold_parts({"leak_micron_per_min": None, "moisture_rise_micron": None}, np.array([0.0])) is None


def test_the_split_rise_adds_up_and_follows_the_readings(book):
    """Start, steady and saturating part make the whole, once the settling step has run out; readings scatter by 1 %."""
    checked = 0
    for id_ in book.work.filter(book.work["reason"].is_in(["held", "leak", "moisture"]))["evacuation_id"].to_list()[
        :30
    ]:
        data = book.evacuation(id_)
        t, p = hold_readings(data)
        rise = split_rise(data, t, p)
        assert rise is not None
        late = rise.minutes > 2.0
        assert np.allclose((rise.start + rise.steady + rise.saturating)[late], rise.total[late], rtol=0.02)
        assert np.all(rise.steady >= 0)
        assert np.all(np.diff(rise.saturating) >= -1e-9)
        assert np.median(np.abs(np.interp(t, rise.minutes, rise.total) / p - 1)) < 0.02, id_
        checked += 1
    assert checked == 30


def test_a_hold_of_few_readings_is_split_from_the_stored_numbers(book):
    from blankoff.samples import SampleBatch

    id_ = book.work.filter(book.work["reason"] == "held")["evacuation_id"][0]
    data = book.evacuation(id_)
    start = data.row["isolated_at_s"]
    log = SampleBatch.of_one("few", np.array([0.0, start + 60.0, start + 600.0]), np.array([400.0, 420.0, 500.0]))
    few = type(data)(**{**data.__dict__, "log": log})
    t, p = hold_readings(few)
    rise = split_rise(few, t, p)
    assert rise is not None
    assert rise.steady[-1] == pytest.approx(data.row["leak_micron_per_min"] * t[-1])


def test_the_curve_draws_the_readings_and_the_lines_in_the_fleets_unit(book, wild_data):
    """Saturation at 20 degC is 2 339.3 Pa, IAPWS-95 by an outside library [RUN, reference_checks section 1]."""
    from blankoff.report.book import open_book

    pa = open_book(wild_data, all_evacuations=True)
    id_ = pa.work.filter(pa.work["reason"] == "held")["evacuation_id"][0]
    data = pa.evacuation(id_)
    chart = curve_chart(data, "x")
    curve = [d for d in chart.spec["datasets"]["curve"] if d["y"] is not None]
    seen = {float(f"{x * 101_325 / 760_000:.5g}") for x in data.log.pressure_micron if np.isfinite(x)}
    assert curve
    assert all(d["y"] in seen for d in curve)
    lines = {d["kind"]: d["y"] for d in chart.spec["datasets"]["lines"]}
    assert lines["limit"] == pytest.approx(133.32, rel=1e-4)
    air = float(np.median(data.log.ambient_c))
    assert lines["water"] == pytest.approx(
        2339.3 * math.exp(17.27 * air / (237.3 + air) - 17.27 * 20 / 257.3), rel=0.005
    )


def test_charts_need_what_they_draw(book):
    id_ = book.work.filter(book.work["reason"] == "no_log")["evacuation_id"][0]
    data = book.evacuation(id_)
    assert data.log.readings == 0
    assert hold_chart(data, "x") is None
    assert copies_chart(data) is None
