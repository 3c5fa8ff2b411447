"""The contract's tables as files: Parquet, and CSV whose cells no spreadsheet takes for a formula."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from blankoff import schemas
from blankoff.errors import BlankoffError, NotInStoreError
from blankoff.pipeline.pseudonyms import pseudonyms_for
from blankoff.store import KEPT_BEFORE, Store

_FORMULA_START = r"^(?:\s*[=+\-@＝＋－＠]|[\t\r\n])"
"""What makes a spreadsheet evaluate a cell; common knowledge, see OWASP's page on CSV injection (from memory)."""


def harmless_cells(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame fit for CSV: lists joined by blanks, and an apostrophe before text a spreadsheet would evaluate."""
    joined = frame.with_columns(
        pl.col(name).list.join(" ") for name, dtype in frame.schema.items() if isinstance(dtype, pl.List)
    )
    text = [name for name, dtype in joined.schema.items() if dtype == pl.String]
    return joined.with_columns(
        pl.when(pl.col(name).str.contains(_FORMULA_START))
        .then(pl.concat_str(pl.lit("'"), pl.col(name)))
        .otherwise(pl.col(name))
        .alias(name)
        for name in text
    )


def export(
    store: Store,
    out: str | os.PathLike[str],
    csv: bool = False,
    tables: Sequence[str] = tuple(schemas.TABLES),
    *,
    pseudonym_key: bytes | None = None,
    believed_on: dt.date | None = None,
) -> list[Path]:
    """Write the contract's tables as Parquet files, and as CSV too if asked.

    Parameters
    ----------
    store
        An open store.
    out
        Folder for the files, made if it does not exist.
    csv
        Whether to write ``<table>.csv`` beside ``<table>.parquet``.
    tables
        Which tables; all of the contract by default.
    pseudonym_key
        People are named by pseudonyms made with this key, see `blankoff.pipeline.pseudonyms`; by their ids if not given.
    believed_on
        Write what the store held at the end of that day (UTC), later corrections undone, of the tables of which it keeps
        that (`blankoff.store.KEPT_BEFORE`); what it holds now if not given.

    Returns
    -------
    list of Path
        The files written, each complete or not there at all.

    Raises
    ------
    BlankoffError
        The folder cannot be written to.
    NotInStoreError
        The store held nothing on that day.
    """
    folder = writable_folder(out)
    written: list[Path] = []
    people = None if pseudonym_key is None else pseudonyms_for(pseudonym_key, store.registers())
    run = None if believed_on is None else store.last_run_on(believed_on)
    if run == 0:
        raise NotInStoreError(f"{store.path} held nothing yet on {believed_on}")
    for name in tables if run is None else [t for t in tables if t in KEPT_BEFORE]:
        frame = store.table(name) if run is None else store.believed(name, run)
        frame = people.in_frame(frame) if people else frame
        targets = [folder / f"{name}.parquet", *([folder / f"{name}.csv"] if csv else [])]
        for target in targets:
            aside = target.with_name(f".{target.name}.part")
            try:
                if target.suffix == ".csv":
                    harmless_cells(frame).write_csv(aside, datetime_format="%Y-%m-%dT%H:%M:%S%.fZ")
                else:
                    frame.write_parquet(aside, compression="zstd")
                aside.replace(target)
            except OSError as error:
                aside.unlink(missing_ok=True)
                raise BlankoffError(
                    f"{target} cannot be written ({error.strerror}); make room or name another --out"
                ) from None
            written.append(target)
    return written


def writable_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder for output if need be, and return it.

    Raises
    ------
    BlankoffError
        It is a file, cannot be made, or cannot be written to.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        trial = folder / ".blankoff-trial"
        trial.touch()
        trial.unlink()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise BlankoffError(f"{folder} cannot be written to ({why}); name another folder for --out") from None
    return folder
