"""Taking a person out of the store: every table, earlier beliefs included, with all totals as they were.

A stand-in, ``forgotten-1`` and so on, takes the person's place, so that no evacuation is lost, no count changes and the
models see the same fleet. Findings about the person are removed, the name and the first day at work blanked. What is
kept to recognise the person in the folder's files the next time is a keyed hash of id, name and the name's words; the key
lies in the same store, so whoever holds the store *and* guesses an id can check the guess, but can't read it out.
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar

import polars as pl

from blankoff.errors import NotInStoreError
from blankoff.samples import SampleBatch
from blankoff.store.editing import Editor
from blankoff.store.samples import PackedSamples

if TYPE_CHECKING:
    from blankoff.store.store import Store

_Marked = TypeVar("_Marked", SampleBatch, PackedSamples)

STAND_IN = "forgotten-"
PERSON = "technician"
_MADE_TEXT = frozenset(
    {"problem", "statement", "action", "sentence", "tells_apart", "why", "what", "reason", "counts_json", "job_id"}
)
"""Columns of text in which a person's id or whole name may stand among other words."""
_SPOKEN_TEXT = frozenset({"text"})
"""Columns that hold what people wrote: single words of a name are taken out too."""
_SHORTEST_PART = 3
_WORD = re.compile(r"[^\W_]+(?:['’-][^\W_]+)*")
_BLANKED = ("name", "hired_on")


def is_distinctive(text: str) -> bool:
    """Whether a text can be looked for among other words: a bare number or single letter can't."""
    return len(text) >= 2 and any(c.isalpha() for c in text)


def name_parts(name: str) -> list[str]:
    """Return the words of a name that are long enough to be told from other words."""
    return [w for w in _WORD.findall(name) if len(w) >= _SHORTEST_PART and w.isalpha()]


def token(text: str, *, any_case: bool = False) -> re.Pattern[str]:
    """Return a pattern for a text that stands alone, not as a part of a longer word."""
    return re.compile(rf"(?<!\w){re.escape(text)}(?!\w)", re.IGNORECASE if any_case else 0)


@dataclass(frozen=True)
class Removal:
    """What forgetting a person did.

    Parameters
    ----------
    stand_in
        What stands in the person's place.
    evacuations
        Evacuations that are now the stand-in's.
    findings
        Findings about the person that were removed, earlier ones included.
    still_named
        ``(table.column, how many)`` where the id or the name is part of the name of a file or a thing: those are the
        folder's own, and must be renamed there.
    copies
        Files beside the store that an update or an earlier program kept and that still hold the person.
    """

    stand_in: str
    evacuations: int
    findings: int
    still_named: tuple[tuple[str, int], ...] = ()
    copies: tuple[Path, ...] = ()

    def text(self) -> str:
        """Return it in words."""
        lines = [
            (
                f"forgotten: {self.evacuations} evacuations are now those of {self.stand_in}; "
                f"{self.findings} findings about the person were removed; all totals stand."
            ),
            "Pages, sheets and exports written before still name the person: write them again.",
        ]
        if self.still_named:
            where = ", ".join(f"{place} ({n})" for place, n in self.still_named)
            lines.append(f"The id or name is part of names of files or things, which stay: {where}; rename those.")
        if self.copies:
            lines.append(f"Older copies still hold the person; delete them: {', '.join(map(str, self.copies))}")
        lines.append("The registers and logs in the fleet folder are yours and were not touched.")
        return "\n".join(lines)


