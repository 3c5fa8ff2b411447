"""Saturation pressure of water over ice and over liquid, and its inverse.

Below 0.01 degC the vapour stands over ice, above it over liquid water. A wet spot in a
circuit cannot hold less than this pressure, which is why a standing vacuum says how cold
the wettest spot would have to be.

For compiled code elsewhere, two scalar kernels are public in all but the underscore:
``_psat_kernel(t_c) -> micron`` and ``_tsat_kernel(micron) -> t_c``; ``_psat_ice_kernel``
and ``_psat_liquid_kernel`` are the two branches (the liquid branch may be called below
the triple point for supercooled water, as an extrapolation).

References
----------
.. [1] IAPWS R14-08(2011), pressure along the melting and sublimation curves of water.
.. [2] W. Wagner, A. Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783; IAPWS SR1-86(1992).
"""

import math
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blankoff.constants import (
    ICE_COLDEST_K,
    MICRON_PA,
    WATER_CRITICAL_POINT_K,
    WATER_CRITICAL_POINT_PA,
    WATER_TRIPLE_POINT_K,
    WATER_TRIPLE_POINT_PA,
    ZERO_CELSIUS_K,
)
from blankoff.physics.compiled import kernel

__all__ = ["saturation_pressure_micron", "saturation_slope_per_k", "saturation_temperature_c"]

_NEWTON_STEPS = 30
_NEWTON_TOLERANCE = 1e-13


@kernel
def _ln_ice(t_k: float) -> tuple[float, float]:
    """ln(p / 1 Pa) over ice and its slope per kelvin, from IAPWS R14-08(2011)."""
    theta = t_k / WATER_TRIPLE_POINT_K
    first = -21.2144006 * theta**0.00333333333
    second = 27.3203819 * theta**1.20666667
    third = -6.10598130 * theta**1.70333333
    total = first + second + third
    slope = 0.00333333333 * first + 1.20666667 * second + 1.70333333 * third
    # ln p = ln p_t + total / theta, so d ln p / d theta = (theta total' - total) / theta^2
    return (
        math.log(WATER_TRIPLE_POINT_PA) + total / theta,
        (slope - total) / (theta * theta * WATER_TRIPLE_POINT_K),
    )


@kernel
def _ln_liquid(t_k: float) -> tuple[float, float]:
    """ln(p / 1 Pa) over liquid and its slope per kelvin, from Wagner & Pruss (1993)."""
    nu = 1.0 - t_k / WATER_CRITICAL_POINT_K
    root = math.sqrt(nu)
    cube = nu * nu * nu
    total = (
        -7.85951783 * nu
        + 1.84408259 * nu * root
        - 11.7866497 * cube
        + 22.6807411 * cube * root
        - 15.9618719 * cube * nu
        + 1.80122502 * cube * cube * nu * root
    )
    slope = (
        -7.85951783
        + 1.5 * 1.84408259 * root
        - 3.0 * 11.7866497 * nu * nu
        + 3.5 * 22.6807411 * nu * nu * root
        - 4.0 * 15.9618719 * cube
        + 7.5 * 1.80122502 * cube * cube * root
    )
    ratio = WATER_CRITICAL_POINT_K / t_k
    return (
        math.log(WATER_CRITICAL_POINT_PA) + ratio * total,
        -(ratio / t_k) * total - slope / t_k,
    )


@kernel
def _psat_ice_kernel(t_c: float) -> float:
    """Saturation pressure over ice, microns; NaN outside 50 - 273.16 K."""
    t_k = t_c + ZERO_CELSIUS_K
    if not (ICE_COLDEST_K <= t_k <= WATER_TRIPLE_POINT_K):
        return math.nan
    return math.exp(_ln_ice(t_k)[0]) / MICRON_PA


@kernel
def _psat_liquid_kernel(t_c: float) -> float:
    """Saturation pressure over liquid, microns; NaN above the critical point or below -40 degC."""
    t_k = t_c + ZERO_CELSIUS_K
    if not (233.15 <= t_k <= WATER_CRITICAL_POINT_K):
        return math.nan
    return math.exp(_ln_liquid(t_k)[0]) / MICRON_PA


@kernel
def _psat_kernel(t_c: float) -> float:
    """Saturation pressure of water, microns, at `t_c` degC: ice below 0.01 degC, else liquid."""
    if t_c + ZERO_CELSIUS_K < WATER_TRIPLE_POINT_K:
        return _psat_ice_kernel(t_c)
    return _psat_liquid_kernel(t_c)


@kernel
def _psat_slope_kernel(t_c: float) -> float:
    """Slope d ln(saturation pressure) / dT, per kelvin, at `t_c` degC, on the branch in force."""
    t_k = t_c + ZERO_CELSIUS_K
    if not (ICE_COLDEST_K <= t_k <= WATER_CRITICAL_POINT_K):
        return math.nan
    if t_k < WATER_TRIPLE_POINT_K:
        return _ln_ice(t_k)[1]
    return _ln_liquid(t_k)[1]


