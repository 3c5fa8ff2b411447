"""Logs and what is known of their jobs → measures, phases and sketches, ready to be stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from blankoff.evacuation.judge import judge_batch
from blankoff.fleet.copy_sketch import sketch_batch
from blankoff.pipeline.contexts import to_job_context
from blankoff.samples import Mark, SampleBatch
from blankoff.settings import Settings


@dataclass(frozen=True)
class JudgedJobs:
    """Rows for the tables ``measure``, ``phase`` and ``sketch``, all by ``evacuation_id``."""

    measure: pl.DataFrame
    phase: pl.DataFrame
    sketch: pl.DataFrame

    @staticmethod
    def concat(parts: Sequence[JudgedJobs]) -> JudgedJobs | None:
        """Join in the order given; None if there is nothing to join."""
        if not parts:
            return None
        return JudgedJobs(*(pl.concat([getattr(p, name) for p in parts]) for name in ("measure", "phase", "sketch")))


def pick_logs(batch: SampleBatch, which: np.ndarray[tuple[int], np.dtype[np.int64]]) -> SampleBatch:
    """Return logs of a batch by index, in that order; one may come twice."""
    if which.size == len(batch) and bool((which == np.arange(which.size)).all()):
        return batch
    sizes = np.diff(batch.offsets)[which]
    offsets = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    # reading k of the result is reading k - offsets[log] + batch.offsets[which[log]] of the batch
    take = np.arange(offsets[-1]) + np.repeat(batch.offsets[which] - offsets[:-1], sizes)
    by_log: dict[int, list[Mark]] = {}
    for mark in batch.marks:
        by_log.setdefault(mark.log, []).append(mark)
    return SampleBatch(
        tuple(batch.keys[i] for i in which),
        offsets,
        batch.elapsed_s[take],
        batch.pressure_micron[take],
        batch.ambient_c[take],
        tuple(Mark(n, m.elapsed_s, m.text) for n, i in enumerate(which) for m in by_log.get(int(i), [])),
    )


def judge_jobs(batch: SampleBatch, jobs: pl.DataFrame, settings: Settings, threads: int = 1) -> JudgedJobs:
    """Judge every job of a frame on its log.

    Parameters
    ----------
    batch
        The logs.
    jobs
        ``evacuation_id, path, log_index`` (into the batch), ``context``, the context's columns, maybe ``log_no``.
    settings
        For the thresholds of judging.
    threads
        Worker threads; no number depends on it.
    """
    which = jobs["log_index"].to_numpy().astype(np.int64)
    # by evacuation, not by content: the very same log may have been handed in for two jobs
    logs = replace(pick_logs(batch, which), keys=tuple(jobs["evacuation_id"].to_list()))
    judged = judge_batch(logs, to_job_context(jobs), settings, threads=threads)
    measure = judged.measure.rename({"log_key": "evacuation_id"})
    isolated = measure["isolated_at_s"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return JudgedJobs(
        jobs.select("evacuation_id", "path", "context", *(["log_no"] if "log_no" in jobs.columns else [])).join(
            measure, on="evacuation_id", how="left", maintain_order="left"
        ),
        judged.phase.rename({"log_key": "evacuation_id"}),
        sketch_batch(logs, isolated).rename({"log_key": "evacuation_id"}),
    )
