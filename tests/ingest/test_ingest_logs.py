"""Whole log files: every legal spelling gives the same samples, every fault costs what it should and says so."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import zstandard
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from ingest_data import as_text, pull_micron

from blankoff.errors import LogUnreadableError
from blankoff.ingest import fast, fields, logs
from blankoff.ingest.logs import LogReadout, plan_batches, read_log, read_logs
from blankoff.ingest.rejects import Rejects
from blankoff.samples import SampleBatch
from blankoff.settings import Settings, settings_from_dict
from blankoff.units import micron_to

Write = Callable[[str, str | bytes], Path]
T, P = pull_micron()
SEEN = np.where(P <= 25_000, P, np.nan)
START = datetime(2026, 5, 4, 14, 0, tzinfo=UTC)


def _same(batch: SampleBatch, rtol: float = 1e-9) -> None:
    np.testing.assert_allclose(batch.elapsed_s, T, atol=1e-6)
    np.testing.assert_allclose(batch.pressure_micron, SEEN, rtol=rtol)


def _one(path: Path, settings: Settings | None = None) -> LogReadout:
    root = next(p.parent for p in path.parents if p.name == "logs")
    return read_logs([path], root, settings, threads=1)


# --- what is legal ------------------------------------------------------------------------------------------------


def _stamped(spell: Callable[[datetime], str], delimiter: str = ",") -> str:
    rows = [
        f"{spell(START + timedelta(seconds=a))}{delimiter}{b:.1f}"
        if b <= 25_000
        else f"{spell(START + timedelta(seconds=a))}{delimiter}"
        for a, b in zip(T.tolist(), P.tolist(), strict=True)
    ]
    return "\n".join([f"timestamp{delimiter}pressure_micron", *rows]) + "\n"


PLAIN = as_text(T, P)
LEGAL: dict[str, str | bytes] = {
    "plain": PLAIN,
    "crlf": PLAIN.replace("\n", "\r\n"),
    "cr": PLAIN.replace("\n", "\r"),
    "mixed ends": PLAIN.replace("\n100,", "\r\n100,").replace("\n200,", "\r200,"),
    "byte-order mark": "\ufeff" + PLAIN,
    "utf-16 with mark": PLAIN.encode("utf-16"),
    "utf-16 without": PLAIN.encode("utf-16-le"),
    "utf-16 big": PLAIN.encode("utf-16-be"),
    "blank lines": PLAIN.replace("\n100,", "\n\n\n100,") + "\n\n",
    "lines of blanks": PLAIN.replace("\n100,", "\n   \n100,"),
    "no last line end": PLAIN.rstrip("\n"),
    "upper-case heading": PLAIN.replace("elapsed_s,pressure_micron", "Elapsed_S, Pressure_Micron"),
    "quoted": "\n".join(",".join(f'"{f}"' for f in line.split(",")) for line in PLAIN.splitlines()) + "\n",
    "blanks around": "\n".join(" , ".join(line.split(",")) for line in PLAIN.splitlines()) + "\n",
    "semicolons": PLAIN.replace(",", ";"),
    "semicolons, decimal commas": PLAIN.replace(",", ";").replace(".", ","),
    "tabs": PLAIN.replace(",", "\t"),
    "trailing delimiter": PLAIN.replace("\n", ",\n"),
    "comment above": "# exported\n\n" + PLAIN,
    "extra columns": "\n".join(f"{i},{line},x" if i else f"no,{line},note" for i, line in enumerate(PLAIN.splitlines()))
    + "\n",
    "two pressures": "\n".join(
        f"{line},9" if i else f"{line},pressure_bananas" for i, line in enumerate(PLAIN.splitlines())
    )
    + "\n",
    **{
        f"over-range as {w!r}": as_text(T, P, over_range=w)
        for w in ("", "inf", "nan", "over", "----", "OL", ">25000", "high!", "NULL")
    },
    "iso, zoned": _stamped(lambda m: m.isoformat().replace("+00:00", "Z")),
    "iso, offset": _stamped(lambda m: (m + timedelta(hours=2)).replace(tzinfo=None).isoformat() + "+02:00"),
    "iso, naive": _stamped(lambda m: m.replace(tzinfo=None).isoformat()),
    "iso, blank, fraction": _stamped(lambda m: m.strftime("%Y-%m-%d %H:%M:%S.000")),
    "iso basic": _stamped(lambda m: m.strftime("%Y%m%dT%H%M%SZ")),
    "day first, decided": _stamped(lambda m: (m + timedelta(days=20)).strftime("%d/%m/%Y %H:%M:%S")),
    "month first, decided": _stamped(lambda m: (m + timedelta(days=20)).strftime("%m/%d/%Y %I:%M:%S %p")),
    "day first, two-digit year": _stamped(lambda m: (m + timedelta(days=20)).strftime("%d.%m.%y %H:%M:%S")),
    "month named": _stamped(lambda m: m.strftime("%d-%b-%Y %H:%M:%S")),
    "month named first": _stamped(lambda m: m.strftime("%b %d %Y %H:%M:%S")),
    "epoch seconds": _stamped(lambda m: f"{m.timestamp():.0f}"),
    "epoch milliseconds": _stamped(lambda m: f"{m.timestamp() * 1000:.0f}"),
    "clock only": _stamped(lambda m: m.strftime("%H:%M:%S")),
    "clock only, midnight": _stamped(lambda m: (m + timedelta(hours=9, minutes=55)).strftime("%H:%M:%S")),
}


@pytest.mark.parametrize("name", LEGAL)
def test_every_legal_spelling_gives_the_same_samples(name: str, write: Write) -> None:
    path = write("a.csv", LEGAL[name])
    _same(read_log(path))
    readout = _one(path)
    _same(readout.batch)
    assert readout.quarantine.is_empty()
    assert readout.info["rows"].to_list() == [T.size]


@pytest.mark.parametrize("unit", ["micron", "mtorr", "torr", "pa", "hpa", "kpa", "mbar", "inhg"])
def test_every_unit(unit: str, write: Write) -> None:
    values = micron_to(P, unit)
    text = f"elapsed_s,pressure_{unit}\n" + "".join(f"{a:g},{b:.9g}\n" for a, b in zip(T, values, strict=True))
    batch = read_log(write("a.csv", text))
    np.testing.assert_allclose(batch.pressure_micron, P, rtol=1e-8)


def _parquet(frame: pl.DataFrame) -> bytes:
    sink = io.BytesIO()
    frame.write_parquet(sink)
    return sink.getvalue()


def test_compressed_and_parquet_logs(write: Write) -> None:
    _same(read_log(write("a.csv.gz", gzip.compress(PLAIN.encode()))))
    _same(read_log(write("b.csv.gz", gzip.compress(PLAIN[:999].encode()) + gzip.compress(PLAIN[999:].encode()))))
    _same(read_log(write("a.csv.zst", zstandard.ZstdCompressor().compress(PLAIN.encode()))))
    sink = io.BytesIO()
    with zstandard.ZstdCompressor().stream_writer(sink, closefd=False) as stream:
        stream.write(PLAIN.encode())
    _same(read_log(write("b.csv.zst", sink.getvalue())))
    frame = pl.DataFrame({"elapsed_s": T, "pressure_micron": pl.Series(SEEN).fill_nan(None)})
    _same(read_log(write("a.parquet", _parquet(frame))))
    words = frame.with_columns(
        pl.col("pressure_micron").cast(pl.String).fill_null("OL"), pl.col("elapsed_s").cast(pl.Int64)
    )
    _same(read_log(write("b.parquet", _parquet(words))))
    moments = frame.select(
        (pl.lit(START) + pl.duration(microseconds=pl.col("elapsed_s") * 1e6)).alias("timestamp"), "pressure_micron"
    )
    readout = _one(write("c.parquet", _parquet(moments)))
    _same(readout.batch)
    assert readout.info["first_timestamp"].to_list() == [START]


def test_first_timestamp_ambient_and_marks(write: Write) -> None:
    text = (
        "timestamp,pressure_torr,ambient_f,mark\n"
        "2026-05-04T14:00:00,0.9,68,start\n2026-05-04T14:00:01,0.8,,\n"
        '2026-05-04T14:00:02,0.7,50,"valve, shut"\n2026-05-04T14:00:03,0.71,x,\n'
    )
    readout = _one(write("a.csv", text), Settings(timezone="America/Denver"))
    assert readout.info["first_timestamp"].to_list() == [datetime(2026, 5, 4, 20, tzinfo=UTC)]
    np.testing.assert_allclose(readout.batch.ambient_c, [20, np.nan, 10, np.nan])
    np.testing.assert_allclose(readout.batch.pressure_micron, [900, 800, 700, 710])
    assert [(m.elapsed_s, m.text) for m in readout.batch.marks] == [(0.0, "start"), (2.0, "valve, shut")]


# --- faults that cost a line --------------------------------------------------------------------------------------

LINES = PLAIN.splitlines()


def _with(line: int, content: str) -> str:
    """Replace one line, counted as in the file with the heading being line 1."""
    return "\n".join([*LINES[: line - 1], content, *LINES[line:]]) + "\n"


BAD_LINE: dict[str, tuple[str | bytes, int, str]] = {
    "stray heading": (_with(150, "elapsed_s,pressure_micron"), 150, "heading"),
    "NULs": (_with(150, "\0\0\0\0\0\0"), 150, "NUL"),
    "NULs before a reading": (_with(150, "\0\0296,477.0"), 150, "NUL"),
    "negative": (_with(150, "296,-12"), 150, "negative"),
    "impossible": (_with(150, "296,9e9"), 150, "impossible"),
    "zero where steps are fine": (_with(150, "296,0"), 150, "impossible"),
    "text in the time": (_with(150, "soon,477"), 150, "no time"),
    "no time": (_with(150, ",477"), 150, "no time"),
    "infinite time": (_with(150, "inf,477"), 150, "no time"),
    "cut before the pressure": (_with(150, "296"), 150, "cut short"),
    "two lines run together": (_with(150, "296,477.1298,476.0"), 150, "more fields"),
    "digits that are no number": (_with(150, "296,47.7.1"), 150, "no pressure"),
    "open quotation mark": (_with(150, '296,"477'), 150, "quotation"),
    "mistimed": (_with(250, "4,415.0"), 250, "time"),
    "days away": (_with(250, "1e9,415.0"), 250, "time"),
}


@pytest.mark.parametrize("name", BAD_LINE)
def test_a_bad_line_costs_that_line(name: str, write: Write) -> None:
    text, line, word = BAD_LINE[name]
    readout = _one(write("a.csv", text))
    got = readout.quarantine
    assert got["row"].to_list() == [line]
    assert word in got["problem"][0]
    assert got["path"].to_list() == ["logs/a.csv"]
    keep = np.arange(T.size) != line - 2
    np.testing.assert_allclose(readout.batch.elapsed_s, T[keep], atol=1e-6)
    np.testing.assert_allclose(readout.batch.pressure_micron, SEEN[keep])
    assert readout.info["bad_rows"].to_list() == [1]


@pytest.mark.parametrize("cut", [PLAIN[:-4], PLAIN[:-6], PLAIN[:-8], PLAIN[:-5]])
def test_a_half_written_last_line_costs_that_line(cut: str, write: Write) -> None:
    readout = _one(write("a.csv", cut))
    assert readout.quarantine["row"].to_list() == [T.size + 1]
    np.testing.assert_allclose(readout.batch.pressure_micron, SEEN[:-1])


def test_a_mark_in_another_encoding_costs_that_line(write: Write) -> None:
    rows = [f"{line},{'isolé' if i == 99 else ''}" for i, line in enumerate(LINES)]
    rows[0] = LINES[0] + ",mark"
    readout = _one(write("a.csv", "\n".join(rows).encode("cp1252") + b"\n"))
    assert readout.quarantine["row"].to_list() == [100]
    assert readout.quarantine["field"].to_list() == ["mark"]
    assert readout.batch.readings == T.size - 1


def test_a_file_wholly_in_another_encoding_is_read(write: Write) -> None:
    rows = [f"{line},{'mühsam' if i else 'mark'}" for i, line in enumerate(LINES)]
    batch = read_log(write("a.csv", "\n".join(rows).encode("cp1252") + b"\n"))
    assert batch.readings == T.size
    assert batch.marks[0].text == "mühsam"


def test_many_bad_lines_are_counted_not_all_listed(write: Write) -> None:
    bad = "".join(f"{2 * i},-1\n" for i in range(2_000))
    readout = _one(write("a.csv", PLAIN + bad.replace(",-1", ",-1", 1)))
    assert readout.quarantine.height == 101
    assert "1900 more lines" in readout.quarantine["problem"][-1]
    assert readout.info["bad_rows"].to_list() == [2_000]


def test_repeats_disorder_and_a_clock_set_back_cost_nothing(write: Write) -> None:
    body = LINES[1:]
    for rows in (
        body[:200] + body[100:200] + body[200:],
        body[:100] + body[200:300] + body[100:200] + body[300:],
        body[:250] + [f"{float(r.split(',')[0]) - 300:g},{r.split(',')[1]}" for r in body[250:]],
    ):
        readout = _one(write("a.csv", "\n".join([LINES[0], *rows]) + "\n"))
        assert readout.quarantine.is_empty()
        np.testing.assert_allclose(readout.batch.pressure_micron, SEEN)
        np.testing.assert_allclose(readout.batch.elapsed_s, T, atol=2.0)


def test_a_second_heading_with_another_unit_is_obeyed(write: Write) -> None:
    half = [f"{r.split(',')[0]},{float(r.split(',')[1]) / 1000:.6f}" for r in LINES[300:]]
    text = "\n".join([*LINES[:300], "elapsed_s,pressure_torr", *half]) + "\n"
    readout = _one(write("a.csv", text))
    np.testing.assert_allclose(readout.batch.pressure_micron, SEEN, rtol=1e-6)
    assert readout.quarantine["row"].to_list() == [301]


def test_zeros_from_coarse_steps_are_rounded_readings(write: Write) -> None:
    """A gauge that shows hundredths of an inch of mercury rounds 60 microns to nothing; that is a reading."""
    values = np.round(micron_to(np.where(T > 400, 60.0, P), "inhg"), 2)
    text = "elapsed_s,pressure_inhg\n" + "".join(f"{a:g},{b:.2f}\n" for a, b in zip(T, values, strict=True))
    readout = _one(write("a.csv", text))
    assert readout.quarantine.is_empty()
    low = readout.batch.pressure_micron[T > 400]
    assert np.all((low > 0) & (low < 127))


# --- faults that cost the file ------------------------------------------------------------------------------------


def _slipped(factor: float, top: float = 1e9, begin_s: float = 0.0, unit: str = "micron") -> str:
    keep = begin_s <= T
    rows = [f"{a:g},{b * factor:.7g}" if b <= top else f"{a:g},OL" for a, b in zip(T[keep], P[keep], strict=True)]
    return "\n".join([f"elapsed_s,pressure_{unit}", *rows]) + "\n"


BAD_FILE: dict[str, tuple[str, str | bytes, str]] = {
    "empty": ("a.csv", b"", "empty"),
    "no heading": ("a.csv", PLAIN.split("\n", 1)[1], "no heading"),
    "heading only": ("a.csv", "elapsed_s,pressure_micron\n", "no readings"),
    "no time column": ("a.csv", PLAIN.replace("elapsed_s", "when"), "no time"),
    "no pressure column": ("a.csv", PLAIN.replace("pressure_micron", "vacuum"), "no pressure"),
    "unknown unit": ("a.csv", PLAIN.replace("micron", "furlong"), "furlong"),
    "no unit": ("a.csv", PLAIN.replace("pressure_micron", "pressure"), "unit"),
    "prose": ("a.csv", "Dear sir,\nplease find the log attached.\n" * 20, "nothing in it"),
    "noise": ("a.csv", np.random.default_rng(1).bytes(5000), "nothing in it"),
    "no line ends": ("a.csv", PLAIN.replace("\n", ""), "line ends"),
    "prose for pressures": (
        "a.csv",
        "elapsed_s,pressure_micron\n" + "".join(f"{i},w{chr(97 + i)}\n" for i in range(20)),
        "no number",
    ),
    "no times": ("a.csv", "elapsed_s,pressure_micron\n" + "x,500\n" * 50, "no line has both"),
    "one impossible reading": ("a.csv", "elapsed_s,pressure_micron\n0,-5\n", "no possible reading"),
    "gzip named csv": ("a.csv", gzip.compress(PLAIN.encode()), "gzip"),
    "csv named gzip": ("a.csv.gz", PLAIN, "not what the name says"),
    "csv named zstd": ("a.csv.zst", PLAIN, "not what the name says"),
    "csv named parquet": ("a.parquet", PLAIN, "not what the name says"),
    "cut parquet": ("a.parquet", _parquet(pl.DataFrame({"elapsed_s": T, "pressure_micron": P}))[:-50], "cut short"),
    "damaged parquet": ("a.parquet", b"PAR1" + b"\x15" * 400 + b"PAR1", "Parquet"),
    "picture": ("a.csv", b"\x89PNG\r\n\x1a\n" + b"\0" * 100, "png"),
    "undecided day and month": ("a.csv", _stamped(lambda m: m.strftime("%d/%m/%Y %H:%M:%S")), "is the date"),
    "undecided two-digit year": ("a.csv", _stamped(lambda m: m.strftime("%d-%m-%y %H:%M:%S")), "is the date"),
    "torr named micron": ("a.csv", _slipped(1e-3), "thousandfold"),
    "torr named micron, from the top of range": ("a.csv", _slipped(1e-3, top=20_000), "thousandfold"),
    "torr named micron, begun late": ("a.csv", _slipped(1e-3, begin_s=220), "thousandfold"),
    "micron named torr": ("a.csv", _slipped(1.0, unit="torr"), "thousandfold"),
    "micron named torr, from the top of range": ("a.csv", _slipped(1.0, top=20_000, unit="torr"), "thousandfold"),
    "micron named torr, begun late": ("a.csv", _slipped(1.0, begin_s=220, unit="torr"), "thousandfold"),
    "pa named kpa": ("a.csv", _slipped(0.1333, unit="kpa"), "thousandfold"),
    "kpa named pa": ("a.csv", _slipped(0.1333e-3, unit="pa"), "thousandfold"),
    "atmosphere as 0.76": ("a.csv", _slipped(1e-6), "thousandfold"),
}


@pytest.mark.parametrize("name", BAD_FILE)
def test_a_useless_file_is_refused_whole_with_its_reason(name: str, write: Write) -> None:
    file, content, word = BAD_FILE[name]
    path = write(file, content)
    with pytest.raises(LogUnreadableError, match=r"(?i)" + word.replace(".", r"\.")):
        read_log(path)
    readout = _one(path)
    assert len(readout.batch) == 0
    assert readout.info["readable"].to_list() == [False]
    assert readout.quarantine["row"].to_list() == [None]
    assert word.casefold() in readout.quarantine["problem"][0].casefold()


@pytest.mark.parametrize(
    ("factor", "top", "begin_s", "unit"),
    [
        (1.0, 1e9, 0, "micron"),
        (1.0, 25_000, 0, "micron"),
        (1.0, 1e9, 220, "micron"),
        (1.0, 1e9, 300, "micron"),
        (1.0, 1e9, 590, "micron"),
        (1e-3, 1e9, 0, "torr"),
        (1e-3, 20_000, 0, "torr"),
        (1e-3, 1e9, 220, "torr"),
        (1e-3, 1e9, 500, "torr"),
        (0.05, 1e9, 0, "micron"),
    ],
)
def test_no_honest_log_is_taken_for_a_slip(factor: float, top: float, begin_s: float, unit: str, write: Write) -> None:
    readout = _one(write("a.csv", _slipped(factor, top, begin_s, unit)))
    assert readout.info["readable"].to_list() == [True], readout.quarantine["problem"].to_list()


def test_a_log_all_above_range_and_a_log_of_one_reading_are_logs(write: Write) -> None:
    """Over-range is no error: such a pull was not pumped far enough, which is for the verdict to say."""
    for text, readings in ((as_text(T, P + 1e6), T.size), ("elapsed_s,pressure_micron\n0,500\n", 1)):
        readout = _one(write("a.csv", text))
        assert readout.info["rows"].to_list() == [readings]
        assert readout.quarantine.is_empty()


def test_a_truncated_gzip_gives_its_readable_part(write: Write) -> None:
    whole = gzip.compress(as_text(*pull_micron(4_000)).encode())
    readout = _one(write("a.csv.gz", whole[: len(whole) // 2]))
    assert readout.info["readable"].to_list() == [True]
    assert 1_000 < readout.batch.readings < 3_500
    assert "ends early" in readout.quarantine["problem"][0]
    zst = zstandard.ZstdCompressor().compress(np.random.default_rng(1).bytes(1_000).hex().encode())
    refused = _one(write("b.csv.zst", zst[: len(zst) // 2]))
    assert refused.info["readable"].to_list() == [False]


def test_a_missing_file_a_folder_and_a_pipe_are_refused(write: Write, tmp_path: Path) -> None:
    import os

    write("a.csv", PLAIN)
    (tmp_path / "logs" / "d.csv").mkdir()
    os.mkfifo(tmp_path / "logs" / "p.csv")
    readout = read_logs(["logs/a.csv", "logs/none.csv", "logs/d.csv", "logs/p.csv", "logs/\0.csv"], tmp_path)
    assert readout.info["readable"].to_list() == [True, False, False, False, False]


# --- many files ---------------------------------------------------------------------------------------------------


def test_no_result_depends_on_threads_or_batches(write: Write, tmp_path: Path) -> None:
    names = []
    for i, name in enumerate(LEGAL):
        names.append(f"logs/{i:03d}.csv")
        write(f"{i:03d}.csv", LEGAL[name])
    for i, name in enumerate(BAD_LINE):
        names.append(f"logs/b{i:03d}.csv")
        write(f"b{i:03d}.csv", BAD_LINE[name][0])
    one = read_logs(names, tmp_path, threads=1)
    two = read_logs(names, tmp_path, threads=3)
    parts = [read_logs([n], tmp_path) for n in names]
    assert one.info.equals(two.info)
    assert one.info.equals(pl.concat([p.info for p in parts]))
    assert one.quarantine.equals(two.quarantine)
    assert one.quarantine.equals(pl.concat([p.quarantine for p in parts]))
    np.testing.assert_array_equal(one.batch.pressure_micron, two.batch.pressure_micron)
    by_key = {k: p.batch for p in parts for k in p.batch.keys}
    for log in one.batch:
        np.testing.assert_array_equal(log.pressure_micron, by_key[log.keys[0]].pressure_micron)
        np.testing.assert_array_equal(log.elapsed_s, by_key[log.keys[0]].elapsed_s)


def test_files_of_the_same_bytes_are_sampled_once_and_listed_twice(write: Write, tmp_path: Path) -> None:
    write("a.csv", PLAIN)
    write("b.csv", PLAIN)
    readout = read_logs(["logs/a.csv", "logs/b.csv"], tmp_path)
    assert len(readout.batch) == 1
    assert readout.info["log_file"].to_list() == ["a.csv", "b.csv"]
    assert readout.info["sha256"].n_unique() == 1


def test_batches_are_bounded_and_complete() -> None:
    files = pl.DataFrame({"path": [f"logs/{i}.csv" for i in range(10)], "bytes": [30] * 9 + [500]})
    batches = plan_batches(files, bytes_per_batch=100)
    assert [len(b) for b in batches] == [3, 3, 3, 1]
    assert [p for b in batches for p in b] == files["path"].to_list()


def test_the_fast_path_is_taken_by_clean_files(write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Speed that is silently lost is a fault: none of these may need the careful path."""
    clean = ["plain", "crlf", "byte-order mark", "utf-16 with mark", "blank lines", "no last line end", "upper-case heading",
             "semicolons, decimal commas", "tabs", "trailing delimiter", "iso, zoned", "iso, naive", "clock only"]  # fmt: skip
    for i, name in enumerate(clean):
        write(f"{i}.csv", LEGAL[name])

    def refuse(*_: object) -> None:
        raise AssertionError("the careful path was taken")

    monkeypatch.setattr(logs, "_read_carefully", refuse)
    readout = read_logs([f"logs/{i}.csv" for i in range(len(clean))], tmp_path)
    assert readout.info["readable"].all()


