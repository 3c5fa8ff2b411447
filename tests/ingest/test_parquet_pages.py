"""What a Parquet file's pages open to is told before one is opened, whatever footer and headers say."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.memory import added_mb
from thin_parquet import page, parquet, thrift

from blankoff.ingest import limits, parquet_pages
from blankoff.ingest.logs import read_logs
from blankoff.ingest.parquet_pages import Chunk, chunks_of, page_bytes

ROWS = 400
NAMES = ["elapsed_s", "pressure_micron"]
TIME = np.arange(ROWS) * 10.0
PRESSURE = 300.0 + 20_000.0 * np.exp(-TIME / 300.0)


def packed(values: np.ndarray, codec: str) -> bytes:
    body = values.tobytes()
    return body if codec == "none" else pa.Codec(codec).compress(body, asbytes=True)


def log(codec: str, says: int = 8 * ROWS) -> bytes:
    """A log of two pages, whose headers say how much each opens to."""
    pages = [[page(packed(v, codec), ROWS, says)] for v in (TIME, PRESSURE)]
    return parquet(dict(zip(NAMES, pages, strict=True)), ROWS, codec)


def opened(data: bytes, names: list[str] = NAMES) -> int:
    return page_bytes(data, chunks_of(data), names)


@pytest.mark.parametrize("codec", ["none", "snappy", "gzip", "zstd"])
def test_an_honest_file_by_hand_is_read(codec: str, tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.parquet").write_bytes(log(codec))
    batch = read_logs(["logs/a.parquet"], tmp_path).batch
    np.testing.assert_array_equal(batch.elapsed_s, TIME)
    np.testing.assert_array_equal(batch.pressure_micron, PRESSURE)
    assert opened(log(codec)) == 2 * 8 * ROWS


def test_pages_that_say_gigabytes_are_not_opened(tmp_path: Path) -> None:
    """In a process of its own; a file that really opens to a gigabyte is among them. All footers say a kilobyte."""
    (tmp_path / "logs").mkdir()
    files = {f"{codec}.parquet": log(codec, 2**31 - 1) for codec in ("snappy", "gzip", "zstd")}
    zeros = np.zeros(2**24)
    many = [page(packed(zeros, "zstd"), ROWS // 8, zeros.nbytes)] * 8
    files["true.parquet"] = parquet(dict.fromkeys(NAMES, many), ROWS, "zstd")
    del zeros
    for name, data in files.items():
        assert len(data) < 500_000
        (tmp_path / "logs" / name).write_bytes(data)
    (tmp_path / "logs" / "good.parquet").write_bytes(log("snappy"))
    added = added_mb(
        f"""
        out = read_logs(["logs/" + name for name in {["good.parquet", *files]!r}], root)
        assert out.info["readable"].to_list() == [True] + [False] * {len(files)}, out.info
        assert out.quarantine["problem"].str.contains("opens to more than").all()
        """,
        before=f"""
        from blankoff.ingest.logs import read_logs
        root = {str(tmp_path)!r}
        read_logs(["logs/good.parquet"], root)
        """,
    )
    assert added < 100


WRITERS: dict[str, dict[str, Any]] = {
    "usual": {},
    "second form": {"version": "2.6", "data_page_version": "2.0"},
    "no dictionary": {"use_dictionary": False},
    "no statistics": {"write_statistics": False},
    "checksums": {"write_page_checksum": True},
    "uncompressed": {"compression": "none"},
    "groups and pages": {"row_group_size": 150, "data_page_size": 100},
    "an index": {"write_page_index": True},
}


@pytest.mark.parametrize("how", WRITERS)
def test_honest_writers_are_understood(how: str) -> None:
    """Reference: Arrow's footer, which counts the headers too: some 20 to 100 bytes a page."""
    table = pa.table({"elapsed_s": TIME, "pressure_micron": PRESSURE, "mark": ["shut", None] * (ROWS // 2)})
    sink = io.BytesIO()
    pq.write_table(table, sink, **WRITERS[how])
    footer = pq.read_metadata(pa.BufferReader(sink.getvalue()))
    chunks = [footer.row_group(g).column(c) for g in range(footer.num_row_groups) for c in range(3)]
    said = sum(chunk.total_uncompressed_size for chunk in chunks)
    got = opened(sink.getvalue(), [*NAMES, "mark"])
    assert said - 1_500 < got < said


def test_another_writer_is_understood() -> None:
    sink = io.BytesIO()
    pl.DataFrame({"elapsed_s": TIME, "pressure_micron": PRESSURE}).write_parquet(sink, compression="lz4")
    assert opened(sink.getvalue()) >= 2 * 8 * ROWS


def header(opened_to: int, values: int, *, usual: bool, kind: int) -> bytes:
    """A header of numbers (0) or of a dictionary (2); with statistics as most writers have them, or without."""
    statistics = {1: "x" * 8, 2: "y" * 8, 3: ("i64", 0), 5: "x" * 8, 6: "y" * 8}
    numbers = {1: values, 2: 8, 3: 3, 4: 3} | ({5: statistics} if usual else {})
    return thrift({1: kind, 2: opened_to, 3: 7, **({5: numbers} if kind == 0 else {7: {1: values, 2: 0}})})


@given(st.integers(0, 2**31 - 1), st.integers(0, 2**31 - 1), st.booleans(), st.sampled_from([0, 2]))
def test_the_usual_headers_are_read_alike_both_ways(size: int, values: int, usual: bool, kind: int) -> None:
    data = b"__" + header(size, values, usual=usual, kind=kind) + b"1234567"
    assert (parquet_pages._USUAL.match(data, 2) is not None) == (usual or kind == 2)
    assert parquet_pages._page(data, 2) == (len(data) - 7, size, 7, values)
    at, found = parquet_pages._fields(data, 2, parquet_pages._PAGE, 0)
    assert (at, found[2], found[3]) == (len(data) - 7, size, 7)
    assert found[5 if kind == 0 else 7][1] == values


BODY = packed(TIME, "none")
GOOD = {1: 0, 2: len(BODY), 3: len(BODY), 5: {1: ROWS, 2: 0, 3: 3, 4: 3}}
WRONG: dict[str, tuple[bytes, str]] = {
    "no size": (thrift({1: 0, 3: len(BODY), 5: GOOD[5]}), "without a size"),
    "size below nothing": (thrift(GOOD | {2: -1}), "without a size"),
    "checksum of words": (thrift({1: 0, 2: 1, 3: 1, 4: "\x05\x04\xfe\xff"}), "another kind"),
    "words for a size": (thrift({1: 0, 2: "x", 3: 1}), "another kind"),
    "a list for a size": (thrift({1: 0, 2: [1], 3: 1}), "another kind"),
    "a structure for a size": (thrift({1: 0, 2: {}, 3: 1}), "another kind"),
    "fields out of order": (b"\x05\x04" + thrift(GOOD), "fields out of order"),
    "no end": (b"\x98\xff\xff\xff\x7f", "without an end"),
    "endless number": (b"\x15" + b"\x80" * 20, "number without an end"),
    "more values than rows may be": (thrift(GOOD | {5: {1: 2**30, 2: 0, 3: 3, 4: 3}}), "more values"),
    "longer than its column": (thrift(GOOD | {3: len(BODY) + 1}), "ends outside"),
}


@pytest.mark.parametrize("what", WRONG)
def test_headers_that_readers_may_take_differently_are_refused(what: str, tmp_path: Path) -> None:
    head, why = WRONG[what]
    pressure = [page(packed(PRESSURE, "none"), ROWS, 8 * ROWS)]
    data = parquet({"elapsed_s": [head + BODY], "pressure_micron": pressure}, ROWS, "none")
    with pytest.raises(ValueError, match=why):
        opened(data)
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.parquet").write_bytes(data)
    readout = read_logs(["logs/a.parquet"], tmp_path)
    assert readout.info["readable"].to_list() == [False]
    assert why in readout.quarantine["problem"][0]


def laid(start: int, end: int) -> list[Chunk]:
    return [Chunk("a", frozenset(), start, end)]


def test_only_the_columns_asked_for_are_looked_through() -> None:
    data = page(BODY, ROWS, 3_000)
    assert page_bytes(data, laid(0, len(data)), ["a"]) == 3_000
    assert page_bytes(b"PAR1" + data + data, laid(4, 4 + 2 * len(data)), ["a"]) == 6_000
    assert page_bytes(data, laid(0, len(data)), ["b"]) == 0


def test_more_pages_than_anybody_writes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet_pages, "LIMITS", replace(limits.LIMITS, members=50))
    data = thrift({1: 0, 2: 0, 3: 0, 5: {1: 0, 2: 0, 3: 3, 4: 3}}) * 51
    assert page_bytes(data, laid(0, len(data) // 51 * 50), ["a"]) == 0
    with pytest.raises(ValueError, match="more than 50 pages"):
        page_bytes(data, laid(0, len(data)), ["a"])


@pytest.mark.parametrize("how", WRITERS)
def test_columns_lie_where_the_library_finds_them(how: str) -> None:
    """Reference: Arrow's own reading of the footer."""
    table = pa.table(
        {"elapsed_s": TIME, "pressure_micron": PRESSURE, "mark": ["shut", None] * (ROWS // 2), "n": [[1]] * ROWS}
    )
    sink = io.BytesIO()
    pq.write_table(table, sink, **WRITERS[how])
    footer = pq.read_metadata(pa.BufferReader(sink.getvalue()))
    theirs = [footer.row_group(g).column(c) for g in range(footer.num_row_groups) for c in range(footer.num_columns)]
    ours = chunks_of(sink.getvalue())
    assert [c.name for c in ours] == [t.path_in_schema for t in theirs]
    assert [c.start for c in ours] == [t.dictionary_page_offset or t.data_page_offset for t in theirs]
    assert [c.end - c.start for c in ours] == [t.total_compressed_size for t in theirs]
    numbers = {"PLAIN": 0, "PLAIN_DICTIONARY": 2, "RLE": 3, "RLE_DICTIONARY": 8}
    assert [c.encodings for c in ours] == [{numbers[e] for e in t.encodings} for t in theirs]


def footed(footer: bytes, body: bytes = b"") -> bytes:
    return b"PAR1" + body + footer + struct.pack("<I", len(footer)) + b"PAR1"


COLUMN: dict[int, Any] = {2: [0], 3: ["a"], 7: ("i64", 5), 9: ("i64", 4)}
FOOTERS: dict[str, tuple[bytes, str]] = {
    "no footer": (b"PAR1" + struct.pack("<I", 900) + b"PAR1", "a footer that is none"),
    "beyond the file": (footed(thrift({4: [{1: [{3: COLUMN | {9: ("i64", 10_000)}}]}]})), "outside of the file"),
    "before the file": (footed(thrift({4: [{1: [{3: COLUMN | {9: ("i64", -4)}}]}]}), bytes(9)), "outside of the file"),
    "shorter than nothing": (
        footed(thrift({4: [{1: [{3: COLUMN | {7: ("i64", -1)}}]}]}), bytes(9)),
        "outside of the file",
    ),
    "dictionary behind": (
        footed(thrift({4: [{1: [{3: COLUMN | {11: ("i64", 4)}}]}]}), bytes(9)),
        "a dictionary behind",
    ),
    "words for groups": (footed(thrift({4: "x"})), "another kind"),
    "a number for a column": (footed(thrift({4: [{1: [{3: 5}]}]})), "another kind"),
    "words for encodings": (footed(thrift({4: [{1: [{3: COLUMN | {2: ["x"]}}]}]}), bytes(9)), "another kind"),
    "numbers for a name": (footed(thrift({4: [{1: [{3: COLUMN | {3: [1]}}]}]}), bytes(9)), "another kind"),
    "an endless list": (footed(b"\x49\xfc\xff\xff\xff\xff\x7f"), "longer than the file"),
    "within itself": (footed(b"\xac" + b"\x1c" * 40 + bytes(41)), "structures within"),
    "a map": (footed(b"\xab\x00\x00"), "a kind that there is not"),
}


@pytest.mark.parametrize("what", FOOTERS)
def test_footers_that_are_none_are_refused(what: str, tmp_path: Path) -> None:
    data, why = FOOTERS[what]
    with pytest.raises(ValueError, match=why):
        chunks_of(data)
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.parquet").write_bytes(data)
    assert read_logs(["logs/a.parquet"], tmp_path).info["readable"].to_list() == [False]


def test_a_footer_that_ends_the_library_does_not_end_the_program(tmp_path: Path) -> None:
    """One bit makes a column one that is never blank: Arrow 26 ends the whole program when such a column is asked for."""
    table = pa.table({"elapsed_s": TIME, "pressure_micron": PRESSURE, "mark": [None, "shut"] * (ROWS // 2)})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    whole = sink.getvalue()
    size = int.from_bytes(whole[-8:-4], "little")
    footer = whole[-8 - size : -8]
    (tmp_path / "logs").mkdir()
    names = []
    for i in range(len(footer) - 1):
        if footer[i : i + 2] == b"\x25\x02":  # may be blank
            damaged = footer[:i] + b"\x25\x00" + footer[i + 2 :]
            names.append(f"logs/{i}.parquet")
            (tmp_path / names[-1]).write_bytes(whole[: -8 - size] + damaged + whole[-8:])
    assert len(names) >= 3
    code = f"from blankoff.ingest.logs import read_logs; print(read_logs({names!r}, {str(tmp_path)!r}).info.height)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (0, f"{len(names)}\n", "")
