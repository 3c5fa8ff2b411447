"""A short sketch of each log: its shape by the hold, its shape by its end, and a few passages of its readings.

Each finds copies that the others miss. The shape by the hold outlives shifting and cutting; the shape by the end needs no
hold and outlives whatever leaves the end in place; passages outlive any cut, but only where readings were not changed.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import polars as pl

from blankoff.fleet.vector_math import ln
from blankoff.physics.compiled import copy_into, kernel, vector_kernel
from blankoff.samples import FloatArray, IntArray, SampleBatch

HOLD_MOMENTS_S = (60.0, 180.0, 360.0)
PULL_LEVELS_MICRON = (5000.0, 2000.0, 1000.0, 600.0)
SHAPE_COLUMNS = ("hold_1", "hold_3", "hold_6", "pull_5000", "pull_2000", "pull_1000")
END_EDGES_S = (0.0, 60.0, 180.0, 360.0, 600.0, 900.0, 1400.0)
END_COLUMNS = (*(f"end_{int(s)}" for s in END_EDGES_S[1:]), "lasted")
MOMENT_COLUMNS = ("moment_hold", "moment_2000", "moment_1000", "moment_first", "moment_shown", "moment_last")
SKETCH_COLUMNS = (*SHAPE_COLUMNS, *END_COLUMNS, *MOMENT_COLUMNS)
PASSAGES_KEPT = 16
"""Per log: of a cut that leaves half of it, some eight are likely to be left."""
_PASSAGE_RUNS = 16
"""Different readings in a row that make a passage: far more than two honest logs of one quiet gauge share by chance."""
_TOGETHER = 32
"""Logs whose logarithms are held at a time, so that they stay near the processor."""
_PASSAGE_STEP = 0.004
"""Pressures closer than this in ln units may count as one, so that a unit's rounding seldom matters."""


@dataclass(frozen=True)
class CopyRules:
    """How alike is a copy. This project's own judgement, checked by simulation; no source."""

    sketch_radius: float = 0.06
    """Largest difference in any number of two sketches, ln units; fresh noise of 3 % moves a sketch by about 0.02."""
    course_tolerance: float = 0.04
    """Largest median difference of ln p along the overlap."""
    least_overlap_s: float = 150.0
    least_points: int = 40
    least_sharpness: float = 5.0
    """The noise match must stand this many standard deviations above its own value at wrong alignments: honest pairs of
    the very same simulated course reach 4.4 in some thousands."""
    sharp_alone: float = 7.0
    """From here on the courses may differ smoothly too, as where drifting noise was laid over; honest ones reach 4.9."""
    least_correlation: float = 0.12
    most_apart: float = 0.75
    """Largest smooth difference of two courses over the noise in it, for a match not sharp enough alone; of a copy with
    fresh noise it is what noise leaves, about 0.3."""
    same_share: float = 0.9
    """Readings that are the same to 0.2 %: no gauge is that quiet twice (noise 0.5 % and more, common practice)."""
    least_even_share: float = 0.5
    """The match must run through the whole overlap: of four quarters, the second worst must reach this share of it."""
    least_picked: int = 25
    most_picked: int = 3000
    """Readings of the sparser log that are held against the denser: of longer ones the last."""
    picked_share: float = 0.85
    """Compared reading by reading, so many readings must there be and so large a share agree, far beyond chance."""
    most_neighbours: int = 24
    """Proposals verified per log; the nearest come first."""
    most_sharing: int = 4
    """Of many logs that share a passage each is compared with so many before it, and with the first."""
    other_moment_s: float = 8.0
    """Two moments that disagree on the alignment by more than this are both tried; so far about one all are looked at."""
    end_radius: float = 0.04
    most_by_end: int = 8
    """The same by a log's end: an average over a minute and more is moved less."""
    ends_from: int = 4
    """Numbers by a log's end, how long it lasted among them, from which on that one may be off."""


@vector_kernel
def _levels_kernel(p: FloatArray, ln_p: FloatArray, levels: IntArray) -> None:
    """Logarithm of each pressure, and the step of `_PASSAGE_STEP` it lies in; below nought where there is none."""
    for i in range(p.size):
        there = p[i] > 0
        y = ln(p[i] if there else 1.0)
        ln_p[i] = y
        levels[i] = int(np.rint(y / _PASSAGE_STEP)) + 100_000 if there else -1