@kernel
def _tsat_kernel(pressure_micron: float) -> float:
    """Temperature, degC, at which water's saturation pressure is `pressure_micron`.

    Newton's method for ln p against 1/T, along which the saturation line is nearly
    straight, so that it converges in a handful of steps from the triple point.
    """
    pressure_pa = pressure_micron * MICRON_PA
    if not (0.0 < pressure_pa <= WATER_CRITICAL_POINT_PA):
        return math.nan
    wanted = math.log(pressure_pa)
    over_ice = pressure_pa < WATER_TRIPLE_POINT_PA
    t_k = WATER_TRIPLE_POINT_K
    for _ in range(_NEWTON_STEPS):
        value, slope = _ln_ice(t_k) if over_ice else _ln_liquid(t_k)
        inverse = 1.0 / t_k + (value - wanted) / (slope * t_k * t_k)
        new = 1.0 / inverse
        if over_ice:
            new = min(max(new, ICE_COLDEST_K), WATER_TRIPLE_POINT_K)
        else:
            new = min(max(new, WATER_TRIPLE_POINT_K), WATER_CRITICAL_POINT_K)
        step = new - t_k
        t_k = new
        if abs(step) <= _NEWTON_TOLERANCE * t_k:
            break
    if over_ice and wanted < _ln_ice(ICE_COLDEST_K)[0]:
        return math.nan
    return t_k - ZERO_CELSIUS_K


@kernel
def _psat_array(t_c: NDArray[np.float64]) -> NDArray[np.float64]:
    out = np.empty(t_c.size)
    for i in range(t_c.size):
        out[i] = _psat_kernel(t_c[i])
    return out


@kernel
def _psat_slope_array(t_c: NDArray[np.float64]) -> NDArray[np.float64]:
    out = np.empty(t_c.size)
    for i in range(t_c.size):
        out[i] = _psat_slope_kernel(t_c[i])
    return out


@kernel
def _tsat_array(pressure_micron: NDArray[np.float64]) -> NDArray[np.float64]:
    out = np.empty(pressure_micron.size)
    for i in range(pressure_micron.size):
        out[i] = _tsat_kernel(pressure_micron[i])
    return out


@overload
def saturation_pressure_micron(t_c: float) -> float: ...
@overload
def saturation_pressure_micron(t_c: ArrayLike) -> NDArray[np.float64]: ...
def saturation_pressure_micron(t_c: ArrayLike) -> float | NDArray[np.float64]:
    """Saturation pressure of water vapour, over ice below 0.01 degC and over liquid above.

    Parameters
    ----------
    t_c : float or array_like
        Temperature, degC.

    Returns
    -------
    float or ndarray
        Pressure in microns, of the shape of `t_c`; NaN for NaN and outside 50 - 647.096 K.

    References
    ----------
    IAPWS R14-08(2011) over ice; Wagner & Pruss (1993), IAPWS SR1-86(1992), over liquid.
    """
    values = np.asarray(t_c, dtype=np.float64)
    if values.ndim == 0:
        return float(_psat_kernel(float(values)))
    return _psat_array(values.ravel()).reshape(values.shape)


@overload
def saturation_slope_per_k(t_c: float) -> float: ...
@overload
def saturation_slope_per_k(t_c: ArrayLike) -> NDArray[np.float64]: ...
def saturation_slope_per_k(t_c: ArrayLike) -> float | NDArray[np.float64]:
    """Slope d ln(saturation pressure) / dT: the relative rise of vapour pressure per kelvin.

    Parameters
    ----------
    t_c : float or array_like
        Temperature, degC.

    Returns
    -------
    float or ndarray
        Per kelvin, of the shape of `t_c`; NaN where the pressure is NaN.
    """
    values = np.asarray(t_c, dtype=np.float64)
    if values.ndim == 0:
        return float(_psat_slope_kernel(float(values)))
    return _psat_slope_array(values.ravel()).reshape(values.shape)


@overload
def saturation_temperature_c(pressure_micron: float) -> float: ...
@overload
def saturation_temperature_c(pressure_micron: ArrayLike) -> NDArray[np.float64]: ...
def saturation_temperature_c(pressure_micron: ArrayLike) -> float | NDArray[np.float64]:
    """Temperature at which water is in equilibrium with vapour of the given pressure.

    Parameters
    ----------
    pressure_micron : float or array_like
        Water vapour pressure, microns.

    Returns
    -------
    float or ndarray
        Temperature, degC, of the shape of `pressure_micron`; NaN for NaN, for pressures
        that are not positive and for those off the saturation line.

    References
    ----------
    The inverse of :func:`saturation_pressure_micron`.
    """
    values = np.asarray(pressure_micron, dtype=np.float64)
    if values.ndim == 0:
        return float(_tsat_kernel(float(values)))
    return _tsat_array(values.ravel()).reshape(values.shape)
