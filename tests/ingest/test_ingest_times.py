"""Moments out of text, and the clock's traps: offsets, midnight, daylight saving, day and month."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blankoff.ingest.clock import local_to_utc, naive_to_utc, unwrap_midnight
from blankoff.ingest.times import days_from_civil, parse_formatted, parse_moments

EPOCH = datetime(1970, 1, 1)


def _wall(moments: list[datetime], zone: str) -> np.ndarray:
    """What a clock in a zone shows, as seconds since 1970, for moments in UTC."""
    local = [m.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for m in moments]
    return np.array([(m - EPOCH).total_seconds() for m in local])


def _run(start: datetime, n: int = 400, step_s: float = 30.0) -> list[datetime]:
    return [start + timedelta(seconds=step_s * i) for i in range(n)]


@given(st.datetimes(datetime(1970, 1, 2), datetime(2199, 1, 1)))
@settings(deadline=None)
def test_iso_text_gives_what_the_standard_library_says(moment: datetime) -> None:
    """Reference: Python's datetime. ISO 8601 extended and basic, with and without fraction and offset."""
    moment = moment.replace(tzinfo=UTC)
    want = (moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    texts = [
        moment.isoformat(),
        moment.astimezone(ZoneInfo("Etc/GMT-5")).isoformat(),
        moment.strftime("%Y-%m-%d %H:%M:%S.%fZ"),
        moment.strftime("%Y%m%dT%H%M%S.%f+0000"),
    ]
    got = parse_moments(pl.Series(texts))
    assert got.kind == "aware"
    np.testing.assert_allclose(got.seconds, want, atol=2e-6)
    naive = parse_moments(pl.Series([moment.replace(tzinfo=None).isoformat()]))
    assert naive.kind == "naive"
    np.testing.assert_allclose(naive.seconds, want, atol=2e-6)


@given(st.integers(-100, 10_100), st.integers(-2, 15), st.integers(-2, 35))
@settings(deadline=None)
def test_calendar_against_the_standard_library(year: int, month: int, day: int) -> None:
    """Reference: Python's proleptic Gregorian calendar."""
    got = days_from_civil(np.array([float(year)]), np.array([float(month)]), np.array([float(day)]))[0]
    try:
        want = float((datetime(year, month, day) - EPOCH).days)
    except ValueError:
        assert np.isnan(got)
    else:
        assert got == want


@pytest.mark.parametrize(
    "texts",
    [
        [
            "2026-02-30T10:00",
            "2026-13-01T10:00",
            "2026-05-01T25:00",
            "2026-05-01T10:61",
            "1912-05-01T10:00",
            "soon",
            "",
            "١٢",
        ],
        ["0000-00-00T00:00", "99999999", "2026-05-01T10:00:99", "2026-5", "T10", "--", "2026-05-01T10:00+99:00"],
    ],
)
def test_impossible_moments_are_none(texts: list[str]) -> None:
    good = ["2026-05-01T10:00:00"] * 3
    got = parse_moments(pl.Series([*good, *texts]))
    assert np.isfinite(got.seconds[:3]).all()
    assert np.isnan(got.seconds[3:]).all()


@pytest.mark.parametrize(
    ("texts", "day"),
    [
        (["13/04/2026 10:00", "13/04/2026 10:01"], "2026-04-13"),
        (["04/13/2026 10:00", "04/13/2026 10:01"], "2026-04-13"),
        (["03.04.26 23:59", "04.04.26 00:01"], "2026-04-03"),
        (["04/03/26 23:59", "04/04/26 00:01"], "2026-04-03"),
        (["05/05/2026 10:00"], "2026-05-05"),
        (["26-04-13 23:59", "26-04-14 00:01"], "2026-04-13"),
        (["3 Apr 2026 10:00"], "2026-04-03"),
        (["April 3, 2026 10:00"], "2026-04-03"),
        (["2026/04/03 10:00"], "2026-04-03"),
        (["Fri, 3 Apr 2026 10:00"], "2026-04-03"),
    ],
)
def test_day_and_month_are_decided_by_the_whole_file(texts: list[str], day: str) -> None:
    got = parse_moments(pl.Series(texts))
    assert got.question == ""
    assert str(np.datetime64(int(got.seconds[0]), "s")).startswith(day)


@pytest.mark.parametrize(
    "texts", [["03/04/2026 10:00", "03/04/2026 10:01"], ["03.04.26 10:00"], ["3-4-2026 10:00"], ["26-04-13 10:00"]]
)
def test_undecided_day_and_month_is_a_question(texts: list[str]) -> None:
    assert "is the date" in parse_moments(pl.Series(texts)).question


def test_closeness_decides_in_a_log_but_not_in_a_register() -> None:
    texts = pl.Series(["01/02/2026", "02/02/2026"])
    assert parse_moments(texts).question == ""
    assert parse_moments(texts, dates_of_many_jobs=True).question != ""


@pytest.mark.parametrize(
    ("text", "fmt", "seconds"),
    [
        ("04.05.2026 14:00:01", "%d.%m.%Y %H:%M:%S", 1777903201.0),
        ("04.05.26 02:00:01 PM", "%d.%m.%y %I:%M:%S %p", 1777903201.0),
        ("2026-05-04T14:00:01.250", "%Y-%m-%dT%H:%M:%S.%f", 1777903201.25),
        ("2026-05-04T14:00:01+0200", "%Y-%m-%dT%H:%M:%S%z", 1777896001.0),
        ("2026_05_04-PM02_00_01", "%Y_%m_%d-%p%I_%M_%S", 1777903201.0),
        ("14:00:01", "%H:%M:%S", 50401.0),
        ("14:00:01.5", "%H:%M:%S.%f", 50401.5),
        ("02:00 pm", "%I:%M %p", 50400.0),
        ("4.5.2026", "%d.%m.%Y", 1777852800.0),
        ("124 2026", "%j %Y", 1777852800.0),
    ],
)
def test_stated_formats_against_strptime(text: str, fmt: str, seconds: float) -> None:
    """Reference: Python's strptime."""
    got = parse_formatted(pl.Series([text, "nonsense", None]), fmt)
    np.testing.assert_allclose(got.seconds[0], seconds, atol=1e-6)
    assert np.isnan(got.seconds[1:]).all()


def test_midnight_wraps() -> None:
    clock = np.array([86_390.0, 86_395, np.nan, 0, 5, 40_000, 80_000, 86_399, 3])
    np.testing.assert_allclose(
        unwrap_midnight(clock), [86_390, 86_395, np.nan, 86_400, 86_405, 126_400, 166_400, 172_799, 172_803]
    )


SPRING = datetime(2026, 3, 8, 9, 0, tzinfo=UTC)
AUTUMN = datetime(2026, 11, 1, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize("change", [SPRING, AUTUMN])
@pytest.mark.parametrize("before_min", [-30, 1, 30, 59, 61, 90, 150])
def test_a_log_across_a_change_of_daylight_saving_runs_evenly(change: datetime, before_min: int) -> None:
    """Reference: the IANA zone data by way of zoneinfo."""
    moments = _run(change - timedelta(minutes=before_min))
    running = naive_to_utc(_wall(moments, "America/Denver"), "America/Denver")
    got = running.seconds
    want = np.array([m.timestamp() for m in moments])
    np.testing.assert_allclose(np.diff(got), 30.0)
    np.testing.assert_allclose(got, want)
    assert running.or_later_s == 0
    assert running.open_gap is None


@pytest.mark.parametrize("change", [SPRING, AUTUMN])
def test_a_logger_that_ignores_daylight_saving_runs_evenly(change: datetime) -> None:
    first = change.astimezone(ZoneInfo("America/Denver")) - timedelta(minutes=90)
    wall = (first.replace(tzinfo=None) - EPOCH).total_seconds() + 30.0 * np.arange(400)
    np.testing.assert_allclose(np.diff(naive_to_utc(wall, "America/Denver").seconds), 30.0)


@given(
    st.sampled_from(
        ["America/Denver", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC", "Africa/Casablanca"]
    ),
    st.datetimes(datetime(2000, 1, 1), datetime(2035, 1, 1)),
    st.integers(2, 300),
)
@settings(deadline=None)
def test_any_log_in_any_zone_runs_evenly(zone: str, start: datetime, n: int) -> None:
    moments = _run(start.replace(tzinfo=UTC), n, 120.0)
    got = naive_to_utc(_wall(moments, zone), zone).seconds
    np.testing.assert_allclose(np.diff(got), 120.0, atol=1e-5)


@given(
    st.sampled_from(["America/Denver", "Europe/Berlin", "Asia/Kolkata"]),
    st.datetimes(datetime(1990, 1, 1), datetime(2037, 1, 1)),
)
@settings(deadline=None)
def test_single_local_times_against_zoneinfo(zone: str, moment: datetime) -> None:
    got, times = local_to_utc(np.array([(moment - EPOCH).total_seconds()]), zone)
    offsets = [moment.replace(tzinfo=ZoneInfo(zone), fold=fold).utcoffset() for fold in (0, 1)]
    assert times[0] == (1 if offsets[0] == offsets[1] else 2 if offsets[0] > offsets[1] else 0)  # type: ignore[operator]
    assert got[0] == pytest.approx(moment.replace(tzinfo=ZoneInfo(zone)).timestamp(), abs=1e-3)


@given(st.lists(st.one_of(st.none(), st.text(max_size=30)), max_size=20))
@settings(deadline=None)
def test_any_text_parses_without_error(texts: list[str | None]) -> None:
    got = parse_moments(pl.Series(texts, dtype=pl.String))
    assert got.seconds.size == len(texts)
    assert not np.isinf(got.seconds).any()
