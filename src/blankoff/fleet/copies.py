"""Logs that are copies of another job's: whole, shifted in time, trimmed, resampled, re-noised or re-quantised.

Two honest pulls can follow the same smooth curve: the same circuit, the same rig, the same weather. What two honest
pulls never share is the gauge's noise. So a pair is first *proposed* by a short sketch of the curve's shape (near
linear in the number of logs) and then *verified* on what is left of ln p once its smooth course is taken out: a copy
repeats the original's noise at one sharp alignment, however much fresh noise was laid over it; an honest pair does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numba import njit
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d
from scipy.spatial import cKDTree

from blankoff.samples import FloatArray, IntArray, SampleBatch

HOLD_MOMENTS_S = (60.0, 180.0, 360.0)
PULL_LEVELS_MICRON = (5000.0, 2000.0, 1000.0, 600.0)
SHAPE_COLUMNS = ("hold_1", "hold_3", "hold_6", "pull_5000", "pull_2000", "pull_1000")
MOMENT_COLUMNS = ("moment_hold", "moment_2000", "moment_1000")
SKETCH_COLUMNS = (*SHAPE_COLUMNS, *MOMENT_COLUMNS)
SKETCH_SCHEMA = {"log_key": pl.String, **dict.fromkeys(SKETCH_COLUMNS, pl.Float64)}
_MOST_BEND = 3.0
"""Bend of the course over nine cells, in standard deviations of the noise, that still lets noise be told; own judgement."""
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
    other_moment_s: float = 15.0
    """Two moments that disagree on the alignment by more than this are both tried."""


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
            for i in range(a, b):
                if lo <= t[i] <= hi and p[i] > 0:
                    s += np.log(p[i])
                    n += 1
            if n > 0:
                out[k, j] = s / n
        passed = np.full(4, np.nan)
        for j in range(4):
            last_above = np.nan
            for i in range(b - 1, a - 1, -1):
                if t[i] <= t_iso and not (p[i] <= levels[j]):
                    last_above = t[i]
                    break
            if np.isnan(last_above):
                continue
            first_below = np.nan
            for i in range(b - 1, a - 1, -1):
                if t[i] > t_iso:
                    continue
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


def propose_pairs(sketch: pl.DataFrame, rules: CopyRules | None = None) -> list[tuple[int, int]]:
    """Pairs of rows of ``sketch`` that could be copies, each once, ascending; near linear in the rows (k-d trees).

    A copy shows at most what its original shows: each log is compared, in just the numbers it has, with all logs that
    have those numbers too.
    """
    rules = rules or CopyRules()
    values = sketch.select(SHAPE_COLUMNS).to_numpy().astype(float) * _SHAPE_SCALE
    has = np.isfinite(values)
    pairs: set[tuple[int, int]] = set()
    for pattern in np.unique(has, axis=0):
        if pattern.sum() < 2:
            continue
        ask = np.flatnonzero((has == pattern).all(axis=1))
        among = np.flatnonzero(has[:, pattern].all(axis=1))
        if among.size < 2:
            continue
        distance, near = cKDTree(values[among][:, pattern]).query(
            values[ask][:, pattern],
            k=min(rules.most_neighbours + 1, among.size),
            p=np.inf,
            distance_upper_bound=rules.sketch_radius,
        )
        row, place = np.nonzero(np.isfinite(distance))
        i, j = ask[row], among[np.asarray(near)[row, place]]
        pairs.update((int(min(x, y)), int(max(x, y))) for x, y in zip(i[i != j], j[i != j], strict=True))
    return sorted(pairs)


def _even(t: FloatArray, p: FloatArray, step_s: float) -> tuple[float, FloatArray]:
    """Ln p on an even grid: the mean of each cell's readings, gaps of a cell or two bridged, longer ones NaN."""
    ok = np.isfinite(p) & (p > 0)
    t, y = t[ok], np.log(p[ok])
    if t.size < 5:
        return 0.0, np.empty(0)
    cell = np.floor(t / step_s + 1e-9).astype(np.int64)
    first = int(cell[0])
    n = int(cell[-1]) - first + 1
    total = np.bincount(cell - first, weights=y, minlength=n)
    count = np.bincount(cell - first, minlength=n)
    grid = np.full(n, np.nan)
    full = count > 0
    grid[full] = total[full] / count[full]
    index = np.arange(n)
    bridged = np.interp(index, index[full], grid[full])
    before = index - np.maximum.accumulate(np.where(full, index, -n))
    after = np.minimum.accumulate(np.where(full, index, 2 * n)[::-1])[::-1] - index
    grid = np.where(np.minimum(before, after) <= 2, bridged, np.nan)
    return first * step_s, grid


