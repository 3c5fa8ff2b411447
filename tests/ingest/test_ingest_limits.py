"""No file takes the machine down: each of these ends in quarantine, soon, in bounded memory."""

from __future__ import annotations

import gzip
import io
import time
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import zstandard
from ingest_data import as_text, pull_micron
from tests.memory import added_mb

from blankoff.ingest import finish, limits, parquet_bounded
from blankoff.ingest.check import check_fleet
from blankoff.ingest.logs import read_logs
from blankoff.ingest.registers import read_registers
from blankoff.ingest.tolerant import RawLog

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


def test_a_log_in_thousands_of_members(write: Write) -> None:
    """As a logger writes that packs every reading by itself; and so many that nobody's logger does. What is opened costs as
    much as it has bytes, however they are cut up."""
    text = as_text(*pull_micron())
    pieces = [line.encode() for line in text.splitlines(keepends=True)]
    packer = zstandard.ZstdCompressor(write_checksum=True)
    skipped = b"\x5a\x2a\x4d\x18\x03\x00\x00\x00abc"  # a frame that is to be left out, RFC 8878, section 3.1.2
    wanted = read_logs([write("plain.csv", text)], write("plain.csv", text).parent.parent).batch
    for name, whole, nothing in (
        ("a.csv.gz", b"".join(map(gzip.compress, pieces)) + bytes(70_000), gzip.compress(b"")),
        ("a.csv.zst", skipped.join(map(packer.compress, pieces)), packer.compress(b"")),
    ):
        path = write(name, whole + nothing * 3_000)
        readout = read_logs([path], path.parent.parent)
        assert readout.quarantine.is_empty()
        np.testing.assert_array_equal(readout.batch.pressure_micron, wanted.pressure_micron)
        cut = write(name, whole.rstrip(b"\0")[:-3])
        readout = read_logs([cut], cut.parent.parent)
        assert "ends early" in readout.quarantine["problem"][0]
        assert readout.batch.readings in (wanted.readings, wanted.readings - 1)
        assert "more than 100000 members" in _refused(write(name, nothing * 100_001))


def _parquet(column: pa.Array, **how: object) -> bytes:
    n = len(column)
    table = pa.table({"elapsed_s": np.arange(float(n)), "pressure_micron": np.linspace(9e3, 400.0, n), "mark": column})
    sink = io.BytesIO()
    pq.write_table(table, sink, **how)
    return sink.getvalue()


ONE_TEXT = pa.DictionaryArray.from_arrays(pa.array(np.zeros(200_000, dtype=np.int32)), pa.array(["x" * 10_000]))
ALIKE = pa.array(["x" * 9_000 + str(k % 7) for k in range(18_800)])
PARQUET_BOMBS = {
    "one text in every row": _parquet(ONE_TEXT, store_schema=False),
    "one text in every row, and said so": _parquet(ONE_TEXT),
    "texts told by the one before": _parquet(
        ALIKE, use_dictionary=False, column_encoding={"mark": "DELTA_BYTE_ARRAY"}, store_schema=False
    ),
    "wide bytes": _parquet(pa.array([b"x" * 3_000] * 50_000, type=pa.binary(3_000))),
}


@pytest.mark.parametrize("kind", PARQUET_BOMBS)
def test_a_parquet_file_that_opens_to_gigabytes(kind: str, write: Write) -> None:
    """A value that is written once may stand in millions of rows."""
    bomb = PARQUET_BOMBS[kind]
    assert len(bomb) < 4 * MB
    assert "opens to more than" in _refused(write("a.parquet", bomb))


def test_marks_from_parquet_however_they_are_written(write: Write) -> None:
    n = 300
    texts = ["shut" if k % 50 == 7 else None for k in range(n)]
    plain = pa.array(texts)
    for column, how in (
        (plain, {}),
        (plain, {"use_dictionary": False}),
        (plain, {"use_dictionary": False, "column_encoding": {"mark": "DELTA_BYTE_ARRAY"}}),
        (plain.dictionary_encode(), {}),
        (pa.array(texts, type=pa.large_string()), {}),
        (plain, {"row_group_size": 40}),
    ):
        path = write("a.parquet", _parquet(column, **how))
        batch = read_logs([path], path.parent.parent).batch
        assert [(m.elapsed_s, m.text) for m in batch.marks] == [(float(k), "shut") for k in range(7, n, 50)]
    path = write("a.parquet", _parquet(pa.array([["shut"]] * n)))
    assert "lists or structures" in _refused(path)


