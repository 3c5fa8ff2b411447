"""Two logs compared reading by reading: for copies taken at other moments, rounded anew or with few readings. Kernels.

The even grid of `copy_match` averages the denser log over the cells of the sparser one; where the sparser one holds
single readings of the denser, that average hides most of the noise they share. Here the denser log is read off at the
sparser one's own moments.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.copy_grids import median_filter_9, part_noise
from blankoff.fleet.copy_kernels import ROUNDED, apart, correlation, even_share, noise_z
from blankoff.physics.compiled import copy_into, kernel
from blankoff.samples import FloatArray, IntArray

_NULL_FROM, _NULL_TO = 14, 46
_CHANCE_SHIFTS = (-11, -7, -5, 5, 7, 11)
_LONG_GAP = 3.0
"""Between readings further apart than so many usual spacings nothing is read off."""

_FEW = 64
_SCREENED = 0.75
"""Of a few readings looked at first, this part of the share that all must reach: four standard deviations below it."""
_SAME = 1e-4
"""Difference of two readings in ln units that only writing them down in other units makes."""

READING_COLUMNS = 14
"""Numbers that `compare_readings` returns."""


@kernel
def _grains(y: FloatArray) -> FloatArray:
    """Rounding of each reading in ln units: the least step between different readings of about its size."""
    order = np.argsort(y)
    step = np.full(y.size, np.inf)
    # octaves of ln p: where a gauge rounds, it does so by decades or finer
    first = 0
    while first < y.size:
        last = first
        octave = math.floor(y[order[first]] / 0.7)
        while last < y.size and math.floor(y[order[last]] / 0.7) == octave:
            last += 1
        least = np.inf
        for k in range(first + 1, last):
            gap = math.exp(y[order[k]]) - math.exp(y[order[k - 1]])
            if gap > 1e-6 * math.exp(y[order[k]]):
                least = min(least, gap)
        for k in range(first, last):
            step[order[k]] = least / math.exp(y[order[k]]) if math.isfinite(least) else 0.0
        first = last
    return step


@kernel
def prepare_readings(y: FloatArray, most_bend: float) -> FloatArray:
    """Noise in each reading (NaN where the course bends), what a running median leaves, and the rounding, ``(3, n)``.

    Parameters
    ----------
    y : (n,)
        Ln p of the readings that show a pressure; nine at least.
    """
    out = np.empty((3, y.size))
    part_noise(y, most_bend, out[0])
    middle = np.empty(y.size)
    median_filter_9(y, middle)
    out[1] = y - middle
    out[2] = _grains(y)
    return out


@kernel
def _read_off(
    sparse_t: FloatArray, dense_t: FloatArray, lag_s: float, longest_s: float, right: IntArray, share: FloatArray
) -> int:
    """Where in the denser log each of the sparser one's moments lies; ``right`` is 0 where it does not."""
    k, n = 1, 0
    last = dense_t.size - 1
    for i in range(sparse_t.size):
        at = sparse_t[i] - lag_s
        right[i] = 0
        if at < dense_t[0] - 1e-6 or at > dense_t[last] + 1e-6:
            continue
        while k < last and dense_t[k] < at:
            k += 1
        width = dense_t[k] - dense_t[k - 1]
        if width > longest_s:
            continue
        right[i] = k
        share[i] = min(max((at - dense_t[k - 1]) / width, 0.0), 1.0) if width > 0.0 else 1.0
        n += 1
    return n


@kernel
def _seen(values: FloatArray, right: IntArray, share: FloatArray, out: FloatArray) -> None:
    """Values of the denser log at the moments read off."""
    for i in range(right.size):
        k = right[i]
        out[i] = values[k - 1] + share[i] * (values[k] - values[k - 1]) if k > 0 else math.nan


@kernel
def _agreement(
    y: FloatArray, dense: FloatArray, tolerance: FloatArray, right: IntArray, share: FloatArray, shift: int
) -> float:
    """Share of readings that the denser log has too, between two of its readings or at the nearer of them.

    With a shift both hold only what a running median left: how often it would happen to noise out of step.
    """
    n = same = 0
    for i in range(right.size):
        k = right[i] + shift
        if right[i] == 0 or k < 1 or k >= dense.size:
            continue
        n += 1
        between = dense[k - 1] + share[i] * (dense[k] - dense[k - 1])
        nearer = dense[k - 1] if share[i] < 0.5 else dense[k]
        if min(abs(y[i] - between), abs(y[i] - nearer)) <= tolerance[i]:
            same += 1
    return same / n if n > 0 else 0.0


