"""Logs that are copies of another job's: whole, shifted in time, trimmed, resampled, re-noised or re-quantised.

Two honest pulls can follow the same smooth curve: the same circuit, the same rig, the same weather. What two honest
pulls never share is the gauge's noise. So a pair is first *proposed* by a short sketch of the curve's shape (near
linear in the number of logs) and then *verified* on what is left of ln p once its smooth course is taken out: a copy
repeats the original's noise at one sharp alignment, however much fresh noise was laid over it; an honest pair does not.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Collection, Iterable
from hashlib import blake2b
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.copy_compare import compare_pairs, in_neighbourhoods
from blankoff.fleet.copy_match import SAME_FILE, Match
from blankoff.fleet.copy_passages import Passages
from blankoff.fleet.copy_propose import PairArray, end_values, neighbour_rank, propose_copies
from blankoff.fleet.copy_sketch import MOMENT_COLUMNS, CopyRules
from blankoff.samples import SampleBatch

BoolArray: TypeAlias = NDArray[np.bool_]

_USUAL_READINGS = 1500
"""Of a log whose readings nobody counted: only for how many are held at once."""

COPY_SCHEMA = {
    "evacuation_id": pl.String,
    "copy_of": pl.String,
    "probability": pl.Float64,
    "lag_s": pl.Float64,
    "overlap_s": pl.Float64,
    "correlation": pl.Float64,
    "sharpness": pl.Float64,
    "points": pl.Int64,
}


PAIR_SCHEMA = {
    "earlier_key": pl.String,
    "later_key": pl.String,
    "is_copy": pl.Boolean,
    **{name: COPY_SCHEMA[name] for name in ("lag_s", "overlap_s", "correlation", "sharpness", "points")},
    "course_difference": pl.Float64,
    "equal_share": pl.Float64,
    "even_share": pl.Float64,
    "apart": pl.Float64,
}
"""Two logs that were compared, and how they matched: kept, so that no pair is ever compared twice.

There are more pairs than logs by far, so logs are named in short, see `pair_names`."""


def pair_names(keys: Iterable[str]) -> pl.Series:
    """Short names of logs: 72 bits in 12 letters, so many as a database holds in place.

    Among a thousand million logs two would have the same with a chance of one in ten thousand, and then a pair of them is
    all that may go uncompared.
    """
    short = [b64encode(blake2b(key.encode(), digest_size=9).digest()).decode() for key in keys]
    return pl.Series(short, dtype=pl.String)


def _known_matches(
    pairs: PairArray, names: pl.Series, known: pl.DataFrame | None
) -> tuple[BoolArray, dict[int, Match]]:
    """Return which pairs were compared before, and what was found of those that are copies, by the pair's index."""
    if known is None or known.is_empty() or not len(pairs):
        return np.zeros(len(pairs), dtype=bool), {}
    asked = pl.DataFrame({"earlier_key": names.gather(pairs[:, 0]), "later_key": names.gather(pairs[:, 1])})
    known = known.unique(["earlier_key", "later_key"], keep="first", maintain_order=True)
    found = asked.with_row_index("pair").join(known, on=["earlier_key", "later_key"], how="left", maintain_order="left")
    copies = found.filter(pl.col("is_copy").fill_null(False))
    rows = copies.select(*Match.__dataclass_fields__).iter_rows(named=True)
    return found["is_copy"].is_not_null().to_numpy(), dict(
        zip(copies["pair"].to_list(), (Match(**row) for row in rows), strict=True)
    )


