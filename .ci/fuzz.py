"""Coverage-guided fuzzing of what reads files, by `atheris`: any exception that is not one of ours, a hang, or too much memory.

    python .ci/fuzz.py log -max_total_time=600 -timeout=20 -rss_limit_mb=2000

Targets: ``log`` (a CSV log), ``packed`` (gzip, zstd, Parquet), ``register``, ``settings``, ``words`` (the command line), ``store``
(a store with bytes changed, cut or added, then its tables taken out). The fuzzer keeps what it finds
interesting in the folder named as a further word, and writes what breaks the target to ``crash-*`` in the current folder.
"""

from __future__ import annotations

import gzip
import io
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris
import polars as pl
import zstandard
from click.testing import CliRunner

with atheris.instrument_imports(include=["blankoff.ingest", "blankoff.settings", "blankoff.cli", "blankoff.store"]):
    from blankoff.cli import main as command_line
    from blankoff.errors import FleetFolderError, SettingsError
    from blankoff.ingest.logs import read_logs
    from blankoff.ingest.registers import read_registers
    from blankoff.settings import Settings, read_settings
    from blankoff.store import open_store

LOG = b"elapsed_s,pressure_micron,mark\n" + b"".join(
    b"%d,%d,%s\n" % (k, 9000 - 80 * k, b"on"[: k % 3]) for k in range(99)
)


def _as_parquet() -> bytes:
    sink = io.BytesIO()
    pl.read_csv(io.BytesIO(LOG)).write_parquet(sink)
    return sink.getvalue()


SEEDS = {
    "log": [
        b"elapsed_s,pressure_micron,mark\n0,760000,on\n1,OL,\n2,900.5,\n3,500,\n",
        b"timestamp;pressure_hpa;ambient_f\r\n2026-05-04T14:00:00;1,5;70\r\n2026-05-04T14:00:01;1,4;70\r\n",
    ],
    "register": [
        b"evacuation_id,log_file,started_at,technician_id,pump_id\nE1,a.csv,2026-05-04T14:00,T1,P1\n",
        b'evacuation_id;log_file;started_at;technician_id;pump_id;reported\n"E 1";;04.05.2026;T1;P1;passed\n',
    ],
    "settings": [
        b'timezone = "America/Denver"\n[acceptance]\ntarget_micron = 500\n[acceptance.split]\nhold_minutes = 5\n'
    ],
    "packed": [  # the first byte says what the file's name says
        b"\x00" + gzip.compress(LOG),
        b"\x00" + gzip.compress(LOG[:99]) + gzip.compress(LOG[99:]),
        b"\x01" + zstandard.ZstdCompressor().compress(LOG),
        b"\x02" + _as_parquet(),
    ],
    "words": [
        b"check\0fleet\0--json",
        b"export\0--store\0s.duckdb\0--out\0o\0--believed-on\x002026-11-01",
        b"ingest\0fleet\0--store\0junk",
    ],
    "store": [b"\x00\x10\x00\x01", b"\x00\x00\x20\x80\x00\x30\x00\xff"],
}


def target(name: str, scratch: Path) -> Callable[[bytes], None]:
    """Return what is fed with bytes."""
    (scratch / "logs").mkdir()

    def log(data: bytes) -> None:
        suffix = ".csv"
        if name == "packed":
            suffix = (".csv.gz", ".csv.zst", ".parquet")[data[0] % 3] if data else ".csv.gz"
            data = data[1:]
        path = scratch / "logs" / f"a{suffix}"
        path.write_bytes(data)
        readout = read_logs([path], scratch, Settings(timezone="America/Denver"))
        assert readout.info.height == 1
        assert readout.info["readable"][0] or readout.quarantine.height == 1

    def register(data: bytes) -> None:
        (scratch / "evacuations.csv").write_bytes(data)
        try:
            read = read_registers(scratch, Settings())
        except FleetFolderError:
            return
        for row in read.counts.to_dicts():
            assert row["rows_handed_in"] == row["rows_kept"] + row["rows_refused"]

    def settings(data: bytes) -> None:
        (scratch / "fleet.toml").write_bytes(data)
        try:
            read_settings(scratch / "fleet.toml")
        except SettingsError:
            return

    def run(words: list[str]) -> None:
        done = CliRunner().invoke(command_line, words)
        assert done.exception is None or isinstance(done.exception, SystemExit), (words, repr(done.exception))
        assert done.exit_code in (0, 1, 2), (words, done.exit_code)

    def words(data: bytes) -> None:
        os.chdir(scratch)
        # nothing is to be written elsewhere, and no kernel compiled
        given = [w.replace("/", "_").replace("..", "_") for w in data.decode("utf-8", "replace").split("\0")][:12]
        run([w for w in given if w not in ("demo", "review", "assess", "log")])

    (scratch / "fleet" / "logs").mkdir(parents=True)
    (scratch / "fleet" / "evacuations.csv").write_bytes(SEEDS["register"][0])
    (scratch / "a.csv").write_bytes(LOG)
    with open_store(scratch / "s.duckdb") as made, made.transaction():
        made.insert("result", pl.DataFrame({"evacuation_id": ["E1"], "month": ["2026-10"]}))
    whole = (scratch / "s.duckdb").read_bytes()

    def store(data: bytes) -> None:
        """Three bytes of place and one to change a byte by, as often as there are four; what is left over cuts or adds."""
        bad = bytearray(whole)
        for k in range(0, len(data) - 3, 4):
            bad[int.from_bytes(data[k : k + 3], "big") % len(whole)] ^= data[k + 3]
        rest = data[len(data) // 4 * 4 :]
        bad = bad + rest if len(rest) == 1 else bad[: int.from_bytes(rest, "big") % len(whole)] if rest else bad
        for left in scratch.glob("broken*"):
            left.unlink()
        (scratch / "broken.duckdb").write_bytes(bad)
        run(["export", "--store", str(scratch / "broken.duckdb"), "--out", str(scratch / "o")])
        shutil.rmtree(scratch / "o", ignore_errors=True)

    return {"log": log, "packed": log, "register": register, "settings": settings, "words": words, "store": store}[name]


def main() -> None:
    """Fuzz until told to stop."""
    name = sys.argv[1] if len(sys.argv) > 1 else ""
    if name not in SEEDS:
        sys.exit(f"name a target: {', '.join(SEEDS)}")
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        seeds = scratch / "seeds"
        seeds.mkdir()
        for k, seed in enumerate(SEEDS[name]):
            (seeds / f"{k}").write_bytes(seed)
        words = [sys.argv[0], *sys.argv[2:]]
        if all(w.startswith("-") for w in words[1:]):
            words.append(str(seeds))
        atheris.Setup(words, target(name, scratch))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
