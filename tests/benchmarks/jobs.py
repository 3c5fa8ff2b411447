"""What is timed, one job a process: ``python -m tests.benchmarks.jobs NAME ARGUMENT...`` prints one JSON object.

Each job does its imports and a small warm-up first, then takes the time, and tells the most memory it ever held.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.memory import peak_mb

_COLUMNS = "{'elapsed_s': 'DOUBLE', 'pressure_micron': 'DOUBLE', 'ambient_c': 'DOUBLE'}"


class Clock:
    """Wall and processor seconds of a stretch of code; processor seconds count all threads."""

    def __enter__(self) -> Clock:
        self.wall_s, self.cpu_s = time.perf_counter(), time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        self.wall_s, self.cpu_s = time.perf_counter() - self.wall_s, time.process_time() - self.cpu_s


def _told(clock: Clock, **more: Any) -> dict[str, Any]:
    return {"wall_s": clock.wall_s, "cpu_s": clock.cpu_s, **more}


def scan(folder: str, pattern: str) -> dict[str, Any]:
    """The yardstick: DuckDB's own scan of the CSV files, types stated, three sums."""
    import duckdb

    connection = duckdb.connect(config={"threads": os.cpu_count() or 1})
    query = (
        f"SELECT sum(elapsed_s), sum(pressure_micron), sum(ambient_c) FROM read_csv(?, header=true, columns={_COLUMNS})"
    )
    with Clock() as clock:
        connection.execute(query, [pattern]).fetchall()
    return _told(clock)


def group_by(folder: str, pattern: str) -> dict[str, Any]:
    """Polars: some thirty expressions per log, no fit, streamed."""
    import polars as pl

    p, t = pl.col("pressure_micron"), pl.col("elapsed_s")
    expressions = [
        f(c).alias(f"{name}_{c.meta.output_name()}")
        for c in (p, p.log(), p.diff(), t.diff())
        for name, f in {
            "mean": pl.Expr.mean, "std": pl.Expr.std, "min": pl.Expr.min, "max": pl.Expr.max, "median": pl.Expr.median,
            "skew": pl.Expr.skew, "last": pl.Expr.last,
        }.items()
    ]  # fmt: skip
    expressions = [e.alias(f"f{k}") for k, e in enumerate(expressions)]
    types = dict.fromkeys(("elapsed_s", "pressure_micron", "ambient_c"), pl.Float64)
    with Clock() as clock:
        pl.scan_csv(pattern, include_file_paths="path", schema_overrides=types).group_by("path").agg(
            expressions
        ).collect(engine="streaming")
    return _told(clock)


def pandas_loop(folder: str, pattern: str, logs: str) -> dict[str, Any]:
    """The loop people write: pandas reads a log, finds its lowest reading, `curve_fit` takes what follows."""
    import pandas as pd
    from scipy.optimize import OptimizeWarning, curve_fit

    def rise(t: Any, p0: float, leak: float, c: float, tau: float) -> Any:
        return p0 + leak * t + c * (1.0 - np.exp(-t / tau))

    paths = sorted(Path(folder, "logs").rglob("*.csv"))[: int(logs)]
    import warnings

    warnings.simplefilter("ignore", OptimizeWarning)
    with Clock() as clock:
        for path in paths:
            frame = pd.read_csv(path).dropna(subset=["pressure_micron"])
            features = frame.describe()
            below = {
                x: frame.loc[frame["pressure_micron"] <= x, "elapsed_s"].min() for x in (10_000, 5000, 2000, 1000, 500)
            }
            start = frame["pressure_micron"].rolling(15, min_periods=1).median().idxmin()
            hold = frame.loc[start:]
            if len(hold) > 20:
                t = (hold["elapsed_s"] - hold["elapsed_s"].iloc[0]).to_numpy()
                y = hold["pressure_micron"].to_numpy()
                with contextlib.suppress(RuntimeError):
                    curve_fit(rise, t, y, p0=(y[0], 0.05, 50.0, 200.0), bounds=([0, 0, 0, 5], [1e6, 1e3, 1e5, 1e5]))
            del features, below
    return _told(clock, logs=len(paths))


def tsfresh_set(folder: str, pattern: str, logs: str) -> dict[str, Any]:
    """Tsfresh's efficient set, one process."""
    import pandas as pd
    from tsfresh import extract_features
    from tsfresh.feature_extraction import EfficientFCParameters

    paths = sorted(Path(folder, "logs").rglob("*.csv"))[: int(logs)]
    frame = pd.concat([pd.read_csv(p).assign(log=k) for k, p in enumerate(paths)]).dropna()
    frame = frame[["log", "elapsed_s", "pressure_micron"]]
    import warnings

    warnings.simplefilter("ignore")
    with Clock() as clock:
        extract_features(
            frame, column_id="log", column_sort="elapsed_s", n_jobs=0, disable_progressbar=True,
            default_fc_parameters=EfficientFCParameters(),
        )  # fmt: skip
    return _told(clock, logs=len(paths))


def ours(folder: str, pattern: str, warm: str) -> dict[str, Any]:
    """Ingest a fleet folder into a new store, then judge it all again from the store; stages told apart."""
    from blankoff.pipeline import contexts, intake
    from blankoff.store import open_store

    stages: dict[str, Clock] = {}

    def timed(module: Any, name: str) -> None:
        work = getattr(module, name)

        def clocked(*args: Any, **named: Any) -> Any:
            stages[name] = Clock()
            with stages[name]:
                return work(*args, **named)

        setattr(module, name, clocked)

    with tempfile.TemporaryDirectory(dir=Path(folder).parent) as scratch:
        with open_store(Path(scratch) / "warm.duckdb") as store:
            intake.ingest(warm, store)
        timed(intake, "refresh_copies")
        path = Path(scratch) / "fleet.duckdb"
        with open_store(path) as store:
            with Clock() as clock:
                done = intake.ingest(folder, store)
            copies = stages["refresh_copies"]
            contexts.JUDGED_BY += " and again"
            with Clock() as again:
                intake.ingest(folder, store)
            nothing = Clock()
            with nothing:
                intake.ingest(folder, store)
        size = path.stat().st_size
    return {
        "wall_s": clock.wall_s - copies.wall_s,
        "cpu_s": clock.cpu_s - copies.cpu_s,
        "copies_wall_s": copies.wall_s,
        "copies_cpu_s": copies.cpu_s,
        "again_wall_s": again.wall_s - stages["refresh_copies"].wall_s,
        "again_cpu_s": again.cpu_s,
        "nothing_new_wall_s": nothing.wall_s,
        "jobs": done.jobs_judged,
        "store_bytes": size,
    }


JOBS: dict[str, Callable[..., dict[str, Any]]] = {
    "scan": scan,
    "group_by": group_by,
    "pandas": pandas_loop,
    "tsfresh": tsfresh_set,
    "ours": ours,
}


def main(name: str, *arguments: str) -> None:
    """Run one job and print what it took."""
    told = JOBS[name](*arguments)
    told["peak_mb"] = peak_mb()
    print(json.dumps(told))


if __name__ == "__main__":
    main(*sys.argv[1:])
