"""The best of many small least-squares fits at every candidate moment at once. Kernels only.

All fits of one side share a constant: it is eliminated once for every further term, and once more for every pair of them.
What each fit explains then takes two divisions, in loops over the candidates that a compiler puts into vectors. Only the
best fit is solved for its coefficients, and the next best where those are not allowed.
"""

from __future__ import annotations

import numpy as np

from blankoff.evacuation.phases_isolation import solve3
from blankoff.physics.compiled import kernel, vector_kernel
from blankoff.samples import FloatArray, IntArray

N_SIDE = 4
COST, VALUE, SLOPE, VAR = range(N_SIDE)
"""Fit of one side at a candidate: misfit with prices, value (microns) and slope (microns/s) there, its variance."""

_NEVER = 1e300
_CLEARLY = 1e-3
"""How far, as a share of what cancels, a sign must be wrong to spare the fit's solution."""


@vector_kernel
def _without_constant(
    g00: FloatArray,
    g10: FloatArray,
    g11: FloatArray,
    r0: FloatArray,
    r1: FloatArray,
    share: FloatArray,
    left: FloatArray,
    rest: FloatArray,
) -> None:
    """One term with the constant eliminated: its part along the constant, its square and its product with the data."""
    for c in range(g00.size):
        low = g10[c] / g00[c]
        share[c] = low
        left[c] = g11[c] - low * g10[c]
        rest[c] = r1[c] - low * r0[c]


@vector_kernel
def _cost_of_one(
    first: int,
    end: int,
    g11: FloatArray,
    left: FloatArray,
    rest: FloatArray,
    zz: FloatArray,
    alone: FloatArray,
    price: float,
    cost: FloatArray,
) -> None:
    """Misfit with the constant and one more term, where the data tell the two apart."""
    for c in range(first, end):
        good = left[c] > 1e-11 * g11[c]
        pivot = left[c] if good else 1.0
        found = zz[c] + price - (alone[c] + rest[c] * rest[c] / pivot)
        cost[c] = found if good else _NEVER


@vector_kernel
def _wrong_sign(first: int, end: int, g00: FloatArray, g10: FloatArray, r0: FloatArray, r1: FloatArray, sign: float, cost: FloatArray) -> None:  # fmt: skip
    """Take out the fits whose further term has the other sign, or none."""
    for c in range(first, end):
        along = sign * (g00[c] * r1[c] - g10[c] * r0[c])
        cost[c] = cost[c] if along > 0.0 else _NEVER


@vector_kernel
def _cost_of_two(
    first: int,
    end: int,
    g22: FloatArray,
    g21: FloatArray,
    g10: FloatArray,
    g11: FloatArray,
    share2: FloatArray,
    left1: FloatArray,
    left2: FloatArray,
    rest1: FloatArray,
    rest2: FloatArray,
    slope1: FloatArray,
    slope2: FloatArray,
    zz: FloatArray,
    alone: FloatArray,
    price: float,
    sign1: float,
    sign2: float,
    falling: float,
    cost: FloatArray,
) -> None:
    """Misfit with the constant and two more terms, where the data tell them apart and no sign is clearly wrong."""
    for c in range(first, end):
        both = g21[c] - share2[c] * g10[c]
        good = left1[c] > 1e-11 * g11[c]
        pivot = left1[c] if good else 1.0
        second = both / pivot
        last = left2[c] - second * both
        apart = last > 1e-11 * g22[c]
        last = last if apart else 1.0
        free = rest2[c] - second * rest1[c]
        found = zz[c] + price - (alone[c] + rest1[c] * rest1[c] / pivot + free * free / last)
        x2 = free / last
        one, two = rest1[c], both * x2
        x1 = one - two
        wrong = sign1 * x1 < -_CLEARLY * (abs(one) + abs(two))
        wrong |= sign2 * free < -_CLEARLY * (abs(rest2[c]) + abs(second * rest1[c]))
        one, two = slope1[c] * x1 / pivot, slope2[c] * x2
        wrong |= falling * (one + two) > _CLEARLY * (abs(one) + abs(two))
        cost[c] = found if good & apart & (not wrong) else _NEVER


@vector_kernel
def _keep_least(cost: FloatArray, which: int, best: FloatArray, at: IntArray) -> None:
    """Keep the cheaper of the fits so far and this one."""
    for c in range(cost.size):
        less = cost[c] < best[c]
        best[c] = cost[c] if less else best[c]
        at[c] = which if less else at[c]


