"""How freely gas flows through tubes, holes and hoses, from viscous to molecular flow.

Lengths in metres, pressures in microns, conductances in litres per second. All functions take numbers or arrays that
broadcast together. The pressure of a conductance is the mean of the pressures at its two ends.

References
----------
.. [1] Vacuum-technology handbooks on conductance, mean free path and the Knudsen number; numbers as tagged in
   :mod:`blankoff.constants`.
.. [2] M. Knudsen, Ann. Phys. 333 (1909) 75: the all-regime formula, here with the constants printed for air at 20 degC
   (from memory).
.. [3] A. S. Berman, J. Appl. Phys. 36 (1965) 3356: transmission probability of a tube (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blankoff.constants import (
    AIR_MEAN_FREE_PATH_M_PA,
    AIR_MOLAR_MASS_KG_MOL,
    AIR_VISCOSITY_PA_S,
    GAS_CONSTANT_J_MOL_K,
    KNUDSEN_DENOMINATOR,
    KNUDSEN_MOLECULAR_ABOVE,
    KNUDSEN_MOLECULAR_COEFFICIENT,
    KNUDSEN_NUMERATOR,
    KNUDSEN_VISCOUS_BELOW,
    KNUDSEN_VISCOUS_COEFFICIENT,
    MBAR_PA,
    MICRON_PA,
    PD_MOLECULAR_BELOW_TORR_CM,
    PD_VISCOUS_ABOVE_TORR_CM,
    WATER_MOLAR_MASS_KG_MOL,
    WATER_VAPOUR_VISCOSITY_PA_S,
    ZERO_CELSIUS_K,
)
from blankoff.physics.compiled import kernel

__all__ = [
    "AIR",
    "WATER_VAPOUR",
    "FlowRegime",
    "Gas",
    "aperture_l_s",
    "flow_regime",
    "flow_regime_by_pd",
    "hose_l_s",
    "in_parallel_l_s",
    "in_series_l_s",
    "knudsen_number",
    "knudsen_tube_l_s",
    "mean_free_path_m_pa",
    "mean_speed_m_s",
    "molecular_tube_l_s",
    "short_tube_l_s",
    "transmission_probability",
    "viscous_tube_l_s",
]

FloatArray: TypeAlias = NDArray[np.float64]

_CM: Final = 100.0
_MICRON_MBAR: Final = MICRON_PA / MBAR_PA
_MICRON_TORR: Final = 1e-3
# Berman's closed form loses digits to cancellation beyond this length; his own long-tube series takes over there.
_BERMAN_LONG: Final = 200.0
# What both ends add to a tube's length, in diameters: molecular (aperture in series) and creeping viscous (Sampson 1891,
# from memory).
_MOLECULAR_ENDS: Final = 4.0 / 3.0
_VISCOUS_ENDS: Final = 3.0 * math.pi / 16.0
_VALVE_CORE_SEAT_M: Final = 0.010  # common practice, no source: the narrow part of a valve stem is about a centimetre


class FlowRegime(IntEnum):
    """What governs the flow: the gas's viscosity, both, or single molecules and walls."""

    VISCOUS = 0
    TRANSITIONAL = 1
    MOLECULAR = 2


@dataclass(frozen=True, slots=True)
class Gas:
    """A gas at 20 degC as the flow formulas need it.

    Attributes
    ----------
    molar_mass_kg_mol
        Molar mass, kg/mol.
    viscosity_pa_s
        Dynamic viscosity, Pa s.
    mean_free_path_m_pa
        Mean free path times pressure, m Pa.
    """

    molar_mass_kg_mol: float
    viscosity_pa_s: float
    mean_free_path_m_pa: float


def mean_free_path_m_pa(viscosity_pa_s: ArrayLike, molar_mass_kg_mol: ArrayLike, t_c: ArrayLike = 20.0) -> FloatArray:
    """Mean free path times pressure from the viscosity, ``eta sqrt(pi R T / 2 M)``.

    Returns
    -------
    ndarray
        m Pa, of the broadcast shape.

    References
    ----------
    Kinetic theory of gases (from memory); 0.4 % from the handbook value for air.
    """
    t_k = np.asarray(t_c, dtype=np.float64) + ZERO_CELSIUS_K
    thermal = np.sqrt(math.pi * GAS_CONSTANT_J_MOL_K * t_k / (2.0 * np.asarray(molar_mass_kg_mol, dtype=np.float64)))
    return np.asarray(viscosity_pa_s, dtype=np.float64) * thermal


