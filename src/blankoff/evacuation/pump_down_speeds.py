"""Net rates (speed over volume) about 1 000 and 8 000 microns from one pull, with what makes them doubtful. Kernels."""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_clean import SIGMA, step_at
from blankoff.evacuation.pump_down_bands import N_TOLD, band_rate, band_sums, rate_of_sums
from blankoff.evacuation.pump_down_levels import last_steady
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray

DEEP_MICRON = 1000.0
VISCOUS_MICRON = 8000.0

_DEEP_BEND, _DEEP_BEND_SD = 0.5, 0.25
_VISCOUS_BEND, _VISCOUS_BEND_SD = 0.15, 0.12
"""How speed behind a hose falls with pressure, d ln speed / d ln pressure: 0.1 - 0.9 about 1 000 microns, where hoses
of 6 - 12 mm decide, little about 8 000 (tube conductance over all regimes after Knudsen, in series with a pump)."""

_FORM_SE_LN = 0.05
_LAG_S = 3.0
"""Model error of ln speed, found on simulated pulls; lag that a gauge may have (seconds, common practice)."""

ASIDE_LEAST_LN = 0.1
"""Step up at isolation, in ln, that a gauge at the circuit may show as well."""
ASIDE_FROM_LN = 0.05
"""Step beyond that from which on a gauge is taken to sit on the pump's side of the line."""
_ASIDE_DEEP, _ASIDE_DEEP_SD = 0.8, 0.2
_ASIDE_VISCOUS, _ASIDE_VISCOUS_SD = 0.35, 0.1
"""What a rate read on the pump's side is too high by, in ln, over the step in ln, and its spread; own simulation."""

_NEVER_LN = -0.15
_LINE_SHOWS_LN = 0.2
_QUICK_PER_S = 0.12
"""A line takes more off a pump the lower the pressure: a viscous rate below the deep one (by more than their errors) is no
pump's; water boiled. Through hoses ln speed falls by 0.3 - 1.5 between 8 000 and 1 000 microns (as above): where a fall
quicker than this rate shows less of that, the gauge lagged. A slow fall may have a line so wide."""

_OVER_RANGE_SE_LN = 0.35
"""Doubt of a speed from the time over range alone: when pumping began is not known."""

ALONE_SE_LN = 0.3
"""Doubt of a viscous rate that no deep one stands beside to show that: pulls too quick to follow, or wet."""


@kernel
def widen(rate: float, se_ln: float, doubt: float) -> float:
    """Standard error of ln rate with what the fit cannot know: form of the curve, a lagging gauge, other doubts.

    A gauge that lags by seconds shows no rate above one over its lag.
    """
    lag = rate * _LAG_S
    return math.sqrt(se_ln * se_ln + _FORM_SE_LN**2 + lag * lag + doubt * doubt)


@kernel
def at_port(rate: float, se_ln: float, aside: float, deep: bool) -> tuple[float, float]:
    """Rate at the circuit's port from the one that the gauge shows, and its standard error in ln.

    A gauge on the pump's side shows 1 000 or 8 000 microns while the circuit still stands higher, where the line carries
    more: the rate that it shows is too high, the more so the more the line holds back, which the step at isolation tells.

    Parameters
    ----------
    rate, se_ln
        Rate per s as shown, and standard error of its logarithm.
    aside
        As `gauge_aside_ln`.
    deep
        About 1 000 microns, else about 8 000.
    """
    if not aside > ASIDE_FROM_LN:
        return rate, math.sqrt(se_ln * se_ln + aside * aside)
    step = aside + ASIDE_LEAST_LN
    too_high = (_ASIDE_DEEP if deep else _ASIDE_VISCOUS) * step
    sd = _ASIDE_DEEP_SD if deep else _ASIDE_VISCOUS_SD
    return rate * math.exp(-too_high), math.sqrt(se_ln * se_ln + sd * sd)


@kernel
def hung_back(viscous: float, deep: float) -> bool:
    """Whether a viscous rate is too low beside the deep one to be a pump's; False where either is NaN."""
    apart = math.log(viscous / deep)
    return apart < _NEVER_LN or (apart < _LINE_SHOWS_LN and viscous > _QUICK_PER_S)