@kernel
def _sketch_kernel(
    t: FloatArray, p: FloatArray, ln_p: FloatArray, offsets: IntArray, isolated_at_s: FloatArray, out: FloatArray
) -> None:
    moments = HOLD_MOMENTS_S
    levels = PULL_LEVELS_MICRON
    for k in range(offsets.size - 1):
        a, b = offsets[k], offsets[k + 1]
        for j in range(out.shape[1]):
            out[k, j] = np.nan
        if b - a < 5:
            continue
        t_iso = isolated_at_s[k]
        has_hold = not np.isnan(t_iso)
        if not has_hold:
            t_iso = t[b - 1] + 1.0
        for j in range(3):
            if not has_hold:
                break
            lo, hi = t_iso + moments[j] - 20.0, t_iso + moments[j] + 20.0
            s, n = 0.0, 0
            for i in range(a + np.searchsorted(t[a:b], lo), b):
                if t[i] > hi:
                    break
                if p[i] > 0:
                    s += ln_p[i]
                    n += 1
            if n > 0:
                out[k, j] = s / n
        passed = np.full(4, np.nan)
        pulled = a + np.searchsorted(t[a:b], t_iso, side="right")
        above = pulled - 1
        for j in range(3, -1, -1):  # the lowest first: what lies above a level lies above the lower ones
            while above >= a and p[above] <= levels[j]:
                above -= 1
            if above < a:
                break
            first_below = t[above + 1] if above + 1 < pulled else np.nan
            for i in range(above, a - 1, -1):
                if not (p[i] <= levels[j] * 1.3):
                    break
                if p[i] <= levels[j]:
                    first_below = t[i]
            if not np.isnan(first_below):
                passed[j] = 0.5 * (t[above] + first_below)
        for j in range(3):
            if not np.isnan(passed[j]) and not np.isnan(passed[j + 1]) and passed[j + 1] > passed[j]:
                out[k, 3 + j] = np.log(passed[j + 1] - passed[j] + 5.0)
        if has_hold:
            out[k, 6] = t_iso
        out[k, 7] = passed[1]
        out[k, 8] = passed[2]


@kernel
def _ends_kernel(
    t: FloatArray, p: FloatArray, ln_p: FloatArray, offsets: IntArray, ends: FloatArray, moments: FloatArray
) -> None:
    edges = np.array(END_EDGES_S)
    for k in range(offsets.size - 1):
        a, b = offsets[k], offsets[k + 1]
        ends[k, :] = np.nan
        moments[k, :] = np.nan
        if b - a < 5:
            continue
        ends[k, edges.size - 1] = np.log(t[b - 1] - t[a] + 5.0)
        moments[k, 0], moments[k, 2] = t[a], t[b - 1]
        for i in range(a, b):
            if p[i] > 0:
                moments[k, 1] = t[i]
                break
        i = b - 1
        for j in range(edges.size - 1):
            if t[b - 1] - edges[j + 1] < t[a]:
                break
            s, n = 0.0, 0
            while i >= a and t[i] > t[b - 1] - edges[j + 1]:
                if p[i] > 0:
                    s += ln_p[i]
                    n += 1
                i -= 1
            if n > 0:
                ends[k, j] = s / n


