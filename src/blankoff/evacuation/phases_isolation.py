"""When the circuit was shut off from the pump, by likelihood over every candidate moment.

Before the isolation the pumped pressure follows a smooth, falling curve; after it a step that settles, a steady rise
and a rise that saturates. At a fixed time constant the second is linear in its coefficients and its span does not move
with the origin of time, so suffix sums give the misfit of every candidate start in one pass; prefix sums give that of
the pumped curve. Kernels only.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

N_FIT = 7
COST, BEFORE, BEFORE_SLOPE, AFTER, AFTER_SLOPE, COST_BEFORE, SKIPPED = range(N_FIT)
"""Places in the row of a candidate: cost, fitted values (microns) and slopes (microns/s) on both sides, the pumped side's
share of the cost, readings before the fitted window (each costs 1)."""


_WINDOW_LN = 0.25
"""One parabola describes the pumped curve over this much of ln p, seldom over more."""

_LEAST_WINDOW = 5
_WIDEST_LN = 1.2
"""At least so many readings before the candidate, if they lie within this."""

_UNEXPLAINED = 20.0
"""Cost of leaving a sudden stop of the fall to the pumped curve."""


@kernel
def solve3(a: FloatArray, b: FloatArray, x: FloatArray, inverse: FloatArray) -> bool:
    """Solve a symmetric 3 x 3 system and invert its matrix; False when it is singular."""
    m00 = a[1, 1] * a[2, 2] - a[1, 2] * a[1, 2]
    m01 = a[0, 2] * a[1, 2] - a[0, 1] * a[2, 2]
    m02 = a[0, 1] * a[1, 2] - a[0, 2] * a[1, 1]
    det = a[0, 0] * m00 + a[0, 1] * m01 + a[0, 2] * m02
    if not det > 1e-11 * a[0, 0] * a[1, 1] * a[2, 2]:
        return False
    inverse[0, 0] = m00 / det
    inverse[0, 1] = inverse[1, 0] = m01 / det
    inverse[0, 2] = inverse[2, 0] = m02 / det
    inverse[1, 1] = (a[0, 0] * a[2, 2] - a[0, 2] * a[0, 2]) / det
    inverse[1, 2] = inverse[2, 1] = (a[0, 1] * a[0, 2] - a[0, 0] * a[1, 2]) / det
    inverse[2, 2] = (a[0, 0] * a[1, 1] - a[0, 1] * a[0, 1]) / det
    for i in range(3):
        x[i] = inverse[i, 0] * b[0] + inverse[i, 1] * b[1] + inverse[i, 2] * b[2]
    return True


@kernel
def _solve2(a00: float, a01: float, a11: float, b0: float, b1: float) -> tuple[float, float, bool]:
    det = a00 * a11 - a01 * a01
    if not det > 1e-12 * a00 * a11:
        return 0.0, 0.0, False
    return (a11 * b0 - a01 * b1) / det, (a00 * b1 - a01 * b0) / det, True


@kernel
def candidate_costs(
    t: FloatArray,
    y: FloatArray,
    v: FloatArray,
    first: int,
    last: int,
    lo: int,
    hi: int,
    window: int,
    stride: int,
    taus: FloatArray,
    out: FloatArray,
) -> None:
    """Misfit of every candidate start of a hold, in units of the noise variance.

    Parameters
    ----------
    t, y, v
        Time, s; logarithm of pressure; its variance. Readings or blocks of them.
    first, last
        The stretch that is explained, both ends included.
    lo, hi
        Candidates: the hold begins with reading ``k``, ``lo <= k <= hi``.
    window
        At most so many readings before the candidate are fitted by the pumped curve, and only while they lie within
        a quarter of its last level; earlier ones cost 1 each, the expectation of a good fit.
    stride
        Every how many readings a candidate lies; the rows of the others cost 1e300.
    taus
        Time constants tried for the part of the rise that saturates, s; neither it nor the steady slope may fall.
    out
        ``(hi - lo + 1, N_FIT)`` result.
    """
    n = hi - first + 1
    tref = t[hi]
    scale = max(t[hi] - t[max(first, lo - window)], 1e-3)
    begin = min(first, lo)
    level, weight = np.empty(last - begin + 1), np.empty(last - begin + 1)
    for j in range(begin, last + 1):
        level[j - begin] = math.exp(y[j])
        weight[j - begin] = 1.0 / (level[j - begin] * level[j - begin] * v[j])
    pre = np.zeros((n + 1, 9))
    for i in range(n):
        j = first + i
        z, w = level[j - begin], weight[j - begin]
        u = (t[j] - tref) / scale
        pre[i + 1, 0] = pre[i, 0] + w
        pre[i + 1, 1] = pre[i, 1] + w * u
        pre[i + 1, 2] = pre[i, 2] + w * u * u
        pre[i + 1, 3] = pre[i, 3] + w * u * u * u
        pre[i + 1, 4] = pre[i, 4] + w * u * u * u * u
        pre[i + 1, 5] = pre[i, 5] + w * z
        pre[i + 1, 6] = pre[i, 6] + w * z * u
        pre[i + 1, 7] = pre[i, 7] + w * z * u * u
        pre[i + 1, 8] = pre[i, 8] + w * z * z
    a = np.empty((3, 3))
    b = np.empty(3)
    x = np.empty(3)
    inv = np.empty((3, 3))
    s = np.empty(9)
    for k in range(lo, hi + 1):
        row = out[k - lo]
        row[COST] = 1e300
        if (k - lo) % stride:
            continue
        start = k - 1
        while start > first and start > k - window:
            above = y[start - 1] - y[k - 1]
            if above > _WINDOW_LN and (k - start >= _LEAST_WINDOW or above > _WIDEST_LN):
                break
            start -= 1
        start = max(first, min(start, k))
        for q in range(9):
            s[q] = pre[k - first, q] - pre[start - first, q]
        count = k - start
        if count < 1:
            row[BEFORE] = math.exp(y[k])
            row[BEFORE_SLOPE] = 0.0
            row[COST_BEFORE] = 0.0
            row[SKIPPED] = k - first
            continue
        # the pumped curve may bend by a part of what it falls: a prior on its curvature
        u_k = (t[k] - tref) / scale
        drop = abs(math.exp(y[start]) - math.exp(y[k - 1]))
        width = (t[k] - t[start]) / scale
        bend = (0.5 * drop + 0.5 * math.sqrt(v[k - 1]) * math.exp(y[k - 1])) / max(width * width, 1e-12)
        # u is counted from the candidate's own time, so that value and slope there are coefficients
        d = u_k
        s1 = s[1] - d * s[0]
        s2 = s[2] - 2 * d * s[1] + d * d * s[0]
        s3 = s[3] - 3 * d * s[2] + 3 * d * d * s[1] - d * d * d * s[0]
        s4 = s[4] - 4 * d * s[3] + 6 * d * d * s[2] - 4 * d * d * d * s[1] + d * d * d * d * s[0]
        z1 = s[6] - d * s[5]
        z2 = s[7] - 2 * d * s[6] + d * d * s[5]
        value = s[5] / s[0]
        slope = 0.0
        cost = s[8] - s[5] * value
        if count >= 2:
            done = False
            if count >= 3:
                a[0, 0] = s[0]
                a[0, 1] = a[1, 0] = s1
                a[1, 1] = a[0, 2] = a[2, 0] = s2
                a[1, 2] = a[2, 1] = s3
                ridge = 1.0 / (bend * bend)
                a[2, 2] = s4 + ridge
                b[0], b[1], b[2] = s[5], z1, z2
                if solve3(a, b, x, inv) and x[1] <= 0.0:
                    value, slope = x[0], x[1] / scale
                    cost = s[8] - x[0] * b[0] - x[1] * b[1] - x[2] * b[2]
                    done = True
            if not done:
                c0, c1, good = _solve2(s[0], s1, s2, s[5], z1)
                if good and c1 <= 0.0:
                    value, slope = c0, c1 / scale
                    cost = s[8] - c0 * s[5] - c1 * z1
        row[BEFORE] = value
        row[BEFORE_SLOPE] = slope
        cost = max(cost, 0.0) + (start - first)
        if start > first and count >= 3:
            # a fall that stops where the fitted window begins is a bend that this candidate leaves unexplained
            fall = (y[start - 1] - y[start]) / max(t[start] - t[start - 1], 1e-3)
            span = t[k - 1] - t[start]
            left = (y[start] - y[k - 1] - 2.0 * math.sqrt(v[start])) / max(span, 1e-3)
            if fall * span > 0.5 and left < 0.06 * fall and fall * (t[start] - t[start - 1]) < 1.5:
                cost += _UNEXPLAINED
        row[COST_BEFORE] = cost
        row[SKIPPED] = start - first

    for tau in taus:
        w0 = w1 = w2 = we = wte = wee = z0 = z1 = ze = zz = 0.0
        spacing = -1.0
        rho = 0.0
        for j in range(last, lo - 1, -1):
            # on an even grid the decay from reading to reading is one number
            if j < last and abs(t[j + 1] - t[j] - spacing) > 1e-6:
                spacing = t[j + 1] - t[j]
                rho = math.exp(-spacing / tau)
            z, w = level[j - begin], weight[j - begin]
            u = (t[j] - tref) / scale
            w0 += w
            w1 += w * u
            w2 += w * u * u
            z0 += w * z
            z1 += w * z * u
            zz += w * z * z
            we = w + rho * we
            wte = w * u + rho * wte
            wee = w + rho * rho * wee
            ze = w * z + rho * ze
            if j > hi or (j - lo) % stride:
                continue
            row = out[j - lo]
            d = u
            v1 = w1 - d * w0
            v2 = w2 - 2 * d * w1 + d * d * w0
            vte = wte - d * we
            y1 = z1 - d * z0
            a[0, 0] = w0
            a[0, 1] = a[1, 0] = v1
            a[0, 2] = a[2, 0] = we
            a[1, 1] = v2
            a[1, 2] = a[2, 1] = vte
            a[2, 2] = wee
            b[0], b[1], b[2] = z0, y1, ze
            # standing, then a straight rise, then with the exponential part, each if it pays for its coefficients
            c0 = z0 / w0
            c1 = c2 = 0.0
            rest = zz - c0 * z0
            best = rest
            p0, p1, good = _solve2(w0, v1, v2, z0, y1)
            if last > j and good and p1 >= 0.0:
                rest = zz - p0 * z0 - p1 * y1
                if rest < best:
                    best, c0, c1 = rest, p0, p1
            solved = last - j >= 3 and solve3(a, b, x, inv)
            if solved and x[1] >= 0.0 and x[2] <= 0.0:
                rest = zz - x[0] * z0 - x[1] * y1 - x[2] * ze
                if rest < best:
                    best, c0, c1, c2 = rest, x[0], x[1], x[2]
            elif last - j >= 2:
                p0, p2, good = _solve2(w0, we, wee, z0, ze)
                if good and p2 <= 0.0:
                    rest = zz - p0 * z0 - p2 * ze
                    if rest < best:
                        best, c0, c1, c2 = rest, p0, 0.0, p2
            cost = max(best, 0.0) + row[COST_BEFORE]
            if cost < row[COST]:
                row[COST] = cost
                row[AFTER] = c0 + c2
                row[AFTER_SLOPE] = c1 / scale - c2 / tau
