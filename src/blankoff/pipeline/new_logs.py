"""Log files that are new or changed: read and judged in batches, stored some batches in one transaction.

Batches are read, judged and packed in threads or on other hosts, a few ahead of the one writer, and stored in order. They are
small, so that what is known of their readings stays near the processor; a transaction costs the same whatever is in it, so
that it takes several.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace

import polars as pl

from blankoff.errors import ClusterError
from blankoff.pipeline.ahead import in_order
from blankoff.pipeline.judging import JudgedJobs, judge_jobs
from blankoff.pipeline.progress import Progress
from blankoff.pipeline.refusals import replace_log_refusals
from blankoff.pipeline.sources import FleetFolder, LogFiles, read_files
from blankoff.pipeline.stated import stated
from blankoff.settings import Settings
from blankoff.store import PackedSamples, Store

BATCH_BYTES = 16 * 2**20
"""Stored bytes of one batch of log files; with its samples in memory some ten times that. This project's judgement."""
BATCH_FILES = 256
STORED_FILES = 2048
"""So many files are stored in one transaction, or what the batches at hand have."""


@dataclass(frozen=True)
class _Batch:
    """What was read and judged: entries and refusals as in `LogFiles`."""

    entries: pl.DataFrame
    refused: pl.DataFrame
    packed: PackedSamples
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
    writer = _Writer(store, now)
    done = 0
    try:
        for batch in _in_order(_parts(unread), folder, jobs, workers, scheduler):
            writer.take(batch)
            done += batch.entries.height
            progress("reading and judging logs", done, unread.height)
    except ClusterError:
        writer.store()  # what came in time is kept
        raise
    writer.store()
    return done, writer.judged


class _Writer:
    """Holds batches until they are worth a transaction."""

    def __init__(self, store: Store, now: dt.datetime) -> None:
        self._store, self._now = store, now
        self._numbers, self._forgotten = _LogNumbers(store), store.forgotten()
        self._judged_before = store.read("measure_contexts").select("evacuation_id")
        self._held: list[_Batch] = []
        self.judged = 0
        """Jobs judged in what is stored."""

    def take(self, batch: _Batch) -> None:
        """Hold a batch, and store what is held if it is enough."""
        self._held.append(batch)
        if sum(b.entries.height for b in self._held) >= STORED_FILES:
            self.store()

    def store(self) -> None:
        """Store what is held, in one transaction."""
        held, self._held = self._held, []
        if not held:
            return
        with self._store.transaction():
            paths = pl.concat([b.entries.select("path") for b in held])
            seen_before, gone = _take_files_out(self._store, paths)
            self._numbers.forget(gone)
            numbered_batches = [self._numbers.give(b) for b in held]
            entries = pl.concat([e for e, _, _ in numbered_batches])
            self._store.insert("log_file", entries)
            self._store.insert_packed([(self._forgotten.in_marks(fresh), n) for _, fresh, n in numbered_batches])
            refused = pl.concat([b.refused for b in held])
            if seen_before or refused.height:
                replace_log_refusals(self._store, paths, refused, self._now)
            judged = JudgedJobs.concat([b.judged for b in held if b.judged is not None])
            if judged is not None:
                store_judged(self._store, number_logs(judged, entries), self._judged_before)
        self.judged += judged.measure.height if judged is not None else 0


class _LogNumbers:
    """Gives each content its number in the store: one that is there already keeps it, and is not stored twice."""

    def __init__(self, store: Store) -> None:
        files = store.read("log_files").filter(pl.col("status") == "stored")
        self._next = int(store.read("last_log_no")["log_no"][0]) + 1
        self._known = {
            (sha, reader): n for sha, reader, n in files.select("sha256", "reader_sha256", "log_no").iter_rows()
        }

    def forget(self, log_nos: pl.DataFrame) -> None:
        """Know numbers no more whose readings were taken out of the store."""
        gone = set(log_nos["log_no"].to_list())
        if gone:
            self._known = {content: n for content, n in self._known.items() if n not in gone}

    def give(self, batch: _Batch) -> tuple[pl.DataFrame, PackedSamples, list[int]]:
        """Return the files' entries with ``log_no``, the logs to store, and their numbers."""
        fresh: list[int] = []
        log_nos: list[int] = []
        reader = batch.entries["reader_sha256"][0]
        number: dict[str, int] = {}
        for i, sha in enumerate(batch.packed.keys):
            known = self._known.get((sha, reader))
            if known is None:
                known = self._next
                self._next += 1
                self._known[(sha, reader)] = known
                fresh.append(i)
                log_nos.append(known)
            number[sha] = known
        entries = batch.entries.with_columns(
            log_no=pl.Series(
                [
                    number.get(sha, -1) if status == "stored" else -1
                    for sha, status in batch.entries.select("sha256", "status").iter_rows()
                ],
                dtype=pl.Int64,
            )
        )
        return entries, batch.packed.pick(fresh), log_nos


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
    judged = _judge_fresh(read, jobs, settings)
    return _Batch(read.entries, read.refused, PackedSamples.of(read.batch), judged)


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
    yield from in_order(read_and_judge, calls, workers)


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
    for name, frame in (("measure", judged.measure), ("phase", stated(judged.phase)), ("sketch", judged.sketch)):
        store.replace(name, "evacuation_id", frame, keys=keys)


def _take_files_out(store: Store, paths: pl.DataFrame) -> tuple[bool, pl.DataFrame]:
    """Take out what the store holds of these paths; say whether it held any, and which ``log_no`` are gone.

    Samples go when no other path has the same content.
    """
    before = store.read("entries_of_paths", paths)
    if before.is_empty():
        return False, before.select("log_no")
    store.delete("log_file", "path", before)
    lonely = store.read("lonely_log_nos", before.filter(pl.col("log_no") >= 0).select("log_no"))
    store.delete("packed", "log_no", lonely)
    store.delete("mark", "log_no", lonely)
    return True, lonely