def find_copies(
    jobs: pl.DataFrame,
    sketch: pl.DataFrame,
    load: Callable[[list[str]], SampleBatch],
    rules: CopyRules | None = None,
    *,
    known: pl.DataFrame | None = None,
    checked: Callable[[pl.DataFrame], None] | None = None,
    asked: Collection[str] | None = None,
) -> pl.DataFrame:
    """Find the evacuations whose log is a copy of an earlier job's.

    Parameters
    ----------
    jobs
        ``evacuation_id, log_key, started_at`` of every evacuation with a readable log, and ``readings`` where known.
    sketch
        `sketch_batch` of every log, by ``log_key``.
    load
        Samples of the named logs; called only for proposed pairs, many logs at once.
    known
        Columns of `PAIR_SCHEMA`: pairs compared before, under the same rules; they are not compared again.
    checked
        Called with the pairs that were compared now, in the same columns.
    asked
        Consider only the pairs that these logs propose, by ``log_key``: what is found is then found among those.

    Returns
    -------
    pl.DataFrame
        Columns of `COPY_SCHEMA`, one row per copy, named against the earliest job that it repeats; sorted by
        ``evacuation_id``. Independent of the rows' order.
    """
    rules = rules or CopyRules()
    jobs = jobs.drop_nulls("log_key").sort("started_at", "evacuation_id", nulls_last=True)
    if jobs.height < 2:
        return pl.DataFrame(schema=COPY_SCHEMA)
    ids, keys = jobs["evacuation_id"].to_list(), jobs["log_key"].to_list()
    best: dict[int, tuple[int, Match]] = {}
    first_with: dict[str, int] = {}
    for i, key in enumerate(keys):  # the very same bytes, handed in for two jobs
        if key in first_with:
            best[i] = (first_with[key], SAME_FILE)
        else:
            first_with[key] = i
    shapes = jobs.select("log_key").join(sketch, on="log_key", how="left", maintain_order="left")
    moments = shapes.select(MOMENT_COLUMNS).to_numpy().astype(float)
    passages = Passages.of_sketches(shapes)
    of_key = np.array([first_with[key] for key in keys])
    wanted = None if asked is None else shapes["log_key"].is_in(list(asked)).to_numpy()
    pairs = propose_copies(shapes, rules, wanted)
    pairs = pairs[of_key[pairs[:, 0]] != of_key[pairs[:, 1]]]
    names = pair_names(keys)
    compared, copies = _known_matches(pairs, names, known)
    del known
    for k, remembered in copies.items():
        i, j = pairs[k].tolist()
        if not (j in best and best[j][0] <= i):
            best[j] = (i, remembered)
    repeats = np.full(jobs.height, jobs.height)  # the earliest log that each was found to repeat so far
    for j, (i, _) in best.items():
        repeats[j] = i
    weight = jobs["readings"].to_numpy() if "readings" in jobs.columns else np.full(jobs.height, _USUAL_READINGS)
    pairs = pairs[~compared]
    near = neighbour_rank(end_values(shapes))
    del shapes, sketch  # by far the largest of what is held
    for part in in_neighbourhoods(pairs, near, weight):
        open_ = repeats[part[:, 1]] > part[:, 0]
        if not open_.any():
            continue
        found = compare_pairs(part[open_], keys, moments, passages, load, rules)
        for k in np.flatnonzero(found.is_copy).tolist():
            i, j = int(found.earlier[k]), int(found.later[k])
            if not (j in best and best[j][0] <= i):
                best[j] = (i, found.match(k))
                repeats[j] = i
        if checked is not None and len(found.earlier):
            checked(
                pl.DataFrame(
                    {
                        "earlier_key": names.gather(found.earlier),
                        "later_key": names.gather(found.later),
                        "is_copy": found.is_copy,
                        **{name: found.column(name) for name in PAIR_SCHEMA if name in Match.__dataclass_fields__},
                    }
                ).select(pl.col(name).cast(dtype) for name, dtype in PAIR_SCHEMA.items())
            )
    rows = [
        {
            "evacuation_id": ids[j],
            "copy_of": ids[i],
            "probability": m.probability,
            "lag_s": m.lag_s,
            "overlap_s": m.overlap_s,
            "correlation": m.correlation,
            "sharpness": m.sharpness,
            "points": m.points,
        }
        for j, (i, m) in best.items()
    ]
    return pl.DataFrame(rows, schema=COPY_SCHEMA).sort("evacuation_id")
