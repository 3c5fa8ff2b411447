"""What the pump's side alone reaches: the pumped floor less the circuit's own load over the effective speed.

While pumping, floor = blank-off + (circuit's load + line's leak) / speed.  After isolation the circuit's load alone is
left and shows as the rate at which pressure begins to rise: load = volume times rate.  Volume cancels, for speed over
volume is what the pull-down measures.  So a load that vanishes at isolation sat in the hose or the pump.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.physics.conductance import knudsen_tube_l_s

__all__ = ["FLOOR_SCHEMA", "pump_side_floors"]

Floats = NDArray[np.float64]

FLOOR_SCHEMA = {
    "evacuation_id": pl.String,
    "started_on": pl.Date,
    "day": pl.Float64,
    "pump_id": pl.String,
    "hose_id": pl.String,
    "gauge_id": pl.String,
    "technician_id": pl.String,
    "floor_micron": pl.Float64,
    "floor_se_ln": pl.Float64,
    "load_micron": pl.Float64,
    "load_se_ln": pl.Float64,
    "speed_l_s": pl.Float64,
    "pump_side_micron": pl.Float64,
    "pump_side_se_micron": pl.Float64,
    "rated_blankoff_micron": pl.Float64,
}
"""Columns of `pump_side_floors`."""

TYPICAL_RATED_L_S, TYPICAL_BORE_MM, TYPICAL_LENGTH_M, TYPICAL_VOLUME_L = 2.5, 9.0, 1.4, 5.0
"""Where the registers are silent for the whole fleet: the middle of the field (common practice, no source)."""
DEEP_BAND_MICRON = 800.0
"""Mean pressure in the line while the deep speed is measured (judgement)."""
LOAD_SE_LN = 0.85
"""How well an initial slope gives the load while pumping: other time constants, temperature, desorption (found on
simulated logs of one set of parameters, checked on others: 0.87 to 1.08)."""
LEAST_LOAD_MICRON = 0.3
"""No circuit is so tight and dry that it adds less (judgement)."""
LEAST_LOAD_SPREAD = 0.5
"""Loads of circuits of one volume differ at least so much, ln (judgement)."""
FEWEST_LOADS, TYPICAL_LOAD_MICRON = 20, 15.0
"""Loads from which a fleet's own are asked; without them, a dry circuit's on a sound rig (judgement)."""
LOAD_SHARE = 0.75
"""What the initial slope of a fitted rise overstates the load by: the fastest part of outgassing is over while pumping
(found on simulated logs of one set of parameters, checked on others)."""
LEAK_MATTERS_MICRON = 10.0
"""A line's leak that adds so much to the floor spoils what deep speeds and rises say of anything else (judgement)."""
GUESSED_LOAD_SE_LN = 1.0
"""The same where no hold stood and the load is that of like circuits."""


def column_of(work: pl.DataFrame, name: str) -> Floats:
    if name not in work.columns:
        return np.full(work.height, np.nan)
    return np.asarray(work[name].cast(pl.Float64).fill_null(np.nan).to_numpy(), dtype=np.float64).copy()


def known_or(values: Floats, default: float) -> Floats:
    """Unknown values become the median of the known ones, or a default."""
    known = np.isfinite(values) & (values > 0)
    return np.where(known, values, np.median(values[known]) if known.any() else default)


def usual_volumes(work: pl.DataFrame) -> Floats:
    """Stated volumes; the middle of the kind, or of the fleet, where none is stated."""
    if "volume_l" not in work.columns:
        return np.full(work.height, TYPICAL_VOLUME_L)
    own = pl.col("volume_l").cast(pl.Float64)
    of_kind = own.median().over("kind") if "kind" in work.columns else own.median()
    return np.asarray(
        work.select(pl.coalesce(own, of_kind, own.median(), pl.lit(TYPICAL_VOLUME_L)).alias("v"))["v"].to_numpy(),
        dtype=np.float64,
    )


