"""Other processes write a part of a large month: the same bytes, and none the less when they fail."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from blankoff.report import pages
from blankoff.report.beside import shared_out
from tests.report.invented_month import invented_month


def _all(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.scheduled
def test_pages_are_the_same_whoever_writes_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = invented_month()
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    listed = pages.write_month(data, tmp_path / "alone")
    monkeypatch.setattr(pages, "MANY_PAGES", 1)
    monkeypatch.setattr(pages, "PAGES_AT_ONCE", 8)
    assert pages.write_month(data, tmp_path / "two") == [
        tmp_path / "two" / p.relative_to(tmp_path / "alone") for p in listed
    ]
    monkeypatch.setattr("os.cpu_count", lambda: 3)
    pages.write_month(data, tmp_path / "three")
    monkeypatch.setattr(sys, "executable", sys.executable + "-that-is-none")
    pages.write_month(data, tmp_path / "none")
    assert _all(tmp_path / "alone") == _all(tmp_path / "two") == _all(tmp_path / "three") == _all(tmp_path / "none")


def worker(folder: Path) -> Callable[[int], int]:
    """Write each piece's number and who did it; one piece ends the process, another takes long."""

    def do(piece: int) -> int:
        if piece == 3:
            os._exit(1)
        if piece == 100:
            (folder / "begun").touch()
            time.sleep(0.8)
            (folder / "late").touch()
        (folder / f"{piece}").write_text(f"{os.getpid()}")
        return piece

    return do


def test_what_another_process_leaves_undone_is_done_here(tmp_path: Path) -> None:
    here = worker(tmp_path)
    with shared_out([1, 2, 3, 4, 5], 1, worker, (tmp_path,), lambda piece: (piece,)) as shared:
        deadline = time.monotonic() + 60.0
        while len(shared.done) < 2 and time.monotonic() < deadline:
            time.sleep(0.02)
        mine = [piece for piece in shared if piece != 3 or not (tmp_path / "3").touch()]
        for piece in mine:
            if piece != 3:
                here(piece)
    assert sorted(mine) == [3, 4, 5]
    assert shared.done == [1, 2]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["1", "2", "3", "4", "5"]
    assert (tmp_path / "1").read_text() == (tmp_path / "2").read_text() != (tmp_path / "4").read_text()


def test_whoever_leaves_ends_the_others(tmp_path: Path) -> None:
    began = time.monotonic()
    with (
        pytest.raises(KeyError),
        shared_out([60], 1, time_to_sleep, (), lambda piece: (piece,)) as shared,
    ):
        raise KeyError
    assert time.monotonic() - began < 10.0
    assert shared.done == []


def time_to_sleep() -> Callable[[float], None]:
    """Sleep as long as the piece says."""
    return time.sleep


def test_a_second_process_ends_with_the_first(tmp_path: Path) -> None:
    script = textwrap.dedent(
        f"""
        import os, time
        from pathlib import Path
        from blankoff.report.beside import shared_out
        from tests.report.test_beside import worker
        folder = Path({str(tmp_path)!r})
        with shared_out([100], 1, worker, (folder,), lambda piece: (piece,)):
            while not (folder / "begun").exists():
                time.sleep(0.02)
            os._exit(9)
        """
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 9
    time.sleep(1.0)
    assert not (tmp_path / "late").exists()
