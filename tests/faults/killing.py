"""Reviews that are killed: run one in a process of its own, kill it at a moment, look at what it left.

As a script it does so for as long as wanted, and prints what came of it, for the table in the contributors' guide::

    nice -n 19 python -m tests.faults.killing SCRATCH_FOLDER KILLS SEED [LONGEST_S]
"""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import shutil
import sys
import time
from collections import Counter
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from blankoff import pipeline
from blankoff.store import open_store
from tests.faults.nursery import ROOT, Nursery
from tests.pipeline.fleets import assert_same_tables, copy_sample, tables

NOW = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)


@dataclass
class Tally:
    """How often it was tried, and what came of it."""

    kills: int = 0
    finished_first: int = 0
    at: Counter[str] = field(default_factory=Counter)
    compared: int = 0


def look_at(store: Path, pages: Path) -> None:
    """The store opens and what it holds is whole; the pages are a whole month, or there are none yet."""
    if store.is_file():
        with open_store(store) as opened:
            assert opened.read("log_files")["path"].is_unique().all()
            assert opened.table("result")["evacuation_id"].is_unique().all()
            stored = opened.read("log_files").filter(status="stored")
            logs = stored.unique("log_no", maintain_order=True)
            sizes = np.diff(opened.samples_of_logs(logs).offsets).tolist()
            counts = dict(zip(logs["log_no"].to_list(), sizes, strict=True))
            wanted = dict(stored.unique("log_no").select("log_no", "readings").iter_rows())
            assert set(opened.raw("packed")["log_no"].to_list()) == set(wanted)
            assert counts == wanted, "samples lost or doubled"
    if pages.exists():
        listed = (pages / "static" / "files.txt").read_text(encoding="utf-8").split("\n")
        assert all((pages / name).is_file() for name in listed if name), "half a month"
        assert (pages / "index.html").is_file()


def kill_and_go_on(
    scratch: Path,
    kills: int,
    seed: int,
    *,
    longest_s: float | None = None,
    undisturbed: tuple[Path, dict[str, pl.DataFrame]] | None = None,
    nursery: Nursery | None = None,
) -> Tally:
    """Kill reviews of one fleet at random moments, then finish, and compare with a run that nobody disturbed.

    Parameters
    ----------
    scratch
        An empty folder.
    kills
        How often.
    seed
        Of the moments.
    longest_s
        The latest moment, s after the program is loaded; a whole run's time, measured here, if not given.
    undisturbed
        The fleet, and the tables of a run of it; a copy of the sample, reviewed here, if not given.
    nursery
        Makes the children; one of its own if not given.
    """
    rng = random.Random(seed)
    tally = Tally()
    if undisturbed is None:
        fleet = copy_sample(scratch / "fleet")
        pipeline.review(fleet, scratch / "whole.duckdb", out=scratch / "whole_pages", now=NOW)
        wanted = tables(scratch / "whole.duckdb")
    else:
        fleet, wanted = undisturbed
    with nullcontext(nursery) if nursery else Nursery(scratch) as nursery:
        if longest_s is None:
            nursery.run_and_kill(fleet, scratch / "timed.duckdb", scratch / "p", 600.0)
            begun = time.monotonic()
            nursery.run_and_kill(fleet, scratch / "again.duckdb", scratch / "p", 600.0)
            longest_s = time.monotonic() - begun
        store, pages = scratch / "s.duckdb", scratch / "pages"
        while tally.kills < kills:
            at, finished = nursery.run_and_kill(fleet, store, pages, rng.uniform(0.0, longest_s))
            if not finished:
                tally.kills += 1
                tally.at[at] += 1
                look_at(store, pages)
                continue
            tally.finished_first += 1
            assert_same_tables(tables(store), wanted)
            tally.compared += 1
            store.unlink()  # from the beginning again, so that every stage is met
            if rng.random() < 0.5:
                shutil.rmtree(pages)
        at, finished = nursery.run_and_kill(fleet, store, pages, 600.0)
    assert finished, at
    assert_same_tables(tables(store), wanted)
    tally.compared += 1
    look_at(store, pages)
    left = sorted(p.name for p in scratch.iterdir() if p.name.startswith("."))
    assert not left, f"left lying about: {left}"
    return tally


def main(scratch: str, kills: str, seed: str, longest_s: str = "6") -> None:
    """Kill for as long as wanted, and print what came of it."""
    total = Tally()
    root = Path(scratch)
    fleet = copy_sample(root / "fleet")
    pipeline.review(fleet, root / "whole.duckdb", out=root / "whole_pages", now=NOW)
    undisturbed = fleet, tables(root / "whole.duckdb")
    while total.kills < int(kills):
        folder = root / f"round{total.kills}"
        folder.mkdir(parents=True)
        some = min(15, int(kills) - total.kills)
        one = kill_and_go_on(folder, some, int(seed) + total.kills, longest_s=float(longest_s), undisturbed=undisturbed)
        total.kills += one.kills
        total.finished_first += one.finished_first
        total.at += one.at
        total.compared += one.compared
        shutil.rmtree(folder)
        print(json.dumps({**total.__dict__, "at": dict(total.at), "clock": time.strftime("%H:%M")}), flush=True)


if __name__ == "__main__":
    os.chdir(ROOT)
    main(*sys.argv[1:])
