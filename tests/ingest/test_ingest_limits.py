"""No file takes the machine down: each of these ends in quarantine, soon, in bounded memory."""

from __future__ import annotations

import gzip
import subprocess
import sys
import textwrap
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import zstandard
from ingest_data import as_text, pull_micron

from blankoff.ingest import limits
from blankoff.ingest.check import check_fleet
from blankoff.ingest.logs import read_logs

Write = Callable[[str, str | bytes], Path]
MB = 2**20


def _gzip_of(piece: bytes, times: int) -> bytes:
    packer = zlib.compressobj(6, wbits=31)
    return b"".join(packer.compress(piece) for _ in range(times)) + packer.flush()


def _refused(path: Path) -> str:
    begun = time.perf_counter()
    readout = read_logs([path], path.parent.parent)
    assert time.perf_counter() - begun < 20
    assert readout.info["readable"].to_list() == [False]
    assert readout.quarantine.height == 1
    return str(readout.quarantine["problem"][0])


def test_a_gzip_that_opens_to_a_terabyte_is_stopped(write: Write) -> None:
    """A few hundred megabytes stand for it: the reader stops at the same place."""
    bomb = _gzip_of(bytes(8 * MB), 24)
    assert "opens to more than" in _refused(write("a.csv.gz", bomb))
    packer = zstandard.ZstdCompressor(level=3).compressobj()
    bomb = b"".join(packer.compress(bytes(8 * MB)) for _ in range(24)) + packer.flush()
    assert "opens to more than" in _refused(write("a.csv.zst", bomb))


def test_a_zstd_frame_that_lies_about_its_size(write: Write) -> None:
    frame = bytearray(zstandard.ZstdCompressor().compress(as_text(*pull_micron()).encode()))
    frame[5:7] = b"\xff\xff"
    readout = read_logs([write("a.csv.zst", bytes(frame))], write("b.csv", "x").parent.parent)
    assert readout.info.height == 1


def test_one_endless_line(write: Write) -> None:
    assert "no line ends" in _refused(write("a.csv", b"1" * (20 * MB)))
    assert "no line ends" in _refused(write("b.csv", b"9" * (20 * MB) + b"\nelapsed_s,pressure_micron\n0,1\n"))


def test_an_endless_line_within_a_good_log_costs_that_line(write: Write) -> None:
    lines = as_text(*pull_micron()).splitlines()
    text = "\n".join([*lines[:100], "7" * (4 * MB), *lines[100:]]) + "\n"
    readout = read_logs([write("a.csv", text)], write("a.csv", text).parent.parent)
    assert readout.quarantine["row"].to_list() == [101]
    assert readout.batch.readings == 400


def test_a_million_columns(write: Write) -> None:
    heading = "elapsed_s,pressure_micron," + ",".join(f"c{i}" for i in range(1_000_000))
    assert "columns" in _refused(write("a.csv", heading[:60_000] + "\n1,2\n"))
    assert _refused(write("b.csv", heading + "\n1,2,3\n"))


def test_a_billion_blank_rows(write: Write) -> None:
    """Eight million stand for it as text, and the compressed file opens to far more."""
    assert "lines" in _refused(write("a.csv", b"elapsed_s,pressure_micron\n" + b"\n" * (8 * MB)))
    assert "opens to more than" in _refused(write("a.csv.gz", _gzip_of(b"\n" * MB, 160)))


def test_many_blank_rows_in_a_good_log_are_put_up_with(write: Write) -> None:
    text = as_text(*pull_micron()).replace("\n100,", "\n" + "\n" * 300_000 + "100,")
    readout = read_logs([write("a.csv", text)], write("a.csv", text).parent.parent)
    assert readout.batch.readings == 400


def test_a_file_larger_than_the_limit_is_not_read(write: Write) -> None:
    path = write("a.csv", "elapsed_s,pressure_micron\n0,1\n")
    with path.open("r+b") as stream:
        stream.truncate(10 * 1024 * MB)  # sparse: ten gigabytes that take no room
    assert "larger than" in _refused(path)


def test_memory_is_bounded_by_the_file_limit(tmp_path: Path) -> None:
    """Peak memory of reading a bomb, in a process of its own, stays under the text limit times a few."""
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.csv.gz").write_bytes(_gzip_of(b"elapsed_s,pressure_micron\n" + b"1,500\n" * 100_000, 250))
    code = textwrap.dedent(
        f"""
        import resource
        from blankoff.ingest.logs import read_logs
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        out = read_logs(["logs/a.csv.gz"], {str(tmp_path)!r})
        assert not out.info["readable"][0]
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
        """
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert int(result.stdout) * 1024 < 4 * limits.LIMITS.text_bytes


@pytest.mark.parametrize("step_s", [0.1, 1.0])
def test_a_day_of_readings_is_no_bomb(write: Write, step_s: float) -> None:
    n = int(86_400 / step_s)
    t = np.round(np.arange(n) * step_s, 1)
    p = 20_000 * np.exp(-t / 3_000) + 400
    text = "elapsed_s,pressure_micron\n" + "\n".join(
        f"{a:.1f},{b:.1f}" for a, b in zip(t.tolist(), p.tolist(), strict=True)
    )
    path = write("a.csv.gz", gzip.compress(text.encode(), 6))
    readout = read_logs([path], path.parent.parent)
    assert readout.batch.readings == n


def test_check_reads_all_and_changes_nothing(write: Write, tmp_path: Path) -> None:
    write("a.csv", as_text(*pull_micron()))
    write("bad.csv", "nonsense\n")
    write("orphan.csv", as_text(*pull_micron(100)))
    (tmp_path / "evacuations.csv").write_text(
        "evacuation_id,log_file,started_at,technician_id,pump_id\n"
        "E1,a.csv,2026-05-04T14:00,T1,P1\nE2,bad.csv,2026-05-04T14:00,T1,P1\nE3,none.csv,2026-05-04T14:00,T1,P1\n,,,,\nE1,,2026-05-04,T,P\n"
    )
    before = sorted((p, p.stat().st_mtime_ns) for p in tmp_path.rglob("*"))
    check = check_fleet(tmp_path)
    assert sorted((p, p.stat().st_mtime_ns) for p in tmp_path.rglob("*")) == before
    assert not check.is_clean
    assert "logs: 3 files handed in, 1 usable, 2 refused; 400 readings usable" in check.summary()
    assert "evacuations: 4 rows handed in, 3 usable, 1 refused" in check.summary()
    assert check.quarantine["path"].to_list() == [
        "evacuations.csv",
        "evacuations.csv",
        "logs/orphan.csv",
        "logs/bad.csv",
    ]