@kernel
def _mixed(x: np.uint64) -> np.uint64:
    """Spread a number over all bits (the finaliser of splitmix64, public domain, from memory)."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


@kernel
def _passages_kernel(
    t: FloatArray, levels: IntArray, offsets: IntArray, passages: IntArray, at_s: FloatArray, count: IntArray
) -> None:
    """The passages with the least hashes: which these are hangs on the readings alone, so copies keep the same ones."""
    base = np.uint64(0x9E3779B97F4A7C15) | np.uint64(1)
    oldest = np.uint64(1)
    for _ in range(_PASSAGE_RUNS):
        oldest *= base
    least = np.empty(PASSAGES_KEPT, dtype=np.int64)
    symbols = np.zeros(_PASSAGE_RUNS, dtype=np.uint64)
    begins = np.zeros(_PASSAGE_RUNS)
    for k in range(offsets.size - 1):
        kept = runs = 0
        symbols[:] = 0
        rolling = np.uint64(0)
        value, length, begun = -1, 0, 0.0
        for i in range(offsets[k], offsets[k + 1]):
            now = levels[i]
            if now < 0:
                continue
            if now == value:
                length += 1
                continue
            if value >= 0:
                # a run of equal readings is one symbol: its value and its length
                symbol = _mixed(np.uint64(value) * np.uint64(4096) + np.uint64(min(length, 4095)))
                place = runs % _PASSAGE_RUNS
                rolling = rolling * base + symbol - symbols[place] * oldest
                symbols[place], begins[place] = symbol, begun
                runs += 1
                if runs > _PASSAGE_RUNS:  # the first run may be the rest of a longer one
                    whole = int(_mixed(rolling) >> np.uint64(1))
                    if kept < PASSAGES_KEPT or whole < least[kept - 1]:
                        _keep_least(least, at_s[k], kept, whole, begins[runs % _PASSAGE_RUNS])
                        kept = min(kept + 1, PASSAGES_KEPT)
            value, length, begun = now, 1, t[i]
        copy_into(passages[k], least[:kept])
        count[k] = kept


@kernel
def _keep_least(least: IntArray, at_s: FloatArray, kept: int, value: int, at: float) -> None:
    place = kept if kept < least.size else kept - 1
    while place > 0 and least[place - 1] > value:
        least[place], at_s[place] = least[place - 1], at_s[place - 1]
        place -= 1
    least[place], at_s[place] = value, at


def sketch_batch(batch: SampleBatch, isolated_at_s: FloatArray) -> pl.DataFrame:
    """Sketch every log of a batch.

    Parameters
    ----------
    batch
        ``n`` logs.
    isolated_at_s
        ``(n,)`` when the judged hold began; NaN without a hold.

    Returns
    -------
    pl.DataFrame
        ``log_key`` and ``hold_1, hold_3, hold_6`` (ln micron one, three and six minutes into the hold) and
        ``pull_5000, pull_2000, pull_1000`` (ln s from that level to the next of `PULL_LEVELS_MICRON`, in the last
        descent before the hold); ``end_60`` to ``end_1400`` (mean ln micron between `END_EDGES_S` before the log's end)
        and ``lasted`` (ln s); ``moment_*`` (s: when the hold began, a level was passed, the first reading, the first
        that shows a pressure, the last reading); null where the log does not show it; ``passage, passage_at_s``:
        hashes of the passages kept, and when they begin.
    """
    n = len(batch)
    isolated_at_s = np.asarray(isolated_at_s, dtype=float)
    shape, ends, moments = np.empty((n, len(SHAPE_COLUMNS) + 3)), np.empty((n, len(END_COLUMNS))), np.empty((n, 3))
    passages, at_s = np.zeros((n, PASSAGES_KEPT), dtype=np.int64), np.zeros((n, PASSAGES_KEPT))
    count = np.zeros(n, dtype=np.int64)
    edges = [*range(0, n, _TOGETHER), n]
    most = int(np.diff(batch.offsets[edges]).max(initial=0))
    ln_p, levels = np.empty(most), np.empty(most, dtype=np.int64)
    for first, last in itertools.pairwise(edges):
        a, b = int(batch.offsets[first]), int(batch.offsets[last])
        t, p, offsets = batch.elapsed_s[a:b], batch.pressure_micron[a:b], batch.offsets[first : last + 1] - a
        _levels_kernel(p, ln_p, levels)
        _sketch_kernel(t, p, ln_p, offsets, isolated_at_s[first:last], shape[first:last])
        _ends_kernel(t, p, ln_p, offsets, ends[first:last], moments[first:last])
        _passages_kernel(t, levels, offsets, passages[first:last], at_s[first:last], count[first:last])
    six = len(SHAPE_COLUMNS)
    numbers = np.hstack([shape[:, :six], ends, shape[:, six:], moments])
    return pl.DataFrame(
        [
            pl.Series("log_key", list(batch.keys), dtype=pl.String),
            *(
                pl.Series(name, np.ascontiguousarray(numbers[:, j]), nan_to_null=True)
                for j, name in enumerate(SKETCH_COLUMNS)
            ),
            pl.Series("passage", passages),
            pl.Series("passage_at_s", at_s),
            pl.Series("kept", count),
        ]
    ).select(
        "log_key",
        *SKETCH_COLUMNS,
        *(
            pl.when(pl.col("kept") > 0).then(pl.col(name).arr.to_list().list.head(pl.col("kept"))).alias(name)
            for name in ("passage", "passage_at_s")
        ),
    )
