"""Faults from outside: full disks, folders that can't be written, files that change while read, other writers, kills."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest
from click.testing import CliRunner

from blankoff import pipeline
from blankoff.cli import main
from blankoff.pipeline import new_logs, sources, swapping
from blankoff.pipeline.swapping import make_ready, swap_in
from blankoff.settings import Settings
from blankoff.store import STORE_VERSION, open_store
from tests.faults.conftest import NOW, Reviewed
from tests.faults.damaging import try_damaged
from tests.faults.killing import kill_and_go_on
from tests.faults.nursery import Nursery
from tests.pipeline.fleets import assert_same_tables, plain_logs, tables

FULL = bool(os.environ.get("BLANKOFF_FULL"))


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Nursery]:
    """Return a maker of children that begin at once."""
    with Nursery(tmp_path_factory.mktemp("nursery")) as made:
        yield made


def one_line(said: str) -> str:
    """The one line that a refusal is, and nothing but it."""
    lines = said.strip().splitlines()
    assert len(lines) == 1, said
    assert lines[0].startswith("Error: ")
    return lines[0]


def lying_about(folder: Path) -> list[str]:
    """What an interrupted run left beside what it wrote."""
    return [p.name for p in folder.iterdir() if p.name.startswith(".")]


# --- full disks and folders that can't be written ----------------------------------------------------------------------


def as_ingested(wanted: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """What of an undisturbed review's tables is there before anything is assessed."""
    kept = {n: wanted[n] for n in ("result", "phase", "quarantine")}
    ungrouped = [pl.lit(None, dtype=wanted["result"].schema[k]).alias(k) for k in ("group_id", "group_name")]
    return {**kept, "result": wanted["result"].with_columns(ungrouped)}


def fill_and_go_on(nursery: Nursery, reviewed: Reviewed, store: Path, file_bytes: int) -> int:
    """Ingest with a limit on any file's size, then without; return the first run's exit code."""
    fleet = reviewed.fleet
    code, said = nursery.command("ingest", fleet, "--store", store, file_bytes=file_bytes)
    assert code in (0, 1, 2), said
    if code == 2:
        assert "make room" in one_line(said) or "mend it and run again" in one_line(said)
    code_after, said = nursery.command("ingest", fleet, "--store", store)
    assert code_after == 1, said  # the sample holds broken files on purpose
    assert_same_tables(as_ingested(reviewed.wanted), tables(store))
    return code


@pytest.mark.scheduled
def test_a_full_disk_loses_nothing_that_was_stored(nursery: Nursery, reviewed: Reviewed, tmp_path: Path) -> None:
    """A limit on the size of files stands for the disk: writes beyond it fail as they do on a full one."""
    assert fill_and_go_on(nursery, reviewed, tmp_path / "s.duckdb", 150_000) == 2


@pytest.mark.scheduled
@pytest.mark.parametrize(
    "file_bytes", [1_500, 13_000, 700_000, *((5_000, 40_000, 300_000, 1_500_000, 3_000_000) if FULL else ())]
)
def test_disks_full_at_any_moment(nursery: Nursery, reviewed: Reviewed, tmp_path: Path, file_bytes: int) -> None:
    fill_and_go_on(nursery, reviewed, tmp_path / "s.duckdb", file_bytes)


def test_a_disk_that_fills_up_while_pages_are_written_leaves_the_pages_that_were(
    nursery: Nursery, reviewed: Reviewed, tmp_path: Path
) -> None:
    mine = reviewed.copy(tmp_path)
    out = tmp_path / "pages"
    (out / "static").mkdir(parents=True)
    for name in ("index.html", "static/files.txt"):
        (out / name).write_text("last month's")
    words = ["report", "--store", mine.store, "--month", "2026-10", "--out", out]
    code, said = nursery.command(*words, patch="disk full while pages are written")
    assert code == 2, said
    assert "No space left" in one_line(said)
    assert (out / "index.html").read_text() == "last month's"
    assert lying_about(tmp_path) == []


def test_folders_that_cannot_be_written(reviewed: Reviewed, tmp_path: Path) -> None:
    """``/proc`` takes no files, not even from an administrator, as whom tests may run."""
    if not Path("/proc/self").exists():
        pytest.skip("needs a folder that nobody can write to; Linux has /proc")
    before = sorted((str(p), p.stat().st_mtime_ns) for p in reviewed.fleet.rglob("*"))
    for words in (
        ["ingest", reviewed.fleet, "--store", "/proc/s.duckdb"],
        ["review", reviewed.fleet, "--store", tmp_path / "s.duckdb", "--out", "/proc/pages"],
        ["report", "--store", reviewed.store, "--month", "2026-10", "--out", "/proc/pages"],
        ["export", "--store", reviewed.store, "--out", "/proc/tables"],
        ["sheet", "--store", reviewed.store, "E00003", "--out", "/proc/x.pdf"],
    ):
        done = CliRunner().invoke(main, [str(w) for w in words])
        assert done.exit_code == 2, done.output
        assert "cannot be" in one_line(done.output) or "mend that and run again" in one_line(done.output), done.output
    assert not (tmp_path / "s.duckdb").exists(), "refused before anything was written"
    assert sorted((str(p), p.stat().st_mtime_ns) for p in reviewed.fleet.rglob("*")) == before


