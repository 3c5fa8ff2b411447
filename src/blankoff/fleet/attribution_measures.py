"""The three measures an attribution explains, as rows a solver can take.

Speeds are taken as a pump and a line in series, ``1/S = 1/S_pump + 1/C_line``, on logarithms: a weak pump shows fully
on a wide hose and hardly on a narrow one.  Registers give where each starts (rating, bore and length); two common
factors and the levels' own effects are found.  What a technician leaves in the way (a valve core, a narrow line) is a
further resistance in series, which hurts a good rig most.  The floor is taken as a product of its causes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.attribution_model import FactorPrior
from blankoff.fleet.attribution_shared import Rows, Shared, column, median, of_level, positive, shared
from blankoff.fleet.attribution_states import FactorStates

__all__ = ["FACTORS", "MEASURES", "Rows", "Shared", "floor_rows", "shared", "speed_rows"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FACTORS = ("pump", "hose", "gauge", "technician")
MEASURES = ("speed_viscous", "speed_deep", "floor")

UNKNOWN_RATING_SD, UNKNOWN_HOSE_SD = 0.4, 0.9
"""How far a pump or hose of unknown rating or bore may lie from the fleet's middle, ln units (judgement)."""
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


def _measured(frame: pl.DataFrame, band: str) -> tuple[Floats, Floats]:
    """ln(speed / volume) of a band and its standard error."""
    rate = positive(column(frame, f"{band}_rate_per_s"), 1e-7, 1e3)
    stated = column(frame, f"speed_{band}_l_s") / positive(column(frame, "volume_l"), 0.02, 5000.0)
    rate = np.where(np.isfinite(rate), rate, positive(stated, 1e-7, 1e3))
    se = column(frame, f"{band}_rate_se_ln")
    se = np.where(np.isfinite(se), se, column(frame, f"speed_{band}_l_s_se_ln"))
    usual = median(se[np.isfinite(rate)], 0.1)
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
        pump_levels[:, 0], pump_levels[:, 3] = 1.0, of_level(states[0], rated_dev, every)
        pump_levels[:, 5], pump_levels[:, 6:8] = is_deep, is_deep * s.oil_now
        line_levels[:, 1], line_levels[:, 2] = 1.0 - is_deep, is_deep
        line_levels[:, 4] = of_level(states[1], line_dev, every)
        others = [np.zeros((len(f.levels), len(x_sd))) for f in states[2:4]]
        level_x[measure] = [pump_levels, line_levels, *others]
        of_line = of_level(states[1], s.hose_ln[measure], every)
        base[measure] = [of_level(states[0], s.rated_ln, every), of_line, *(np.zeros(len(o)) for o in others)]
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
    return median(clear[band == 1], median(clear, 0.0))


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
    floor = positive(column(s.frame, "floor_micron"), 0.5, 50_000.0)
    index = np.flatnonzero(np.isfinite(floor))
    relative = column(s.frame, "floor_se_micron") / floor
    relative = np.where(np.isfinite(relative), relative, median(relative, 0.1))
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
    level_x[0][:, 1], level_x[0][:, 5:7] = of_level(states[0], s.rated_ln - np.median(s.rated_ln), every), s.oil_now
    level_x[1][:, 2] = of_level(states[1], s.hose_ln["speed_deep"] - np.median(s.hose_ln["speed_deep"]), every)
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
