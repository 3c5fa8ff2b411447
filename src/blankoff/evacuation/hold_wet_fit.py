"""Free water in the compiled fit: wet shapes beside the whitened columns, with pools and slack projected out.

A wet circuit also outgasses, and real water strays from any table: three pools with a normal prior and a little slack
along the straight line are nuisances of every wet shape, projected out once for all of them.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.hold_gram import DRIFT, EVENING, EXP, LINE, NUISANCES, ONE, STEP, Y, eliminate, with_prior
from blankoff.evacuation.hold_wet import SPAN, wet_shape
from blankoff.physics.compiled import kernel, vector_kernel

__all__ = ["WET_LINE", "WET_SIZE", "WET_SLACK", "WET_Y", "wet_gram", "wet_start", "wet_terms", "wet_terms_of_all"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_POOL_TAUS_S = np.array([30.0, 130.0, 550.0])
POOL_MEAN, _POOL_SD = 25.0, 40.0
"""Outgassing beside free water: three pools, each so many microns within the required hold (field's ranges)."""

# places in the small Gram matrix of the wet family: nuisances, three pools, slack of the shape, line, data
_W_POOL, _W_SLACK, WET_LINE, WET_Y, WET_SIZE = NUISANCES, NUISANCES + 3, NUISANCES + 4, NUISANCES + 5, NUISANCES + 6
WET_SLACK = 0.04
"""How far, as a share of the rise, real water may stray from the tabulated shapes along a straight line."""


@kernel
def wet_gram(
    gram: FloatArray,
    tau: FloatArray,
    taus: int,
    top_rise: FloatArray,
    pools: IntArray,
    slack: float,
    small: FloatArray,
    rows: FloatArray,
) -> float:
    """Set up the wet family from the un-projected Gram matrix; returns the log evidence of the pools' spread."""
    for s in range(3):
        best = 0
        for k in range(taus):
            if abs(math.log(tau[k] / _POOL_TAUS_S[s])) < abs(math.log(tau[best] / _POOL_TAUS_S[s])):
                best = k
        while s > 0 and best >= pools[s - 1] and best > 0:
            best -= 1
        pools[s] = best
    place = np.array([ONE, STEP, EVENING, DRIFT, EXP + pools[0], EXP + pools[1], EXP + pools[2], LINE, LINE, Y])
    scale = np.ones(WET_SIZE)
    for s in range(3):
        scale[_W_POOL + s] = 1.0 / top_rise[pools[s]]
    for a in range(WET_SIZE):
        for b in range(WET_SIZE):
            small[a, b] = gram[place[a], place[b]] * scale[a] * scale[b]
    for s in range(3):
        with_prior(small, _W_POOL + s, WET_Y, POOL_MEAN, _POOL_SD)
    with_prior(small, _W_SLACK, WET_Y, 0.0, slack)
    eliminate(small, rows, WET_LINE, WET_SIZE)
    ln_evidence = 0.0
    for s in range(3):
        ln_evidence -= 0.5 * math.log(max(small[_W_POOL + s, _W_POOL + s] * _POOL_SD * _POOL_SD, 1e-12))
    ln_evidence -= 0.5 * math.log(max(small[_W_SLACK, _W_SLACK] * slack * slack, 1e-12))
    return ln_evidence


@kernel
def wet_terms(
    wet_table: FloatArray, warming: int, tau: float, required_s: float, t: FloatArray, n: int, level: FloatArray,
    filt: FloatArray, cols: FloatArray, pools: IntArray, top_rise: FloatArray, small: FloatArray, rows: FloatArray,
    v: FloatArray, raw: FloatArray,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Gram entries of one wet shape, scaled to 1 at the required hold, and its end over its rise within the hold."""
    end = max(wet_shape(wet_table, warming, required_s / tau), 1e-6)
    v[:] = 0.0
    state, gww = 0.0, 0.0
    for i in range(n):
        x = wet_shape(wet_table, warming, t[i] / tau) / end
        raw[i] = x
        before = state * filt[i, 0]
        e = x - level[i] * before
        state = before + filt[i, 1] * e
        e *= filt[i, 2]
        gww += e * e
        for k in range(NUISANCES):
            v[k] += e * cols[i, k]
        for s in range(3):
            v[_W_POOL + s] += e * cols[i, EXP + pools[s]]
        v[_W_SLACK] += e * cols[i, LINE]
        v[WET_Y] += e * cols[i, Y]
    v[WET_LINE] = v[_W_SLACK]
    for s in range(3):
        v[_W_POOL + s] /= top_rise[pools[s]]
    # a shape that is all but one of the projected columns must not end as a difference of two equal numbers
    gww *= 1.0 + 1e-8
    for j in range(WET_LINE):
        f = v[j] / small[j, j]
        gww -= f * v[j]
        for b in range(j + 1, WET_SIZE):
            v[b] -= f * small[j, b]
    return max(gww, 1e-12), v[WET_LINE], v[WET_Y], 1.0 / end


@vector_kernel
def _next_innovations(
    time_s: float, level: float, rho: float, gain: float, scale: float, tables: FloatArray, begin: IntArray,
    points: int, per_tau: float, tau: FloatArray, end: FloatArray, work: FloatArray,
) -> None:  # fmt: skip
    """Filter one reading in all wet shapes: `wet_shape` and what follows it in `wet_terms`, shape by shape.

    Rows of `work`: 0 place in the table, then share of the rise; 1 state, 2 innovation, 3 sum of their squares.
    """
    shapes = tau.size
    for s in range(shapes):
        work[0, s] = min(time_s / tau[s] * per_tau, points)
    for s in range(shapes):
        k = int(work[0, s])
        at = begin[s] + min(k, points - 1)
        rise = tables[at] + (work[0, s] - k) * (tables[at + 1] - tables[at])
        work[0, s] = rise if k < points else 1.0
    for s in range(shapes):
        before = work[1, s] * rho
        off = work[0, s] / end[s] - level * before
        work[1, s] = before + gain * off
        off *= scale
        work[2, s] = off
        work[3, s] += off * off


@vector_kernel
def _add_innovations(work: FloatArray, by: FloatArray, total: FloatArray) -> None:
    """Add the innovations of all shapes, times each of some factors."""
    for k in range(by.size):
        factor = by[k]
        for s in range(work.shape[1]):
            total[k, s] += work[2, s] * factor


@vector_kernel
def _take_off(f: FloatArray, by: float, total: FloatArray) -> None:
    """Take the same multiple off in all shapes."""
    for s in range(f.size):
        total[s] -= f[s] * by


@kernel
def wet_terms_of_all(
    wet_table: FloatArray, warming: IntArray, tau: FloatArray, required_s: float, t: FloatArray, n: int, level: FloatArray,
    filt: FloatArray, cols: FloatArray, pools: IntArray, top_rise: FloatArray, small: FloatArray, out: FloatArray,
) -> None:  # fmt: skip
    """`wet_terms` of many shapes at once, the same numbers; into rows of `out`, ``(4, shapes)``."""
    shapes, points = tau.size, wet_table.shape[1] - 1
    tables = wet_table.copy().reshape(-1)
    begin = warming * (points + 1)
    end, work, by = np.empty(shapes), np.zeros((4, shapes)), np.zeros(WET_SIZE)
    for s in range(shapes):
        end[s] = max(wet_shape(wet_table, warming[s], required_s / tau[s]), 1e-6)
    v = np.zeros((WET_SIZE, shapes))
    for i in range(n):
        _next_innovations(
            t[i], level[i], filt[i, 0], filt[i, 1], filt[i, 2], tables, begin, points, points / SPAN, tau, end, work
        )
        for k in range(NUISANCES):
            by[k] = cols[i, k]
        for k in range(3):
            by[_W_POOL + k] = cols[i, EXP + pools[k]]
        by[_W_SLACK], by[WET_Y] = cols[i, LINE], cols[i, Y]
        _add_innovations(work, by, v)
    v[WET_LINE] = v[_W_SLACK]
    for k in range(3):
        v[_W_POOL + k] /= top_rise[pools[k]]
    gww = work[3] * (1.0 + 1e-8)
    for j in range(WET_LINE):
        f = v[j] / small[j, j]
        gww -= f * v[j]
        for b in range(j + 1, WET_SIZE):
            _take_off(f, small[j, b], v[b])
    out[0], out[1], out[2], out[3] = np.maximum(gww, 1e-12), v[WET_LINE], v[WET_Y], 1.0 / end


@kernel
def wet_start(
    first: float, small: FloatArray, rows: FloatArray, v: FloatArray, c: float, straight: float, out: FloatArray
) -> None:
    """Pressure at isolation and step beside the best wet shape, worked back into `out` (see `hold_fit.fit_blocks`)."""
    x = np.empty(WET_LINE)
    for j in range(WET_LINE - 1, -1, -1):
        # v[j] is the wet shape's projected product with nuisance j, as it stood when j was projected out
        x[j] = rows[j, WET_Y] - rows[j, WET_LINE] * straight - v[j] / small[j, j] * c
        for k in range(j + 1, WET_LINE):
            x[j] -= rows[j, k] * x[k]
    out[7] = first + x[ONE]
    out[8] = x[STEP] + x[EVENING]