# --- fast and careful agree, whatever comes -----------------------------------------------------------------------

_FIELD = st.one_of(
    st.floats(0, 1e6).map(lambda v: f"{v:.4g}"),
    st.sampled_from(
        ["", "OL", "nan", "-3", "0", "1e9", "x", "12,5", "\0", '"', '"a"', "1_0", " 7 ", "inf", "-inf", "é"]
    ),
)
_LINE = st.one_of(
    st.tuples(st.integers(0, 500), st.floats(100, 1e5)).map(lambda v: f"{v[0]},{v[1]:.1f},"),
    st.lists(_FIELD, max_size=5).map(",".join),
    st.sampled_from(["", "  ", "elapsed_s,pressure_micron,mark", ",,", "1;2;3"]),
)


@example(lines=['0,1001,"'], at=2, end="\n", ended=True)
@example(lines=["0,-inf,0"], at=0, end="\n", ended=True)
@example(lines=["inf,0,0", "inf,0,0"], at=1, end="\n", ended=False)
@example(lines=["inf,500,"], at=60, end="\n", ended=True)
@given(
    lines=st.lists(_LINE, max_size=12),
    at=st.integers(0, 60),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    ended=st.booleans(),
)
@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_fast_and_careful_paths_agree(lines: list[str], at: int, end: str, ended: bool, tmp_path: Path) -> None:
    good = [f"{i},{50_000 * np.exp(-i / 9) + 300:.1f},{'m' if i == 7 else ''}" for i in range(60)]
    text = end.join(["elapsed_s,pressure_micron,mark", *good[:at], *lines, *good[at:]]) + (end if ended else "")
    path = tmp_path / "logs" / "f.csv"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(text.encode())
    readout = read_logs([path], tmp_path)
    try:
        careful = logs.parse_log(path.read_bytes(), "logs/f.csv", Settings(), None, rejects := Rejects("logs/f.csv"))
    except LogUnreadableError:
        assert readout.info["readable"].to_list() == [False]
        return
    np.testing.assert_array_equal(readout.batch.elapsed_s, careful.elapsed_s)
    np.testing.assert_array_equal(readout.batch.pressure_micron, careful.pressure_micron)
    assert readout.info["bad_rows"].to_list() == [rejects.total]
    assert [(m.elapsed_s, m.text) for m in readout.batch.marks] == list(careful.marks)
    assert np.all(np.diff(careful.elapsed_s) > 0)
    assert not np.any(careful.pressure_micron <= 0)


