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


def test_nearly_all_of_a_range_is_as_some_of_it(tmp_path: Path) -> None:
    """Read as it lies or joined and sorted; a log whose rows were written in two stretches as well."""
    rng = np.random.default_rng(6)
    logs = [
        SampleBatch.of_one(f"{k}", np.arange(20.0 + k), rng.uniform(1, 9, 20 + k), np.ones(20 + k)) for k in range(10)
    ]
    with open_store(tmp_path / "s.duckdb") as store:

        def check(asked: list[int], wanted: dict[int, np.ndarray]) -> None:
            frame = pl.DataFrame({"log_no": asked, "sha256": [str(k) for k in asked]})
            back = store.samples_of_logs(frame)
            for i, k in enumerate(asked):
                a, b = back.offsets[i : i + 2]
                np.testing.assert_array_equal(back.pressure_micron[a:b], wanted[k])

        store.insert_samples(SampleBatch.concat(logs), list(range(1, 11)))
        pressures = {k + 1: log.pressure_micron for k, log in enumerate(logs)}
        check([*range(1, 11)], pressures)
        check([1, 2, 4, 5, 6, 7, 8, 9, 10], pressures)
        check([9, 2, 3, 4, 5, 6, 8], pressures)
        check([1, 10], pressures)
        store.insert_samples(logs[2], [3])
        pressures[3] = np.concatenate([pressures[3], pressures[3]])
        check([*range(1, 11)], pressures)
        check([3], pressures)
