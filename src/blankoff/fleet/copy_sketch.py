"""A short sketch of each log's shape, and the pairs of logs that look alike by it: proposals, not proof."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import polars as pl
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from blankoff.samples import FloatArray, IntArray, SampleBatch

HOLD_MOMENTS_S = (60.0, 180.0, 360.0)
PULL_LEVELS_MICRON = (5000.0, 2000.0, 1000.0, 600.0)
SHAPE_COLUMNS = ("hold_1", "hold_3", "hold_6", "pull_5000", "pull_2000", "pull_1000")
MOMENT_COLUMNS = ("moment_hold", "moment_2000", "moment_1000")
SKETCH_COLUMNS = (*SHAPE_COLUMNS, *MOMENT_COLUMNS)
SKETCH_SCHEMA = {"log_key": pl.String, **dict.fromkeys(SKETCH_COLUMNS, pl.Float64)}
PairArray: TypeAlias = NDArray[np.int32] | NDArray[np.int64]
_ASKED_AT_ONCE = 20_000
_HELD_APART = 2_000_000
"""Sketches whose neighbours are looked for at once, and proposals held before those that came twice are taken out."""
_SHAPE_SCALE = np.array([1.0, 1.0, 1.0, 0.4, 0.4, 0.4])
"""Noise moves the moment at which a level is passed more than it moves an averaged pressure."""


@dataclass(frozen=True)
class CopyRules:
    """How alike is a copy. This project's own judgement, checked by simulation; no source."""

    sketch_radius: float = 0.06
    """Largest difference in any number of two sketches, ln units; fresh noise of 3 % moves a sketch by about 0.02."""
    course_tolerance: float = 0.04
    """Largest median difference of ln p along the overlap."""
    least_overlap_s: float = 150.0
    least_points: int = 40
    least_sharpness: float = 6.0
    """The noise match must stand this many standard deviations above its own value at wrong alignments."""
    least_correlation: float = 0.12
    same_share: float = 0.9
    """Readings that are the same to 0.2 %: no gauge is that quiet twice (noise 0.5 % and more, common practice)."""
    least_even_share: float = 0.2
    """The match must run through the whole overlap: of four quarters, the second worst must reach this share of it."""
    least_picked: int = 25
    most_picked: int = 200
    picked_share: float = 0.85
    """A log of so many readings is also compared reading by reading: so many must agree, far beyond chance."""
    most_neighbours: int = 24
    """Proposals verified per log; the nearest come first."""
    other_moment_s: float = 8.0
    """Two moments that disagree on the alignment by more than this are both tried; so far about one all are looked at."""
    leave_out_from: int = 5
    """Numbers from which a sketch may differ in any one of them: noise moves the moment of a slow or a last descent far."""


@njit(cache=True, nogil=True)
def _sketch_kernel(t: FloatArray, p: FloatArray, offsets: IntArray, isolated_at_s: FloatArray, out: FloatArray) -> None:
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
                    s += np.log(p[i])
                    n += 1
            if n > 0:
                out[k, j] = s / n
        passed = np.full(4, np.nan)
        pulled = a + np.searchsorted(t[a:b], t_iso, side="right")
        for j in range(4):
            last_above = np.nan
            for i in range(pulled - 1, a - 1, -1):
                if not (p[i] <= levels[j]):
                    last_above = t[i]
                    break
            if np.isnan(last_above):
                continue
            first_below = np.nan
            for i in range(pulled - 1, a - 1, -1):
                if not (p[i] <= levels[j] * 1.3):
                    break
                if p[i] <= levels[j]:
                    first_below = t[i]
            if not np.isnan(first_below):
                passed[j] = 0.5 * (last_above + first_below)
        for j in range(3):
            if not np.isnan(passed[j]) and not np.isnan(passed[j + 1]) and passed[j + 1] > passed[j]:
                out[k, 3 + j] = np.log(passed[j + 1] - passed[j] + 5.0)
        if has_hold:
            out[k, 6] = t_iso
        out[k, 7] = passed[1]
        out[k, 8] = passed[2]


def sketch_batch(batch: SampleBatch, isolated_at_s: FloatArray) -> pl.DataFrame:
    """Sketch the shape of every log of a batch in six numbers that shifting and trimming leave alone, and three moments.

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
        descent before the hold); ``moment_hold, moment_2000, moment_1000`` (s from the log's first reading at which
        the hold began or a level was passed); null where the log does not show it.
    """
    out = np.empty((len(batch), len(SKETCH_COLUMNS)))
    _sketch_kernel(batch.elapsed_s, batch.pressure_micron, batch.offsets, np.asarray(isolated_at_s, dtype=float), out)
    frame = pl.DataFrame({"log_key": list(batch.keys)}, schema={"log_key": pl.String})
    return frame.with_columns(
        pl.Series(name, out[:, j], dtype=pl.Float64).fill_nan(None) for j, name in enumerate(SKETCH_COLUMNS)
    )


