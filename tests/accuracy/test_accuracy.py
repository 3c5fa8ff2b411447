"""The figures themselves: on tables whose answer is plain."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import blankoff as bo
from tests.accuracy import figures as fg
from tests.accuracy.copied import KINDS, changed, found_of_each, make_copied
from tests.accuracy.fleet import assessed_store, score, table
from tests.accuracy.lumped import make_lumped
from tests.accuracy.lumped_oil import PumpTruth, oil_findings


def _by_name(rows: list[fg.Figure]) -> dict[str, float]:
    return {row.what: row.value for row in rows}


def test_calibration_error_of_known_odds() -> None:
    """CALC: ten items said to be 0.25 likely of which five come true are 0.25 off."""
    p = np.full(10, 0.25)
    assert fg.calibration_error(p, np.arange(10) < 5) == pytest.approx(0.25)
    assert fg.calibration_error(np.array([0.0, 1.0]), np.array([False, True])) == 0.0


def test_precision_and_recall_leave_young_troubles_out() -> None:
    day = dt.date(2026, 6, 30)
    true = pl.DataFrame(
        {
            "kind": ["pump_worn"] * 4,
            "subject_id": ["P1", "P2", "P3", "P4"],
            "since": [dt.date(2026, 1, 1), dt.date(2026, 1, 1), dt.date(2026, 6, 20), dt.date(2026, 1, 1)],
            "until": [None, None, None, dt.date(2026, 6, 1)],
        }
    )
    found = pl.DataFrame(
        {"as_of": [day] * 2, "kind": ["pump_worn"] * 2, "subject_id": ["P1", "P4"], "since": [dt.date(2026, 1, 31)] * 2}
    )
    told = _by_name(fg.findings(found, true, ["pump_worn"]))
    # P4 was mended before, so naming it is wrong; P3 is ten days old, so not naming it is no miss; P2 is one
    assert told["pump_worn: precision"] == 0.5
    assert told["pump_worn: recall"] == 0.5
    assert told["pump_worn: since within 21 days"] == 0.0


def test_isolation_counts_what_was_not_found() -> None:
    jobs = pl.DataFrame(
        {
            "isolated_at_s": [100.0, 104.0, None, 130.0, 50.0],
            "isolated_at_s_true": [100.0, 100.0, 100.0, 100.0, float("nan")],
            "valve_started_s": [95.0] * 5,
            "sample_interval_s": [2.0] * 5,
        }
    )
    told = _by_name(fg.isolation(jobs))
    assert told["isolation within 15 s"] == 0.5
    assert told["isolation within one sample"] == 0.25
    assert told["isolation within two samples"] == 0.5
    assert told["holds not found"] == 0.25
    assert told["holds found where none stood"] == 1.0


def test_oil_of_a_lumped_pump_is_over_from_the_job_that_spoils_it_until_its_change() -> None:
    """CALC: 20 microns fresh, 180 more after ten hours, 3 a gram; changed on day 100; 60 jobs of half an hour, 9 days apart."""
    day = np.arange(60) * 9.0 + 0.5
    water = np.zeros(60)
    water[8] = 40.0  # on day 72, with 4.5 hours run: 20 + 54 + 120 microns
    oil = PumpTruth(20.0, 10.0, 0.0, day, np.full(60, 0.5), water, np.array([100.0]))
    spells = oil.over()
    assert spells[0] == (72.0, 100.0)
    # 130 microns come after 10 (130 / 180)^(2/3) = 8.05 hours: on the 17th job since the change, that of day 252
    assert spells[1] == (252.0, float("inf"))
    assert oil.due_day(80.0, 1) == 72.0
    assert oil.due_day(300.0, 1) == 252.0
    # dry, it would take 17 jobs 9 days apart; one job in sixty brings 40 g
    assert 200.0 < oil.due_day(100.0, 1) < 253.0
    found = oil_findings([oil])
    assert [(kind, name) for kind, _, name, _, _ in found] == [("oil_due", "PU-00")] * 2
    assert found[1][4] is None


def test_a_fleet_is_judged_assessed_and_scored(tmp_path: Path) -> None:
    """The command's own steps on the committed sample: every kind of figure comes out, and clear logs are judged right."""
    samples = Path(__file__).parents[2] / "synthetic_data"
    truth = samples / "sample_fleet_truth"
    day = pl.read_parquet(truth / "asset.parquet")["as_of"].max()
    assessed_store(samples / "sample_fleet", tmp_path / "store.duckdb", [day])
    assert table(tmp_path / "store.duckdb", "result").height == 40
    told = _by_name(score(tmp_path / "store.duckdb", truth))
    assert told["verdict right, clear"] >= 0.9
    assert {"isolation within 15 s", "honest logs called copies"} <= set(told)
    assert any(name.startswith("effect of pump") for name in told)


