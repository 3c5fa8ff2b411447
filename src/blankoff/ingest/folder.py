"""What lies in a fleet folder: its log files, and which register row names which."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from blankoff.errors import FleetFolderError
from blankoff.ingest.dialect import layout_for
from blankoff.ingest.registers import Registers, clean_log_path
from blankoff.ingest.rejects import Rejects, frame_of, printable, printable_path
from blankoff.ingest.unpack import SUFFIXES
from blankoff.settings import Settings

LITTER = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", ".gitkeep", ".gitignore"})
"""Files that systems leave in any folder; they are nobody's log."""
FILE_SCHEMA = {
    "path": pl.String,
    "log_file": pl.String,
    "bytes": pl.Int64,
    "modified_ns": pl.Int64,
    "suffix": pl.String,
}


@dataclass(frozen=True)
class FleetScan:
    """Log files of a fleet folder.

    Parameters
    ----------
    files
        ``path`` (relative to the fleet folder), ``log_file`` (under ``logs/``), ``bytes``, ``modified_ns``, ``suffix``;
        sorted by path.
    quarantine
        Files under ``logs/`` that are no logs by their name, or lead out of the folder.
    files_handed_in
        Number of files under ``logs/``, quarantined ones included.
    """

    files: pl.DataFrame
    quarantine: pl.DataFrame
    files_handed_in: int


@dataclass(frozen=True)
class LogMatch:
    """Which evacuation has which log file.

    Parameters
    ----------
    assigned
        ``evacuation_id, log_file`` (as scanned; null: no log handed in, or not found), in the register's order.
    unnamed
        Log files that no register row names, as scanned.
    quarantine
        One row for each unnamed file, each missing file, each path that leaves ``logs/``.
    """

    assigned: pl.DataFrame
    unnamed: tuple[str, ...]
    quarantine: pl.DataFrame


def scan_fleet(folder: str | Path, settings: Settings | None = None) -> FleetScan:
    """List the log files of a fleet folder, in a fixed order.

    Symbolic links that stay inside ``logs/`` are followed for files, never for folders.

    Raises
    ------
    FleetFolderError
        The folder, or ``logs/`` in it, is not there or cannot be read.
    """
    settings = settings or Settings()
    root = Path(folder)
    logs = root / "logs"
    if not root.is_dir():
        raise FleetFolderError(f"{printable(root, 300)}: there is no such folder")
    if not logs.is_dir():
        raise FleetFolderError(f"{printable(root, 300)}: there is no folder logs/ in it; every run needs it")
    real_logs = Path(os.path.realpath(logs))
    rows: list[tuple[str, str, int, int, str]] = []
    refused: list[Rejects] = []
    handed_in = 0
    for name, entry in _walk(logs):
        if entry.name in LITTER:
            continue
        handed_in += 1
        problem = _file_problem(entry, real_logs)
        lower = name.lower()
        suffix = next((s for s in SUFFIXES if lower.endswith(s)), "")
        shown = printable_path(f"logs/{name}")
        if not problem and shown != f"logs/{name}":
            problem = "its name is no valid text; rename the file"
        if not problem and not suffix and layout_for(name, settings) is None:
            problem = f"no log by its name: logs end in {', '.join(SUFFIXES)}; if it is one, describe its layout in fleet.toml"
        if not problem:
            try:
                stat = entry.stat()
                rows.append((f"logs/{name}", name, stat.st_size, stat.st_mtime_ns, suffix))
                continue
            except OSError as error:
                problem = f"the file cannot be read ({error.strerror or 'system error'})"
        reject = Rejects(shown)
        reject.add(None, "", problem)
        refused.append(reject)
    rows.sort()
    refused.sort(key=lambda r: r.path)
    files = pl.DataFrame(rows, schema=FILE_SCHEMA, orient="row")
    return FleetScan(files, frame_of(refused), handed_in)


def _walk(folder: Path) -> Iterator[tuple[str, os.DirEntry[str]]]:
    """Everything below a folder that is no folder itself, links to folders included, with its path from there."""
    waiting = [("", os.fspath(folder))]
    while waiting:
        prefix, where = waiting.pop()
        try:
            with os.scandir(where) as entries:
                for entry in sorted(entries, key=lambda e: e.name):
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append((f"{prefix}{entry.name}/", entry.path))
                    else:
                        yield prefix + entry.name, entry
        except OSError as error:
            raise FleetFolderError(f"{printable(where, 300)}: the folder cannot be read ({error.strerror})") from None


def _file_problem(entry: os.DirEntry[str], real_logs: Path) -> str:
    """Why a directory entry can't be read as a log; empty if it can."""
    if entry.is_symlink():
        target = Path(os.path.realpath(entry.path))
        if not target.is_relative_to(real_logs):
            return "a link that leads out of logs/; it is not followed"
        if target.is_dir():
            return "a link to a folder; it is not followed"
    return "" if entry.is_file() else "it is no regular file"


def match_logs(registers: Registers, scan: FleetScan) -> LogMatch:
    """Match the evacuations' ``log_file`` with the files there are.

    Returns
    -------
    LogMatch
        Each evacuation's file, and what could not be matched; two evacuations may name one file.
    """
    evacuations = registers.frames["evacuations"]
    path_of_register = next(
        (p for r, p in registers.counts.select("register", "path").iter_rows() if r == "evacuations"), "evacuations.csv"
    )
    known = {unicodedata.normalize("NFC", f): f for f in scan.files["log_file"].to_list()}
    refused_files = set(scan.quarantine["path"].to_list())
    rejects = Rejects(path_of_register or "evacuations.csv")
    assigned: list[str | None] = []
    for text, row in zip(evacuations["log_file"].to_list(), evacuations["row"].to_list(), strict=True):
        if text is None:
            assigned.append(None)
            continue
        clean = clean_log_path(text)
        if clean is None:
            rejects.add(row, "log_file", "the path leaves logs/; the evacuation counts as without a log", text)
            assigned.append(None)
            continue
        wanted = unicodedata.normalize("NFC", clean)
        found = known.get(wanted) or known.get(wanted.removeprefix("logs/"))
        if found is None:
            held = any(f"logs/{w}" in refused_files for w in (clean, clean.removeprefix("logs/")))
            why = (
                "the file it names is in quarantine; the evacuation counts as without a log"
                if held
                else "there is no such file under logs/; the evacuation counts as without a log"
            )
            rejects.add(row, "log_file", why, text)
        assigned.append(found)
    named = {f for f in assigned if f is not None}
    unnamed = tuple(f for f in scan.files["log_file"].to_list() if f not in named)
    all_rejects = [rejects]
    for f in unnamed:
        one = Rejects(f"logs/{f}")
        one.add(None, "", "no row of the evacuations register names this log")
        all_rejects.append(one)
    return LogMatch(
        pl.DataFrame({"evacuation_id": evacuations["evacuation_id"], "log_file": pl.Series(assigned, dtype=pl.String)}),
        unnamed,
        frame_of(all_rejects),
    )
