"""Many pairs of logs compared in compiled code: what `copy_match` does for one pair, number for number. Kernels.

`copy_match` stays as the plain oracle beside it. `copy_grids` puts the logs on even grids before.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.fleet.copy_grids import median_filter_9
from blankoff.physics.compiled import kernel, rough_sum_kernel, vector_kernel
from blankoff.samples import FloatArray, IntArray

MATCH_COLUMNS = 9
"""Numbers per pair, in the order of `copy_match.Match`'s fields."""

ROUNDED = 0.004
"""Ln units that rounding may add to a difference of two courses: a micron at 250."""
_DISTINCT = 15
_SAME = float(np.nextafter(0.002, 0.0))
"""The largest difference of ln p below 0.002."""
_NULL_FROM, _NULL_TO = 14, 46
_STRETCH = 128
"""Cells counted before it is asked whether the rest can change the answer."""
_ROUGH = 1e-8
"""Room left for the order of summing where correlations are first taken roughly."""


@kernel
def correlation(a: FloatArray, b: FloatArray, lag: int, least: int) -> tuple[float, int]:
    """Correlation of two curves at a lag over what both have, and over how many points; 0 under `least` points."""
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    n, sa, sb, saa, sbb, sab = 0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(lo, hi):
        x, y = a[i], b[i - lag]
        if math.isfinite(x) and math.isfinite(y):
            n += 1
            sa += x
            sb += y
            saa += x * x
            sbb += y * y
            sab += x * y
    if n < least:
        return 0.0, 0
    va, vb = saa - sa * sa / n, sbb - sb * sb / n
    if va <= 1e-12 or vb <= 1e-12:
        return 0.0, n
    return (sab - sa * sb / n) / np.sqrt(va * vb), n


@kernel
def noise_z(rho: float, points: int) -> float:
    """A correlation in standard deviations of what chance gives: Fisher's z, whose spread hangs on the points alone."""
    return float(math.atanh(min(max(rho, -0.99999), 0.99999)) * math.sqrt(max(points - 3, 1)))


@rough_sum_kernel
def _rough(a: FloatArray, b: FloatArray) -> tuple[float, float, bool]:
    """Correlation of two curves of equal length as quickly as can be, over how many points, and whether to rely on it.

    Sums are taken in vectors, in another order than in `correlation`: good to 1e-9 where it can be relied on, and the number of
    points is exact.
    """
    n = sa = sb = saa = sbb = sab = 0.0
    for i in range(np.uint64(a.size)):
        x, y = a[i], b[i]
        both = (x == x) & (y == y)
        x = x if both else 0.0
        y = y if both else 0.0
        n += 1.0 if both else 0.0
        sa += x
        sb += y
        saa += x * x
        sbb += y * y
        sab += x * y
    size = max(n, 1.0)
    va, vb = saa - sa * sa / size, sbb - sb * sb / size
    sound = va > 0.01 * saa and vb > 0.01 * sbb and va > 1e-6 and vb > 1e-6
    return (sab - sa * sb / size) / np.sqrt(va * vb) if sound else 0.0, n, sound


@vector_kernel
def _count_within(a: FloatArray, b: FloatArray, start: int, stop: int, tolerance: float) -> tuple[int, int]:
    """How many differences of a stretch are within a tolerance, and how many there are."""
    within = n = 0
    for i in range(np.uint64(start), np.uint64(stop)):
        v = abs(a[i] - b[i])
        within += 1 if v <= tolerance else 0
        n += 1 if v < np.inf else 0
    return within, n


@kernel
def _courses_agree(a: FloatArray, b: FloatArray, lag: int, least: int, tolerance: float) -> bool:
    """Whether the median difference of two courses is within a tolerance; the median itself only where it is close."""
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    size = hi - lo
    if size < least:
        return False
    one, two = a[lo:hi], b[lo - lag : hi - lag]
    n = within = done = 0
    while done < size:
        stop = min(done + _STRETCH, size)
        more, there = _count_within(one, two, done, stop, tolerance)
        within += more
        n += there
        done = stop
        # too many are beyond, or within, for the rest to change it
        if 2 * (n - within) > n + size - done + 2:
            return False
        if n >= least and 2 * within >= n + size - done + 2:
            return True
    if n < least:
        return False
    if 2 * within >= n + 2:
        return True
    if 2 * (n - within) >= n + 2:
        return False
    return _course_difference(a, b, lag) <= tolerance


