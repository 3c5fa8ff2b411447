"""Logs of the hour that came twice: what they leave open is asked, what anything else decides is not.

Reference: the IANA zone data. Denver's clocks were set back on 2026-11-01 at 2:00, 08:00 UTC, to 1:00.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from blankoff import pipeline
from blankoff.ingest.check import check_fleet
from blankoff.ingest.clock import naive_to_utc
from blankoff.ingest.hours import WHICH_BEGAN
from blankoff.ingest.logs import read_logs
from blankoff.settings import Settings
from blankoff.store import open_store

ZONE = "America/Denver"
SETTINGS = Settings(timezone=ZONE)
NIGHT = dt.datetime(2026, 11, 1)
UTC_NIGHT = NIGHT.replace(tzinfo=dt.UTC)


def wall(*minutes: tuple[float, float], step_s: float = 10.0) -> np.ndarray:
    """Seconds since 1970 that a clock shows, for stretches given in minutes after midnight."""
    midnight = (NIGHT - dt.datetime(1970, 1, 1)).total_seconds()
    return midnight + np.concatenate([np.arange(60 * a, 60 * b, step_s) for a, b in minutes])


def text_of(wall_s: np.ndarray, offset: str = "") -> str:
    """A log of a pull with those times."""
    times = [(dt.datetime(1970, 1, 1) + dt.timedelta(seconds=float(s))).isoformat() for s in wall_s]
    pressure = 300.0 + 20_000.0 * np.exp(-np.arange(wall_s.size) / 20.0)
    rows = "".join(f"{t}{offset},{p:.1f}\n" for t, p in zip(times, pressure, strict=True))
    return f"timestamp,pressure_micron\n{rows}"


@pytest.mark.parametrize(
    ("stretches", "begins_h", "lasts_min"),
    [
        ([(70, 130)], 8 + 1 / 6, 60),  # goes on after two o'clock: after
        ([(50, 110)], 6 + 5 / 6, 60),  # was there before one o'clock: before
        ([(70, 120), (60, 110)], 7 + 1 / 6, 100),  # a step back of an hour
        ([(50, 55), (121, 130)], 6 + 5 / 6, 140),  # none of the open hour: each reading by itself
        ([(50, 70), (100, 130)], 6 + 5 / 6, 140),  # both, without a step back: the gap must hide it
        ([(40, 130)], 6 + 2 / 3, 90),  # both, and nothing that could hide it: the logger's clock was not set
    ],
)
def test_what_comes_before_and_after_decides(
    stretches: list[tuple[float, float]], begins_h: float, lasts_min: float
) -> None:
    got = naive_to_utc(wall(*stretches), ZONE)
    assert (got.or_later_s, got.open_gap) == (0.0, None)
    assert got.seconds[0] == pytest.approx(UTC_NIGHT.timestamp() + 3600 * begins_h)
    assert got.seconds[-1] - got.seconds[0] == pytest.approx(60 * lasts_min - 10)


def test_a_log_within_the_hour_may_be_either() -> None:
    got = naive_to_utc(np.concatenate([[np.nan], wall((60, 120))]), ZONE)
    assert got.or_later_s == 3600
    assert got.open_gap is None
    assert got.seconds[1] == UTC_NIGHT.timestamp() + 7 * 3600
    np.testing.assert_allclose(np.diff(got.seconds[1:]), 10.0)


@pytest.mark.parametrize(
    ("stretches", "rows"),
    [([(50, 70), (100, 110)], 120), ([(70, 80), (100, 130)], 60), ([(61, 70), (72, 80)], 54)],
)
def test_a_gap_that_may_hide_the_change_is_asked_about(stretches: list[tuple[float, float]], rows: int) -> None:
    times = wall(*stretches)
    gap = naive_to_utc(np.concatenate([[np.nan], times]), ZONE).open_gap
    assert gap == (rows, rows + 1)
    assert times[rows] - times[rows - 1] > 60


def test_a_gap_of_the_size_of_others_is_none() -> None:
    """A logger that writes on change: minutes between readings are nothing new to it."""
    step = np.tile([10.0, 10.0, 90.0, 10.0, 120.0], 8)
    times = wall((61, 61.1)) + np.concatenate([[0.0], np.cumsum(step)])
    assert naive_to_utc(times, ZONE).open_gap is None
    assert naive_to_utc(np.array([times[0], times[0] + 40, times[0] + 1000, times[0] + 1040]), ZONE).open_gap == (1, 2)


def fleet(root: Path, log: str, started_at: str) -> Path:
    """A fleet of one job."""
    (root / "logs").mkdir(parents=True, exist_ok=True)
    (root / "fleet.toml").write_text(f'timezone = "{ZONE}"\n', encoding="utf-8")
    (root / "logs" / "a.csv").write_text(log, encoding="utf-8")
    (root / "evacuations.csv").write_text(
        f"evacuation_id,log_file,started_at,technician_id,pump_id\nE1,a.csv,{started_at},T1,P1\n", encoding="utf-8"
    )
    return root


def asked(frame: pl.DataFrame) -> list[str]:
    """Questions about the log of which pass it is of."""
    return frame.filter(pl.col("problem").str.starts_with(WHICH_BEGAN))["problem"].to_list()


@pytest.mark.parametrize(
    ("started_at", "is_asked"),
    [
        ("2026-11-01T01:10", True),  # asked itself
        ("2026-11-01T01:10-07:00", False),
        ("2026-11-01T07:00Z", False),
        ("2026-11-01T08:24Z", False),
        ("2026-11-01T07:40Z", True),  # between the two
        ("2026-11-01T00:30", True),  # 40 minutes before the first: the job may have waited
        ("2026-11-01T00:56", False),
    ],
)
def test_a_register_that_is_sure_answers(tmp_path: Path, started_at: str, is_asked: bool) -> None:
    found = check_fleet(fleet(tmp_path, text_of(wall((70, 115))), started_at), SETTINGS)
    assert bool(asked(found.quarantine)) == is_asked
    if is_asked:
        assert "2026-11-01T07:10:00Z or 2026-11-01T08:10:00Z" in asked(found.quarantine)[0]
    assert found.logs["readable"].to_list() == [True]
    assert found.logs["bad_rows"].to_list() == [0], "a question refuses nothing"
    assert found.logs["first_timestamp"].to_list() == [None], "no date is guessed"


def test_offsets_in_the_log_leave_no_question(tmp_path: Path) -> None:
    found = check_fleet(fleet(tmp_path, text_of(wall((70, 115)), "-07:00"), "2026-11-01T01:10"), SETTINGS)
    assert asked(found.quarantine) == []
    assert found.logs["first_timestamp"].to_list() == [UTC_NIGHT + dt.timedelta(hours=8, minutes=10)]


def test_an_open_gap_keeps_the_log_out(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    for name, offset in (("a", ""), ("b", "-06:00")):
        (tmp_path / "logs" / f"{name}.csv").write_text(text_of(wall((61, 80), (100, 115)), offset), encoding="utf-8")
    got = read_logs(["logs/a.csv", "logs/b.csv"], tmp_path, SETTINGS)
    assert got.info["readable"].to_list() == [False, True]
    asks = (
        "were clocks set back between the readings of 01:19:50 and 01:40:00? That hour came twice, and the gap hides it; "
        "write times with their offset, such as 01:30-07:00"
    )
    assert got.quarantine["problem"].to_list() == [asks]


def test_the_question_comes_and_goes_with_the_register(tmp_path: Path) -> None:
    """An answer that is taken back is asked for again, though the log is not read again; first sight is remembered."""
    log = text_of(wall((70, 115)))
    seen = []
    for day, started_at in enumerate(["2026-11-01T01:10", "2026-11-01T01:10-07:00", "2026-11-01T01:10"], 2):
        root = fleet(tmp_path / "f", log, started_at)
        with open_store(tmp_path / "s.duckdb") as store:
            done = pipeline.ingest(root, store, now=dt.datetime(2026, 11, day, tzinfo=dt.UTC), workers=1)
            table = store.table("quarantine")
        assert done.quarantined == table.height
        assert done.files_read == (1 if day == 2 else 0)
        seen.append(table.filter(pl.col("problem").str.starts_with(WHICH_BEGAN))["seen_at"].to_list())
    first = dt.datetime(2026, 11, 2, tzinfo=dt.UTC)
    assert seen == [[first], [], [first]]
