"""People under pseudonyms, for pages, sheets and tables that leave the house.

A pseudonym is a keyed hash (HMAC-SHA256, RFC 2104) of the technician's id: the same from month to month, the same on
every page and in every file, and without the key no more than noise. Ids and names are replaced wherever they stand,
names of files and free text included; what people wrote into logs is left out, and file names in quarantine are coded,
since nobody can tell what names they hold. Branches, dates and equipment stay: who knows those may still guess.
"""

from __future__ import annotations

import base64
import hmac
import html
import json
import os
import re
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any

import polars as pl

from blankoff.errors import BlankoffError, SettingsError
from blankoff.report.data import MonthData
from blankoff.samples import SampleBatch
from blankoff.store.forgetting import is_distinctive, token

KEY_VARIABLE = "BLANKOFF_PSEUDONYM_KEY"
SHORTEST_KEY = 16
"""Bytes: 128 bits if they are random."""
_PREFIX = "person-"
_CODE_CHARACTERS = 10
"""Base32 characters of a code, 50 bits: among 10 000 people two share one with probability 4e-8."""
_PERSON = "technician"
_WORDS_OF_OURS = frozenset(
    {
        *("verdict", "reason", "rise_kind", "factor", "measure", "subject", "fault", "reported", "month", "habit"),
        *("topic", "unit", "kind", "field", "start_why", "item", "sha256", "log_key"),
    }
)
"""Columns that hold words of this package, never names."""
_DROPPED = frozenset({"name", "hired_on"})
_FOUND = re.compile(r" \(found .*\)$", re.DOTALL)


