"""Rolling-origin back-test of the oil forecast: what would have been said each month, against what then came."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from blankoff.fleet.oil import outlooks_to
from blankoff.fleet.oil_changes import settled_rows
from blankoff.fleet.oil_model import FleetOil, fit_fleet, predicted_blankoff_at
from blankoff.fleet.pump_side import pump_side_floors
from blankoff.fleet.pump_side_causes import FloorCauses
from blankoff.settings import Settings

__all__ = ["BACKTEST_SCHEMA", "backtest_oil", "backtest_summary"]

BACKTEST_SCHEMA = {
    "origin": pl.Date,
    "pump_id": pl.String,
    "limit_micron": pl.Float64,
    "due_on": pl.Date,
    "due_lower": pl.Date,
    "due_upper": pl.Date,
    "came_on": pl.Date,
    "changed_on": pl.Date,
    "days_ahead": pl.Int64,
    "error_days": pl.Int64,
    "covered": pl.Boolean,
}
"""Columns of `backtest_oil`."""

LIMIT_SHARES = (0.5, 0.75, 1.0)
"""Limits tested, as shares of the fleet's own: oil is mostly changed before the last, and the same model passes all."""
FIRST_AFTER_DAYS = 120
FARTHEST_DAYS = 365
MOST_ORIGINS = 4


def _origins(first: date, as_of: date) -> list[date]:
    """Month ends from four months after the first evacuation to a month before ``as_of``; the newest at most `MOST_ORIGINS`."""
    out: list[date] = []
    day = as_of.replace(day=1) - timedelta(days=1)
    while day >= first + timedelta(days=FIRST_AFTER_DAYS) and len(out) < MOST_ORIGINS:
        out.append(day)
        day = day.replace(day=1) - timedelta(days=1)
    return out[::-1]


def backtest_oil(
    work: pl.DataFrame,
    services: pl.DataFrame,
    settings: Settings,
    as_of: date,
    causes: FloorCauses | None = None,
) -> pl.DataFrame:
    """Forecast from every past month's end with what was then known, and compare with what came.

    What came is the day on which the blank-off, as all data up to ``as_of`` show it, passed the limit on the same
    filling.  A filling that was changed before is left open: its day is not known, only that it was later.

    Parameters
    ----------
    work, services, settings
        As for `assets.assess_assets`.
    as_of : date
    causes : FloorCauses, optional
        Line leaks and gauge errors found for ``as_of``; they are taken off the floors at every origin, which is the one
        thing an origin knows of its future.

    Returns
    -------
    DataFrame
        `BACKTEST_SCHEMA`, one row per origin, pump and limit with a forecast within a year, sorted.
        ``covered`` is null where the bounds are neither hit nor missed (oil changed inside or before them).
    """
    known = work.filter(pl.col("started_on") <= as_of)
    if known.is_empty():
        return pl.DataFrame(schema=BACKTEST_SCHEMA)
    floors = _less_causes(pump_side_floors(known), causes)
    final = causes.fleet if causes is not None else fit_fleet(settled_rows(known, services, floors, as_of))
    limits = [s * settings.maintenance.blankoff_limit_micron for s in LIMIT_SHARES]
    crossed = _crossings(final, limits)
    tail = (1.0 - settings.fleet.oil_bounds_level) / 2.0
    rows: list[dict[str, object]] = []
    for origin in _origins(known["started_on"].min(), as_of):  # type: ignore[arg-type]
        then = known.filter(pl.col("started_on") <= origin)
        done = services.filter(pl.col("serviced_on") <= origin)
        fleet = fit_fleet(
            settled_rows(then, done, floors.filter(pl.col("started_on") <= origin), origin, turns=1), rounds=3
        )
        for limit, looks in zip(limits, outlooks_to(fleet, settings, origin, limits), strict=True):
            for look in looks:
                if look.rows.y.size == 0 or float(np.median(look.blankoff)) > limit:
                    continue
                oil = look.rows.oil
                fill = oil.fillings - 1
                low, due, high = (
                    _day(float(np.quantile(look.due_day, q, method="nearest"))) for q in (tail, 0.5, 1.0 - tail)
                )
                if due is None or (due - origin).days > FARTHEST_DAYS:
                    continue
                came, changed = crossed.get((oil.pump_id, fill, limit), (None, None))
                if came is not None and came <= origin:
                    continue
                rows.append(_row(origin, oil.pump_id, limit, low, due, high, came, changed))
    frame = pl.DataFrame(rows, schema=BACKTEST_SCHEMA)
    return frame.sort("origin", "pump_id", "limit_micron")


