"""The back-fill job, run as an operator runs it: every month's pages, once, from what was known then."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from blankoff.store import open_store
from tests.pipeline.fleets import copy_sample

SCRIPT = Path(__file__).resolve().parents[2] / "pipelines" / "back_fill.py"


def run(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", str(SCRIPT), *map(str, words)], capture_output=True, text=True, check=False
    )


@pytest.mark.scheduled
def test_every_month_gets_its_pages_and_a_second_run_redoes_nothing(tmp_path: Path) -> None:
    fleet, store, out = copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb", tmp_path / "out"
    first = run(fleet, store, out)
    assert first.returncode == 0, first.stderr
    months = ["2026-08", "2026-09", "2026-10"]
    assert sorted(p.parent.name for p in out.glob("*/index.html")) == months
    with open_store(store, read_only=True) as opened:
        beliefs = opened.table("effect")["as_of"].unique().sort().to_list()
    assert [d.strftime("%Y-%m") for d in beliefs] == months[-len(beliefs) :]
    assert beliefs
    again = run(fleet, store, out)
    assert again.returncode == 0, again.stderr
    assert again.stdout.count("nothing had changed since it was last assessed") == len(months)


def test_wrong_calls_say_so(tmp_path: Path) -> None:
    assert "usage" in run().stderr
    nowhere = run(tmp_path / "nowhere", tmp_path / "s.duckdb", tmp_path / "out")
    assert nowhere.returncode == 2
    assert "stopped:" in nowhere.stderr
    assert "Traceback" not in nowhere.stderr