def _noise(y: FloatArray) -> FloatArray:
    """What is left of ln p once its smooth course is taken out, in robust standard deviations, clipped at 3.

    Where the course itself bends by more than the noise (a knee, an isolation, a fast fall), what is left would be
    bend and not noise, and two honest pulls share their bends: those readings are left out (NaN).
    """
    there = np.isfinite(y)
    filled = np.where(there, y, np.interp(np.arange(y.size), np.flatnonzero(there), y[there]))
    course = uniform_filter1d(median_filter(filled, size=9, mode="nearest"), size=9, mode="nearest")
    rest = filled - course
    rest -= uniform_filter1d(rest, size=15, mode="nearest")
    # the middle of all sizes: a bend must not raise the scale it is held against
    sizes = np.abs(rest[there])
    sigma = max(1.4826 * float(np.median(sizes)), 0.5 * float(np.quantile(sizes, 0.9))) + 1e-5
    padded = np.pad(course, 4, mode="edge")
    bend = np.abs(padded[8:] - 2.0 * padded[4:-4] + padded[:-8])
    bent = maximum_filter1d(bend, size=13, mode="nearest") > _MOST_BEND * sigma
    scale = 1.4826 * 0.85 * uniform_filter1d(np.minimum(np.abs(rest), 4.0 * sigma), size=61, mode="nearest") + 1e-5
    rest = np.clip(rest / scale, -3.0, 3.0)
    return np.where(there & ~bent, rest, np.nan)


@dataclass(frozen=True)
class Match:
    """How well one curve repeats another."""

    overlap_s: float
    lag_s: float
    course_difference: float
    correlation: float
    sharpness: float
    points: int
    even_share: float
    """Correlation in the second worst quarter of the overlap over that of the whole."""
    equal_share: float
    """Share of the overlap's readings that are the same to 0.2 %, given 15 different ones at least; else 0."""

    def is_copy(self, rules: CopyRules) -> bool:
        """Whether the evidence is strong enough to call it a copy."""
        if self.equal_share >= rules.same_share and self.overlap_s >= rules.least_overlap_s:
            return True
        alike = self.course_difference <= rules.course_tolerance and self.overlap_s >= rules.least_overlap_s
        alike = alike and self.even_share >= rules.least_even_share
        return alike and self.correlation >= rules.least_correlation and self.sharpness >= rules.least_sharpness

    @property
    def probability(self) -> float:
        """Probability that it is a copy: one honest pair in a thousand proposals assumed, normal tails at the peak."""
        if self.equal_share > 0.9:
            return 0.9999
        log_odds = 0.5 * min(self.sharpness, 12.0) ** 2 - np.log(1000.0) - np.log(60.0)
        return float(min(1.0 / (1.0 + np.exp(-log_odds)), 0.9999))


NO_MATCH = Match(0.0, 0.0, np.inf, 0.0, 0.0, 0, 0.0, 0.0)
SAME_FILE = Match(np.inf, 0.0, 0.0, 1.0, np.inf, 1, 1.0, 1.0)


@dataclass(frozen=True)
class _Prepared:
    """One log on an even grid of ``step_s``: ln p, what is noise in it, and when its first cell begins."""

    start_s: float
    course: FloatArray
    noise: FloatArray
    elapsed_s: FloatArray
    ln_p: FloatArray

    @property
    def readings(self) -> int:
        return int(np.isfinite(self.course).sum())


