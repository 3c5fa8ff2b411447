"""Compiled kernels of the attribution: building the normal equations row by row, and what follows from a solution.

Every row touches one stretch per factor (position -1 for none) and all fixed-effect columns.  Rows are ordered so
that those of one system stand together; a system's own effect, common to its rows, is eliminated on the way by the
rank-one correction ``W - W 1 1' W / (1/v + sum W)``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import copy_into, kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@kernel
def accumulate(
    position: Ints,
    z: Floats,
    x: Floats,
    y: Floats,
    weight: Floats,
    group_start: Ints,
    group_variance: Floats,
    size: int,
) -> tuple[Floats, Floats, Floats]:
    """Normal equations with systems eliminated.

    Parameters
    ----------
    position : int64 (n, f)
        Column of each row's stretch per factor, -1 for none.
    z : float64 (n, f)
        Sensitivity of the row to that stretch.
    x : float64 (n, p);  y, weight : float64 (n,)
    group_start : int64 (g + 1,)
        Rows ``group_start[k] : group_start[k + 1]`` share system ``k``.
    group_variance : float64 (g,)
        Prior variance of each system's effect; 0 for none.
    size : int
        Number of stretch columns ``m``.

    Returns
    -------
    zwz : (m, m), lower triangle and upper alike;  zwr : (m, p + 1) with ``y`` last;  rwr : (p + 1, p + 1)
    """
    f = position.shape[1]
    p = x.shape[1]
    zwz = np.zeros((size, size))
    zwr = np.zeros((size, p + 1))
    rwr = np.zeros((p + 1, p + 1))
    r = np.empty(p + 1)
    total_r = np.empty(p + 1)
    touched = np.empty(size, np.int64)
    load = np.zeros(size)
    seen = np.zeros(size, np.bool_)
    for g in range(len(group_start) - 1):
        begin, end = group_start[g], group_start[g + 1]
        single = end - begin == 1
        shrink = 1.0
        if single:
            shrink = 1.0 / (1.0 + weight[begin] * group_variance[g])
        total_w = 0.0
        total_r[:] = 0.0
        used = 0
        for i in range(begin, end):
            w = weight[i] * shrink
            for c in range(p):
                r[c] = x[i, c]
            r[p] = y[i]
            for a in range(f):
                ka = position[i, a]
                if ka < 0:
                    continue
                wa = w * z[i, a]
                for b in range(f):
                    kb = position[i, b]
                    if kb >= 0:
                        zwz[ka, kb] += wa * z[i, b]
                for c in range(p + 1):
                    zwr[ka, c] += wa * r[c]
                if not single:
                    if not seen[ka]:
                        seen[ka] = True
                        touched[used] = ka
                        used += 1
                    load[ka] += wa
            for c in range(p + 1):
                wc = w * r[c]
                total_r[c] += wc
                for d in range(c + 1):
                    rwr[c, d] += wc * r[d]
            total_w += w
        if single:
            continue
        factor = 0.0
        if group_variance[g] > 0.0:
            factor = 1.0 / (1.0 / group_variance[g] + total_w)
        for a in range(used):
            ka = touched[a]
            va = load[ka] * factor
            for b in range(used):
                zwz[ka, touched[b]] -= va * load[touched[b]]
            for c in range(p + 1):
                zwr[ka, c] -= va * total_r[c]
        for c in range(p + 1):
            for d in range(c + 1):
                rwr[c, d] -= factor * total_r[c] * total_r[d]
        for a in range(used):
            load[touched[a]] = 0.0
            seen[touched[a]] = False
    for c in range(p + 1):
        for d in range(c):
            rwr[d, c] = rwr[c, d]
    return zwz, zwr, rwr


@kernel
def system_effects(
    residual: Floats, weight: Floats, group_start: Ints, group_variance: Floats
) -> tuple[Floats, Floats]:
    """Posterior mean and variance of each system's effect given everything else.

    ``residual`` is ``y`` less fixed effects and stretches, systems left in.
    """
    groups = len(group_start) - 1
    mean = np.zeros(groups)
    variance = np.zeros(groups)
    for g in range(groups):
        if group_variance[g] <= 0.0:
            continue
        total, weighted = 0.0, 0.0
        for i in range(group_start[g], group_start[g + 1]):
            total += weight[i]
            weighted += weight[i] * residual[i]
        variance[g] = 1.0 / (1.0 / group_variance[g] + total)
        mean[g] = weighted * variance[g]
    return mean, variance


@kernel
def row_variances(position: Ints, z: Floats, inverse: Floats) -> Floats:
    """Posterior variance of each row's sum of stretch effects, the fixed effects taken as known."""
    n, f = position.shape
    out = np.zeros(n)
    for i in range(n):
        total = 0.0
        for a in range(f):
            ka = position[i, a]
            if ka < 0:
                continue
            for b in range(f):
                kb = position[i, b]
                if kb >= 0:
                    total += z[i, a] * z[i, b] * inverse[ka, kb]
        out[i] = total
    return out