@kernel
def keep_seen(rate: FloatArray, doubt: float, out: FloatArray) -> None:
    """Keep a rate as the gauge shows it, where it is better known than the one in `out`.

    A gauge's lag and place are the same in all its logs, so they are no noise to whoever reads many of them: here they
    are left out of the standard error.

    Parameters
    ----------
    rate
        Rate per s and standard error of its logarithm by the fit, as `band_rate`.
    doubt
        Other doubts of ln rate than the gauge's.
    out
        ``(2,)`` the rate kept so far and its standard error; NaN before the first.
    """
    se = math.sqrt(rate[1] * rate[1] + _FORM_SE_LN**2 + doubt * doubt)
    if not out[1] <= se:
        out[0] = rate[0]
        out[1] = se


@kernel
def time_over_range(
    t: FloatArray, p: FloatArray, i1: int, begun_s: float, atmosphere_micron: float, out: FloatArray
) -> None:
    """Mean rate from atmosphere to the first reading within range, and the standard error that the spacing leaves.

    So high up no hose holds anything back: it is the pump that shows.  But pumping may have begun after the log did, or
    the log after the pumping, so some of these rates are far off.

    Parameters
    ----------
    begun_s
        When the first pull begins, as far as the log tells.
    out
        ``(2,)`` rate per s, standard error of its logarithm; NaN where the log does not begin over range.
    """
    first = 0
    while first < i1 and math.isnan(p[first]):
        first += 1
    if first < 2 or first >= i1 or not p[first] > 0.0:
        return
    taken = t[first] - begun_s
    reached = math.log(atmosphere_micron / p[first])
    if not taken > 0.0 or not reached > 0.0:
        return
    # the pump was set going within the spacing before the first reading, if not later
    out[0] = reached / taken
    out[1] = math.sqrt(_FORM_SE_LN**2 + (0.3 * (t[first] - t[first - 1]) / taken) ** 2)


@kernel
def doubt_by_water(plateau_micron: float) -> tuple[float, float]:
    """Doubt of ln rate, deep and viscous, in a pull with a boil-off plateau (NaN: without one)."""
    if math.isnan(plateau_micron):
        return 0.0, 0.0
    if plateau_micron > 3000.0:
        return 0.6, 0.6
    return 0.6, 0.3 if plateau_micron > 2000.0 else 0.1


@kernel
def gauge_aside_ln(
    t: FloatArray,
    p: FloatArray,
    start_i: IntArray,
    end_i: IntArray,
    start_s: FloatArray,
    hold: int,
    final_micron: float,
    rise_micron_s: float,
) -> float:
    """Doubt of ln rate from a step up at the isolation: the gauge sat on the pump's side and read the line's end."""
    if hold < 0 or not final_micron > 0.0 or not rise_micron_s >= 0.0:
        return 0.0
    at = p[start_i[hold]]
    for i in range(start_i[hold], end_i[hold]):
        if t[i] > start_s[hold] + 12.0:
            at = p[i]
            break
    if not at > 0.0:
        return 0.0
    jump = math.log(max(at - 10.0 * rise_micron_s, 1e-3) / final_micron)
    return min(max(jump - ASIDE_LEAST_LN, 0.0), 0.5)


