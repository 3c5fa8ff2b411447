"""Speeds of all jobs against what their rigs should do, for telling a weak pump from a choked hose and from rigging.

Per job up to two values: ln viscous speed, which a pump decides, and ln deep speed over viscous speed of the same job,
which the line decides and in which a wrong volume cancels (or ln deep speed alone where there is no viscous one).  Both
are predicted by pump and line in series from the registers; three common constants are found for the fleet.  Errors lean
down: gas that nobody sees makes every rig look slow.  So constants and levels are found about the core of the values,
not about their mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numba import njit
from numpy.typing import NDArray

from blankoff.fleet.oil_water import swallowed_water_g
from blankoff.fleet.pump_side import (
    TYPICAL_BORE_MM,
    TYPICAL_LENGTH_M,
    TYPICAL_RATED_L_S,
    column_of,
    known_or,
    usual_volumes,
)
from blankoff.fleet.vector_math import exp, ln
from blankoff.fleet.wear_levels import shapes_of_rows
from blankoff.physics.conductance import knudsen_tube_l_s

__all__ = [
    "CONSTANTS_MEAN",
    "FACTORS",
    "LEVELS",
    "SpeedTable",
    "fit_constants",
    "noise_density",
    "predicted",
    "row_likelihood",
    "speed_table",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FACTORS = ("pump", "hose", "technician", "gauge")
LEVELS = ("pump", "hose", "technician", "technician_viscous", "gauge", "gauge_viscous")
"""What a job's speeds have levels of.  Rigging tells in deep vacuum, and in part or fully in the viscous band; a gauge
that lags, or sits on the manifold, reads either band's speed wrong by a factor of its own."""
VISCOUS_LINE_MICRON, DEEP_LINE_MICRON = 6000.0, 800.0
"""Mean pressure in the line while the port is around 8 000 and 1 000 microns (judgement)."""
UNKNOWN_VOLUME_SD = 0.8
"""Spread of ln volume within a kind where none is stated (judgement)."""
FAST_S = (1.5, 4.0, 12.0)
"""Time constants of a pull in seconds that part classes of values: gauges lag by seconds (common practice)."""
MANIFOLD_IN_VISCOUS = 0.5
"""Share of what a gauge's place does to ln deep speed that it does to ln viscous speed: in viscous flow less pressure is
lost along a line (found on simulated logs of one set of parameters, checked on others)."""
WET_G = 1.0
LEAK_MATTERS_MICRON = 10.0
"""A line's leak that adds so much to the floor spoils the deep speed as a measure of conductance (judgement)."""
ROUNDS = 6


@dataclass(frozen=True)
class SpeedTable:
    """Values of all jobs, in order of time; all arrays (n,) unless said otherwise.

    Attributes
    ----------
    evacuation_id : list of str
    day : float64
    ids : dict of factor to list of str or None
    viscous, line : float64
        ln viscous speed; ln deep over viscous speed, or ln deep speed where ``alone``; nan where not known.
    alone : bool
    viscous_variance, line_variance : float64
        Of measurement.
    viscous_class, line_class : int64
        Class of noise.
    pump_ln, line_viscous_ln, line_deep_ln : float64
        ln speed and conductances by the registers.
    oil_ln : float64
        What blank-off takes off the pump's deep speed, ln, at most 0.
    fastness : float64
        1 where the viscous band is through in a gauge's lag, 0 where it takes long.
    pump_middle, line_deep_middle : float
        Of the fleet's middle rig by the registers, ln.
    """

    evacuation_id: list[str]
    day: Floats
    ids: dict[str, list[str | None]]
    viscous: Floats
    line: Floats
    alone: NDArray[np.bool_]
    viscous_variance: Floats
    line_variance: Floats
    viscous_class: Ints
    line_class: Ints
    pump_ln: Floats
    line_viscous_ln: Floats
    line_deep_ln: Floats
    oil_ln: Floats
    fastness: Floats
    pump_middle: float
    line_deep_middle: float

    def predict(self, constants: Floats, levels: Mapping[str, Floats]) -> tuple[Floats, Floats]:
        """Predict both values under the ln level of every job's pump, hose and technician (in either band)."""
        every = np.arange(self.day.size)
        return tuple(v[:, 0] for v in predicted(self, constants, every, {k: v[:, None] for k, v in levels.items()}))  # type: ignore[return-value]


