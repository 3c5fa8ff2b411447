"""Copies among all logs in the store; no pair of logs is ever compared twice."""

from __future__ import annotations

import polars as pl

from blankoff.fleet.copies import COPY_SCHEMA, PAIR_SCHEMA, find_copies
from blankoff.fleet.copy_sketch import CopyRules
from blankoff.pipeline.progress import Progress
from blankoff.pipeline.results import changed_rows
from blankoff.samples import SampleBatch
from blankoff.store import Store

COMPARED_BY = "2"
"""Raised whenever comparing two logs changes what comes of it, so that all pairs are compared again."""


def refresh_copies(store: Store, progress: Progress) -> None:
    """Bring table ``copy_of`` up to date. Call it inside a transaction.

    Candidates are proposed from all logs each time; the pairs among them that were compared before keep their answer,
    so what comes out is what one run over all logs would give. A copy is always the later job of the two, so what is
    found never changes with evacuations that come after it.
    """
    jobs = copy_jobs(store)
    rules = f"{COMPARED_BY}|{CopyRules()}"
    state = jobs.select("evacuation_id", "log_key", "started_at", "isolated_at_s", rules=pl.lit(rules)).sort(
        "evacuation_id"
    )
    seen = store.raw("copies_seen")
    if seen.width and set(seen.columns) == set(state.columns) and seen.select(state.columns).equals(state):
        return
    progress("looking for copies among the logs", 0, 1)
    sketch = _sketch_by_content(store, jobs)
    same_rules = seen.is_empty() or ("rules" in seen.columns and seen["rules"].unique().to_list() == [rules])
    known = _known_pairs(store, sketch, same_rules=same_rules)
    number_of = dict(jobs.select("log_key", "log_no").unique("log_key", keep="first", maintain_order=True).iter_rows())

    def load(keys: list[str]) -> SampleBatch:
        logs = {"log_no": [number_of[k] for k in keys], "sha256": keys}
        return store.samples_of_logs(pl.DataFrame(logs, schema={"log_no": pl.Int64, "sha256": pl.String}))

    compared: list[pl.DataFrame] = []
    found = pl.DataFrame(schema=COPY_SCHEMA)
    if jobs.height:
        found = find_copies(jobs, sketch, load, known=known, checked=compared.append)
    for pairs in compared:
        store.insert("compared_pair", pairs)
    store.replace_all_if_changed("copy_of", found)
    store.replace_all("copies_seen", state)
    progress("looking for copies among the logs", 1, 1)


def _sketch_by_content(store: Store, jobs: pl.DataFrame) -> pl.DataFrame:
    """Return one sketch a content: of two jobs with the very same log, that of the first by name."""
    sketch = store.raw("sketch")
    if not sketch.width:
        return pl.DataFrame(schema={"log_key": pl.String})
    return (
        jobs.select("evacuation_id", "log_key")
        .join(sketch, on="evacuation_id", how="inner")
        .sort("log_key", "evacuation_id")
        .unique("log_key", keep="first", maintain_order=True)
        .drop("evacuation_id")
    )


def _known_pairs(store: Store, sketch: pl.DataFrame, *, same_rules: bool) -> pl.DataFrame:
    """Return the pairs compared before whose logs are as they were then, and forget the others."""
    before = store.raw("compared_sketch")
    if not same_rules:
        store.replace_all("compared_pair", pl.DataFrame(schema=PAIR_SCHEMA))
    elif before.width:
        changed, gone = changed_rows(sketch, before, "log_key")
        stale = pl.concat([changed.select("log_key"), gone.select("log_key")])
        for column in ("earlier_key", "later_key"):
            store.delete("compared_pair", column, stale.select(pl.col("log_key").alias(column)))
    store.replace_all_if_changed("compared_sketch", sketch)
    known = store.raw("compared_pair")
    return known if known.width else pl.DataFrame(schema=PAIR_SCHEMA)


def copy_jobs(store: Store) -> pl.DataFrame:
    """Return ``evacuation_id, log_key, log_no, started_at, isolated_at_s`` of every evacuation with a judged log."""
    return store.read("copy_jobs")