def shape_values(sketch: pl.DataFrame) -> FloatArray:
    """Numbers of each sketch, ``(n, 6)``, so scaled that one radius does for all; NaN where not shown."""
    return np.asarray(sketch.select(SHAPE_COLUMNS).to_numpy().astype(float) * _SHAPE_SCALE)


def neighbour_rank(values: FloatArray) -> IntArray:
    """Place of each sketch in a row in which neighbours stand close: the order of a k-d tree's leaves."""
    rank = np.empty(len(values), dtype=np.int64)
    rank[cKDTree(np.nan_to_num(values, nan=-50.0)).indices] = np.arange(len(values))
    return rank


def _patterns(has: NDArray[np.bool_], rules: CopyRules) -> list[tuple[NDArray[np.bool_], NDArray[np.bool_]]]:
    """Which numbers sketches have, and those of them to compare: all, and where there are many all but each one."""
    out = []
    for pattern in np.unique(has, axis=0):
        if pattern.sum() < 2:
            continue
        out.append((pattern, pattern))
        for left in np.flatnonzero(pattern) if pattern.sum() >= rules.leave_out_from else ():
            used = pattern.copy()
            used[left] = False
            out.append((pattern, used))
    return out


def propose_pairs(
    values: FloatArray, rules: CopyRules | None = None, asked: NDArray[np.bool_] | None = None
) -> PairArray:
    """Pairs of sketches that could be copies, each once, ascending; near linear in their number (k-d trees).

    A copy shows at most what its original shows: each log is compared, in just the numbers it has, with all logs that
    have those numbers too; where it has many, also in all of them but one.

    Parameters
    ----------
    values : (n, 6)
        `shape_values`.
    asked : (n,) bool, optional
        Only the pairs that these propose.

    Returns
    -------
    (m, 2) int32
        Lower index first.
    """
    rules = rules or CopyRules()
    n = len(values)
    has = np.isfinite(values)
    found: list[IntArray] = []
    for pattern, used in _patterns(has if asked is None else has[asked], rules):
        ask = (has == pattern).all(axis=1)
        ask = np.flatnonzero(ask if asked is None else ask & asked)
        among = np.flatnonzero(has[:, used].all(axis=1))
        if among.size < 2:
            continue
        tree = cKDTree(values[among][:, used])
        for first in range(0, ask.size, _ASKED_AT_ONCE):
            some = ask[first : first + _ASKED_AT_ONCE]
            distance, near = tree.query(
                values[some][:, used],
                k=min(rules.most_neighbours + 1, among.size),
                p=np.inf,
                distance_upper_bound=rules.sketch_radius,
                workers=-1,
            )
            row, place = np.nonzero(np.isfinite(distance))
            i, j = some[row], among[np.asarray(near)[row, place]]
            found.append(np.unique(np.minimum(i, j)[i != j] * n + np.maximum(i, j)[i != j]))
            if sum(codes.size for codes in found[1:]) > max(found[0].size, _HELD_APART):
                found = [np.unique(np.concatenate(found))]  # most are proposed again and again
    codes = np.unique(np.concatenate(found)) if found else np.empty(0, dtype=np.int64)
    # there are more pairs than logs by far, so they are held in short numbers
    out = np.empty((codes.size, 2), dtype=np.int32)
    out[:, 0], out[:, 1] = np.divmod(codes, max(n, 1))
    return out


def touched_by(values: FloatArray, new: NDArray[np.bool_], rules: CopyRules | None = None) -> NDArray[np.bool_]:
    """Sketches whose proposals the new ones can have changed: these themselves, and all within reach of one.

    Parameters
    ----------
    values : (n, 6)
        `shape_values`, new ones included.
    new : (n,) bool
        Which are new.
    """
    rules = rules or CopyRules()
    touched = new.copy()
    has = np.isfinite(values)
    for pattern, used in _patterns(has, rules):
        fresh = np.flatnonzero(new & has[:, used].all(axis=1))
        ask = np.flatnonzero((has == pattern).all(axis=1) & ~new)
        if fresh.size == 0 or ask.size == 0:
            continue
        distance, _ = cKDTree(values[fresh][:, used]).query(
            values[ask][:, used], k=1, p=np.inf, distance_upper_bound=rules.sketch_radius, workers=-1
        )
        touched[ask[np.isfinite(distance)]] = True
    return touched
