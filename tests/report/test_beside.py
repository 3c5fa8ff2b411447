"""A second process writes a part of a large month: the same bytes, and none the less when it fails."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from blankoff.report import pages
from blankoff.report.beside import done_beside
from tests.report.invented_month import invented_month


def _all(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.scheduled
def test_pages_are_the_same_whoever_writes_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = invented_month()
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    listed = pages.write_month(data, tmp_path / "alone")
    monkeypatch.setattr(pages, "MANY_ASSETS", 1)
    assert pages.write_month(data, tmp_path / "two") == [
        tmp_path / "two" / p.relative_to(tmp_path / "alone") for p in listed
    ]
    monkeypatch.setattr(sys, "executable", sys.executable + "-that-is-none")
    pages.write_month(data, tmp_path / "none")
    assert _all(tmp_path / "alone") == _all(tmp_path / "two") == _all(tmp_path / "none")


def test_work_that_fails_beside_is_told(tmp_path: Path) -> None:
    with done_beside(Path.mkdir, tmp_path / "made") as done:
        assert done()
    assert (tmp_path / "made").is_dir()
    with done_beside(Path.mkdir, tmp_path / "made") as done:
        assert not done()
    with done_beside(time.sleep, 60) as done:
        began = time.monotonic()
    assert time.monotonic() - began < 10, "left behind, it is ended"


def test_a_second_process_ends_with_the_first(tmp_path: Path) -> None:
    script = textwrap.dedent(
        f"""
        import os, time
        from pathlib import Path
        from blankoff.report.beside import done_beside
        from tests.report.test_beside import late
        with done_beside(late, Path({str(tmp_path)!r})):
            while not Path({str(tmp_path / "begun")!r}).exists():
                time.sleep(0.02)
            os._exit(9)
        """
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 9
    time.sleep(1.0)
    assert not (tmp_path / "late").exists()


def late(folder: Path) -> None:
    """Say that it begins, and after a while that it ends."""
    (folder / "begun").touch()
    time.sleep(0.8)
    (folder / "late").touch()
