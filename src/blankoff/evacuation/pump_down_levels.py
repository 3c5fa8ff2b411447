"""Pump-down readings that need no model: times to levels, the last steady reading, the lowest one, the floor. Kernels.

All arrays belong to one log; a pull is a stretch ``[i0, i1)`` of its readings. NaN is an over-range reading.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

LEVELS_MICRON = np.array([10_000.0, 5_000.0, 2_000.0, 1_000.0, 500.0])
"""Levels of the contract's ``minutes_to_*``."""


@kernel
def median3(a: float, b: float, c: float) -> float:
    """Middle one of three."""
    return max(min(a, b), min(max(a, b), c))


@kernel
def first_below(t: FloatArray, p: FloatArray, i0: int, i1: int, level: float) -> float:
    """Time at which a pull first comes to `level` and stays there for two readings, s; NaN if it never does.

    Between the reading above and the one below, ln p is taken as straight. A pull that begins below the level gives
    NaN: the moment is not in it.
    """
    seen_above = False
    above = -1
    for i in range(i0, i1):
        if math.isnan(p[i]):
            seen_above = True
            above = -1
            continue
        if p[i] > level:
            seen_above = True
            above = i
            continue
        if not seen_above:
            return math.nan
        if i + 1 < i1 and p[i + 1] > level:
            continue
        if above >= 0:
            share = math.log(p[above] / level) / math.log(p[above] / max(p[i], 1e-3))
            return float(t[above] + share * (t[i] - t[above]))
        if i == i0:
            return float(t[i])
        # straight from over-range: back along the slope of the next readings, within the spacing
        spacing = t[i] - t[i - 1]
        j = i + 1
        while j < i1 - 1 and (math.isnan(p[j]) or p[j] > 0.7 * p[i]):
            j += 1
        back = 0.5 * spacing
        if j < i1 and p[j] < p[i] and t[j] > t[i]:
            back = min(spacing, math.log(level / p[i]) / (math.log(p[i] / p[j]) / (t[j] - t[i])))
        return float(t[i] - back)
    return math.nan


_STRAIGHT_LN = 1.5
"""A fall in ln p over which the end of a pull is taken as straight; a small circuit is pulled down by more in one reading."""
_FELL_ON_LN = 0.1
"""A fall in ln p between the last reading of a pull and the first of the hold, were it to go on as between the last two, from
which the last reading is no measure of the pressure at the isolation."""
_UNSEEN = 4.0
"""Median spacings between the two from which it is none either."""
_TOO_FAR = 2.5
"""How many times the hold's first level the last reading may be: no gradient along a circuit evens out by more, so that a stand
before was pumped once more between two readings (this project's judgement)."""


@kernel
def last_steady(t: FloatArray, p: FloatArray, i0: int, i1: int) -> float:
    """Pressure at the end of a pull, microns: a straight line in ln p through its last readings, at their end."""
    if i1 <= i0:
        return math.nan
    n = 0
    st = sy = stt = sty = 0.0
    last = math.nan
    i = i1 - 1
    while i >= i0 and n < 12:
        if not math.isnan(p[i]):
            if n >= 5 and t[i1 - 1] - t[i] > 15.0:
                break
            u = t[i] - t[i1 - 1]
            y = math.log(max(p[i], 1e-3))
            if n == 0:
                last = y
            elif y - last > _STRAIGHT_LN:
                break
            st += u
            sy += y
            stt += u * u
            sty += u * y
            n += 1
        i -= 1
    if n == 0:
        return math.nan
    det = n * stt - st * st
    if n < 3 or det <= 0.0:
        # between two that lie apart pressure fell: the last is the nearer one
        return math.exp(min(sy / n, last))
    slope = (n * sty - st * sy) / det
    # a pumped curve falls or stands
    slope = min(slope, 0.0)
    return math.exp((sy - slope * st) / n)


@kernel
def level_when_shut(
    t: FloatArray, p: FloatArray, i0: int, i1: int, h0: int, h1: int, final: float, interval_s: float
) -> float:
    """Pressure at the isolation, microns, where a pull ``[i0, i1)`` that ends at `final` went on falling unseen.

    Shut off, a circuit's pressure does not fall: what the hold ``[h0, h1)`` begins at, the pump had reached. Only where the pull
    was cut off amid a fast fall, or no readings tell of its end; elsewhere the pull's own end is the better measure, for
    a gauge at the circuit's far end sees pressure fall as the gradient evens out.
    """
    last = before = -1
    for i in range(i1 - 1, i0 - 1, -1):
        if not math.isnan(p[i]):
            if last >= 0:
                before = i
                break
            last = i
    a = b = c = math.nan
    first = -1
    for i in range(h0, h1):
        if not math.isnan(p[i]):
            first = i if first < 0 else first
            a, b, c = b, c, p[i]
            if not math.isnan(a):
                break
    if math.isnan(a):
        return final
    level = median3(a, b, c)
    if last < 0 or math.isnan(final):
        return level
    unseen_s = t[first] - t[last]
    if unseen_s > _UNSEEN * interval_s or before < 0 or p[last] > _TOO_FAR * level:
        return min(final, level)
    rate = math.log(p[before] / p[last]) / max(t[last] - t[before], 1e-3)
    return min(final, level) if rate * unseen_s > _FELL_ON_LN else final