@dataclass(frozen=True)
class Forgotten:
    """Who was forgotten, as keyed hashes: knows them again, can't name them."""

    key: bytes = b""
    stand_ins: dict[tuple[str, str], str] = field(default_factory=dict)
    """``(kind, digest)`` to stand-in."""
    most_words: int = 0

    @classmethod
    def from_rows(cls, rows: pl.DataFrame, key: pl.DataFrame) -> Self:
        """Make it from tables ``forgotten`` and ``forgotten_key``."""
        known = {(kind, d): stand_in for stand_in, kind, d in rows.select("stand_in", "kind", "digest").iter_rows()}
        return cls(bytes.fromhex(key["key_hex"][0]), known, max(rows["words"].to_list()))

    @property
    def everyone(self) -> list[str]:
        """All stand-ins."""
        return sorted(set(self.stand_ins.values()))

    def stand_in(self, kind: str, text: str) -> str | None:
        """Return the stand-in of an id, a name or a part of one; ``None`` for anybody else."""
        return self.stand_ins.get((kind, digest(self.key, kind, text))) if self.stand_ins else None

    def in_text(self, text: str, *, spoken: bool = False) -> str:
        """Return a text without the ids and names of who was forgotten."""
        if not self.stand_ins:
            return text
        spans: dict[tuple[int, int], str] = {}
        words = [m.span() for m in _WORD.finditer(text)]
        for n in range(1, self.most_words + 1):
            for i in range(len(words) - n + 1):
                span = words[i][0], words[i + n - 1][1]
                found = self.stand_in("name", text[slice(*span)])
                if found is None and n == 1 and spoken:
                    found = self.stand_in("part", text[slice(*span)])
                if found:
                    spans[span] = found
        pieces = [m.span() for m in re.finditer(r"\S+", text)]
        for n in range(1, self.most_words + 1):  # an id may hold signs that are no letters, and blanks
            for i in range(len(pieces) - n + 1):
                whole = text[pieces[i][0] : pieces[i + n - 1][1]]
                bare = whole.strip("([{<'\",;:.)]}>")
                found = self.stand_in("id", bare) if is_distinctive(bare) else None
                if found:
                    at = pieces[i][0] + whole.index(bare)
                    spans[(at, at + len(bare))] = found
        return _replaced(text, spans)

    def in_register(self, name: str, frame: pl.DataFrame) -> pl.DataFrame:
        """Return a register with stand-ins for those who were forgotten."""
        if not self.stand_ins or "technician_id" not in frame.columns:
            return frame
        ids = frame["technician_id"].unique().drop_nulls().to_list()
        known = {i: s for i in ids if (s := self.stand_in("id", i))}
        frame = frame.with_columns(pl.col("technician_id").replace(known))
        if name == "technicians":
            theirs = pl.col("technician_id").is_in(list(known.values()))
            frame = frame.with_columns(
                pl.when(~theirs).then(pl.col(c)).alias(c) for c in _BLANKED if c in frame.columns
            )
        if "job_id" in frame.columns:
            frame = frame.with_columns(self.in_column(frame["job_id"]))
        return frame

    def in_column(self, texts: pl.Series) -> pl.Series:
        """Return a column of text without the ids and names of who was forgotten."""
        if not self.stand_ins:
            return texts
        changed = {t: c for t in texts.unique().drop_nulls().to_list() if (c := self.in_text(t)) != t}
        return texts.replace(changed) if changed else texts

    def in_marks(self, batch: _Marked) -> _Marked:
        """Return logs whose marks name nobody who was forgotten."""
        if not self.stand_ins or not batch.marks:
            return batch
        return replace(batch, marks=tuple(replace(m, text=self.in_text(m.text, spoken=True)) for m in batch.marks))


def digest(key: bytes, kind: str, text: str) -> str:
    """Return the keyed hash (HMAC-SHA256, RFC 2104) by which a text is known again; names in any case."""
    folded = text if kind == "id" else " ".join(text.casefold().split())
    return hmac.new(key, f"{kind}\0{folded}".encode("utf-8", "surrogatepass"), sha256).hexdigest()


def forget(store: Store, technician_id: str) -> Removal:
    """Take a person out of a store, and write its file anew so that nothing of them stays in it.

    The store is closed afterwards.

    Parameters
    ----------
    store
        A store open for writing.
    technician_id
        The register's id, or the whole name if just one person has it.

    Raises
    ------
    NotInStoreError
        Nobody of that id or name.
    StoreError
        The store cannot be written; nothing was changed, or, if that failed while the file was written anew, the person
        is out of every table but may still be readable in the file's free blocks, which the text says.
    """
    aside = store.path.with_name(f".{store.path.name}.anew")
    aside.unlink(missing_ok=True)
    with store.transaction():
        removal = _put_stand_in(store, technician_id)
    store.write_anew(aside)
    store.close()
    aside.replace(store.path)
    return removal


