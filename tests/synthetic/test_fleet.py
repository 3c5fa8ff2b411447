"""Whole fleets: complete, seeded, independent of threads, and the committed sample is what the code makes."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from blankoff_synthetic import load_scenario, make_fleet, shipped_scenarios
from blankoff_synthetic.fleet import FleetSummary
from blankoff_synthetic.logfiles import LAYOUTS, PER_MICRON, expand
from blankoff_synthetic.scenario import scenario_from

SAMPLE = Path(__file__).parents[2] / "synthetic_data" / "sample_fleet"


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> FleetSummary:
    return make_fleet("small", tmp_path_factory.mktemp("small") / "sample_fleet", workers=1)


def digest(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def log_micron(path: Path) -> np.ndarray:
    """Pressures of a log in microns, whatever its layout; unusable fields as NaN."""
    if path.suffix == ".parquet":
        frame = pl.read_parquet(path)
        return frame.get_column("pressure_mbar").to_numpy() / PER_MICRON["mbar"]
    data = expand(path.read_bytes(), path.name)
    if path.suffix == ".txt":
        lines = [line.replace(",", ".").split(";") for line in data.decode("utf-16").splitlines()[4:]]
        unit = "hpa"
    else:
        rows = data.decode().splitlines()
        unit = rows[0].split(",")[1].removeprefix("pressure_")
        lines = [row.split(",") for row in rows[1:]]
    values = []
    for line in lines:
        try:
            values.append(float(line[1]) / PER_MICRON[unit])
        except (ValueError, IndexError):
            values.append(np.nan)
    return np.array(values)


def test_the_committed_sample_is_what_the_code_makes(small: FleetSummary) -> None:
    """Registers to the byte; readings to a display step (another machine's exp may round one reading otherwise)."""
    names, made = digest(SAMPLE), digest(small.fleet)
    assert names.keys() == made.keys()
    for name in names:
        if not name.startswith("logs/"):
            assert names[name] == made[name], name
    broken = {item["path"] for item in small.counts["broken"]}
    for name in names:
        if not name.startswith("logs/") or name in broken or names[name] == made[name]:
            continue
        ours, theirs = log_micron(small.fleet / name), log_micron(SAMPLE / name)
        np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
        assert np.nanmean(np.abs(ours - theirs) > 1e-6) < 0.01, name
    for table in ("evacuation", "finding"):
        truth = pl.read_parquet(small.truth / f"{table}.parquet")
        committed = pl.read_parquet(SAMPLE.parent / "sample_fleet_truth" / f"{table}.parquet")
        keys = [c for c, kind in truth.schema.items() if kind in (pl.String, pl.Boolean, pl.Date)]
        assert truth.select(keys).equals(committed.select(keys))


def test_the_committed_sample_is_small() -> None:
    files = [path for folder in (SAMPLE, SAMPLE.parent / "sample_fleet_truth") for path in folder.rglob("*")]
    assert sum(path.stat().st_size for path in files if path.is_file()) < 2_000_000


def test_threads_and_order_change_no_byte(small: FleetSummary, tmp_path: Path) -> None:
    """Every draw is seeded by what it is for, so that the number of workers cannot matter."""
    again = make_fleet("small", tmp_path / "sample_fleet", workers=3)
    assert digest(again.fleet) == digest(small.fleet)


def test_another_seed_is_another_fleet(small: FleetSummary, tmp_path: Path) -> None:
    other = make_fleet("small", tmp_path / "sample_fleet", seed=8)
    assert digest(other.fleet) != digest(small.fleet)


def test_every_row_and_file_is_accounted_for(small: FleetSummary) -> None:
    """The truth's counts add up to what lies in the folder."""
    register = pl.read_csv(small.fleet / "evacuations.csv", infer_schema=False)
    truth = pl.read_parquet(small.truth / "evacuation.parquet")
    assert register.height == truth.height + len(small.counts["slips"])
    named = set(register.get_column("log_file").drop_nulls()) - {""}
    present = {str(p.relative_to(small.fleet / "logs")) for p in (small.fleet / "logs").rglob("*") if p.is_file()}
    missing = {path.removeprefix("logs/") for path in small.counts["missing"]}
    orphans = {path.removeprefix("logs/") for path in small.counts["orphans"]}
    assert named - present == missing
    assert present - named == orphans
    assert sum(small.counts["file_states"].values()) == truth.height
    assert json.loads((small.truth / "counts.json").read_text())["evacuations"] == 40


def test_truth_stays_out_of_the_fleet_folder(small: FleetSummary) -> None:
    names = {path.name for path in small.fleet.rglob("*")}
    assert not {"evacuation.parquet", "counts.json", "finding.parquet"} & names


def test_logs_hold_what_the_truth_says(small: FleetSummary) -> None:
    """A passed evacuation's log, read back, goes below its target and stays below its limit afterwards."""
    truth = pl.read_parquet(small.truth / "evacuation.parquet").filter(
        pl.col("file_state") == "read", pl.col("verdict") == "passed", pl.col("clear"), pl.col("troubles") == ""
    )
    assert truth.height > 10
    for row in truth.iter_rows(named=True):
        micron = log_micron(small.fleet / "logs" / row["log_file"])
        assert np.nanmin(micron) < row["target_micron"]


def test_layouts_are_a_mix() -> None:
    """The demo has every layout, compression, and the troubles that the contract names."""
    assert {layout.kind for layout in LAYOUTS.values()} == {"csv", "parquet", "house"}
    suffixes = {"".join(p.suffixes) for p in (SAMPLE / "logs").rglob("*") if p.is_file()}
    assert {".csv", ".csv.gz", ".csv.zst", ".parquet", ".txt"} <= suffixes


@pytest.mark.parametrize("name", shipped_scenarios())
def test_shipped_scenarios_load(name: str) -> None:
    scenario = load_scenario(name)
    assert scenario.name == name
    assert scenario.evacuations > 0


def test_a_wrong_knob_is_named() -> None:
    with pytest.raises(ValueError, match="unknown key oil_live_h"):
        scenario_from({"pumps": {"oil_live_h": [1, 2]}})
    with pytest.raises(ValueError, match="unknown habit"):
        scenario_from({"habits": [{"kind": "whistles", "technicians": 1, "rate": 0.5}]})
    with pytest.raises(ValueError, match="wants a list"):
        scenario_from({"pumps": {"rated_l_s": 2.0}})
    with pytest.raises(FileNotFoundError, match="shipped are"):
        load_scenario("nowhere")


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "fleet").mkdir()
    (tmp_path / "fleet" / "mine.txt").write_text("keep")
    with pytest.raises(FileExistsError):
        make_fleet("small", tmp_path / "fleet")
    assert (tmp_path / "fleet" / "mine.txt").read_text() == "keep"


def test_nothing_wrong_has_no_standing_findings(tmp_path: Path) -> None:
    """A fleet with nothing wrong owns up to no asset or technician finding."""
    scenario = dataclasses.replace(load_scenario("nothing_wrong"), evacuations=150)
    summary = make_fleet(scenario, tmp_path / "fleet")
    findings = pl.read_parquet(summary.truth / "finding.parquet")
    assert findings.filter(pl.col("subject") != "evacuation").is_empty()


def test_one_technician_is_entangled_with_everything(tmp_path: Path) -> None:
    scenario = dataclasses.replace(load_scenario("one_technician"), evacuations=15)
    summary = make_fleet(scenario, tmp_path / "fleet")
    assert pl.read_parquet(summary.truth / "never_parted.parquet").height == 6


def test_command_line(tmp_path: Path) -> None:
    """The module runs by itself; a wrong scenario ends with status 2 and no traceback."""
    call = [sys.executable, "-m", "blankoff_synthetic"]
    bad = subprocess.run([*call, "nowhere", str(tmp_path / "x")], capture_output=True, text=True, env=os.environ)
    assert bad.returncode == 2
    assert "Traceback" not in bad.stderr
    assert "shipped are" in bad.stderr