def _prepare(log: SampleBatch, step_s: float) -> _Prepared:
    start, course = _even(log.elapsed_s, log.pressure_micron, step_s)
    enough = np.isfinite(course).sum() >= 5
    noise = _noise(course) if enough else np.full(course.size, np.nan)
    ok = np.isfinite(log.pressure_micron) & (log.pressure_micron > 0)
    return _Prepared(start, course, noise, log.elapsed_s[ok], np.log(log.pressure_micron[ok]))


def _step_s(log: SampleBatch) -> float:
    return max(float(np.median(np.diff(log.elapsed_s))), 1.0) if log.readings > 2 else np.inf


@njit(cache=True, nogil=True)
def _correlation(a: FloatArray, b: FloatArray, lag: int, least: int) -> tuple[float, int]:
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    n, sa, sb, saa, sbb, sab = 0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(lo, hi):
        x, y = a[i], b[i - lag]
        if np.isfinite(x) and np.isfinite(y):
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


@njit(cache=True, nogil=True)
def _course_difference(a: FloatArray, b: FloatArray, lag: int, least: int) -> float:
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    if hi - lo < least:
        return np.inf
    d = np.empty(hi - lo)
    n = 0
    for i in range(lo, hi):
        v = abs(a[i] - b[i - lag])
        if np.isfinite(v):
            d[n] = v
            n += 1
    return np.median(d[:n]) if n >= least else np.inf


