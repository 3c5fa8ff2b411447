"""Logs that are copies of another job's: whole, shifted in time, trimmed, resampled, re-noised or re-quantised.

Two honest pulls can follow the same smooth curve: the same circuit, the same rig, the same weather. What two honest
pulls never share is the gauge's noise. So a pair is first *proposed* by a short sketch of the curve's shape (near
linear in the number of logs) and then *verified* on what is left of ln p once its smooth course is taken out: a copy
repeats the original's noise at one sharp alignment, however much fresh noise was laid over it; an honest pair does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numba import njit
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.spatial import cKDTree

from blankoff.samples import FloatArray, IntArray, SampleBatch

HOLD_MOMENTS_S = (60.0, 180.0, 360.0)
PULL_LEVELS_MICRON = (5000.0, 2000.0, 1000.0, 600.0)
SKETCH_COLUMNS = ("hold_1", "hold_3", "hold_6", "pull_5000", "pull_2000", "pull_1000")
SKETCH_SCHEMA = {"log_key": pl.String, **dict.fromkeys(SKETCH_COLUMNS, pl.Float64)}


@dataclass(frozen=True)
class CopyRules:
    """How alike is a copy. This project's own judgement, checked by simulation; no source."""

    sketch_radius: float = 0.06
    """Largest distance of two sketches, in ln units; fresh noise of 3 % moves a sketch by about 0.02."""
    course_tolerance: float = 0.04
    """Largest median difference of ln p along the overlap."""
    least_overlap_s: float = 150.0
    least_points: int = 40
    least_sharpness: float = 6.0
    """The noise match must stand this many standard deviations above its own value at wrong alignments."""
    least_correlation: float = 0.12
    same_share: float = 0.9
    """Readings that are the same to 0.2 %: no gauge is that quiet twice (noise 0.5 % and more, common practice)."""
    most_neighbours: int = 24
    """Proposals verified per log and sketch; the nearest come first."""


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


def sketch_batch(batch: SampleBatch, isolated_at_s: FloatArray) -> pl.DataFrame:
    """Sketch the shape of every log of a batch in six numbers that shifting and trimming leave alone.

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
        descent before the hold); null where the log does not show it.
    """
    out = np.empty((len(batch), len(SKETCH_COLUMNS)))
    _sketch_kernel(batch.elapsed_s, batch.pressure_micron, batch.offsets, np.asarray(isolated_at_s, dtype=float), out)
    frame = pl.DataFrame({"log_key": list(batch.keys)}, schema={"log_key": pl.String})
    return frame.with_columns(
        pl.Series(name, out[:, j], dtype=pl.Float64).fill_nan(None) for j, name in enumerate(SKETCH_COLUMNS)
    )


def propose_pairs(sketch: pl.DataFrame, rules: CopyRules | None = None) -> list[tuple[int, int]]:
    """Pairs of rows of ``sketch`` that could be copies, each once, ascending; near linear in the rows (k-d tree)."""
    rules = rules or CopyRules()
    values = sketch.select(SKETCH_COLUMNS).to_numpy().astype(float)
    pairs: set[tuple[int, int]] = set()
    for columns in ((0, 1, 2), (0, 1), (3, 4, 5), (3, 4), (4, 5)):
        use = np.flatnonzero(np.isfinite(values[:, columns]).all(axis=1))
        if len(columns) == 2:
            # the two-number sketches serve only logs that lack the third number: a log cut short
            other = np.setdiff1d((0, 1, 2) if columns[0] < 3 else (3, 4, 5), columns)
            short = ~np.isfinite(values[:, other]).all(axis=1)
            if not short[use].any():
                continue
        else:
            short = np.ones(len(values), dtype=bool)
        if use.size < 2:
            continue
        points = values[np.ix_(use, columns)]
        tree = cKDTree(points)
        ask = use[short[use]]
        distance, near = tree.query(
            values[np.ix_(ask, columns)],
            k=min(rules.most_neighbours, use.size),
            distance_upper_bound=rules.sketch_radius,
        )
        for i, ds, js in zip(ask, np.atleast_2d(distance), np.atleast_2d(near), strict=True):
            pairs.update(
                (min(int(i), int(use[j])), max(int(i), int(use[j])))
                for d, j in zip(ds, js, strict=True)
                if np.isfinite(d) and use[j] != i
            )
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
    """What is left of ln p once its smooth course is taken out, clipped at 3 robust standard deviations."""
    filled = np.where(np.isfinite(y), y, np.interp(np.arange(y.size), np.flatnonzero(np.isfinite(y)), y[np.isfinite(y)]))
    course = uniform_filter1d(median_filter(filled, size=9, mode="nearest"), size=9, mode="nearest")
    rest = filled - course
    rest -= uniform_filter1d(rest, size=15, mode="nearest")
    scale = 1.4826 * uniform_filter1d(np.abs(rest), size=61, mode="nearest") * 0.85 + 1e-5
    rest = np.clip(rest / scale, -3.0, 3.0)
    return np.where(np.isfinite(y), rest, np.nan)