def predicted(table: SpeedTable, constants: Floats, rows: Ints, levels: Mapping[str, Floats]) -> tuple[Floats, Floats]:
    """Ln viscous speed and the line's value of some jobs, under levels of shape (n, k) or (n, 1).

    Pump, line and the port with its fittings stand in series.  What a technician leaves in the way is a further resistance
    in series; his level is what it does to ln deep speed of the fleet's middle rig: a core left in takes the more, the
    less the rest of the rig holds back.

    Parameters
    ----------
    table : SpeedTable
    constants : float64 (5,)
        See `fit_constants`.
    rows : int64 (n,)
    levels : mapping of `LEVELS` to ln level
    """
    a, b_viscous, b_deep, port_viscous, port_deep = constants
    middle = np.exp(-table.pump_middle - a) + np.exp(-table.line_deep_middle - b_deep) + np.exp(-port_deep)
    pump = np.exp(-(table.pump_ln[rows][:, None] + a + levels["pump"]))
    line = np.exp(-(table.line_viscous_ln[rows][:, None] + b_viscous + levels["hose"]))
    # Less than nothing cannot be in the way: at best some of the usual port is not.
    rig = np.maximum(np.expm1(-levels["technician_viscous"]) * middle, -0.8 * np.exp(-port_viscous))
    viscous = -np.log(pump + line + np.exp(-port_viscous) + rig)
    # A gauge on the manifold misreads both bands, the deep one more; one that lags, fast pulls of the viscous band only.
    lag = levels["gauge_viscous"] * table.fastness[rows][:, None]
    viscous = viscous + MANIFOLD_IN_VISCOUS * levels["gauge"] + lag
    pump = pump * np.exp(-table.oil_ln[rows][:, None])
    line = np.exp(-(table.line_deep_ln[rows][:, None] + b_deep + levels["hose"]))
    rig = np.maximum(np.expm1(-levels["technician"]) * middle, -0.8 * np.exp(-port_deep))
    deep = -np.log(pump + line + np.exp(-port_deep) + rig) + levels["gauge"]
    viscous, deep = np.broadcast_arrays(viscous, deep)
    contrast = np.where(table.alone[rows][:, None], deep, deep - viscous)
    return np.ascontiguousarray(viscous), contrast


def _rate(work: pl.DataFrame, band: str) -> tuple[Floats, Floats]:
    """Ln speed over volume of a band, and its standard error."""
    rate, se = column_of(work, f"{band}_rate_per_s"), column_of(work, f"{band}_rate_se_ln")
    stated = column_of(work, f"speed_{band}_l_s") / column_of(work, "volume_l")
    rate = np.where(np.isfinite(rate), rate, stated)
    rate = np.where((rate > 1e-7) & (rate < 1e3), rate, np.nan)
    return np.log(rate), np.clip(np.where(np.isfinite(se), se, 0.15), 0.01, 0.8)