AIR: Final = Gas(AIR_MOLAR_MASS_KG_MOL, AIR_VISCOSITY_PA_S, AIR_MEAN_FREE_PATH_M_PA)
WATER_VAPOUR: Final = Gas(
    WATER_MOLAR_MASS_KG_MOL,
    WATER_VAPOUR_VISCOSITY_PA_S,
    float(mean_free_path_m_pa(WATER_VAPOUR_VISCOSITY_PA_S, WATER_MOLAR_MASS_KG_MOL)),
)


def mean_speed_m_s(t_c: ArrayLike = 20.0, molar_mass_kg_mol: ArrayLike = AIR_MOLAR_MASS_KG_MOL) -> FloatArray:
    """Mean thermal speed of molecules, ``sqrt(8 R T / pi M)``, m/s."""
    t_k = np.asarray(t_c, dtype=np.float64) + ZERO_CELSIUS_K
    mass = np.asarray(molar_mass_kg_mol, dtype=np.float64)
    return np.sqrt(8.0 * GAS_CONSTANT_J_MOL_K * t_k / (math.pi * mass))


def molecular_tube_l_s(diameter_m: ArrayLike, length_m: ArrayLike, speed_m_s: ArrayLike | None = None) -> FloatArray:
    """Molecular conductance of a long tube, ends not counted, ``pi c d^3 / (12 l)``.

    Parameters
    ----------
    diameter_m, length_m : float or array_like
        Bore and length, m.
    speed_m_s : float or array_like, optional
        Mean thermal speed of the gas, m/s; air at 20 degC if not given.

    Returns
    -------
    ndarray
        Litres per second, of the broadcast shape.

    References
    ----------
    Molecular flow in a long tube, vacuum handbooks (read: the worked example of reference check 3.1).
    """
    d, length = np.asarray(diameter_m, dtype=np.float64), np.asarray(length_m, dtype=np.float64)
    speed = mean_speed_m_s() if speed_m_s is None else np.asarray(speed_m_s, dtype=np.float64)
    return 1000.0 * math.pi * speed * d**3 / (12.0 * length)


def aperture_l_s(diameter_m: ArrayLike, speed_m_s: ArrayLike | None = None) -> FloatArray:
    """Molecular conductance of a round hole in a thin wall, ``c A / 4``, litres per second."""
    d = np.asarray(diameter_m, dtype=np.float64)
    speed = mean_speed_m_s() if speed_m_s is None else np.asarray(speed_m_s, dtype=np.float64)
    return 1000.0 * speed * math.pi * d**2 / 16.0


def short_tube_l_s(long_tube_l_s: ArrayLike, diameter_m: ArrayLike, length_m: ArrayLike) -> FloatArray:
    """Molecular conductance of a tube with its inlet counted: the long-tube value over ``1 + 4 d / (3 l)``.

    The same as the long tube in series with the hole at its inlet.
    """
    d, length = np.asarray(diameter_m, dtype=np.float64), np.asarray(length_m, dtype=np.float64)
    return np.asarray(long_tube_l_s, dtype=np.float64) / (1.0 + 4.0 * d / (3.0 * length))


def transmission_probability(length_over_radius: ArrayLike) -> FloatArray:
    """Probability that a molecule entering a round tube leaves at the far end, in molecular flow.

    Parameters
    ----------
    length_over_radius : float or array_like
        Length over radius, zero or more.

    Returns
    -------
    ndarray
        Probability, 1 for length zero and ``8 r / 3 l`` for very long tubes; within 0.2 % of the exact integral.

    References
    ----------
    Berman (1965), closed form and long-tube series (from memory; agrees with Clausing's table).
    """
    x = np.asarray(length_over_radius, dtype=np.float64)
    short = np.clip(x, 0.0, _BERMAN_LONG)
    root = np.sqrt(short * short + 4.0)
    # 72 [L root - 4 ln((L + root) / 2)], which is zero with L: arcsinh keeps its digits near there
    denominator = 72.0 * short * root - 288.0 * np.arcsinh(short / 2.0)
    numerator = ((8.0 - short * short) * root + short**3 - 16.0) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        # below 1e-3 the quotient is 1e-10 of the whole and pure round-off
        correction = np.where(short > 1e-3, numerator / denominator, 0.0)
    closed = 1.0 + short * short / 4.0 - short / 4.0 * root - correction
    tail = np.maximum(x, _BERMAN_LONG)
    log = np.log(tail)
    series = 8.0 / (3.0 * tail) - 2.0 * log / tail**2 - 91.0 / (18.0 * tail**2) + (32.0 * log + 8.0) / (3.0 * tail**3)
    return np.where(np.isnan(x) | (x < 0.0), np.nan, np.where(x <= _BERMAN_LONG, closed, series))