def test_a_fleet_with_copies_names_every_one_of_them(tmp_path: Path) -> None:
    truth = make_copied(tmp_path, seed=5, evacuations=40, each=1, pairs=2)
    assert truth["kind"].to_list() == list(KINDS)
    register = pl.read_csv(tmp_path / "fleet" / "evacuations.csv", infer_schema=False)
    added = register.filter(pl.col("log_file").str.starts_with("added/"))
    assert added.height == len(KINDS) + 4
    assert all((tmp_path / "fleet" / "logs" / path).exists() for path in added["log_file"])
    one, other = (pl.read_csv(tmp_path / "fleet" / "logs" / "added" / f"TWIN-000{side}.csv") for side in "AB")
    assert one["elapsed_s"].equals(other["elapsed_s"])
    assert not one["pressure_micron"].equals(other["pressure_micron"])


@pytest.mark.parametrize("how", ["shift", "trim", "noise", "resample", "requantise"])
def test_a_changed_log_is_another_one_of_the_same_course(how: str) -> None:
    t = np.arange(0.0, 1200.0, 2.0)
    log = pl.DataFrame({"elapsed_s": t, "pressure_micron": np.round(200 + 5000 * np.exp(-t / 200)), "ambient_c": 20.0})
    for seed in range(8):
        after, told = changed(log, how, np.random.default_rng(seed))
        assert told
        assert not after.select("elapsed_s", "pressure_micron").equals(log.select("elapsed_s", "pressure_micron"))
        lasts = after["elapsed_s"][-1] - after["elapsed_s"][0]
        assert 700.0 < lasts <= 1200.0
        assert after["pressure_micron"].min() == pytest.approx(log["pressure_micron"].min(), rel=0.08)


def test_copies_are_counted_by_kind_and_honest_logs_called_copies_are_told() -> None:
    truth = pl.DataFrame(
        {"evacuation_id": ["C1", "C2"], "kind": ["whole", "whole"], "copied_from": ["E1", "E2"], "how": ["", ""]}
    )
    copy_of = pl.DataFrame({"evacuation_id": ["C1", "E9"], "copy_of": ["E7", "E8"]})
    counts, honest = found_of_each(truth, copy_of)
    assert counts.row(0) == ("whole", 2, 1, 0)
    assert honest == ["E9"]


def test_a_messy_fleet_is_judged_as_its_clear_logs_are(tmp_path: Path) -> None:
    """Gas breaks, stands broken off, logs vented, thinned and in pieces: what is clear of them is judged right by nine in ten."""
    truth = pl.read_parquet(make_lumped(tmp_path, seed=3, evacuations=120, messy=True) / "evacuation.parquet")
    done = set("+".join(truth["mess"].to_list()).split("+")) | set("+".join(truth["course"].to_list()).split("+"))
    assert done >= {"vent", "gap", "gap_iso", "change", "late", "frozen", "repeat", "break", "interrupted", "resumed"}
    with bo.open_store(tmp_path / "store.duckdb") as store:
        bo.ingest(tmp_path / "fleet", store)
    result = table(tmp_path / "store.duckdb", "result")
    jobs = result.join(truth.filter(pl.col("file_state") == "ok"), on="evacuation_id", suffix="_true")
    clear = jobs.filter("clear")
    assert clear.height > 80
    assert (clear["verdict"] == clear["verdict_true"]).mean() >= 0.9
    assert not (jobs["reason"] == "recycled_log").any()
    # a log that begins late is timed from its own first reading
    late = jobs.filter(pl.col("mess").str.contains("late") & pl.col("isolated_at_s").is_not_null())
    assert ((late["isolated_at_s"] - late["isolated_at_s_true"]).abs() <= 15.0).mean() > 0.6