@given(lines=st.lists(_LINE, max_size=12), at=st.integers(0, 60), ended=st.booleans())
@settings(deadline=None, max_examples=100)
def test_lines_split_together_are_those_split_one_by_one(lines: list[str], at: int, ended: bool) -> None:
    good = [f"{i},{50_000 * np.exp(-i / 9) + 300:.1f},{'m' if i == 7 else ''}" for i in range(60)]
    text = "\n".join(["elapsed_s,pressure_micron,mark", *good[:at], *lines, *good[at:]]) + ("\n" if ended else "")

    def read() -> tuple[object, ...]:
        rejects = Rejects("f.csv")
        try:
            log = logs.parse_log(text.encode(), "f.csv", Settings(), None, rejects)
        except LogUnreadableError as error:
            return (str(error),)
        numbers = (log.elapsed_s.tolist(), np.nan_to_num(log.pressure_micron).tolist(), log.marks)
        return (*numbers, sorted(rejects.rows, key=str))

    together = read()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fields, "_split_together", lambda *_: None)
        assert read() == together


@given(
    data=st.binary(max_size=400),
    name=st.sampled_from(["a.csv", "a.csv.gz", "a.csv.zst", "a.parquet"]),
    headed=st.booleans(),
)
@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_end_in_samples_or_quarantine(data: bytes, name: str, headed: bool, tmp_path: Path) -> None:
    if headed:
        magic = {
            "a.csv": b"elapsed_s,pressure_micron\n",
            "a.csv.gz": b"\x1f\x8b\x08\0",
            "a.csv.zst": b"\x28\xb5\x2f\xfd",
        }
        data = magic.get(name, b"PAR1") + data + (b"PAR1" if name.endswith("t") and name != "a.csv.zst" else b"")
    path = tmp_path / "logs" / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    readout = read_logs([path], tmp_path)
    assert readout.info.height == 1
    assert readout.info["readable"][0] or readout.quarantine.height == 1


