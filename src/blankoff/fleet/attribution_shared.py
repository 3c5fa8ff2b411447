"""What all measures of an attribution share: one work frame's columns, made alike, and the shape of rows to solve.

Registers give where pumps and lines start (rating, bore and length); what makes work alike is centred and scaled; oil's
hours and water are counted since each change.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.attribution_model import Linearise
from blankoff.fleet.attribution_states import FactorStates
from blankoff.physics.conductance import knudsen_tube_l_s

__all__ = ["Rows", "Shared", "column", "fresh_oil", "median", "of_level", "positive", "shared"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BAND_MICRON = {"speed_viscous": 6000.0, "speed_deep": 500.0}
"""Mean pressure in the line while the port is in the contract's bands at 8 000 and 1 000 microns: in the deep band the
pump's end is close to nothing, in the viscous one it is about half the port's (calculated for middling rigs)."""

TYPICAL_RATED_L_S = 2.5
TYPICAL_BORE_MM, TYPICAL_LENGTH_M = 8.0, 1.5
"""Where a register is silent for the whole fleet: the middle of what is met in the field (common practice)."""

UNKNOWN_VOLUME_SD = 0.7
"""Spread of ln volume within a kind, at least, when a volume is missing (judgement)."""


@dataclass(frozen=True)
class Shared:
    """What all measures use of the work frame, nulls as nan, all arrays (n,)."""

    frame: pl.DataFrame
    volume_l: Floats
    volume_spread: Floats
    """Added s.d. of ln volume: 0 where stated."""
    ln_volume: Floats
    like_work: Floats
    """Fixed-effect columns that make work alike, each centred and scaled, shape (n, k)."""
    system: Ints
    rated_ln: Floats
    hose_ln: dict[str, Floats]
    rated_known: NDArray[np.bool_]
    hose_known: NDArray[np.bool_]
    oil: Floats
    """Hours run and water swallowed since the oil was changed, scaled, shape (n, 2)."""
    oil_now: Floats
    """The same per pump (levels, 2), after its newest evacuation."""


@dataclass(frozen=True)
class Rows:
    """Usable rows of one solve, before linearising; both speeds of a job are two rows of one solve.

    Attributes
    ----------
    index : int64 (r,), row of the work frame;  band : int64 (r,), 0 viscous, 1 deep (0 for the floor)
    noise_class : int64 (r,), band and class of stated precision together
    y, own_variance : (r,);  x : (r, p);  x_sd : (p,);  state_of_row : int64 (r, factors)
    level_x : per measure, per asset kind (levels, p): what the fixed effects say of a level itself
    linearise : see `attribution_model.Linearise`
    base : per measure, per asset kind (levels,): ln of pump speed or line conductance from which effects count
    """

    index: Ints
    band: Ints
    noise_class: Ints
    y: Floats
    own_variance: Floats
    x: Floats
    x_sd: Floats
    state_of_row: Ints
    level_x: dict[str, list[Floats]]
    linearise: Linearise | None
    base: dict[str, list[Floats]]


def column(frame: pl.DataFrame, name: str) -> Floats:
    """Return a numeric column as floats with nan for null; all nan when the frame has none."""
    if name not in frame.columns:
        return np.full(frame.height, np.nan)
    return frame[name].cast(pl.Float64).to_numpy().copy()


def positive(values: Floats, low: float, high: float) -> Floats:
    """Values between two bounds; nan where they are not."""
    return np.where((values >= low) & (values <= high), values, np.nan)


def median(values: Floats, default: float) -> float:
    """Middle of the known values, or a default where none is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else default


def _scaled(values: Floats) -> list[Floats]:
    """Centre and scale a column; unknown values lie in the middle and are marked when there are many."""
    missing = ~np.isfinite(values)
    middle = median(values, 0.0)
    spread = float(np.nanstd(values)) if (~missing).any() else 0.0
    if spread < 1e-9:
        return []
    columns = [np.clip(np.where(missing, 0.0, (values - middle) / spread), -4.0, 4.0)]
    if 0.02 < missing.mean() < 0.98:
        columns.append(missing - missing.mean())
    return columns


def _oil(frame: pl.DataFrame, pump: Ints, levels: int, days: Floats, changes: pl.DataFrame) -> tuple[Floats, Floats]:
    """Hours and water on each row's oil before it (n, 2), and on each pump's oil now (levels, 2), scaled.

    Both grow without end where no change was ever noted, so they are taken as square roots and capped.
    """
    minutes = np.nan_to_num(np.clip(column(frame, "pumped_minutes"), 0.0, 3000.0), nan=30.0)
    water = np.nan_to_num(np.clip(column(frame, "water_g"), 0.0, 2000.0))
    per_row, now = np.zeros((len(pump), 2)), np.zeros((levels, 2))
    order = np.lexsort((days, pump))
    order = order[pump[order] >= 0]
    span = 1e7
    key = pump[order] * span + days[order]
    change_key = (
        np.sort(changes["level"].to_numpy() * span + changes["day"].to_numpy()) if changes.height else np.empty(0)
    )
    # A new oil filling starts at a pump's first row and at each change.
    filling = np.searchsorted(change_key, key, side="right") + pump[order] * (len(change_key) + 1)
    begins = np.flatnonzero(np.r_[True, filling[1:] != filling[:-1]]) if len(order) else np.empty(0, dtype=np.int64)
    for column_number, amount in enumerate((minutes / 60.0, water / 50.0)):
        total = np.cumsum(amount[order])
        before = np.concatenate([[0.0], total])[:-1] if len(order) else total
        base = np.repeat(before[begins], np.diff(np.append(begins, len(order))))
        per_row[order, column_number] = before - base
        last = np.searchsorted(pump[order], np.arange(levels), side="right") - 1
        now[:, column_number] = (total - base)[last] if len(order) else 0.0
    newest_day = np.full(levels, -np.inf)
    np.maximum.at(newest_day, pump[order], days[order])
    for level, day in changes.select("level", "day").iter_rows():
        if day > newest_day[level]:
            now[level] = 0.0
    return np.sqrt(np.minimum(per_row / 10.0, 9.0)), np.sqrt(np.minimum(now / 10.0, 9.0))


