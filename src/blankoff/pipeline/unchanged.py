"""Whether a month's pages are still what they would be if they were written again: then they are left as they are.

What they come from is told by one number, kept beside them with one of what was written, so that neither a change of the
store, of the program or of a library, nor of a page by somebody else goes unnoticed.
"""

from __future__ import annotations

import dataclasses
import hashlib
from functools import lru_cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path

import polars as pl

from blankoff.pipeline.known import fingerprint
from blankoff.report.data import MonthData
from blankoff.store import Store

__all__ = ["is_unchanged", "made_of", "note_made_of"]

_NOTE = "static/made_of.txt"
_LISTING = "static/files.txt"
_DRAWN_BY = ("altair", "jinja2", "vl-convert-python")


def made_of(store: Store, data: MonthData, *, every_log: bool) -> str:
    """Return a number of all that a month's pages come from: frames, readings, settings, the program and what draws."""
    parts: list[pl.DataFrame | str] = [
        _program(),
        str(every_log),
        store.read("copy_jobs").select("evacuation_id", "log_key"),
    ]
    for field in dataclasses.fields(data):
        value = getattr(data, field.name)
        if isinstance(value, pl.DataFrame):
            parts += [field.name, value]
        elif field.name == "registers":
            parts += [part for name in sorted(value) for part in (name, value[name])]
        elif field.name == "settings":
            parts.append(value.model_dump_json())
        elif not callable(value):
            parts += [field.name, repr(value)]
    return fingerprint(parts)


@lru_cache(maxsize=1)
def _program() -> str:
    """The program's own files and the versions of what draws."""
    total = hashlib.sha256()
    here = files("blankoff")
    if isinstance(here, Path):
        for path in sorted(p for p in here.rglob("*") if p.is_file() and "__pycache__" not in p.parts):
            total.update(path.relative_to(here).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return " ".join([total.hexdigest(), *(version(name) for name in ("blankoff", *_DRAWN_BY))])


def is_unchanged(folder: Path, state: str) -> bool:
    """Whether pages were made of just this, and every file of them is as it was written."""
    try:
        return (folder / _NOTE).read_text(encoding="utf-8") == f"{state}\n{_written(folder)}\n"
    except (OSError, ValueError):  # not there, or no text any more
        return False


def note_made_of(folder: Path, state: str) -> None:
    """Keep beside pages what they were made of."""
    (folder / _NOTE).write_text(f"{state}\n{_written(folder)}\n", encoding="utf-8", newline="\n")


def _written(folder: Path) -> str:
    """Return a number of all that lies in a folder of pages, names and contents."""
    total = hashlib.blake2b(digest_size=20)
    names = (folder / _LISTING).read_text(encoding="utf-8").splitlines()
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {_NOTE}
    for name in sorted({*names, *there}):
        total.update(name.encode() + b"\0" + (folder / name).read_bytes() + b"\0")
    return total.hexdigest()
