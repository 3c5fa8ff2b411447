"""Readings of a log in few bytes, exactly: what the table ``packed`` holds.

Readings come from decimal text, so nearly every column is whole numbers of some step: of a tenth of a micron, say, or of a
thousandth of a millibar. Those numbers are kept as differences, a byte or two each; of times the differences of the
differences, nought on an even grid. A column that is no such thing is kept as it is. What comes back is the same to the bit.

A log is one stretch of 64-bit words or several: a head (readings in the lower 32 bits, words that follow in the upper), then
its columns one after another, filled up with noughts to a whole word.

* A column begins with one byte: `_AS_IT_IS`, and its numbers follow, 8 bytes each; else how many decimals (`_SCALED` higher
  if a scale and a shift of 8 bytes each follow): a value is number / 10^decimals * scale + shift.
* The differences are numbers of variable length, seven bits a byte, the lowest first: 0 and then n for n times no
  difference, 1 and then n for n times NaN; else one more than the difference folded to be positive (-1, 1, -2 as 1, 2, 3).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.errors import StoreError
from blankoff.physics.compiled import copy_into, kernel, vector_kernel
from blankoff.samples import FloatArray, IntArray
from blankoff.units import PressureUnit, TemperatureUnit, to_celsius, to_micron

__all__ = ["WordArray", "pack", "unpack"]

ByteArray = NDArray[np.uint8]
WordArray = NDArray[np.uint64]

_AS_IT_IS = 255
_SCALED = 32
_MOST_DECIMALS = 9
_LARGEST = 2.0**50
"""Whole numbers beyond this, and differences of differences of them, might not be exact."""
_MOST_READINGS = 1 << 27
"""Of one stretch, a gigabyte a column: a damaged head must not ask for more. Logs that are read have 30 times less at most."""
_TRIED = 32
"""Values on which a step is tried before all of them are."""
_COLUMN_BYTES = 48
"""Room for the head of a column and for the last of its runs."""
_STEPS = np.array(
    [
        (1.0, 0.0),
        *((to_micron(1.0, unit), 0.0) for unit in PressureUnit if unit is not PressureUnit.MICRON),
        (5.0 / 9.0, to_celsius(0.0, TemperatureUnit.F)),
        (1.0, to_celsius(0.0, TemperatureUnit.K)),
        (60.0, 0.0),
        (2.0**-22, 0.0),  # of differences of seconds since 1970
    ]
)
"""Scales and shifts that are tried; which one was used is kept with the column, so that these may change."""


@kernel
def _put(out: ByteArray, at: int, number: int) -> int:
    """Write a number of variable length."""
    while number >= 128:
        out[at] = (number & 127) | 128
        number >>= 7
        at += 1
    out[at] = number
    return at + 1


@kernel
def _put_bytes(out: ByteArray, at: int, values: FloatArray) -> int:
    """Write values as they are."""
    raw = values.view(np.uint8)
    copy_into(out[at : at + raw.size], raw)
    return at + raw.size


@kernel
def _fits(x: FloatArray, power: float, scale: float, shift: float) -> bool:
    """Whether some values are whole numbers of a step."""
    for k in range(_TRIED):
        v = x[k * (x.size - 1) // (_TRIED - 1)]
        r = np.rint((v - shift) * (power / scale))
        if v == v and not (np.abs(r) <= _LARGEST and r / power * scale + shift == v):
            return False
    return True


@vector_kernel
def _whole_numbers(x: FloatArray, power: float, scale: float, shift: float, out: FloatArray) -> bool:
    """Values in whole numbers of a step, NaN staying NaN; whether each is one exactly."""
    wrong, inverse = 0, power / scale
    for i in range(x.size):
        v = x[i]
        r = np.rint((v - shift) * inverse)
        out[i] = r
        exact = (np.abs(r) <= _LARGEST) & (r / power * scale + shift == v)
        wrong += 0 if exact | (v != v) else 1
    return wrong == 0


@kernel
def _put_differences(out: ByteArray, at: int, numbers: FloatArray, twice: bool) -> int:
    """Write whole numbers as differences, or as differences of differences."""
    before, step = 0.0, 0.0
    run = length = 0
    for i in range(numbers.size + 1):
        kind, number = 2, 0
        if i < numbers.size:
            r = numbers[i]
            if r != r:
                kind = 1
            else:
                change = r - before - step
                if twice:
                    step = r - before
                before = r
                if change == 0.0:
                    kind = 0
                number = int(change)
        if length and kind != run:
            out[at] = run
            at = _put(out, at + 1, length)
            length = 0
        if kind < 2:
            run = kind
            length += 1
        elif i < numbers.size:
            at = _put(out, at, 2 * number + 1 if number > 0 else -2 * number)
    return at


@kernel
def _put_column(out: ByteArray, at: int, x: FloatArray, twice: bool, steps: FloatArray, numbers: FloatArray) -> int:
    """Write a column of one log in the first way that gives it back exactly."""
    for k in range(steps.shape[0]):
        scale, shift = steps[k, 0], steps[k, 1]
        power = 1.0
        for decimals in range(_MOST_DECIMALS + 1):
            if _fits(x, power, scale, shift) and _whole_numbers(x, power, scale, shift, numbers):
                if k == 0:
                    out[at] = decimals
                    at += 1
                else:
                    out[at] = decimals + _SCALED
                    at = _put_bytes(out, at + 1, steps[k])
                return _put_differences(out, at, numbers[: x.size], twice)
            power *= 10.0
    out[at] = _AS_IT_IS
    return _put_bytes(out, at + 1, x)


@kernel
def _pack_all(
    offsets: IntArray, t: FloatArray, p: FloatArray, a: FloatArray, steps: FloatArray, out: ByteArray, words: IntArray
) -> None:
    """Write logs one after another; ``words[i]`` is how many words log ``i`` takes."""
    longest = 0
    for k in range(offsets.size - 1):
        longest = max(longest, offsets[k + 1] - offsets[k])
    numbers = np.empty(longest)
    head = out.view(np.uint64)
    at = 0
    for k in range(offsets.size - 1):
        first, last = offsets[k], offsets[k + 1]
        words[k] = 0
        if last == first:
            continue
        begin = at // 8
        at += 8
        for column in range(3):  # one place of calling is compiled once
            x = t if column == 0 else p if column == 1 else a
            at = _put_column(out, at, x[first:last], column == 0, steps, numbers)
        while at % 8:
            out[at] = 0
            at += 1
        words[k] = at // 8 - begin
        head[begin] = np.uint64(last - first) | (np.uint64(words[k] - 1) << np.uint64(32))


def pack(offsets: IntArray, columns: tuple[FloatArray, FloatArray, FloatArray]) -> tuple[WordArray, IntArray]:
    """Pack readings.

    Parameters
    ----------
    offsets
        ``(n + 1,)`` log ``i`` is ``[offsets[i]:offsets[i + 1]]``.
    columns
        Elapsed seconds, microns, degrees Celsius, ``(offsets[n],)`` each; NaN where unknown.

    Returns
    -------
    words : (m,) uint64
        Of all logs, one after another; those of a log without readings are none.
    counts : (n,) int64
        How many of them are each log's.
    """
    n = offsets.size - 1
    out = np.empty((24 * int(offsets[-1]) // 8 + (3 * _COLUMN_BYTES // 8 + 2) * n) * 8, dtype=np.uint8)
    counts = np.empty(n, dtype=np.int64)
    t, p, a = (np.require(c, dtype=np.float64, requirements=["C", "W"]) for c in columns)
    _pack_all(offsets, t, p, a, _STEPS, out, counts)
    return out.view(np.uint64)[: int(counts.sum())].copy(), counts


# --- and back -----------------------------------------------------------------------------------------------------


@kernel
def _count_readings(words: WordArray, starts: IntArray, ends: IntArray, out: IntArray) -> bool:
    """Readings of each log; false if its heads make no sense."""
    for k in range(starts.size):
        at = starts[k]
        out[k] = 0
        while at < ends[k]:
            n, more = int(words[at] & np.uint64(0xFFFFFFFF)), int(words[at] >> np.uint64(32))
            at += 1 + more
            # each reading takes no bytes at all where nothing changes, but a column has some
            if n == 0 or more == 0 or at > ends[k] or n > _MOST_READINGS:
                return False
            out[k] += n
    return True


@kernel
def _take(raw: ByteArray, at: int, end: int) -> tuple[int, int]:
    """Read a number of variable length, and say where the next one begins; beyond ``end`` if there is none."""
    number, bits = 0, 0
    while at < end and bits < 63:
        byte = int(raw[at])
        at += 1
        number |= (byte & 127) << bits
        if byte < 128:
            return number, at
        bits += 7
    return 0, end + 1


@kernel
def _take_column(raw: ByteArray, at: int, end: int, x: FloatArray, twice: bool) -> int:
    """Read a column of one log; what is returned lies beyond ``end`` if it makes no sense."""
    wrong = end + 1
    if at >= end:
        return wrong
    way = int(raw[at])
    at += 1
    if way == _AS_IT_IS:
        if at + 8 * x.size > end:
            return wrong
        copy_into(x.view(np.uint8), raw[at : at + 8 * x.size])
        return at + 8 * x.size
    scale, shift = 1.0, 0.0
    if way >= _SCALED:
        way -= _SCALED
        if at + 16 > end:
            return wrong
        both = np.empty(2)
        copy_into(both.view(np.uint8), raw[at : at + 16])
        scale, shift = both[0], both[1]
        at += 16
    power = 1.0
    for _ in range(way):
        power *= 10.0
    before, step = 0.0, 0.0
    i = 0
    while i < x.size:
        if at >= end:
            return wrong
        number = int(raw[at])
        if number < 128:
            at += 1
        else:
            number, at = _take(raw, at, end)
            if at > end:
                return wrong
        if number < 2:
            length, at = _take(raw, at, end)
            if at > end or length > x.size - i:
                return wrong
            for _ in range(length):
                if number == 1:
                    x[i] = np.nan
                else:
                    before += step
                    x[i] = before
                i += 1
            continue
        number -= 1
        change = -((number + 1) // 2) if number % 2 else number // 2
        if twice:
            step += change
            before += step
        else:
            before += change
        x[i] = before
        i += 1
    for i in range(x.size):
        x[i] = x[i] / power * scale + shift
    return at


@kernel
def _unpack_all(
    words: WordArray, starts: IntArray, ends: IntArray, offsets: IntArray, t: FloatArray, p: FloatArray, a: FloatArray
) -> bool:
    """Read logs; false if what is there makes no sense."""
    raw = words.view(np.uint8)
    for k in range(starts.size):
        at, first = starts[k], offsets[k]
        while at < ends[k]:
            n, more = int(words[at] & np.uint64(0xFFFFFFFF)), int(words[at] >> np.uint64(32))
            begin, end = 8 * (at + 1), 8 * (at + 1 + more)
            last = first + n
            for column in range(3):
                x = t if column == 0 else p if column == 1 else a
                begin = _take_column(raw, begin, end, x[first:last], column == 0)
                if begin > end:
                    return False
            at += 1 + more
            first = last
    return True


def unpack(words: WordArray, starts: IntArray, ends: IntArray) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Undo `pack`.

    Parameters
    ----------
    words
        ``(m,)``.
    starts, ends
        ``(n,)`` log ``i`` is ``words[starts[i]:ends[i]]``; it may have been packed in several parts.

    Returns
    -------
    offsets : (n + 1,) int64
    elapsed_s, pressure_micron, ambient_c : (offsets[n],) float64

    Raises
    ------
    StoreError
        The words were not made by `pack`.
    """
    words = np.require(words, dtype=np.uint64, requirements=["C", "W"])
    counts = np.empty(starts.size, dtype=np.int64)
    sound = _count_readings(words, starts, ends, counts)
    offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    t, p, a = (np.empty(int(offsets[-1]) if sound else 0) for _ in range(3))
    if not (sound and _unpack_all(words, starts, ends, offsets, t, p, a)):
        raise StoreError("the stored readings of a log are damaged; ingest its fleet folder into a new store")
    return offsets, t, p, a
