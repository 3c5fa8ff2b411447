"""Fleets that lie elsewhere: any address that fsspec knows, such as an object store's, read as a folder is.

Registers and settings are small and are fetched whole; logs are read one by one, by whichever host has to read them.
"""

from __future__ import annotations

import os
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import Any

import polars as pl

from blankoff import schemas
from blankoff.errors import BlankoffError, FleetFolderError, LogUnreadableError
from blankoff.ingest.dialect import layout_for
from blankoff.ingest.folder import FILE_SCHEMA, LITTER, FleetScan
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.rejects import Rejects, frame_of, printable_path
from blankoff.ingest.unpack import SUFFIXES
from blankoff.settings import Settings

__all__ = ["absolute", "fetch_registers", "hash_address", "is_address", "read_address", "scan_address"]


def is_address(place: str | os.PathLike[str]) -> bool:
    """Whether a place is an address such as ``s3://bucket/fleet`` and not a folder of this machine."""
    return isinstance(place, str) and "://" in place


def absolute(place: str | os.PathLike[str]) -> str:
    """Return a place so that every host that can reach it finds it."""
    return place.rstrip("/") if isinstance(place, str) and is_address(place) else os.path.abspath(place)  # noqa: PTH100


def _files_of(address: str) -> tuple[Any, str]:
    """Return the file system behind an address, and the path in it.

    Raises
    ------
    BlankoffError
        fsspec, or what it needs for such addresses, is not installed.
    """
    try:
        core = import_module("fsspec.core")
        system, path = core.url_to_fs(address)
    except ImportError as error:
        raise BlankoffError(
            f"{address}: addresses need what is not installed here ({error}); install blankoff[cluster], and the "
            "driver for this kind of address"
        ) from None
    except ValueError as error:
        raise FleetFolderError(f"{address}: no kind of address that is known here ({error})") from None
    return system, str(path).rstrip("/")


def _modified_ns(entry: dict[str, Any]) -> int:
    """When an entry was last written, as far as its system says; only ever compared with itself."""
    for name in ("mtime", "LastModified", "last_modified", "modified", "created"):
        value = entry.get(name)
        if isinstance(value, int | float):
            return int(value * 1e9)
        if isinstance(value, datetime):
            return int(value.timestamp() * 1e6) * 1000
    return 0


def read_address(address: str, shown: str) -> bytes:
    """Read a log's bytes as stored.

    Raises
    ------
    LogUnreadableError
        Gone, unreadable, empty or larger than the limit.
    """
    try:
        system, path = _files_of(address)
        with system.open(path, "rb") as stream:
            stored: bytes = stream.read(LIMITS.stored_bytes + 1)
    except FileNotFoundError:
        raise LogUnreadableError(shown, "there is no such file") from None
    except (OSError, ValueError) as error:
        raise LogUnreadableError(shown, f"the file cannot be read ({type(error).__name__})") from None
    if len(stored) > LIMITS.stored_bytes:
        raise LogUnreadableError(shown, f"the file is larger than {LIMITS.stored_bytes >> 20} MB, too large for a log")
    if not stored:
        raise LogUnreadableError(shown, "the file is empty")
    return stored


def fetch_registers(root: str, into: Path) -> None:
    """Copy a fleet's registers and settings to a folder of this machine, with an empty ``logs/`` beside them.

    Raises
    ------
    FleetFolderError
        The address cannot be listed, or has no ``logs/``.
    """
    system, path = _files_of(root)
    try:
        entries = system.ls(path, detail=True)
        folders = {str(e["name"]).rstrip("/").rsplit("/", 1)[-1] for e in entries if e["type"] == "directory"}
        for entry in entries:
            name = str(entry["name"]).rsplit("/", 1)[-1]
            if entry["type"] == "file" and (
                name == "fleet.toml" or name.rsplit(".", 1)[0].casefold() in schemas.REGISTERS
            ):
                with system.open(entry["name"], "rb") as stream:  # a byte too many is refused for its size
                    (into / name).write_bytes(stream.read(LIMITS.stored_bytes + 1))
    except FileNotFoundError:
        raise FleetFolderError(
            f"there is no fleet folder at {root}; name the one that holds evacuations.csv and logs/"
        ) from None
    except OSError as error:
        raise FleetFolderError(f"{root} cannot be read ({error})") from None
    if "logs" not in folders:
        raise FleetFolderError(f"{root} has no folder logs/; put the log files there")
    (into / "logs").mkdir()


def scan_address(root: str, settings: Settings) -> FleetScan:
    """List the log files of a fleet at an address, as `folder.scan_fleet` does those of a folder.

    Raises
    ------
    FleetFolderError
        The address cannot be listed.
    """
    system, path = _files_of(f"{root}/logs")
    try:
        found = system.find(path, detail=True)
    except OSError as error:
        raise FleetFolderError(f"{root}/logs cannot be listed ({error})") from None
    rows: list[tuple[str, str, int, int, str]] = []
    refused: list[Rejects] = []
    handed_in = 0
    for full, entry in sorted(found.items()):
        name = str(full)[len(path) :].lstrip("/")
        if name.rsplit("/", 1)[-1] in LITTER:
            continue
        handed_in += 1
        suffix = next((s for s in SUFFIXES if name.lower().endswith(s)), "")
        shown = printable_path(f"logs/{name}")
        problem = ""
        if shown != f"logs/{name}":
            problem = "its name is no valid text; rename the file"
        elif not suffix and layout_for(name, settings) is None:
            problem = f"no log by its name: logs end in {', '.join(SUFFIXES)}; if it is one, describe its layout in fleet.toml"
        if problem:
            reject = Rejects(shown)
            reject.add(None, "", problem)
            refused.append(reject)
        else:
            rows.append((f"logs/{name}", name, int(entry.get("size") or 0), _modified_ns(entry), suffix))
    rows.sort()
    return FleetScan(pl.DataFrame(rows, schema=FILE_SCHEMA, orient="row"), frame_of(refused), handed_in)


def hash_address(address: str) -> str | None:
    """SHA-256 of a file at an address; None if it cannot be read."""
    from blankoff.ingest.unpack import sha256_hex

    try:
        return sha256_hex(read_address(address, address))
    except LogUnreadableError:
        return None