@dataclass(frozen=True)
class Match:
    """How well one curve repeats another."""

    overlap_s: float
    lag_s: float
    course_difference: float
    correlation: float
    sharpness: float
    equal_share: float
    """Share of the overlap's readings that are the same to 0.2 %, given 15 different ones at least; else 0."""

    def is_copy(self, rules: CopyRules) -> bool:
        """Whether the evidence is strong enough to call it a copy."""
        if self.equal_share >= rules.same_share and self.overlap_s >= rules.least_overlap_s:
            return True
        alike = self.course_difference <= rules.course_tolerance and self.overlap_s >= rules.least_overlap_s
        return alike and self.correlation >= rules.least_correlation and self.sharpness >= rules.least_sharpness

    @property
    def probability(self) -> float:
        """Probability that it is a copy: one honest pair in a thousand proposals assumed, normal tails at the peak."""
        if self.equal_share > 0.9:
            return 0.9999
        log_odds = 0.5 * min(self.sharpness, 12.0) ** 2 - np.log(1000.0) - np.log(60.0)
        return float(min(1.0 / (1.0 + np.exp(-log_odds)), 0.9999))


NO_MATCH = Match(0.0, 0.0, np.inf, 0.0, 0.0, 0.0)


def _correlate(a: FloatArray, b: FloatArray, lag: int, least: int) -> tuple[float, int]:
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    if hi - lo < least:
        return 0.0, 0
    x, y = a[lo:hi], b[lo - lag : hi - lag]
    ok = np.isfinite(x) & np.isfinite(y)
    n = int(ok.sum())
    if n < least:
        return 0.0, 0
    x, y = x[ok] - x[ok].mean(), y[ok] - y[ok].mean()
    scale = np.sqrt((x @ x) * (y @ y))
    return (float(x @ y / scale) if scale > 0 else 0.0), n