@given(data=st.data())
@settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_damaged_log_never_breaks_the_reader(data: st.DataObject, tmp_path: Path) -> None:
    """Cut, copy, flip and insert bytes of a real-looking file, compressed ones included."""
    name = data.draw(st.sampled_from(["a.csv", "a.csv.gz", "a.csv.zst", "a.parquet"]))
    text = as_text(*pull_micron(80)).encode()
    content = bytearray(
        {
            "a.csv": text,
            "a.csv.gz": gzip.compress(text, mtime=0),
            "a.csv.zst": zstandard.ZstdCompressor().compress(text),
            "a.parquet": _parquet(pl.DataFrame({"elapsed_s": T, "pressure_micron": P})),
        }[name]
    )
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, max(len(content) - 1, 0)))
        what = data.draw(st.sampled_from(["flip", "cut", "insert", "drop", "double"]))
        if what == "flip" and content:
            content[at] ^= data.draw(st.integers(1, 255))
        elif what == "cut":
            del content[at:]
        elif what == "insert":
            content[at:at] = data.draw(st.binary(max_size=20))
        elif what == "drop":
            del content[at : at + data.draw(st.integers(1, 40))]
        else:
            content[at:at] = content[at : at + 200]
    path = tmp_path / "logs" / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(bytes(content))
    readout = read_logs([path], tmp_path)
    assert readout.info.height == 1
    if readout.info["readable"][0]:
        assert np.all(np.diff(readout.batch.elapsed_s) > 0)
        assert readout.batch.readings > 0


