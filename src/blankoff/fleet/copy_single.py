"""Pairs of logs compared reading by reading, many in one compiled pass; `copy_match.match_readings` is the plain way for one.

The logs of a batch lie one behind the other with what a comparison needs of each; a pair costs no call of the interpreter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.copy_readings import compare_readings, prepare_readings
from blankoff.physics.compiled import copy_into, kernel
from blankoff.samples import FloatArray, IntArray

__all__ = ["LEAST_READINGS", "SingleReadings", "compare_single", "prepare_single", "room_for"]

LEAST_READINGS = 9
"""Readings of a log below which it is not compared reading by reading."""
_EDGE = 1e-9
"""So that the last alignment tried is not lost by rounding."""


@dataclass(frozen=True)
class SingleReadings:
    """The readings that show a pressure, log after log.

    Attributes
    ----------
    starts : int64 (logs + 1,)
        Where each log's begin; none of a log that has fewer than `LEAST_READINGS`.
    elapsed_s, ln_p : float64 (readings,)
    parts : float64 (3, readings)
        `copy_readings.prepare_readings` of each log.
    usual_s, usual_last_s : float64 (logs,)
        Usual spacing of a log's readings, and of its last few.
    """

    starts: IntArray
    elapsed_s: FloatArray
    ln_p: FloatArray
    parts: FloatArray
    usual_s: FloatArray
    usual_last_s: FloatArray


def room_for(offsets: IntArray, ln_p: FloatArray, wanted: IntArray) -> SingleReadings:
    """Make room for some logs of a batch; ``ln_p`` is nan where a reading shows no pressure."""
    known = np.concatenate([[0], np.cumsum(np.isfinite(ln_p))])
    sizes = known[offsets[wanted + 1]] - known[offsets[wanted]]
    starts = np.concatenate([[0], np.cumsum(np.where(sizes < LEAST_READINGS, 0, sizes))]).astype(np.int64)
    n = int(starts[-1])
    return SingleReadings(
        starts, np.empty(n), np.empty(n), np.empty((3, n)), np.empty(wanted.size), np.empty(wanted.size)
    )


@kernel
def prepare_single(
    offsets: IntArray, elapsed_s: FloatArray, ln_p: FloatArray, wanted: IntArray, most_bend: float, most_picked: int,
    first: int, last: int, starts: IntArray, out_s: FloatArray, out_ln: FloatArray, parts: FloatArray,
    usual_s: FloatArray, usual_last_s: FloatArray,
) -> None:  # fmt: skip
    """Fill in logs ``first`` to ``last`` of those that room was made for."""
    for k in range(first, last):
        a, b = starts[k], starts[k + 1]
        if a == b:
            continue
        at = a
        for i in range(offsets[wanted[k]], offsets[wanted[k] + 1]):
            if not math.isnan(ln_p[i]):
                out_s[at], out_ln[at] = elapsed_s[i], ln_p[i]
                at += 1
        own = prepare_readings(out_ln[a:b], most_bend)
        for r in range(own.shape[0]):
            copy_into(parts[r, a:b], own[r])
        usual_s[k] = np.median(np.diff(out_s[a:b]))
        usual_last_s[k] = np.median(np.diff(out_s[max(a, b - most_picked) : b]))


@kernel
def _alignments(guesses_s: FloatArray, sign: float, reach: float, fine: float, other_moment_s: float) -> FloatArray:
    """Alignments to try, ascending: about each guess that differs from those before, and the guesses themselves."""
    told = np.empty(guesses_s.size)
    n = 0
    for g in guesses_s:
        if math.isfinite(g):
            told[n] = sign * g
            n += 1
    steps = math.ceil((2.0 * reach + 2.0 * _EDGE) / fine) + 1
    out = np.empty(n * (steps + 2))
    m = 0
    begun = np.empty(n)
    apart = 0
    for k in range(n):
        new = True
        for q in range(apart):
            new = new and abs(told[k] - begun[q]) > other_moment_s
        if not new:
            continue
        begun[apart] = told[k]
        apart += 1
        start = told[k] - reach
        stop = told[k] + reach + _EDGE
        count = math.ceil((stop - start) / fine)
        second = start + fine
        step = second - start
        for i in range(count):
            out[m] = start if i == 0 else (second if i == 1 else start + i * step)
            m += 1
    for k in range(n):
        out[m] = told[k]
        m += 1
    out = np.sort(out[:m])
    kept = 0
    for i in range(m):
        if i == 0 or out[i] != out[kept - 1]:
            out[kept] = out[i]
            kept += 1
    return out[:kept]


@kernel
def compare_single(
    pairs: IntArray, guessed_s: FloatArray, hopeful: NDArray[np.bool_], starts: IntArray, elapsed_s: FloatArray,
    ln_p: FloatArray, parts: FloatArray, usual_s: FloatArray, usual_last_s: FloatArray, least_picked: int,
    most_picked: int, least_overlap_s: float, course_tolerance: float, picked_share: float, other_moment_s: float,
    most_bend: float, first: int, last: int, out: FloatArray,
) -> None:  # fmt: skip
    """Compare pairs ``first`` to ``last``.

    Parameters
    ----------
    pairs : int64 (m, 2)
        Earlier and later log, by their number among those prepared.
    guessed_s : float64 (m, k)
        Alignments that the sketches say, moment of the later log minus that of the earlier; nan where one says nothing.
    hopeful : bool (m,)
        Whether noise in common is hoped for.
    starts, elapsed_s, ln_p, parts, usual_s, usual_last_s
        Of `SingleReadings`.
    out : float64 (m, 1 + READING_COLUMNS)
        Filled: +1 or -1 for which of the two is the sparser one, 0 where there was nothing to compare; and what
        `compare_readings` says.
    """
    for q in range(first, last):
        out[q, :] = 0.0
        earlier, later = pairs[q, 0], pairs[q, 1]
        many, more = starts[later + 1] - starts[later], starts[earlier + 1] - starts[earlier]
        if many == 0 or more == 0:
            continue
        sign = 1.0 if many <= more else -1.0
        sparse, dense = (later, earlier) if sign > 0 else (earlier, later)
        b = starts[sparse + 1]
        a = max(starts[sparse], b - most_picked)
        if b - a < least_picked:
            continue
        fine = max(usual_s[dense] / 3.0, 0.5)
        reach = max(usual_last_s[sparse], 8.0)
        lags = _alignments(guessed_s[q], sign, reach, fine, other_moment_s)
        c, d = starts[dense], starts[dense + 1]
        out[q, 0] = sign
        found = compare_readings(
            elapsed_s[a:b], ln_p[a:b], parts[:, a:b].copy(), elapsed_s[c:d], ln_p[c:d], parts[:, c:d].copy(), lags, least_picked,
            least_overlap_s, course_tolerance, picked_share, most_bend, hopeful[q],
        )  # fmt: skip
        copy_into(out[q, 1:], found)