@njit(cache=True, nogil=True)
def _best_alignment(
    a: FloatArray, noise_a: FloatArray, b: FloatArray, noise_b: FloatArray, lags: IntArray, least: int, tolerance: float
) -> tuple[int, float, int, float, float, float]:
    """Lag of the best noise match among those whose courses agree; its correlation, points, null mean and spread, course."""
    best_lag, best, points, course = 0, -2.0, 0, np.inf
    for lag in lags:
        difference = _course_difference(a, b, lag, least)
        if difference > tolerance:
            continue
        rho, n = _correlation(noise_a, noise_b, lag, least)
        if n > 0 and rho > best:
            best_lag, best, points, course = lag, rho, n, difference
    if points == 0:
        return 0, 0.0, 0, 0.0, 1.0, np.inf
    total, squares, m = 0.0, 0.0, 0
    for d in range(14, 46):
        for away in (best_lag - d, best_lag + d):
            rho, n = _correlation(noise_a, noise_b, away, max(20, least // 2))
            if n > 0:
                total += rho
                squares += rho * rho
                m += 1
    mean = total / m if m > 0 else 0.0
    spread = np.sqrt(max(squares / m - mean * mean, 0.0)) if m >= 12 else 0.0
    return best_lag, best, points, mean, max(spread, 1.0 / np.sqrt(points)), course


def _match(a: _Prepared, b: _Prepared, step_s: float, guesses_s: list[float], rules: CopyRules) -> Match:
    found = _match_noise(a, b, step_s, guesses_s, rules)
    if found.is_copy(rules) or not guesses_s:
        return found
    if found.points == 0 and min(a.readings, b.readings) >= rules.least_points:
        return found  # the courses differ at every alignment
    sparse, dense = (a, b) if a.ln_p.size <= b.ln_p.size else (b, a)
    if not rules.least_picked <= sparse.ln_p.size <= rules.most_picked:
        return found
    sign = 1.0 if sparse is a else -1.0
    picked = _match_readings(sparse, dense, step_s, [sign * g for g in guesses_s], rules)
    return replace(picked, lag_s=sign * picked.lag_s) if picked.is_copy(rules) else found


def _match_readings(
    sparse: _Prepared, dense: _Prepared, step_s: float, guesses_s: list[float], rules: CopyRules
) -> Match:
    """Compare few readings one by one with a denser log: for copies resampled so far that no noise is left to follow.

    How many readings agree by chance, were the courses the very same, is counted on the same noise out of step.
    """
    fine = float(np.median(np.diff(dense.elapsed_s)))
    reach = max(step_s, 8.0)
    lags = np.unique(np.concatenate([np.arange(g - reach, g + reach + 1e-9, max(fine / 3.0, 0.5)) for g in guesses_s]))
    rest_sparse, rest_dense = (x.ln_p - median_filter(x.ln_p, size=7, mode="nearest") for x in (sparse, dense))
    tolerance = 0.002 + 0.6 * np.exp(-sparse.ln_p)
    best = NO_MATCH
    for lag in lags:
        at = sparse.elapsed_s - lag
        inside = np.flatnonzero((at >= dense.elapsed_s[0]) & (at <= dense.elapsed_s[-1]))
        if inside.size < rules.least_picked or np.ptp(at[inside]) < rules.least_overlap_s:
            continue
        right = np.clip(np.searchsorted(dense.elapsed_s, at[inside]), 1, dense.elapsed_s.size - 1)
        nearest = right - (at[inside] - dense.elapsed_s[right - 1] < dense.elapsed_s[right] - at[inside])
        between = np.interp(at[inside], dense.elapsed_s, dense.ln_p)
        off = np.minimum(np.abs(sparse.ln_p[inside] - between), np.abs(sparse.ln_p[inside] - dense.ln_p[nearest]))
        share = float(np.mean(off <= tolerance[inside]))
        if share <= best.equal_share:
            continue
        chance = np.mean(
            [
                np.abs(rest_sparse[inside] - np.take(rest_dense, nearest + shift, mode="clip")) <= tolerance[inside]
                for shift in (-11, -7, -5, 5, 7, 11)
            ]
        )
        chance = float(np.clip(chance, 0.05, 0.95))
        # two tries at each reading (interpolated, nearest) nearly double what chance gives
        chance = min(1.7 * chance, 0.97)
        sharp = (share - chance) / np.sqrt(chance * (1.0 - chance) / inside.size)
        best = Match(
            overlap_s=float(np.ptp(at[inside])),
            lag_s=float(lag),
            course_difference=float(np.median(off)),
            correlation=float(np.clip((share - chance) / (1.0 - chance), 0.0, 1.0)),
            sharpness=float(sharp),
            points=int(inside.size),
            even_share=1.0,
            equal_share=share,
        )
    # agreement of the sparse log alone is no proof by itself: it must beat chance, and by nearly every reading
    if best.equal_share < rules.picked_share or best.sharpness < rules.least_sharpness:
        return NO_MATCH
    return replace(best, equal_share=0.0)


def _match_noise(a: _Prepared, b: _Prepared, step_s: float, guesses_s: list[float], rules: CopyRules) -> Match:
    least = max(rules.least_points, int(np.ceil(rules.least_overlap_s / step_s)))
    if min(a.readings, b.readings) < least:
        return NO_MATCH
    offset = round((a.start_s - b.start_s) / step_s)
    if guesses_s:
        centres = [round(g / step_s) - offset for g in guesses_s]
        reach = max(3, int(np.ceil(8.0 / step_s)))
        lags = np.unique(np.concatenate([np.arange(c - reach, c + reach + 1) for c in centres]))
    else:
        lags = np.arange(-(b.course.size - least), a.course.size - least + 1)
    lag, rho, n, null, spread, course = _best_alignment(
        a.course, a.noise, b.course, b.noise, lags.astype(np.int64), least, rules.course_tolerance
    )
    if n == 0:
        return NO_MATCH
    lo, hi = max(0, lag), min(a.course.size, b.course.size + lag)
    return Match(
        overlap_s=n * step_s,
        lag_s=(lag + offset) * step_s,
        course_difference=float(course),
        correlation=float(rho),
        sharpness=float((rho - null) / spread),
        points=int(n),
        even_share=_even_share(a.noise[lo:hi], b.noise[lo - lag : hi - lag], float(rho)),
        equal_share=_equal_share(a.course[lo:hi], b.course[lo - lag : hi - lag]),
    )


def match(
    one: SampleBatch, other: SampleBatch, lag_guess_s: float | None = None, rules: CopyRules | None = None
) -> Match:
    """Compare two logs on the curve.

    Parameters
    ----------
    one, other
        Batches of one log each.
    lag_guess_s
        ``elapsed_s`` of ``one`` minus that of ``other`` at the same physical moment, when the two logs' isolations
        say so; without it every alignment that gives the least overlap is tried.

    Returns
    -------
    Match
        At the alignment where the noise of the two agrees best, among those where the courses agree.
    """
    step = max(_step_s(one), _step_s(other))
    if not np.isfinite(step):
        return NO_MATCH
    guesses = [] if lag_guess_s is None else [lag_guess_s]
    return _match(_prepare(one, step), _prepare(other, step), step, guesses, rules or CopyRules())


def _even_share(x: FloatArray, y: FloatArray, rho: float) -> float:
    both = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if both.size < 40 or rho <= 0.0:
        return 0.0
    quarters = sorted(_correlation(x[q], y[q], 0, 5)[0] for q in np.array_split(both, 4))
    return float(quarters[1] / rho)


def _equal_share(x: FloatArray, y: FloatArray) -> float:
    ok = np.isfinite(x) & np.isfinite(y)
    if np.unique(np.round(x[ok], 3)).size < 15:
        return 0.0
    return float(np.mean(np.abs(x[ok] - y[ok]) < 0.002))


_PAIRS_AT_ONCE = 2048
"""Bounds the samples held at once."""

COPY_SCHEMA = {
    "evacuation_id": pl.String,
    "copy_of": pl.String,
    "probability": pl.Float64,
    "lag_s": pl.Float64,
    "overlap_s": pl.Float64,
    "correlation": pl.Float64,
    "sharpness": pl.Float64,
    "points": pl.Int64,
}


PAIR_SCHEMA = {
    "earlier_key": pl.String,
    "later_key": pl.String,
    "is_copy": pl.Boolean,
    **{name: COPY_SCHEMA[name] for name in ("lag_s", "overlap_s", "correlation", "sharpness", "points")},
    "course_difference": pl.Float64,
    "equal_share": pl.Float64,
    "even_share": pl.Float64,
}
"""Two logs that were compared, and how they matched: kept, so that no pair is ever compared twice."""


def _pair_row(earlier: str, later: str, found: Match, rules: CopyRules) -> dict[str, object]:
    numbers = {name: getattr(found, name) for name in PAIR_SCHEMA if name in Match.__dataclass_fields__}
    return {"earlier_key": earlier, "later_key": later, "is_copy": found.is_copy(rules), **numbers}


def _known_matches(pairs: list[tuple[int, int]], keys: list[str], known: pl.DataFrame | None) -> list[Match | None]:
    """Return, for each pair, what an earlier comparison found; ``None`` where there was none."""
    if known is None or known.is_empty() or not pairs:
        return [None] * len(pairs)
    asked = pl.DataFrame(
        {"earlier_key": [keys[i] for i, _ in pairs], "later_key": [keys[j] for _, j in pairs]},
        schema={"earlier_key": pl.String, "later_key": pl.String},
    )
    names = list(Match.__dataclass_fields__)
    known = known.unique(["earlier_key", "later_key"], keep="first", maintain_order=True)
    found = asked.join(known, on=["earlier_key", "later_key"], how="left", maintain_order="left")
    seen = found["is_copy"].is_not_null().to_list()
    rows = found.select(names).iter_rows(named=True)
    return [Match(**row) if there else None for there, row in zip(seen, rows, strict=True)]


def find_copies(
    jobs: pl.DataFrame,
    sketch: pl.DataFrame,
    load: Callable[[list[str]], SampleBatch],
    rules: CopyRules | None = None,
    *,
    known: pl.DataFrame | None = None,
    checked: Callable[[pl.DataFrame], None] | None = None,
) -> pl.DataFrame:
    """Find the evacuations whose log is a copy of an earlier job's.

    Parameters
    ----------
    jobs
        ``evacuation_id, log_key, started_at`` of every evacuation with a readable log.
    sketch
        `sketch_batch` of every log, by ``log_key``.
    load
        Samples of the named logs, in that order; called only for proposed pairs.
    known
        Columns of `PAIR_SCHEMA`: pairs compared before, under the same rules; they are not compared again.
    checked
        Called with the pairs that were compared now, in the same columns.

    Returns
    -------
    pl.DataFrame
        Columns of `COPY_SCHEMA`, one row per copy, named against the earliest job that it repeats; sorted by
        ``evacuation_id``. Independent of the rows' order.
    """
    rules = rules or CopyRules()
    jobs = jobs.drop_nulls("log_key").sort("started_at", "evacuation_id", nulls_last=True)
    if jobs.height < 2:
        return pl.DataFrame(schema=COPY_SCHEMA)
    ids, keys = jobs["evacuation_id"].to_list(), jobs["log_key"].to_list()
    best: dict[int, tuple[int, Match]] = {}
    first_with: dict[str, int] = {}
    for i, key in enumerate(keys):  # the very same bytes, handed in for two jobs
        if key in first_with:
            best[i] = (first_with[key], SAME_FILE)
        else:
            first_with[key] = i
    shapes = jobs.select("log_key").join(sketch, on="log_key", how="left", maintain_order="left")
    moments = shapes.select(MOMENT_COLUMNS).to_numpy().astype(float)
    pairs = [(i, j) for i, j in propose_pairs(shapes, rules) if keys[i] != keys[j]]
    before = _known_matches(pairs, keys, known)
    for (i, j), remembered in zip(pairs, before, strict=True):
        if remembered is not None and remembered.is_copy(rules) and not (j in best and best[j][0] <= i):
            best[j] = (i, remembered)
    pairs = [pair for pair, remembered in zip(pairs, before, strict=True) if remembered is None]
    for start in range(0, len(pairs), _PAIRS_AT_ONCE):
        part = pairs[start : start + _PAIRS_AT_ONCE]
        compared: list[dict[str, object]] = []
        batch = load(sorted({keys[k] for pair in part for k in pair}))
        logs = dict(zip(batch.keys, batch, strict=True))
        steps = {key: _step_s(log) for key, log in logs.items()}
        prepared: dict[tuple[str, float], _Prepared] = {}
        for i, j in part:
            if keys[i] not in logs or keys[j] not in logs or (j in best and best[j][0] <= i):
                continue
            step = max(steps[keys[i]], steps[keys[j]])
            if not np.isfinite(step):
                continue
            for key in (keys[i], keys[j]):
                if (key, step) not in prepared:
                    prepared[key, step] = _prepare(logs[key], step)
            guesses: list[float] = []
            for lag in moments[j] - moments[i]:
                if np.isfinite(lag) and all(abs(lag - g) > rules.other_moment_s for g in guesses):
                    guesses.append(float(lag))
            if not guesses:
                continue
            found = _match(prepared[keys[j], step], prepared[keys[i], step], step, guesses, rules)
            compared.append(_pair_row(keys[i], keys[j], found, rules))
            if found.is_copy(rules):
                best[j] = (i, found)
        if checked is not None and compared:
            checked(pl.DataFrame(compared, schema=PAIR_SCHEMA))
    rows = [
        {
            "evacuation_id": ids[j],
            "copy_of": ids[i],
            "probability": m.probability,
            "lag_s": m.lag_s,
            "overlap_s": m.overlap_s,
            "correlation": m.correlation,
            "sharpness": m.sharpness,
            "points": m.points,
        }
        for j, (i, m) in best.items()
    ]
    return pl.DataFrame(rows, schema=COPY_SCHEMA).sort("evacuation_id")