def _row(
    origin: date,
    pump: str,
    limit: float,
    low: date | None,
    due: date,
    high: date | None,
    came: date | None,
    changed: date | None,
) -> dict[str, object]:
    if came is not None:
        covered: bool | None = (low is not None and low <= came) and (high is None or came <= high)
    else:
        # Not yet due when it was changed: a miss only if the bounds had ended before.
        covered = False if changed is not None and high is not None and high < changed else None
    return {
        "origin": origin,
        "pump_id": pump,
        "limit_micron": limit,
        "due_on": due,
        "due_lower": low,
        "due_upper": high,
        "came_on": came,
        "changed_on": changed,
        "days_ahead": (due - origin).days,
        "error_days": None if came is None else (due - came).days,
        "covered": covered,
    }


def _day(day: float) -> date | None:
    return date(1970, 1, 1) + timedelta(days=int(np.floor(day))) if np.isfinite(day) else None


def _less_causes(floors: pl.DataFrame, causes: FloorCauses | None) -> pl.DataFrame:
    """Floors without what leaking lines add and off gauges misread."""
    if causes is None:
        return floors
    parts = [
        pl.DataFrame({"evacuation_id": r.evacuation_id, "leak": f.leak_micron, "tilt": np.exp(f.gauge_ln)})
        for r, f in zip(causes.fleet.rows, causes.fleet.fits, strict=True)
    ]
    laid = pl.concat(parts)
    return (
        floors.join(laid, on="evacuation_id", how="left")
        .with_columns(pl.col("leak").fill_null(0.0), pl.col("tilt").fill_null(1.0))
        .with_columns(
            (pl.col("floor_micron") / pl.col("tilt") - pl.col("leak")).clip(2.0, None).alias("floor_micron"),
            (pl.col("load_micron") / pl.col("tilt")).alias("load_micron"),
        )
        .drop("leak", "tilt")
    )


def _crossings(fleet: FleetOil, limits: list[float]) -> dict[tuple[str, int, float], tuple[date | None, date | None]]:
    """Per pump, filling and limit: the day the blank-off passed it, and the day the filling was changed."""
    out: dict[tuple[str, int, float], tuple[date | None, date | None]] = {}
    for rows, fit in zip(fleet.rows, fleet.fits, strict=True):
        oil = rows.oil
        micron = predicted_blankoff_at(fit.theta, oil.fill, oil.hours, oil.water_g)
        for fill in range(oil.fillings):
            mine = oil.fill == fill
            changed = _day(float(oil.changes[fill])) if fill < oil.changes.size else None
            for limit in limits:
                over = mine & (micron > limit)
                out[oil.pump_id, fill, limit] = (_day(float(oil.day[over][0])) if over.any() else None, changed)
    return out


def backtest_summary(backtest: pl.DataFrame) -> pl.DataFrame:
    """Sum up a back-test by how far ahead the forecast looked.

    Returns
    -------
    DataFrame
        ``days_ahead`` (span), ``forecasts``, ``came``, ``median_error_days`` (of size), ``median_bias_days``,
        ``covered_share`` (of those whose bounds were hit or missed), ``changed_before`` (share left open).
    """
    spans: Any = pl.when(pl.col("days_ahead") <= 30).then(pl.lit("up to 30"))
    for low, high in ((30, 90), (90, 180), (180, 365)):
        spans = spans.when(pl.col("days_ahead") <= high).then(pl.lit(f"{low} to {high}"))
    return (
        backtest.with_columns(spans.otherwise(pl.lit("over 365")).alias("span"))
        .group_by("span")
        .agg(
            pl.col("days_ahead").median().alias("_order"),
            pl.len().cast(pl.Int64).alias("forecasts"),
            pl.col("came_on").count().cast(pl.Int64).alias("came"),
            pl.col("error_days").abs().median().alias("median_error_days"),
            pl.col("error_days").median().alias("median_bias_days"),
            pl.col("covered").mean().alias("covered_share"),
            (pl.col("came_on").is_null() & pl.col("changed_on").is_not_null()).mean().alias("changed_before"),
        )
        .sort("_order")
        .drop("_order")
        .rename({"span": "days_ahead"})
    )
