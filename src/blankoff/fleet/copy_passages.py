"""When each log's passages begin, held in arrays; and how two logs that share some are aligned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray

__all__ = ["Passages"]

AnyInts = NDArray[np.int32] | NDArray[np.int64]


@dataclass(frozen=True)
class Passages:
    """Passages of all logs, log after log, by their hash.

    Attributes
    ----------
    starts : int64 (logs + 1,)
    what : int64 (passages,)
        Hashes, ascending within a log, each once.
    when_s : float64 (passages,)
    """

    starts: IntArray
    what: IntArray
    when_s: FloatArray

    @staticmethod
    def of_sketches(sketches: pl.DataFrame) -> Passages:
        """Passages of sketches, by their columns ``passage, passage_at_s``."""
        rows = (
            sketches.select("passage", "passage_at_s")
            .with_columns(log=pl.int_range(pl.len(), dtype=pl.Int64))
            .filter(pl.col("passage").list.len() > 0)
            .explode("passage", "passage_at_s")
            .unique(["log", "passage"], keep="last", maintain_order=True)
            .sort("log", "passage")
        )
        starts = np.searchsorted(rows["log"].to_numpy(), np.arange(sketches.height + 1)).astype(np.int64)
        return Passages(
            starts, rows["passage"].cast(pl.Int64).to_numpy(), rows["passage_at_s"].cast(pl.Float64).to_numpy()
        )

    @staticmethod
    def of(logs: Iterable[Mapping[int, float]]) -> Passages:
        """Passages of logs that are told as mappings of hash to moment."""
        told = [sorted(log.items()) for log in logs]
        starts = np.cumsum([0, *(len(log) for log in told)]).astype(np.int64)
        what = np.array([k for log in told for k, _ in log], dtype=np.int64)
        return Passages(starts, what, np.array([s for log in told for _, s in log], dtype=np.float64))

    def lags_s(self, earlier: AnyInts, later: AnyInts) -> FloatArray:
        """Alignment that the passages shared by two logs say, for many pairs; nan where none is shared."""
        lags: FloatArray = _lags(self.starts, self.what, self.when_s, earlier.astype(np.int64), later.astype(np.int64))
        return lags


@kernel
def _lags(starts: IntArray, what: IntArray, when_s: FloatArray, earlier: IntArray, later: IntArray) -> FloatArray:
    out = np.full(earlier.size, np.nan)
    for q in range(earlier.size):
        i, i_end = starts[earlier[q]], starts[earlier[q] + 1]
        j, j_end = starts[later[q]], starts[later[q] + 1]
        shared, n = np.empty(i_end - i), 0
        while i < i_end and j < j_end:
            if what[i] == what[j]:
                shared[n] = when_s[j] - when_s[i]
                n += 1
                i += 1
                j += 1
            elif what[i] < what[j]:
                i += 1
            else:
                j += 1
        if n:
            out[q] = np.median(shared[:n])
    return out
