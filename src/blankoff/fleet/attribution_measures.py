"""The three measures an attribution explains, as rows a solver can take.

Speeds are taken as a pump and a line in series, ``1/S = 1/S_pump + 1/C_line``, on logarithms: a weak pump shows fully
on a wide hose and hardly on a narrow one.  Registers give where each starts (rating, bore and length); two common
factors and the levels' own effects are found.  What a technician leaves in the way (a valve core, a narrow line) is a
further resistance in series, which hurts a good rig most.  The floor is taken as a product of its causes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.attribution_model import FactorPrior, Linearise
from blankoff.fleet.attribution_states import FactorStates
from blankoff.physics.conductance import knudsen_tube_l_s

__all__ = ["FACTORS", "MEASURES", "Rows", "Shared", "floor_rows", "shared", "speed_rows"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FACTORS = ("pump", "hose", "gauge", "technician")
MEASURES = ("speed_viscous", "speed_deep", "floor")

BAND_MICRON = {"speed_viscous": 6000.0, "speed_deep": 500.0}
"""Mean pressure in the line while the port is in the contract's bands at 8 000 and 1 000 microns: in the deep band the
pump's end is close to nothing, in the viscous one it is about half the port's (calculated for middling rigs)."""

TYPICAL_RATED_L_S = 2.5
TYPICAL_BORE_MM, TYPICAL_LENGTH_M = 8.0, 1.5
"""Where a register is silent for the whole fleet: the middle of what is met in the field (common practice)."""

UNKNOWN_RATING_SD, UNKNOWN_HOSE_SD = 0.4, 0.9
"""How far a pump or hose of unknown rating or bore may lie from the fleet's middle, ln units (judgement)."""
UNKNOWN_VOLUME_SD = 0.7
"""Spread of ln volume within a kind, at least, when a volume is missing (judgement)."""
WRONG_VOLUME_SD = 0.15
"""Prior spread of ln(stated volume / true volume); guesses may be 40 % off (common practice)."""

SPEED_FACTORS = (
    "pump",
    "hose",
    "gauge",
    "technician",
    "pump_deep",
    "hose_viscous",
    "gauge_viscous",
    "technician_viscous",
)
"""Factors of both speeds together: a pump's speed and a line's conductance are one thing in both bands, but for a
deviation; a gauge's and a technician's effects are a matter of the deep band, hardly of the viscous one."""
VISCOUS_SHARE, VISCOUS_SHARE_SD = 0.6, 0.3
"""What a resistance in the deep band still is in the viscous one, and how far it may be found from that: a hole passes
some 20 l/s per cm2 in choked flow and 11.6 in molecular flow (handbook values, from memory)."""
PRECISION_STEPS = (0.1, 0.2, 0.3)
"""Stated standard errors of ln speed (or floor) that part classes of rows.  Each class has a noise and a bias of its
own, so that logs with little to go on neither blur nor pull the good ones."""
POOR_PRECISION = 0.1
"""Stated standard error of ln speed from which it is trusted less and less (seen on simulated logs)."""
SPEED_NOISE, FLOOR_NOISE = (0.08, 0.12, 0.3, 0.6), (0.3, 0.3, 0.4, 0.6)
"""Noise from which the search starts, s.d. of ln per class of precision: the good logs lead, the poor ones follow."""
PUMP_DEEP_USES = (8, 24)
DEVIATION_USES = (12, 40)
"""Uses in the newest and longest stretch of a deviation between bands."""
SPEED_ASSETS = (0, 1, 2, 3, 0, 1, 2, 3)

SPEED_PRIORS = (
    FactorPrior(0.12, 0.08, 0.02),
    FactorPrior(0.20, 0.10, 0.02),
    FactorPrior(0.03, 0.02, 0.01, 0.005),
    FactorPrior(0.12, 0.03, 0.10),
    FactorPrior(0.08, 0.12, 0.08),
    FactorPrior(0.06, 0.02, 0.02),
    FactorPrior(0.01, 0.003, 0.003, 0.004),
    FactorPrior(0.02, 0.005, 0.010, 0.005),
)
FLOOR_PRIORS = (
    FactorPrior(0.25, 0.30, 0.30, 0.02),
    FactorPrior(0.20, 0.25, 0.02, 0.02),
    FactorPrior(0.07, 0.06, 0.02),
    FactorPrior(0.12, 0.03, 0.10),
)
"""Prior s.d. of (first level, drift in a year, step at oil change or coaching).

This project's judgement from the field's ranges; each weighs as three observations, so that a fleet's data outvote it.
"""


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


