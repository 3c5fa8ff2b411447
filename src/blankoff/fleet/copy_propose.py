"""Pairs of logs that could be copies by their sketches: proposals, not proof; near linear in the number of logs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from blankoff.fleet.copy_sketch import END_COLUMNS, SHAPE_COLUMNS, CopyRules
from blankoff.samples import FloatArray, IntArray

PairArray: TypeAlias = NDArray[np.int32] | NDArray[np.int64]

_ASKED_AT_ONCE = 20_000
_HELD_APART = 2_000_000
"""Sketches whose neighbours are looked for at once, and proposals held before those that came twice are taken out."""
_SHAPE_SCALE = np.array([1.0, 1.0, 1.0, 0.4, 0.4, 0.4])
"""Noise moves the moment at which a level is passed more than it moves an averaged pressure."""


def shape_values(sketch: pl.DataFrame) -> FloatArray:
    """Numbers of each sketch, ``(n, 6)``, so scaled that one radius does for all; NaN where not shown."""
    return np.asarray(sketch.select(SHAPE_COLUMNS).to_numpy().astype(float) * _SHAPE_SCALE)


def end_values(sketch: pl.DataFrame) -> FloatArray:
    """Numbers by the log's end and how long it lasted, ``(n, 7)``; NaN where not shown."""
    return np.asarray(sketch.select(END_COLUMNS).to_numpy().astype(float))


def neighbour_rank(values: FloatArray) -> IntArray:
    """Place of each sketch in a row in which neighbours stand close: the order of a k-d tree's leaves."""
    rank = np.empty(len(values), dtype=np.int64)
    rank[cKDTree(np.nan_to_num(values, nan=-50.0)).indices] = np.arange(len(values))
    return rank


@dataclass(frozen=True)
class Nearness:
    """Numbers by which sketches are near one another, ``(n, k)``, NaN where not shown, and how near."""

    values: FloatArray
    radius: float
    """Largest difference in any number."""
    most: int
    """Neighbours proposed per log; the nearest come first."""
    spare_from: int | None = None
    """Where there are so many numbers, any one of them may be off."""

    def patterns(self, has: NDArray[np.bool_]) -> list[tuple[NDArray[np.bool_], NDArray[np.bool_]]]:
        """Which numbers sketches have, and those of them to compare: all, and all but each one."""
        out = []
        for pattern in np.unique(has, axis=0):
            if pattern.sum() < 2:
                continue
            out.append((pattern, pattern))
            if self.spare_from is None or pattern.sum() < self.spare_from:
                continue
            for left in np.flatnonzero(pattern):
                used = pattern.copy()
                used[left] = False
                out.append((pattern, used))
        return out


def ways_to_be_near(sketch: pl.DataFrame, rules: CopyRules) -> tuple[Nearness, Nearness]:
    """By the hold and the pull before it, and by the log's end."""
    return (
        Nearness(shape_values(sketch), rules.sketch_radius, rules.most_neighbours),
        # a log cut at its start lasted less long; an isolation that lies in one stretch turns that average over
        Nearness(end_values(sketch), rules.end_radius, rules.most_by_end, rules.ends_from),
    )


def propose_copies(
    sketch: pl.DataFrame, rules: CopyRules | None = None, asked: NDArray[np.bool_] | None = None
) -> PairArray:
    """Pairs of logs that could be copies, by every part of their sketches, each once, ascending.

    Parameters
    ----------
    sketch
        `sketch_batch`'s columns, ``n`` rows.
    asked : (n,) bool, optional
        Only the pairs that these propose.

    Returns
    -------
    (m, 2) int32
        Row numbers, the lower first.
    """
    rules = rules or CopyRules()
    n = max(sketch.height, 1)
    found = [near_codes(near, asked) for near in ways_to_be_near(sketch, rules)]
    shared = _sharing(sketch, rules, asked)
    found.append(shared[:, 0] * n + shared[:, 1])
    codes = np.unique(np.concatenate(found))
    # there are more pairs than logs by far, so they are held in short numbers
    out = np.empty((codes.size, 2), dtype=np.int32)
    out[:, 0], out[:, 1] = np.divmod(codes, n)
    return out