def viscous_tube_l_s(
    diameter_m: ArrayLike,
    length_m: ArrayLike,
    mean_pressure_micron: ArrayLike,
    viscosity_pa_s: ArrayLike = AIR_VISCOSITY_PA_S,
) -> FloatArray:
    """Viscous (laminar, Poiseuille) conductance of a tube, ``pi d^4 p / (128 eta l)``.

    Parameters
    ----------
    diameter_m, length_m : float or array_like
        Bore and length, m.
    mean_pressure_micron : float or array_like
        Mean of the pressures at both ends, microns.
    viscosity_pa_s : float or array_like
        Dynamic viscosity, Pa s; air at 20 degC if not given.

    Returns
    -------
    ndarray
        Litres per second, of the broadcast shape.
    """
    d, length = np.asarray(diameter_m, dtype=np.float64), np.asarray(length_m, dtype=np.float64)
    pressure_pa = np.asarray(mean_pressure_micron, dtype=np.float64) * MICRON_PA
    return 1000.0 * math.pi * d**4 * pressure_pa / (128.0 * np.asarray(viscosity_pa_s, dtype=np.float64) * length)


def knudsen_tube_l_s(
    diameter_m: ArrayLike, length_m: ArrayLike, mean_pressure_micron: ArrayLike, gas: Gas = AIR
) -> FloatArray:
    """Conductance of a long tube from viscous to molecular flow, after Knudsen.

    For air at 20 degC, in cm and mbar: ``135 d^4 p / l + 12.1 d^3 / l (1 + 192 d p) / (1 + 237 d p)``. For another gas
    the viscous part goes with the inverse of viscosity, the molecular part with the inverse root of molar mass, and
    the passage between them with pressure over mean free path.

    Parameters
    ----------
    diameter_m, length_m : float or array_like
        Bore and length, m.
    mean_pressure_micron : float or array_like
        Mean of the pressures at both ends, microns.
    gas : Gas
        The gas; air if not given.

    Returns
    -------
    ndarray
        Litres per second, of the broadcast shape.

    Notes
    -----
    The coefficient 135 goes with **mbar**; with Torr it would be 180.

    References
    ----------
    Knudsen (1909) with handbook constants for air, from memory.
    """
    d = np.asarray(diameter_m, dtype=np.float64) * _CM
    length = np.asarray(length_m, dtype=np.float64) * _CM
    p = np.asarray(mean_pressure_micron, dtype=np.float64) * _MICRON_MBAR
    dp = d * p * (AIR.mean_free_path_m_pa / gas.mean_free_path_m_pa)
    viscous = KNUDSEN_VISCOUS_COEFFICIENT * d**4 * p / length * (AIR.viscosity_pa_s / gas.viscosity_pa_s)
    molecular = KNUDSEN_MOLECULAR_COEFFICIENT * d**3 / length * math.sqrt(AIR.molar_mass_kg_mol / gas.molar_mass_kg_mol)
    return viscous + molecular * (1.0 + KNUDSEN_NUMERATOR * dp) / (1.0 + KNUDSEN_DENOMINATOR * dp)


def knudsen_number(
    diameter_m: ArrayLike, pressure_micron: ArrayLike, free_path_m_pa: ArrayLike = AIR_MEAN_FREE_PATH_M_PA
) -> FloatArray:
    """Mean free path over diameter; infinite at zero pressure."""
    pressure_pa = np.asarray(pressure_micron, dtype=np.float64) * MICRON_PA
    with np.errstate(divide="ignore"):
        return np.asarray(free_path_m_pa, dtype=np.float64) / (pressure_pa * np.asarray(diameter_m, dtype=np.float64))


def flow_regime(knudsen: ArrayLike) -> NDArray[np.int8]:
    """Flow regime (a :class:`FlowRegime` number) by Knudsen number: transitional for 0.01 < Kn < 0.5; -1 for NaN."""
    kn = np.asarray(knudsen, dtype=np.float64)
    regime = np.where(kn <= KNUDSEN_VISCOUS_BELOW, FlowRegime.VISCOUS, FlowRegime.TRANSITIONAL)
    regime = np.where(kn >= KNUDSEN_MOLECULAR_ABOVE, FlowRegime.MOLECULAR, regime)
    return np.where(np.isnan(kn), -1, regime).astype(np.int8)


