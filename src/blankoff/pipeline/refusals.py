"""Rows of table ``quarantine``: put in the place of those of the same origin, first sight remembered."""

from __future__ import annotations

import datetime as dt

import polars as pl

from blankoff import schemas
from blankoff.ingest.hours import WHICH_BEGAN, answered
from blankoff.store import ANSWERED, Store

_KEY = ["path", "row", "field", "problem"]
LOG, FOLDER = "log", "folder"
"""Origins: inside a log file; the folder and what the register says of it. A register's origin is its name."""


def _nameless(store: Store, new: pl.DataFrame) -> pl.DataFrame:
    """Return refusals whose words name nobody who was forgotten; paths are names of files and stay."""
    if new.is_empty():
        return new
    return new.with_columns(store.forgotten().in_column(new["problem"]))


def dated(new: pl.DataFrame, old: pl.DataFrame, origin: str, now: dt.datetime) -> pl.DataFrame:
    """Return refusals with ``seen_at``: when the same one was first seen, else now; each once, in a fixed order."""
    new = schemas.QUARANTINE.conform(new).select(_KEY).unique(maintain_order=True)
    if old.width and old.height:
        new = new.join(old.select(*_KEY, "seen_at").unique(_KEY), on=_KEY, how="left", nulls_equal=True)
    else:
        new = new.with_columns(seen_at=pl.lit(None, dtype=schemas.TIME))
    return new.with_columns(
        pl.col("seen_at").fill_null(pl.lit(now).cast(schemas.TIME)), pl.lit(origin).alias("origin")
    ).sort(_KEY, nulls_last=True)


def replace_refusals(store: Store, origin: str, new: pl.DataFrame, now: dt.datetime) -> None:
    """Put refusals in the place of all of the same origin. Call it inside a transaction."""
    old = store.read("quarantine_of_origin", origin=origin)
    fresh = dated(_nameless(store, new), old, origin, now)
    if old.select(_KEY).sort(_KEY, nulls_last=True).equals(fresh.select(_KEY)):
        return
    store.change("delete_quarantine_of_origin", origin=origin)
    store.insert("quarantine", fresh)


def replace_log_refusals(store: Store, paths: pl.DataFrame, new: pl.DataFrame, now: dt.datetime) -> None:
    """Put refusals in the place of those of the log files ``paths``. Call it inside a transaction."""
    old = store.read("quarantine_of_logs", paths)
    fresh = dated(_nameless(store, new), old, LOG, now)
    if old.height:
        store.change("delete_quarantine_of_logs", paths)
    store.insert("quarantine", fresh)


def settle_hours(store: Store, assigned: pl.DataFrame) -> None:
    """Leave out of table ``quarantine`` what logs ask and registers answer, for as long as they do. Call it inside a transaction.

    ``assigned`` has ``evacuation_id`` and the ``path`` of its log.
    """
    asked = store.read("questions_of_logs", begins=WHICH_BEGAN)
    if asked.is_empty():
        return
    jobs = assigned.join(
        store.raw("register_evacuations").select("evacuation_id", "started_at", "row"), on="evacuation_id"
    )
    settled = answered(asked, jobs, store.read("quarantine_of_origin", origin="evacuations"))
    is_settled = pl.struct(_KEY).is_in(settled.select(pl.struct(_KEY)).to_series().implode())
    now = asked.with_columns(origin=pl.when(is_settled).then(pl.lit(ANSWERED)).otherwise(pl.lit(LOG)))
    if not now.equals(asked):
        store.change("delete_questions_of_logs", begins=WHICH_BEGAN)
        store.insert("quarantine", now)
