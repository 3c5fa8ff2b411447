"""Stored logs whose criterion, circuit, gauge or thresholds changed, judged again; no file is read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import polars as pl

from blankoff.pipeline.ahead import in_order
from blankoff.pipeline.judging import JudgedJobs, judge_jobs
from blankoff.pipeline.new_logs import store_judged
from blankoff.pipeline.progress import Progress
from blankoff.settings import Settings
from blankoff.store import PackedSamples, Store

BATCH_JOBS, BATCH_READINGS = 256, 400_000
"""Judged at a time by one thread: few, so that what is known of their readings stays near the processor."""
FETCHED_JOBS, FETCHED_READINGS = 2048, 8_000_000
"""Fetched at a time, packed, and stored at a time: what the database does costs much the same for few."""


def judge_again(store: Store, pending: pl.DataFrame, settings: Settings, progress: Progress, workers: int) -> int:
    """Judge jobs from stored samples, and store what comes of it.

    Parameters
    ----------
    store
        A store open for writing, in no transaction.
    pending
        `job_contexts` of the jobs with ``log_no, sha256, readings``.
    settings
        For the thresholds of judging.
    progress
        Told how many jobs are done.
    workers
        Threads; no number depends on it.

    Returns
    -------
    int
        How many jobs were judged.
    """
    held: list[JudgedJobs] = []
    done = stored = 0
    for judged in in_order(_judge, _batches(store, pending, settings), workers):
        held.append(judged)
        done += judged.measure.height
        if done - stored >= FETCHED_JOBS:
            _store(store, held)
            stored, held = done, []
        progress("judging stored logs again", done, pending.height)
    _store(store, held)
    return done


def _store(store: Store, held: list[JudgedJobs]) -> None:
    judged = JudgedJobs.concat(held)
    if judged is None:
        return
    judged = replace(judged, measure=judged.measure.drop("path"))
    with store.transaction():
        store_judged(store, judged, judged.measure.select("evacuation_id"))


def _cut(jobs: pl.DataFrame, most_jobs: int, most_readings: int) -> Iterator[pl.DataFrame]:
    """Cut jobs into parts of bounded size, of one job at least."""
    start, held = 0, 0
    for i, readings in enumerate(jobs["readings"].to_list()):
        if i > start and (i - start >= most_jobs or held + readings > most_readings):
            yield jobs[start:i]
            start, held = i, 0
        held += readings
    if start < jobs.height:
        yield jobs[start:]


def _batches(
    store: Store, pending: pl.DataFrame, settings: Settings
) -> Iterator[tuple[PackedSamples, pl.DataFrame, Settings]]:
    """Return logs and the jobs that have them, with ``log_index`` into them; what shares a log lies together."""
    ordered = pending.sort("log_no", "evacuation_id")
    for group in _cut(ordered, FETCHED_JOBS, FETCHED_READINGS):
        logs = group.select("log_no", "sha256").unique("log_no", maintain_order=True)
        packed = store.packed_of_logs(logs)
        place = logs.select("log_no", log_index=pl.int_range(pl.len(), dtype=pl.Int64))
        indexed = group.join(place, on="log_no", how="left", maintain_order="left")
        for part in _cut(indexed, BATCH_JOBS, BATCH_READINGS):
            first, last = int(part["log_index"][0]), int(part["log_index"][-1])
            yield packed.between(first, last + 1), part.with_columns(pl.col("log_index") - first), settings


def _judge(packed: PackedSamples, jobs: pl.DataFrame, settings: Settings) -> JudgedJobs:
    return judge_jobs(packed.unpacked(), jobs, settings)
