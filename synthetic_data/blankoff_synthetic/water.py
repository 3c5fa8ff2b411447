"""Water for the forward simulation: saturation pressure and the heat book of a wet spot.

The formula is that of Murphy and Koop (2005), on purpose not the one the
estimators use, so that a slip in either shows in the recovery tests.

References
----------
D. M. Murphy, T. Koop, "Review of the vapour pressures of ice and supercooled
water for atmospheric applications", Q. J. R. Meteorol. Soc. 131 (2005),
equations 7 (ice) and 10 (liquid); coefficients from memory, held against the
IAPWS tables in ``tests/synthetic``.
"""

from __future__ import annotations

import math

from numba import njit

PA_PER_MICRON = 101325.0 / 760000.0
"""Pascal per micron of mercury: 1 Torr = 101325/760 Pa by definition."""

GAS_CONSTANT_J_PER_MOL_K = 8.314462618
"""Molar gas constant (CODATA 2018, exact)."""

WATER_G_PER_MOL = 18.01528
"""Molar mass of water."""

LIQUID_HEAT_J_PER_G_K = 4.19
ICE_HEAT_J_PER_G_K = 2.07
FUSION_J_PER_G = 333.6
VAPOUR_AT_0C_J_PER_G = 2500.9
VAPOUR_HEAT_J_PER_G_K = 1.86
"""Heat capacities and latent heats of water near 0 C, from memory, good to a per cent."""


@njit(cache=True, nogil=True)
def saturation_micron(temperature_c: float) -> float:
    """Saturation pressure of water over liquid (from 0.01 C up) or ice, microns.

    Parameters
    ----------
    temperature_c : float
        Temperature of the water or ice, degrees Celsius, -90 to 100.
    """
    t = temperature_c + 273.15
    log_t = math.log(t)
    if temperature_c < 0.01:
        log_pa = 9.550426 - 5723.265 / t + 3.53068 * log_t - 0.00728332 * t
    else:
        log_pa = (
            54.842763
            - 6763.22 / t
            - 4.210 * log_t
            + 0.000367 * t
            + math.tanh(0.0415 * (t - 218.8)) * (53.878 - 1331.22 / t - 9.44523 * log_t + 0.014025 * t)
        )
    return math.exp(log_pa) / PA_PER_MICRON


@njit(cache=True, nogil=True)
def grams_per_micron_l(temperature_c: float) -> float:
    """Grams of water vapour in one micron-litre of gas at a temperature (ideal gas)."""
    pa_m3 = PA_PER_MICRON * 1e-3
    return pa_m3 / (GAS_CONSTANT_J_PER_MOL_K * (temperature_c + 273.15)) * WATER_G_PER_MOL


@njit(cache=True, nogil=True)
def wet_spot(enthalpy_j: float, water_g: float, metal_j_per_k: float) -> tuple[float, float, float]:
    """Temperature of a wet spot from its enthalpy, liquid at 0 C being zero.

    Returns
    -------
    temperature_c, heat_j_per_k, frozen_share : float
        On the freezing line the heat capacity is returned as infinite.
    """
    if enthalpy_j >= 0.0:
        heat = water_g * LIQUID_HEAT_J_PER_G_K + metal_j_per_k
        return enthalpy_j / heat, heat, 0.0
    freezing_j = water_g * FUSION_J_PER_G
    if enthalpy_j > -freezing_j:
        return 0.0, math.inf, -enthalpy_j / freezing_j
    heat = water_g * ICE_HEAT_J_PER_G_K + metal_j_per_k
    return (enthalpy_j + freezing_j) / heat, heat, 1.0


@njit(cache=True, nogil=True)
def wet_spot_enthalpy_j(temperature_c: float, water_g: float, metal_j_per_k: float) -> float:
    """Enthalpy of a wet spot at a temperature (all liquid above 0 C, all ice below)."""
    if temperature_c >= 0.0:
        return temperature_c * (water_g * LIQUID_HEAT_J_PER_G_K + metal_j_per_k)
    return temperature_c * (water_g * ICE_HEAT_J_PER_G_K + metal_j_per_k) - water_g * FUSION_J_PER_G
