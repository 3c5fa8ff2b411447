"""A scheduler and workers in processes of their own: the same tables, whatever happens to them on the way."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from blankoff import pipeline
from blankoff.errors import BlankoffError, ClusterError, FleetFolderError
from blankoff.pipeline import new_logs
from blankoff.store import Store, open_store
from tests.benchmarks.corpus import make_corpus

pytest.importorskip("distributed")
pytest.importorskip("fsspec")

NOW = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
LOGS = 120
TABLES = ("measure", "phase", "sketch", "log_file", "result", "copy_of", "quarantine")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_corpus(tmp_path_factory.mktemp("hosts"), LOGS, readings=400).folder
    # one that cannot be read, and one nobody names
    (folder / "logs" / "d0000" / "E0000007.csv").write_bytes(b"nothing of the kind")
    (folder / "logs" / "d0000" / "stray.csv").write_bytes(b"elapsed_s,pressure_micron\n0,1\n")
    return folder


@pytest.fixture(scope="module")
def in_process(fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    with open_store(tmp_path_factory.mktemp("here") / "s.duckdb") as store:
        pipeline.ingest(fleet, store, now=NOW)
        return tables(store)


def tables(store: Store) -> dict[str, pl.DataFrame]:
    frames = {name: store.raw(name) for name in TABLES}
    files = store.read("log_files").filter(pl.col("status") == "stored").sort("path")
    batch = store.samples_of_logs(files.select("log_no", "sha256"))
    frames["samples"] = pl.DataFrame({"t": batch.elapsed_s, "p": batch.pressure_micron, "c": batch.ambient_c})
    return frames


def assert_same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    for name, frame in one.items():
        assert frame.equals(other[name], null_equal=True), name


class Hosts:
    """A scheduler and its workers."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "scheduler.json"
        self.processes: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        give_up = time.monotonic() + 60
        while not self.file.exists() or not self.file.read_text():
            assert time.monotonic() < give_up, "no scheduler after a minute"
            time.sleep(0.1)
        import json

        self.address = json.loads(self.file.read_text())["address"]

    def _start(self, kind: str, *options: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "dask", kind, "--scheduler-file", str(self.file), *options]
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, "OMP_NUM_THREADS": "1"}
        )
        self.processes.append(process)
        return process

    def worker(self) -> subprocess.Popen[bytes]:
        return self._start("worker", "--nthreads", "1", "--no-nanny", "--no-dashboard", "--memory-limit", "0")


@contextmanager
def hosts(folder: Path) -> Iterator[Hosts]:
    folder.mkdir(exist_ok=True)
    found = Hosts(folder)
    try:
        yield found
    finally:
        for process in found.processes:
            process.kill()
        for process in found.processes:
            process.wait()


@pytest.mark.scheduled
def test_two_hosts_give_the_same_tables_though_one_is_killed(
    fleet: Path, in_process: dict[str, pl.DataFrame], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("BATCH_FILES", "STORED_FILES"):
        monkeypatch.setattr(new_logs, name, 10)
    with open_store(tmp_path / "s.duckdb") as store:
        pipeline.ingest(fleet, store, now=NOW)
        many_batches = tables(store)
    assert_same(in_process, many_batches)
    with hosts(tmp_path / "dask") as found, open_store(tmp_path / "far.duckdb") as store:
        doomed = found.worker()
        killed = []

        def progress(stage: str, done: int, total: int) -> None:
            if stage.startswith("reading") and not killed:
                found.worker()
                doomed.send_signal(signal.SIGKILL)
                killed.append(done)

        done = pipeline.ingest(fleet, store, progress, now=NOW, scheduler=found.address)
        assert killed
        assert killed[0] < LOGS, "it was killed with work left to do"
        assert done.files_read == LOGS
        assert_same(in_process, tables(store))


@pytest.mark.scheduled
def test_a_lost_scheduler_ends_the_run_and_the_next_one_goes_on(
    fleet: Path, in_process: dict[str, pl.DataFrame], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("BATCH_FILES", "STORED_FILES"):
        monkeypatch.setattr(new_logs, name, 10)
    stored = 0
    with hosts(tmp_path / "dask") as found, open_store(tmp_path / "far.duckdb") as store:
        found.worker()

        def progress(stage: str, done: int, total: int) -> None:
            nonlocal stored
            if stage.startswith("reading") and not stored:
                stored = done
                for process in found.processes:
                    process.kill()

        with pytest.raises(ClusterError, match="run again, and it goes on"):
            pipeline.ingest(fleet, store, progress, now=NOW, scheduler=found.address)
        assert 0 < store.read("log_files").height < LOGS
    with hosts(tmp_path / "again") as found, open_store(tmp_path / "far.duckdb") as store:
        found.worker()
        done = pipeline.ingest(fleet, store, now=NOW, scheduler=found.address)
        assert done.files_read < LOGS, "what was stored is not read again"
        assert_same(in_process, tables(store))


@pytest.mark.scheduled
def test_no_scheduler_is_said_in_words(fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("blankoff.pipeline.cluster.CONNECT_S", 2.0)
    with open_store(tmp_path / "s.duckdb") as store, pytest.raises(ClusterError, match="no scheduler answers"):
        pipeline.ingest(fleet, store, now=NOW, scheduler="tcp://127.0.0.1:9")


# --- fleets at an address -----------------------------------------------------------------------------------------


@pytest.fixture
def in_memory(fleet: Path) -> Iterator[str]:
    """The fleet in fsspec's own store of objects in memory, the stand-in for one on the network."""
    import fsspec

    system: Any = fsspec.filesystem("memory")
    system.put(f"{fleet}/", "/bucket/fleet/", recursive=True)
    yield "memory://bucket/fleet"
    system.rm("/bucket", recursive=True)


def test_a_fleet_of_objects_gives_the_tables_of_the_folder(
    in_memory: str, fleet: Path, in_process: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    import fsspec

    with open_store(tmp_path / "s.duckdb") as store:
        pipeline.ingest(in_memory, store, now=NOW)
        found = tables(store)
        found["log_file"] = found["log_file"].with_columns(in_process["log_file"]["mtime_ns"])
        assert_same(in_process, found)
        assert pipeline.ingest(in_memory, store, now=NOW).files_read == 0
        # one object written anew, with something else in it
        system: Any = fsspec.filesystem("memory")
        name = "/bucket/fleet/logs/d0000/E0000003.csv"
        system.pipe(name, system.cat(name)[:-200])
        assert pipeline.ingest(in_memory, store, now=NOW).files_read == 1


def test_an_address_of_this_machine_reads_like_its_folder(
    fleet: Path, in_process: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    with open_store(tmp_path / "s.duckdb") as store:
        pipeline.ingest(f"file://{fleet}", store, now=NOW)
        found = tables(store)
        found["log_file"] = found["log_file"].with_columns(in_process["log_file"]["mtime_ns"])
        assert_same(in_process, found)


def test_addresses_that_lead_nowhere_are_said_in_words(fleet: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb") as store:
        with pytest.raises(FleetFolderError, match="no fleet folder at"):
            pipeline.ingest("memory://nothing/here", store)
        with pytest.raises(FleetFolderError, match="no kind of address"):
            pipeline.ingest("carrier-pigeon://loft/fleet", store)
        shutil.copytree(fleet, tmp_path / "bare", ignore=shutil.ignore_patterns("logs"))
        with pytest.raises(FleetFolderError, match="no folder logs/"):
            pipeline.ingest(f"file://{tmp_path / 'bare'}", store)
    with pytest.raises(BlankoffError, match="name a place for the store"):
        pipeline.review("memory://bucket/fleet")
