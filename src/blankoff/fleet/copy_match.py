"""Two logs compared on the curve: whether one repeats the other's noise, at one sharp alignment."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d

from blankoff.fleet.copy_grids import LEAST_STRAIGHT, MOST_BEND_LN, SCALE_ROUNDS
from blankoff.fleet.copy_kernels import ROUNDED, correlation, noise_z
from blankoff.fleet.copy_readings import compare_readings, prepare_readings
from blankoff.fleet.copy_sketch import CopyRules
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray, SampleBatch

MOST_BEND = 3.0
"""Bend of the course over nine cells, in standard deviations of the noise, that still lets noise be told; own judgement."""


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
    leaps = np.abs(rest) > MOST_BEND_LN
    rest = np.where(leaps, 0.0, rest)
    rest -= uniform_filter1d(rest, size=15, mode="nearest")
    padded = np.pad(course, 4, mode="edge")
    bend = np.where(leaps, np.inf, np.abs(padded[8:] - 2.0 * padded[4:-4] + padded[:-8]))
    straight, sigma = there, 0.0
    for _ in range(SCALE_ROUNDS):
        # the middle of all sizes, then of those off the bends: a bend must not raise the scale it is held against
        sizes = np.abs(rest[straight])
        if sizes.size < LEAST_STRAIGHT:
            break
        sigma = max(1.4826 * float(np.median(sizes)), 0.5 * float(np.quantile(sizes, 0.9))) + 1e-5
        bent = maximum_filter1d(bend, size=13, mode="nearest") > min(MOST_BEND * sigma, MOST_BEND_LN)
        straight = there & ~bent
    scale = 1.4826 * 0.85 * uniform_filter1d(np.minimum(np.abs(rest), 4.0 * sigma), size=61, mode="nearest") + 1e-5
    rest = np.clip(rest / scale, -3.0, 3.0)
    return np.where(straight, rest, np.nan)


GRID_APART = 2.0
"""On a grid courses may lie this many times further apart than reading by reading, for noise to be looked for there."""
GRID_SHARE = 0.3
"""Sharpness on a grid, of what a copy needs, from which on single readings are asked for their noise: the grid averages
up to three readings in one cell, which leaves some half of the correlation."""
FEW_POINTS = 80
"""Up to so many cells a grid's sharpness says too little to be asked."""


@dataclass(frozen=True)
class Match:
    """How well one curve repeats another.

    Where the noise agrees too little for a copy (`CopyRules.least_correlation`), how sharply and how evenly it does is not looked
    at (0), and `course_difference` is the most it may be.
    """

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
    apart: float
    """`copy_kernels.apart` of the two courses."""

    def is_copy(self, rules: CopyRules) -> bool:
        """Whether the evidence is strong enough to call it a copy."""
        if self.equal_share >= rules.same_share and self.overlap_s >= rules.least_overlap_s:
            return True
        alike = self.course_difference <= rules.course_tolerance and self.overlap_s >= rules.least_overlap_s
        alike = alike and self.even_share >= rules.least_even_share
        alike = alike and (self.apart <= rules.most_apart or self.sharpness >= rules.sharp_alone)
        return alike and self.correlation >= rules.least_correlation and self.sharpness >= rules.least_sharpness

    @property
    def probability(self) -> float:
        """Probability that it is a copy: one honest pair in a thousand proposals assumed, normal tails at the peak."""
        if self.equal_share > 0.9:
            return 0.9999
        log_odds = 0.5 * min(self.sharpness, 12.0) ** 2 - np.log(1000.0) - np.log(60.0)
        return float(min(1.0 / (1.0 + np.exp(-log_odds)), 0.9999))


NO_MATCH = Match(0.0, 0.0, np.inf, 0.0, 0.0, 0, 0.0, 0.0, 0.0)
SAME_FILE = Match(np.inf, 0.0, 0.0, 1.0, np.inf, 1, 1.0, 1.0, 0.0)


@dataclass(frozen=True)
class Prepared:
    """One log on an even grid of ``step_s``: ln p, what is noise in it, and when its first cell begins."""

    start_s: float
    course: FloatArray
    noise: FloatArray

    @property
    def readings(self) -> int:
        """Cells that hold a pressure."""
        return int(np.isfinite(self.course).sum())


def prepare(log: SampleBatch, step_s: float) -> Prepared:
    """Put one log on an even grid of ``step_s`` seconds and part its noise from its course."""
    start, course = _even(log.elapsed_s, log.pressure_micron, step_s)
    enough = np.isfinite(course).sum() >= 5
    noise = _noise(course) if enough else np.full(course.size, np.nan)
    return Prepared(start, course, noise)


