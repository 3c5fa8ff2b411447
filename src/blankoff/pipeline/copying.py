"""Copies among all logs in the store; only pairs with something new in them are looked at again."""

from __future__ import annotations

import polars as pl

from blankoff.fleet.copies import COPY_SCHEMA, find_copies
from blankoff.pipeline.progress import Progress
from blankoff.samples import SampleBatch
from blankoff.store import Store


def refresh_copies(store: Store, progress: Progress) -> None:
    """Bring table ``copy_of`` up to date. Call it inside a transaction.

    A copy is always the later job of the two, so what is found never changes with evacuations that come after it.
    """
    jobs = copy_jobs(store)
    seen = store.raw("copies_seen")
    state = jobs.select("evacuation_id", "log_key", "started_at", "isolated_at_s").sort("evacuation_id")
    if seen.width and seen.equals(state):
        return
    progress("looking for copies among the logs", 0, 1)
    sketch = store.raw("sketch")
    by_key = (
        (
            jobs.select("evacuation_id", "log_key")
            .join(sketch, on="evacuation_id", how="inner")
            .sort("log_key", "evacuation_id")
            .unique("log_key", keep="first", maintain_order=True)
            .drop("evacuation_id")
        )
        if sketch.width
        else pl.DataFrame(schema={"log_key": pl.String})
    )
    number_of = dict(jobs.select("log_key", "log_no").unique("log_key", keep="first", maintain_order=True).iter_rows())

    def load(keys: list[str]) -> SampleBatch:
        return store.samples_of_logs(
            pl.DataFrame(
                {"log_no": [number_of[k] for k in keys], "sha256": keys}, schema_overrides={"log_no": pl.Int64}
            )
        )

    found = find_copies(jobs, by_key, load) if jobs.height else pl.DataFrame(schema=COPY_SCHEMA)
    store.replace_all("copy_of", found)
    store.replace_all("copies_seen", state)
    progress("looking for copies among the logs", 1, 1)


def copy_jobs(store: Store) -> pl.DataFrame:
    """Return ``evacuation_id, log_key, log_no, started_at, isolated_at_s`` of every evacuation with a judged log."""
    return store.read("copy_jobs")