def shared(frame: pl.DataFrame, days: Floats, pump: FactorStates, oil_changes: pl.DataFrame) -> Shared:
    """Gather the columns that every measure uses.

    Parameters
    ----------
    frame : DataFrame
        The work frame, already cut to what was known.
    days : ndarray
        Start of each evacuation in days since 1970.
    pump : FactorStates
    oil_changes : DataFrame
        ``asset_id, day`` of every service that leaves fresh oil in a pump.
    """
    n = frame.height
    volume = positive(column(frame, "volume_l"), 0.02, 5000.0)
    kind = (frame["kind"] if "kind" in frame.columns else pl.Series("kind", [None] * n, dtype=pl.String)).fill_null("")
    kinds, kind_code = np.unique(kind.to_numpy().astype(str), return_inverse=True)
    ln_volume = np.log(volume)
    fallback = median(ln_volume, np.log(5.0))
    spread = np.zeros(n)
    for code in range(len(kinds)):
        rows = kind_code == code
        lost = rows & ~np.isfinite(volume)
        if not lost.any():
            continue
        known = ln_volume[rows & np.isfinite(volume)]
        ln_volume[lost] = np.median(known) if len(known) >= 5 else fallback
        spread[lost] = max(UNKNOWN_VOLUME_SD, float(np.std(known)) if len(known) >= 5 else 1.5)
    year = 2 * np.pi * days / 365.2425
    columns: list[Floats] = [*_scaled(ln_volume), *_scaled(np.log1p(np.maximum(column(frame, "water_g"), 0.0)))]
    columns += [*_scaled(column(frame, "ambient_c")), *_scaled(column(frame, "altitude_m"))]
    columns += [*_scaled(np.cos(year)), *_scaled(np.sin(year))]
    for code in range(len(kinds)):
        mine = kind_code == code
        if 0.01 < mine.mean() < 0.99:
            columns.append(mine - mine.mean())
    system_id = frame["system_id"] if "system_id" in frame.columns else pl.Series([None] * n, dtype=pl.String)
    # A row that names no system is a system of its own.
    own = pl.Series([f"\x00{i}" for i in range(n)])
    named = pl.DataFrame({"s": system_id.cast(pl.String), "own": own}).select(pl.coalesce("s", "own"))["s"]
    system = np.unique(named.to_numpy().astype(str), return_inverse=True)[1].astype(np.int64)
    rated = positive(column(frame, "rated_l_per_s"), 0.1, 100.0)
    bore, length = positive(column(frame, "bore_mm"), 2.0, 60.0), positive(column(frame, "length_m"), 0.2, 30.0)
    hose_known = np.isfinite(bore) & np.isfinite(length)
    bore = np.where(np.isfinite(bore), bore, median(bore, TYPICAL_BORE_MM))
    length = np.where(np.isfinite(length), length, median(length, TYPICAL_LENGTH_M))
    shapes, inverse = np.unique(np.column_stack([bore, length]), axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    hose_ln = {
        m: np.log(np.asarray(knudsen_tube_l_s(shapes[:, 0] / 1000.0, shapes[:, 1], p), dtype=np.float64))[inverse]
        for m, p in BAND_MICRON.items()
    }
    number = {v: i for i, v in enumerate(pump.levels)}
    fresh = oil_changes.filter(pl.col("asset_id").is_in(pump.levels)).select(
        pl.col("asset_id").replace_strict(number, default=None, return_dtype=pl.Int64).alias("level"), "day"
    )
    oil, oil_now = _oil(frame, pump.level_of_row, len(pump.levels), days, fresh)
    return Shared(
        frame=frame,
        volume_l=volume,
        volume_spread=spread,
        ln_volume=ln_volume,
        like_work=np.column_stack(columns) if columns else np.zeros((n, 0)),
        system=system,
        rated_ln=np.log(np.where(np.isfinite(rated), rated, median(rated, TYPICAL_RATED_L_S))),
        hose_ln=hose_ln,
        rated_known=np.isfinite(rated),
        hose_known=hose_known,
        oil=oil,
        oil_now=oil_now,
    )


def of_level(states: FactorStates, values: Floats, index: Ints) -> Floats:
    """Value of a row-wise register column per level (rows of a level agree)."""
    out = np.full(len(states.levels), np.median(values) if len(values) else 0.0)
    codes = states.level_of_row[index]
    known = codes >= 0
    out[codes[known]] = values[known]
    return out


def fresh_oil(services: pl.DataFrame, end_day: float) -> pl.DataFrame:
    """Services that leave fresh oil in a pump: ``asset_id, day``."""
    day = pl.col("serviced_on").cast(pl.Date).dt.epoch("d").cast(pl.Float64).alias("day")
    fresh = pl.col("action").is_in(["oil_change", "overhaul", "replacement"])
    return services.filter((pl.col("asset") == "pump") & fresh).select("asset_id", day).filter(pl.col("day") < end_day)
