"""Each pump's oil: hours run and water swallowed by every filling, use by use, from the work and the services."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.oil_water import swallowed_water_g

__all__ = ["PumpOil", "oil_histories", "reordered"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FRESH_OIL_ACTIONS = ("oil_change", "overhaul", "replacement")
"""Services that leave fresh oil in a pump."""
WARM_UP_HOURS = 0.1
"""Running around a pull that no log shows (judgement)."""
MOST_MINUTES, MOST_WATER_G = 3000.0, 2000.0
"""One job's pumping and water beyond which a number is not believed (judgement)."""


@dataclass(frozen=True)
class PumpOil:
    """Oil of one pump, use by use, in order of time.

    Attributes
    ----------
    pump_id : str
    evacuation_id : list of str
    day : float64 (n,)
        Start of each use, days since 1970.
    date : float64 (n,)
        The same by the fleet's calendar, whole days since 1970.
    fill : int64 (n,)
        Which filling it ran on: 0 the first on record.
    hours, water_g : float64 (n,)
        On that filling when the use ended.
    job_hours, job_water_g : float64 (n,)
        The use's own.
    changes : float64 (m,)
        Days on which fresh oil went in; filling k begins at ``changes[k - 1]``.
    """

    pump_id: str
    evacuation_id: list[str]
    day: Floats
    date: Floats
    fill: Ints
    hours: Floats
    water_g: Floats
    job_hours: Floats
    job_water_g: Floats
    changes: Floats

    @property
    def fillings(self) -> int:
        """Number of fillings, the present one included."""
        return len(self.changes) + 1

    def now(self) -> tuple[int, float, float]:
        """Present filling, hours and grams on it."""
        current = self.fillings - 1
        if self.fill.size and self.fill[-1] == current:
            return current, float(self.hours[-1]), float(self.water_g[-1])
        return current, 0.0, 0.0


def _filled(values: Floats, most: float, codes: Ints) -> Floats:
    """Clip; a use that left no number counts as its pump's usual."""
    known = np.isfinite(values)
    clipped = np.clip(np.where(known, values, 0.0), 0.0, most)
    overall = float(np.median(clipped[known])) if known.any() else 0.0
    out = clipped.copy()
    for code in np.unique(codes[~known]):
        mine = codes == code
        out[mine & ~known] = np.median(clipped[mine & known]) if (mine & known).sum() >= 3 else overall
    return out


def oil_histories(
    work: pl.DataFrame,
    services: pl.DataFrame,
    as_of: date,
    ran_before: Mapping[tuple[str, float], int] | None = None,
) -> list[PumpOil]:
    """Follow every pump's oil.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame; uses after ``as_of`` are left out.  A use without a log ran as the pump usually does.
    services : DataFrame
        Register ``services``.
    as_of : date
    ran_before : mapping of (pump_id, day of a change) to int, optional
        How many of that day's uses still ran on the old oil; a register of dates does not say, none if not given.

    Returns
    -------
    list of PumpOil
        Sorted by pump id.
    """
    copied = pl.col("reason").eq_missing("recycled_log") if "reason" in work.columns else pl.lit(False)
    rows = work.filter((pl.col("started_on") <= as_of) & pl.col("pump_id").is_not_null() & ~copied).sort(
        "pump_id", "started_at", "evacuation_id"
    )
    if rows.is_empty():
        return []
    codes = rows["pump_id"].rle_id().to_numpy().astype(np.int64)

    def column(name: str) -> Floats:
        if name not in rows.columns:
            return np.full(rows.height, np.nan)
        return np.asarray(rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy(), dtype=np.float64)

    minutes = _filled(column("pumped_minutes"), MOST_MINUTES, codes)
    water = np.clip(swallowed_water_g(rows), 0.0, MOST_WATER_G)
    hours = minutes / 60.0 + WARM_UP_HOURS
    days = rows["started_at"].dt.epoch("us").cast(pl.Float64).to_numpy() / 86_400e6
    # Services are dated by the fleet's calendar, so uses are compared with them by theirs.
    dates = rows["started_on"].cast(pl.Int32).cast(pl.Float64).to_numpy()
    fresh: dict[str, list[float]] = {}
    if services.height:
        done = services.filter(
            (pl.col("asset") == "pump")
            & pl.col("action").is_in(list(FRESH_OIL_ACTIONS))
            & (pl.col("serviced_on") <= as_of)
        ).sort("asset_id", "serviced_on")
        for pump, day in done.select("asset_id", "serviced_on").unique(maintain_order=True).iter_rows():
            fresh.setdefault(pump, []).append(float((day - date(1970, 1, 1)).days))
    names, ids = rows["pump_id"].to_list(), rows["evacuation_id"].to_list()
    starts = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]])
    out = []
    for a, b in zip(starts, np.append(starts[1:], codes.size), strict=True):
        changes = np.array(fresh.get(names[a], []))
        uses = (names[a], ids[a:b], days[a:b], dates[a:b])
        out.append(_followed(*uses, hours[a:b], water[a:b], changes, ran_before or {}))
    return out


def reordered(oil: PumpOil, ran_before: Mapping[tuple[str, float], int]) -> PumpOil:
    """The same uses and changes of oil, with other uses of a change's day on the old oil; see `oil_histories`."""
    uses = (oil.pump_id, oil.evacuation_id, oil.day, oil.date)
    return _followed(*uses, oil.job_hours, oil.job_water_g, oil.changes, ran_before)


def _followed(
    pump_id: str,
    evacuation_id: list[str],
    day: Floats,
    dates: Floats,
    hours: Floats,
    water: Floats,
    changes: Floats,
    ran_before: Mapping[tuple[str, float], int],
) -> PumpOil:
    fill = np.searchsorted(changes, dates, side="right").astype(np.int64)
    for change in changes:
        late = ran_before.get((pump_id, float(change)), 0)
        if late:
            fill[np.flatnonzero(dates == change)[:late]] -= 1
    total_h, total_w = np.cumsum(hours), np.cumsum(water)
    begins = np.searchsorted(fill, fill, side="left")
    base_h = np.where(begins > 0, total_h[begins - 1], 0.0)
    base_w = np.where(begins > 0, total_w[begins - 1], 0.0)
    return PumpOil(pump_id, evacuation_id, day, dates, fill, total_h - base_h, total_w - base_w, hours, water, changes)
