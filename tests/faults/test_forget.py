"""A person who is forgotten is in no table, no earlier belief and no free block, no total changes, and nobody returns."""

from __future__ import annotations

import datetime as dt
import os
import re
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from blankoff import pipeline
from blankoff.cli import main
from blankoff.errors import NotInStoreError
from blankoff.store import Store, forget, open_store
from blankoff.store.forgetting import Forgotten, digest
from tests.faults.conftest import NAME, NOW, PERSON, WORD, Reviewed

LOOKED_FOR = re.compile(rf"{re.escape(PERSON)}|{re.escape(NAME)}|{WORD}|Ashgrove", re.IGNORECASE)


def everything_said(store: Store) -> list[str]:
    """Every text of every table, each with where it stands."""
    editor = store.editor()
    return [
        f"{table}.{column}: {text}"
        for table, columns in editor.text_columns.items()
        for column in columns
        for text in editor.texts(table, column)
    ]


def nameless(frame: pl.DataFrame) -> pl.DataFrame:
    """A table without who did it: what must be the same before and after."""
    return frame.drop("technician_id", strict=False)


def test_the_person_is_there_before(reviewed: Reviewed) -> None:
    with open_store(reviewed.store, read_only=True) as store:
        where = {t.split(":")[0] for t in everything_said(store) if LOOKED_FOR.search(t)}
    assert {
        "effect.level_id",
        "finding.statement",
        "finding_before.subject_id",
        "mark.text",
        "practice.technician_id",
        "quarantine.problem",
        "register_evacuations.job_id",
        "register_technicians.name",
        "result_before.technician_id",
    } <= where, "else the tests below prove nothing"


def test_a_forgotten_person_is_nowhere_and_no_total_changes(reviewed: Reviewed, tmp_path: Path) -> None:
    mine = reviewed.copy(tmp_path)
    with open_store(mine.store) as store:
        before = {n: store.table(n) for n in ("result", "phase", "practice", "effect", "finding", "quarantine")}
        readings = store.read("size")
        done = forget(store, PERSON)
    assert done.still_named == ()
    assert done.findings == 2
    with open_store(mine.store, read_only=True) as store:
        assert [t for t in everything_said(store) if LOOKED_FOR.search(t)] == []
        after = {n: store.table(n) for n in before}
        assert store.read("size").equals(readings)
        assert store.earlier_beliefs("result").height == 2
        assert store.table("technicians").filter(technician_id=done.stand_in)["name"].to_list() == [None]
    theirs = pl.col("technician_id") == PERSON
    assert done.evacuations == before["result"].filter(theirs).height > 0
    assert nameless(after["result"]).equals(nameless(before["result"]))
    assert after["phase"].equals(before["phase"])
    assert after["finding"].height == before["finding"].height - 1
    counts = ["evacuations", "holds_owed", "holds_full", "holds_short", "holds_skipped", "targets_missed"]
    assert after["practice"].select(counts).sum().equals(before["practice"].select(counts).sum())
    assert after["quarantine"].height == before["quarantine"].height
    stored = mine.store.read_bytes()
    for text in (PERSON, NAME, WORD):
        assert text.encode() not in stored, "left in a free block of the file"
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_the_next_review_does_not_bring_the_person_back(reviewed: Reviewed, tmp_path: Path) -> None:
    mine = reviewed.copy(tmp_path)
    with open_store(mine.store) as store:
        stand_in = forget(store, NAME).stand_in  # by name as well as by id
    with open_store(mine.store) as store:
        before = store.table("result")
        quiet = pipeline.ingest(mine.fleet, store, now=NOW)
        assert (quiet.files_read, quiet.jobs_judged) == (0, 0)
        # the registers changed, and every log is read again
        register = mine.fleet / "evacuations.csv"
        more = register.read_text(encoding="utf-8").splitlines()
        more.append(more[-3].replace("E00", "N00", 1))
        register.write_text("\n".join(more) + "\n", encoding="utf-8")
        for log in (mine.fleet / "logs").rglob("*.csv"):
            text = log.read_bytes()
            log.write_bytes(text + b"\n")
            os.utime(log, (1e9, 1e9))
        done = pipeline.ingest(mine.fleet, store, now=NOW)
        assert done.files_read >= 5
        assert [t for t in everything_said(store) if LOOKED_FOR.search(t)] == []
        assert store.raw("mark").filter(pl.col("text") == "valve core out").height == 1
        assert store.raw("mark").filter(pl.col("text").str.contains(stand_in)).height == 3
        after = store.table("result").filter(pl.col("evacuation_id").is_in(before["evacuation_id"].implode()))
        assert after.equals(before)
        rows = {r["item"]: r for r in done.coverage.to_dicts()}
        assert rows["technicians"]["refused"] == 0
        pipeline.assess(store, dt.date(2026, 10, 31), now=NOW)
        finding = store.table("finding").filter(pl.col("subject") == "technician")
        assert stand_in not in finding["subject_id"].to_list(), "nobody is to be talked to"


def test_two_people_one_after_the_other(reviewed: Reviewed, tmp_path: Path) -> None:
    mine = reviewed.copy(tmp_path)
    for person in (PERSON, "T01"):
        with open_store(mine.store) as store:
            forget(store, person)
    with open_store(mine.store) as store:
        assert set(store.table("result")["technician_id"]) >= {"forgotten-1", "forgotten-2"}
        with pytest.raises(NotInStoreError, match="forgotten before"):
            forget(store, "T01")
        with pytest.raises(NotInStoreError, match="forgotten already"):
            forget(store, "forgotten-1")
        with pytest.raises(NotInStoreError, match="knows no technician"):
            forget(store, "Nobody")


def test_the_command_asks_first(reviewed: Reviewed, tmp_path: Path) -> None:
    mine = reviewed.copy(tmp_path)
    words = ["forget", "--store", str(mine.store), PERSON]
    refused = CliRunner().invoke(main, words)
    assert refused.exit_code == 2
    assert "--yes" in refused.output
    (tmp_path / "s.duckdb.layout1").write_bytes(b"an older copy")
    done = CliRunner().invoke(main, [*words, "--yes"])
    assert done.exit_code == 0, done.output
    assert "s.duckdb.layout1" in done.output
    assert "all totals stand" in done.output
    assert CliRunner().invoke(main, [*words, "--yes"]).exit_code == 2


@pytest.mark.parametrize(
    ("text", "spoken", "wanted"),
    [
        ("T-7 left", False, "f-1 left"),
        ("T-77 and XT-7 stay", False, "T-77 and XT-7 stay"),
        ("(T-7), 'T-7'; T-7.", False, "(f-1), 'f-1'; f-1."),
        ("rosa  QUILL was here", False, "f-1 was here"),
        ("Rosa said so", False, "Rosa said so"),
        ("ROSA said so, and Quill's hose", True, "f-1 said so, and Quill's hose"),
        ("", True, ""),
    ],
)
def test_names_in_text(text: str, spoken: bool, wanted: str) -> None:
    key = b"k" * 32
    kinds = [("id", "T-7"), ("name", "Rosa Quill"), ("part", "Rosa"), ("part", "Quill")]
    forgotten = Forgotten(key, {(kind, digest(key, kind, t)): "f-1" for kind, t in kinds}, 2)
    assert forgotten.in_text(text, spoken=spoken) == wanted
