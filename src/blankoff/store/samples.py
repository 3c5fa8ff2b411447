"""Samples of many logs, to and from the store: long columns in log order."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
import polars as pl

from blankoff.samples import FloatArray, Mark, SampleBatch

ArrowTable: TypeAlias = Any
"""A ``pyarrow.Table``; pyarrow's own stubs do not name it."""


def batch_to_frames(batch: SampleBatch, log_nos: Sequence[int]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the samples and the marks of a batch as the rows of tables ``sample`` and ``mark``.

    Parameters
    ----------
    batch
        ``n`` logs.
    log_nos
        Their ``n`` numbers in the store.
    """
    numbers = np.asarray(log_nos, dtype=np.int32)
    samples = pl.DataFrame(
        {
            "log_no": np.repeat(numbers, np.diff(batch.offsets)),
            "elapsed_s": batch.elapsed_s,
            "pressure_micron": batch.pressure_micron,
            "ambient_c": batch.ambient_c,
        }
    )
    marks = pl.DataFrame(
        {
            "log_no": [int(numbers[m.log]) for m in batch.marks],
            "elapsed_s": [m.elapsed_s for m in batch.marks],
            "text": [m.text for m in batch.marks],
        },
        schema={"log_no": pl.Int32, "elapsed_s": pl.Float64, "text": pl.String},
    )
    return samples, marks


def _numbers(samples: ArrowTable, name: str) -> np.ndarray[tuple[int], Any]:
    """Return a column as an array; by way of polars, for Arrow's own way there loads pandas, which takes as long as a sheet."""
    return np.asarray(pl.Series(name, samples[name]).to_numpy())


def lies_together(samples: ArrowTable) -> bool:
    """Whether the rows of every log stand in one stretch."""
    number = _numbers(samples, "log_no")
    runs = number[np.flatnonzero(np.diff(number, prepend=number[0] - 1))] if number.size else number
    return bool(np.unique(runs).size == runs.size)


def arrow_to_batch(
    samples: ArrowTable, marks: pl.DataFrame, log_nos: Sequence[int], keys: Sequence[str]
) -> SampleBatch:
    """Return the logs ``log_nos``, in that order, from rows of ``sample`` that lie contiguous per log.

    Parameters
    ----------
    samples, marks
        Rows of those tables for these logs; others may be among the samples.
    log_nos, keys
        Number and key of each log wanted, ``n`` each; a number may come twice.
    """
    number = _numbers(samples, "log_no")
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1)) if number.size else np.empty(0, dtype=np.int64)
    ends = np.append(starts[1:], number.size) if number.size else starts
    where = {int(number[a]): (int(a), int(b)) for a, b in zip(starts, ends, strict=True)}
    spans = [where.get(int(n), (0, 0)) for n in log_nos]
    offsets = np.cumsum([0] + [b - a for a, b in spans]).astype(np.int64)
    in_order = bool(spans) and spans[0][0] == 0 and all(x[1] == y[0] for x, y in itertools.pairwise(spans))
    take = None
    if not (in_order and spans[-1][1] == number.size):
        take = np.concatenate([np.arange(a, b) for a, b in spans]) if spans else np.empty(0, dtype=np.int64)

    def column(name: str) -> FloatArray:
        # a null and NaN mean the same here: over-range, or unknown
        # writable too: kernels would be compiled once more for arrays that are not
        values = np.require(_numbers(samples, name), dtype=np.float64, requirements=["C", "W"])
        return values if take is None else np.ascontiguousarray(values[take])

    by_log: dict[int, list[tuple[float, str]]] = {}
    for log_no, elapsed_s, text in marks.iter_rows():
        by_log.setdefault(int(log_no), []).append((elapsed_s, text))
    return SampleBatch(
        tuple(keys),
        offsets,
        column("elapsed_s"),
        column("pressure_micron"),
        column("ambient_c"),
        tuple(Mark(i, s, w) for i, n in enumerate(log_nos) for s, w in by_log.get(int(n), [])),
    )
