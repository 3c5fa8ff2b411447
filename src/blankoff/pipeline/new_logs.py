"""Log files that are new or changed, in batches: read, judged, and stored, one transaction per batch.

Batches are read and judged in threads or on other hosts, a few ahead of the one writer, and stored in order.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
import polars as pl

from blankoff.pipeline.judging import JudgedJobs, judge_jobs, pick_logs
from blankoff.pipeline.progress import Progress
from blankoff.pipeline.refusals import replace_log_refusals
from blankoff.pipeline.sources import FleetFolder, LogFiles, read_files
from blankoff.samples import SampleBatch
from blankoff.settings import Settings
from blankoff.store import Store

BATCH_BYTES = 24 * 2**20
"""Stored bytes of one batch of log files; with its samples in memory some ten times that. This project's judgement."""
BATCH_FILES = 400


@dataclass(frozen=True)
class _Batch:
    files: LogFiles
    judged: JudgedJobs | None


def read_new_logs(
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
                store_judged(store, number_logs(batch.judged, entries), judged_before)
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
    return replace(judged, measure=numbered(measure).drop("path"))


def numbered(jobs: pl.DataFrame) -> pl.DataFrame:
    """Put the number of each job's log into its context."""
    return jobs.with_columns(context=pl.concat_str(pl.col("log_no").cast(pl.String), "context", separator="|"))


def store_judged(store: Store, judged: JudgedJobs, judged_before: pl.DataFrame) -> None:
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
    store.delete("packed", "log_no", lonely)
    store.delete("mark", "log_no", lonely)
    return True
