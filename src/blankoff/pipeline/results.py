"""Table ``result``: what each log gave, beside the registers, with copies and outcome groups laid over."""

from __future__ import annotations

import polars as pl

from blankoff import schemas
from blankoff.pipeline.stated import stated
from blankoff.pipeline.weighing import own_shares, weighed_under
from blankoff.settings import Settings
from blankoff.store import Store

_CARRIED = ["technician_id", "pump_id", "hose_id", "gauge_id", "system_id"]
_BOOKKEEPING = ["log_no", "context"]


def build_results(
    evacuations: pl.DataFrame,
    measure: pl.DataFrame,
    unreadable: pl.DataFrame,
    copies: pl.DataFrame,
    groups: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Make the contract's table ``result``.

    Parameters
    ----------
    evacuations
        The register.
    measure
        What each log gave: ``evacuation_id`` and the columns of ``schemas.MEASURE``.
    unreadable
        ``evacuation_id`` of those whose log was handed in but cannot be read.
    copies
        ``evacuation_id`` of those whose log is a copy of another job's.
    groups
        ``evacuation_id, group_id, group_name``.
    settings
        For the time zone in which a month begins.

    Returns
    -------
    pl.DataFrame
        One row per evacuation of the register, sorted by ``evacuation_id``.
    """
    unread = pl.col("evacuation_id").is_in(unreadable["evacuation_id"].implode())
    copied = pl.col("evacuation_id").is_in(copies["evacuation_id"].implode())
    without_log = pl.when(unread).then(pl.lit("unreadable_log")).otherwise(pl.lit("no_log"))
    frame = (
        evacuations.select(
            "evacuation_id",
            pl.col("started_at").dt.convert_time_zone(settings.timezone).dt.strftime("%Y-%m").alias("month"),
            *_CARRIED,
        )
        .join(measure.drop(_BOOKKEEPING, strict=False), on="evacuation_id", how="left")
        .join(groups.select("evacuation_id", "group_id", "group_name"), on="evacuation_id", how="left")
        .with_columns(
            verdict=pl.when(copied).then(pl.lit("unproven")).otherwise(pl.col("verdict").fill_null("unproven")),
            reason=pl.when(copied).then(pl.lit("recycled_log")).otherwise(pl.col("reason").fill_null(without_log)),
            borderline=pl.col("borderline").fill_null(False) & ~copied,
        )
    )
    return stated(schemas.RESULT.conform(frame)).sort("evacuation_id")


def changed_rows(new: pl.DataFrame, old: pl.DataFrame, key: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows of ``new`` that ``old`` lacks or has otherwise, and the keys of ``old`` that are gone.

    Two NaN count as equal, and so do two nulls.
    """
    if old.is_empty() or set(new.columns) != set(old.columns):
        return new, old.select(key) if key in old.columns else new.select(key).clear()
    gone = old.select(key).join(new.select(key), on=key, how="anti")
    lined = new.join(old, on=key, how="left", suffix=":old", maintain_order="left")
    known = new.select(key).with_columns(known=pl.col(key).is_in(old[key].implode()))["known"]
    same = lined.select(
        pl.all_horizontal(pl.col(c).eq_missing(pl.col(f"{c}:old")) for c in new.columns if c != key).alias("same")
    )["same"]
    return new.filter(~(same & known)), gone


_LAID_OVER = ["group_id", "group_name"]
"""Columns that each assessment sets anew: a change in these alone is no correction."""


AT_ONCE = 20_000
"""Evacuations whose rows are made and compared at a time: what a run holds in memory hangs on this and not on the fleet."""


def refresh_results(store: Store, settings: Settings) -> int:
    """Bring table ``result`` up to date; writes only the rows that differ. Call it inside a transaction.

    What a row said before a correction is set aside in the store.

    Returns
    -------
    int
        How many rows were corrected or taken away.
    """
    copies = store.raw("copy_of", ["evacuation_id"])
    copies = copies if copies.width else pl.DataFrame(schema={"evacuation_id": pl.String})
    shares = own_shares(store.raw("measure", ["evacuation_id", "rise_evidence"]), copies["evacuation_id"], settings)
    unreadable, groups = store.read("unreadable_evacuations"), store.read("latest_groups")
    superseded = 0
    for first, last in _stretches(store):
        evacuations, measure, old = (
            store.raw_between(name, "evacuation_id", first, last, columns)
            for name, columns in (
                ("register_evacuations", ("evacuation_id", "started_at", *_CARRIED)),
                ("measure", ("evacuation_id", *schemas.MEASURE.names)),
                ("result", None),
            )
        )
        measure = weighed_under(measure, shares, settings)
        new = build_results(evacuations, measure, unreadable, copies, groups, settings)
        superseded += _put_in_place(store, new, schemas.RESULT.conform(old).select(new.columns))
    return superseded


def _stretches(store: Store) -> list[tuple[str, str]]:
    """First and last id of some `AT_ONCE` evacuations at a time, in order: all in the register or in the table."""
    ids = [store.raw(name, ["evacuation_id"]) for name in ("register_evacuations", "result")]
    known = pl.concat([i for i in ids if i.width])["evacuation_id"].unique().sort()
    return [(known[k], known[min(k + AT_ONCE, known.len()) - 1]) for k in range(0, known.len(), AT_ONCE)]


def _put_in_place(store: Store, new: pl.DataFrame, old: pl.DataFrame) -> int:
    """Write the rows of a stretch that differ from those that are there; return how many it set aside."""
    changed, gone = changed_rows(new, old, "evacuation_id")
    corrected, _ = changed_rows(new.drop(_LAID_OVER), old.drop(_LAID_OVER), "evacuation_id")
    before = old.join(pl.concat([corrected.select("evacuation_id"), gone]), on="evacuation_id", how="semi")
    superseded = store.set_aside("result", before.sort("evacuation_id"))
    store.note_new("result", new, old)
    store.delete("result", "evacuation_id", gone)
    if changed.height:
        store.replace("result", "evacuation_id", changed)
    return superseded
