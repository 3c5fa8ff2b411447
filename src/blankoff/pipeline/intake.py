"""The first stage: a fleet folder into the store, only what is new, one transaction per batch.

In order: registers; log files that are new or changed, read and judged in batches; what the register and the folder say
of each other; stored logs whose criterion, circuit, gauge or thresholds changed, judged again without their files; copies
among the logs; table ``result``. A run that is killed between two transactions leaves a store from which the next run
goes on, and a run that finds nothing new writes nothing but its own entry.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import gc
import json
import os
from collections.abc import Iterator

import polars as pl

from blankoff import schemas
from blankoff.ingest.folder import LogMatch
from blankoff.pipeline.accounts import COVERAGE_SCHEMA, Intake, common_reasons
from blankoff.pipeline.again import judge_again
from blankoff.pipeline.contexts import job_contexts
from blankoff.pipeline.copying import refresh_copies
from blankoff.pipeline.new_logs import numbered, read_new_logs
from blankoff.pipeline.progress import Progress, silent
from blankoff.pipeline.refusals import FOLDER, replace_refusals, settle_hours
from blankoff.pipeline.results import refresh_results
from blankoff.pipeline.sources import (
    FleetFolder,
    match_with_kept,
    missing_words,
    open_fleet,
    stored_registers,
)
from blankoff.store import Store


@contextlib.contextmanager
def _rarely_collecting() -> Iterator[None]:
    """Look for garbage in cycles seldom: what is read is kept in many small objects, none of them in a cycle."""
    before = gc.get_threshold()
    gc.set_threshold(100_000, 50, 1000)
    try:
        yield
    finally:
        gc.set_threshold(*before)


@_rarely_collecting()
def ingest(
    fleet: str | os.PathLike[str],
    store: Store,
    progress: Progress = silent,
    *,
    now: dt.datetime | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
) -> Intake:
    """Bring a fleet folder into the store; what it already holds is not read again.

    Parameters
    ----------
    fleet
        The fleet folder, or an address that fsspec knows.
    store
        A store opened for writing.
    progress
        Told what is being done.
    now
        The moment to note as ``seen_at`` and in the list of runs; the clock's if not given. No other value depends on it.
    workers
        Threads that read and judge; one per core if not given. No value depends on it.
    scheduler
        Address of a Dask scheduler whose workers shall read and judge new logs, as ``tcp://10.0.0.5:8786``. No value
        depends on it.

    Returns
    -------
    Intake
        Counts that add up.

    Raises
    ------
    FleetFolderError
        The folder lacks ``evacuations`` or ``logs/``.
    SettingsError
        ``fleet.toml`` is wrong.
    StoreError
        The store cannot be written.
    ClusterError
        The scheduler does not answer, has no worker, or was lost; what was stored by then is safe.
    """
    folder = open_fleet(fleet)
    now = now or dt.datetime.now(dt.UTC)
    workers = workers or os.cpu_count() or 1
    _bring_in_registers(folder, store, now)
    folder.let_registers_go()
    match = match_with_kept(folder, store, stored_registers(store))
    assigned = match.assigned.select("evacuation_id", path=pl.concat_str(pl.lit("logs/"), "log_file")).drop_nulls(
        "path"
    )
    jobs = job_contexts(store.registers(), folder.settings).join(
        assigned, on="evacuation_id", how="inner", maintain_order="left"
    )
    files_read, judged = read_new_logs(folder, store, jobs, progress, now, workers, scheduler)
    with store.transaction():
        store.replace_all_if_changed("assigned", assigned.sort("evacuation_id"))
        refused = pl.concat([folder.scan.quarantine, match.quarantine], how="diagonal_relaxed")
        replace_refusals(store, FOLDER, refused, now)
        settle_hours(store, assigned)
        _forget_orphans(store, jobs)
    judged += judge_again(store, _unjudged(store, jobs), folder.settings, progress, workers)
    with store.transaction():
        refresh_copies(store, progress)
        superseded = refresh_results(store, folder.settings)
        done = account(folder, store, match, files_read, judged)
        store.replace_all_if_changed("coverage", done.coverage)
        store.record_run(
            "ingest",
            now=now,
            settings=folder.settings,
            counts_json=json.dumps(done.as_dict()),
            rows_superseded=superseded,
        )
    return done


def account(folder: FleetFolder, store: Store, match: LogMatch, files_read: int = 0, judged: int = 0) -> Intake:
    """Count what was handed in, what of it is in the store, and what in quarantine."""
    files = store.read("log_files").filter(pl.col("status") == "stored")
    unnamed = pl.Series([f"logs/{f}" for f in match.unnamed], dtype=pl.String)
    here = pl.col("path").is_in(folder.scan.files["path"].implode())
    used = files.filter(here & ~pl.col("path").is_in(unnamed.implode()))
    entries = store.read("register_files").to_dicts()
    rows = [{"item": "log files", "handed_in": folder.scan.files_handed_in, "used": used.height}]
    rows += [
        {"item": e["name"], "handed_in": e["rows_read"], "used": e["rows_stored"]}
        for e in sorted(entries, key=lambda e: list(schemas.REGISTERS).index(e["name"]))
        if e["path"] is not None
    ]
    coverage = pl.DataFrame(rows, schema={k: v for k, v in COVERAGE_SCHEMA.items() if k != "refused"})
    quarantine = store.table("quarantine")
    missing = store.raw("missing_input")
    return Intake(
        coverage.with_columns(refused=pl.col("handed_in") - pl.col("used")),
        files_read=files_read,
        jobs_judged=judged,
        lines_refused=int(files["refused_lines"].sum() or 0),
        fields_refused=sum(int(e["fields_refused"] or 0) for e in entries),
        quarantined=quarantine.height,
        missing=missing_words(missing) if missing.width else (),
        reasons=common_reasons(quarantine),
        kept=files.filter(~here).height,
    )


def _bring_in_registers(folder: FleetFolder, store: Store, now: dt.datetime) -> None:
    """Read and store the registers, unless not a byte of them changed."""
    before = store.read("register_files")
    if before.height and (before["sha256"] == folder.register_sha256).all():
        return
    read, forgotten = folder.registers, store.forgotten()
    counts = {row["register"]: row for row in read.counts.to_dicts()}
    with store.transaction():
        entries = []
        for name in schemas.REGISTERS:
            store.replace_all_if_changed(f"register_{name}", forgotten.in_register(name, read.frames[name]))
            count = counts.get(name, {})
            path = count.get("path")
            refused = read.quarantine.filter(pl.col("path") == path) if path else read.quarantine.clear()
            replace_refusals(store, name, refused, now)
            entries.append(
                {
                    "name": name,
                    "path": path,
                    "sha256": folder.register_sha256,
                    "rows_read": count.get("rows_handed_in", 0),
                    "rows_stored": count.get("rows_kept", 0),
                    "rows_refused": count.get("rows_refused", 0),
                    "fields_refused": _fields_refused(refused, read.frames[name]),
                }
            )
        store.replace_all("register_file", pl.DataFrame(entries, schema_overrides={"path": pl.String}))
        store.replace_all("missing_input", read.missing)


def _fields_refused(refused: pl.DataFrame, frame: pl.DataFrame) -> int:
    """How many refusals are of a field whose row was used all the same."""
    return refused.filter(pl.col("row").is_in(frame["row"].implode())).height


def _forget_orphans(store: Store, jobs: pl.DataFrame) -> None:
    """Take out what was judged for evacuations that are gone from the register, or whose log is no longer theirs."""
    due = _due(store, jobs)
    gone = store.read("measure_contexts").select("evacuation_id").join(due, on="evacuation_id", how="anti")
    for name in ("measure", "phase", "sketch"):
        store.delete(name, "evacuation_id", gone)


def _due(store: Store, jobs: pl.DataFrame) -> pl.DataFrame:
    """Return every job with a stored log: `job_contexts` with ``log_no, sha256, readings``."""
    stored = store.read("log_files").filter(pl.col("status") == "stored")
    stored = stored.select("path", pl.col("log_no").cast(pl.Int64), "sha256", "readings")
    return numbered(jobs.join(stored, on="path", how="inner", maintain_order="left"))


def _unjudged(store: Store, jobs: pl.DataFrame) -> pl.DataFrame:
    """Return every job with a stored log that was never judged, or was under another context."""
    known = store.read("measure_contexts").rename({"context": "judged_under"})
    return (
        _due(store, jobs)
        .join(known, on="evacuation_id", how="left", maintain_order="left")
        .filter(pl.col("context").ne_missing(pl.col("judged_under")))
        .drop("judged_under")
    )
