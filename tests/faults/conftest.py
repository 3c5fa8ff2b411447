"""One reviewed fleet for all tests of this folder, in which one person's name stands wherever a name can stand."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from blankoff import pipeline, schemas
from blankoff.store import open_store
from tests.pipeline.fleets import copy_sample, plain_logs, tables

NOW = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
PERSON, NAME, WORD = "T-0 2/é", "Quillon Ashgrove-Ö", "Quillon"


@dataclass(frozen=True)
class Reviewed:
    """A fleet that was read and assessed: its folder, its store, and the tables that one undisturbed review gives."""

    fleet: Path
    store: Path
    wanted: dict[str, pl.DataFrame]

    def copy(self, target: Path) -> Reviewed:
        """Copy folder and store, times of files included, so that nothing looks new."""
        shutil.copytree(self.fleet, target / "fleet")
        shutil.copy2(self.store, target / "s.duckdb")
        return Reviewed(target / "fleet", target / "s.duckdb", self.wanted)


def name_person_everywhere(fleet: Path) -> None:
    """Give technician T02 of the sample an awkward id, and let the name stand in a job, marks and refused rows."""
    for register in ("technicians", "evacuations", "coaching"):
        path = fleet / f"{register}.csv"
        frame = pl.read_csv(path, infer_schema=False).with_columns(pl.col("technician_id").replace({"T02": PERSON}))
        if register == "technicians":
            theirs = pl.col("technician_id") == PERSON
            frame = frame.with_columns(pl.when(theirs).then(pl.lit(NAME)).otherwise("name").alias("name"))
        if register == "evacuations":
            theirs = pl.col("technician_id") == PERSON
            job = pl.concat_str(pl.lit(f"for {NAME}, "), "evacuation_id")
            frame = frame.with_columns(pl.when(theirs).then(job).otherwise("job_id").alias("job_id"))
            twice = frame.filter(theirs).head(1)  # the same id again: refused, and its refusal says which
            frame = pl.concat([frame, twice, twice.with_columns(started_at=pl.lit("the 3rd, says " + NAME))])
        frame.write_csv(path)
    theirs_too = pl.read_csv(fleet / "evacuations.csv", infer_schema=False).filter(pl.col("technician_id") == PERSON)
    named = set(theirs_too["log_file"].drop_nulls().to_list())
    log = next(p for p in plain_logs(fleet) if p.relative_to(fleet / "logs").as_posix() in named)
    lines = log.read_text(encoding="utf-8").splitlines()
    marks = {9: f"{NAME} checked the oil", 12: f"seen by {WORD.upper()}", 15: f"{PERSON} left", 18: "valve core out"}
    columns = lines[0].split(",")
    if "mark" not in columns:
        lines = [f"{lines[0]},mark", *(f"{line}," for line in lines[1:])]
    assert lines[0].endswith(",mark")
    lines = [f"{line[: line.rindex(',')]},{marks[i]}" if i in marks else line for i, line in enumerate(lines, -1)]
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture(scope="session")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Reviewed:
    """Return the fleet of this folder's tests, reviewed once; copy it before changing anything."""
    root = tmp_path_factory.mktemp("reviewed_once")
    fleet = copy_sample(root / "fleet")
    name_person_everywhere(fleet)
    with open_store(root / "s.duckdb") as store:
        pipeline.ingest(fleet, store, now=NOW)
        for day in (dt.date(2026, 9, 30), dt.date(2026, 10, 31)):
            pipeline.assess(store, day, now=NOW)
    wanted = tables(root / "s.duckdb")
    findings = pl.DataFrame(
        {
            "finding_id": ["aaaa", "bbbb"],
            "as_of": [dt.date(2026, 10, 31)] * 2,
            "kind": ["holds_skipped", "log_recycled"],
            "subject": ["technician", "evacuation"],
            "subject_id": [PERSON, "E00001"],
            "probability": [0.97, 0.99],
            "effect": [0.4, 1.0],
            "statement": [f"Technician {PERSON} skips holds.", f"A copy; ask {NAME} or {PERSON} about it."],
            "action": ["Talk.", "Look."],
            "evidence": [["E00001"], ["E00001"]],
        }
    )
    with open_store(root / "s.duckdb") as store, store.transaction():
        store.insert("finding", schemas.FINDING.conform(findings))
        store.set_aside("finding", schemas.FINDING.conform(findings.head(1)))
        store.set_aside("result", store.table("result").filter(pl.col("technician_id") == PERSON).head(2))
    return Reviewed(fleet, root / "s.duckdb", wanted)
