"""Samples laid out beside the store, against those read from it."""

from __future__ import annotations

import errno
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from blankoff.samples import SampleBatch
from blankoff.store import Spool, open_store


def parts(numbers: list[list[int]]) -> list[pa.RecordBatch]:
    """Batches whose every value tells its row."""
    out, row = [], 0
    for batch in numbers:
        at = np.arange(row, row + len(batch), dtype=np.float64)
        pressures = pa.array([None if v % 5 == 0 else 2 * v for v in at.tolist()], type=pa.float64())
        out.append(pa.record_batch({"log_no": pa.array(batch, pa.int32()), "t": at, "p": pressures}))
        row += len(batch)
    return out


def test_logs_come_back_in_any_order(tmp_path: Path) -> None:
    """Over the seams of batches, one log in two stretches, one that is not there, one asked for twice."""
    spool = Spool(tmp_path, iter(parts([[4, 4, 7], [7, 7, 9], [], [4, 9, 9]])))
    batch = spool.logs([9, 4, 5, 9], ["nine", "four", "five", "nine again"])
    spool.close()
    assert batch.keys == ("nine", "four", "five", "nine again")
    assert batch.offsets.tolist() == [0, 3, 6, 6, 9]
    assert batch.elapsed_s.tolist() == [5, 7, 8, 0, 1, 6, 5, 7, 8]
    np.testing.assert_array_equal(batch.pressure_micron[:4], [np.nan, 14, 16, np.nan])
    assert np.isnan(batch.ambient_c).all()
    assert not list(tmp_path.iterdir())


def test_laid_out_is_as_stored(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    sizes = rng.integers(3, 40, 12)
    n = int(sizes.sum())
    offsets = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    pressure = np.where(rng.random(n) < 0.1, np.nan, rng.uniform(10, 1e4, n))
    keys = tuple(f"{k:064x}" for k in range(12))
    stored = SampleBatch(keys, offsets, np.arange(n) * 1.0, pressure, np.full(n, 20.0), ())
    with open_store(tmp_path / "fleet.duckdb") as store:
        with store.transaction():
            store.insert_samples(stored, list(range(1, 13)))
            with store.laid_out() as spool:  # what is not yet committed is there too
                told = spool.logs([3, 12, 1], [keys[2], keys[11], keys[0]])
        for i, k in enumerate((2, 11, 0)):
            a, b = told.offsets[i : i + 2]
            np.testing.assert_array_equal(told.elapsed_s[a:b], stored.elapsed_s[offsets[k] : offsets[k + 1]])
            np.testing.assert_array_equal(told.pressure_micron[a:b], pressure[offsets[k] : offsets[k + 1]])


def test_without_room_nothing_is_left(tmp_path: Path) -> None:
    def full() -> object:
        yield from parts([[1, 1]])
        raise OSError(errno.ENOSPC, "no space left on device")

    with pytest.raises(OSError, match="no space"):
        Spool(tmp_path, full())  # type: ignore[arg-type]
    assert not list(tmp_path.iterdir())