@kernel
def _differences(a: FloatArray, b: FloatArray, lag: int) -> FloatArray:
    """Differences of two curves at a lag, of what both have."""
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    d = np.empty(hi - lo)
    n = 0
    for i in range(lo, hi):
        v = a[i] - b[i - lag]
        if math.isfinite(v):
            d[n] = v
            n += 1
    return d[:n]


@kernel
def _course_difference(a: FloatArray, b: FloatArray, lag: int) -> float:
    return float(np.median(np.abs(_differences(a, b, lag))))


@kernel
def even_share(a: FloatArray, b: FloatArray, lag: int, rho: float) -> float:
    """Correlation in the second worst quarter of what both have, over that of the whole; 0 under 40 points."""
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    x, y = np.empty(hi - lo), np.empty(hi - lo)
    n = 0
    for i in range(lo, hi):
        if math.isfinite(a[i]) and math.isfinite(b[i - lag]):
            x[n], y[n] = a[i], b[i - lag]
            n += 1
    if n < 40 or rho <= 0.0:
        return 0.0
    quarters = np.empty(4)
    start = 0
    for q in range(4):
        stop = start + n // 4 + (1 if q < n % 4 else 0)
        quarters[q] = correlation(x[start:stop], y[start:stop], 0, 5)[0]
        start = stop
    quarters.sort()
    return float(quarters[1] / rho)


@kernel
def _equal_share(a: FloatArray, b: FloatArray, lag: int) -> float:
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    seen = np.empty(_DISTINCT)
    kinds = 0
    for i in range(lo, hi):
        x = a[i]
        if not (math.isfinite(x) and math.isfinite(b[i - lag])):
            continue
        rounded = np.rint(x * 1000.0)
        known = False
        for k in range(kinds):
            known |= seen[k] == rounded
        if not known:
            seen[kinds] = rounded
            kinds += 1
            if kinds == _DISTINCT:
                break
    if kinds < _DISTINCT:
        return 0.0
    same, n = _count_within(a[lo:hi], b[lo - lag : hi - lag], 0, hi - lo, _SAME)
    return same / n


@kernel
def apart(difference: FloatArray, floor: float) -> float:
    """Smooth part of two curves' difference over the noise in it: medians of the sizes, over a running median of nine.

    Parameters
    ----------
    difference
        In ln units, of the readings that both have.
    floor
        Noise that is put up with at least: what rounding may do.
    """
    smooth = np.empty(difference.size)
    median_filter_9(difference, smooth)
    noise = 1.4826 * np.median(np.abs(difference - smooth))
    return float(np.median(np.abs(smooth)) / max(noise, floor))


@kernel
def _both(a: FloatArray, b: FloatArray, lag: int) -> int:
    """Cells that both curves have at a lag."""
    n = 0
    for i in range(max(0, lag), min(a.size, b.size + lag)):
        if math.isfinite(a[i]) and math.isfinite(b[i - lag]):
            n += 1
    return n