def initial_rise_micron_per_s(
    leak_micron_per_min: Floats, moisture_rise_micron: Floats, time_constant_min: Floats, required_minutes: Floats
) -> Floats:
    """Rate at which pressure begins to rise after isolation.

    The saturating part adds ``A (1 - exp(-T / tau))`` in the required ``T``, so begins at ``A / tau``; without a time
    constant its rise is taken as straight.

    Parameters
    ----------
    leak_micron_per_min, moisture_rise_micron, time_constant_min, required_minutes : float64 (n,)
    """
    minutes = np.where(np.isfinite(required_minutes) & (required_minutes > 0), required_minutes, 10.0)
    tau = np.where(np.isfinite(time_constant_min) & (time_constant_min > 0), time_constant_min, 1e6)
    slope = moisture_rise_micron / (tau * -np.expm1(-minutes / tau))
    return np.asarray((leak_micron_per_min + slope) / 60.0)


def rig_speed_l_s(work: pl.DataFrame, pressure_micron: Floats) -> Floats:
    """Effective speed that the registers' pump and hose give in series, l/s, at a mean pressure in the line."""
    rated = known_or(column_of(work, "rated_l_per_s"), TYPICAL_RATED_L_S)
    bore = known_or(column_of(work, "bore_mm"), TYPICAL_BORE_MM)
    length = known_or(column_of(work, "length_m"), TYPICAL_LENGTH_M)
    line = np.asarray(knudsen_tube_l_s(bore / 1000.0, length, pressure_micron), dtype=np.float64)
    return np.asarray(1.0 / (1.0 / (0.9 * rated) + 1.0 / line))


def leak_speed_l_s(work: pl.DataFrame, pressure_micron: Floats) -> Floats:
    """Speed that draws on a leak somewhere along the line, l/s: the pump's behind half of the line."""
    rated = known_or(column_of(work, "rated_l_per_s"), TYPICAL_RATED_L_S)
    bore = known_or(column_of(work, "bore_mm"), TYPICAL_BORE_MM)
    length = known_or(column_of(work, "length_m"), TYPICAL_LENGTH_M)
    line = np.asarray(knudsen_tube_l_s(bore / 1000.0, 0.5 * length, pressure_micron), dtype=np.float64)
    return np.asarray(1.0 / (1.0 / (0.9 * rated) + 1.0 / line))


def likely_load(measured: Floats, volume_l: Floats) -> tuple[Floats, Floats]:
    """What the circuit's load adds to the floor, microns, and the s.e. of its logarithm; each (n,).

    A measured load is drawn towards what circuits of its volume have, as far as loads differ less than measurements
    would have it; a load that no hold showed is what circuits of its volume have.

    Parameters
    ----------
    measured : float64 (n,)
        Microns, nan where no hold stood.
    volume_l : float64 (n,)
    """
    known = np.isfinite(measured)
    if known.sum() < FEWEST_LOADS:
        load = np.where(known, np.maximum(np.nan_to_num(measured), LEAST_LOAD_MICRON), TYPICAL_LOAD_MICRON)
        return load, np.where(known, LOAD_SE_LN, GUESSED_LOAD_SE_LN)
    ln = np.log(np.maximum(np.where(known, measured, 1.0), LEAST_LOAD_MICRON))
    x = np.column_stack([np.ones(measured.size), np.log(np.maximum(volume_l, 0.1))])
    weight = known.astype(float)
    ridge = np.diag([0.0, 1.0])
    line, spread = np.zeros(2), 1.0
    for _ in range(10):
        line = np.linalg.solve(x.T @ (weight[:, None] * x) + ridge, x.T @ (weight * ln))
        residual = ln - x @ line
        spread = 1.4826 * float(np.median(np.abs(residual[known])))
        weight = known / (1.0 + (residual / (2.0 * spread)) ** 2)
    own = max(spread**2 - LOAD_SE_LN**2, LEAST_LOAD_SPREAD**2)
    trust = own / (own + LOAD_SE_LN**2)
    usual = x @ line
    load = np.exp(np.where(known, usual + trust * (ln - usual), usual))
    return load, np.where(known, LOAD_SE_LN * np.sqrt(trust), GUESSED_LOAD_SE_LN)


