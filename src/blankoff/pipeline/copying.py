"""Copies among all logs in the store; no pair of logs is ever compared twice."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping

import polars as pl

from blankoff.fleet.copies import COPY_SCHEMA, PAIR_SCHEMA, find_copies, pair_names
from blankoff.fleet.copy_propose import touched_by
from blankoff.fleet.copy_sketch import CopyRules
from blankoff.pipeline.progress import Progress
from blankoff.pipeline.results import changed_rows
from blankoff.samples import SampleBatch
from blankoff.store import Spool, Store

COMPARED_BY = "9"
"""Raised whenever comparing two logs changes what comes of it, so that all pairs are compared again."""

_LAID_OUT_FROM = 3
"""Batches of logs from which on all samples are laid out: one pass and its writing cost about two passes."""
_FEW_SHARE = 0.1
"""Up to this share of new logs, only what they touch is looked at; beyond, looking at all is as quick."""


def refresh_copies(store: Store, progress: Progress) -> None:
    """Bring table ``copy_of`` up to date. Call it inside a transaction.

    Candidates are proposed from all logs that new ones can have changed; pairs that were compared before keep their
    answer, so what comes out is what one run over all logs would give. A copy is always the later job of the two, so what is
    found never changes with evacuations that come after it.
    """
    jobs = copy_jobs(store)
    rules = f"{COMPARED_BY}|{CopyRules()}"
    state = jobs.select("evacuation_id", "log_key", "started_at", "isolated_at_s", rules=pl.lit(rules)).sort(
        "evacuation_id"
    )
    seen = store.raw("copies_seen")
    seen = seen.sort("evacuation_id") if seen.width else seen
    if seen.width and set(seen.columns) == set(state.columns) and seen.select(state.columns).equals(state):
        return
    progress("looking for copies among the logs", 0, 1)
    sketch = _sketch_by_content(store, jobs)
    number_of = dict(jobs.select("log_key", "log_no").unique("log_key", keep="first", maintain_order=True).iter_rows())

    with contextlib.ExitStack() as until_done:
        load = _loader(store, number_of, until_done)
        if not _add_new(store, jobs, sketch, state, seen, load):
            same_rules = seen.is_empty() or ("rules" in seen.columns and seen["rules"].unique().to_list() == [rules])
            known = _known_pairs(store, sketch, same_rules=same_rules)
            found = _search(store, jobs, sketch, load, known)
            store.replace_all_if_changed("copy_of", found)
            store.replace_all("copies_seen", state)
    progress("looking for copies among the logs", 1, 1)


def _loader(
    store: Store, number_of: Mapping[str, int], until_done: contextlib.ExitStack
) -> Callable[[list[str]], SampleBatch]:
    """Return what fetches logs by content: from the database a few times, then from samples laid out beside it."""
    calls = 0
    spool: Spool | None = None

    def load(keys: list[str]) -> SampleBatch:
        nonlocal calls, spool
        calls += 1
        if calls == _LAID_OUT_FROM:
            with contextlib.suppress(OSError):  # no room: then as before, pass after pass
                spool = until_done.enter_context(store.laid_out())
        if spool is not None:
            return spool.logs([number_of[k] for k in keys], keys)
        logs = {"log_no": [number_of[k] for k in keys], "sha256": keys}
        return store.samples_of_logs(pl.DataFrame(logs, schema={"log_no": pl.Int64, "sha256": pl.String}))

    return load


def _search(
    store: Store,
    jobs: pl.DataFrame,
    sketch: pl.DataFrame,
    load: Callable[[list[str]], SampleBatch],
    known: pl.DataFrame,
    asked: list[str] | None = None,
) -> pl.DataFrame:
    """Find copies and keep what was compared on the way, batch by batch: there are more pairs than logs by far."""
    if not jobs.height:
        return pl.DataFrame(schema=COPY_SCHEMA)
    return find_copies(
        jobs, sketch, load, known=known, checked=lambda pairs: store.insert("compared_pair", pairs), asked=asked
    )


def _add_new(
    store: Store,
    jobs: pl.DataFrame,
    sketch: pl.DataFrame,
    state: pl.DataFrame,
    seen: pl.DataFrame,
    load: Callable[[list[str]], SampleBatch],
) -> bool:
    """Look only at what a few new logs can have changed; return whether that was enough.

    New logs change the proposals of those they lie near to, of no others. It is not enough where a job seen before is
    gone or otherwise, where much is new, or where a copy found before is no longer proposed: then all is looked at.
    """
    if seen.is_empty() or set(seen.columns) != set(state.columns):
        return False
    seen = seen.select(state.columns)
    if seen.join(state, on=state.columns, how="anti", nulls_equal=True).height:
        return False
    before = store.raw("compared_sketch")
    changed, gone = changed_rows(sketch, before, "log_key")
    new = state.join(seen, on=state.columns, how="anti", nulls_equal=True)
    fresh = pl.concat([new.select("log_key"), changed.select("log_key")]).unique()
    known_keys = changed.join(before, on="log_key", how="semi")
    if gone.height or known_keys.height or fresh.height > _FEW_SHARE * sketch.height:
        return False
    touched = sketch.filter(touched_by(sketch, sketch["log_key"].is_in(fresh["log_key"].implode()).to_numpy()))
    earlier = store.raw("copy_of")
    key_of = jobs.select("evacuation_id", "log_key")
    if earlier.width:
        both = pl.concat([earlier.select("evacuation_id"), earlier.select(evacuation_id="copy_of")]).unique()
        known = both.join(key_of, on="evacuation_id", how="inner").select("log_key")
    else:
        known = key_of.select("log_key").clear()
    asked = pl.concat([touched.select("log_key"), known]).unique().sort("log_key")
    store.insert("compared_pair", pl.DataFrame(schema=PAIR_SCHEMA))  # so that there is such a table
    pairs = store.read("compared_pairs_of", asked.select(log_key=pair_names(asked["log_key"])))
    found = _search(store, jobs, sketch, load, pairs, asked["log_key"].to_list())
    if earlier.width and earlier.join(found, on="evacuation_id", how="anti").height:
        return False
    store.replace_all_if_changed("copy_of", found)
    store.insert("copies_seen", new)
    store.insert("compared_sketch", changed)
    return True


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
            store.delete("compared_pair", column, pair_names(stale["log_key"]).alias(column).to_frame())
    store.replace_all_if_changed("compared_sketch", sketch)
    known = store.raw("compared_pair")
    return known if known.width else pl.DataFrame(schema=PAIR_SCHEMA)


def copy_jobs(store: Store) -> pl.DataFrame:
    """Return ``evacuation_id, log_key, log_no, started_at, isolated_at_s`` of every evacuation with a judged log."""
    return store.read("copy_jobs")
