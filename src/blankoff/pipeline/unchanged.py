"""Which of a month's pages are still what they would be if they were written again: those are taken as they are.

What they come from is told by one number, kept beside them with one of each file that was written, so that neither a change of
the store, of the program or of a library, nor of a page by somebody else goes unnoticed. Where it is another, each page of a
single thing has a number of its own.
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

__all__ = ["Earlier", "base_of", "is_unchanged", "made_of", "note_made_of"]

_NOTE = "static/made_of.txt"
_STAMPS = "static/stamps.txt"
_DRAWN_BY = ("altair", "jinja2", "vl-convert-python", "polars")


def made_of(data: MonthData, *, every_log: bool) -> str:
    """Return a number of all that a month's pages come from: frames, readings, settings, the program and what draws."""
    parts: list[pl.DataFrame | str] = [_program(), str(every_log)]
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


def base_of(data: MonthData) -> str:
    """Return a number of what every page hangs on: the month, settings, names, gear's registers, program, what draws."""
    parts: list[pl.DataFrame | str] = [_program(), data.month, str(data.as_of), data.settings.model_dump_json()]
    for name in ("technicians", "pumps", "hoses", "gauges"):
        if name in data.registers:
            # of an id that is there twice the first row counts
            parts += [name, data.registers[name].with_row_index("no")]
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
    told, written = _note(folder)
    if told != state or set(written) != _there(folder):
        return False
    return all(_digest(folder / name) == digest for name, digest in written.items())


def note_made_of(folder: Path, state: str, known: dict[str, str] | None = None) -> None:
    """Keep beside pages what they were made of; ``known`` are numbers of files that are known already."""
    known = known or {}
    lines = [f"{known.get(name) or _digest(folder / name)} {name}\n" for name in sorted(_there(folder))]
    (folder / _NOTE).write_text("".join([f"{state}\n", *lines]), encoding="utf-8", newline="\n")


class Earlier:
    """Pages that lie in a folder already, as long as nobody changed them.

    ``taken`` gathers the numbers of those that were asked for and found.
    """

    def __init__(self, folder: Path) -> None:
        self.taken: dict[str, str] = {}
        self._folder = folder
        _, self._written = _note(folder)
        if self._written.get(_STAMPS) != _digest(folder / _STAMPS):
            self._written = {}
        self._stamps = {name: stamp for stamp, name in _lines(folder / _STAMPS)} if self._written else {}

    def __call__(self, name: str, stamp: str) -> Path | None:
        """Return where a page that was made of just this lies; ``None`` where there is none as it was written."""
        path = self._folder / name
        if self._stamps.get(name) != stamp or name not in self._written or _digest(path) != self._written[name]:
            return None
        self.taken[name] = self._written[name]
        return path


def _note(folder: Path) -> tuple[str, dict[str, str]]:
    """What was noted of pages: what they were made of, and a number of each file."""
    lines = _lines(folder / _NOTE)
    return (lines[0][0], {name: digest for digest, name in lines[1:]}) if lines else ("", {})


def _lines(path: Path) -> list[tuple[str, str]]:
    """Return a file's lines, each parted at its first blank; none where it is not there, or no text any more."""
    try:
        told = path.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        return []
    return [(first, rest) for first, _, rest in (line.partition(" ") for line in told)]


def _there(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {_NOTE}


def _digest(path: Path) -> str:
    """Return a number of a file's content; empty where it is not there."""
    try:
        return hashlib.blake2b(path.read_bytes(), digest_size=20).hexdigest()
    except OSError:
        return ""
