"""Coverage-guided fuzzing of what reads files, by `atheris`: any exception that is not one of ours, a hang, or too much memory.

    python .ci/fuzz.py log -max_total_time=600 -timeout=20 -rss_limit_mb=2000

Targets: ``log`` (a CSV log), ``packed`` (gzip, zstd, Parquet), ``register``, ``settings``. The fuzzer keeps what it finds
interesting in the folder named as a further word, and writes what breaks the target to ``crash-*`` in the current folder.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["blankoff.ingest", "blankoff.settings"]):
    from blankoff.errors import FleetFolderError, SettingsError
    from blankoff.ingest.logs import read_logs
    from blankoff.ingest.registers import read_registers
    from blankoff.settings import Settings, read_settings

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
    "packed": [b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03", b"\x28\xb5\x2f\xfd\x04\x00", b"PAR1\x15\x04PAR1"],
}


def target(name: str, scratch: Path) -> Callable[[bytes], None]:
    """Return what is fed with bytes."""
    (scratch / "logs").mkdir()

    def log(data: bytes) -> None:
        suffix = ".csv"
        if name == "packed":
            suffix = (".csv.gz", ".csv.zst", ".parquet")[data[0] % 3] if data else ".csv.gz"
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

    return {"log": log, "packed": log, "register": register, "settings": settings}[name]


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