def _positive(values: Floats, low: float, high: float) -> Floats:
    return np.where((values >= low) & (values <= high), values, np.nan)


def _median(values: Floats, default: float) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else default


def _scaled(values: Floats) -> list[Floats]:
    """Centre and scale a column; unknown values lie in the middle and are marked when there are many."""
    missing = ~np.isfinite(values)
    middle = _median(values, 0.0)
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
    volume = _positive(column(frame, "volume_l"), 0.02, 5000.0)
    kind = (frame["kind"] if "kind" in frame.columns else pl.Series("kind", [None] * n, dtype=pl.String)).fill_null("")
    kinds, kind_code = np.unique(kind.to_numpy().astype(str), return_inverse=True)
    ln_volume = np.log(volume)
    fallback = _median(ln_volume, np.log(5.0))
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
    rated = _positive(column(frame, "rated_l_per_s"), 0.1, 100.0)
    bore, length = _positive(column(frame, "bore_mm"), 2.0, 60.0), _positive(column(frame, "length_m"), 0.2, 30.0)
    hose_known = np.isfinite(bore) & np.isfinite(length)
    bore = np.where(np.isfinite(bore), bore, _median(bore, TYPICAL_BORE_MM))
    length = np.where(np.isfinite(length), length, _median(length, TYPICAL_LENGTH_M))
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
        rated_ln=np.log(np.where(np.isfinite(rated), rated, _median(rated, TYPICAL_RATED_L_S))),
        hose_ln=hose_ln,
        rated_known=np.isfinite(rated),
        hose_known=hose_known,
        oil=oil,
        oil_now=oil_now,
    )


def _of_level(states: FactorStates, values: Floats, index: Ints) -> Floats:
    """Value of a row-wise register column per level (rows of a level agree)."""
    out = np.full(len(states.levels), np.median(values) if len(values) else 0.0)
    codes = states.level_of_row[index]
    known = codes >= 0
    out[codes[known]] = values[known]
    return out


def _measured(frame: pl.DataFrame, band: str) -> tuple[Floats, Floats]:
    """ln(speed / volume) of a band and its standard error."""
    rate = _positive(column(frame, f"{band}_rate_per_s"), 1e-7, 1e3)
    stated = column(frame, f"speed_{band}_l_s") / _positive(column(frame, "volume_l"), 0.02, 5000.0)
    rate = np.where(np.isfinite(rate), rate, _positive(stated, 1e-7, 1e3))
    se = column(frame, f"{band}_rate_se_ln")
    se = np.where(np.isfinite(se), se, column(frame, f"speed_{band}_l_s_se_ln"))
    usual = _median(se[np.isfinite(rate)], 0.1)
    return np.log(rate), np.clip(np.where(np.isfinite(se), se, usual), 0.005, 1.5)


