"""What a Parquet file's pages open to is told before one is opened, whatever footer and headers say."""

from __future__ import annotations

import io
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from thin_parquet import page, parquet, thrift

from blankoff.ingest import parquet_pages
from blankoff.ingest.logs import read_logs
from blankoff.ingest.parquet_pages import page_bytes

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
    return page_bytes(data, pq.read_metadata(pa.BufferReader(data)), names)


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
    code = textwrap.dedent(
        f"""
        from blankoff.ingest.logs import read_logs
        from tests.memory import peak_mb
        names = {["good.parquet", *files]!r}
        root = {str(tmp_path)!r}
        read_logs(["logs/good.parquet"], root)
        before = peak_mb()
        out = read_logs(["logs/" + name for name in names], root)
        assert out.info["readable"].to_list() == [True] + [False] * {len(files)}, out.info
        assert out.quarantine["problem"].str.contains("opens to more than").all()
        print(peak_mb() - before)
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        cwd=Path(__file__).parents[2],
    )
    assert float(done.stdout) < 100


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
    at, found = parquet_pages._fields(data, 2, parquet_pages._PAGE)
    assert (at, found[2], found[3]) == (len(data) - 7, size, 7)
    assert found[5 if kind == 0 else 7][1] == values


BODY = packed(TIME, "none")
GOOD = {1: 0, 2: len(BODY), 3: len(BODY), 5: {1: ROWS, 2: 0, 3: 3, 4: 3}}
WRONG: dict[str, tuple[bytes, str]] = {
    "no size": (thrift({1: 0, 3: len(BODY), 5: GOOD[5]}), "without a size"),
    "size below nothing": (thrift(GOOD | {2: -1}), "without a size"),
    "checksum of words": (thrift({1: 0, 2: 1, 3: 1, 4: "\x05\x04\xfe\xff"}), "holds what none does"),
    "words for a size": (thrift({1: 0, 2: "x", 3: 1}), "holds what none does"),
    "a list": (thrift(GOOD | {9: [1]}), "holds what none does"),
    "a structure for a size": (thrift({1: 0, 2: {}, 3: 1}), "holds what none does"),
    "out of order": (b"\x05\x04" + thrift(GOOD), "out of order"),
    "no end": (b"\x98\xff\xff\xff\x7f", "no end"),
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


class _Footer:
    """A footer of one column that says where it lies."""

    num_row_groups = num_columns = 1
    path_in_schema = "a"

    def __init__(self, at: int, size: int, dictionary: int | None = None) -> None:
        self.data_page_offset, self.total_compressed_size, self.dictionary_page_offset = at, size, dictionary

    def row_group(self, _: int) -> _Footer:
        return self

    column = row_group


def test_columns_lie_in_the_file() -> None:
    data = page(BODY, ROWS, 3_000)
    assert page_bytes(data, _Footer(0, len(data)), ["a"]) == 3_000
    assert page_bytes(b"PAR1" + data + data, _Footer(4 + len(data), 2 * len(data), 4), ["a"]) == 6_000, (
        "dictionary first"
    )
    assert page_bytes(data, _Footer(0, len(data)), ["b"]) == 0
    for at, size, dictionary in ((1, len(data), None), (-1, 5, None), (0, -1, None)):
        with pytest.raises(ValueError, match="outside of the file"):
            page_bytes(data, _Footer(at, size, dictionary), ["a"])
    with pytest.raises(ValueError, match="dictionary behind"):
        page_bytes(data, _Footer(4, 5, 4), ["a"])


def test_more_pages_than_anybody_writes() -> None:
    data = thrift({1: 0, 2: 0, 3: 0, 5: {1: 0, 2: 0, 3: 3, 4: 3}}) * 100_001
    assert page_bytes(data, _Footer(0, len(data) // 100_001 * 100_000), ["a"]) == 0
    with pytest.raises(ValueError, match="more than 100000 pages"):
        page_bytes(data, _Footer(0, len(data)), ["a"])
