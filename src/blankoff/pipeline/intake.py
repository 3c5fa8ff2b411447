"""The first stage: a fleet folder into the store, only what is new, one transaction per batch.

In order: registers; log files that are new or changed, read and judged in batches; what the register and the folder say
of each other; stored logs whose criterion, circuit, gauge or thresholds changed, judged again without their files; copies
among the logs; table ``result``. A run that is killed between two transactions leaves a store from which the next run
goes on, and a run that finds nothing new writes nothing but its own entry.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
import polars as pl

from blankoff import schemas
from blankoff.ingest.folder import LogMatch
from blankoff.pipeline.accounts import COVERAGE_SCHEMA, Intake, common_reasons
from blankoff.pipeline.contexts import job_contexts
from blankoff.pipeline.copying import refresh_copies
from blankoff.pipeline.judging import JudgedJobs, judge_jobs, pick_logs
from blankoff.pipeline.progress import Progress, silent
from blankoff.pipeline.refusals import FOLDER, replace_log_refusals, replace_refusals
from blankoff.pipeline.results import refresh_results
from blankoff.pipeline.sources import (
    FleetFolder,
    LogFiles,
    match_with_kept,
    missing_words,
    open_fleet,
    read_files,
    stored_registers,
)
from blankoff.samples import SampleBatch
from blankoff.settings import Settings
from blankoff.store import Store

BATCH_BYTES = 24 * 2**20
"""Stored bytes of one batch of log files; with its samples in memory some ten times that. This project's judgement."""
BATCH_FILES = 400
BATCH_READINGS = 2_000_000
"""Readings of one batch judged again from the store."""


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
    match = match_with_kept(folder, store, stored_registers(store))
    assigned = match.assigned.select("evacuation_id", path=pl.concat_str(pl.lit("logs/"), "log_file")).drop_nulls(
        "path"
    )
    jobs = job_contexts(store.registers(), folder.settings).join(
        assigned, on="evacuation_id", how="inner", maintain_order="left"
    )
    files_read, judged = _read_new_logs(folder, store, jobs, progress, now, workers, scheduler)
    with store.transaction():
        store.replace_all_if_changed("assigned", assigned.sort("evacuation_id"))
        refused = pl.concat([folder.scan.quarantine, match.quarantine], how="diagonal_relaxed")
        replace_refusals(store, FOLDER, refused, now)
        _forget_orphans(store, jobs)
    judged += _judge_again(store, jobs, folder.settings, progress, workers)
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
    quarantine = store.raw("quarantine")
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


@dataclass(frozen=True)
class _Batch:
    files: LogFiles
    judged: JudgedJobs | None


def _read_new_logs(
    folder: FleetFolder,
    store: Store,
    jobs: pl.DataFrame,
    progress: Progress,
    now: dt.datetime,
    workers: int,
    scheduler: str | None,
) -> tuple[int, int]:
    """Read, judge and store the log files that are new or changed; return how many files, and how many jobs."""
    unread, touched = folder.unread(store, jobs)
    if touched.height:
        with store.transaction():
            store.change("touch_log_files", touched)
    numbers, forgotten = _LogNumbers(store), store.forgotten()
    judged_before = store.read("measure_contexts").select("evacuation_id")
    done = judged = 0
    for batch in _in_order(_parts(unread), folder, jobs, workers, scheduler):
        files = batch.files
        with store.transaction():
            seen_before = _take_files_out(store, files.entries)
            entries, fresh, log_nos = numbers.give(files)
            store.insert("log_file", entries)
            store.insert_samples(forgotten.in_marks(fresh), log_nos)
            if seen_before or files.refused.height:
                replace_log_refusals(store, entries.select("path"), files.refused, now)
            if batch.judged is not None:
                _store_judged(store, number_logs(batch.judged, entries), judged_before)
                judged += batch.judged.measure.height
        done += entries.height
        progress("reading and judging logs", done, unread.height)
    return done, judged


class _LogNumbers:
    """Gives each content its number in the store: one that is there already keeps it, and is not stored twice."""

    def __init__(self, store: Store) -> None:
        files = store.read("log_files").filter(pl.col("status") == "stored")
        self._next = int(store.read("last_log_no")["log_no"][0]) + 1
        self._known = {
            (sha, reader): n for sha, reader, n in files.select("sha256", "reader_sha256", "log_no").iter_rows()
        }

    def give(self, files: LogFiles) -> tuple[pl.DataFrame, SampleBatch, list[int]]:
        """Return the files' entries with ``log_no``, the logs to store, and their numbers."""
        fresh: list[int] = []
        log_nos: list[int] = []
        reader = files.entries["reader_sha256"][0]
        number: dict[str, int] = {}
        for i, sha in enumerate(files.batch.keys):
            known = self._known.get((sha, reader))
            if known is None:
                known = self._next
                self._next += 1
                self._known[(sha, reader)] = known
                fresh.append(i)
                log_nos.append(known)
            number[sha] = known
        entries = files.entries.with_columns(
            log_no=pl.Series(
                [
                    number.get(sha, -1) if status == "stored" else -1
                    for sha, status in files.entries.select("sha256", "status").iter_rows()
                ],
                dtype=pl.Int64,
            )
        )
        return entries, pick_logs(files.batch, np.array(fresh, dtype=np.int64)), log_nos


