"""Pumps, effective speed behind hoses, and the time a pull takes.

Volumes in litres, speeds in litres per second, pressures in microns, gas loads (throughput) in micron litres per
second, times in seconds. All functions take numbers or arrays that broadcast together.

References
----------
.. [1] Vacuum handbooks on pump-down with ultimate pressure and inflow (formula read, see reference checks 3.14, 3.15).
.. [2] ISO 21360-1:2020, speed by the pump-down method (abstract read; formula from memory).
"""

from __future__ import annotations

import math
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blankoff.constants import AIR_MOLAR_MASS_KG_MOL, GAS_CONSTANT_J_MOL_K, ZERO_CELSIUS_K
from blankoff.physics.compiled import kernel
from blankoff.physics.conductance import _hose_kernel

__all__ = [
    "effective_speed_l_s",
    "floor_micron",
    "pressure_after_micron",
    "pump_down_time_s",
    "pump_speed_l_s",
    "rig_speed_l_s",
    "speed_from_two_pressures_l_s",
]

FloatArray: TypeAlias = NDArray[np.float64]

_BISECTIONS: Final = 60
# Pressure lost to inertia at entry (0.5) and exit (1.0) of a tube, in velocity heads: textbook value, from memory.
_ENDS_LOSS: Final = 1.5
_AIR_DENSITY_PER_PA: Final = AIR_MOLAR_MASS_KG_MOL / (GAS_CONSTANT_J_MOL_K * (ZERO_CELSIUS_K + 20.0))


