"""Units: words coerced once, at the edge, and numbers turned into the package's own named units.

Inside the package pressure is in microns (or in Pa where the name says so), temperature in degC, volume in litres,
time in seconds and speed in litres per second. Every function takes a number or an array and returns the same shape.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final, Self, TypeAlias, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blankoff.constants import (
    FOOT_M,
    INHG_PA,
    MBAR_PA,
    MICRON_PA,
    STANDARD_ATMOSPHERE_PA,
    TORR_PA,
    ZERO_CELSIUS_K,
)
from blankoff.errors import UnknownWordError

__all__ = [
    "LeakUnit",
    "PressureUnit",
    "SpeedUnit",
    "TemperatureUnit",
    "celsius_to",
    "celsius_to_kelvin",
    "kelvin_to_celsius",
    "l_per_s_to",
    "leak_to",
    "micron_to",
    "micron_to_pa",
    "pa_to_micron",
    "to_celsius",
    "to_l_per_s",
    "to_micron",
    "to_pa_m3_s",
]

FloatArray: TypeAlias = NDArray[np.float64]


class _Word(StrEnum):
    """An enumeration whose words are coerced at the boundary; an unknown word lists the known ones."""

    @classmethod
    def _what(cls) -> str:
        raise NotImplementedError

    @classmethod
    def coerce(cls, word: str) -> Self:
        """Return the member a word stands for, letter case and surrounding blanks aside.

        Raises
        ------
        UnknownWordError
            If the word is not one of the known ones.
        """
        try:
            return cls(str(word).strip().lower())
        except ValueError:
            raise UnknownWordError(cls._what(), str(word), [m.value for m in cls]) from None


class PressureUnit(_Word):
    """Units of absolute pressure a log may be in."""

    MICRON = "micron"
    MTORR = "mtorr"
    TORR = "torr"
    PA = "pa"
    HPA = "hpa"
    KPA = "kpa"
    MBAR = "mbar"
    INHG = "inhg"

    @classmethod
    def _what(cls) -> str:
        return "pressure unit"

    @property
    def pa(self) -> float:
        """What one of this unit is in Pa."""
        return _PRESSURE_PA[self]


class TemperatureUnit(_Word):
    """Units of temperature a log may be in."""

    C = "c"
    F = "f"
    K = "k"

    @classmethod
    def _what(cls) -> str:
        return "temperature unit"


class SpeedUnit(_Word):
    """Units of pumping speed, free air displacement and conductance."""

    L_PER_S = "l_per_s"
    L_PER_MIN = "l_per_min"
    M3_PER_S = "m3_per_s"
    M3_PER_H = "m3_per_h"
    FT3_PER_MIN = "ft3_per_min"

    @classmethod
    def _what(cls) -> str:
        return "speed unit"


class LeakUnit(_Word):
    """Units of throughput: pressure times volume per time, at the gas's own temperature.

    ``std_cm3_s`` is the cubic centimetre per second at one standard atmosphere and 0 degC.
    """

    PA_M3_S = "pa_m3_s"
    MBAR_L_S = "mbar_l_s"
    TORR_L_S = "torr_l_s"
    MICRON_L_S = "micron_l_s"
    STD_CM3_S = "std_cm3_s"

    @classmethod
    def _what(cls) -> str:
        return "leak-rate unit"


_PRESSURE_PA: Final = {
    PressureUnit.MICRON: MICRON_PA,
    PressureUnit.MTORR: MICRON_PA,
    PressureUnit.TORR: TORR_PA,
    PressureUnit.PA: 1.0,
    PressureUnit.HPA: 100.0,
    PressureUnit.KPA: 1000.0,
    PressureUnit.MBAR: MBAR_PA,
    PressureUnit.INHG: INHG_PA,
}

_SPEED_L_S: Final = {
    SpeedUnit.L_PER_S: 1.0,
    SpeedUnit.L_PER_MIN: 1.0 / 60.0,
    SpeedUnit.M3_PER_S: 1000.0,
    SpeedUnit.M3_PER_H: 1000.0 / 3600.0,
    SpeedUnit.FT3_PER_MIN: FOOT_M**3 * 1000.0 / 60.0,
}

_LEAK_PA_M3_S: Final = {
    LeakUnit.PA_M3_S: 1.0,
    LeakUnit.MBAR_L_S: MBAR_PA * 1e-3,
    LeakUnit.TORR_L_S: TORR_PA * 1e-3,
    LeakUnit.MICRON_L_S: MICRON_PA * 1e-3,
    LeakUnit.STD_CM3_S: STANDARD_ATMOSPHERE_PA * 1e-6,
}


@overload
def _affine(values: float, scale: float, shift: float = ...) -> float: ...
@overload
def _affine(values: ArrayLike, scale: float, shift: float = ...) -> FloatArray: ...
def _affine(values: ArrayLike, scale: float, shift: float = 0.0) -> float | FloatArray:
    """Scale, then shift: a float for a number, an array of the same shape for anything else."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0:
        return float(array) * scale + shift
    return array * scale + shift


@overload
def to_micron(values: float, unit: PressureUnit | str) -> float: ...
@overload
def to_micron(values: ArrayLike, unit: PressureUnit | str) -> FloatArray: ...
def to_micron(values: ArrayLike, unit: PressureUnit | str) -> float | FloatArray:
    """Absolute pressure in `unit` to microns.

    Parameters
    ----------
    values : float or array_like
        Absolute pressure in `unit`; NaN stays NaN.
    unit : PressureUnit or str
        The unit, or its word.

    Returns
    -------
    float or ndarray
        Microns, of the shape of `values`.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known pressure unit.
    """
    return _affine(values, PressureUnit.coerce(unit).pa / MICRON_PA)