BLOCK = 64
"""Side of the squares in which matrices are turned and mirrored: two of them stay in the processor's nearest cache."""


@kernel
def turned(square: Floats) -> Floats:
    """A square matrix transposed into memory of its own."""
    n = len(square)
    out = np.empty((n, n))
    for top in range(0, n, BLOCK):
        for left in range(0, n, BLOCK):
            for i in range(top, min(top + BLOCK, n)):
                for j in range(left, min(left + BLOCK, n)):
                    out[i, j] = square[j, i]
    return out


@kernel
def mirror(square: Floats) -> None:
    """Copy the upper triangle of a matrix onto its lower one, in place."""
    n = len(square)
    for top in range(0, n, BLOCK):
        for left in range(0, top + 1, BLOCK):
            for i in range(top, min(top + BLOCK, n)):
                for j in range(left, min(left + BLOCK, i)):
                    square[i, j] = square[j, i]


@kernel
def eliminate(h: Floats, met: NDArray[np.bool_], previous: Ints) -> tuple[Ints, Ints, Floats, Floats]:
    """Take out of a matrix, in place, the stretches that only their joints tie to others.

    Parameters
    ----------
    h : float64 (m, m)
    met : bool (m,)
        Stretches that stay.
    previous : int64 (m,)
        The stretch before each in its level, -1 for a level's first.

    Returns
    -------
    left, right : int64 (m,)
        What each that was taken out hung on just before, -1 for nothing.
    share : float64 (m, 2)
        And by how much, on either.
    pivot : float64 (m,)
    """
    m = len(h)
    left, right = previous.copy(), np.full(m, -1)
    for i in range(m):
        if previous[i] >= 0:
            right[previous[i]] = i
    share, pivot = np.zeros((m, 2)), np.ones(m)
    for i in range(m):
        if met[i]:
            continue
        a, b = left[i], right[i]
        pivot[i] = h[i, i]
        if a >= 0:
            share[i, 0] = h[i, a] / pivot[i]
            h[a, a] -= share[i, 0] * h[i, a]
            right[a] = b
        if b >= 0:
            share[i, 1] = h[i, b] / pivot[i]
            h[b, b] -= share[i, 1] * h[i, b]
            left[b] = a
        if a >= 0 and b >= 0:
            h[a, b] -= share[i, 0] * h[i, b]
            h[b, a] = h[a, b]
    return left, right, share, pivot


@kernel
def put_back(inverse: Floats, at: Ints, left: Ints, right: Ints, share: Floats, pivot: Floats) -> Floats:
    """Inverse of the whole matrix from that of what was left of it.

    Parameters
    ----------
    inverse : float64 (k, k)
    at : int64 (k,)
        Places of what was left.
    left, right, share, pivot : from `eliminate`
    """
    m = len(left)
    out = np.zeros((m, m))
    known = np.zeros(m, np.bool_)
    for i in range(len(at)):
        known[at[i]] = True
        for j in range(len(at)):
            out[at[i], at[j]] = inverse[i, j]
    # Backwards: what one hung on was taken out after it, or stayed.
    for i in range(m - 1, -1, -1):
        if known[i]:
            continue
        a, b = left[i], right[i]
        row = np.zeros(m)
        if a >= 0:
            row -= share[i, 0] * out[a]
        if b >= 0:
            row -= share[i, 1] * out[b]
        own = 1.0 / pivot[i]
        if a >= 0:
            own -= share[i, 0] * row[a]
        if b >= 0:
            own -= share[i, 1] * row[b]
        row[i] = own
        copy_into(out[i], row)
        copy_into(out[:, i], row)
    return out
