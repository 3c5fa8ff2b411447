"""Samples out of the store are arrays like those read from files, so that no kernel is compiled a second time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
from numba import typeof

from blankoff.samples import SampleBatch
from blankoff.store import open_store


def test_arrays_from_the_store_are_of_the_type_of_those_read(tmp_path: Path) -> None:
    t = np.arange(50.0)
    batch = SampleBatch.concat([SampleBatch.of_one(k, t, t + 7, t + 20) for k in "ab"])
    with open_store(tmp_path / "s.duckdb") as store:
        store.insert_samples(batch, [1, 2])
        for numbers, keys in (([1, 2], ["a", "b"]), ([2], ["b"]), ([2, 1], ["b", "a"])):
            back = store.samples_of_logs(pl.DataFrame({"log_no": numbers, "sha256": keys}))
            for name in ("offsets", "elapsed_s", "pressure_micron", "ambient_c"):
                assert typeof(getattr(back, name)) == typeof(getattr(batch, name)), name
        none = store.samples_of_logs(pl.DataFrame({"log_no": [5], "sha256": ["c"]}))
        assert (len(none), none.readings) == (1, 0)