def test_registers_open_to_no_more_than_logs_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "evacuations.csv").write_text(
        "evacuation_id,log_file,started_at,technician_id,pump_id\nE1,,2026-05-04,T1,P1\n"
    )
    pq.write_table(pa.table({"pump_id": ONE_TEXT}), tmp_path / "pumps.parquet")
    names = ["A", "B\0", "C" * 5_000, None]
    pq.write_table(
        pa.table({"technician_id": ["T1", "T2", "T3", "T4"], "name": names, "branch": [["x"]] * 4, "other": [1] * 4}),
        tmp_path / "technicians.parquet",
    )
    read = read_registers(tmp_path)
    rows = {r["register"]: (r["rows_handed_in"], r["rows_kept"]) for r in read.counts.to_dicts()}
    assert rows == {"evacuations": (1, 1), "pumps": (1, 0), "technicians": (4, 2)}
    assert read.frames["technicians"]["technician_id"].to_list() == ["T1", "T4"]
    assert read.frames["technicians"]["row"].to_list() == [1, 4]
    problems = dict(read.quarantine.select("row", "problem").iter_rows())
    assert "opens to more than" in problems[None]
    assert "NUL" in problems[2]
    assert "a field of more than" in problems[3]
    monkeypatch.setattr(parquet_bounded, "LIMITS", replace(limits.LIMITS, lines=3))
    assert "more than 3 rows" in read_registers(tmp_path).quarantine.filter(path="technicians.parquet")["problem"][0]


def test_more_marks_than_anybody_sets(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finish, "LIMITS", replace(limits.LIMITS, marks=5))
    t, p = pull_micron()
    text = "elapsed_s,pressure_micron,mark\n" + "".join(f"{a:g},{b:.1f},m{a:g}\n" for a, b in zip(t, p, strict=True))
    path = write("a.csv", text)
    readout = read_logs([path], path.parent.parent)
    assert [m.text for m in readout.batch.marks] == [f"m{a:g}" for a in t[:5]]
    assert readout.quarantine["problem"].to_list() == ["more than 5 marks; the later ones were left out"]
    assert readout.batch.readings == t.size


@pytest.mark.parametrize("seed", range(4))
def test_marks_stand_where_their_rows_do(seed: int) -> None:
    """Against the rule told plainly: at its row; of a repeat at the first row of that time; else at the nearest before."""
    rng = np.random.default_rng(seed)
    n = 60
    time_s = rng.integers(0, 25, n).astype(float)
    kept = np.sort(rng.choice(n, 50, replace=False))
    index = rng.permutation(50)[:40]
    elapsed_s = np.sort(rng.uniform(0, 99, 40))
    rows = kept[index].tolist()
    marks = [(int(r), f"m{r}") for r in np.sort(rng.choice(n, 30, replace=False))]
    raw = RawLog(*(np.zeros(n),) * 4, kind="plain", unit="micron", marks=marks)
    wanted = set()
    for row, text in marks:
        before = [r for r in rows if r <= row]
        at = rows.index(max(before) if before else min(rows))
        if rows[at] != row:
            at = next((i for i, r in enumerate(rows) if time_s[r] == time_s[row]), at)
        wanted.add((float(elapsed_s[at]), text))
    assert finish._marks(raw, kept, index, elapsed_s, time_s) == tuple(sorted(wanted))


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
    added = added_mb(
        f"""
        out = read_logs(["logs/a.csv.gz"], {str(tmp_path)!r})
        assert not out.info["readable"][0]
        """,
        before="from blankoff.ingest.logs import read_logs",
    )
    assert added * 2**20 < 4 * limits.LIMITS.text_bytes


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