def speed_rows(s: Shared, states: Sequence[FactorStates]) -> Rows:
    """Rows of both speeds, the viscous ones first.

    Fixed effects: common factors on pump speed, on viscous and on deep line conductance, slopes on the register's
    rating and conductance, what the deep band takes off a pump (with hours and water on its oil), and what the work
    itself does to either band.

    Parameters
    ----------
    s : Shared
    states : per factor of `SPEED_FACTORS`
    """
    measured = [_measured(s.frame, m) for m in ("viscous", "deep")]
    rows = [np.flatnonzero(np.isfinite(rate)) for rate, _ in measured]
    index = np.concatenate(rows)
    band = np.repeat([0, 1], [len(r) for r in rows])
    deep = band.astype(np.float64)
    rate_ln, se = (np.concatenate([m[k][r] for m, r in zip(measured, rows, strict=True)]) for k in (0, 1))
    line = np.where(band == 1, s.hose_ln["speed_deep"][index], s.hose_ln["speed_viscous"][index])
    pump0 = s.rated_ln[index]
    rated_dev = s.rated_ln - np.median(s.rated_ln)
    line_dev = s.hose_ln["speed_deep"] - np.median(s.hose_ln["speed_deep"])
    y = rate_ln + s.ln_volume[index]
    like = s.like_work[index]
    noise_class, biases = _precision_classes(se, band)
    like = np.column_stack([like * (1.0 - deep)[:, None], like * deep[:, None], biases])
    like_sd = [0.1] * (like.shape[1] - biases.shape[1]) + [1.0] * biases.shape[1]
    # Speeds hardly depend on the work itself: volume, water, season act through errors and temperature.
    x_sd = np.array([0.2, 0.3, 0.3, 0.05, 0.05, 0.2, 0.1, 0.1, VISCOUS_SHARE_SD, *like_sd])
    offsets = np.concatenate([[0], np.cumsum([f.size for f in states])])
    in_band = (None, None, 1, None, 1, 0, 0, 0)
    state_of_row = np.column_stack(
        [
            np.where(True if want is None else band == want, f.state_of_row[index], -1)
            for f, want in zip(states, in_band, strict=True)
        ]
    )
    padded_at = np.where(state_of_row >= 0, state_of_row + offsets[:-1], offsets[-1])
    pump_x = np.column_stack([np.ones(len(index)), rated_dev[index], deep, deep[:, None] * s.oil[index]])
    line_x = np.column_stack([1.0 - deep, deep, line_dev[index]])
    on_pump, on_line = [0, 3, 5, 6, 7], [1, 2, 4]

    def linearise(beta: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
        padded = np.append(u, 0.0)[padded_at]
        d_pump = np.clip(pump_x @ beta[on_pump] + padded[:, 0] + padded[:, 4], -3.0, 3.0)
        d_line = np.clip(line_x @ beta[on_line] + padded[:, 1] + padded[:, 5], -3.0, 3.0)
        pump, conductance = pump0 + d_pump, line + d_line
        clear = -np.logaddexp(-pump, -conductance)
        typical = _typical_deep_ln(clear, band)
        way = np.clip(padded[:, 3], -3.0, 3.0)
        share = np.where(band == 1, 1.0, np.clip(VISCOUS_SHARE + beta[8], 0.0, 1.0))
        # Below the middle a technician is a resistance in series; above it simply so much quicker in the deep band.
        resistance = np.where(way < 0.0, np.expm1(-np.minimum(way, 0.0)), 0.0)
        relative = share * resistance * np.exp(clear - typical)
        speed = clear - np.log1p(relative) + np.where(way >= 0.0, deep * way, 0.0)
        left = 1.0 / (1.0 + relative)
        w_pump, w_line = np.exp(clear - pump) * left, np.exp(clear - conductance) * left
        w_way = np.where(way < 0.0, share * np.exp(-way + clear - typical) * left, deep)
        x = np.empty((len(index), len(x_sd)))
        x[:, on_pump] = w_pump[:, None] * pump_x
        x[:, on_line] = w_line[:, None] * line_x
        x[:, 8] = np.where(band == 0, -resistance * np.exp(clear - typical) * left, 0.0)
        x[:, 9:] = like
        z = np.ones((len(index), len(states)))
        z[:, 0] = z[:, 4] = w_pump
        z[:, 1] = z[:, 5] = w_line
        z[:, 3] = w_way
        linear = w_pump * d_pump + w_line * d_line + w_way * way + x[:, 8] * beta[8]
        return y - speed + linear, x, z

    every = np.arange(len(s.rated_ln))
    level_x, base = {}, {}
    for measure, is_deep in (("speed_viscous", 0.0), ("speed_deep", 1.0)):
        pump_levels, line_levels = (
            np.zeros((len(states[0].levels), len(x_sd))),
            np.zeros((len(states[1].levels), len(x_sd))),
        )
        pump_levels[:, 0], pump_levels[:, 3] = 1.0, _of_level(states[0], rated_dev, every)
        pump_levels[:, 5], pump_levels[:, 6:8] = is_deep, is_deep * s.oil_now
        line_levels[:, 1], line_levels[:, 2] = 1.0 - is_deep, is_deep
        line_levels[:, 4] = _of_level(states[1], line_dev, every)
        others = [np.zeros((len(f.levels), len(x_sd))) for f in states[2:4]]
        level_x[measure] = [pump_levels, line_levels, *others]
        of_line = _of_level(states[1], s.hose_ln[measure], every)
        base[measure] = [_of_level(states[0], s.rated_ln, every), of_line, *(np.zeros(len(o)) for o in others)]
    x = linearise(np.zeros(len(x_sd)), np.zeros(int(offsets[-1])))[1]
    # Logs that hardly saw a band err by far more than they state; their word must not outvote the good ones'.
    stated = se**2 * (1.0 + (se / POOR_PRECISION) ** 4)
    own_variance = stated + _unnamed(states, index, x[:, 1] + x[:, 2])
    return Rows(index, band, noise_class, y, own_variance, x, x_sd, state_of_row, level_x, linearise, base)


def _unnamed(states: Sequence[FactorStates], index: Ints, line_share: Floats) -> Floats:
    """Variance of rows that don't name their hose, in a fleet that names hoses, or their pump or technician.

    Such a row is on some hose or other; taken at the fleet's middle it would speak for or against who used it.
    """
    out = np.zeros(len(index))
    for f, sd in ((0, UNKNOWN_RATING_SD), (1, UNKNOWN_HOSE_SD), (3, 0.3)):
        if states[f].levels:
            share = line_share if f == 1 else 1.0
            out += np.where(states[f].level_of_row[index] < 0, (sd * share) ** 2, 0.0)
    return out


def _precision_classes(se: Floats, band: Ints) -> tuple[Ints, Floats]:
    """Class of each row by band and stated precision, and bias columns of the coarser classes against the finest."""
    step = np.searchsorted(PRECISION_STEPS, se)
    noise_class = band * (len(PRECISION_STEPS) + 1) + step
    columns = []
    for b in np.unique(band):
        for k in range(1, len(PRECISION_STEPS) + 1):
            mine = (band == b) & (step == k)
            if 10 <= mine.sum() < (band == b).sum():
                columns.append(mine.astype(np.float64))
    return noise_class.astype(np.int64), np.column_stack(columns) if columns else np.zeros((len(se), 0))


def _typical_deep_ln(clear: Floats, band: Ints) -> float:
    """Middle ln deep speed of the fleet's rigs with nothing in the way."""
    return _median(clear[band == 1], _median(clear, 0.0))


def floor_rows(
    s: Shared, states: Sequence[FactorStates], deep: Sequence[Floats] | None = None, now: Sequence[Floats] | None = None
) -> Rows:
    """Rows of the floor.

    Parameters
    ----------
    s : Shared
    states : per factor of `FACTORS`
    deep : per factor (n,), optional
        What each row's pump, hose, gauge and technician do to ln deep speed: a load over a smaller speed is a higher
        floor.  A gauge's part acts otherwise (it reads wrong in both) and has a coefficient of its own.
    now : per factor (levels,), optional
        The same of each level as it stands.
    """
    floor = _positive(column(s.frame, "floor_micron"), 0.5, 50_000.0)
    index = np.flatnonzero(np.isfinite(floor))
    relative = column(s.frame, "floor_se_micron") / floor
    relative = np.where(np.isfinite(relative), relative, _median(relative, 0.1))
    rated_dev = (s.rated_ln - np.median(s.rated_ln))[index]
    line_dev = (s.hose_ln["speed_deep"] - np.median(s.hose_ln["speed_deep"]))[index]
    none = np.zeros(len(index))
    rig, gauge = (none, none) if deep is None else ((deep[0] + deep[1] + deep[3])[index], deep[2][index])
    se = np.clip(relative[index], 0.01, 1.5)
    band = np.zeros(len(index), dtype=np.int64)
    noise_class, biases = _precision_classes(se, band)
    like = np.column_stack([s.like_work[index], biases])
    x = np.column_stack([np.ones(len(index)), rated_dev, line_dev, rig, gauge, s.oil[index], like])
    x_sd = np.array([10.0, 0.3, 0.3, 0.8, 1.0, 1.0, 1.0, *([1.0] * like.shape[1])])
    level_x = [np.zeros((len(f.levels), len(x_sd))) for f in states]
    every = np.arange(len(s.rated_ln))
    level_x[0][:, 1], level_x[0][:, 5:7] = _of_level(states[0], s.rated_ln - np.median(s.rated_ln), every), s.oil_now
    level_x[1][:, 2] = _of_level(states[1], s.hose_ln["speed_deep"] - np.median(s.hose_ln["speed_deep"]), every)
    if now is not None:
        for f, column_number in enumerate((3, 3, 4, 3)):
            level_x[f][:, column_number] = now[f]
    state_of_row = np.column_stack([f.state_of_row[index] for f in states])
    base = [np.zeros(len(f.levels)) for f in states]
    y = np.log(floor[index])
    own_variance = se**2 + _unnamed(states, index, np.full(len(index), 0.4))
    return Rows(
        index, band, noise_class, y, own_variance, x, x_sd, state_of_row, {"floor": level_x}, None, {"floor": base}
    )