def match(one: SampleBatch, other: SampleBatch, lag_guess_s: float | None = None, rules: CopyRules | None = None) -> Match:
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
        At the alignment where the noise of the two agrees best.
    """
    rules = rules or CopyRules()
    steps = [float(np.median(np.diff(x.elapsed_s))) if x.readings > 2 else np.inf for x in (one, other)]
    if not np.isfinite(steps).all():
        return NO_MATCH
    step = max(*steps, 1.0)
    (t_a, a), (t_b, b) = _even(one.elapsed_s, one.pressure_micron, step), _even(other.elapsed_s, other.pressure_micron, step)
    least = max(rules.least_points, int(np.ceil(rules.least_overlap_s / step)))
    if min(np.isfinite(a).sum(), np.isfinite(b).sum()) < least:
        return NO_MATCH
    offset = round((t_a - t_b) / step)
    if lag_guess_s is None:
        lags = np.arange(-(b.size - least), a.size - least + 1)
        lags = lags[:: max(1, lags.size // 2000)]
    else:
        centre = round(lag_guess_s / step) - offset
        lags = np.arange(centre - 8, centre + 9)
    difference = np.array([_course_difference(a, b, int(k), least) for k in lags])
    close = lags[difference <= rules.course_tolerance]
    if close.size == 0:
        return NO_MATCH
    if lag_guess_s is None and close.size > 60:
        close = lags[np.argsort(difference, kind="stable")[:60]]
    noise_a, noise_b = _noise(a), _noise(b)
    scored = [(*_correlate(noise_a, noise_b, int(k), least), int(k)) for k in close]
    rho, n, lag = max(scored, key=lambda x: (x[0], -abs(x[2])))
    if n == 0:
        return NO_MATCH
    away = [s for d in range(14, 46) for s in (lag - d, lag + d)]
    null = np.array([r for r, m in (_correlate(noise_a, noise_b, s, max(20, least // 2)) for s in away) if m])
    spread = max(float(null.std()) if null.size >= 12 else 0.0, 1.0 / np.sqrt(n))
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    x, y = a[lo:hi], b[lo - lag : hi - lag]
    return Match(
        overlap_s=n * step,
        lag_s=(lag + offset) * step,
        course_difference=_course_difference(a, b, lag, least),
        correlation=rho,
        sharpness=(rho - (float(null.mean()) if null.size else 0.0)) / spread,
        equal_share=_equal_share(x, y),
    )


def _equal_share(x: FloatArray, y: FloatArray) -> float:
    ok = np.isfinite(x) & np.isfinite(y)
    if np.unique(np.round(x[ok], 3)).size < 15:
        return 0.0
    return float(np.mean(np.abs(x[ok] - y[ok]) < 0.002))


def _course_difference(a: FloatArray, b: FloatArray, lag: int, least: int) -> float:
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    if hi - lo < least:
        return float("inf")
    d = np.abs(a[lo:hi] - b[lo - lag : hi - lag])
    d = d[np.isfinite(d)]
    return float(np.median(d)) if d.size >= least else float("inf")


COPY_SCHEMA = {
    "evacuation_id": pl.String,
    "copy_of": pl.String,
    "probability": pl.Float64,
    "lag_s": pl.Float64,
    "overlap_s": pl.Float64,
    "correlation": pl.Float64,
    "sharpness": pl.Float64,
}


def find_copies(
    jobs: pl.DataFrame,
    sketch: pl.DataFrame,
    load: Callable[[list[str]], SampleBatch],
    rules: CopyRules | None = None,
) -> pl.DataFrame:
    """Find the evacuations whose log is a copy of an earlier job's.

    Parameters
    ----------
    jobs
        ``evacuation_id, log_key, started_at, isolated_at_s`` of every evacuation with a readable log.
    sketch
        `sketch_batch` of every log, by ``log_key``.
    load
        Samples of the named logs, in that order; called only for proposed pairs.

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
    isolated = jobs["isolated_at_s"].cast(pl.Float64).to_list()
    best: dict[int, tuple[int, Match]] = {}
    first_with: dict[str, int] = {}
    for i, key in enumerate(keys):  # the very same bytes, handed in for two jobs
        if key in first_with:
            best[i] = (first_with[key], Match(np.inf, 0.0, 0.0, 1.0, np.inf, 1.0))
        else:
            first_with[key] = i
    shapes = jobs.select("log_key").join(sketch, on="log_key", how="left", maintain_order="left")
    pairs = [(i, j) for i, j in propose_pairs(shapes, rules) if keys[i] != keys[j]]
    for start in range(0, len(pairs), 512):
        part = pairs[start : start + 512]
        wanted = sorted({keys[k] for pair in part for k in pair})
        batch = load(wanted)
        at = {key: n for n, key in enumerate(batch.keys)}
        for i, j in part:
            if keys[i] not in at or keys[j] not in at or (j in best and best[j][0] <= i):
                continue
            iso_i, iso_j = isolated[i], isolated[j]
            guess = iso_j - iso_i if iso_i is not None and iso_j is not None else None
            later, earlier = batch.log(at[keys[j]]), batch.log(at[keys[i]])
            found = match(later, earlier, guess, rules)
            if guess is not None and not found.is_copy(rules):
                found = match(later, earlier, None, rules)
            if found.is_copy(rules):
                best[j] = (i, found)
    rows = [
        {
            "evacuation_id": ids[j],
            "copy_of": ids[i],
            "probability": m.probability,
            "lag_s": m.lag_s,
            "overlap_s": m.overlap_s,
            "correlation": m.correlation,
            "sharpness": m.sharpness,
        }
        for j, (i, m) in best.items()
    ]
    return pl.DataFrame(rows, schema=COPY_SCHEMA).sort("evacuation_id")