def pump_side_floors(work: pl.DataFrame, gauge_ratio: Mapping[str, float] | None = None) -> pl.DataFrame:
    """Split each evacuation's pumped floor into the circuit's share and the pump side's.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame.
    gauge_ratio : mapping of gauge_id to float, optional
        Reading over true pressure, where known; floors are divided by it.

    Returns
    -------
    DataFrame
        `FLOOR_SCHEMA`, a row per evacuation with a floor and a pump, sorted by day and id. ``load_micron`` is what the
        circuit's own load adds to the floor, with the standard error of its logarithm; ``pump_side_micron`` =
        floor − load, with its standard error; ``speed_l_s`` the speed that draws on a leak of the line;
        ``rated_blankoff_micron`` of the pump's plate, nan where the register is silent.

    Notes
    -----
    s.e. of the pump side = root of (floor · s.e. of ln floor)² + (load · s.e. of ln load)².
    """
    if work.is_empty() or "floor_micron" not in work.columns:
        return pl.DataFrame(schema=FLOOR_SCHEMA)
    copied = pl.col("reason").eq_missing("recycled_log") if "reason" in work.columns else pl.lit(False)
    rows = work.filter(
        pl.col("floor_micron").is_not_null() & (pl.col("floor_micron") > 0) & pl.col("pump_id").is_not_null() & ~copied
    ).sort("started_at", "evacuation_id")
    if rows.is_empty():
        return pl.DataFrame(schema=FLOOR_SCHEMA)
    floor = column_of(rows, "floor_micron")
    at_floor = rig_speed_l_s(rows, np.clip(floor, 10.0, 3000.0))
    in_band = rig_speed_l_s(rows, np.full(rows.height, DEEP_BAND_MICRON))
    volume, rate = column_of(rows, "volume_l"), column_of(rows, "deep_rate_per_s")
    measured = np.isfinite(rate) & (rate > 0)
    both = measured & np.isfinite(volume) & (volume > 0)
    scale = float(np.median(rate[both] * volume[both] / in_band[both])) if both.sum() >= 10 else 0.7
    by_rig = scale * at_floor / np.where(volume > 0, volume, np.nan)
    turnover = np.where(measured, rate * at_floor / in_band, by_rig)
    # A rate far below what the rig can do is a load's doing, not the rig's; the rig's own is then nearer the truth.
    turnover = np.where(np.isfinite(by_rig), np.clip(turnover, 0.4 * by_rig, 2.5 * by_rig), turnover)
    rise = initial_rise_micron_per_s(
        np.maximum(column_of(rows, "leak_micron_per_min"), 0.0),
        np.maximum(column_of(rows, "moisture_rise_micron"), 0.0),
        column_of(rows, "rise_time_constant_min"),
        column_of(rows, "required_hold_minutes"),
    )
    load = LOAD_SHARE * rise / turnover
    load, load_se = likely_load(load, usual_volumes(rows))
    se = column_of(rows, "floor_se_micron") / floor
    se = np.clip(np.where(np.isfinite(se), se, 0.1), 0.005, 1.0)
    if gauge_ratio and "gauge_id" in rows.columns:
        reads = np.array([gauge_ratio.get(g, 1.0) if g is not None else 1.0 for g in rows["gauge_id"]])
        floor, load = floor / reads, load / reads

    def text(name: str) -> pl.Series:
        return rows[name].cast(pl.String) if name in rows.columns else pl.Series([None] * rows.height, dtype=pl.String)

    return pl.DataFrame(
        {
            "evacuation_id": rows["evacuation_id"],
            "started_on": rows["started_on"],
            "day": rows["started_at"].dt.epoch("us").cast(pl.Float64) / 86_400e6,
            **{name: text(name) for name in ("pump_id", "hose_id", "gauge_id", "technician_id")},
            "floor_micron": floor,
            "floor_se_ln": se,
            "load_micron": load,
            "load_se_ln": load_se,
            "speed_l_s": leak_speed_l_s(rows, np.clip(floor, 10.0, 3000.0)),
            "pump_side_micron": floor - load,
            "pump_side_se_micron": np.hypot(floor * se, np.minimum(load * load_se, floor)),
            "rated_blankoff_micron": column_of(rows, "rated_blankoff_micron"),
        },
        schema=FLOOR_SCHEMA,
    )