def speed_table(
    work: pl.DataFrame,
    blankoff_micron: Mapping[str, float] | None = None,
    leak_micron: Mapping[str, float] | None = None,
) -> SpeedTable:
    """Gather the values.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame.
    blankoff_micron : mapping of evacuation_id to float, optional
        Blank-off pressure at each job, from the oil model.
    leak_micron : mapping of evacuation_id to float, optional
        What a leaking line adds to each floor; where it is much, deep speed says nothing of the line's width.
    """
    copied = pl.col("reason").eq_missing("recycled_log") if "reason" in work.columns else pl.lit(False)
    rows = work.filter(~copied).sort("started_at", "evacuation_id")
    n = rows.height
    rated = known_or(column_of(rows, "rated_l_per_s"), TYPICAL_RATED_L_S)
    bore = known_or(column_of(rows, "bore_mm"), TYPICAL_BORE_MM) / 1000.0
    length = known_or(column_of(rows, "length_m"), TYPICAL_LENGTH_M)
    line_v, line_d = (
        np.log(np.asarray(knudsen_tube_l_s(bore, length, np.full(n, p)), dtype=np.float64))
        for p in (VISCOUS_LINE_MICRON, DEEP_LINE_MICRON)
    )
    ln_v, se_v = _rate(rows, "viscous")
    ln_d, se_d = _rate(rows, "deep")
    leak = np.array([(leak_micron or {}).get(e, 0.0) for e in rows["evacuation_id"]])
    ln_d = np.where(leak > LEAK_MATTERS_MICRON, np.nan, ln_d)
    stated = column_of(rows, "volume_l")
    known = np.isfinite(stated) & (stated > 0)
    volume = usual_volumes(rows)
    ln_volume = np.log(volume)
    spread = np.where(known, 0.0, UNKNOWN_VOLUME_SD**2)
    both = np.isfinite(ln_v) & np.isfinite(ln_d)
    speed = 1.0 / (1.0 / rated + np.exp(-line_v))
    fast = np.searchsorted(FAST_S, volume / speed).astype(np.int64)
    wet = (swallowed_water_g(rows) > WET_G).astype(np.int64)
    blank = np.array([(blankoff_micron or {}).get(e, 30.0) for e in rows["evacuation_id"]])
    ids: dict[str, list[str | None]] = {
        f: rows[f"{f}_id"].cast(pl.String).to_list() if f"{f}_id" in rows.columns else [None] * n for f in FACTORS
    }
    return SpeedTable(
        evacuation_id=rows["evacuation_id"].to_list(),
        day=rows["started_at"].dt.epoch("us").cast(pl.Float64).to_numpy() / 86_400e6,
        ids=ids,
        viscous=ln_v + ln_volume,
        line=np.where(both, ln_d - ln_v, ln_d + ln_volume),
        alone=~both,
        viscous_variance=se_v**2 + spread,
        line_variance=np.where(both, se_v**2 + se_d**2, se_d**2 + spread),
        viscous_class=fast + 4 * wet,
        line_class=fast + 4 * wet + 8 * (~both).astype(np.int64),
        pump_ln=np.log(rated),
        line_viscous_ln=line_v,
        line_deep_ln=line_d,
        oil_ln=np.log(np.clip(1.0 - blank / 1000.0, 0.2, 1.0)),
        fastness=np.array([1.0, 0.8, 0.4, 0.0])[fast],
        pump_middle=float(np.median(np.log(rated))) if n else 0.0,
        line_deep_middle=float(np.median(line_d)) if n else 0.0,
    )


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _density(
    r: float, v: float, width: float, peak: float, low: float, low_scale: float, high: float, high_scale: float
) -> tuple[float, float]:
    """Density of one residual under a noise shape (see `_terms`), and its core's part.

    Loops over it are to become vector instructions: no branch, and nothing in it that does not depend on the residual.
    """
    core = exp(-0.5 * r * r / v) * peak
    z = r / width
    z = z if z > -40.0 else -40.0
    side = exp(2.0 * (z if z < 40.0 else 40.0))
    below = low * exp((r if r < 0.0 else 0.0) * low_scale) / (1.0 + side)
    above = high * exp((r if r > 0.0 else 0.0) * high_scale) * side / (1.0 + side)
    return core + below + above + 1e-9, core


@njit(cache=True, nogil=True, error_model="numpy")
def _terms(variance: float, shape: Floats) -> tuple[float, float, float, float, float, float, float]:
    """What the density of all residuals of one variance and noise shape is made of."""
    sd, low, low_scale, high, high_scale = shape[0], shape[1], shape[2], shape[3], shape[4]
    v = variance + sd * sd
    width = np.sqrt(v)
    peak = (1.0 - low - high) / np.sqrt(2.0 * np.pi * v)
    return v, width, peak, low / (low_scale + width), 1.0 / low_scale, high / (high_scale + width), -1.0 / high_scale


