"""Leaks: from a rising pressure to throughput, amount of gas, and, under a stated model, refrigerant per year.

A vacuum test sees air drawn inwards by at most one atmosphere. What the same hole would let out of a charged circuit
is not measured by it: :func:`refrigerant_loss` is a model, says so in its result, and is kept apart from the plain
conversions above it.

References
----------
.. [1] A vacuum handbook's chapter on leak rates: ``q = V dp / dt`` (read; reference checks 4.1, 4.2).
.. [2] 40 CFR 1065.644, vacuum-decay leak rate (inputs of the example read; reference check 4.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blankoff.constants import (
    AIR_HEAT_CAPACITY_RATIO,
    AIR_VISCOSITY_PA_S,
    GAS_CONSTANT_J_MOL_K,
    MICRON_PA,
    SECONDS_PER_YEAR,
    STANDARD_ATMOSPHERE_PA,
    ZERO_CELSIUS_K,
)
from blankoff.physics.refrigerants import refrigerant

__all__ = [
    "ModelledLoss",
    "amount_rate_mol_s",
    "choked_below_micron",
    "critical_pressure_ratio",
    "is_choked",
    "leak_at_temperature_pa_m3_s",
    "leak_from_rise_pa_m3_s",
    "mass_rate_g_per_year",
    "pressure_rise_rate_pa_m3_s",
    "refrigerant_loss",
    "throughput_of_mass_rate_pa_m3_s",
]

FloatArray: TypeAlias = NDArray[np.float64]

_LITRE_M3: Final = 1e-3
_MINUTE_S: Final = 60.0


def pressure_rise_rate_pa_m3_s(volume_l: ArrayLike, rise_pa: ArrayLike, interval_s: ArrayLike) -> FloatArray:
    """Throughput that raises a volume's pressure, ``V dp / dt``, at the temperature of the gas.

    Parameters
    ----------
    volume_l, rise_pa, interval_s : float or array_like
        Volume, l; pressure rise, Pa; time, s.

    Returns
    -------
    ndarray
        Pa m3/s, of the broadcast shape.
    """
    volume_m3 = np.asarray(volume_l, dtype=np.float64) * _LITRE_M3
    return volume_m3 * np.asarray(rise_pa, dtype=np.float64) / np.asarray(interval_s, dtype=np.float64)


def leak_from_rise_pa_m3_s(volume_l: ArrayLike, rise_micron_per_min: ArrayLike) -> FloatArray:
    """Throughput of a steady rise in microns per minute in a volume in litres, Pa m3/s at the gas's temperature."""
    return pressure_rise_rate_pa_m3_s(
        volume_l, np.asarray(rise_micron_per_min, dtype=np.float64) * MICRON_PA, _MINUTE_S
    )


def leak_at_temperature_pa_m3_s(leak_pa_m3_s: ArrayLike, gas_c: ArrayLike, reference_c: ArrayLike) -> FloatArray:
    """Restate a throughput measured at one gas temperature at a reference temperature: the same moles per second.

    Parameters
    ----------
    leak_pa_m3_s : float or array_like
        Throughput at the gas's temperature, Pa m3/s.
    gas_c, reference_c : float or array_like
        Temperature of the gas and the declared reference, degC. Between 0 and 20 degC the number differs by 7 %.

    Returns
    -------
    ndarray
        Pa m3/s at the reference temperature.
    """
    ratio = (np.asarray(reference_c, dtype=np.float64) + ZERO_CELSIUS_K) / (
        np.asarray(gas_c, dtype=np.float64) + ZERO_CELSIUS_K
    )
    return np.asarray(leak_pa_m3_s, dtype=np.float64) * ratio


def amount_rate_mol_s(
    volume_l: ArrayLike,
    first_pa: ArrayLike,
    first_c: ArrayLike,
    second_pa: ArrayLike,
    second_c: ArrayLike,
    interval_s: ArrayLike,
    gas_constant_j_mol_k: float = GAS_CONSTANT_J_MOL_K,
) -> FloatArray:
    """Amount of gas entering per second, ``V / R (p2 / T2 - p1 / T1) / dt``, temperatures of both readings counted.

    Parameters
    ----------
    volume_l : float or array_like
        Volume, l.
    first_pa, first_c, second_pa, second_c : float or array_like
        Pressure, Pa, and gas temperature, degC, at the beginning and the end.
    interval_s : float or array_like
        Time between them, s.
    gas_constant_j_mol_k : float
        Molar gas constant; the exact SI value if not given.

    Returns
    -------
    ndarray
        mol/s, of the broadcast shape; negative for a loss.

    References
    ----------
    40 CFR 1065.644.
    """
    first = np.asarray(first_pa, dtype=np.float64) / (np.asarray(first_c, dtype=np.float64) + ZERO_CELSIUS_K)
    second = np.asarray(second_pa, dtype=np.float64) / (np.asarray(second_c, dtype=np.float64) + ZERO_CELSIUS_K)
    volume_m3 = np.asarray(volume_l, dtype=np.float64) * _LITRE_M3
    return volume_m3 / gas_constant_j_mol_k * (second - first) / np.asarray(interval_s, dtype=np.float64)