def test_layouts(write: Write) -> None:
    rows = ["made by the invented logger", "serial 12", "", "Zeit;Druck;Temp;Notiz"]
    for a, b in zip(T, P, strict=True):
        when = (START + timedelta(seconds=float(a))).strftime("%d.%m.%Y %H:%M:%S")
        pressure = f"{micron_to(float(b), 'hpa'):.7f}".replace(".", ",")
        rows.append(f"{when};{pressure if b <= 25_000 else '---'};21,5;{'zu' if a == 600 else ''}")
    known = settings_from_dict(
        {
            "timezone": "UTC",
            "log_layouts": {
                "my_logger": {
                    "files": "gauge_exports/**/*.txt",
                    "delimiter": ";",
                    "decimal": ",",
                    "encoding": "utf-16",
                    "skip_rows": 3,
                    "time": {"column": "Zeit", "format": "%d.%m.%Y %H:%M:%S"},
                    "pressure": {"column": "Druck", "unit": "hpa"},
                    "ambient": {"column": "Temp", "unit": "c"},
                    "mark": {"column": "Notiz"},
                }
            },
        }
    )
    for i, content in enumerate(("\r\n".join(rows).encode("utf-16"), "\n".join(rows).encode("utf-16-le"))):
        path = write(f"gauge_exports/2026/may/{i}.txt", content)
        for readout in (_one(path, known),):
            _same(readout.batch, rtol=1e-5)
            assert readout.info["layout"].to_list() == ["my_logger"]
            assert readout.info["first_timestamp"].to_list() == [START]
            assert readout.batch.ambient_c[0] == 21.5
            assert [m.text for m in readout.batch.marks] == ["zu"]
        _same(read_log(path, known), rtol=1e-5)


