"""Reviews that are killed: run one in a process of its own, kill it at a moment, look at what it left.

As a script it does so for as long as wanted, and prints what came of it, for the table in the contributors' guide::

    nice -n 19 python -m tests.faults.killing SCRATCH_FOLDER KILLS SEED
"""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from blankoff import pipeline
from blankoff.store import open_store
from tests.pipeline.fleets import assert_same_tables, copy_sample, tables

NOW = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
ROOT = Path(__file__).resolve().parents[2]

NURSERY = """
import json, os, sys
from blankoff import pipeline
import blankoff.pipeline.intake as intake
import blankoff.pipeline.reviewing, blankoff.pipeline.reporting, blankoff.pipeline.assessing
import blankoff.evacuation.judge, blankoff.fleet.assessment
intake.BATCH_FILES = 3
def say(stage, done, total):
    print(stage, flush=True)
for line in sys.stdin:
    fleet, store, pages = json.loads(line)
    child = os.fork()
    if child == 0:
        try:
            pipeline.review(fleet, store, out=pages, progress=say)
        except BaseException:
            import traceback
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    print("pid", child, flush=True)
    print("exit", os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
"""Reviews in small batches, so that there are many moments between two transactions, each in a process that says what it
is at. The program is loaded once, in a process that does nothing but make those; killing while it loads proves nothing."""


class Nursery:
    """Makes reviews that can be killed."""

    def __init__(self, complaints: Path) -> None:
        self.complaints = complaints
        with complaints.open("w") as stream:
            self._process = subprocess.Popen(
                [sys.executable, "-W", "error", "-c", NURSERY],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=stream,
                text=True,
                cwd=ROOT,
            )

    def close(self) -> None:
        self._process.communicate()

    def run_and_kill(self, fleet: Path, store: Path, pages: Path, after_s: float) -> tuple[str, bool]:
        """Kill a review so long after it began; return what it was at, and whether it had finished before."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(json.dumps([str(fleet), str(store), str(pages)]), file=self._process.stdin, flush=True)
        at, code, killer = "opening the store, reading the registers", None, None
        for line in self._process.stdout:
            words = line.split()
            if words[0] == "pid":
                killer = threading.Timer(after_s, os.kill, [int(words[1]), signal.SIGKILL])
                killer.start()
            elif words[0] == "exit":
                code = int(words[1])
                break
            else:
                at = line.strip()
        assert killer is not None
        killer.cancel()
        killer.join()
        assert code in (0, -signal.SIGKILL), f"exit {code}: {self.complaints.read_text()}"
        return at, code == 0


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
            held = opened.raw("sample")
            counts = dict(held.group_by("log_no").len().iter_rows())
            wanted = dict(stored.unique("log_no").select("log_no", "readings").iter_rows())
            assert counts == wanted, "samples lost or doubled"
    if pages.exists():
        listed = (pages / "static" / "files.txt").read_text(encoding="utf-8").split("\n")
        assert all((pages / name).is_file() for name in listed if name), "half a month"
        assert (pages / "index.html").is_file()


def kill_and_go_on(scratch: Path, kills: int, seed: int, *, longest_s: float | None = None) -> Tally:
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
    """
    rng = random.Random(seed)
    tally = Tally()
    fleet = copy_sample(scratch / "fleet")
    whole, whole_pages = scratch / "whole.duckdb", scratch / "whole_pages"
    pipeline.review(fleet, whole, out=whole_pages, now=NOW)
    nursery = Nursery(scratch / "complaints.txt")
    nursery.run_and_kill(fleet, scratch / "timed.duckdb", whole_pages, 600.0)
    begun = time.monotonic()
    nursery.run_and_kill(fleet, scratch / "again.duckdb", whole_pages, 600.0)
    longest_s = longest_s or time.monotonic() - begun
    wanted = tables(whole)
    store, pages = scratch / "s.duckdb", scratch / "pages"
    while tally.kills < kills:
        at, finished = nursery.run_and_kill(fleet, store, pages, rng.uniform(0.0, longest_s))
        if finished:
            tally.finished_first += 1
        else:
            tally.kills += 1
            tally.at[at] += 1
            look_at(store, pages)
        if finished:  # from the beginning again, so that every stage is met
            assert_same_tables(tables(store), wanted)
            tally.compared += 1
            store.unlink()
            if rng.random() < 0.5:
                shutil.rmtree(pages)
    at, finished = nursery.run_and_kill(fleet, store, pages, 600.0)
    nursery.close()
    assert finished, at
    assert_same_tables(tables(store), wanted)
    tally.compared += 1
    look_at(store, pages)
    left = sorted(p.name for p in scratch.iterdir() if p.name.startswith("."))
    assert not left, f"left lying about: {left}"
    return tally


def main(scratch: str, kills: str, seed: str) -> None:
    total = Tally()
    longest: float | None = None
    while total.kills < int(kills):
        folder = Path(scratch) / f"round{total.kills}"
        folder.mkdir(parents=True)
        one = kill_and_go_on(folder, min(15, int(kills) - total.kills), int(seed) + total.kills, longest_s=longest)
        total.kills += one.kills
        total.finished_first += one.finished_first
        total.at += one.at
        total.compared += one.compared
        shutil.rmtree(folder)
        print(json.dumps({**total.__dict__, "at": dict(total.at), "clock": time.strftime("%H:%M")}), flush=True)


if __name__ == "__main__":
    os.chdir(ROOT)
    main(*sys.argv[1:])
