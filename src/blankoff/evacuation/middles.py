"""Middles and means of each log of a batch, over arrays, without the interpreter. Kernels."""

from __future__ import annotations

import math

import numpy as np

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray

__all__ = ["mean_ambients", "median_ambients", "median_of", "median_spacings"]


@kernel
def median_of(values: FloatArray) -> float:
    """Median of values that are all finite, as `numpy.median` gives it; NaN of none.

    Most series here repeat one value: if the one in the middle of the row is the middle in size too, nothing is sorted.
    """
    n = values.size
    if n == 0:
        return math.nan
    guess = values[n // 2]
    less = same = 0
    for value in values:
        if value < guess:
            less += 1
        elif value == guess:
            same += 1
    if less <= (n - 1) // 2 and less + same > n // 2:
        return float(guess)
    return float(np.median(values))


@kernel
def median_spacings(offsets: IntArray, elapsed: FloatArray, out: FloatArray) -> None:
    """Median spacing of each log's readings, s, into ``out`` (n,); left as it is where there are not two readings."""
    for i in range(offsets.size - 1):
        a, b = offsets[i], offsets[i + 1]
        if b - a > 1:
            out[i] = median_of(elapsed[a + 1 : b] - elapsed[a : b - 1])


@kernel
def median_ambients(
    offsets: IntArray, elapsed: FloatArray, ambient: FloatArray, start_s: FloatArray, out: FloatArray
) -> None:
    """Median ambient of each log from ``start_s`` on, °C, into ``out`` (n,).

    Of the whole log where nothing is known from then on, or ``start_s`` is NaN; left as it is where nothing is known.
    """
    for i in range(offsets.size - 1):
        a, b = offsets[i], offsets[i + 1]
        known = np.empty(b - a)
        n = early = 0
        for k in range(a, b):
            if math.isfinite(ambient[k]):
                if elapsed[k] < start_s[i]:
                    early += 1
                known[n] = ambient[k]
                n += 1
        if early == n:
            early = 0
        if n > 0:
            out[i] = median_of(known[early:n])


@kernel
def mean_ambients(offsets: IntArray, ambient: FloatArray, out: FloatArray) -> None:
    """Mean ambient of each log, °C, into ``out`` (n,); left as it is where no reading has one."""
    for i in range(offsets.size - 1):
        total = 0.0
        n = 0
        for k in range(offsets[i], offsets[i + 1]):
            if math.isfinite(ambient[k]):
                total += ambient[k]
                n += 1
        if n > 0:
            out[i] = total / n
