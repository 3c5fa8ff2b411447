"""Days as numbers, and the work that ends an asset's spell."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import polars as pl

__all__ = ["RENEWING", "day_number", "episode_of", "renewal_days", "to_date"]

RENEWING = {
    "pump": ("overhaul", "repair", "replacement"),
    "hose": ("repair", "replacement", "overhaul"),
    "gauge": ("calibration", "repair", "replacement"),
    "technician": (),
}
"""Work that may change an asset's level, and ends an episode."""


def day_number(day: date) -> float:
    """Days since 1970."""
    return float((day - date(1970, 1, 1)).days)


def to_date(day: float) -> date:
    """Date of a day number."""
    return date(1970, 1, 1) + timedelta(days=int(np.floor(day)))


def renewal_days(services: pl.DataFrame, factor: str, as_of: date) -> dict[str, list[float]]:
    """Days of renewing work per asset, known on ``as_of``."""
    if services.is_empty():
        return {}
    mine = services.filter(
        (pl.col("asset") == factor) & pl.col("action").is_in(list(RENEWING[factor])) & (pl.col("serviced_on") <= as_of)
    ).sort("asset_id", "serviced_on")
    out: dict[str, list[float]] = {}
    for asset, day in mine.select("asset_id", "serviced_on").iter_rows():
        out.setdefault(asset, []).append(day_number(day))
    return out


def episode_of(renewals: Sequence[float], since: float) -> str:
    """Name of a spell: the day of the last relevant work before it began."""
    before = [d for d in renewals if d <= since]
    return to_date(before[-1]).isoformat() if before else "first"