@kernel
def lowest_reading(p: FloatArray, i0: int, i1: int) -> float:
    """Lowest of the medians of three neighbouring readings of a pull, microns; NaN if all is over-range."""
    low = math.nan
    a = b = math.nan
    for i in range(i0, i1):
        c = p[i]
        if math.isnan(c):
            continue
        m = median3(a, b, c)
        if math.isnan(a) or math.isnan(b):
            m = c if math.isnan(b) else max(b, c)
        if math.isnan(low) or m < low:
            low = m
        a = b
        b = c
    return low


@kernel
def pumped_floor(t: FloatArray, p: FloatArray, i0: int, i1: int, noise: float, out: FloatArray) -> None:
    """What a pull's pressure tends to: limit of ``f + b exp(-t / tau)`` on its tail.

    Parameters
    ----------
    noise
        Relative noise of a reading.
    out
        ``(2,)`` floor and its standard error, microns; NaN where the tail is too short.
    """
    out[0] = out[1] = math.nan
    end = i1 - 1
    while end >= i0 and math.isnan(p[end]):
        end -= 1
    if end - i0 < 5:
        return
    final = last_steady(t, p, i0, i1)
    start = end
    while start > i0 and not math.isnan(p[start - 1]) and p[start - 1] < 2.0 * final:
        start -= 1
    span = t[end] - t[start]
    n = end - start + 1
    if n < 6 or span <= 0.0:
        out[0] = final
        out[1] = 0.5 * final
        return
    stride = max(1, n // 150)
    best = 1e300
    for tau in (span / 12.0, span / 6.0, span / 3.0, span / 1.5):
        s0 = s1 = s2 = z0 = z1 = zz = 0.0
        for i in range(start, end + 1, stride):
            w = 1.0 / (p[i] * p[i])
            e = math.exp(-(t[i] - t[start]) / tau)
            s0 += w
            s1 += w * e
            s2 += w * e * e
            z0 += w * p[i]
            z1 += w * p[i] * e
            zz += 1.0
        det = s0 * s2 - s1 * s1
        if not det > 1e-12 * s0 * s2:
            continue
        floor = (s2 * z0 - s1 * z1) / det
        b = (s0 * z1 - s1 * z0) / det
        if b < 0.0:
            floor, b = z0 / s0, 0.0
        floor = max(floor, 0.0)
        rest = zz - floor * z0 - b * z1
        if rest < best:
            best = rest
            count = max(zz - 3.0, 1.0)
            scale = max(rest / count, noise * noise * 0.25)
            out[0] = min(max(floor, 0.05 * final), final)
            # slow wander does not average out: at least half the noise stays, and a part of what was extrapolated
            out[1] = math.sqrt(scale * s2 / det + (0.5 * noise * final) ** 2 + (0.3 * (final - out[0])) ** 2)


_STILL_LN = 0.06
_STILL_MICRON = 1.0
_LAST_S = 60.0
"""Pressure stands still while it lies no further above its last level than this; the level is taken over the last part."""


@kernel
def still_at_end(t: FloatArray, p: FloatArray, i0: int, i1: int) -> float:
    """How long pressure stands still at the end of readings i0 up to i1, s; NaN without five readings."""
    level = 0.0
    count = 0
    last = -1
    for i in range(i1 - 1, i0 - 1, -1):
        if math.isnan(p[i]) or p[i] <= 0.0:
            continue
        if last < 0:
            last = i
        if count >= 5 and t[last] - t[i] > _LAST_S:
            break
        level += math.log(p[i])
        count += 1
    if count < 5:
        return math.nan
    high = math.exp(level / count + _STILL_LN) + _STILL_MICRON
    # two readings in a row above it are no noise
    above = 0
    for i in range(last, i0 - 1, -1):
        if math.isnan(p[i]) or p[i] > high:
            above += 1
            if above == 2:
                return float(t[last] - t[i])
        else:
            above = 0
    return float(t[last] - t[i0])


@kernel
def early_rise_rate(t: FloatArray, p: FloatArray, i0: int, i1: int, out: FloatArray) -> None:
    """Rate of rise at the beginning of a hold, after the settling step, microns/s; ``(2,)`` rate and standard error."""
    out[0] = out[1] = math.nan
    if i1 - i0 < 4:
        return
    t0 = t[i0] + 8.0
    n = 0
    st = sy = stt = sty = syy = 0.0
    for i in range(i0, i1):
        if math.isnan(p[i]) or (t[i] < t0 and i1 - i > 4):
            continue
        if n >= 6 and t[i] > t0 + 120.0:
            break
        u = t[i] - t0
        n += 1
        st += u
        sy += p[i]
        stt += u * u
        sty += u * p[i]
        syy += p[i] * p[i]
    det = n * stt - st * st
    if n < 4 or det <= 0.0:
        return
    slope = (n * sty - st * sy) / det
    level = (sy - slope * st) / n
    rest = max(syy - level * sy - slope * sty, 0.0)
    out[0] = max(slope, 0.0)
    out[1] = math.sqrt(rest / max(n - 2, 1) * n / det) + 0.2 * out[0]
