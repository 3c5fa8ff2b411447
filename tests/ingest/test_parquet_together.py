"""Parquet logs read many at once give what each gives alone, and what is wrong with one stays with that one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from blankoff.errors import LogUnreadableError
from blankoff.ingest import parquet_together
from blankoff.ingest.logs import read_log, read_logs
from blankoff.samples import SampleBatch

ROWS = 120
START = dt.datetime(2026, 3, 29, 0, 30)


def pull(k: int) -> pl.DataFrame:
    """A pull from over range to a hold, a little different for each ``k``."""
    t = np.arange(ROWS) * (2.0 + 0.1 * k)
    p = 150.0 + k + 30_000.0 * np.exp(-t / 25.0)
    over = np.where(p > 20_000, np.nan, np.round(p, 1))
    return pl.DataFrame(
        {"elapsed_s": t, "pressure_micron": pl.Series(over, nan_to_null=True), "ambient_c": np.full(ROWS, 21.5)}
    )


def stamped(k: int, zone: str | None) -> pl.DataFrame:
    frame = pull(k)
    moments = pl.Series("timestamp", [START + dt.timedelta(seconds=30.0 * i) for i in range(ROWS)])
    return frame.drop("elapsed_s").with_columns(moments.dt.replace_time_zone(zone) if zone else moments)


KINDS: dict[str, Callable[[int], pl.DataFrame]] = {
    "plain": pull,
    "whole_numbers": lambda k: pull(k).select(
        pl.col("elapsed_s").cast(pl.Int32), pl.col("pressure_micron").round().cast(pl.Int64)
    ),
    "single_precision": lambda k: pull(k).cast({"pressure_micron": pl.Float32, "ambient_c": pl.Float32}),
    "pascal": lambda k: pull(k).select("elapsed_s", pressure_pa=pl.col("pressure_micron") * 0.13332),
    "marked": lambda k: pull(k).with_columns(
        mark=pl.when(pl.int_range(pl.len()) == 40 + k).then(pl.lit(" valve shut ")).otherwise(None)
    ),
    "naive": lambda k: stamped(k, None),
    "zoned": lambda k: stamped(k, "Europe/Berlin"),
    "disordered": lambda k: pull(k).reverse() if k % 2 else pull(k)[[*range(60), *range(50, ROWS)]],
    "other_columns": lambda k: pull(k).with_columns(battery=pl.lit("good")).select("battery", pl.exclude("battery")),
    "infinite": lambda k: pull(k).with_columns(pl.col("pressure_micron").fill_null(np.inf)),
}
DOUBTFUL: dict[str, Callable[[int], pl.DataFrame]] = {
    "negative": lambda k: pull(k).with_columns(
        pl.when(pl.int_range(pl.len()) == 70 + k).then(-5.0).otherwise("pressure_micron").alias("pressure_micron")
    ),
    "minus_infinite": lambda k: pull(k).with_columns(
        pl.when(pl.int_range(pl.len()) == 70).then(-np.inf).otherwise("pressure_micron").alias("pressure_micron")
    ),
    "timeless": lambda k: pull(k).with_columns(
        pl.when(pl.int_range(pl.len()) == 9).then(None).otherwise("elapsed_s").alias("elapsed_s")
    ),
    "texts": lambda k: pull(k).with_columns(pl.col("pressure_micron").cast(pl.String).fill_null("OL")),
    "too_low": lambda k: pull(k).with_columns(pl.col("pressure_micron") / 1000.0),
    "one_row": lambda k: pull(k)[:1],
}


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    """Three files of every kind, in an order that mixes them, and damaged ones between."""
    logs = tmp_path / "logs"
    logs.mkdir()
    for k in range(3):
        for name, make in {**KINDS, **DOUBTFUL}.items():
            make(k).write_parquet(logs / f"{k}_{name}.parquet")
    whole = (logs / "1_plain.parquet").read_bytes()
    middle = len(whole) // 3
    (logs / "1_damaged.parquet").write_bytes(whole[:middle] + bytes(64) + whole[middle + 64 :])
    (logs / "1_footless.parquet").write_bytes(whole[:-40] + bytes(36) + whole[-4:])
    (logs / "1_cut.parquet").write_bytes(whole[:-40])
    return tmp_path


def _alone(path: Path) -> SampleBatch | str:
    """What the careful path makes of one file: samples, or why there are none."""
    try:
        return read_log(path)
    except LogUnreadableError as error:
        return error.problem


def test_together_is_as_alone(fleet: Path) -> None:
    paths = sorted(str(p.relative_to(fleet)) for p in (fleet / "logs").iterdir())
    told = read_logs(paths, fleet, threads=1)
    place = {key: i for i, key in enumerate(told.batch.keys)}
    assert told.info["path"].to_list() == paths
    refused = 0
    for path, sha, readable, problem in told.info.select("path", "sha256", "readable", "problem").iter_rows():
        alone = _alone(fleet / path)
        assert readable == (not isinstance(alone, str)), (path, problem)
        if isinstance(alone, str):
            assert problem == alone
            refused += 1
            continue
        i = place[sha]
        a, b = told.batch.offsets[i : i + 2]
        for name in ("elapsed_s", "pressure_micron", "ambient_c"):
            np.testing.assert_array_equal(getattr(told.batch, name)[a:b], getattr(alone, name), err_msg=path)
        assert [(m.elapsed_s, m.text) for m in told.batch.marks if m.log == i] == [
            (m.elapsed_s, m.text) for m in alone.marks
        ]
    assert refused >= 5
    lines = told.quarantine.filter(pl.col("path") == "logs/2_negative.parquet")
    assert lines["row"].to_list() == [73]


def test_clean_files_are_read_together(fleet: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And only those in doubt go the careful way."""
    careful = []
    from blankoff.ingest import logs

    monkeypatch.setattr(logs, "read_parquet_log", lambda data, shown, *rest: careful.append(shown) or _never(shown))
    paths = sorted(str(p.relative_to(fleet)) for p in (fleet / "logs").iterdir() if "1_" not in p.name)
    read_logs(paths, fleet, threads=1)
    assert {name.split("_", 1)[1].removesuffix(".parquet") for name in careful} == set(DOUBTFUL)


def _never(shown: str) -> None:
    raise LogUnreadableError(shown, "not asked here")


def test_a_group_holds_no_more_than_its_share(monkeypatch: pytest.MonkeyPatch, fleet: Path) -> None:
    """Files are read in as many calls as the limit on what is held asks for."""
    calls: list[int] = []
    read = parquet_together._read

    def counted(members, *rest):  # type: ignore[no-untyped-def]
        calls.append(len(members))
        read(members, *rest)

    monkeypatch.setattr(parquet_together, "_read", counted)
    contents = [(fleet / "logs" / f"{k}_plain.parquet").read_bytes() for k in (0, 1, 2, 0, 1, 2)]
    small = parquet_together.LIMITS.__class__(held_bytes=8_000)
    monkeypatch.setattr(parquet_together, "LIMITS", small)
    assert all(raw is not None for raw in parquet_together.read_together(contents))
    assert sum(calls) == 6
    assert len(calls) > 1