def touched_by(sketch: pl.DataFrame, new: NDArray[np.bool_], rules: CopyRules | None = None) -> NDArray[np.bool_]:
    """Sketches whose proposals the new ones can have changed: these themselves, and all within reach of one.

    Parameters
    ----------
    sketch
        `sketch_batch`'s columns, ``n`` rows, new ones included.
    new : (n,) bool
        Which are new.
    """
    rules = rules or CopyRules()
    touched = new.copy()
    for near in ways_to_be_near(sketch, rules):
        touched |= near_new(near, new)
    row, passage = _passages(sketch)
    touched[row[np.isin(passage, passage[new[row]])]] = True
    return touched


def _passages(sketch: pl.DataFrame) -> tuple[IntArray, IntArray]:
    """Rows and the passages they keep, one pair after the other, by passage and row."""
    kept = (
        sketch.select("passage")
        .with_columns(row=pl.int_range(pl.len(), dtype=pl.Int64))
        .drop_nulls("passage")
        .explode("passage")
        .sort("passage", "row")
    )
    return kept["row"].to_numpy().astype(np.int64), kept["passage"].to_numpy().astype(np.int64)


def _sharing(sketch: pl.DataFrame, rules: CopyRules, asked: NDArray[np.bool_] | None) -> IntArray:
    """Pairs that share a passage: each with the few before it, and with the first."""
    row, passage = _passages(sketch)
    if not row.size:
        return np.empty((0, 2), dtype=np.int64)
    begins = np.flatnonzero(np.r_[True, passage[1:] != passage[:-1]])
    first = np.repeat(begins, np.diff(np.r_[begins, row.size]))
    here = np.arange(row.size)
    before = [np.column_stack([row[first], row])]
    for d in range(1, rules.most_sharing + 1):
        there = here - d >= first
        before.append(np.column_stack([row[here[there] - d], row[there]]))
    pairs: IntArray = np.concatenate(before)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    return pairs if asked is None else np.asarray(pairs[asked[pairs].any(axis=1)])


def near_codes(near: Nearness, asked: NDArray[np.bool_] | None = None) -> IntArray:
    """Pairs of sketches near one another, as ``lower row * n + higher row``; near linear in their number (k-d trees).

    A copy shows at most what its original shows: each log is compared, in just the numbers it has, with all logs that
    have those numbers too.

    Parameters
    ----------
    asked : (n,) bool, optional
        Only the pairs that these propose.

    Returns
    -------
    (m,) int64
        Each once, ascending.
    """
    values = near.values
    n = len(values)
    has = np.isfinite(values)
    found: list[IntArray] = []
    for pattern, used in near.patterns(has if asked is None else has[asked]):
        ask = (has == pattern).all(axis=1)
        ask = np.flatnonzero(ask if asked is None else ask & asked)
        among = np.flatnonzero(has[:, used].all(axis=1))
        if among.size < 2:
            continue
        tree = cKDTree(values[among][:, used])
        for first in range(0, ask.size, _ASKED_AT_ONCE):
            some = ask[first : first + _ASKED_AT_ONCE]
            distance, other = tree.query(
                values[some][:, used],
                k=min(near.most + 1, among.size),
                p=np.inf,
                distance_upper_bound=near.radius,
                workers=-1,
            )
            row, place = np.nonzero(np.isfinite(distance))
            i, j = some[row], among[np.asarray(other)[row, place]]
            found.append(np.unique(np.minimum(i, j)[i != j] * n + np.maximum(i, j)[i != j]))
            if sum(codes.size for codes in found[1:]) > max(found[0].size, _HELD_APART):
                found = [np.unique(np.concatenate(found))]  # most are proposed again and again
    return np.unique(np.concatenate(found)) if found else np.empty(0, dtype=np.int64)


def near_new(near: Nearness, new: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which sketches lie within reach of a new one."""
    values = near.values
    touched = np.zeros(len(values), dtype=bool)
    has = np.isfinite(values)
    for pattern, used in near.patterns(has):
        fresh = np.flatnonzero(new & has[:, used].all(axis=1))
        ask = np.flatnonzero((has == pattern).all(axis=1) & ~new)
        if fresh.size == 0 or ask.size == 0:
            continue
        distance, _ = cKDTree(values[fresh][:, used]).query(
            values[ask][:, used], k=1, p=np.inf, distance_upper_bound=near.radius, workers=-1
        )
        touched[ask[np.isfinite(distance)]] = True
    return touched
