"""Stores damaged at random: bytes changed, cut off, or put in; and every command run on what is left."""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import time
from collections import Counter
from pathlib import Path

from tests.faults.nursery import ROOT, Nursery


def damage(data: bytearray, rng: random.Random) -> str:
    """Change a file's bytes in place; return how."""
    how = rng.choice(["one byte", "a few bytes", "a block", "its head", "cut short", "grown", "zeros"])
    at = rng.randrange(len(data))
    if how == "one byte":
        data[at] ^= 1 << rng.randrange(8)
    elif how == "a few bytes":
        for _ in range(rng.randrange(2, 40)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    elif how == "a block":
        size = rng.randrange(512, 300_000)
        data[at : at + size] = rng.randbytes(len(data[at : at + size]))
    elif how == "its head":
        at = rng.randrange(12_288)
        data[at] = rng.randrange(256)
    elif how == "cut short":
        del data[at:]
    elif how == "grown":
        data += rng.randbytes(rng.randrange(1, 5_000))
    else:
        data[at : at + 4_096] = bytes(len(data[at : at + 4_096]))
    return how


def try_damaged(store: Path, fleet: Path, scratch: Path, times: int, seed: int) -> dict[str, Counter[str]]:
    """Damage copies of a store, run a command on each; return how each damage ended.

    Ends allowed: done (0 or 1), or refused in one line (2). A traceback, a signal or a hang fails the test.
    """
    rng = random.Random(seed)
    ends: dict[str, Counter[str]] = {}
    with Nursery(scratch) as nursery:
        for k in range(times):
            data = bytearray(store.read_bytes())
            how = damage(data, rng)
            broken = scratch / "broken.duckdb"
            broken.write_bytes(data)
            words: list[object] = rng.choice(
                [
                    ["export", "--store", broken, "--out", scratch / "tables"],
                    ["ingest", fleet, "--store", broken],
                    ["report", "--store", broken, "--month", "2026-10", "--out", scratch / "p"],
                    ["sheet", "--store", broken, "E00003", "--out", scratch / "x.pdf"],
                    ["assess", "--store", broken, "--as-of", "2026-09-30"],
                    ["forget", "--store", broken, "T01", "--yes"],
                ]
            )
            code, said = nursery.command(*words)
            where = f"seed {seed}, try {k}: {how}, then {words[0]}: exit {code}\n{said}"
            assert code in (0, 1, 2), where
            assert "Traceback" not in said, where
            assert code != 2 or "Error: " in said, where
            ends.setdefault(how, Counter())["refused" if code == 2 else "went on"] += 1
            for left in (scratch / "tables", scratch / "p"):
                shutil.rmtree(left, ignore_errors=True)
            for left in scratch.glob("broken.duckdb*"):
                left.unlink()
    return ends


def main(store: str, fleet: str, scratch: str, times: str, seed: str) -> None:
    """Damage for as long as wanted, and print what came of it."""
    ends = try_damaged(Path(store), Path(fleet), Path(scratch), int(times), int(seed))
    print(json.dumps(ends), time.strftime("%H:%M"))


if __name__ == "__main__":
    os.chdir(ROOT)
    main(*sys.argv[1:])
