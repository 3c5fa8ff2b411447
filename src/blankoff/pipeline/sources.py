"""What a fleet folder holds beside what the store already holds: what must be read, and what can be left alone."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import polars as pl

from blankoff import schemas
from blankoff.errors import FleetFolderError
from blankoff.ingest.folder import FleetScan, LogMatch, match_logs, scan_fleet
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.logs import read_logs
from blankoff.ingest.places import absolute, fetch_registers, hash_address, is_address, scan_address
from blankoff.ingest.registers import Registers, read_registers
from blankoff.samples import SampleBatch
from blankoff.settings import Settings, read_settings
from blankoff.store import Store

READ_BY = "3"
"""Raised whenever reading a file changes what comes of it, so that files are read again."""

_ENTRY = {
    "log_no": pl.Int64,
    "path": pl.String,
    "sha256": pl.String,
    "bytes": pl.Int64,
    "mtime_ns": pl.Int64,
    "reader_sha256": pl.String,
    "status": pl.String,
    "readings": pl.Int64,
    "refused_lines": pl.Int64,
    "first_reading_at": schemas.TIME,
}


def reader_fingerprint(settings: Settings) -> str:
    """SHA-256 over what decides how a file is read, its own bytes aside."""
    layouts = {name: layout.model_dump_json() for name, layout in sorted(settings.log_layouts.items())}
    return hashlib.sha256(repr((READ_BY, settings.timezone, layouts)).encode()).hexdigest()


def check_fleet_folder(fleet: str | os.PathLike[str]) -> None:
    """Make sure that a folder can be a fleet, before anything is written.

    Raises
    ------
    FleetFolderError
        It lacks ``logs/`` or the register of evacuations.
    SettingsError
        ``fleet.toml`` is wrong.
    """
    folder = Path(fleet)
    if not folder.is_dir():
        raise FleetFolderError(
            f"there is no fleet folder at {folder}; name the folder that holds evacuations.csv and logs/"
        )
    if not (folder / "logs").is_dir():
        inside = sorted(p.parent for p in folder.glob("*/evacuations.*") if (p.parent / "logs").is_dir())
        meant = f"; did you mean {inside[0]}?" if inside else "; put the log files there"
        raise FleetFolderError(f"{folder} has no folder logs/{meant}")
    names = {p.name.casefold() for p in folder.iterdir()}
    if not names & {"evacuations.csv", "evacuations.parquet"}:
        raise FleetFolderError(f"{folder} has no evacuations.csv (or .parquet); it is the register every run needs")
    read_settings(folder / "fleet.toml")


@dataclass(frozen=True)
class LogFiles:
    """What became of one batch of log files.

    Parameters
    ----------
    batch
        Samples of the readable ones, by content.
    entries
        Rows of table ``log_file``, without ``log_no``.
    refused
        Rows of table ``quarantine``.
    """

    batch: SampleBatch
    entries: pl.DataFrame
    refused: pl.DataFrame


@dataclass(frozen=True)
class FleetFolder:
    """A fleet folder as it lies there now.

    Parameters
    ----------
    path
        The folder its registers are read from.
    root
        Where its logs are, so that every host that shares the storage finds them.
    settings
        From its ``fleet.toml``.
    scan
        Its log files.
    register_sha256
        Over every register's bytes and what decides how they are read.
    """

    path: Path
    root: str
    settings: Settings
    scan: FleetScan
    register_sha256: str

    @cached_property
    def registers(self) -> Registers:
        """The registers, read when first asked for."""
        return read_registers(self.path, self.settings)

    def let_registers_go(self) -> None:
        """Keep the registers in memory no longer: from here on they are the store's."""
        self.__dict__.pop("registers", None)

    def unread(self, store: Store, wanted: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Return the log files to read, and those that only need their time noted.

        A file is read if it is new, or its size or time changed and its bytes too, or the way of reading changed; and if
        its bytes could not be had the last time (it was away, or the disk failed), as often as that takes.
        ``wanted`` has the ``path`` of those that a register row names; the others are left alone.
        """
        reader = reader_fingerprint(self.settings)
        files = self.scan.files.select("path", "bytes", pl.col("modified_ns").alias("mtime_ns")).join(
            wanted.select("path").unique(), on="path", how="semi"
        )
        known = store.read("log_files").select("path", "bytes", "mtime_ns", "sha256", "reader_sha256")
        both = files.join(known, on="path", how="left", suffix="_known", maintain_order="left")
        same_reader = pl.col("reader_sha256").eq_missing(reader)
        untouched = (pl.col("bytes") == pl.col("bytes_known")) & (pl.col("mtime_ns") == pl.col("mtime_ns_known"))
        untouched &= pl.col("sha256").is_not_null()
        both = both.filter(~(same_reader & untouched.fill_null(False)))
        maybe = both.filter(same_reader & (pl.col("bytes") == pl.col("bytes_known")))
        touched = [
            path for path, sha in maybe.select("path", "sha256").iter_rows() if sha and self._sha256(path) == sha
        ]
        only_touched = both.filter(pl.col("path").is_in(touched)).select("path", "bytes", "mtime_ns")
        return both.filter(~pl.col("path").is_in(touched)).select("path", "bytes", "mtime_ns"), only_touched

    def _sha256(self, path: str) -> str | None:
        return hash_address(f"{self.root}/{path}") if is_address(self.root) else _sha256(self.path / path)


def read_files(root: str, settings: Settings, files: pl.DataFrame) -> LogFiles:
    """Read log files under ``root``: ``path, bytes, mtime_ns`` of each."""
    readout = read_logs(files["path"].to_list(), root, settings, threads=1)
    info = readout.info
    entries = info.select(
        "path",
        "sha256",
        status=pl.when("readable").then(pl.lit("stored")).otherwise(pl.lit("unreadable")),
        reader_sha256=pl.lit(reader_fingerprint(settings)),
        readings="rows",
        refused_lines="bad_rows",
        first_reading_at="first_timestamp",
    ).join(files.select("path", "bytes", "mtime_ns"), on="path", how="left", maintain_order="left")
    return LogFiles(readout.batch, entries.select(k for k in _ENTRY if k != "log_no"), readout.quarantine)


def open_fleet(place: str | os.PathLike[str]) -> FleetFolder:
    """Look at a fleet folder, or a fleet at an address: settings, log files, registers' hash.

    Raises
    ------
    FleetFolderError, SettingsError
        See `check_fleet_folder`.
    """
    root = absolute(place)
    if not is_address(root):
        return _look_at(Path(place), root)
    with tempfile.TemporaryDirectory(prefix="blankoff_registers_") as copy:
        fetch_registers(root, Path(copy))
        folder = _look_at(Path(copy), root)
        _ = folder.registers  # read while their copy is there
    return folder


def _look_at(path: Path, root: str) -> FleetFolder:
    check_fleet_folder(path)
    settings = read_settings(path / "fleet.toml")
    total = hashlib.sha256(repr((READ_BY, settings.timezone)).encode())
    for file in sorted(path.iterdir()):
        if file.is_file() and file.name.casefold().rsplit(".", 1)[0] in schemas.REGISTERS:
            total.update(f"{file.name}\0".encode(errors="backslashreplace"))
            size = file.stat().st_size
            # one that is refused for its size is not read to its end, every night
            told = f"{size} bytes" if size > LIMITS.stored_bytes else _sha256(file) or ""
            total.update(told.encode())
    scan = scan_address(root, settings) if is_address(root) else scan_fleet(path, settings)
    return FleetFolder(path, root, settings, scan, total.hexdigest())


def stored_registers(store: Store) -> Registers:
    """Return the registers as the store holds them, with the line of each row."""
    entries = store.read("register_files")
    frames = {}
    for name, table in schemas.REGISTERS.items():
        frame = store.raw(f"register_{name}")
        if "row" not in frame.columns:
            frame = frame.with_columns(row=pl.lit(None, dtype=pl.Int64))
        frames[name] = table.conform(frame)
    counts = entries.select(
        register="name",
        path="path",
        rows_handed_in="rows_read",
        rows_kept="rows_stored",
        rows_refused="rows_refused",
    )
    return Registers(frames, schemas.QUARANTINE.empty(), counts, pl.DataFrame())


def match_with_kept(folder: FleetFolder, store: Store, registers: Registers) -> LogMatch:
    """Match evacuations with log files, those included that the store keeps though they are gone from the folder."""
    here = set(folder.scan.files["path"].to_list()) | set(folder.scan.quarantine["path"].to_list())
    kept = [p for p in store.read("log_files").filter(pl.col("status") == "stored")["path"].to_list() if p not in here]
    if not kept:
        return match_logs(registers, folder.scan)
    more = pl.DataFrame({"path": kept, "log_file": [p.removeprefix("logs/") for p in kept]})
    scan = replace(folder.scan, files=pl.concat([folder.scan.files, more], how="diagonal"))
    match = match_logs(registers, scan)
    gone = set(kept)
    return replace(
        match,
        unnamed=tuple(f for f in match.unnamed if f"logs/{f}" not in gone),
        quarantine=match.quarantine.filter(~(pl.col("path").is_in(kept) & pl.col("row").is_null())),
    )


def missing_words(missing: pl.DataFrame) -> tuple[str, ...]:
    """Return what was not handed in, in words; optional columns of one register together."""
    whole = [row["problem"] for row in missing.filter(pl.col("column").is_null()).to_dicts()]
    parts: Mapping[str, list[str]] = {
        str(name): frame["column"].to_list()
        for (name,), frame in missing.filter(pl.col("column").is_not_null()).group_by("register", maintain_order=True)
    }
    return (*whole, *(f"{name} without {', '.join(columns)}" for name, columns in parts.items()))


def _sha256(path: Path) -> str | None:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None
