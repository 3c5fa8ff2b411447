"""Proposed pairs of logs compared in bounded batches of neighbours, compiled and in threads."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.middles import median_spacings
from blankoff.fleet.copy_grids import grid_sizes, prepare_logs
from blankoff.fleet.copy_kernels import MATCH_COLUMNS, match_pairs
from blankoff.fleet.copy_match import FEW_POINTS, GRID_APART, GRID_SHARE, MOST_BEND, Match
from blankoff.fleet.copy_passages import Passages
from blankoff.fleet.copy_propose import PairArray
from blankoff.fleet.copy_readings import READING_COLUMNS
from blankoff.fleet.copy_single import compare_single, prepare_single, room_for
from blankoff.fleet.copy_sketch import CopyRules
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray, SampleBatch

READINGS_AT_ONCE = 2_000_000
"""Readings held at once, on two grids at most some 150 MB."""

_FIELDS = tuple(Match.__dataclass_fields__)


@dataclass(frozen=True)
class Compared:
    """What became of some pairs: indices of the earlier and the later log, and `Match` in columns."""

    earlier: PairArray
    later: PairArray
    values: FloatArray
    is_copy: NDArray[np.bool_]

    def match(self, k: int) -> Match:
        """Return pair ``k`` as an object."""
        named = dict(zip(_FIELDS, self.values[k].tolist(), strict=True))
        return Match(**{**named, "points": int(named["points"])})

    def column(self, name: str) -> FloatArray:
        """Return one field of `Match` for every pair."""
        return self.values[:, _FIELDS.index(name)]


def are_copies(values: FloatArray, rules: CopyRules) -> NDArray[np.bool_]:
    """`Match.is_copy`, for rows of its fields."""
    of = {name: values[:, k] for k, name in enumerate(_FIELDS)}
    long_enough = of["overlap_s"] >= rules.least_overlap_s
    alike = (of["course_difference"] <= rules.course_tolerance) & (of["even_share"] >= rules.least_even_share)
    alike &= (of["apart"] <= rules.most_apart) | (of["sharpness"] >= rules.sharp_alone)
    alike &= (of["correlation"] >= rules.least_correlation) & (of["sharpness"] >= rules.least_sharpness)
    return long_enough & ((of["equal_share"] >= rules.same_share) | alike)


def in_neighbourhoods(
    pairs: PairArray, rank: IntArray, weight: IntArray, most: int = READINGS_AT_ONCE
) -> Iterator[PairArray]:
    """Cut pairs into batches whose logs are few, because they lie near each other.

    Parameters
    ----------
    pairs : (m, 2)
        Indices of logs.
    rank : (n,)
        Place of each log in a row that keeps neighbours together.
    weight : (n,)
        Readings of each log.
    most
        Readings that the logs of one batch may have together; a batch has one pair at least.
    """
    one, other = rank[pairs[:, 0]], rank[pairs[:, 1]]
    place = np.minimum(one, other) * len(rank) + np.maximum(one, other)
    del one, other
    pairs = pairs[np.argsort(place, kind="stable")]
    del place
    edges = np.empty(len(pairs) + 1, dtype=np.int64)
    cuts = _cut(pairs, np.asarray(weight, dtype=np.int64), most, edges)
    for start, stop in itertools.pairwise(edges[: cuts + 1].tolist()):
        yield pairs[start:stop]


@kernel
def _cut(pairs: PairArray, weight: IntArray, most: int, edges: IntArray) -> int:
    """Where batches of pairs begin, and the last one ends; returns how many there are."""
    held = np.full(weight.size, -1, dtype=np.int64)
    total = cuts = 0
    edges[0] = 0
    for q in range(len(pairs)):
        i, j = pairs[q, 0], pairs[q, 1]
        more = (weight[i] if held[i] != cuts else 0) + (weight[j] if held[j] != cuts and j != i else 0)
        if q > edges[cuts] and total + more > most:
            cuts += 1
            edges[cuts] = q
            total, more = 0, weight[i] + (weight[j] if j != i else 0)
        held[i] = held[j] = cuts
        total += more
    if len(pairs) == 0:
        return 0
    edges[cuts + 1] = len(pairs)
    return cuts + 1


def compare_pairs(
    pairs: PairArray,
    keys: Sequence[str],
    moments: FloatArray,
    passages: Passages,
    load: Callable[[list[str]], SampleBatch],
    rules: CopyRules,
    threads: int | None = None,
) -> Compared:
    """Compare pairs of logs, all of them held in memory.

    Parameters
    ----------
    pairs : (m, 2)
        Indices into ``keys`` of the earlier and of the later log.
    keys, moments
        Names of all logs, and their sketches' moments ``(n, k)``.
    passages
        When each log's passages begin (s); one that two logs share says how they align.
    load
        Samples of the named logs.
    threads
        One per core if not given; no number depends on it.

    Returns
    -------
    Compared
        Pairs of which a log is missing, or that offer no alignment, are left out.
    """
    threads = threads or os.cpu_count() or 1
    used, index = np.unique(pairs, return_inverse=True)
    batch = load(sorted({keys[k] for k in used.tolist()}))
    place = {key: n for n, key in enumerate(batch.keys)}
    at = np.array([place.get(keys[k], -1) for k in used.tolist()], dtype=np.int64)[index].reshape(-1, 2)
    there = (at >= 0).all(axis=1)
    pairs, at = pairs[there], at[there]
    spacing = spacings_s(batch)
    step = np.maximum(spacing[at[:, 0]], spacing[at[:, 1]]) if len(at) else np.empty(0)
    pairs, at, step = pairs[np.isfinite(step)], at[np.isfinite(step)], step[np.isfinite(step)]
    if not len(pairs):
        return Compared(pairs[:, 0], pairs[:, 1], np.empty((0, MATCH_COLUMNS)), np.empty(0, dtype=bool))
    guessed = moments[pairs[:, 1]] - moments[pairs[:, 0]]
    guessed = np.column_stack([guessed, passages.lags_s(pairs[:, 0], pairs[:, 1])])
    # each log once per step on which it is compared
    steps, which = np.unique(step, return_inverse=True)
    coded = at + which.reshape(-1, 1) * len(batch)
    entries, index = np.unique(coded, return_inverse=True)
    index = index.reshape(-1, 2)
    logs, on = entries % len(batch), steps[entries // len(batch)]
    p = batch.pressure_micron
    ln_p = np.full(p.size, np.nan)
    ok = np.isfinite(p) & (p > 0)
    ln_p[ok] = np.log(p[ok])
    sizes = np.empty(len(entries), dtype=np.int64)
    grid_sizes(batch.offsets, batch.elapsed_s, ln_p, logs, on, sizes)
    cells = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    start_s, course, noise = np.empty(len(entries)), np.empty(cells[-1]), np.empty(cells[-1])
    out = np.empty((len(pairs), 1 + MATCH_COLUMNS))

    def prepared(first: int, last: int) -> None:
        prepare_logs(
            batch.offsets, batch.elapsed_s, ln_p, logs, on, cells, MOST_BEND, first, last, start_s, course, noise
        )

    _in_threads(prepared, len(entries), threads)
    known = np.concatenate([[0], np.cumsum(np.isfinite(course))])
    readings = known[cells[1:]] - known[cells[:-1]]

    def matched(first: int, last: int) -> None:
        match_pairs(
            index[:, 1].copy(), index[:, 0].copy(), step, guessed, cells, start_s,
            readings, course, noise, rules.least_points, rules.least_overlap_s, rules.course_tolerance,
            rules.other_moment_s, rules.least_correlation, first, last, out,
        )  # fmt: skip

    _in_threads(matched, len(pairs), threads)
    values, tried = out[:, 1:], out[:, 0] > 0
    is_copy = are_copies(values, rules)
    # where the courses differ at every alignment, single readings are not looked at
    by_readings = (
        tried
        & ~is_copy
        & (
            np.isfinite(values[:, _FIELDS.index("course_difference")])
            | (readings[index].min(axis=1) < rules.least_points)
        )
    )
    open_pairs = np.flatnonzero(by_readings)
    compare_by_readings(open_pairs, at, guessed, values, is_copy, batch, ln_p, rules, threads)
    return Compared(pairs[tried, 0], pairs[tried, 1], values[tried], is_copy[tried])


def compare_by_readings(
    open_pairs: IntArray, at: IntArray, guessed: FloatArray, values: FloatArray, is_copy: NDArray[np.bool_],
    batch: SampleBatch, ln_p: FloatArray, rules: CopyRules, threads: int,
) -> None:  # fmt: skip
    """Compare some pairs reading by reading, and put what proves a copy in the place of what the grid said."""
    if not open_pairs.size:
        return
    wanted, index = np.unique(at[open_pairs], return_inverse=True)
    pairs, guesses, told = index.reshape(-1, 2), guessed[open_pairs], values[open_pairs]
    room = room_for(batch.offsets, ln_p, wanted)

    def prepared(first: int, last: int) -> None:
        prepare_single(
            batch.offsets, batch.elapsed_s, ln_p, wanted, MOST_BEND, rules.most_picked, first, last, room.starts,
            room.elapsed_s, room.ln_p, room.parts, room.usual_s, room.usual_last_s,
        )  # fmt: skip

    _in_threads(prepared, wanted.size, threads)
    out, hopes = np.empty((len(pairs), 1 + READING_COLUMNS)), hopeful(told, rules)

    def compared(first: int, last: int) -> None:
        compare_single(
            pairs, guesses, hopes, room.starts, room.elapsed_s, room.ln_p, room.parts, room.usual_s, room.usual_last_s,
            rules.least_picked, rules.most_picked, rules.least_overlap_s, rules.course_tolerance, rules.picked_share,
            rules.other_moment_s, MOST_BEND, first, last, out,
        )  # fmt: skip

    _in_threads(compared, len(pairs), threads)
    by_noise, by_agreement = matches_of(out)
    copies = are_copies(by_noise, rules)
    # agreement alone is no proof: it must beat chance, and by nearly every reading
    agree = (out[:, 0] != 0) & ~copies & (out[:, 12] >= rules.picked_share) & (out[:, 13] >= rules.least_sharpness)
    values[open_pairs[copies]] = by_noise[copies]
    values[open_pairs[agree]] = by_agreement[agree]
    is_copy[open_pairs] = are_copies(values[open_pairs], rules)


def hopeful(found: FloatArray, rules: CopyRules) -> NDArray[np.bool_]:
    """Whether noise in common, that a grid did not show, may be found reading by reading; for rows of `Match`'s fields."""
    apart, points, sharpness = (found[:, _FIELDS.index(name)] for name in ("apart", "points", "sharpness"))
    near = apart <= GRID_APART * rules.most_apart
    return np.asarray(near & ((points <= FEW_POINTS) | (sharpness >= GRID_SHARE * rules.least_sharpness)))


