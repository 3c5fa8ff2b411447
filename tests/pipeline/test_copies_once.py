"""No pair of logs is compared twice, and what comes out is what one run over all of them gives."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from blankoff import pipeline
from blankoff.fleet import copies
from blankoff.fleet.copy_compare import Compared
from blankoff.samples import IntArray
from blankoff.store import open_store
from tests.pipeline.fleets import copy_sample, plain_logs

NOW = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)


def test_pairs_are_compared_once_and_the_copies_stay_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = copy_sample(tmp_path / "fleet")
    # two logs handed in a second time, for jobs that had none: one as it is, one cut
    logs = plain_logs(fleet)
    register = pl.read_csv(fleet / "evacuations.csv", infer_schema=False)
    names = [p.relative_to(fleet / "logs").as_posix() for p in logs]
    donors = register.filter(pl.col("log_file").is_in(names)).sort("started_at").head(2)
    again = donors.with_columns(
        evacuation_id=pl.concat_str(pl.lit("Z"), "evacuation_id"),
        started_at=pl.lit("2026-10-30T09:00:00"),
        log_file=pl.concat_str(pl.lit("again/"), "evacuation_id", pl.lit(".csv")),
    )
    (fleet / "logs" / "again").mkdir()
    for k, (old, new) in enumerate(zip(donors["log_file"], again["log_file"], strict=True)):
        lines = (fleet / "logs" / old).read_text(encoding="utf-8").splitlines(keepends=True)
        kept = lines if k == 0 else [lines[0], *lines[20:]]
        (fleet / "logs" / new).write_text("".join(kept), encoding="utf-8")
    pl.concat([register, again]).write_csv(fleet / "evacuations.csv")
    aside = tmp_path / "again"
    shutil.move(fleet / "logs" / "again", aside)

    compared = 0
    compare = copies.compare_pairs

    def counted(pairs: IntArray, *args: Any) -> Compared:
        nonlocal compared
        compared += len(pairs)
        return compare(pairs, *args)

    monkeypatch.setattr(copies, "compare_pairs", counted)
    with open_store(tmp_path / "s.duckdb") as store:
        pipeline.ingest(fleet, store, now=NOW)
        first, compared = compared, 0
        shutil.move(aside, fleet / "logs" / "again")
        pipeline.ingest(fleet, store, now=NOW)
        later, compared = compared, 0
        in_steps = store.raw("copy_of").sort("evacuation_id")
    with open_store(tmp_path / "whole.duckdb") as store:
        pipeline.ingest(fleet, store, now=NOW)
        at_once = store.raw("copy_of").sort("evacuation_id")
        reasons = dict(store.table("result").select("evacuation_id", "reason").iter_rows())
    assert in_steps.equals(at_once)
    assert first > 0, "a fleet without a single pair to compare tells nothing"
    assert compared <= first + later
    assert later < compared, "the second run compared only what was new"
    assert reasons[again["evacuation_id"][0]] == "recycled_log", "the whole copy"
    assert reasons[again["evacuation_id"][1]] == "recycled_log", "the cut copy"
    assert all(reasons[e] != "recycled_log" for e in donors["evacuation_id"]), "the originals stand"
