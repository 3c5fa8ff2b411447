"""An isolation as a gauge with lag shows it: the fall ends and the rise begins by and by. Kernels only.

A first-order lag L turns the pressure ``w + b u + c (exp(-u / tau) - 1)`` from the isolation on into readings

    v + L s (1 - e) + b (u - L (1 - e)) + c (tau / (tau - L) (exp(-u / tau) - e) - (1 - e)),    e = exp(-u / L)

where v is the reading and s its slope at the isolation, so that ``w = v + L s``. All is linear in v, b and c, and every
sum it needs runs over the readings once for all candidates.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.phases_sides import (
    RISE_TAUS_S,
    SLOPE,
    TAU_PRICE,
    TERM_PRICE,
    VALUE,
    VAR,
)
from blankoff.physics.compiled import copy_into, kernel
from blankoff.samples import FloatArray

LAGS_S = np.array([2.5, 6.0])
"""Lags of gauges and loggers that 1 s readings show (common practice)."""

_ONE, _TIMES_U, _SQUARED, _TIMES_Z = 0, 1, 2, 3


@kernel
def _least(
    g: FloatArray, r: FloatArray, zz: float, first: int, second: int, signs: FloatArray, price: float, best: float
) -> float:
    """Least misfit with the level and one or two more terms, if their signs are right; otherwise `best`."""
    g00, r0 = g[0, 0], r[0]
    a = g[first, first] - g[first, 0] * g[first, 0] / g00
    ra = r[first] - g[first, 0] * r0 / g00
    if not a > 1e-12 * g[first, first]:
        return best
    if second < 0:
        if ra * signs[first] < 0.0:
            return best
        return float(min(best, zz + price - r0 * r0 / g00 - ra * ra / a))
    b = g[second, second] - g[second, 0] * g[second, 0] / g00
    c = g[second, first] - g[second, 0] * g[first, 0] / g00
    rb = r[second] - g[second, 0] * r0 / g00
    det = a * b - c * c
    if not det > 1e-12 * a * b:
        return best
    x = (b * ra - c * rb) / det
    y = (a * rb - c * ra) / det
    if x * signs[first] < 0.0 or y * signs[second] < 0.0:
        return best
    return float(min(best, zz + price - r0 * r0 / g00 - x * ra - y * rb))


@kernel
def lagged_rises(
    t: FloatArray, z: FloatArray, w: FloatArray, lo: int, hi: int, before: FloatArray, out: FloatArray
) -> None:
    """Misfit of the readings from each candidate on, the isolation being halfway to the reading before it.

    Parameters
    ----------
    t, z, w
        Time, s; pressure, microns; weight (inverse variance).
    lo, hi
        Candidates: every reading from `lo` to `hi`.
    before
        ``(hi - lo + 1, N_SIDE)`` fits of the pumped side at the candidates: they set the level that the rise starts from.
    out
        ``(hi - lo + 1, len(LAGS_S))`` result: misfit with the prices of terms, the level's misfit included.
    """
    last = t.size - 1
    n_tau, n_lag = RISE_TAUS_S.size, LAGS_S.size
    n = n_tau + n_lag
    own_s = np.empty(n)
    copy_into(own_s[:n_tau], RISE_TAUS_S)
    copy_into(own_s[n_tau:], LAGS_S)
    e = np.zeros((n, 4))
    pair = np.zeros((n_tau, n_lag))
    rho = np.ones(n)
    fade = np.ones(n)
    g = np.empty((3, 3))
    r = np.empty(3)
    signs = np.array([1.0, 1.0, -1.0])
    w0 = w1 = w2 = z0 = z1 = zz = 0.0
    spacing = -1.0
    for k in range(last, lo - 1, -1):
        step = t[k + 1] - t[k] if k < last else 0.0
        if k < last and abs(step - spacing) > 1e-6:
            spacing = step
            for i in range(n):
                rho[i] = math.exp(-spacing / own_s[i])
        # times count from the candidate: what lies after it moves on by a step
        w2 += 2.0 * step * w1 + step * step * w0
        w1 += step * w0
        z1 += step * z0
        w0 += w[k]
        wz = w[k] * z[k]
        z0 += wz
        zz += wz * z[k]
        for i in range(n):
            e[i, _TIMES_U] = (e[i, _TIMES_U] + step * e[i, _ONE]) * rho[i]
            e[i, _ONE] = e[i, _ONE] * rho[i] + w[k]
            e[i, _SQUARED] = e[i, _SQUARED] * rho[i] * rho[i] + w[k]
            e[i, _TIMES_Z] = e[i, _TIMES_Z] * rho[i] + wz
        for i in range(n_tau):
            for j in range(n_lag):
                pair[i, j] = pair[i, j] * rho[i] * rho[n_tau + j] + w[k]
        if k > hi:
            continue
        row = before[k - lo]
        back = 0.5 * (t[k] - t[k - 1]) if k else 0.0
        for i in range(n):
            fade[i] = math.exp(-back / own_s[i])
        u1 = w1 + back * w0
        u2 = w2 + 2.0 * back * w1 + back * back * w0
        y1 = z1 + back * z0
        level = row[VALUE] - row[SLOPE] * back
        tied = 1.0 / max(row[VAR], 1e-9)
        for j in range(n_lag):
            lag = LAGS_S[j]
            f = fade[n_tau + j]
            one = f * e[n_tau + j, _ONE]
            by_u = f * (e[n_tau + j, _TIMES_U] + back * e[n_tau + j, _ONE])
            squared = f * f * e[n_tau + j, _SQUARED]
            by_z = f * e[n_tau + j, _TIMES_Z]
            trail = lag * row[SLOPE]
            line = u1 - lag * w0 + lag * one
            line_by_e = by_u - lag * one + lag * squared
            g[0, 0] = w0 + tied
            g[1, 0] = line
            g[1, 1] = u2 + lag * lag * (w0 + squared - 2.0 * one) - 2.0 * lag * (u1 - by_u)
            r[0] = z0 - trail * (w0 - one) + level * tied
            r[1] = y1 - lag * z0 + lag * by_z - trail * (line - line_by_e)
            rest = zz - 2.0 * trail * (z0 - by_z) + trail * trail * (w0 - 2.0 * one + squared) + level * level * tied
            best = _least(g, r, rest, 1, -1, signs, TERM_PRICE, 1e300)
            for i in range(n_tau):
                a = own_s[i] / (own_s[i] - lag)
                f = fade[i]
                slow = f * e[i, _ONE]
                slow_by_u = f * (e[i, _TIMES_U] + back * e[i, _ONE])
                both = f * fade[n_tau + j] * pair[i, j]
                g[2, 0] = a * (slow - one) - w0 + one
                g[2, 1] = a * (slow_by_u - lag * slow + lag * both) + (1.0 - a) * line_by_e - line
                g[2, 2] = a * a * f * f * e[i, _SQUARED] + (1.0 - a) * (1.0 - a) * squared + w0
                g[2, 2] += 2.0 * a * (1.0 - a) * both - 2.0 * a * slow - 2.0 * (1.0 - a) * one
                r[2] = a * f * e[i, _TIMES_Z] + (1.0 - a) * by_z - z0
                r[2] -= trail * (g[2, 0] - a * both - (1.0 - a) * squared + one)
                best = _least(g, r, rest, 2, -1, signs, TERM_PRICE + TAU_PRICE, best)
                best = _least(g, r, rest, 1, 2, signs, 2.0 * TERM_PRICE + TAU_PRICE, best)
            out[k - lo, j] = best
