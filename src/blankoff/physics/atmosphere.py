"""Air pressure with altitude: where a pull starts, and what drives a leak inwards."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blankoff.constants import ATMOSPHERE_EXPONENT, ATMOSPHERE_LAPSE_PER_M, MICRON_PA, STANDARD_ATMOSPHERE_PA

__all__ = ["altitude_of_pressure_m", "standard_pressure_micron"]

FloatArray: TypeAlias = NDArray[np.float64]


def standard_pressure_micron(altitude_m: ArrayLike) -> FloatArray:
    """Pressure of the standard atmosphere, ``101325 (1 - 2.25577e-5 z)^5.2559`` Pa, in microns.

    Parameters
    ----------
    altitude_m : float or array_like
        Altitude above sea level, m, -5000 to 11 000.

    Returns
    -------
    ndarray
        Microns, of the shape of `altitude_m`; NaN for NaN and outside the troposphere.

    References
    ----------
    ASHRAE Handbook Fundamentals, ch. 1 (formula from memory, table values read; reference check section 2).
    """
    z = np.asarray(altitude_m, dtype=np.float64)
    valid = (z >= -5000.0) & (z <= 11_000.0)
    base = 1.0 - ATMOSPHERE_LAPSE_PER_M * np.where(valid, z, np.nan)
    return STANDARD_ATMOSPHERE_PA / MICRON_PA * base**ATMOSPHERE_EXPONENT


def altitude_of_pressure_m(pressure_micron: ArrayLike) -> FloatArray:
    """Altitude at which the standard atmosphere has a pressure, m; the inverse of :func:`standard_pressure_micron`."""
    p = np.asarray(pressure_micron, dtype=np.float64)
    ratio = np.where(p > 0.0, p, np.nan) * (MICRON_PA / STANDARD_ATMOSPHERE_PA)
    z = (1.0 - ratio ** (1.0 / ATMOSPHERE_EXPONENT)) / ATMOSPHERE_LAPSE_PER_M
    return np.where((z >= -5000.0) & (z <= 11_000.0), z, np.nan)