@kernel
def match_pairs(
    later: IntArray, earlier: IntArray, step_s: FloatArray, guessed_s: FloatArray,
    cells: IntArray, start_s: FloatArray, readings: IntArray, course: FloatArray, noise: FloatArray,
    least_points: int, least_overlap_s: float, tolerance: float, other_moment_s: float, least_correlation: float, first: int, last: int,
    out: FloatArray,
) -> None:  # fmt: skip
    """Compare pairs ``first`` to ``last - 1``; each writes its own row only.

    Parameters
    ----------
    later, earlier
        Entries of `copy_grids.prepare_logs`, on the same step.
    guessed_s : (m, k)
        Alignments that their sketches say, NaN where one says nothing; those that differ are tried.
    readings
        Cells that hold a pressure, per entry.
    out : (m, 1 + MATCH_COLUMNS)
        How many alignments were tried (0: the pair says nothing), then the columns of `copy_match.Match`.
    """
    guesses = np.empty(guessed_s.shape[1])
    for q in range(first, last):
        one, two = later[q], earlier[q]
        step = step_s[q]
        g = 0
        for k in range(guesses.size):
            lag_s = guessed_s[q, k]
            if not math.isfinite(lag_s):
                continue
            other = True
            for m in range(g):
                other &= abs(lag_s - guesses[m]) > other_moment_s
            if other:
                guesses[g] = lag_s
                g += 1
        out[q, 0] = g
        out[q, 1:] = 0.0
        out[q, 3] = np.inf
        least = max(least_points, math.ceil(least_overlap_s / step))
        if g == 0 or min(readings[one], readings[two]) < least:
            continue
        a, b = course[cells[one] : cells[one + 1]], course[cells[two] : cells[two + 1]]
        noise_a, noise_b = noise[cells[one] : cells[one + 1]], noise[cells[two] : cells[two + 1]]
        offset = int(np.rint((start_s[one] - start_s[two]) / step))
        reach = max(3, math.ceil(8.0 / step))
        lags = np.empty(g * (2 * reach + 1), dtype=np.int64)
        tried, rough = np.empty(lags.size, dtype=np.int64), np.empty(lags.size)
        for m in range(g):
            centre = int(np.rint(guesses[m] / step)) - offset
            for k in range(2 * reach + 1):
                lags[m * (2 * reach + 1) + k] = centre - reach + k
        lags.sort()
        # noise is compared roughly at first, and to the last digit only where it can be the best
        agreed = 0
        top = -2.0
        for k in range(lags.size):
            lag = lags[k]
            if (k > 0 and lag == lags[k - 1]) or not _courses_agree(a, b, lag, least, tolerance):
                continue
            lo, hi = max(0, lag), min(a.size, b.size + lag)
            rho, count, sound = _rough(noise_a[lo:hi], noise_b[lo - lag : hi - lag])
            tried[agreed], rough[agreed] = lag, rho if sound else 2.0
            if count < least:
                rough[agreed] = -2.0
            elif sound:
                top = max(top, rho)
            agreed += 1
        best_lag, best, points = 0, -2.0, 0
        for k in range(agreed):
            if rough[k] > -2.0 and rough[k] >= top - _ROUGH:
                rho, n = correlation(noise_a, noise_b, tried[k], least)
                if n > 0 and rho > best:
                    best_lag, best, points = tried[k], rho, n
        if points == 0:
            # too little of it is noise, but the courses may agree
            for k in range(agreed):
                difference = _course_difference(a, b, tried[k])
                if difference < out[q, 3]:
                    out[q, 3], best_lag = difference, tried[k]
            if math.isfinite(out[q, 3]):
                out[q, 1] = _both(a, b, best_lag) * step
                out[q, 2] = (best_lag + offset) * step
                out[q, 8] = _equal_share(a, b, best_lag)
            continue
        out[q, 1] = points * step
        out[q, 2] = (best_lag + offset) * step
        out[q, 4] = best
        out[q, 6] = points
        out[q, 8] = _equal_share(a, b, best_lag)
        if best < least_correlation:
            # no copy by its noise, however sharp: that is not looked at
            out[q, 3], out[q, 9] = tolerance, np.inf
            continue
        total, squares, away = 0.0, 0.0, 0
        for d in range(_NULL_FROM, _NULL_TO):
            for lag in (best_lag - d, best_lag + d):
                rho, n = correlation(noise_a, noise_b, lag, max(20, least // 2))
                if n > 0:
                    z = noise_z(rho, n)
                    total += z
                    squares += z * z
                    away += 1
        mean = total / away if away > 0 else 0.0
        spread = np.sqrt(max(squares / away - mean * mean, 0.0)) if away >= 12 else 0.0
        out[q, 3] = _course_difference(a, b, best_lag)
        out[q, 5] = (noise_z(best, points) - mean) / max(spread, 1.0)
        out[q, 7] = even_share(noise_a, noise_b, best_lag, best)
        out[q, 9] = apart(_differences(a, b, best_lag), ROUNDED)
