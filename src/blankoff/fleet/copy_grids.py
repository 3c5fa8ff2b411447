"""Logs put on even grids, their noise parted from their course, to be compared. Kernels.

What `copy_match` does for one log, number for number: it stays as the plain oracle. Filters are those of `scipy.ndimage`
with mode ``nearest``, in its own order of summing, so that not a bit differs.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import copy_into, kernel, vector_kernel
from blankoff.samples import FloatArray, IntArray

SCALE_ROUNDS = 3
"""How often the noise is measured anew off the bends that the last measure showed."""
LEAST_STRAIGHT = 20
"""Readings off the bends from which on the noise is measured."""
MOST_BEND_LN = 0.3
"""Bend over nine readings, or leap of one, in ln p, that is no noise however large the noise seems: where a log falls several times between breaks
with gas, its falls would else be the scale that they are held against, and two honest pulls fall alike."""


@kernel
def uniform_filter(x: FloatArray, size: int, out: FloatArray) -> None:
    """Moving mean, ends repeated."""
    n = x.size
    left = size // 2
    total = 0.0
    for k in range(size):
        total += x[min(max(k - left, 0), n - 1)]
    out[0] = total / size
    for i in range(1, n):
        total += x[min(i + size - 1 - left, n - 1)] - x[max(i - 1 - left, 0)]
        out[i] = total / size


@vector_kernel
def _medians_of_9(x: FloatArray, out: FloatArray) -> None:
    """Median of each nine neighbours, by exchanges alone, so that it runs in vectors; ``x`` is longer by eight."""
    for i in range(np.uint64(out.size)):
        p0, p1, p2 = x[i], x[i + np.uint64(1)], x[i + np.uint64(2)]
        p3, p4, p5 = x[i + np.uint64(3)], x[i + np.uint64(4)], x[i + np.uint64(5)]
        p6, p7, p8 = x[i + np.uint64(6)], x[i + np.uint64(7)], x[i + np.uint64(8)]
        # each three in order
        p1, p2 = (p1, p2) if p1 < p2 else (p2, p1)
        p4, p5 = (p4, p5) if p4 < p5 else (p5, p4)
        p7, p8 = (p7, p8) if p7 < p8 else (p8, p7)
        p0, p1 = (p0, p1) if p0 < p1 else (p1, p0)
        p3, p4 = (p3, p4) if p3 < p4 else (p4, p3)
        p6, p7 = (p6, p7) if p6 < p7 else (p7, p6)
        p1, p2 = (p1, p2) if p1 < p2 else (p2, p1)
        p4, p5 = (p4, p5) if p4 < p5 else (p5, p4)
        p7, p8 = (p7, p8) if p7 < p8 else (p8, p7)
        # the largest of the least, the middle of the middles, the least of the largest: the median is the middle of these
        low = p0 if p0 > p3 else p3
        low = low if low > p6 else p6
        high = p2 if p2 < p5 else p5
        high = high if high < p8 else p8
        p1, p4 = (p1, p4) if p1 < p4 else (p4, p1)
        p4 = p4 if p4 < p7 else p7
        middle = p1 if p1 > p4 else p4
        low, high = (low, high) if low < high else (high, low)
        middle = middle if middle > low else low
        out[i] = middle if middle < high else high


@kernel
def median_filter_9(x: FloatArray, out: FloatArray) -> None:
    """Moving median of nine, ends repeated."""
    n = x.size
    padded = np.empty(n + 8)
    padded[:4] = x[0]
    copy_into(padded[4 : n + 4], x)
    padded[n + 4 :] = x[n - 1]
    _medians_of_9(padded, out)


@kernel
def _bridge(y: FloatArray, reach: int) -> None:
    """Fill NaN between known values along straight lines, cells further than ``reach`` from any known one left out."""
    n = y.size
    a = -1
    for b in range(n):
        if math.isnan(y[b]):
            continue
        if a >= 0 and b - a > 1:
            slope = (y[b] - y[a]) / (b - a)
            for k in range(a + 1, b):
                if min(k - a, b - k) <= reach:
                    y[k] = slope * (k - a) + y[a]
        a = b


@kernel
def _noise_scale(sizes: FloatArray) -> float:
    """Robust standard deviation: by the median of the sizes, by half their 0.9 quantile at least."""
    n = sizes.size
    place = (n - 1) * 0.9
    low = math.floor(place)
    share = place - low
    part = np.partition(sizes, low)
    a = part[low]
    b = part[low + 1 :].min() if low + 1 < n else a
    quantile = a + (b - a) * share if share < 0.5 else b - (b - a) * (1.0 - share)
    return float(max(1.4826 * float(np.median(sizes)), 0.5 * quantile) + 1e-5)


@kernel
def part_noise(course: FloatArray, most_bend: float, noise: FloatArray) -> None:
    """What is left of ln p once its smooth course is taken out; see `copy_match`."""
    n = course.size
    filled = course.copy()
    _bridge(filled, n)
    smooth, work = np.empty(n), np.empty(n)
    median_filter_9(filled, work)
    uniform_filter(work, 9, smooth)
    rest = filled - smooth
    bend = np.empty(n)
    for i in range(n):
        bend[i] = abs(smooth[min(i + 4, n - 1)] - 2.0 * smooth[i] + smooth[max(i - 4, 0)])
        if abs(rest[i]) > MOST_BEND_LN:
            # a fall of a reading or two, which the running median does not see
            bend[i], rest[i] = np.inf, 0.0
    uniform_filter(rest, 15, work)
    straight = np.empty(n, dtype=np.bool_)
    for i in range(n):
        rest[i] -= work[i]
        straight[i] = not math.isnan(course[i])
    sizes = np.empty(n)
    sigma = 0.0
    for _ in range(SCALE_ROUNDS):
        m = 0
        for i in range(n):
            if straight[i]:
                sizes[m] = abs(rest[i])
                m += 1
        if m < LEAST_STRAIGHT:
            break
        sigma = _noise_scale(sizes[:m])
        _off_bends(course, bend, min(most_bend * sigma, MOST_BEND_LN), straight)
    for i in range(n):
        work[i] = min(abs(rest[i]), 4.0 * sigma)
    scale = np.empty(n)
    uniform_filter(work, 61, scale)
    for i in range(n):
        if straight[i]:
            noise[i] = min(max(rest[i] / (1.4826 * 0.85 * scale[i] + 1e-5), -3.0), 3.0)
        else:
            noise[i] = math.nan


@kernel
def _off_bends(course: FloatArray, bend: FloatArray, limit: float, straight: NDArray[np.bool_]) -> None:
    """Readings further than six cells from any bend above a limit."""
    n = bend.size
    bent_until = -1
    for i in range(min(6, n)):
        if bend[i] > limit:
            bent_until = i + 6
    for i in range(n):
        if i + 6 < n and bend[i + 6] > limit:
            bent_until = i + 12
        straight[i] = bent_until < i and not math.isnan(course[i])


@kernel
def grid_sizes(
    offsets: IntArray, t: FloatArray, ln_p: FloatArray, logs: IntArray, steps: FloatArray, sizes: IntArray
) -> None:
    """Cells of each log's even grid; 0 with under five readings of a pressure."""
    for e in range(logs.size):
        a, b = offsets[logs[e]], offsets[logs[e] + 1]
        first = last = 0
        n = 0
        for i in range(a, b):
            if not math.isnan(ln_p[i]):
                last = math.floor(t[i] / steps[e] + 1e-9)
                if n == 0:
                    first = last
                n += 1
        sizes[e] = last - first + 1 if n >= 5 else 0