# --- files that change while they are read -----------------------------------------------------------------------------


def ingest_while(fleet: Path, store: Path, monkeypatch: pytest.MonkeyPatch, happens: object) -> pipeline.Intake:
    """Ingest, and let something happen between listing the files and reading them."""
    read = new_logs.read_files

    def late(root: str, settings: Settings, files: pl.DataFrame) -> sources.LogFiles:
        happens()  # type: ignore[operator]
        return read(root, settings, files)

    monkeypatch.setattr(new_logs, "read_files", late)
    with open_store(store) as opened:
        done = pipeline.ingest(fleet, opened, now=NOW, workers=1)
    monkeypatch.setattr(new_logs, "read_files", read)
    return done


@pytest.mark.parametrize(
    "what", ["vanishes", "grows", *(pytest.param(w, marks=pytest.mark.scheduled) for w in ("shrinks", "is swapped"))]
)
def test_a_file_that_changes_while_it_is_read(
    what: str, reviewed: Reviewed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet, store = reviewed.copy(tmp_path).fleet, tmp_path / "new.duckdb"
    log, other = plain_logs(fleet)[2:4]
    whole = log.read_bytes()
    half = whole[: whole.rindex(b"\n", 0, len(whole) // 2) + 1]
    if what == "grows":
        log.write_bytes(half)

    def happens() -> None:
        if what == "vanishes":
            log.unlink(missing_ok=True)
        else:
            log.write_bytes({"grows": whole, "shrinks": half, "is swapped": other.read_bytes()}[what])

    done = ingest_while(fleet, store, monkeypatch, happens)
    rows = done.coverage
    assert (rows["handed_in"] == rows["used"] + rows["refused"]).all()
    with open_store(store, read_only=True) as opened:
        problems = opened.table("quarantine").filter(path=log.relative_to(fleet).as_posix())["problem"].to_list()
    if what == "vanishes":
        assert any("no such file" in p for p in problems)
        log.write_bytes(whole)
    # the next run reads what lies there now, and comes to what one undisturbed run gives
    with open_store(store) as opened:
        pipeline.ingest(fleet, opened, now=NOW)
    if what in ("vanishes", "grows"):
        assert_same_tables(as_ingested(reviewed.wanted), tables(store))
        return
    with open_store(tmp_path / "whole.duckdb") as opened:
        pipeline.ingest(fleet, opened, now=NOW)
    assert_same_tables(tables(store), tables(tmp_path / "whole.duckdb"))


def test_a_folder_that_goes_away_meanwhile(reviewed: Reviewed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet, store = reviewed.copy(tmp_path).fleet, tmp_path / "new.duckdb"

    def happens() -> None:
        if (fleet / "logs").exists():
            (fleet / "logs").rename(tmp_path / "elsewhere")

    ingest_while(fleet, store, monkeypatch, happens)
    done = CliRunner().invoke(main, ["ingest", str(fleet), "--store", str(store)])
    assert done.exit_code == 2
    assert "no folder logs/" in one_line(done.output)
    (tmp_path / "elsewhere").rename(fleet / "logs")
    with open_store(store) as opened:
        pipeline.ingest(fleet, opened, now=NOW)
    assert_same_tables(as_ingested(reviewed.wanted), tables(store))


# --- other programs, other versions, damage ------------------------------------------------------------------------------


def test_a_second_writer_leaves_or_waits_and_corrupts_nothing(reviewed: Reviewed, tmp_path: Path) -> None:
    mine = reviewed.copy(tmp_path)
    before = tables(mine.store)
    hold = (
        "import sys, time\nfrom blankoff.store import open_store\n"
        "with open_store(sys.argv[1]):\n    print('held', flush=True)\n    time.sleep(float(sys.argv[2]))"
    )
    holder = subprocess.Popen([sys.executable, "-c", hold, str(mine.store), "60"], stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    for words in (["ingest", mine.fleet, "--store", mine.store], ["forget", "--store", mine.store, "T01", "--yes"]):
        done = CliRunner().invoke(main, [str(w) for w in words])
        assert done.exit_code == 2
        assert f"in use by another program (process {holder.pid})" in one_line(done.output)
    holder.kill()
    holder.communicate()
    holder = subprocess.Popen([sys.executable, "-c", hold, str(mine.store), "0.5"], stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with open_store(mine.store, wait_s=30) as opened:
        pipeline.ingest(mine.fleet, opened, now=NOW)
    holder.communicate()
    assert_same_tables(tables(mine.store), before)


def test_a_newer_store_is_refused_by_every_command_and_left_alone(reviewed: Reviewed, tmp_path: Path) -> None:
    mine = reviewed.copy(tmp_path)
    with duckdb.connect(str(mine.store)) as connection:
        connection.execute("INSERT INTO store_version VALUES (?, 'later')", [STORE_VERSION + 1])
    before = mine.store.read_bytes()
    out = tmp_path / "out"
    for words in (
        ["review", mine.fleet, "--store", mine.store, "--out", out],
        ["ingest", mine.fleet, "--store", mine.store],
        ["assess", "--store", mine.store],
        ["report", "--store", mine.store, "--month", "2026-10", "--out", out],
        ["sheet", "--store", mine.store, "E00003", "--out", out],
        ["export", "--store", mine.store, "--out", out],
        ["forget", "--store", mine.store, "T01", "--yes"],
    ):
        done = CliRunner().invoke(main, [str(w) for w in words])
        assert done.exit_code == 2
        assert "newer version of blankoff" in one_line(done.output)
    assert mine.store.read_bytes() == before


@pytest.mark.scheduled
def test_damaged_stores_are_refused_in_one_line(reviewed: Reviewed, tmp_path: Path) -> None:
    ends = try_damaged(reviewed.store, reviewed.fleet, tmp_path, times=3, seed=5)
    assert sum(c.total() for c in ends.values()) == 3


@pytest.mark.scheduled
@pytest.mark.parametrize("seed", range(20 if FULL else 1))
def test_many_damaged_stores(reviewed: Reviewed, tmp_path: Path, seed: int) -> None:
    ends = try_damaged(reviewed.store, reviewed.fleet, tmp_path, times=30 if FULL else 12, seed=50 + seed)
    assert sum(c["refused"] for c in ends.values()) >= 3, "damage that nobody notices tests nothing"


# --- kills ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "moment", [pytest.param("killed before the swap", marks=pytest.mark.scheduled), "killed between two renames"]
)
def test_pages_are_never_half_a_month(moment: str, nursery: Nursery, reviewed: Reviewed, tmp_path: Path) -> None:
    mine = reviewed.copy(tmp_path)
    out = tmp_path / "pages"
    (out / "static").mkdir(parents=True)
    (out / "gone.html").write_text("last month's")
    for name in ("index.html", "static/files.txt"):
        (out / name).write_text("last month's")
    words = ["report", "--store", mine.store, "--month", "2026-10", "--out", out]
    code, said = nursery.command(*words, patch=moment)
    assert code == -signal.SIGKILL, said
    if moment == "killed before the swap":
        assert (out / "index.html").read_text() == "last month's"
    else:  # only where a system cannot exchange two folders in one step
        assert not out.exists()
    assert lying_about(tmp_path) != []
    make_ready(out)
    assert (out / "index.html").read_text() == "last month's", "put back, whole"
    if moment == "killed before the swap":
        return
    code, said = nursery.command(*words)
    assert code == 0, said
    listed = (out / "static" / "files.txt").read_text(encoding="utf-8").split()
    assert len(listed) > 15
    assert all((out / name).is_file() for name in listed)
    assert not (out / "gone.html").exists()
    assert lying_about(tmp_path) == []


@pytest.mark.parametrize("can_exchange", [True, False])
def test_swapping(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, can_exchange: bool) -> None:
    if not can_exchange:
        monkeypatch.setattr(swapping, "_exchange", lambda *_: False)
    for content in ("one", "two"):
        aside = make_ready(tmp_path / "pages")
        aside.mkdir()
        (aside / "a.txt").write_text(content)
        swap_in(tmp_path / "pages")
        assert (tmp_path / "pages" / "a.txt").read_text() == content
        assert lying_about(tmp_path) == []


@pytest.mark.scheduled
def test_a_killed_run_loses_nothing_and_doubles_nothing(nursery: Nursery, reviewed: Reviewed, tmp_path: Path) -> None:
    undisturbed = (reviewed.fleet, reviewed.wanted)
    tally = kill_and_go_on(tmp_path, kills=3, seed=11, longest_s=4.0, undisturbed=undisturbed, nursery=nursery)
    assert (tally.kills, tally.compared >= 1) == (3, True)


@pytest.mark.scheduled
@pytest.mark.parametrize("seed", range(20 if FULL else 1))
def test_many_killed_runs(tmp_path: Path, seed: int) -> None:
    assert kill_and_go_on(tmp_path, kills=15, seed=100 + seed).kills == 15


def test_small_batches_are_what_children_use() -> None:
    assert new_logs.BATCH_FILES > 3, "children lower it; the program itself must not"