def _parts(files: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Cut the list of files into batches of bounded size; compressed files count five times."""
    packed = pl.col("path").str.to_lowercase().str.contains(r"\.(gz|zst|parquet)$")
    weights = files.select(pl.when(packed).then(pl.col("bytes") * 5).otherwise("bytes"))["bytes"].to_list()
    start, held = 0, 0
    for i, weight in enumerate(weights):
        if i > start and (held + weight > BATCH_BYTES or i - start >= BATCH_FILES):
            yield files[start:i]
            start, held = i, 0
        held += weight
    if start < files.height:
        yield files[start:]


def read_and_judge(root: str, settings: Settings, files: pl.DataFrame, jobs: pl.DataFrame) -> _Batch:
    """Read some log files and judge the jobs that have them: the work of one batch, on any host that reaches ``root``."""
    read = read_files(root, settings, files)
    return _Batch(read, _judge_fresh(read, jobs, settings))


def _in_order(
    parts: Iterator[pl.DataFrame], folder: FleetFolder, jobs: pl.DataFrame, workers: int, scheduler: str | None
) -> Iterator[_Batch]:
    """Read and judge parts in threads or on other hosts, a few ahead of the writer, and hand them on in order."""
    calls = (
        (
            folder.root,
            folder.settings,
            part,
            jobs.join(part.select("path"), on="path", how="semi", maintain_order="left"),
        )
        for part in parts
    )
    if scheduler is not None:
        from blankoff.pipeline.cluster import in_order_on

        yield from in_order_on(scheduler, read_and_judge, calls)
        return
    if workers == 1:
        yield from (read_and_judge(*call) for call in calls)
        return
    with ThreadPoolExecutor(workers, thread_name_prefix="blankoff") as pool:
        waiting: list[Future[_Batch]] = [pool.submit(read_and_judge, *call) for call in islice(calls, workers + 1)]
        try:
            while waiting:
                batch = waiting.pop(0).result()
                for call in islice(calls, 1):
                    waiting.append(pool.submit(read_and_judge, *call))
                yield batch
        finally:
            for future in waiting:
                future.cancel()


def _judge_fresh(files: LogFiles, jobs: pl.DataFrame, settings: Settings) -> JudgedJobs | None:
    """Judge the jobs of files just read; ``log_no`` is not known yet and stands as the log's place in the batch."""
    place = {sha: i for i, sha in enumerate(files.batch.keys)}
    read = files.entries.filter(pl.col("status") == "stored")
    at = read.select("path", log_index=pl.Series([place[sha] for sha in read["sha256"].to_list()], dtype=pl.Int64))
    mine = jobs.join(at, on="path", how="inner", maintain_order="right_left")
    return judge_jobs(files.batch, mine, settings) if mine.height else None


def number_logs(judged: JudgedJobs, entries: pl.DataFrame) -> JudgedJobs:
    """Put the number of each job's log into its measure, and into its context: a log handed in again is judged again."""
    measure = judged.measure.join(entries.select("path", "log_no"), on="path", how="left", maintain_order="left")
    return replace(judged, measure=_numbered(measure).drop("path"))


def _numbered(jobs: pl.DataFrame) -> pl.DataFrame:
    return jobs.with_columns(context=pl.concat_str(pl.col("log_no").cast(pl.String), "context", separator="|"))


def _store_judged(store: Store, judged: JudgedJobs, judged_before: pl.DataFrame) -> None:
    """Keep what was judged; rows to be replaced are only looked for where jobs were judged before."""
    keys = judged.measure.select("evacuation_id").join(judged_before, on="evacuation_id", how="semi")
    for name, frame in (("measure", judged.measure), ("phase", judged.phase), ("sketch", judged.sketch)):
        store.replace(name, "evacuation_id", frame, keys=keys)


def _take_files_out(store: Store, files: pl.DataFrame) -> bool:
    """Take out what the store holds of these paths, and say whether it held any.

    Samples go when no other path has the same content.
    """
    before = store.read("entries_of_paths", files.select("path"))
    if before.is_empty():
        return False
    store.delete("log_file", "path", before)
    lonely = store.read("lonely_log_nos", before.filter(pl.col("log_no") >= 0).select("log_no"))
    store.delete("sample", "log_no", lonely)
    store.delete("mark", "log_no", lonely)
    return True


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
    return _numbered(jobs.join(stored, on="path", how="inner", maintain_order="left"))


def _judge_again(store: Store, jobs: pl.DataFrame, settings: Settings, progress: Progress, workers: int) -> int:
    """Judge from stored samples every job that was never judged, or was under another context."""
    due = _due(store, jobs)
    known = store.read("measure_contexts").rename({"context": "judged_under"})
    pending = (
        due.join(known, on="evacuation_id", how="left", maintain_order="left")
        .filter(pl.col("context").ne_missing(pl.col("judged_under")))
        .drop("judged_under")
        .sort("log_no", "evacuation_id")
    )
    done = 0
    while done < pending.height:
        part = pending[done:]
        fits = int((part["readings"].cum_sum() <= BATCH_READINGS).sum())
        part = part[: max(fits, 1)]
        logs = part.select("log_no", "sha256").unique("log_no", maintain_order=True)
        logs = logs.with_columns(log_index=pl.int_range(pl.len(), dtype=pl.Int64))
        batch = store.samples_of_logs(logs)
        indexed = part.join(logs.select("log_no", "log_index"), on="log_no", how="left", maintain_order="left")
        judged = judge_jobs(batch, indexed, settings, workers)
        judged = replace(judged, measure=judged.measure.drop("path"))
        with store.transaction():
            _store_judged(store, judged, judged.measure.select("evacuation_id"))
        done += part.height
        progress("judging stored logs again", done, pending.height)
    return done