@kernel
def deep_rate(
    t: FloatArray,
    p: FloatArray,
    i0: int,
    i1: int,
    scales: FloatArray,
    rise_micron_s: float,
    rise_se: float,
    out: FloatArray,
) -> None:
    """Rate about 1 000 microns.

    The gas load at that moment is read from where the curve settles soon after, and from the hold's first rise.

    Parameters
    ----------
    rise_micron_s, rise_se
        Rate of rise after the isolation that ended this pull, microns/s, and its standard error; NaN if unknown.
    out
        ``(7,)`` as `band_rate` (five), and the gas load over volume and its standard deviation, microns/s.
    """
    noise = scales[SIGMA]
    step = step_at(scales, DEEP_MICRON)
    last = last_steady(t, p, i0, i1)
    load = 0.0
    load_sd = 50.0
    low = max(550.0, 1.2 * last)
    out[:] = math.nan
    # the gas load changes from round to round, the readings do not
    data, rhs, told = np.empty((2, 4, 4)), np.empty((2, 4)), np.empty((2, N_TOLD))
    narrow = low <= 950.0 and band_sums(t, p, i0, i1, 2000.0, low, DEEP_MICRON, noise, step, data[0], rhs[0], told[0])
    wide = -1
    for _ in range(3):
        if low > 950.0:
            break
        out[0] = math.nan
        if narrow:
            rate_of_sums(data[0], rhs[0], told[0], _DEEP_BEND, _DEEP_BEND_SD, load, load_sd, out)
        if math.isnan(out[0]):
            if wide < 0:
                low_wide = max(300.0, 1.1 * last)
                seen = band_sums(t, p, i0, i1, 4000.0, low_wide, DEEP_MICRON, noise, step, data[1], rhs[1], told[1])
                wide = 1 if seen else 0
            out[1] = out[3] = math.nan
            out[2] = 0.0
            if wide > 0:
                rate_of_sums(data[1], rhs[1], told[1], _DEEP_BEND, _DEEP_BEND_SD, load, load_sd, out)
            if math.isnan(out[0]):
                break
        # the load holds pressure up where the curve settles, a few time constants on
        settled = last
        want = out[3] + 4.0 / out[0]
        for i in range(i0, i1):
            if t[i] >= want:
                if not math.isnan(p[i]):
                    settled = last_steady(t, p, i0, i + 1)
                break
        settled = min(settled, 0.99 * DEEP_MICRON)
        early = want > t[i1 - 1]
        stay = settled * (0.7 if early else 1.0)
        # hoses carry less at lower pressure: the load that holds a low floor up is smaller than it seems
        carried = out[0] * max((max(stay, 1.0) / DEEP_MICRON) ** out[4], 0.1)
        if not math.isnan(rise_micron_s):
            # what the circuit gives off at isolation is seen as the hold's first rise; earlier it was more
            more = carried * max(stay - last, 0.0)
            load = rise_micron_s + more
            load_sd = rise_se + 0.35 * more + 0.03 * carried * last + 1e-6
        else:
            more = carried * max(stay - 0.5 * last, 0.0)
            load = more
            load_sd = carried * 0.3 * last + 0.35 * more + 1e-6
        if early:
            load_sd += out[0] * 0.3 * settled
    out[5] = load
    out[6] = load_sd


@kernel
def viscous_rate(
    t: FloatArray, p: FloatArray, i0: int, i1: int, scales: FloatArray, load: float, load_sd: float, out: FloatArray
) -> None:
    """Rate about 8 000 microns into `out` as `band_rate`; `load` and its deviation from `deep_rate`."""
    guess = 1.3 * load
    guess_sd = load + load_sd + 1e-6
    noise = scales[SIGMA]
    step = step_at(scales, VISCOUS_MICRON)
    band_rate(
        t,
        p,
        i0,
        i1,
        13_000.0,
        5000.0,
        VISCOUS_MICRON,
        noise,
        step,
        _VISCOUS_BEND,
        _VISCOUS_BEND_SD,
        guess,
        guess_sd,
        out,
    )
    if math.isnan(out[0]) or out[2] < 5.0 or out[1] > 0.1:
        wide = np.empty(5)
        band_rate(
            t, p, i0, i1, 30_000.0, 2500.0, VISCOUS_MICRON, noise, step, _VISCOUS_BEND, 0.1, guess, guess_sd, wide
        )
        if not math.isnan(wide[0]) and (math.isnan(out[0]) or wide[1] < out[1]):
            out[:] = wide


@kernel
def weigh_time_over_range(t: FloatArray, p: FloatArray, i1: int, atmosphere_micron: float, rate: FloatArray) -> None:
    """Weigh in the mean rate from atmosphere to the range's top, where it agrees with the rate that was seen.

    The time over range bounds it: pumping may have begun after the log did, or the log after the pumping.

    Parameters
    ----------
    rate
        Rate per s and standard error of its logarithm; changed in place.
    """
    first = 0
    while first < i1 and math.isnan(p[first]):
        first += 1
    if first <= 2 or first >= i1 or not t[first] > 0.0:
        return
    spacing = t[first] - t[first - 1]
    mean = math.log(atmosphere_micron / p[first]) / max(t[first] - 0.5 * spacing, 1e-3)
    mean_sd = math.sqrt(_OVER_RANGE_SE_LN**2 + (0.5 * spacing / t[first]) ** 2)
    apart = math.log(mean / rate[0])
    if abs(apart) < 2.0 * math.sqrt(mean_sd**2 + rate[1] ** 2):
        w0 = 1.0 / rate[1] ** 2
        w1 = 1.0 / mean_sd**2
        rate[0] *= math.exp(apart * w1 / (w0 + w1))
        rate[1] = 1.0 / math.sqrt(w0 + w1)