def mass_rate_g_per_year(leak_pa_m3_s: ArrayLike, molar_mass_kg_mol: ArrayLike, t_c: ArrayLike = 20.0) -> FloatArray:
    """Mass per year carried by a throughput *of that very gas*, ``q M / (R T)``.

    Parameters
    ----------
    leak_pa_m3_s : float or array_like
        Throughput of the gas, Pa m3/s.
    molar_mass_kg_mol : float or array_like
        Molar mass of the gas, kg/mol.
    t_c : float or array_like
        Temperature at which the throughput is stated, degC.

    Returns
    -------
    ndarray
        Grams per Julian year.

    See Also
    --------
    refrigerant_loss : what a leak found with air under vacuum may mean for a charged circuit.
    """
    t_k = np.asarray(t_c, dtype=np.float64) + ZERO_CELSIUS_K
    moles_per_s = np.asarray(leak_pa_m3_s, dtype=np.float64) / (GAS_CONSTANT_J_MOL_K * t_k)
    return moles_per_s * np.asarray(molar_mass_kg_mol, dtype=np.float64) * 1000.0 * SECONDS_PER_YEAR


def throughput_of_mass_rate_pa_m3_s(
    g_per_year: ArrayLike, molar_mass_kg_mol: ArrayLike, t_c: ArrayLike = 20.0
) -> FloatArray:
    """Throughput of a gas that carries so many grams per year; the inverse of :func:`mass_rate_g_per_year`."""
    return np.asarray(g_per_year, dtype=np.float64) / mass_rate_g_per_year(1.0, molar_mass_kg_mol, t_c)


def critical_pressure_ratio(heat_capacity_ratio: ArrayLike = AIR_HEAT_CAPACITY_RATIO) -> FloatArray:
    """Downstream over upstream pressure below which flow through a hole is choked; 0.528 for air.

    References
    ----------
    Isentropic flow, ``(2 / (g + 1))^(g / (g - 1))`` (from memory).
    """
    g = np.asarray(heat_capacity_ratio, dtype=np.float64)
    return (2.0 / (g + 1.0)) ** (g / (g - 1.0))


def choked_below_micron(
    outside_micron: ArrayLike, heat_capacity_ratio: ArrayLike = AIR_HEAT_CAPACITY_RATIO
) -> FloatArray:
    """Inside pressure up to which a leak from outside is choked, so that its throughput does not fall, microns."""
    return critical_pressure_ratio(heat_capacity_ratio) * np.asarray(outside_micron, dtype=np.float64)


def is_choked(
    inside_micron: ArrayLike, outside_micron: ArrayLike, heat_capacity_ratio: ArrayLike = AIR_HEAT_CAPACITY_RATIO
) -> NDArray[np.bool_]:
    """Whether a leak from outside is choked at the given inside pressure: then the pressure rises straight."""
    return np.asarray(inside_micron, dtype=np.float64) <= choked_below_micron(outside_micron, heat_capacity_ratio)


@dataclass(frozen=True, slots=True)
class ModelledLoss:
    """What a leak found under vacuum may lose from a charged circuit: a model's number, never a measurement.

    Attributes
    ----------
    g_per_year
        Grams per Julian year, of the shape of the leak.
    inside_pa
        Absolute pressure in the charged circuit that the model assumed, Pa.
    label
        The words that go beside the number wherever it is shown.
    """

    g_per_year: FloatArray
    inside_pa: float
    label: str


def refrigerant_loss(
    air_leak_pa_m3_s: ArrayLike,
    name: str,
    *,
    inside_pa: float | None = None,
    outside_pa: float = STANDARD_ATMOSPHERE_PA,
    t_c: float = 20.0,
) -> ModelledLoss:
    """Refrigerant a circuit would lose through the leak that let air in under vacuum, if the leak is a fine capillary.

    In viscous flow through a capillary the throughput goes with ``(p_high^2 - p_low^2) / viscosity``: from air drawn in
    from outside to nothing, to refrigerant vapour driven out from the circuit's own pressure.

    Parameters
    ----------
    air_leak_pa_m3_s : float or array_like
        Throughput of air found under vacuum, Pa m3/s at `t_c`; negative values count as none.
    name : str
        The refrigerant's designation, such as ``R32``.
    inside_pa : float, optional
        Absolute pressure in the charged circuit, Pa; the refrigerant's saturation pressure at 20 degC if not given.
    outside_pa : float
        Pressure of the surrounding air, Pa.
    t_c : float
        Temperature, degC.

    Returns
    -------
    ModelledLoss
        Grams per year with the assumptions in its label.

    Raises
    ------
    UnknownWordError
        If the refrigerant is not one of those listed in :mod:`blankoff.physics.refrigerants`.

    Notes
    -----
    A hole in place of a capillary, liquid in place of vapour, or a leak that opens under pressure gives other numbers,
    up to several times as much. No standard is quoted for it.
    """
    fluid = refrigerant(name)
    pressure = fluid.saturation_pa_20c if inside_pa is None else float(inside_pa)
    driving = max(pressure * pressure - outside_pa * outside_pa, 0.0) / (outside_pa * outside_pa)
    outward = np.maximum(np.asarray(air_leak_pa_m3_s, dtype=np.float64), 0.0) * (
        driving * AIR_VISCOSITY_PA_S / fluid.vapour_viscosity_pa_s
    )
    label = (
        f"model, not a measurement: fine capillary in viscous flow, {fluid.name} vapour at "
        f"{pressure / 1000.0:.0f} kPa absolute, {t_c:g} degC"
    )
    return ModelledLoss(mass_rate_g_per_year(outward, fluid.molar_mass_kg_mol, t_c), pressure, label)
