"""The case against a hold: one smooth curve, or standing still; and where a curve bends most suddenly. Kernels only."""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_isolation import solve3
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray


@kernel
def sharpest_bend(
    t: FloatArray, y: FloatArray, v: FloatArray, first: int, last: int, n: int, least: int, rising: bool
) -> int:
    """Where the fall of ln p stops most suddenly: first reading (or block) after the bend, -1 if it nowhere does.

    Candidates from `least` on. With `rising`, where it begins to rise, or rises faster, most suddenly.

    Slopes over `n` readings on either side are compared; what the fall had slowed down already over the `n` before is
    taken off, since a pumped curve slows down ever less.
    """
    best = 4.0
    at = -1
    slopes = np.empty(last - first + 2)
    st = sy = stt = sty = 0.0
    t0 = t[first]
    for j in range(first, last + 1):
        u = t[j] - t0
        st += u
        sy += y[j]
        stt += u * u
        sty += u * y[j]
        if j - first >= n:
            u = t[j - n] - t0
            st -= u
            sy -= y[j - n]
            stt -= u * u
            sty -= u * y[j - n]
        slopes[j - first] = 0.0
        if j - first >= n - 1:
            det = n * stt - st * st
            if det > 0.0:
                slopes[j - first] = (n * sty - st * sy) / det
    for k in range(max(first + n, least), last - n + 2):
        after = slopes[k + n - 1 - first]
        before = slopes[k - 1 - first]
        if not rising and (before >= 0.0 or after < 0.35 * before):
            continue
        slowing = max(before - slopes[k - 1 - n - first], 0.0) if k - n - first >= n else 0.0
        # slope variance of n readings evenly over a span is 12 v / (n span^2)
        right = max(t[k + n - 1] - t[k], 1e-3)
        left = max(t[k - 1] - t[k - n], 1e-3)
        sd = math.sqrt(12.0 / n * (v[k] / (right * right) + v[k - 1] / (left * left)))
        score = (after - before - slowing) / sd
        if rising:
            score = (after - max(before, 0.0)) / sd if after > 0.0 else 0.0
        if score > best:
            best = score
            at = k
    return at


@kernel
def smooth_cost(t: FloatArray, y: FloatArray, v: FloatArray, first: int, last: int) -> float:
    """Misfit of one smooth curve through a stretch: the case against any isolation in it.

    The better of a parabola and of lines that settle exponentially, whatever the signs; pumped curves are such.
    """
    if last - first < 3:
        return 0.0
    tref = 0.5 * (t[first] + t[last])
    scale = max(t[last] - t[first], 1e-3)
    a = np.zeros((3, 3))
    b = np.zeros(3)
    x = np.empty(3)
    inv = np.empty((3, 3))
    # what all shapes share is summed once
    n = last - first + 1
    z, w, u = np.empty(n), np.empty(n), np.empty(n)
    zz = 0.0
    for i in range(n):
        j = first + i
        z[i] = math.exp(y[j])
        w[i] = 1.0 / (z[i] * z[i] * v[j])
        u[i] = (t[j] - tref) / scale
        a[0, 0] += w[i]
        a[0, 1] += w[i] * u[i]
        a[1, 1] += w[i] * u[i] * u[i]
        b[0] += w[i] * z[i]
        b[1] += w[i] * z[i] * u[i]
        zz += w[i] * z[i] * z[i]
    best = 1e300
    for shape in range(8):
        if shape > 2 and scale / (1.5 * 2.5 ** (shape - 2)) < 3.0:
            break
        a[0, 2] = a[1, 2] = a[2, 2] = b[2] = 0.0
        # from the whole stretch down to a few seconds: a small circuit comes to its floor as fast
        tau = max(scale / (1.5 * 2.5 ** (shape - 1)), 3.0)
        for i in range(n):
            e = u[i] * u[i] if shape == 0 else math.exp(-(t[first + i] - t[first]) / tau)
            a[0, 2] += w[i] * e
            a[1, 2] += w[i] * u[i] * e
            a[2, 2] += w[i] * e * e
            b[2] += w[i] * z[i] * e
        a[1, 0] = a[0, 1]
        a[2, 0] = a[0, 2]
        a[2, 1] = a[1, 2]
        if solve3(a, b, x, inv):
            best = min(best, max(zz - x[0] * b[0] - x[1] * b[1] - x[2] * b[2], 0.0))
    return best


@kernel
def standing_cost(y: FloatArray, v: FloatArray, first: int, last: int) -> float:
    """Misfit of a constant through a stretch: the case against any rise in it."""
    s = sz = szz = 0.0
    for j in range(first, last + 1):
        z = math.exp(y[j])
        w = 1.0 / (z * z * v[j])
        s += w
        sz += w * z
        szz += w * z * z
    return max(szz - sz * sz / s, 0.0)