def matches_of(out: FloatArray) -> tuple[FloatArray, FloatArray]:
    """`Match` in columns, by the noise and by agreement, of what `compare_single` says."""
    sign = out[:, 0]
    lag, overlap, course, rho, z, points, even, apart, same_lag, same_overlap, same_course, share, beyond, same = out[
        :, 1:
    ].T
    none, one = np.zeros(len(out)), np.ones(len(out))
    return (
        np.column_stack([overlap, sign * lag, course, rho, z, np.trunc(points), even, none, apart]),
        np.column_stack([same_overlap, sign * same_lag, same_course, share, beyond, np.trunc(same), one, none, none]),
    )


def spacings_s(batch: SampleBatch) -> FloatArray:
    """`copy_match.spacing_s` of every log of a batch."""
    out = np.full(len(batch), np.inf)
    median_spacings(batch.offsets, batch.elapsed_s, out)
    return np.where(np.diff(batch.offsets) > 2, np.maximum(out, 1.0), np.inf)


def _in_threads(work: Callable[[int, int], None], count: int, threads: int) -> None:
    """Do ``work(first, last)`` over all of ``count``, in shares; every row is written by one of them only."""
    edges = np.linspace(0, count, 4 * threads + 1).astype(int).tolist() if threads > 1 else [0, count]
    shares = [(a, b) for a, b in itertools.pairwise(edges) if b > a]
    if threads == 1 or len(shares) == 1:
        for a, b in shares:
            work(a, b)
        return
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work, a, b) for a, b in shares]:
            done.result()
