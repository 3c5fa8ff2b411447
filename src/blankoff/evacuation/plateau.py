"""The boil-off plateau: where it lies, how long it lasts, how much water it boils away. Kernels.

Free water holds pressure near its own saturation pressure, at the ambient temperature or, as it cools, below. On the
curve that is a stretch that falls slowly and then falls faster again at lower pressure, which neither a pump nor a hose
does of itself: their speed only shrinks as pressure falls. A floor is not left again.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.constants import GAS_CONSTANT_J_MOL_K, MICRON_PA, WATER_MOLAR_MASS_KG_MOL, ZERO_CELSIUS_K
from blankoff.physics.compiled import kernel
from blankoff.physics.saturation import _psat_kernel
from blankoff.samples import FloatArray

_BIN_LN = 0.1
_BINS = 72
_LOWEST_MICRON = 900.0
"""A spot of ice colder than about -18 degC (900 microns) boils too slowly to show as a plateau (own judgement)."""

_SLOW = 0.4
"""A bin of the curve belongs to the plateau if its rate is below this share of a rate further down."""

VAPOUR_POWER = 0.35
VAPOUR_SPEED = 1.2
"""Speed behind a hose falls with about this power of pressure between 8 000 and 1 000 microns, and is higher for vapour,
which is less viscous than air (own simulations of usual hoses and pumps; the bounds allow for others)."""

WATER_SE_LN = 0.45
"""Standard error of ln water beside that of the speed, found on simulated pulls."""

USUAL_SPEED_L_S, USUAL_SPEED_SE_LN = 1.8, 0.5
LEAST_SPEED_L_S, MOST_SPEED_L_S = 1.0, 5.0
"""Effective speed for air around 8 000 microns, the hose hardly in the way: pumps of 1.4 - 5 l/s free air (the field's ranges).
Water that boils holds the pressure up, so that a speed read off a wet pull comes out many times too low: below the least
one the usual speed is taken in its place."""

_LEAST_SPEED_SE_LN = 0.25
"""A volume is often guessed, and with it the speed."""

_ABOVE_SATURATION = 1.2
"""Gas drawn at pressures up to so many times saturation at the ambient may be water's vapour."""

GRAM_PER_MICRON_L_K = MICRON_PA * 1e-3 * WATER_MOLAR_MASS_KG_MOL * 1e3 / GAS_CONSTANT_J_MOL_K
"""Grams of water vapour in a micron-litre, times kelvin: ideal gas law."""


@kernel
def find_plateau(
    t: FloatArray, p: FloatArray, i0: int, i1: int, ambient_c: float, least_s: float, out: FloatArray
) -> None:
    """Plateau of one pull.

    Parameters
    ----------
    ambient_c
        Ambient temperature, °C; NaN is taken as 25 °C with a wider margin.
    least_s
        Shortest stretch that counts, s.
    out
        ``(5,)`` mean pressure (microns), length (s), start (s), the fastest rate further down (1/s) and the pressure at
        which it was met; NaN without a plateau.
    """
    out[:] = math.nan
    warm = 25.0 if math.isnan(ambient_c) else ambient_c
    ceiling = _psat_kernel(warm + (15.0 if math.isnan(ambient_c) else 6.0))
    top = math.log(ceiling)
    enter = np.full(_BINS + 1, math.nan)
    # time at which the running lowest pressure first enters each bin, downwards from the ceiling
    k = 0
    last_i = -1
    low = 1e30
    for i in range(i0, i1):
        if math.isnan(p[i]):
            continue
        y = math.log(max(p[i], 1e-3))
        if y < low:
            while k <= _BINS and top - k * _BIN_LN >= y:
                if last_i >= 0:
                    enter[k] = t[last_i] + (low - (top - k * _BIN_LN)) / (low - y) * (t[i] - t[last_i])
                k += 1
            low = y
            last_i = i
        elif last_i >= 0 and y < low + 0.02:
            last_i = i
    # rates per bin and the fastest one further down
    best_s = 0.0
    fastest = 0.0
    fastest_k = -1
    run_end = -1
    for j in range(_BINS - 1, -1, -1):
        if math.isnan(enter[j]) or math.isnan(enter[j + 1]):
            continue
        dwell = enter[j + 1] - enter[j]
        rate = _BIN_LN / max(dwell, 1e-3)
        edge = math.exp(top - j * _BIN_LN)
        if fastest > 0.0 and rate < _SLOW * fastest and edge > _LOWEST_MICRON:
            if run_end < 0:
                run_end = j + 1
            length = enter[run_end] - enter[j]
            if length > best_s and length > least_s:
                best_s = length
                total = 0.0
                mean = 0.0
                for q in range(j, run_end):
                    if math.isnan(enter[q]) or math.isnan(enter[q + 1]):
                        continue
                    part = enter[q + 1] - enter[q]
                    total += part
                    mean += part * (top - (q + 0.5) * _BIN_LN)
                out[0] = math.exp(mean / total)
                out[1] = length
                out[2] = enter[j]
                out[3] = fastest
                out[4] = math.exp(top - (fastest_k + 0.5) * _BIN_LN)
        else:
            run_end = -1
        # two neighbouring bins together, so that one noisy dwell makes no fast stretch
        if j + 2 <= _BINS and not math.isnan(enter[j + 2]):
            pair = 2.0 * _BIN_LN / max(enter[j + 2] - enter[j], 1e-3)
            if pair > fastest:
                fastest = pair
                fastest_k = j


@kernel
def speed_for_water(rate_per_s: float, rate_se_ln: float, volume_l: float) -> tuple[float, float]:
    """Effective speed for air around 8 000 microns, l/s, and its standard error in ln, where water may have boiled.

    Parameters
    ----------
    rate_per_s, rate_se_ln
        Viscous speed over volume as the pull shows it; NaN if it shows none.
    volume_l
        Volume, l.
    """
    speed = rate_per_s * volume_l
    if not speed >= LEAST_SPEED_L_S:
        return USUAL_SPEED_L_S, USUAL_SPEED_SE_LN
    return min(speed, MOST_SPEED_L_S), min(max(rate_se_ln, _LEAST_SPEED_SE_LN), USUAL_SPEED_SE_LN)


@kernel
def vapour_ceiling(t: FloatArray, p: FloatArray, i0: int, i1: int, ambient_c: float) -> float:
    """Most vapour that a pull can have drawn, micron s: pressure times relative speed, summed over its time.

    Parameters
    ----------
    ambient_c
        Ambient temperature, °C; NaN is taken as 25 °C. Time above the gauge's range counts at saturation.
    """
    saturation = _psat_kernel(25.0 if math.isnan(ambient_c) else ambient_c)
    unseen = saturation * (saturation / 8000.0) ** VAPOUR_POWER
    total = 0.0
    at, relative = -1.0, 0.0
    for i in range(i0 + 1, i1):
        mean = 0.5 * (p[i] + p[i - 1])
        if math.isnan(mean):
            total += unseen * (t[i] - t[i - 1])
        elif mean < _ABOVE_SATURATION * saturation:
            # powers are dear and readings many: one for as long as the pressure stays within three per cent
            if abs(mean - at) > 0.03 * at:
                at, relative = mean, (mean / 8000.0) ** VAPOUR_POWER
            total += mean * relative * (t[i] - t[i - 1])
    return float(total)


@kernel
def water_grams(
    t: FloatArray, p: FloatArray, i0: int, i1: int, level: float, rate_per_s: float, volume_l: float, gas_c: float
) -> float:
    """Water carried away about a plateau, g: throughput by the ideal gas law, less the gas that was there before.

    Parameters
    ----------
    level
        Pressure of the plateau, microns. Counted from three times this pressure (or the start) to 0.4 times.
    rate_per_s
        Speed for vapour over volume at the plateau; it goes with pressure to the power `VAPOUR_POWER`.
    volume_l, gas_c
        Volume, l; temperature of the gas, °C.
    """
    total = 0.0
    first = last = -1
    for i in range(i0, i1):
        if math.isnan(p[i]) or p[i] > 3.0 * level:
            continue
        if first < 0:
            first = i
        elif t[i] > t[last]:
            mean = 0.5 * (p[i] + p[last])
            total += mean * (mean / level) ** VAPOUR_POWER * (t[i] - t[last])
        last = i
        if p[i] < 0.4 * level and p[min(i + 1, i1 - 1)] < 0.5 * level:
            break
    if first < 0:
        return 0.0
    carried = total * rate_per_s - max(p[first] - p[last], 0.0)
    return float(max(carried, 0.0) * volume_l * GRAM_PER_MICRON_L_K / (gas_c + ZERO_CELSIUS_K))