@njit(cache=True, nogil=True, error_model="numpy")
def noise_density(residual: Floats, variance: float, shape: Floats) -> Floats:
    """Density of residuals (n,) of one measurement variance under one noise shape, up to its norm."""
    out = np.empty(residual.size)
    v, width, peak, low, low_scale, high, high_scale = _terms(variance, shape)
    for i in range(residual.size):
        out[i] = _density(residual[i], v, width, peak, low, low_scale, high, high_scale)[0]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def row_likelihood(value: Floats, predicted: Floats, variance: Floats, shape: Floats) -> Floats:
    """(n, levels): ln density of each value under each prediction; 0 where the value is nan.

    Parameters
    ----------
    value, variance : float64 (n,);  predicted : float64 (n, levels);  shape : float64 (n, 5)
    """
    n, m = predicted.shape
    out = np.zeros((n, m))
    for i in range(n):
        if np.isnan(value[i]):
            continue
        v, width, peak, low, low_scale, high, high_scale = _terms(variance[i], shape[i])
        here, guess, told = value[i], predicted[i], out[i]
        for j in range(m):
            told[j] = ln(_density(here - guess[j], v, width, peak, low, low_scale, high, high_scale)[0])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def core_weight(residual: Floats, variance: Floats, shape: Floats) -> Floats:
    """Weight of each residual in an estimate of the core's middle: its chance to be of the core, over the variance."""
    out = np.zeros(residual.size)
    for i in range(residual.size):
        if np.isnan(residual[i]):
            continue
        v, width, peak, low, low_scale, high, high_scale = _terms(variance[i], shape[i])
        total, core = _density(residual[i], v, width, peak, low, low_scale, high, high_scale)
        out[i] = core / total / v
    return out


def noise_shapes(table: SpeedTable, viscous_residual: Floats, line_residual: Floats) -> tuple[Floats, Floats]:
    """Noise shape of every value, from the residuals of its class."""
    out = []
    for residual, variance, classes in (
        (viscous_residual, table.viscous_variance, table.viscous_class),
        (line_residual, table.line_variance, table.line_class),
    ):
        known = np.isfinite(residual)
        shape = np.tile(np.array([0.15, 0.15, 0.6, 0.05, 0.3]), (residual.size, 1))
        if known.sum() >= 20:
            shape[known] = shapes_of_rows(residual[known], variance[known], classes[known])
        out.append(shape)
    return out[0], out[1]


CONSTANTS_MEAN = np.array([np.log(0.85), 0.0, 0.0, np.log(6.0), np.log(1.5)])
CONSTANTS_SD = np.array([0.25, 0.3, 0.3, 0.8, 0.8])
"""Factor on rated speed and on a tube's conductance in either band; conductance of port and fittings, l/s (judgement)."""


def fit_constants(
    table: SpeedTable, levels: Mapping[str, Floats], constants: Floats, rounds: int = ROUNDS
) -> tuple[Floats, Floats, Floats]:
    """Find the fleet's constants about the core of all values, under given levels; also the noise shapes.

    Returns
    -------
    constants : float64 (5,)
        ln factor on rated speed, on viscous and on deep line conductance; ln conductance of the port in either band.
    viscous_shape, line_shape : float64 (n, 5)
    """
    now = constants.copy()
    shapes = (np.empty((0, 5)), np.empty((0, 5)))
    for _ in range(rounds):
        here = table.predict(now, levels)
        r = (table.viscous - here[0], table.line - here[1])
        shapes = noise_shapes(table, *r)
        slopes = []
        for j in range(now.size):
            moved = now.copy()
            moved[j] += 0.02
            p = table.predict(moved, levels)
            slopes.append([(p[k] - here[k]) / 0.02 for k in (0, 1)])
        hessian, gradient = np.diag(1.0 / CONSTANTS_SD**2), (CONSTANTS_MEAN - now) / CONSTANTS_SD**2
        for k, variance in ((0, table.viscous_variance), (1, table.line_variance)):
            w = core_weight(r[k], variance, shapes[k])
            used = w > 0
            x = np.column_stack([slopes[j][k][used] for j in range(now.size)])
            hessian = hessian + x.T @ (w[used, None] * x)
            gradient = gradient + x.T @ (w[used] * r[k][used])
        now = now + np.clip(np.linalg.solve(hessian, gradient), -0.4, 0.4)
    return now, shapes[0], shapes[1]