@dataclass(frozen=True)
class Pseudonyms:
    """Stand-ins for a fleet's technicians, made with a key.

    Parameters
    ----------
    key
        At least `SHORTEST_KEY` bytes that stay in the house.
    names
        Technician id to name, where one is known; every id of the fleet.
    shared
        Ids that things bear too: where those stand, nobody is named.
    """

    key: bytes
    names: Mapping[str, str | None]
    shared: frozenset[str] = frozenset()

    def code(self, what: str, text: str) -> str:
        """Return the code of a text: ten characters that tell nothing without the key."""
        made = hmac.new(self.key, f"blankoff {what}\0{text}".encode("utf-8", "surrogatepass"), sha256).digest()
        return base64.b32encode(made).decode("ascii").lower()[:_CODE_CHARACTERS]

    @cached_property
    def of(self) -> dict[str, str]:
        """Technician id to pseudonym."""
        made = {id_: _PREFIX + self.code(_PERSON, id_) for id_ in self.names}
        if len(set(made.values())) < len(made):
            raise BlankoffError("two people have the same pseudonym under this key; take another key")
        return made

    @cached_property
    def _said(self) -> list[tuple[re.Pattern[str], dict[str, str]]]:
        """Patterns for ids and for whole names among other words, and what each found text stands for."""
        ids = {i: p for i, p in self.of.items() if i not in self._bare}
        names = {n.casefold(): self.of[i] for i, n in self.names.items() if n and n.strip()}
        return [
            (re.compile("|".join(token(t).pattern for t in sorted(known, key=len, reverse=True)), flags), known)
            for known, flags in ((names, re.IGNORECASE), (ids, re.NOFLAG))
            if known
        ]

    def in_text(self, text: str) -> str:
        """Return a text with pseudonyms in the place of ids and whole names."""
        for pattern, known in self._said:
            text = pattern.sub(lambda m: known.get(m.group(), known.get(m.group().casefold(), _PREFIX)), text)  # noqa: B023
        for id_ in self._bare:
            text = re.sub(rf"(?<=[Tt]echnician[ :]){re.escape(id_)}(?!\w)", self.of[id_], text)
        return text

    @cached_property
    def _bare(self) -> list[str]:
        """Ids that cannot be told from other numbers, letters or things, save after the word technician."""
        return [i for i in self.of if not is_distinctive(i) or i in self.shared]

    def in_frame(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return a frame of any table with pseudonyms wherever a person is named."""
        changed: list[pl.Expr] = []
        for column, dtype in frame.schema.items():
            if column in _DROPPED:
                changed.append(pl.lit(None, dtype=dtype).alias(column))
            elif dtype == pl.String and column not in _WORDS_OF_OURS:
                changed += self._in_column(frame, column)
            elif dtype == pl.List(pl.String):
                changed.append(pl.col(column).list.eval(_mapped(pl.element(), frame[column].explode(), self._listed)))
        return frame.with_columns(changed)

    def _in_column(self, frame: pl.DataFrame, column: str) -> list[pl.Expr]:
        person = {"level_id": "factor", "subject_id": "subject"}.get(column)
        if column.endswith("technician_id"):
            return [pl.col(column).replace(self.of)]
        if person in frame.columns:
            everything = _mapped(pl.col(column), frame[column], self._of_a_thing)
            return [pl.when(pl.col(person) == _PERSON).then(pl.col(column).replace(self.of)).otherwise(everything)]
        if column == "finding_id":  # it is made from the id, without a key
            return [_mapped(pl.col(column), frame[column], lambda t: self.code("finding", t))]
        if column in ("path", "log_file"):
            return [_mapped(pl.col(column), frame[column], self._file)]
        if column == "problem":
            return [_mapped(pl.col(column), frame[column], lambda t: self.in_text(_FOUND.sub("", t)))]
        return [_mapped(pl.col(column), frame[column], self._of_a_thing)]

    def _of_a_thing(self, text: str) -> str:
        """A pump may bear the very id of a person and is none; its name may also hold one."""
        return text if text in self.shared else self.in_text(text)

    def _listed(self, text: str) -> str:
        head, colon, id_ = text.partition(":")
        if head == _PERSON and colon and id_ in self.of:
            return f"{_PERSON}:{self.of[id_]}"
        return text if id_ in self.shared else self._of_a_thing(text)

    def _file(self, path: str) -> str:
        """A log's path as a code; a register's is one of ours."""
        if "/" not in path and path.rsplit(".", 1)[0] in _REGISTER_FILES:
            return path
        suffixes = re.search(r"(\.[A-Za-z]{1,7}){1,2}$", path)
        return f"logs/{self.code('file', path.removeprefix('logs/'))}{suffixes.group() if suffixes else ''}"

    def in_month(self, data: MonthData) -> MonthData:
        """Return what the pages of a month are made from, with pseudonyms."""
        was = dict(
            zip(
                self.in_frame(data.work.select("evacuation_id"))["evacuation_id"].to_list(),
                data.work["evacuation_id"].to_list(),
                strict=True,
            )
        )

        def load(evacuation_id: str) -> SampleBatch:
            batch = data.load_log(was.get(evacuation_id, evacuation_id))
            return replace(batch, marks=tuple(replace(m, text="a mark") for m in batch.marks))

        frames: dict[str, Any] = {
            name: self.in_frame(value) for name, value in vars(data).items() if isinstance(value, pl.DataFrame)
        }
        return replace(
            data,
            **frames,
            registers={name: self.in_frame(frame) for name, frame in data.registers.items()},
            load_log=load,
            read_ahead=lambda wanted: data.read_ahead([was.get(e, e) for e in wanted]),
            not_made=tuple((self.in_text(what), self.in_text(why)) for what, why in data.not_made),
            swap_plan=tuple(self.in_text(sentence) for sentence in data.swap_plan),
        )

    def guard(self, folder: Path) -> None:
        """Make sure that no file of a folder names anybody, as a last check before it is handed on.

        Raises
        ------
        BlankoffError
            One does; the text says which.
        """
        spoken = [i for i in self.names if is_distinctive(i) and i not in self.shared]
        spoken += [n for n in self.names.values() if n and n.strip() and n not in self.shared]
        forms = {f: t for t in spoken for f in (t, html.escape(t), json.dumps(t)[1:-1])}
        if not forms:
            return
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            name = path.relative_to(folder).as_posix()
            if name == "static/charts.js":
                continue
            for text in (name, *_texts_of(path)):
                if not pl.select(pl.lit(text).str.contains_any(list(forms))).item():
                    continue
                for form in forms:
                    if form in text and token(form).search(text):
                        raise BlankoffError(
                            f"{name} would still name a technician, so nothing was written; rename whatever bears the id "
                            "or name of a person, or report this as a fault of blankoff"
                        )


_REGISTER_FILES = frozenset(
    {"evacuations", "technicians", "pumps", "hoses", "gauges", "systems", "services", "coaching", "fleet"}
)

_THINGS = ("pump_id", "hose_id", "gauge_id", "system_id", "asset_id", "branch", "evacuation_id")


def _mapped(target: pl.Expr, values: pl.Series, change: Callable[[str], str]) -> pl.Expr:
    """Return an expression that puts each text's changed form in its place."""
    pairs = {t: c for t in values.unique().drop_nulls().to_list() if (c := change(t)) != t}
    return target.replace(pairs) if pairs else target


def _texts_of(path: Path) -> list[str]:
    """What can be read in a file; of a workbook, in its parts."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            return [book.read(part).decode("utf-8", "replace") for part in book.namelist()]
    return [path.read_text(encoding="utf-8", errors="replace")]


def read_key(file: str | os.PathLike[str] | None = None) -> bytes:
    """Return the key for pseudonyms: from a file, or else from the environment variable `KEY_VARIABLE`.

    Raises
    ------
    SettingsError
        There is none, it cannot be read, or it is too short.
    """
    if file is not None:
        try:
            key, where = Path(file).read_bytes().strip(), os.fspath(file)
        except OSError as error:
            raise SettingsError(f"the key file {file} cannot be read ({error.strerror})") from None
    else:
        key, where = os.environ.get(KEY_VARIABLE, "").strip().encode("utf-8", "surrogateescape"), KEY_VARIABLE
        if not key:
            raise SettingsError(
                f"pseudonyms need a key that stays in the house: make one with `head -c 32 /dev/urandom | base64 > FILE`, "
                f"keep it, and name it with --key-file FILE, or put it into the environment variable {KEY_VARIABLE}"
            )
    if len(key) < SHORTEST_KEY:
        raise SettingsError(f"the key in {where} has {len(key)} bytes; take at least {SHORTEST_KEY} random ones")
    return key


def pseudonyms_for(key: bytes, registers: Mapping[str, pl.DataFrame]) -> Pseudonyms:
    """Return pseudonyms for every technician that a fleet's registers name."""
    names: dict[str, str | None] = {}
    for register in ("technicians", "evacuations", "coaching"):
        frame = registers.get(register, pl.DataFrame())
        if "technician_id" in frame.columns:
            names |= dict.fromkeys(i for i in frame["technician_id"].unique().drop_nulls().to_list() if i not in names)
    people = registers.get("technicians", pl.DataFrame())
    if people.width:
        names |= dict(people.select("technician_id", "name").drop_nulls("technician_id").iter_rows())
    things = {
        text
        for frame in registers.values()
        for column in set(_THINGS) & set(frame.columns)
        for text in frame[column].unique().drop_nulls().to_list()
    }
    spoken = {*names, *(n for n in names.values() if n)}
    return Pseudonyms(key, dict(sorted(names.items())), frozenset(spoken & things))
