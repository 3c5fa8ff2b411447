"""What a table held after an earlier run: corrections undone, so that a disputed month can be reproduced."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

KEYS: Mapping[str, tuple[str, ...]] = {
    "result": ("evacuation_id",),
    "finding": ("as_of", "finding_id"),
    "effect": ("as_of", "factor", "level_id", "measure"),
    "oil_forecast": ("as_of", "pump_id"),
    "practice": ("technician_id", "month"),
}
"""Tables whose replaced rows are kept, and what tells their rows apart."""

SORT_KEYS = {
    "result": ["evacuation_id"],
    "phase": ["evacuation_id", "phase_no"],
    "finding": ["as_of", "kind", "subject_id", "finding_id"],
    "effect": ["as_of", "factor", "level_id", "measure"],
    "oil_forecast": ["as_of", "pump_id"],
    "practice": ["technician_id", "month"],
    "quarantine": ["path", "row", "field", "problem"],
}
"""Order in which rows of a table are handed out."""

ANSWERED = "answered"
"""Origin of rows of ``quarantine`` that are kept and not shown: what a log asks and a register answers."""

FOR_EVER = 2**62
"""A run that never comes."""


def new_keys(name: str, now: pl.DataFrame, before: pl.DataFrame) -> pl.DataFrame:
    """Return the keys of rows that were not there before."""
    key = list(KEYS[name])
    return now.select(key).join(before.select(key), on=key, how="anti", nulls_equal=True)


def as_it_stood(
    current: pl.DataFrame, before: pl.DataFrame, appeared: pl.DataFrame, key: Sequence[str], after_run: int
) -> pl.DataFrame:
    """Return the rows that a table held after a run.

    Parameters
    ----------
    current
        The table as it is.
    before
        Its columns and ``superseded_by_run``: the rows that later runs replaced or took away.
    appeared
        ``key`` and ``run_no``: when a row with that key came, or came back.
    key
        Columns that tell rows apart.
    after_run
        Which run.
    """
    by = list(key)
    versions = pl.concat(
        [
            current.with_columns(until=pl.lit(FOR_EVER)),
            before.with_columns(until=pl.col("superseded_by_run").cast(pl.Int64)).select(*current.columns, "until"),
        ]
    ).sort(*by, "until")
    versions = versions.with_columns(
        row=pl.int_range(pl.len()), start=pl.col("until").shift(1).over(by).fill_null(0).cast(pl.Int64)
    )
    came = (
        versions.select(*by, "row", "until")
        .join(appeared.select(*by, "run_no"), on=by, how="inner", nulls_equal=True)
        .filter(pl.col("run_no") < pl.col("until"))
        .group_by("row")
        .agg(pl.col("run_no").max())
    )
    start = pl.max_horizontal("start", pl.col("run_no").fill_null(0))
    return (
        versions.join(came, on="row", how="left", maintain_order="left")
        .filter((start <= after_run) & (pl.col("until") > after_run))
        .select(current.columns)
    )
