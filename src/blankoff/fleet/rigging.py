"""Technicians whose pulls are slow in deep vacuum with whatever pump and hoses: rigging to look at together."""

from __future__ import annotations

import polars as pl

from blankoff.fleet.attribution import Attribution
from blankoff.fleet.wear import AssetLevel, losing_candidates
from blankoff.settings import Settings

__all__ = ["SLOW_RIGGING_RATIO", "slow_rigging"]

SLOW_RIGGING_RATIO = 0.78
"""Share of the usual deep speed below which rigging is worth a talk: an hour becomes a quarter longer (judgement)."""


def slow_rigging(levels: list[AssetLevel], attribution: Attribution, settings: Settings) -> pl.DataFrame:
    """Candidates ``slow_rigging``.

    Parameters
    ----------
    levels : list of AssetLevel
        Of technicians, ``speed_deep``.
    attribution : Attribution
    settings : Settings
        ``fleet.finding_probability``: as sure as any other finding about people.

    Returns
    -------
    DataFrame
        `findings.CANDIDATE_SCHEMA`; ``effect`` is the share of the usual deep-vacuum speed.
    """
    return losing_candidates(
        levels,
        attribution,
        "slow_rigging",
        "technician",
        SLOW_RIGGING_RATIO,
        "share of the usual deep speed",
        settings.fleet.finding_probability,
    )
