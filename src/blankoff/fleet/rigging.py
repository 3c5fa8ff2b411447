"""Technicians whose pulls are slow in deep vacuum with whatever pump and hoses: rigging to look at together."""

from __future__ import annotations

import numpy as np
import polars as pl

from blankoff.fleet.attribution import Attribution
from blankoff.fleet.wear import (
    LEAST_PROBABILITY,
    AssetLevel,
    asset_candidate,
    candidate_frame,
    lasting_loss,
    since_bounds,
    ties,
)

__all__ = ["SLOW_RIGGING_RATIO", "slow_rigging"]

SLOW_RIGGING_RATIO = 0.75
"""Share of the usual deep speed below which rigging is worth a talk: an hour becomes one and a third (judgement)."""


def slow_rigging(levels: list[AssetLevel], attribution: Attribution) -> pl.DataFrame:
    """Candidates ``slow_rigging``.

    Parameters
    ----------
    levels : list of AssetLevel
        Of technicians, ``speed_deep``.
    attribution : Attribution

    Returns
    -------
    DataFrame
        `findings.CANDIDATE_SCHEMA`; ``effect`` is the share of the usual deep-vacuum speed.
    """
    limit = float(np.log(SLOW_RIGGING_RATIO))
    tied = ties(attribution, "technician", "speed_deep")
    rows = []
    for level in levels:
        probability, found = lasting_loss(level.paths.now, limit)
        probability *= level.blame
        if not found or probability < LEAST_PROBABILITY:
            continue
        since, low, _ = since_bounds(level.paths.crossing_days(level.paths.draws < 0.5 * limit), level.paths.days[-1])
        rows.append(
            asset_candidate(
                "slow_rigging", level, level.paths.now, probability, since, "share of the usual deep speed", tied, low
            )
        )
    return candidate_frame(rows)
