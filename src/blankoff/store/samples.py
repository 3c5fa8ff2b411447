"""Samples of many logs, to and from the store: packed, in log order."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import polars as pl

from blankoff.samples import IntArray, Mark, SampleBatch
from blankoff.store.packing import WordArray, pack, unpack

ArrowTable: TypeAlias = Any
"""A ``pyarrow.Table``; pyarrow's own stubs do not name it."""


@dataclass(frozen=True)
class PackedSamples:
    """Readings of ``n`` logs as they are stored: a tenth of the bytes of a `SampleBatch`.

    Parameters
    ----------
    keys
        ``n`` names of the logs.
    words
        ``(m,)`` uint64, of all logs one after another; see `blankoff.store.packing`.
    counts
        ``(n,)`` how many of them are each log's.
    marks
        As in the batch.
    """

    keys: tuple[str, ...]
    words: WordArray
    counts: IntArray
    marks: tuple[Mark, ...] = ()

    @staticmethod
    def of(batch: SampleBatch) -> PackedSamples:
        """Pack a batch."""
        words, counts = pack(batch.offsets, (batch.elapsed_s, batch.pressure_micron, batch.ambient_c))
        return PackedSamples(batch.keys, words, counts, batch.marks)

    def pick(self, which: Sequence[int]) -> PackedSamples:
        """Return some of the logs by index, ascending."""
        if len(which) == len(self.keys):
            return self
        chosen = np.zeros(len(self.keys), dtype=bool)
        chosen[np.asarray(which, dtype=np.int64)] = True
        place = np.cumsum(chosen) - 1
        return PackedSamples(
            tuple(self.keys[i] for i in which),
            self.words[np.repeat(chosen, self.counts)],
            self.counts[chosen],
            tuple(Mark(int(place[m.log]), m.elapsed_s, m.text) for m in self.marks if chosen[m.log]),
        )

    def between(self, first: int, last: int) -> PackedSamples:
        """Return logs ``first`` to ``last - 1``."""
        ends = np.cumsum(self.counts)
        begin, end = (int(ends[i - 1]) if i > 0 else 0 for i in (first, last))
        marks = tuple(Mark(m.log - first, m.elapsed_s, m.text) for m in self.marks if first <= m.log < last)
        return PackedSamples(self.keys[first:last], self.words[begin:end], self.counts[first:last], marks)

    def unpacked(self) -> SampleBatch:
        """Return the readings as arrays."""
        ends = np.cumsum(self.counts)
        return SampleBatch(self.keys, *unpack(self.words, ends - self.counts, ends), self.marks)


def packed_to_frames(packed: PackedSamples, log_nos: Sequence[int]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return samples and marks as the rows of tables ``packed`` and ``mark``.

    Parameters
    ----------
    packed
        ``n`` logs.
    log_nos
        Their ``n`` numbers in the store.
    """
    numbers = np.asarray(log_nos, dtype=np.int32)
    samples = pl.DataFrame({"log_no": np.repeat(numbers, packed.counts), "word": packed.words})
    marks = pl.DataFrame(
        {
            "log_no": [int(numbers[m.log]) for m in packed.marks],
            "elapsed_s": [m.elapsed_s for m in packed.marks],
            "text": [m.text for m in packed.marks],
        },
        schema={"log_no": pl.Int32, "elapsed_s": pl.Float64, "text": pl.String},
    )
    return samples, marks


def packed_older(rows: ArrowTable) -> pl.DataFrame:
    """Return rows of the table ``sample`` of older stores, those of a log together, as rows of ``packed``."""
    number = _numbers(rows, "log_no")
    starts, _ = _runs(number)
    offsets = np.append(starts, number.size).astype(np.int64)
    t, p, a = (_numbers(rows, name) for name in ("elapsed_s", "pressure_micron", "ambient_c"))
    words, counts = pack(offsets, (t, p, a))
    return pl.DataFrame({"log_no": np.repeat(number[starts].astype(np.int32), counts), "word": words})


def _numbers(samples: ArrowTable, name: str) -> np.ndarray[tuple[int], Any]:
    """Return a column as an array; by way of polars, for Arrow's own way there loads pandas, which takes as long as a sheet."""
    return np.asarray(pl.Series(name, samples[name]).to_numpy())


def _runs(number: np.ndarray[tuple[int], Any]) -> tuple[IntArray, IntArray]:
    """Begin and end of each stretch of equal numbers."""
    starts = np.flatnonzero(np.diff(number, prepend=number[:1] - 1)).astype(np.int64)
    return starts, np.append(starts[1:], number.size).astype(np.int64) if starts.size else starts


def lies_together(rows: ArrowTable) -> bool:
    """Whether the rows of every log stand in one stretch."""
    number = _numbers(rows, "log_no")
    logs = number[_runs(number)[0]]
    return bool(np.unique(logs).size == logs.size)


def arrow_to_packed(
    rows: ArrowTable, marks: pl.DataFrame, log_nos: Sequence[int], keys: Sequence[str]
) -> PackedSamples:
    """Return the logs ``log_nos``, in that order, from rows of ``packed`` that lie contiguous per log.

    Parameters
    ----------
    rows, marks
        Rows of those tables for these logs; others may be among them.
    log_nos, keys
        Number and key of each log wanted, ``n`` each; a number may come twice.
    """
    number, word = _numbers(rows, "log_no"), _numbers(rows, "word")
    starts, ends = _runs(number)
    where = dict(zip(number[starts].tolist(), zip(starts.tolist(), ends.tolist(), strict=True), strict=True))
    spans = [where.get(int(n), (0, 0)) for n in log_nos]
    in_order = bool(spans) and all(x[1] == y[0] for x, y in itertools.pairwise(spans))
    if in_order:
        words = word[spans[0][0] : spans[-1][1]]
    else:
        words = np.concatenate([word[a:b] for a, b in spans]) if spans else word[:0]
    by_log: dict[int, list[tuple[float, str]]] = {}
    for log_no, elapsed_s, text in marks.iter_rows():
        by_log.setdefault(int(log_no), []).append((elapsed_s, text))
    found = (Mark(i, s, w) for i, n in enumerate(log_nos) for s, w in by_log.get(int(n), []))
    counts = np.array([b - a for a, b in spans], dtype=np.int64)
    return PackedSamples(tuple(keys), words, counts, tuple(found))


def unpacked(parts: Iterator[ArrowTable]) -> Iterator[ArrowTable]:
    """Return stretches of rows of ``packed`` as record batches of ``log_no, elapsed_s, pressure_micron``."""
    held = pl.DataFrame(schema={"log_no": pl.Int32, "word": pl.UInt64})
    for part in parts:
        frame = pl.DataFrame(pl.from_arrow(part))
        held = pl.concat([held, frame]) if held.height else frame
        number = held["log_no"].to_numpy()
        # the last log may go on in the next part
        whole = int(_runs(number)[0][-1]) if number.size else 0
        yield from _readings_of(held[:whole])
        held = held[whole:]
    yield from _readings_of(held)


def _readings_of(packed: pl.DataFrame) -> Iterator[ArrowTable]:
    starts, ends = _runs(packed["log_no"].to_numpy())
    offsets, t, p, _ = unpack(packed["word"].to_numpy(), starts, ends)
    number = np.repeat(packed["log_no"].to_numpy()[starts], np.diff(offsets))
    yield from pl.DataFrame({"log_no": number, "elapsed_s": t, "pressure_micron": p}).to_arrow().to_batches()
