"""Logs that are copies of another job's: whole, shifted in time, trimmed, resampled, re-noised or re-quantised.

Two honest pulls can follow the same smooth curve: the same circuit, the same rig, the same weather. What two honest
pulls never share is the gauge's noise. So a pair is first *proposed* by a short sketch of the curve's shape (near
linear in the number of logs) and then *verified* on what is left of ln p once its smooth course is taken out: a copy
repeats the original's noise at one sharp alignment, however much fresh noise was laid over it; an honest pair does not.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl

from blankoff.fleet.copy_match import SAME_FILE, Match, Prepared, match_prepared, prepare, spacing_s
from blankoff.fleet.copy_sketch import MOMENT_COLUMNS, CopyRules, propose_pairs
from blankoff.samples import SampleBatch

_PAIRS_AT_ONCE = 2048
"""Bounds the samples held at once."""

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
}
"""Two logs that were compared, and how they matched: kept, so that no pair is ever compared twice."""


def _pair_row(earlier: str, later: str, found: Match, rules: CopyRules) -> dict[str, object]:
    numbers = {name: getattr(found, name) for name in PAIR_SCHEMA if name in Match.__dataclass_fields__}
    return {"earlier_key": earlier, "later_key": later, "is_copy": found.is_copy(rules), **numbers}


def _known_matches(pairs: list[tuple[int, int]], keys: list[str], known: pl.DataFrame | None) -> list[Match | None]:
    """Return, for each pair, what an earlier comparison found; ``None`` where there was none."""
    if known is None or known.is_empty() or not pairs:
        return [None] * len(pairs)
    asked = pl.DataFrame(
        {"earlier_key": [keys[i] for i, _ in pairs], "later_key": [keys[j] for _, j in pairs]},
        schema={"earlier_key": pl.String, "later_key": pl.String},
    )
    names = list(Match.__dataclass_fields__)
    known = known.unique(["earlier_key", "later_key"], keep="first", maintain_order=True)
    found = asked.join(known, on=["earlier_key", "later_key"], how="left", maintain_order="left")
    seen = found["is_copy"].is_not_null().to_list()
    rows = found.select(names).iter_rows(named=True)
    return [Match(**row) if there else None for there, row in zip(seen, rows, strict=True)]


def find_copies(
    jobs: pl.DataFrame,
    sketch: pl.DataFrame,
    load: Callable[[list[str]], SampleBatch],
    rules: CopyRules | None = None,
    *,
    known: pl.DataFrame | None = None,
    checked: Callable[[pl.DataFrame], None] | None = None,
) -> pl.DataFrame:
    """Find the evacuations whose log is a copy of an earlier job's.

    Parameters
    ----------
    jobs
        ``evacuation_id, log_key, started_at`` of every evacuation with a readable log.
    sketch
        `sketch_batch` of every log, by ``log_key``.
    load
        Samples of the named logs, in that order; called only for proposed pairs.
    known
        Columns of `PAIR_SCHEMA`: pairs compared before, under the same rules; they are not compared again.
    checked
        Called with the pairs that were compared now, in the same columns.

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
    pairs = [(i, j) for i, j in propose_pairs(shapes, rules) if keys[i] != keys[j]]
    before = _known_matches(pairs, keys, known)
    for (i, j), remembered in zip(pairs, before, strict=True):
        if remembered is not None and remembered.is_copy(rules) and not (j in best and best[j][0] <= i):
            best[j] = (i, remembered)
    pairs = [pair for pair, remembered in zip(pairs, before, strict=True) if remembered is None]
    for start in range(0, len(pairs), _PAIRS_AT_ONCE):
        part = pairs[start : start + _PAIRS_AT_ONCE]
        compared: list[dict[str, object]] = []
        batch = load(sorted({keys[k] for pair in part for k in pair}))
        logs = dict(zip(batch.keys, batch, strict=True))
        steps = {key: spacing_s(log) for key, log in logs.items()}
        prepared: dict[tuple[str, float], Prepared] = {}
        for i, j in part:
            if keys[i] not in logs or keys[j] not in logs or (j in best and best[j][0] <= i):
                continue
            step = max(steps[keys[i]], steps[keys[j]])
            if not np.isfinite(step):
                continue
            for key in (keys[i], keys[j]):
                if (key, step) not in prepared:
                    prepared[key, step] = prepare(logs[key], step)
            guesses: list[float] = []
            for lag in moments[j] - moments[i]:
                if np.isfinite(lag) and all(abs(lag - g) > rules.other_moment_s for g in guesses):
                    guesses.append(float(lag))
            if not guesses:
                continue
            found = match_prepared(prepared[keys[j], step], prepared[keys[i], step], step, guesses, rules)
            compared.append(_pair_row(keys[i], keys[j], found, rules))
            if found.is_copy(rules):
                best[j] = (i, found)
        if checked is not None and compared:
            checked(pl.DataFrame(compared, schema=PAIR_SCHEMA))
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
