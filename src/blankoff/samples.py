"""Validated samples of many logs, contiguous in log order, and what is known of each job.

These are the only shapes that pass from reading logs to judging them: plain arrays, so that compiled kernels can run
on them without copies and without the interpreter lock.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True)
class Mark:
    """Free text that the logger or the technician put at a moment: evidence, not truth."""

    log: int
    """Index of the log within its batch."""
    elapsed_s: float
    text: str


@dataclass(frozen=True)
class SampleBatch:
    """Readings of ``n`` logs, ``N`` readings in all.

    Parameters
    ----------
    keys
        ``n`` names of the logs (content hash in the store, file path for a single log).
    offsets
        ``(n + 1,)`` int64; log ``i`` is ``[offsets[i]:offsets[i + 1]]``.
    elapsed_s
        ``(N,)`` seconds from the log's first reading, ascending within a log.
    pressure_micron
        ``(N,)`` absolute pressure; NaN means over-range (the gauge was alive, the pressure above what it can read).
    ambient_c
        ``(N,)`` air temperature at the circuit; NaN where unknown.
    marks
        Sparse marks, ascending by log and time.
    """

    keys: tuple[str, ...]
    offsets: IntArray
    elapsed_s: FloatArray
    pressure_micron: FloatArray
    ambient_c: FloatArray
    marks: tuple[Mark, ...] = ()

    def __post_init__(self) -> None:
        if self.offsets.shape != (len(self.keys) + 1,):
            raise ValueError("offsets must have one more entry than there are keys")
        if not (self.elapsed_s.shape == self.pressure_micron.shape == self.ambient_c.shape == (int(self.offsets[-1]),)):
            raise ValueError("sample arrays must all have offsets[-1] entries")

    def __len__(self) -> int:
        return len(self.keys)

    @property
    def readings(self) -> int:
        """Readings in all logs together."""
        return int(self.offsets[-1])

    def log(self, i: int) -> SampleBatch:
        """Log ``i`` as a batch of one; arrays are views."""
        a, b = int(self.offsets[i]), int(self.offsets[i + 1])
        return SampleBatch(
            (self.keys[i],),
            np.array([0, b - a], dtype=np.int64),
            self.elapsed_s[a:b],
            self.pressure_micron[a:b],
            self.ambient_c[a:b],
            tuple(Mark(0, m.elapsed_s, m.text) for m in self.marks if m.log == i),
        )

    def __iter__(self) -> Iterator[SampleBatch]:
        return (self.log(i) for i in range(len(self)))

    @staticmethod
    def of_one(
        key: str,
        elapsed_s: FloatArray,
        pressure_micron: FloatArray,
        ambient_c: FloatArray | None = None,
        marks: Sequence[tuple[float, str]] = (),
    ) -> SampleBatch:
        """One log from its arrays; ``marks`` are ``(elapsed_s, text)``."""
        t = np.ascontiguousarray(elapsed_s, dtype=np.float64)
        p = np.ascontiguousarray(pressure_micron, dtype=np.float64)
        a = np.full(t.shape, np.nan) if ambient_c is None else np.ascontiguousarray(ambient_c, dtype=np.float64)
        return SampleBatch(
            (key,), np.array([0, t.size], dtype=np.int64), t, p, a, tuple(Mark(0, s, w) for s, w in marks)
        )

    @staticmethod
    def concat(batches: Sequence[SampleBatch]) -> SampleBatch:
        """Join batches in the order given."""
        if not batches:
            z = np.empty(0)
            return SampleBatch((), np.zeros(1, dtype=np.int64), z, z.copy(), z.copy())
        sizes = np.concatenate([np.diff(b.offsets) for b in batches])
        first = np.cumsum([0] + [len(b) for b in batches])
        return SampleBatch(
            tuple(k for b in batches for k in b.keys),
            np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
            np.concatenate([b.elapsed_s for b in batches]),
            np.concatenate([b.pressure_micron for b in batches]),
            np.concatenate([b.ambient_c for b in batches]),
            tuple(
                Mark(m.log + int(f), m.elapsed_s, m.text)
                for b, f in zip(batches, first[:-1], strict=True)
                for m in b.marks
            ),
        )


_NAN_FIELDS = ("ambient_c", "altitude_m", "volume_l", "top_of_range_micron", "accuracy_percent")


LEAST_MICRON = 1e-3
"""What a reading of nothing stands for: a hundredth of what any gauge of the trade resolves."""


def some_pressure(micron: FloatArray) -> FloatArray:
    """Readings, those of nothing or next to nothing as of `LEAST_MICRON`: a display rounds, and of nothing there is no logarithm."""
    nothing = micron < LEAST_MICRON
    return np.where(nothing, LEAST_MICRON, micron) if nothing.any() else micron


@dataclass(frozen=True)
class JobContext:
    """What is known of each of ``n`` jobs beside its log; every array is ``(n,)`` float64, NaN where unknown.

    The three acceptance arrays are never NaN: the settings' defaults stand where the register is silent.
    """

    target_micron: FloatArray
    hold_limit_micron: FloatArray
    hold_minutes: FloatArray
    ambient_c: FloatArray = field(default_factory=lambda: np.empty(0))
    altitude_m: FloatArray = field(default_factory=lambda: np.empty(0))
    volume_l: FloatArray = field(default_factory=lambda: np.empty(0))
    top_of_range_micron: FloatArray = field(default_factory=lambda: np.empty(0))
    accuracy_percent: FloatArray = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        n = self.target_micron.size
        for name in _NAN_FIELDS:
            if getattr(self, name).size == 0 and n:
                object.__setattr__(self, name, np.full(n, np.nan))
        for name in ("hold_limit_micron", "hold_minutes", *_NAN_FIELDS):
            if getattr(self, name).shape != (n,):
                raise ValueError(f"{name} must have one entry per job, {n}")

    def __len__(self) -> int:
        return int(self.target_micron.size)

    @staticmethod
    def uniform(
        n: int,
        target_micron: float = 500.0,
        hold_limit_micron: float = 1000.0,
        hold_minutes: float = 10.0,
        **known: float,
    ) -> JobContext:
        """The same criterion and knowledge for ``n`` jobs (500 / 1000 microns / 10 min: common practice, no source)."""
        full = {k: np.full(n, float(v)) for k, v in known.items()}
        return JobContext(np.full(n, target_micron), np.full(n, hold_limit_micron), np.full(n, hold_minutes), **full)