@pytest.mark.parametrize(
    ("delimiter", "stated"), [("\t", "\t"), (" \t ", "\t"), (",\t", ", \t"), ("   ", " "), ("||", "||"), (" | ", "|")]
)
def test_layout_delimiters_with_blanks_and_no_heading(delimiter: str, stated: str, write: Write) -> None:
    rows = [
        f"{i}{delimiter}{(START + timedelta(seconds=float(a))):%H:%M:%S}{delimiter}{b if b <= 25_000 else 'OL'}"
        for i, (a, b) in enumerate(zip(T, P, strict=True))
    ]
    known = settings_from_dict(
        {
            "log_layouts": {
                "plain": {
                    "files": "*.csv",
                    "delimiter": stated,
                    "header": False,
                    "time": {"column": 2, "format": "%H:%M:%S"},
                    "pressure": {"column": 3, "unit": "micron"},
                }
            }
        }
    )
    _same(_one(write("a.csv", "\n".join(rows) + "\n"), known).batch)


def test_a_layout_that_does_not_fit_is_a_reason(write: Write) -> None:
    known = settings_from_dict(
        {
            "log_layouts": {
                "odd": {"files": "*.csv", "time": {"column": "clock"}, "pressure": {"column": "p", "unit": "pa"}},
                "bad unit": {
                    "files": "*.dat",
                    "header": False,
                    "time": {"column": 1},
                    "pressure": {"column": 2, "unit": "psi"},
                },
            }
        }
    )
    assert "clock" in _one(write("a.csv", PLAIN), known).quarantine["problem"][0]
    assert "psi" in _one(write("a.dat", PLAIN), known).quarantine["problem"][0]


def test_plans_are_shared_by_files_of_one_dialect() -> None:
    seen = fast.Seen()
    a = fast.plan_body(PLAIN.encode(), None, seen)
    b = fast.plan_body(as_text(T + 5, P).encode(), None, seen)
    assert a is not None
    assert b is not None
    assert a.plan == b.plan
    assert len(seen.dialects) == 1


@pytest.mark.parametrize("text", ["0,OL", "0,12.5", "0,9", "0,-inf", "0,2 Pa", "20261130,5.0", "0,1e3", "0,Ü"])
def test_plans_of_files_seen_before_are_those_of_new_ones(text: str) -> None:
    """Whatever was seen first: first lines alike but for their digits have one plan."""
    others = ["0,OL", "5,47.5", "7,4", "0,-inf", "0,2 Pa", "19991231,6.0", "3,2e4", "0,Ä", "1,1,5"]
    seen = fast.Seen()
    for line in (*others, text):
        data = f"elapsed_s,pressure_micron\n{line}\n{line}\n{line}\n".encode()
        told, alone = fast.plan_body(data, None, seen), fast.plan_body(data, None, fast.Seen())
        assert told == alone, line
