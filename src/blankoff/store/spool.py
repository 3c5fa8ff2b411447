"""All samples of a store, laid out beside it for as long as many logs are asked for here and there.

To fetch logs that do not lie together the database passes over all of them, each time.  Where that would be done again and
again, one pass writes times and pressures to an unnamed file, and every log is then read from its place in it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from blankoff.samples import FloatArray, SampleBatch

__all__ = ["Spool"]

_FLOAT = np.dtype(np.float64)


class Spool:
    """Times and pressures by number of log.  The file has no name: it is gone when closed, or with the program.

    Parameters
    ----------
    folder
        Where to write it.
    parts
        Arrow record batches of ``log_no, elapsed_s, pressure_micron``.

    Raises
    ------
    OSError
        There is no room for it.
    """

    def __init__(self, folder: Path, parts: Iterator[Any]) -> None:
        self._files: list[BinaryIO] = []
        self._spans: dict[int, list[tuple[int, int]]] = {}
        try:
            for _ in range(2):
                self._files.append(tempfile.TemporaryFile(dir=folder, buffering=0))  # noqa: SIM115
            self._fill(parts)
        except BaseException:
            self.close()
            raise

    def _fill(self, parts: Iterator[Any]) -> None:
        row = 0
        for part in parts:
            number = part.column(0).to_numpy(zero_copy_only=False)
            if not number.size:
                continue
            for file, place in zip(self._files, (1, 2), strict=True):
                values = np.ascontiguousarray(part.column(place).to_numpy(zero_copy_only=False), dtype=_FLOAT)
                left = values.data.cast("B")
                while left:
                    left = left[file.write(left) :]
            starts = np.flatnonzero(np.diff(number, prepend=number[:1] - 1))
            for a, b in zip(starts.tolist(), [*starts[1:].tolist(), number.size], strict=True):
                spans = self._spans.setdefault(int(number[a]), [])
                if spans and spans[-1][1] == row + a:
                    spans[-1] = (spans[-1][0], row + b)
                else:
                    spans.append((row + a, row + b))
            row += number.size

    def logs(self, log_nos: Sequence[int], keys: Sequence[str]) -> SampleBatch:
        """Return logs by their numbers, in that order, without ambient temperatures and marks."""
        spans = [self._spans.get(int(n), []) for n in log_nos]
        offsets = np.cumsum([0] + [sum(b - a for a, b in parts) for parts in spans]).astype(np.int64)
        elapsed_s, pressure_micron = (self._read(file, spans, int(offsets[-1])) for file in self._files)
        return SampleBatch(tuple(keys), offsets, elapsed_s, pressure_micron, np.full(int(offsets[-1]), np.nan), ())

    def _read(self, file: BinaryIO, spans: list[list[tuple[int, int]]], total: int) -> FloatArray:
        out = np.empty(total)
        into = out.data.cast("B") if total else memoryview(b"")
        at = 0
        for a, b in (span for parts in spans for span in parts):
            file.seek(a * _FLOAT.itemsize)
            end = at + (b - a) * _FLOAT.itemsize
            while at < end:
                read = file.readinto(into[at:end])  # type: ignore[attr-defined]
                if not read:
                    raise OSError("the samples laid out beside the store cannot be read back")
                at += read
        return out

    def close(self) -> None:
        """Give the room back."""
        for file in self._files:
            file.close()