def _put_stand_in(store: Store, technician_id: str) -> Removal:
    """Put a stand-in in a person's place in every table; call it inside a transaction."""
    people = store.raw("register_technicians").select("technician_id", "name")
    working = store.raw("register_evacuations")["technician_id"].unique().drop_nulls().to_list()
    ids = {*people["technician_id"].to_list(), *working}
    if technician_id not in ids:
        named = people.filter(name=technician_id)["technician_id"].to_list()
        if len(named) != 1:
            again = " any more: it was forgotten before" if store.forgotten().stand_in("id", technician_id) else ""
            raise NotInStoreError(
                f"the store knows no technician {technician_id!r}{again}; name a technician_id of the register"
            )
        technician_id = named[0]
    if technician_id in store.forgotten().everyone:
        raise NotInStoreError(f"{technician_id!r} stands for somebody who was forgotten already")
    names = [n for n in people.filter(technician_id=technician_id)["name"].drop_nulls().to_list() if n.strip()]
    taken = ids | set(store.forgotten().everyone)
    stand_in = next(s for k in range(1, len(taken) + 2) if (s := f"{STAND_IN}{k}") not in taken)
    _remember(store, technician_id, names, stand_in)
    editor = store.editor()
    findings = sum(
        editor.delete_where(name, subject=PERSON, subject_id=technician_id) for name in ("finding", "finding_before")
    )

    def entangled(text: str) -> str:
        return f"{PERSON}:{stand_in}" if text == f"{PERSON}:{technician_id}" else text

    alone = is_distinctive(technician_id) and not _names_a_thing(store, technician_id)
    made, spoken = (_replacer(technician_id, names, stand_in, alone=alone, spoken=s) for s in (False, True))
    for table, columns in editor.text_columns.items():
        for column in columns:
            if column.endswith("technician_id"):
                editor.rename(table, column, technician_id, stand_in)
            elif column == "level_id" and "factor" in columns:
                editor.rename(table, column, technician_id, stand_in, factor=PERSON)
            elif column == "subject_id" and "subject" in columns:
                editor.rename(table, column, technician_id, stand_in, subject=PERSON)
            elif column == "entangled_with":
                editor.rewrite(table, column, entangled)
            elif column in _MADE_TEXT or column in _SPOKEN_TEXT:
                editor.rewrite(table, column, spoken if column in _SPOKEN_TEXT else made)
    for column in _BLANKED:
        editor.blank("register_technicians", column, technician_id=stand_in)
    evacuations = store.raw("register_evacuations").filter(technician_id=stand_in).height
    return Removal(
        stand_in, evacuations, findings, _still_named(editor, technician_id, names, alone=alone), _copies(store.path)
    )


def _remember(store: Store, technician_id: str, names: list[str], stand_in: str) -> None:
    if store.raw("forgotten_key").is_empty():
        store.insert("forgotten_key", pl.DataFrame({"key_hex": [secrets.token_hex(32)]}))
    key = bytes.fromhex(store.raw("forgotten_key")["key_hex"][0])
    texts = [("id", technician_id), *(("name", n) for n in names), *(("part", p) for n in names for p in name_parts(n))]
    rows = [(stand_in, kind, max(len(_WORD.findall(t)), len(t.split())), digest(key, kind, t)) for kind, t in texts]
    schema = {"stand_in": pl.String, "kind": pl.String, "words": pl.Int64, "digest": pl.String}
    store.insert("forgotten", pl.DataFrame(rows, schema=schema, orient="row").unique(maintain_order=True))


def _names_a_thing(store: Store, technician_id: str) -> bool:
    """Whether a pump, hose, gauge or system bears the very id of a person."""
    return any(
        technician_id in store.raw(f"register_{name}")[column].to_list()
        for name, column in (
            ("pumps", "pump_id"),
            ("hoses", "hose_id"),
            ("gauges", "gauge_id"),
            ("systems", "system_id"),
        )
    )


def _replacer(
    technician_id: str, names: Iterable[str], stand_in: str, *, alone: bool, spoken: bool
) -> Callable[[str], str]:
    """Return a function that takes a person's id and names, and if spoken the names' words, out of a text."""
    patterns = [token(n, any_case=True) for n in names]
    if alone:
        patterns.append(token(technician_id))
    else:  # a bare number, or what a pump is called too, is the person only where it is called so
        patterns.append(re.compile(rf"(?<=[Tt]echnician[ :]){re.escape(technician_id)}(?!\w)"))
    if spoken:
        patterns += [token(p, any_case=True) for n in names for p in name_parts(n)]

    def replaced(text: str) -> str:
        for pattern in patterns:
            text = pattern.sub(lambda _: stand_in, text)
        return text

    return replaced


def _replaced(text: str, spans: dict[tuple[int, int], str]) -> str:
    """Return a text with spans replaced, the longest first where they overlap."""
    taken: list[tuple[int, int]] = []
    for a, b in sorted(spans, key=lambda s: (s[0] - s[1], s[0])):
        if all(b <= c or a >= d for c, d in taken):
            taken.append((a, b))
    for a, b in sorted(taken, reverse=True):
        text = f"{text[:a]}{spans[(a, b)]}{text[b:]}"
    return text


def _still_named(editor: Editor, technician_id: str, names: list[str], *, alone: bool) -> tuple[tuple[str, int], ...]:
    looked_for = [token(n, any_case=True) for n in names]
    if alone:
        looked_for.append(token(technician_id))
    found: list[tuple[str, int]] = []
    for table, columns in editor.text_columns.items():
        for column in columns:
            count = sum(any(p.search(t) for p in looked_for) for t in editor.texts(table, column))
            if count:
                found.append((f"{table}.{column}", count))
    return tuple(found)


def _copies(path: Path) -> tuple[Path, ...]:
    """Files that updates kept beside the store."""
    return tuple(sorted(p for p in path.parent.iterdir() if p.name.startswith(f"{path.name}.layout")))