def spacing_s(log: SampleBatch) -> float:
    """Spacing of one log's readings, s, a second at least; infinite where there are too few to tell."""
    return max(float(np.median(np.diff(log.elapsed_s))), 1.0) if log.readings > 2 else np.inf


@kernel
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


@kernel
def _best_alignment(
    a: FloatArray, noise_a: FloatArray, b: FloatArray, noise_b: FloatArray, lags: IntArray, least: int, tolerance: float
) -> tuple[int, float, int, float, float]:
    """Lag of the best noise match among those whose courses agree; its correlation, points, sharpness and course."""
    best_lag, best, points, course = 0, -2.0, 0, np.inf
    for lag in lags:
        difference = _course_difference(a, b, lag, least)
        if difference > tolerance:
            continue
        rho, n = correlation(noise_a, noise_b, lag, least)
        if n > 0 and rho > best:
            best_lag, best, points, course = lag, rho, n, difference
        elif points == 0 and difference < course:
            # too little of it is noise, but the courses agree
            best_lag, course = lag, difference
    if points == 0:
        return best_lag, 0.0, 0, 0.0, course
    total, squares, m = 0.0, 0.0, 0
    for d in range(14, 46):
        for away in (best_lag - d, best_lag + d):
            rho, n = correlation(noise_a, noise_b, away, max(20, least // 2))
            if n > 0:
                z = noise_z(rho, n)
                total += z
                squares += z * z
                m += 1
    mean = total / m if m > 0 else 0.0
    spread = np.sqrt(max(squares / m - mean * mean, 0.0)) if m >= 12 else 0.0
    return best_lag, best, points, (noise_z(best, points) - mean) / max(spread, 1.0), course


def different(lags_s: FloatArray, rules: CopyRules) -> list[float]:
    """Alignments that differ from one another by more than two estimates of one moment do; NaN left out."""
    guesses: list[float] = []
    for lag in lags_s:
        if np.isfinite(lag) and all(abs(lag - g) > rules.other_moment_s for g in guesses):
            guesses.append(float(lag))
    return guesses


@dataclass(frozen=True)
class Readings:
    """The readings of one log that show a pressure: moments, ln p, and `prepare_readings` of them."""

    elapsed_s: FloatArray
    ln_p: FloatArray
    parts: FloatArray

    def last(self, most: int) -> Readings:
        """Return the last ``most`` readings."""
        cut = slice(max(self.ln_p.size - most, 0), None)
        return Readings(self.elapsed_s[cut], self.ln_p[cut], self.parts[:, cut])


def readings_of(elapsed_s: FloatArray, pressure_micron: FloatArray) -> Readings | None:
    """Prepare one log to be compared reading by reading; None with fewer than nine readings."""
    ok = np.isfinite(pressure_micron) & (pressure_micron > 0)
    if ok.sum() < 9:
        return None
    y = np.log(pressure_micron[ok])
    return Readings(elapsed_s[ok], y, prepare_readings(y, MOST_BEND))


def _hopeful(found: Match, rules: CopyRules) -> bool:
    """Whether noise in common, that a grid did not show, may be found reading by reading."""
    near = found.apart <= GRID_APART * rules.most_apart
    return near and (found.points <= FEW_POINTS or found.sharpness >= GRID_SHARE * rules.least_sharpness)


def match_readings(a: Readings, b: Readings, guesses_s: FloatArray, rules: CopyRules, found: Match) -> Match:
    """Compare reading by reading; what was ``found`` before where that proves nothing.

    Parameters
    ----------
    guesses_s
        As `match_noise` has them; NaN where one says nothing.
    """
    sign = 1.0 if a.ln_p.size <= b.ln_p.size else -1.0
    sparse, dense = (a.last(rules.most_picked), b) if sign > 0 else (b.last(rules.most_picked), a)
    if sparse.ln_p.size < rules.least_picked:
        return found
    fine = max(float(np.median(np.diff(dense.elapsed_s))) / 3.0, 0.5)
    reach = max(float(np.median(np.diff(sparse.elapsed_s))), 8.0)
    around = [np.arange(g - reach, g + reach + 1e-9, fine) for g in different(sign * guesses_s, rules)]
    # the guesses themselves too: a copy that was not shifted, or by its first reading, lies just there
    lags = np.unique(np.concatenate([*around, sign * guesses_s[np.isfinite(guesses_s)]]))
    lag, overlap, course, rho, z, points, even, apart, same_lag, same_overlap, same_course, share, beyond, same = compare_readings(
        sparse.elapsed_s, sparse.ln_p, sparse.parts, dense.elapsed_s, dense.ln_p, dense.parts, lags,
        rules.least_picked, rules.least_overlap_s, rules.course_tolerance, rules.picked_share,
        MOST_BEND, _hopeful(found, rules),
    ).tolist()  # fmt: skip
    by_noise = Match(overlap, sign * lag, course, rho, z, int(points), even, 0.0, apart)
    if by_noise.is_copy(rules):
        return by_noise
    # agreement alone is no proof: it must beat chance, and by nearly every reading
    if share >= rules.picked_share and beyond >= rules.least_sharpness:
        return Match(same_overlap, sign * same_lag, same_course, share, beyond, int(same), 1.0, 0.0, 0.0)
    return found


def match_noise(a: Prepared, b: Prepared, step_s: float, guesses_s: list[float], rules: CopyRules) -> Match:
    """Compare two prepared logs on the same grid, by the noise that they share.

    Parameters
    ----------
    guesses_s
        Alignments to try, ``elapsed_s`` of ``a`` minus that of ``b`` at the same physical moment; every alignment that
        gives the least overlap where empty.
    """
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
    lag, rho, n, sharpness, course = _best_alignment(
        a.course, a.noise, b.course, b.noise, lags.astype(np.int64), least, rules.course_tolerance
    )
    lo, hi = max(0, lag), min(a.course.size, b.course.size + lag)
    if n == 0 and np.isfinite(course):
        one, two = a.course[lo:hi], b.course[lo - lag : hi - lag]
        return replace(
            NO_MATCH, overlap_s=float((np.isfinite(one) & np.isfinite(two)).sum()) * step_s,
            lag_s=(lag + offset) * step_s, course_difference=float(course), equal_share=_equal_share(one, two),
        )  # fmt: skip
    if n == 0:
        return NO_MATCH
    if rho < rules.least_correlation:
        return replace(
            NO_MATCH, overlap_s=n * step_s, lag_s=(lag + offset) * step_s, course_difference=rules.course_tolerance,
            correlation=float(rho), points=int(n), apart=np.inf,
            equal_share=_equal_share(a.course[lo:hi], b.course[lo - lag : hi - lag]),
        )  # fmt: skip
    return Match(
        overlap_s=n * step_s,
        lag_s=(lag + offset) * step_s,
        course_difference=float(course),
        correlation=float(rho),
        sharpness=float(sharpness),
        points=int(n),
        even_share=_even_share(a.noise[lo:hi], b.noise[lo - lag : hi - lag], float(rho)),
        equal_share=_equal_share(a.course[lo:hi], b.course[lo - lag : hi - lag]),
        apart=_apart(a.course[lo:hi], b.course[lo - lag : hi - lag]),
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
    step = max(spacing_s(one), spacing_s(other))
    if not np.isfinite(step):
        return NO_MATCH
    guesses = np.array([] if lag_guess_s is None else [lag_guess_s])
    return match_at(one, other, step, guesses, rules or CopyRules())


def match_at(one: SampleBatch, other: SampleBatch, step_s: float, guesses_s: FloatArray, rules: CopyRules) -> Match:
    """Compare two logs on a grid of ``step_s``, and reading by reading where that proves nothing; see `match_noise`."""
    a, b = prepare(one, step_s), prepare(other, step_s)
    found = match_noise(a, b, step_s, different(guesses_s, rules), rules)
    if found.is_copy(rules):
        return found
    if np.isinf(found.course_difference) and min(a.readings, b.readings) >= rules.least_points:
        return found  # the courses differ at every alignment
    by_one, by_other = (readings_of(x.elapsed_s, x.pressure_micron) for x in (one, other))
    if by_one is None or by_other is None:
        return found
    told = guesses_s if np.isfinite(guesses_s).any() else np.array([found.lag_s])
    return match_readings(by_one, by_other, told, rules, found)


def _apart(x: FloatArray, y: FloatArray) -> float:
    difference = (x - y)[np.isfinite(x - y)]
    smooth = median_filter(difference, size=9, mode="nearest")
    noise = 1.4826 * float(np.median(np.abs(difference - smooth)))
    return float(np.median(np.abs(smooth))) / max(noise, ROUNDED)


def _even_share(x: FloatArray, y: FloatArray, rho: float) -> float:
    both = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if both.size < 40 or rho <= 0.0:
        return 0.0
    quarters = sorted(correlation(x[q], y[q], 0, 5)[0] for q in np.array_split(both, 4))
    return float(quarters[1] / rho)


def _equal_share(x: FloatArray, y: FloatArray) -> float:
    ok = np.isfinite(x) & np.isfinite(y)
    if np.unique(np.round(x[ok], 3)).size < 15:
        return 0.0
    return float(np.mean(np.abs(x[ok] - y[ok]) < 0.002))
