"""Hose sets: leaking on the pump's side, or passing less in deep vacuum than their like."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
from scipy.stats import norm

from blankoff.fleet.attribution import Attribution
from blankoff.fleet.pump_side_causes import FloorCauses, floor_rows_for
from blankoff.fleet.wear import (
    MOST_EVIDENCE,
    AssetLevel,
    candidate_frame,
    losing_candidates,
    ties,
)
from blankoff.fleet.wear_days import day_number, episode_of, to_date
from blankoff.settings import Settings

__all__ = ["hoses_leaking", "hoses_restricted"]

LEAKS_FROM_MICRON_L_S = 8.0
"""A line that lets in less is about as tight as fittings on a job get (judgement)."""
PRIOR_LEAKING = 0.03
"""Share of hose sets that leak at a time (judgement)."""
WANTED = 0.9
LEAST_GAIN = 10.0
"""Gain in ln evidence over the oil alone below which no line is called leaking: oils as modelled are wrong by as much for a
filling or two; a leak worth finding gains several times that in a dozen jobs (judgement)."""


def hoses_leaking(
    causes: FloorCauses, attribution: Attribution, renewals: dict[str, list[float]], as_of: date
) -> pl.DataFrame:
    """Candidates ``hose_leaking``: what holds the floor up follows the hose set, and vanishes at isolation.

    Parameters
    ----------
    causes : FloorCauses
        From `pump_side_causes.find_causes`.
    attribution : Attribution
    renewals : mapping of hose_id to days
        Repairs that end a spell.
    as_of : date

    Returns
    -------
    DataFrame
        `findings.CANDIDATE_SCHEMA`; ``effect`` in microns on the pumped floor.
    """
    tied = ties(attribution, "hose", "floor")
    rows: list[dict[str, object]] = []
    for cause in causes.causes:
        if cause.factor != "hose" or cause.spell < len(_until(renewals.get(cause.level_id, []), as_of)):
            continue
        if cause.gain < LEAST_GAIN:
            continue
        odds = cause.gain + np.log(PRIOR_LEAKING / (1 - PRIOR_LEAKING))
        real = 1.0 / (1.0 + np.exp(-np.clip(odds, -30, 30)))
        probability = float(real * norm.sf((LEAKS_FROM_MICRON_L_S - cause.size) / max(cause.size_se, 1e-6)))
        if probability < WANTED:
            continue
        speed = float(np.median([causes.fleet.rows[p].speed[i] for p, i in cause.rows]))
        since = to_date(cause.since_day)
        rows.append(
            {
                "kind": "hose_leaking",
                "subject_id": cause.level_id,
                "episode": episode_of(renewals.get(cause.level_id, []), day_number(since)),
                "since": since,
                "probability": min(probability, 0.99),
                "effect": cause.size / speed,
                "effect_lower": max(cause.size - 1.645 * cause.size_se, 0.0) / speed,
                "effect_upper": (cause.size + 1.645 * cause.size_se) / speed,
                "unit": "microns on the pumped floor",
                "evidence": floor_rows_for(causes.fleet.rows, cause)[-MOST_EVIDENCE:],
                "entangled_with": tied.get(cause.level_id, []),
            }
        )
    return candidate_frame(rows)


def _until(days: list[float], as_of: date) -> list[float]:
    return [d for d in days if d <= day_number(as_of)]


def hoses_restricted(levels: list[AssetLevel], attribution: Attribution, settings: Settings) -> pl.DataFrame:
    """Candidates ``hose_restricted``: deep-vacuum conductance lastingly below a share of its like.

    Parameters
    ----------
    levels : list of AssetLevel
        Of hoses, ``speed_deep``, in terms of their conductance.
    attribution, settings
    """
    return losing_candidates(
        levels,
        attribution,
        "hose_restricted",
        "hose",
        settings.fleet.restricted_conductance_ratio,
        "share of the conductance of its bore and length",
    )