def effective_speed_l_s(speed_l_s: ArrayLike, conductance_l_s: ArrayLike) -> FloatArray:
    """Pumping speed left behind a conductance, ``S C / (S + C)``; zero if either is zero."""
    s, c = np.asarray(speed_l_s, dtype=np.float64), np.asarray(conductance_l_s, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return 1.0 / (1.0 / s + 1.0 / c)


def pump_speed_l_s(pressure_micron: ArrayLike, rated_l_s: ArrayLike, blankoff_micron: ArrayLike) -> FloatArray:
    """Speed of a rotary-vane pump at its inlet, ``S (1 - p_blankoff / p)``, never below zero.

    Parameters
    ----------
    pressure_micron : float or array_like
        Pressure at the pump's inlet, microns.
    rated_l_s : float or array_like
        Speed well above the blank-off pressure, l/s.
    blankoff_micron : float or array_like
        Lowest pressure the pump reaches with its inlet closed, microns.

    Returns
    -------
    ndarray
        Litres per second, of the broadcast shape.
    """
    p = np.asarray(pressure_micron, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = 1.0 - np.asarray(blankoff_micron, dtype=np.float64) / p
    return np.asarray(rated_l_s, dtype=np.float64) * np.where(np.isnan(p), np.nan, np.maximum(share, 0.0))


def floor_micron(blankoff_micron: ArrayLike, gas_load_micron_l_s: ArrayLike, speed_l_s: ArrayLike) -> FloatArray:
    """Pressure a pull tends to: blank-off pressure plus gas load over effective speed; infinite without speed."""
    load = np.asarray(gas_load_micron_l_s, dtype=np.float64)
    speed = np.asarray(speed_l_s, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        lift = np.where(load == 0.0, 0.0, load / speed)
    return np.asarray(blankoff_micron, dtype=np.float64) + lift


def pump_down_time_s(
    volume_l: ArrayLike,
    speed_l_s: ArrayLike,
    start_micron: ArrayLike,
    end_micron: ArrayLike,
    ultimate_micron: ArrayLike = 0.0,
    gas_load_micron_l_s: ArrayLike = 0.0,
) -> FloatArray:
    """Time from one pressure to a lower one at constant speed.

    ``t = V / S ln((p0 - pu - q / S) / (p1 - pu - q / S))``.

    Parameters
    ----------
    volume_l, speed_l_s : float or array_like
        Volume, l, and effective speed at it, l/s.
    start_micron, end_micron : float or array_like
        Pressures at the beginning and the end, microns.
    ultimate_micron : float or array_like
        Ultimate (blank-off) pressure, microns.
    gas_load_micron_l_s : float or array_like
        Steady inflow, micron l/s.

    Returns
    -------
    ndarray
        Seconds, of the broadcast shape; infinite where the end is at or below the floor, zero where it is not below
        the start.
    """
    volume, speed = np.asarray(volume_l, dtype=np.float64), np.asarray(speed_l_s, dtype=np.float64)
    floor = floor_micron(ultimate_micron, gas_load_micron_l_s, speed)
    start, end = np.asarray(start_micron, dtype=np.float64), np.asarray(end_micron, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = volume / speed * np.log((start - floor) / (end - floor))
    unknown = np.isnan(volume) | np.isnan(speed) | np.isnan(floor) | np.isnan(start) | np.isnan(end)
    time = np.where(end <= floor, math.inf, time)
    return np.where(unknown, np.nan, np.where(end >= start, 0.0, time))


def pressure_after_micron(
    time_s: ArrayLike,
    volume_l: ArrayLike,
    speed_l_s: ArrayLike,
    start_micron: ArrayLike,
    ultimate_micron: ArrayLike = 0.0,
    gas_load_micron_l_s: ArrayLike = 0.0,
) -> FloatArray:
    """Pressure after pumping for a time at constant speed, microns; the inverse of :func:`pump_down_time_s`."""
    speed = np.asarray(speed_l_s, dtype=np.float64)
    floor = floor_micron(ultimate_micron, gas_load_micron_l_s, speed)
    rate = speed / np.asarray(volume_l, dtype=np.float64)
    start = np.asarray(start_micron, dtype=np.float64)
    return floor + (start - floor) * np.exp(-rate * np.asarray(time_s, dtype=np.float64))


def speed_from_two_pressures_l_s(
    volume_l: ArrayLike,
    interval_s: ArrayLike,
    first_micron: ArrayLike,
    second_micron: ArrayLike,
    floor: ArrayLike = 0.0,
) -> FloatArray:
    """Effective speed from two pressures of a pull, ``V / dt ln((p1 - floor) / (p2 - floor))``.

    Parameters
    ----------
    volume_l, interval_s : float or array_like
        Volume, l, and time between the two readings, s.
    first_micron, second_micron : float or array_like
        The readings, microns.
    floor : float or array_like
        The pressure the pull tends to, microns.

    Returns
    -------
    ndarray
        Litres per second, of the broadcast shape; NaN where a reading is not above the floor.

    Notes
    -----
    Leaks, desorption, cooling by expansion and the connecting line disturb it, as the standard says.
    """
    low = np.asarray(floor, dtype=np.float64)
    first = np.asarray(first_micron, dtype=np.float64) - low
    second = np.asarray(second_micron, dtype=np.float64) - low
    usable = (first > 0.0) & (second > 0.0)
    ratio = np.where(usable, first, np.nan) / np.where(usable, second, 1.0)
    return np.asarray(volume_l, dtype=np.float64) / np.asarray(interval_s, dtype=np.float64) * np.log(ratio)


@kernel
def _hose_throughput_kernel(
    high_micron: float, low_micron: float, bore_m: float, length_m: float, core_m: float
) -> float:
    """Throughput of air through a hose between two pressures, micron l/s.

    Friction takes ``Q / C`` of the pressure difference, inertia at entry and exit ``k Q^2 / p``: the positive root of
    that quadratic. At low pressure the inertia vanishes and ``Q = C (p_high - p_low)``.
    """
    mean = 0.5 * (high_micron + low_micron)
    friction = 1.0 / _hose_kernel(bore_m, length_m, core_m, mean)
    area_l_m = math.pi * bore_m * bore_m / 4.0 * 1000.0
    inertia = 1.0 / (area_l_m * area_l_m)
    if core_m > 0.0:
        area_l_m = math.pi * core_m * core_m / 4.0 * 1000.0
        inertia += 1.0 / (area_l_m * area_l_m)
    # dp = zeta rho v^2 / 2 with rho = p M / R T and v = Q / p A
    inertia *= 0.5 * _ENDS_LOSS * _AIR_DENSITY_PER_PA / mean
    drop = high_micron - low_micron
    return 2.0 * drop / (friction + math.sqrt(friction * friction + 4.0 * inertia * drop))


@kernel
def _rig_speed_kernel(
    circuit_micron: float,
    rated_l_s: float,
    blankoff_micron: float,
    bore_m: float,
    length_m: float,
    core_m: float,
) -> float:
    """Effective speed at the circuit behind pump and hose, l/s (see :func:`rig_speed_l_s`).

    The pressure at the pump's inlet is where the hose's throughput equals the pump's; the one falls with it, the other
    rises, so bisection between blank-off and circuit pressure cannot fail.
    """
    if not circuit_micron > blankoff_micron:
        return 0.0 if circuit_micron <= blankoff_micron else math.nan
    low, high = blankoff_micron, circuit_micron
    for _ in range(_BISECTIONS):
        inlet = 0.5 * (low + high)
        through_hose = _hose_throughput_kernel(circuit_micron, inlet, bore_m, length_m, core_m)
        if through_hose > rated_l_s * (inlet - blankoff_micron):
            low = inlet
        else:
            high = inlet
    return rated_l_s * (0.5 * (low + high) - blankoff_micron) / circuit_micron


@kernel
def _rig_speed_array(
    circuit_micron: FloatArray,
    rated_l_s: FloatArray,
    blankoff_micron: FloatArray,
    bore_m: FloatArray,
    length_m: FloatArray,
    core_m: FloatArray,
) -> FloatArray:
    out = np.empty(circuit_micron.size)
    for i in range(circuit_micron.size):
        out[i] = _rig_speed_kernel(
            circuit_micron[i], rated_l_s[i], blankoff_micron[i], bore_m[i], length_m[i], core_m[i]
        )
    return out


def rig_speed_l_s(
    circuit_micron: ArrayLike,
    rated_l_s: ArrayLike,
    blankoff_micron: ArrayLike,
    bore_m: ArrayLike,
    length_m: ArrayLike,
    core_m: ArrayLike = 0.0,
) -> FloatArray:
    """Effective speed for air at the circuit, behind a pump with blank-off pressure and a hose.

    Friction in the hose and in a valve core by :func:`blankoff.physics.conductance.hose_l_s`, and the inertia of fast
    flow at their ends, which matters above some thousand microns. Turbulence, near atmosphere, is left out.

    Parameters
    ----------
    circuit_micron : float or array_like
        Pressure in the circuit, microns.
    rated_l_s, blankoff_micron : float or array_like
        The pump's speed, l/s, and blank-off pressure, microns.
    bore_m, length_m : float or array_like
        The hose's bore and length, m.
    core_m : float or array_like
        Width of the hole a valve core left in leaves, m; zero or NaN for none.

    Returns
    -------
    ndarray
        Throughput over circuit pressure, l/s, of the broadcast shape; zero at or below blank-off, NaN where an input
        other than the core is NaN.
    """
    arrays = np.broadcast_arrays(
        *(
            np.asarray(v, dtype=np.float64)
            for v in (circuit_micron, rated_l_s, blankoff_micron, bore_m, length_m, core_m)
        )
    )
    flat = [np.ascontiguousarray(a).ravel() for a in arrays]
    speed = _rig_speed_array(*flat).reshape(arrays[0].shape)
    known = np.isfinite(np.stack(flat[:5])).all(axis=0).reshape(arrays[0].shape)
    return np.where(known, speed, np.nan)