@kernel
def _tolerances(
    y: FloatArray, sparse_grain: FloatArray, dense_grain: FloatArray, right: IntArray, tolerance: FloatArray
) -> float:
    """How far apart two roundings of one pressure may lie, in ln units; returns the mean step."""
    total = 0.0
    n = 0
    for i in range(y.size):
        if right[i] > 0:
            # the least step of either, or what a gauge of a micron's step rounds away
            grain = max(math.exp(-y[i]), sparse_grain[i], dense_grain[right[i]])
            tolerance[i] = 0.002 + 0.6 * grain
            total += grain
            n += 1
    return total / max(n, 1)


@kernel
def _span(right: IntArray) -> tuple[int, int]:
    """Return the first and the last place that was read off; -1 where none was."""
    first = last = -1
    for i in range(right.size):
        if right[i] > 0:
            last = i
            if first < 0:
                first = i
    return first, last


@kernel
def _by_noise(
    sparse_y: FloatArray, sparse_noise: FloatArray, seen: FloatArray, right: IntArray, rounding: float,
    most_bend: float, least: int, out: FloatArray,
) -> None:  # fmt: skip
    """Correlation, its sharpness, points, evenness and smooth difference of what was read off at one alignment.

    The denser log is filtered as it is read off, at the sparser one's moments, so that both lose the same.
    """
    out[:] = 0.0
    first, last = _span(right)
    if last - first + 1 < least:
        return
    y = sparse_y[first : last + 1]
    other = seen[first : last + 1].copy()
    noise = np.empty(y.size)
    part_noise(other, most_bend, noise)
    own = sparse_noise[first : last + 1]
    rho, points = correlation(own, noise, 0, least)
    if points == 0:
        return
    total = squares = 0.0
    away = 0
    for d in range(_NULL_FROM, _NULL_TO):
        for lag in (-d, d):
            r, n = correlation(own, noise, lag, max(20, least // 2))
            if n > 0:
                z = noise_z(r, n)
                total += z
                squares += z * z
                away += 1
    mean = total / away if away >= 12 else 0.0
    spread = math.sqrt(max(squares / away - mean * mean, 0.0)) if away >= 12 else 0.0
    out[0], out[2] = rho, points
    out[1] = (noise_z(rho, points) - mean) / max(spread, 1.0)
    out[3] = even_share(own, noise, 0, rho)
    difference = np.empty(y.size)
    m = 0
    for i in range(y.size):
        if not math.isnan(other[i]):
            difference[m] = y[i] - other[i]
            m += 1
    out[4] = apart(difference[:m], max(ROUNDED, 0.5 * rounding))


@kernel
def _any_agree(
    sparse_t: FloatArray, sparse_y: FloatArray, sparse_grain: FloatArray, dense_t: FloatArray, dense_y: FloatArray,
    dense_grain: FloatArray, lags_s: FloatArray, least_share: float,
) -> bool:  # fmt: skip
    """Whether of a few readings all over the log so large a share agrees at any alignment."""
    every = max(sparse_y.size // _FEW, 1)
    for lag in lags_s:
        n = same = 0
        for turn in range(4):  # every fourth of them first: that tells most alignments off
            for i in range(every // 2 + turn * every, sparse_y.size, 4 * every):
                at = sparse_t[i] - lag
                k = np.searchsorted(dense_t, at)
                if k < 1 or k >= dense_t.size:
                    continue
                n += 1
                width = dense_t[k] - dense_t[k - 1]
                share = (at - dense_t[k - 1]) / width if width > 0.0 else 1.0
                between = dense_y[k - 1] + share * (dense_y[k] - dense_y[k - 1])
                nearer = dense_y[k - 1] if share < 0.5 else dense_y[k]
                tolerance = 0.002 + 0.6 * max(math.exp(-sparse_y[i]), sparse_grain[i], dense_grain[k])
                same += min(abs(sparse_y[i] - between), abs(sparse_y[i] - nearer)) <= tolerance
            if same < (least_share - 0.25) * n:
                break
        if n >= _FEW // 4 and same >= least_share * n:
            return True
    return False


@kernel
def _beyond_chance(share: float, chance: float, n: int) -> float:
    """How far a share lies above chance, in standard deviations: signed root of the binomial's likelihood ratio."""
    if share <= chance:
        return 0.0
    gain = share * math.log(share / chance)
    if share < 1.0:
        gain += (1.0 - share) * math.log((1.0 - share) / (1.0 - chance))
    return math.sqrt(2.0 * n * gain)


@kernel
def compare_readings(
    sparse_t: FloatArray, sparse_y: FloatArray, sparse_parts: FloatArray, dense_t: FloatArray, dense_y: FloatArray,
    dense_parts: FloatArray, lags_s: FloatArray, least: int, least_overlap_s: float, course_tolerance: float,
    least_share: float, most_bend: float, by_noise: bool,
) -> NDArray[np.float64]:  # fmt: skip
    """Compare two logs at the moments of the one with fewer readings.

    Parameters
    ----------
    sparse_t, sparse_y, dense_t, dense_y
        Moments (s) and ln p of the readings that show a pressure.
    sparse_parts, dense_parts
        `prepare_readings` of each.
    lags_s
        Alignments to try: moment of the sparser log minus that of the denser.
    least
        Readings in common that it takes.
    least_share
        Share of the readings from which on they are held to be the very same, and chance is counted so.
    by_noise
        Whether noise in common is hoped for: else nothing is looked at unless a few readings agree.

    Returns
    -------
    (14,)
        By the noise: lag (s), overlap (s), median difference of the courses, correlation, how many standard deviations
        it stands above wrong alignments, readings, `even_share`, `apart`. By agreement within the rounding: lag,
        overlap, median difference, share that agrees, standard deviations above chance, readings. Infinite differences
        where nothing fits.
    """
    out = np.zeros(READING_COLUMNS)
    out[2] = out[10] = np.inf
    if not by_noise and not _any_agree(
        sparse_t, sparse_y, sparse_parts[2], dense_t, dense_y, dense_parts[2], lags_s, _SCREENED * least_share
    ):
        return out
    n = sparse_y.size
    longest = _LONG_GAP * np.median(np.diff(dense_t)) + 2.0
    right, share = np.zeros(n, dtype=np.int64), np.zeros(n)
    seen, off, noise, tolerance = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    best, most = -np.inf, 0.0
    # readings that were neither changed nor rounded anew are the very same
    to_a_digit, to_the_digit = np.full(n, _SAME), False
    for lag in lags_s:
        if _read_off(sparse_t, dense_t, lag, longest, right, share) < least:
            continue
        first, last = _span(right)
        overlap = sparse_t[last] - sparse_t[first]
        if overlap < least_overlap_s:
            continue
        _seen(dense_y, right, share, seen)
        # the median difference is only looked at where half lie within the tolerance
        m = within = 0
        for i in range(n):
            if right[i] > 0:
                off[m] = abs(sparse_y[i] - seen[i])
                within += off[m] <= course_tolerance
                m += 1
        if 2 * within < m:
            continue
        if _agreement(sparse_y, dense_y, to_a_digit, right, share, 0) >= least_share:
            agreed, alike = 1.0 + _agreement(sparse_y, dense_y, to_a_digit, right, share, 0), True
        else:
            _tolerances(sparse_y, sparse_parts[2], dense_parts[2], right, tolerance)
            agreed, alike = _agreement(sparse_y, dense_y, tolerance, right, share, 0), False
        if agreed > most:
            most, to_the_digit = agreed, alike
            agreed -= 1.0 if alike else 0.0
            out[8], out[9], out[11] = lag, overlap, agreed
        _seen(dense_parts[0], right, share, noise)
        rho, points = correlation(sparse_parts[0], noise, 0, least)
        z = noise_z(rho, points) if points > 0 else -1e9
        if z > best:
            best = z
            out[0], out[1] = lag, overlap
    if not math.isfinite(best):
        return out
    told, other = np.empty(5), np.empty(5)
    for k in range(2):
        lag = out[8] if k else out[0]
        _read_off(sparse_t, dense_t, lag, longest, right, share)
        _seen(dense_y, right, share, seen)
        rounding = _tolerances(sparse_y, sparse_parts[2], dense_parts[2], right, tolerance)
        _by_noise(sparse_y, sparse_parts[0], seen, right, rounding, most_bend, least, other)
        if k == 0 or other[1] > told[1]:
            copy_into(told, other)
            if k:
                out[0], out[1] = out[8], out[9]
        m = 0
        for i in range(n):
            if right[i] > 0:
                off[m] = abs(sparse_y[i] - seen[i])
                m += 1
        course = np.median(off[:m])
        if k:
            out[10] = course
        if out[0] == lag:
            out[2] = course
    copy_into(out[3:8], told)
    if to_the_digit:
        # as wide as the rounding: what a running median leaves is no whole number of steps
        for i in range(n):
            tolerance[i] = max(_SAME, 0.5 * min(sparse_parts[2, i], dense_parts[2, right[i]]))
    # right and share are those of the best agreement now
    chance, m = 0.0, 0
    for i in range(n):
        m += right[i] > 0
    for shift in _CHANCE_SHIFTS:
        chance += _agreement(sparse_parts[1], dense_parts[1], tolerance, right, share, shift)
    tries = len(_CHANCE_SHIFTS) * m
    chance = min((chance / len(_CHANCE_SHIFTS) * tries + 1.0) / (tries + 2.0), 1.0 - 1e-6)
    out[12], out[13] = _beyond_chance(out[11], chance, m), m
    return out
