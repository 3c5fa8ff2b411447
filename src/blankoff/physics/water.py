"""Water in a circuit: grams of vapour, latent heats, and what a plateau carried away.

Vapour is taken as an ideal gas, which at the pressures of an evacuation costs at most 0.2 % (saturated at 20 degC).

References
----------
.. [1] Saturation line: see :mod:`blankoff.physics.saturation`.
"""

from __future__ import annotations

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blankoff.constants import GAS_CONSTANT_J_MOL_K, MICRON_PA, WATER_MOLAR_MASS_KG_MOL, ZERO_CELSIUS_K
from blankoff.physics.saturation import (
    saturation_pressure_micron,
    saturation_slope_per_k,
    saturation_temperature_c,
)

__all__ = [
    "boiled_off_g",
    "dryness_margin_k",
    "latent_heat_j_g",
    "rise_ceiling_micron",
    "vapour_g",
    "vapour_l",
]

FloatArray: TypeAlias = NDArray[np.float64]

# g of water vapour per micron litre and kelvin: p V = m / M R T, with M in g/mol and V in m3
_G_K_PER_MICRON_L: Final = MICRON_PA * 1e-3 * WATER_MOLAR_MASS_KG_MOL * 1e3 / GAS_CONSTANT_J_MOL_K


def vapour_g(volume_l: ArrayLike, pressure_micron: ArrayLike, t_c: ArrayLike = 20.0) -> FloatArray:
    """Mass of water vapour in a volume.

    Parameters
    ----------
    volume_l, pressure_micron, t_c : float or array_like
        Volume, l; partial pressure of water, microns; temperature of the vapour, degC. The product of the first two
        may also be a throughput in micron l/s: then the result is in g/s.

    Returns
    -------
    ndarray
        Grams, of the broadcast shape.
    """
    t_k = np.asarray(t_c, dtype=np.float64) + ZERO_CELSIUS_K
    product = np.asarray(volume_l, dtype=np.float64) * np.asarray(pressure_micron, dtype=np.float64)
    return _G_K_PER_MICRON_L * product / t_k


def vapour_l(mass_g: ArrayLike, pressure_micron: ArrayLike, t_c: ArrayLike = 20.0) -> FloatArray:
    """Volume, l, that a mass of water takes up as vapour; the inverse of :func:`vapour_g` in volume."""
    t_k = np.asarray(t_c, dtype=np.float64) + ZERO_CELSIUS_K
    per_litre = _G_K_PER_MICRON_L * np.asarray(pressure_micron, dtype=np.float64) / t_k
    return np.asarray(mass_g, dtype=np.float64) / per_litre


def boiled_off_g(
    elapsed_s: ArrayLike,
    pressure_micron: ArrayLike,
    speed_l_s: ArrayLike,
    floor_micron: float = 0.0,
    t_c: float = 20.0,
) -> float:
    """Mass of water carried away over a stretch, from the throughput ``S (p - floor)`` integrated over time.

    Parameters
    ----------
    elapsed_s, pressure_micron : array_like, shape (n,)
        Times, s, ascending, and pressures, microns, taken to be water's apart from the floor.
    speed_l_s : float or array_like, shape (n,)
        Effective speed at the circuit, l/s.
    floor_micron : float
        The pressure that would stand there without water, microns.
    t_c : float
        Temperature of the vapour on its way to the pump, degC.

    Returns
    -------
    float
        Grams, not below zero; zero for fewer than two readings, NaN if a reading is unknown.
    """
    t = np.asarray(elapsed_s, dtype=np.float64)
    above = np.maximum(np.asarray(pressure_micron, dtype=np.float64) - floor_micron, 0.0)
    load = np.broadcast_to(np.asarray(speed_l_s, dtype=np.float64) * above, t.shape)
    if t.size < 2:
        return 0.0
    return float(vapour_g(1.0, np.trapezoid(load, t), t_c))


def latent_heat_j_g(t_c: ArrayLike) -> FloatArray:
    """Heat that takes a gram of water to vapour: of sublimation below 0.01 degC, of vaporisation above.

    By Clausius and Clapeyron from the slope of the saturation line, with the vapour ideal: ``R T^2 / M d ln p / dT``.

    Parameters
    ----------
    t_c : float or array_like
        Temperature, degC, up to about 60.

    Returns
    -------
    ndarray
        J/g, of the shape of `t_c`; within 1 % of IAPWS-95 up to 60 degC.
    """
    t_k = np.asarray(t_c, dtype=np.float64) + ZERO_CELSIUS_K
    slope = np.asarray(saturation_slope_per_k(t_c), dtype=np.float64)
    return GAS_CONSTANT_J_MOL_K * t_k**2 * slope / (WATER_MOLAR_MASS_KG_MOL * 1000.0)


def dryness_margin_k(hold_end_micron: ArrayLike, ambient_c: ArrayLike) -> FloatArray:
    """How much colder than the ambient water would have to be to stand at the pressure reached, K.

    Large: no liquid water can be there unless something keeps it that cold. Near zero: the pressure is just what water
    at the ambient gives.
    """
    wettest = np.asarray(saturation_temperature_c(hold_end_micron), dtype=np.float64)
    return np.asarray(ambient_c, dtype=np.float64) - wettest


def rise_ceiling_micron(hold_start_micron: ArrayLike, coldest_c: ArrayLike) -> FloatArray:
    """Largest rise water alone can make: from the pressure at isolation to saturation at the coldest temperature.

    Parameters
    ----------
    hold_start_micron : float or array_like
        Pressure at isolation, microns.
    coldest_c : float or array_like
        Temperature of the coldest wet spot (the ambient, where nothing else is known), degC.

    Returns
    -------
    ndarray
        Microns, not below zero.
    """
    ceiling = np.asarray(saturation_pressure_micron(coldest_c), dtype=np.float64)
    rise = ceiling - np.asarray(hold_start_micron, dtype=np.float64)
    return np.where(np.isnan(rise), np.nan, np.maximum(rise, 0.0))
