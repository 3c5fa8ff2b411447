"""A hold's readings reduced to block means with an honest variance, the noise taken from the log itself.

What a gauge adds to the true pressure, in the order in which it is dealt with here:

* *spikes* and *frozen stretches* are dropped reading by reading;
* *white noise*, in per cent of reading, from how far each reading lies off the line between its neighbours
  (blind to the rise itself, whatever its slope);
* *quantisation*, from the smallest step seen locally: a quantised gauge whose noise is below one step repeats one
  error many times, so averaging helps only as often as a level is crossed;
* *slow wander*, an AR(1) process in per cent of reading, whose size and memory are estimated from what a concave
  curve leaves over (`wander_beside`).

All kernels are deterministic, take arrays in time order and never allocate more than the block arrays.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import kernel, vector_kernel

__all__ = ["BLOCKS", "DESIGN", "block_means", "wander_beside", "white_noise"]

FloatArray = NDArray[np.float64]

BLOCKS = 72
"""Most block means kept of one hold: enough for every time constant that a hold can show."""

SETTLED_AFTER_S = 3.0
"""Readings earlier than this after isolation are valve and gauge, not circuit (common practice, no source)."""

_SPIKE_SIGMAS = 6.0
_LEAST_NOISE = 2e-4
"""Relative noise below which no gauge of this trade is believed (this project's judgement)."""

WANDER_SIZES = np.array([0.0005, 0.0012, 0.0025, 0.005, 0.010, 0.020])
WANDER_MEMORIES_S = np.array([45.0, 150.0, 500.0])
_WANDER_PRIOR_SIZE = 0.0025
_WANDER_PRIOR_LN_SD = 1.2
_FORGONE_LN = 7.0

_LANES_OF_ONE = 8
_LANES = 24
"""Sizes that are looked at for one memory, and for all: at least as many as `WANDER_SIZES`, by eights."""

DESIGN = 6
"""Most columns of a curve beside which wander is looked for."""


@kernel
def white_noise(t: FloatArray, p: FloatArray) -> float:
    """Relative white noise of a stretch of readings, trend and spikes set aside.

    Parameters
    ----------
    t, p : (n,) float64
        Seconds and microns, finite, ascending in time.

    Returns
    -------
    float
        One standard deviation as a fraction of the reading; the least believable value when ``n < 5``.
    """
    n = t.size
    if n < 5:
        return 0.01
    square = np.empty(n)
    count = 0
    for i in range(1, n - 1):
        span = t[i + 1] - t[i - 1]
        if span <= 0.0 or p[i] <= 0.0:
            continue
        w = (t[i] - t[i - 1]) / span
        off = (p[i] - (1.0 - w) * p[i - 1] - w * p[i + 1]) / p[i]
        square[count] = off * off / (1.0 + w * w + (1.0 - w) * (1.0 - w))
        count += 1
    if count < 3:
        return 0.01
    mean = 0.0
    for i in range(count):
        mean += square[i]
    mean /= count
    # clipping at 3 sigma, four times: spikes lose their weight, quantised zeros keep theirs
    for _ in range(4):
        limit, total = 9.0 * mean, 0.0
        for i in range(count):
            total += min(square[i], limit)
        mean = total / count
    return max(math.sqrt(mean), _LEAST_NOISE)


@kernel
def _longest_honest_run(p: FloatArray) -> int:
    """Longest run of one value that noise and quantisation explain; a longer one is a frozen gauge."""
    n = p.size
    zeros, diffs, run = 0, 0, 0
    for i in range(1, n):
        if p[i] == p[i - 1]:
            run += 1
            continue
        if run < 15:
            zeros += run
            diffs += run
        diffs += 1
        run = 0
    if diffs < 8:
        return n
    share = zeros / diffs
    if share <= 0.0:
        return 5
    return max(5, int(11.5 / -math.log(share)))


@kernel
def _live_readings(p: FloatArray) -> NDArray[np.bool_]:
    """Mask of the readings that no frozen stretch swallowed; the first two of a frozen stretch stay."""
    n = p.size
    honest = _longest_honest_run(p)
    live = np.ones(n, dtype=np.bool_)
    begin = 0
    for i in range(1, n + 1):
        if i == n or p[i] != p[begin]:
            if i - begin > honest:
                live[begin + 2 : i] = False
            begin = i
    return live


@kernel
def block_means(
    t: FloatArray,
    p: FloatArray,
    start_s: float,
    end_s: float,
    ceiling_micron: float,
    out_t: FloatArray,
    out_p: FloatArray,
    out_var: FloatArray,
) -> tuple[int, float, int, float]:
    """Block means of one hold, their white and quantisation variance, and the noise found.

    Parameters
    ----------
    t, p : (n,) float64
        Readings of the whole log; NaN pressure = over-range.
    start_s, end_s
        The hold.
    ceiling_micron
        Readings above it are left out (a leak is no longer choked there, or the gauge is past its range).
    out_t, out_p, out_var : (BLOCKS,) float64, overwritten
        Seconds since `start_s`, microns, micron^2.

    Returns
    -------
    blocks, noise, used, last_s
        Number of blocks filled, relative white noise, readings used, seconds since `start_s` of the last one.
    """
    n = t.size
    ts, ps = np.empty(n), np.empty(n)
    m = 0
    first = start_s + SETTLED_AFTER_S
    for i in range(n):
        if t[i] >= first and t[i] <= end_s:
            x = p[i]
            if x > ceiling_micron:
                break
            if x > 0.0:
                ts[m] = t[i] - start_s
                ps[m] = x
                m += 1
    if m < 3:
        return 0, 0.01, m, 0.0
    ts, ps = ts[:m], ps[:m]
    live = _live_readings(ps)
    ts, ps = ts[live], ps[live]
    m = ts.size
    noise = white_noise(ts, ps)
    # spikes: further than six sigmas off the line between the neighbours, and further than they are themselves
    good = np.ones(m, dtype=np.bool_)
    for i in range(1, m - 1):
        span = ts[i + 1] - ts[i - 1]
        if span <= 0.0:
            continue
        w = (ts[i] - ts[i - 1]) / span
        off = abs(ps[i] - (1.0 - w) * ps[i - 1] - w * ps[i + 1])
        scale = noise * ps[i + 1] if ps[i + 1] < ps[i] else noise * ps[i]
        floor = 0.25 * abs(ps[i + 1] - ps[i - 1])
        if off > _SPIKE_SIGMAS * 1.3 * max(scale, 1.0) + floor:
            good[i] = False
    last = ts[m - 1]
    begin = ts[0]
    width = max(last - begin, 1e-9)
    blocks, i = 0, 0
    step = 0.0
    for b in range(BLOCKS):
        # edges grow as k^1.5: fine where short time constants bend, coarse where only the slope is left
        edge = begin + width * ((b + 1) / BLOCKS) ** 1.5
        if b == BLOCKS - 1:
            edge = last + 1.0
        count, sum_t, sum_p, crossings = 0, 0.0, 0.0, 0
        least = 0.0
        previous = -1.0
        while i < m and ts[i] <= edge:
            if good[i]:
                count += 1
                sum_t += ts[i]
                sum_p += ps[i]
                if previous > 0.0 and ps[i] != previous:
                    jump = abs(ps[i] - previous)
                    crossings += 1
                    if least == 0.0 or jump < least:
                        least = jump
                previous = ps[i]
            i += 1
        if count == 0:
            continue
        mean = sum_p / count
        if least > 0.0:
            step = least
        quantum = step * step / 12.0 / min(count, crossings + 1)
        sigma = noise * mean
        out_t[blocks] = sum_t / count
        out_p[blocks] = mean
        out_var[blocks] = sigma * sigma / count + quantum
        blocks += 1
    return blocks, noise, m, last


@vector_kernel
def _wander_step(
    i: int,
    level: float,
    var: float,
    values: FloatArray,
    square: FloatArray,
    rho: FloatArray,
    cov: FloatArray,
    spread: FloatArray,
    gain: FloatArray,
    weight: FloatArray,
    state: FloatArray,
    column: FloatArray,
    heavy: FloatArray,
    gram: FloatArray,
) -> None:
    """One step of the filter in every lane: what the reading scatters by, the columns' innovations and their products."""
    lanes = cov.size
    for c in range(lanes):
        ahead = square[c] + rho[c] * rho[c] * (cov[c] - square[c])
        s = level * level * ahead + var
        g = level * ahead / s
        spread[i, c], gain[c], weight[c] = s, g, 1.0 / s
        cov[c] = ahead - g * level * ahead
    for k in range(values.size):
        value = values[k]
        for c in range(lanes):
            before = state[k, c] * rho[c]
            e = value - level * before
            state[k, c] = before + gain[c] * e
            column[k, c] = e
    for k in range(values.size):
        for c in range(lanes):
            heavy[c] = column[k, c] * weight[c]
        for j in range(k + 1):
            for c in range(lanes):
                gram[k, j, c] += heavy[c] * column[j, c]


@kernel
def wander_beside(
    t: FloatArray, design: FloatArray, used: int, y: FloatArray, level: FloatArray, var: FloatArray
) -> tuple[float, float]:
    """Size and memory of the slow wander beside a smooth curve whose coefficients are not known.

    A hold is short beside the memory of a gauge, and a curve that may bend swallows much of the wander: what a fit
    leaves over would make every gauge look two to three times steadier than it is. So the curve's columns are
    projected out anew for every size and memory of a small grid, which takes the marginal (restricted) likelihood of
    AR(1) wander plus white noise, by a scalar Kalman filter; a wide log-normal prior is laid on the size. The size
    returned is the root of its posterior mean square.

    Parameters
    ----------
    t, y, level, var : (n,) float64
        Block seconds, microns, block mean microns, white variance micron^2.
    design : (n, DESIGN) float64
        Columns of the curve.
    used
        How many of them count.

    Returns
    -------
    size, memory_s
        Standard deviation as a fraction of reading, and time constant of the likeliest wander.

    References
    ----------
    .. [1] H. D. Patterson, R. Thompson, Biometrika 58 (1971) 545: restricted likelihood (from memory).
    """
    n = t.size
    most = used + 1
    # one lane per size and memory, so that the compiler takes eight of them at a time
    square, rho = np.empty(_LANES), np.zeros(_LANES)
    for lane in range(_LANES):
        size = WANDER_SIZES[min(lane % _LANES_OF_ONE, WANDER_SIZES.size - 1)]
        square[lane] = size * size
    cov, gain, weight, heavy = square.copy(), np.empty(_LANES), np.empty(_LANES), np.empty(_LANES)
    spread = np.empty((n, _LANES))
    column, state = np.empty((most, _LANES)), np.zeros((most, _LANES))
    gram, values = np.zeros((most, most, _LANES)), np.empty(most)
    for i in range(n):
        if i > 0:
            for b in range(WANDER_MEMORIES_S.size):
                decay = math.exp(-(t[i] - t[i - 1]) / WANDER_MEMORIES_S[b])
                for c in range(_LANES_OF_ONE):
                    rho[b * _LANES_OF_ONE + c] = decay
        for k in range(used):
            values[k] = design[i, k]
        values[used] = y[i]
        _wander_step(i, level[i], var[i], values, square, rho, cov, spread, gain, weight, state, column, heavy, gram)
    scores = np.full((WANDER_MEMORIES_S.size, WANDER_SIZES.size), -1e300)
    best, memory = -1e300, WANDER_MEMORIES_S[1]
    one = np.empty((most, most))
    for b in range(WANDER_MEMORIES_S.size):
        highest = -1e300
        for a in range(WANDER_SIZES.size):
            lane = b * _LANES_OF_ONE + a
            z = math.log(WANDER_SIZES[a] / _WANDER_PRIOR_SIZE) / _WANDER_PRIOR_LN_SD
            score = -0.5 * z * z
            product = 1.0
            for i in range(n):
                # one logarithm for several variances
                product *= spread[i, lane]
                if product > 1e100 or product < 1e-100:
                    score -= 0.5 * math.log(product)
                    product = 1.0
            score -= 0.5 * math.log(product)
            for k in range(most):
                for j in range(k + 1):
                    one[k, j] = gram[k, j, lane]
            for j in range(used):
                pivot = one[j, j]
                if not pivot > 1e-30:
                    continue
                score -= 0.5 * math.log(pivot)
                for k in range(j + 1, most):
                    f = one[k, j] / pivot
                    for q in range(j + 1, k + 1):
                        one[k, q] -= f * one[q, j]
            score -= 0.5 * max(one[used, used], 0.0)
            scores[b, a] = score
            if score > best:
                best, memory = score, WANDER_MEMORIES_S[b]
            # past its peak the score only falls: larger sizes than one this unlikely count for nothing
            highest = max(highest, score)
            if score < highest - _FORGONE_LN:
                break
    total, mean = 0.0, 0.0
    for b in range(WANDER_MEMORIES_S.size):
        for a in range(WANDER_SIZES.size):
            w = math.exp(max(scores[b, a] - best, -50.0))
            total += w
            mean += w * WANDER_SIZES[a] * WANDER_SIZES[a]
    return math.sqrt(mean / total), memory
