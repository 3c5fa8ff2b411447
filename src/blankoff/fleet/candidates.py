"""The one shape in which every estimator of the fleet hands over what is both sure and material."""

from __future__ import annotations

import polars as pl

from blankoff.schemas import PolarsType

CANDIDATE_SCHEMA: dict[str, PolarsType] = {
    "kind": pl.String,
    "subject_id": pl.String,
    "episode": pl.String,
    "since": pl.Date,
    "probability": pl.Float64,
    "effect": pl.Float64,
    "effect_lower": pl.Float64,
    "effect_upper": pl.Float64,
    "unit": pl.String,
    "evidence": pl.List(pl.String),
    "entangled_with": pl.List(pl.String),
    "rate": pl.Float64,
    "peers": pl.Float64,
    "jobs": pl.Int64,
    "faults": pl.Int64,
    "other_id": pl.String,
}
"""What an estimator hands over. ``episode`` tells two spells of one trouble apart (such as the last oil change's
date), so that a finding keeps its id from month to month; the last five columns serve some kinds only."""