@overload
def micron_to(values: float, unit: PressureUnit | str) -> float: ...
@overload
def micron_to(values: ArrayLike, unit: PressureUnit | str) -> FloatArray: ...
def micron_to(values: ArrayLike, unit: PressureUnit | str) -> float | FloatArray:
    """Microns to absolute pressure in `unit`; the inverse of :func:`to_micron`.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known pressure unit.
    """
    return _affine(values, MICRON_PA / PressureUnit.coerce(unit).pa)


@overload
def micron_to_pa(values: float) -> float: ...
@overload
def micron_to_pa(values: ArrayLike) -> FloatArray: ...
def micron_to_pa(values: ArrayLike) -> float | FloatArray:
    """Microns to Pa, of the same shape."""
    return _affine(values, MICRON_PA)


@overload
def pa_to_micron(values: float) -> float: ...
@overload
def pa_to_micron(values: ArrayLike) -> FloatArray: ...
def pa_to_micron(values: ArrayLike) -> float | FloatArray:
    """Pa to microns, of the same shape."""
    return _affine(values, 1.0 / MICRON_PA)


@overload
def to_celsius(values: float, unit: TemperatureUnit | str) -> float: ...
@overload
def to_celsius(values: ArrayLike, unit: TemperatureUnit | str) -> FloatArray: ...
def to_celsius(values: ArrayLike, unit: TemperatureUnit | str) -> float | FloatArray:
    """Temperature in `unit` (``c``, ``f`` or ``k``) to degC, of the same shape.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known temperature unit.
    """
    known = TemperatureUnit.coerce(unit)
    if known is TemperatureUnit.F:
        return _affine(values, 5.0 / 9.0, -160.0 / 9.0)
    return _affine(values, 1.0, -ZERO_CELSIUS_K if known is TemperatureUnit.K else 0.0)


@overload
def celsius_to(values: float, unit: TemperatureUnit | str) -> float: ...
@overload
def celsius_to(values: ArrayLike, unit: TemperatureUnit | str) -> FloatArray: ...
def celsius_to(values: ArrayLike, unit: TemperatureUnit | str) -> float | FloatArray:
    """Temperature in degC to `unit`; the inverse of :func:`to_celsius`.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known temperature unit.
    """
    known = TemperatureUnit.coerce(unit)
    if known is TemperatureUnit.F:
        return _affine(values, 9.0 / 5.0, 32.0)
    return _affine(values, 1.0, ZERO_CELSIUS_K if known is TemperatureUnit.K else 0.0)


@overload
def celsius_to_kelvin(values: float) -> float: ...
@overload
def celsius_to_kelvin(values: ArrayLike) -> FloatArray: ...
def celsius_to_kelvin(values: ArrayLike) -> float | FloatArray:
    """Degrees Celsius to K, of the same shape."""
    return _affine(values, 1.0, ZERO_CELSIUS_K)


@overload
def kelvin_to_celsius(values: float) -> float: ...
@overload
def kelvin_to_celsius(values: ArrayLike) -> FloatArray: ...
def kelvin_to_celsius(values: ArrayLike) -> float | FloatArray:
    """K to degC, of the same shape."""
    return _affine(values, 1.0, -ZERO_CELSIUS_K)


@overload
def to_l_per_s(values: float, unit: SpeedUnit | str) -> float: ...
@overload
def to_l_per_s(values: ArrayLike, unit: SpeedUnit | str) -> FloatArray: ...
def to_l_per_s(values: ArrayLike, unit: SpeedUnit | str) -> float | FloatArray:
    """Speed or conductance in `unit` to litres per second, of the same shape.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known speed unit.
    """
    return _affine(values, _SPEED_L_S[SpeedUnit.coerce(unit)])


@overload
def l_per_s_to(values: float, unit: SpeedUnit | str) -> float: ...
@overload
def l_per_s_to(values: ArrayLike, unit: SpeedUnit | str) -> FloatArray: ...
def l_per_s_to(values: ArrayLike, unit: SpeedUnit | str) -> float | FloatArray:
    """Litres per second to `unit`; the inverse of :func:`to_l_per_s`.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known speed unit.
    """
    return _affine(values, 1.0 / _SPEED_L_S[SpeedUnit.coerce(unit)])


@overload
def to_pa_m3_s(values: float, unit: LeakUnit | str) -> float: ...
@overload
def to_pa_m3_s(values: ArrayLike, unit: LeakUnit | str) -> FloatArray: ...
def to_pa_m3_s(values: ArrayLike, unit: LeakUnit | str) -> float | FloatArray:
    """Throughput or leak rate in `unit` to Pa m3/s, of the same shape, gas temperature unchanged.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known leak-rate unit.
    """
    return _affine(values, _LEAK_PA_M3_S[LeakUnit.coerce(unit)])


@overload
def leak_to(values: float, unit: LeakUnit | str) -> float: ...
@overload
def leak_to(values: ArrayLike, unit: LeakUnit | str) -> FloatArray: ...
def leak_to(values: ArrayLike, unit: LeakUnit | str) -> float | FloatArray:
    """Pa m3/s to `unit`; the inverse of :func:`to_pa_m3_s`.

    Raises
    ------
    UnknownWordError
        If `unit` is not a known leak-rate unit.
    """
    return _affine(values, 1.0 / _LEAK_PA_M3_S[LeakUnit.coerce(unit)])