def flow_regime_by_pd(pressure_micron: ArrayLike, diameter_m: ArrayLike) -> NDArray[np.int8]:
    """Flow regime of air by pressure times diameter: viscous above 0.5 Torr cm, molecular below 0.01; -1 for NaN."""
    pd = np.asarray(pressure_micron, dtype=np.float64) * _MICRON_TORR * np.asarray(diameter_m, dtype=np.float64) * _CM
    regime = np.where(pd > PD_VISCOUS_ABOVE_TORR_CM, FlowRegime.VISCOUS, FlowRegime.TRANSITIONAL)
    regime = np.where(pd < PD_MOLECULAR_BELOW_TORR_CM, FlowRegime.MOLECULAR, regime)
    return np.where(np.isnan(pd), -1, regime).astype(np.int8)


def in_series_l_s(*conductances_l_s: ArrayLike) -> FloatArray:
    """Conductance of parts one behind the other, ``1 / sum(1 / C)``; zero if any part is shut."""
    with np.errstate(divide="ignore"):
        resistance = sum((1.0 / np.asarray(c, dtype=np.float64) for c in conductances_l_s), start=np.asarray(0.0))
        return 1.0 / resistance


def in_parallel_l_s(*conductances_l_s: ArrayLike) -> FloatArray:
    """Conductance of parts side by side, the sum."""
    return sum((np.asarray(c, dtype=np.float64) for c in conductances_l_s), start=np.asarray(0.0))


@kernel
def _ended_tube_kernel(diameter_m: float, length_m: float, mean_micron: float) -> float:
    """Conductance of a tube with its ends counted, l/s, air (see :func:`hose_l_s`)."""
    d, length, p = diameter_m * 100.0, length_m * 100.0, mean_micron * _MICRON_MBAR
    dp = d * p
    viscous = KNUDSEN_VISCOUS_COEFFICIENT * d * d * d * dp / (length + _VISCOUS_ENDS * d)
    slip = (1.0 + KNUDSEN_NUMERATOR * dp) / (1.0 + KNUDSEN_DENOMINATOR * dp)
    return viscous + KNUDSEN_MOLECULAR_COEFFICIENT * d * d * d / (length + _MOLECULAR_ENDS * d) * slip


@kernel
def _hose_kernel(bore_m: float, length_m: float, core_m: float, mean_micron: float) -> float:
    """Conductance of a hose and, for ``core_m > 0``, a valve core in series, l/s, air (see :func:`hose_l_s`)."""
    resistance = 1.0 / _ended_tube_kernel(bore_m, length_m, mean_micron)
    if core_m > 0.0:
        resistance += 1.0 / _ended_tube_kernel(core_m, _VALVE_CORE_SEAT_M, mean_micron)
    return 1.0 / resistance


@kernel
def _hose_array(bore_m: FloatArray, length_m: FloatArray, core_m: FloatArray, mean_micron: FloatArray) -> FloatArray:
    out = np.empty(bore_m.size)
    for i in range(bore_m.size):
        out[i] = _hose_kernel(bore_m[i], length_m[i], core_m[i], mean_micron[i])
    return out


def hose_l_s(
    bore_m: ArrayLike, length_m: ArrayLike, mean_pressure_micron: ArrayLike, core_m: ArrayLike = 0.0
) -> FloatArray:
    """Conductance of a service hose for air at 20 degC, its ends counted, with a valve core left in place.

    A tube after Knudsen whose ends make it longer: by 4/3 of its bore in molecular flow (as
    :func:`short_tube_l_s`) and by 3 pi / 16 in creeping viscous flow (Sampson's hole). A valve core is a narrow tube
    of 10 mm (common practice, no source) in series. The inertia of fast flow is left out here:
    see :func:`blankoff.physics.pumping.rig_speed_l_s`.

    Parameters
    ----------
    bore_m, length_m : float or array_like
        Bore and length of the hose, m, positive.
    mean_pressure_micron : float or array_like
        Mean pressure in the hose, microns.
    core_m : float or array_like
        Width of the hole a valve core leaves, m; zero or NaN for a core taken out.

    Returns
    -------
    ndarray
        Litres per second, of the broadcast shape; NaN where bore, length or pressure is.
    """
    bore, length, core, p = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (bore_m, length_m, core_m, mean_pressure_micron))
    )
    return _hose_array(*(np.ascontiguousarray(a).ravel() for a in (bore, length, core, p))).reshape(bore.shape)