@kernel
def prepare_logs(
    offsets: IntArray, t: FloatArray, ln_p: FloatArray, logs: IntArray, steps: FloatArray, cells: IntArray,
    most_bend: float, first: int, last: int, start_s: FloatArray, course: FloatArray, noise: FloatArray,
) -> None:  # fmt: skip
    """Put logs ``first`` to ``last - 1`` of a list on even grids and part noise from course.

    Parameters
    ----------
    offsets, t, ln_p
        Readings of a batch; ``ln_p`` NaN where there is no pressure.
    logs, steps, cells
        Which log, on what step in s, and where its cells begin: ``cells`` has one entry more.
    start_s, course, noise
        Out.
    """
    for e in range(first, last):
        c, d = cells[e], cells[e + 1]
        start_s[e] = 0.0
        if d == c:
            continue
        a, b = offsets[logs[e]], offsets[logs[e] + 1]
        count = np.zeros(d - c, dtype=np.int64)
        grid = course[c:d]
        grid[:] = 0.0
        origin = 0
        n = 0
        for i in range(a, b):
            if math.isnan(ln_p[i]):
                continue
            cell = math.floor(t[i] / steps[e] + 1e-9)
            if n == 0:
                origin = cell
            n += 1
            grid[cell - origin] += ln_p[i]
            count[cell - origin] += 1
        start_s[e] = origin * steps[e]
        for k in range(d - c):
            grid[k] = grid[k] / count[k] if count[k] > 0 else math.nan
        _bridge(grid, 2)
        there = 0
        for k in range(d - c):
            if not math.isnan(grid[k]):
                there += 1
        if there >= 5:
            part_noise(grid, most_bend, noise[c:d])
        else:
            noise[c:d] = math.nan