@kernel
def _solve(
    gram: FloatArray,
    right: FloatArray,
    value: FloatArray,
    slope: FloatArray,
    c: int,
    j: int,
    i: int,
    sign: int,
    a: FloatArray,
    b: FloatArray,
    x: FloatArray,
    inv: FloatArray,
    row: FloatArray,
) -> bool:
    """Solve one fit, of the constant and what of terms `j` and `i` is not 0; False where its coefficients may not be."""
    place = (0, j if j else i, i)
    n = 3 if j else (2 if i else 1)
    for p in range(n):
        b[p] = right[place[p], c]
        for q in range(p + 1):
            a[p, q] = a[q, p] = gram[place[p], place[q], c]
    if n == 1:
        x[0] = b[0] / a[0, 0]
        inv[0, 0] = 1.0 / a[0, 0]
    elif n == 2:
        det = a[0, 0] * a[1, 1] - a[1, 0] * a[1, 0]
        if not det > 1e-12 * a[0, 0] * a[1, 1]:
            return False
        inv[0, 0] = a[1, 1] / det
        inv[1, 1] = a[0, 0] / det
        inv[1, 0] = inv[0, 1] = -a[1, 0] / det
        x[0] = inv[0, 0] * b[0] + inv[0, 1] * b[1]
        x[1] = inv[1, 0] * b[0] + inv[1, 1] * b[1]
    elif not solve3(a, b, x, inv) or (sign < 0 and (x[1] > 0.0 or (x[2] < 0.0) == (sign == -1))):
        return False
    at = tilt = 0.0
    for p in range(n):
        at += x[p] * value[place[p], c]
        tilt += x[p] * slope[place[p], c]
    if not at > 0.0 or (sign > 0 and tilt > 0.0):
        return False
    var = 0.0
    for p in range(n):
        for q in range(n):
            var += value[place[p], c] * inv[p, q] * value[place[q], c]
    row[VALUE] = at
    row[SLOPE] = tilt
    row[VAR] = var
    return True


@kernel
def best_fits(
    gram: FloatArray,
    right: FloatArray,
    zz: FloatArray,
    value: FloatArray,
    slope: FloatArray,
    prices: FloatArray,
    signs: FloatArray,
    bare: int,
    falling: bool,
    two: tuple[int, int],
    three: tuple[int, int],
    stride: int,
    out: FloatArray,
) -> None:
    """Best fit of every candidate: a constant, with one more term, with two.

    Parameters
    ----------
    gram, right : (m, m, n), (m, n)
        Weighted products of the terms with one another (lower triangle) and with the data; term 0 is the constant.
    zz : (n,)
        Weighted square of the data.
    value, slope : (m, n)
        Terms and their slopes at the candidate.
    prices, signs : (m,)
        Price of each term; sign that its coefficient must have, 0 for either.
    bare
        A term that only stands beside the first one, as its square; 0 for none.
    falling
        Whether the curve must fall or stand at the candidate.
    two, three
        Candidates with readings enough for one more term, and for two: first, end.
    stride
        Rows of `out` from one candidate to the next.
    out : (>= stride (n - 1) + 1, N_SIDE)
        Result.
    """
    m, n = right.shape
    n_fit = 1 + (m - 1) + (m - 1) * (m - 2) // 2
    cost = np.full((n_fit, n), _NEVER)
    of = np.zeros((n_fit, 2), dtype=np.int64)
    share, left, rest = np.empty((m, n)), np.empty((m, n)), np.empty((m, n))
    alone = right[0] * right[0] / gram[0, 0]
    for c in range(n):
        cost[0, c] = zz[c] - alone[c]
    best = cost[0].copy()
    at = np.zeros(n, dtype=np.int64)
    down = 1.0 if falling else 0.0
    f = 1
    for i in range(1, m):
        _without_constant(gram[0, 0], gram[i, 0], gram[i, i], right[0], right[i], share[i], left[i], rest[i])
        if i == bare:
            continue
        of[f, 1] = i
        _cost_of_one(two[0], two[1], gram[i, i], left[i], rest[i], zz, alone, prices[i], cost[f])
        if signs[i] != 0.0:
            _wrong_sign(two[0], two[1], gram[0, 0], gram[i, 0], right[0], right[i], signs[i], cost[f])
        _keep_least(cost[f], f, best, at)
        f += 1
    for i in range(2, m):
        for j in range(1, i):
            if j == bare or (i == bare and j > 1):
                continue
            of[f, 0], of[f, 1] = j, i
            _cost_of_two(
                three[0], three[1], gram[i, i], gram[i, j], gram[j, 0], gram[j, j], share[i], left[j], left[i], rest[j],
                rest[i], slope[j], slope[i], zz, alone, prices[i] + prices[j], signs[j], signs[i], down, cost[f],
            )  # fmt: skip
            _keep_least(cost[f], f, best, at)
            f += 1
    a, b, x, inv = np.empty((3, 3)), np.empty(3), np.empty(3), np.empty((3, 3))
    for c in range(n):
        row = out[c * stride]
        row[COST] = _NEVER
        while best[c] < _NEVER:
            j, i = of[at[c], 0], of[at[c], 1]
            sign = 1 if falling else 0
            if signs[i] != 0.0:
                sign = -1 if signs[i] > 0.0 else -2
            if _solve(gram, right, value, slope, c, j, i, sign, a, b, x, inv, row):
                row[COST] = best[c]
                break
            cost[at[c], c] = _NEVER
            best[c] = _NEVER
            for g in range(f):
                if cost[g, c] < best[c]:
                    best[c] = cost[g, c]
                    at[c] = g
