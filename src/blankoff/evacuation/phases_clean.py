"""One log's readings made ready for finding phases: noise, steps, frozen stretches, and short blocks of readings.

Kernels only; all arrays belong to one log. A reading may be *over-range* (NaN): the pressure is above what the gauge
reads, so it stands at a level above every reading.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray

_SUBSAMPLE = 120
"""Readings looked at for a median: enough for 10 %, and far cheaper than sorting a log."""

_FROZEN_READINGS = 8
_FROZEN_SHORTEST_S = 25.0
"""A run of equal readings at least this long, where noise should show, is a frozen gauge (own judgement)."""

_BLOCK_S = 10.0
"""A block spans 10 s: long enough to average noise, short against a hold."""

N_SCALES = 8
MEDIAN_DT, GAP_S, SIGMA, STEP_LOW, STEP_MID, STEP_HIGH, TOP_LN, WANDER = range(N_SCALES)
"""Places in the array of a log's scales."""


@kernel
def _median_of(values: FloatArray, n: int, share: float) -> float:
    """Quantile `share` of the first `n` values (they are sorted in place)."""
    if n == 0:
        return math.nan
    part = values[:n]
    part.sort()
    return float(part[min(n - 1, int(share * n))])


@kernel
def step_at(scales: FloatArray, pressure_micron: float) -> float:
    """Step between neighbouring readings that the gauge or the file can show at a pressure, microns."""
    if pressure_micron < 1000.0:
        return float(scales[STEP_LOW])
    if pressure_micron < 10_000.0:
        return float(scales[STEP_MID])
    return float(scales[STEP_HIGH])


@kernel
def reading_variance_ln(scales: FloatArray, pressure_micron: float) -> float:
    """Variance of the logarithm of one reading: noise and rounding to steps (uniform: step² / 12)."""
    step = step_at(scales, pressure_micron) / max(pressure_micron, 1e-3)
    return float(scales[SIGMA] * scales[SIGMA] + step * step / 12.0 + 1e-8)


@kernel
def measure_scales(t: FloatArray, p: FloatArray, scales: FloatArray) -> None:
    """Fill `scales`: median spacing, the spacing that is a gap, relative noise, steps, level of over-range readings."""
    n = t.size
    work = np.empty(_SUBSAMPLE + 2)
    stride = max(1, (n - 1) // _SUBSAMPLE)
    m = 0
    for i in range(1, n, stride):
        if m < _SUBSAMPLE:
            work[m] = t[i] - t[i - 1]
            m += 1
    median = _median_of(work, m, 0.5)
    high = _median_of(work, m, 0.9)
    scales[MEDIAN_DT] = max(median, 1e-3)
    scales[GAP_S] = max(20.0, 5.0 * median, 4.0 * high)

    top = 0.0
    low = mid = far = 1e18
    for i in range(n):
        if p[i] > top:
            top = p[i]
        if i:
            step = abs(p[i] - p[i - 1])
            if step > 1e-7 * abs(p[i]):
                if p[i] < 1000.0 and p[i - 1] < 1000.0:
                    low = min(low, step)
                elif 1000.0 <= p[i] < 10_000.0 and 1000.0 <= p[i - 1] < 10_000.0:
                    mid = min(mid, step)
                elif p[i] >= 10_000.0 and p[i - 1] >= 10_000.0:
                    far = min(far, step)
    scales[STEP_LOW] = low if low < 1e17 else 0.0
    scales[STEP_MID] = mid if mid < 1e17 else scales[STEP_LOW]
    scales[STEP_HIGH] = far if far < 1e17 else scales[STEP_MID]
    # just above the highest reading, so that flicker about the top of the range is no fall; a log that never saw much
    # of its range stands for a gauge with a common one
    scales[TOP_LN] = math.log(1.02 * top if top > 5000.0 else 12_000.0)

    m = 0
    stride = max(1, (n - 2) // _SUBSAMPLE)
    for i in range(1, n - 1, stride):
        if m >= _SUBSAMPLE:
            break
        a, b, c = p[i - 1], p[i], p[i + 1]
        if a > 0.0 and b > 0.0 and c > 0.0 and t[i + 1] - t[i - 1] < 4.0 * median:
            # the second difference drops level and slope; its standard deviation is sqrt(6) of one reading's
            work[m] = abs(math.log(a * c / (b * b)))
            m += 1
    scales[SIGMA] = min(0.1, _median_of(work, m, 0.5) / 0.6745 / math.sqrt(6.0)) if m else 0.01
    scales[SIGMA] = max(scales[SIGMA], 5e-4)


@kernel
def compact(t: FloatArray, p: FloatArray, scales: FloatArray, ct: FloatArray, cy: FloatArray, ci: IntArray) -> int:
    """Copy the readings that say something; returns how many.

    Left out: frozen stretches but for their first reading, and lone over-range readings amid low pressure (a blank
    field, not gas). `cy` is the logarithm of pressure; over-range readings stand at the level ``scales[TOP_LN]``.
    """
    n = t.size
    top = scales[TOP_LN]
    m = 0
    i = 0
    while i < n:
        j = i
        if math.isnan(p[i]):
            while j + 1 < n and math.isnan(p[j + 1]):
                j += 1
            before = cy[m - 1] if m else top
            after = math.log(max(p[j + 1], 1e-3)) if j + 1 < n else top
            # gas let in does not leave within the run: both neighbours are low and alike, so nothing was above range
            blank = m > 0 and j + 1 < n and before < top - 1.2 and after < before + 0.3 and after > before - 0.5
            if not blank:
                for k in range(i, j + 1):
                    ct[m] = t[k]
                    cy[m] = top
                    ci[m] = k
                    m += 1
            i = j + 1
            continue
        while j + 1 < n and p[j + 1] == p[i]:
            j += 1
        y = math.log(max(p[i], 1e-3))
        keep = j
        if j - i + 1 >= _FROZEN_READINGS and t[j] - t[i] >= _FROZEN_SHORTEST_S:
            step = step_at(scales, p[i])
            if scales[SIGMA] * p[i] > 0.7 * step:
                keep = i
        for k in range(i, keep + 1):
            ct[m] = t[k]
            cy[m] = y
            ci[m] = k
            m += 1
        i = j + 1
    return m


@kernel
def make_blocks(
    ct: FloatArray,
    cy: FloatArray,
    m: int,
    scales: FloatArray,
    bt: FloatArray,
    by: FloatArray,
    bv: FloatArray,
    bs: IntArray,
) -> int:
    """Average readings into short blocks; returns how many.

    Parameters
    ----------
    ct, cy, m
        Readings from `compact`.
    bt, by, bv
        ``(m,)`` out: mean time, mean logarithm of pressure and its variance from noise.
    bs
        ``(m + 1,)`` out: block ``j`` holds the readings ``bs[j]`` to ``bs[j + 1] - 1``.
    """
    dt = scales[MEDIAN_DT]
    span = _BLOCK_S
    # where pressure runs, a block is short
    steep = max(0.15, 6.0 * scales[SIGMA])
    top = scales[TOP_LN] - 1e-9
    nb = 0
    i = 0
    while i < m:
        over = cy[i] >= top
        sum_t = 0.0
        sum_y = 0.0
        j = i
        while j < m:
            if (cy[j] >= top) != over:
                break
            if j > i and (
                ct[j] - ct[i] > span - 0.5 * dt or ct[j] - ct[j - 1] > scales[GAP_S] or abs(cy[j] - cy[i]) > steep
            ):
                break
            sum_t += ct[j]
            sum_y += cy[j]
            j += 1
        k = j - i
        bt[nb] = sum_t / k
        by[nb] = sum_y / k
        # rounding to steps does not average out where noise is below the step: keep at least a third of it
        p = math.exp(by[nb])
        step = step_at(scales, p) / p
        bv[nb] = reading_variance_ln(scales, p) / k + step * step / 36.0
        bs[nb] = i
        nb += 1
        i = j
    bs[nb] = m
    return nb


@kernel
def coarsen_blocks(
    bt: FloatArray,
    by: FloatArray,
    bv: FloatArray,
    bs: IntArray,
    nb: int,
    count: int,
    gap_s: float,
    top: float,
    ct: FloatArray,
    cy: FloatArray,
    cv: FloatArray,
    cs: IntArray,
    of: IntArray,
) -> int:
    """Join up to `count` neighbouring blocks where pressure hardly runs; returns how many are left.

    A noisy gauge read seldom shows in single blocks neither where a rise begins nor that it bends; joined ones do.

    Parameters
    ----------
    ct, cy, cv, cs
        Out: as `make_blocks` fills them.
    of
        ``(nb,)`` out: which joined block each block went into.
    """
    n = 0
    i = 0
    while i < nb:
        j = i
        weight = sum_t = sum_y = 0.0
        while j < nb and j - i < count:
            apart = abs(by[j] - by[i])
            if j > i and (bt[j] - bt[j - 1] > gap_s or apart > 0.05 + 4.0 * math.sqrt(bv[i] + bv[j])):
                break
            if j > i and (by[j] >= top or by[i] >= top):
                break
            w = 1.0 / bv[j]
            weight += w
            sum_t += w * bt[j]
            sum_y += w * by[j]
            of[j] = n
            j += 1
        ct[n] = sum_t / weight
        cy[n] = sum_y / weight
        cv[n] = 1.0 / weight
        cs[n] = bs[i]
        n += 1
        i = j
    cs[n] = bs[nb]
    return n


@kernel
def block_wander(by: FloatArray, bv: FloatArray, nb: int, top: float) -> float:
    """Factor (at least 1) by which neighbouring blocks scatter more than noise and steps explain."""
    work = np.empty(_SUBSAMPLE + 2)
    stride = max(1, (nb - 2) // _SUBSAMPLE)
    m = 0
    for j in range(1, nb - 1, stride):
        if m >= _SUBSAMPLE:
            break
        if by[j - 1] < top and by[j] < top and by[j + 1] < top:
            second = by[j - 1] - 2.0 * by[j] + by[j + 1]
            work[m] = second * second / (bv[j - 1] + 4.0 * bv[j] + bv[j + 1])
            m += 1
    if m < 5:
        return 1.0
    # the lower third, since curvature adds to the rest; 0.1485 is that quantile of chi-square with one freedom
    return max(1.0, _median_of(work, m, 0.3) / 0.1485)


@kernel
def turning_points(
    bt: FloatArray, by: FloatArray, bv: FloatArray, nb: int, scales: FloatArray, points: IntArray, kinds: IntArray
) -> int:
    """Alternating highs (+1) and lows (-1) of the blocks, by a threshold that noise and steps seldom cross.

    The last point is the one at which the log still is when it ends: a low if pressure was falling or standing, else a
    high. Returns how many points were written.
    """
    found = 0
    low = high = 0
    direction = 0
    for j in range(1, nb):
        if by[j] <= by[low]:
            low = j
        if by[j] > by[high]:
            high = j
        step = step_at(scales, math.exp(min(by[j], by[low]))) * math.exp(-min(by[j], by[low]))
        least = max(0.035, 5.0 * math.sqrt(bv[j]), 1.2 * step)
        if direction >= 0 and by[high] - by[j] > least:
            if found < points.size - 2:
                points[found] = high
                kinds[found] = 1
                found += 1
            direction = -1
            low = j
        elif direction <= 0 and by[j] - by[low] > least:
            if found < points.size - 2:
                points[found] = low
                kinds[found] = -1
                found += 1
            direction = 1
            high = j
    if direction < 0:
        points[found] = low
        kinds[found] = -1
        found += 1
    elif direction > 0:
        points[found] = high
        kinds[found] = 1
        found += 1
    return found
