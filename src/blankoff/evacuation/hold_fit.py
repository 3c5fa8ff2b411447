"""The compiled heart of the hold fit: one hold's block means in, its rise explained out.

Model of the pressure after isolation, seconds ``t``::

    p(t) = p0 + step exp(-t / 7 s) + drift(t) + L t / T + c s(t),     L >= 0,  0 <= c <= saturation

``L`` is the straight part and ``c`` the saturating part, both in microns within the required hold ``T``; ``s`` is one
exponential approach or a mixture of two, from a library of time constants, scaled to 1 at ``T``. Everything but the
shape enters linearly (variable projection): one generalised Gram matrix of all library columns, whitened for white
noise, quantisation and slow wander, gives the fit of every shape in a few operations. The posterior sums over shapes,
over ``L`` on nodes and over ``c`` in closed form, so that what cannot be told apart stays apart in no number.

References
----------
.. [1] G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413: separable least squares (from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.hold_posterior import (
    ORDINARY,
    PAIR,
    SLOW,
    SMALL,
    SMALL_SHARE,
    SUMS,
    WET,
    WET_SHARE,
    accumulate,
    best_parts,
)
from blankoff.evacuation.hold_wet import CHILLS_K, wet_shape
from blankoff.evacuation.noise import wander_of_residuals
from blankoff.physics.compiled import kernel

__all__ = ["LIBRARY", "OUT", "fit_blocks"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LIBRARY = 20
"""Most time constants in the library; spaced by the square root of two."""
SETTLING_S = 7.0
"""Time constant of the step after isolation: gas evening out along the line, gauge lag (common practice, no source)."""
_SHORTEST_TAU_S = 16.0
_LONGEST_TAU_HOLDS = 4.0

# columns of the whitened matrix
_ONE, _STEP, _DRIFT, _LINE, _EXP = 0, 1, 2, 3, 4
_Y = _EXP + LIBRARY
_COLUMNS = _Y + 1

_PAIR_SHARES = np.array([0.3, 0.7])

_WET_TAUS = 20
_WET_SHORTEST_S = 12.0
_CHILLS = len(CHILLS_K)
_WET_COLUMNS = _WET_TAUS * _CHILLS + 4
WET_RISE_MICRON = 120.0
"""Free water is thought of only where the hold rose by this much: it makes thousands, or has been boiled off."""
_POOL_TAUS_S = np.array([30.0, 130.0, 550.0])
_POOL_MEAN, _POOL_SD, _POOL_SLACK = 25.0, 40.0, 0.0
"""Outgassing beside free water: three pools, each so many microns within the required hold (field's ranges)."""

OUT = 20
"""Numbers returned per hold; see `fit_blocks`."""


@kernel
def _gains(n: int, t: FloatArray, level: FloatArray, var: FloatArray, size: float, memory: float, filt: FloatArray) -> None:
    """Kalman filter of AR(1) wander plus white noise: per block 0 memory factor, 1 gain, 2 weight of the innovation."""
    w2 = size * size
    cov = w2
    for i in range(n):
        rho = math.exp(-(t[i] - t[i - 1]) / memory) if i > 0 else 0.0
        if i > 0:
            cov = rho * rho * cov + w2 * (1.0 - rho * rho)
        h = level[i]
        s = h * h * cov + var[i]
        gain = h * cov / s
        filt[i, 0], filt[i, 1], filt[i, 2] = rho, gain, 1.0 / math.sqrt(s)
        cov -= gain * h * cov


@kernel
def _whiten(cols: FloatArray, n: int, used: int, level: FloatArray, filt: FloatArray) -> None:
    """Replace every column by its innovations, scaled to unit variance."""
    state = np.zeros(_COLUMNS)
    for i in range(n):
        rho, gain, scale, h = filt[i, 0], filt[i, 1], filt[i, 2], level[i]
        for k in range(used):
            before = state[k] * rho
            e = cols[i, k] - h * before
            state[k] = before + gain * e
            cols[i, k] = e * scale
        before = state[_Y] * rho
        e = cols[i, _Y] - h * before
        state[_Y] = before + gain * e
        cols[i, _Y] = e * scale


@kernel
def _gram(cols: FloatArray, n: int, used: int, gram: FloatArray) -> None:
    """Gram matrix of the whitened columns."""
    gram[:] = 0.0
    for i in range(n):
        y = cols[i, _Y]
        for a in range(used):
            x = cols[i, a]
            for b in range(a, used):
                gram[a, b] += x * cols[i, b]
            gram[a, _Y] += x * y
        gram[_Y, _Y] += y * y
    for a in range(_COLUMNS):
        for b in range(a):
            gram[a, b] = gram[b, a]


@kernel
def _with_prior(gram: FloatArray, k: int, y: int, mean: float, sd: float) -> None:
    """Add a normal prior on the coefficient of column `k`."""
    w = 1.0 / (sd * sd)
    gram[k, k] += w
    gram[k, y] += w * mean
    gram[y, k] += w * mean
    gram[y, y] += w * mean * mean


@kernel
def _eliminate(gram: FloatArray, rows: FloatArray, nuisances: int, size: int) -> None:
    """Project the first columns out of the Gram matrix; `rows` keeps what back-substitution needs."""
    for j in range(nuisances):
        pivot = gram[j, j]
        for a in range(j, size):
            rows[j, a] = gram[j, a] / pivot
        for a in range(j + 1, size):
            f = rows[j, a]
            if f != 0.0:
                for b in range(j + 1, size):
                    gram[a, b] -= f * gram[j, b]


@kernel
def _shape_terms(
    gram: FloatArray, top_rise: FloatArray, i: int, j: int, share: float, limit: float
) -> tuple[float, float, float, float]:
    """Gram entries of a shape scaled to 1 at the required hold, and its highest physical amplitude."""
    a = share / top_rise[i]
    gss = a * a * gram[_EXP + i, _EXP + i]
    gsl = a * gram[_LINE, _EXP + i]
    gsy = a * gram[_EXP + i, _Y]
    full = a
    if j >= 0:
        b = (1.0 - share) / top_rise[j]
        gss += 2.0 * a * b * gram[_EXP + i, _EXP + j] + b * b * gram[_EXP + j, _EXP + j]
        gsl += b * gram[_LINE, _EXP + j]
        gsy += b * gram[_EXP + j, _Y]
        full += b
    # c * full is the amplitude at infinite time, which saturation at the ambient bounds
    return gss, gsl, gsy, limit / full


# places in the small Gram matrix of the wet family: nuisances, three pools, slack of the shape, line, data
_W_POOL, _W_SLACK, _W_LINE, _W_Y, _W_SIZE = 3, 6, 7, 8, 9
_WET_SLACK = 0.04
"""How far, as a share of the rise, real water may stray from the tabulated shapes along a straight line."""
_WET_MEDIAN_S, _WET_LN_SD = 240.0, 1.3
"""Prior of water's time of 63 per cent: minutes, seldom hours (this project's judgement)."""


@kernel
def _wet_gram(gram: FloatArray, tau: FloatArray, taus: int, top_rise: FloatArray, pools: IntArray, slack: float, small: FloatArray, rows: FloatArray) -> float:
    """Set up the wet family from the un-projected Gram matrix; returns the log evidence of the pools' spread."""
    pool_sd = _POOL_SD + _POOL_SLACK / _WET_SLACK * slack
    for s in range(3):
        best = 0
        for k in range(taus):
            if abs(math.log(tau[k] / _POOL_TAUS_S[s])) < abs(math.log(tau[best] / _POOL_TAUS_S[s])):
                best = k
        while s > 0 and best >= pools[s - 1] and best > 0:
            best -= 1
        pools[s] = best
    place = np.array([_ONE, _STEP, _DRIFT, _EXP + pools[0], _EXP + pools[1], _EXP + pools[2], _LINE, _LINE, _Y])
    scale = np.ones(_W_SIZE)
    for s in range(3):
        scale[_W_POOL + s] = 1.0 / top_rise[pools[s]]
    for a in range(_W_SIZE):
        for b in range(_W_SIZE):
            small[a, b] = gram[place[a], place[b]] * scale[a] * scale[b]
    for s in range(3):
        _with_prior(small, _W_POOL + s, _W_Y, _POOL_MEAN, pool_sd)
    _with_prior(small, _W_SLACK, _W_Y, 0.0, slack)
    _eliminate(small, rows, _W_LINE, _W_SIZE)
    ln_evidence = 0.0
    for s in range(3):
        ln_evidence -= 0.5 * math.log(max(small[_W_POOL + s, _W_POOL + s] * pool_sd * pool_sd, 1e-12))
    ln_evidence -= 0.5 * math.log(max(small[_W_SLACK, _W_SLACK] * slack * slack, 1e-12))
    return ln_evidence


@kernel
def _wet_terms(
    wet_table: FloatArray, chill: int, tau: float, required_s: float, t: FloatArray, n: int, level: FloatArray,
    filt: FloatArray, cols: FloatArray, pools: IntArray, top_rise: FloatArray, small: FloatArray, rows: FloatArray,
    v: FloatArray, raw: FloatArray,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Gram entries of one wet shape, scaled to 1 at the required hold, and its end over its rise within the hold."""
    end = max(wet_shape(wet_table, chill, required_s / tau), 1e-6)
    v[:] = 0.0
    state, gww = 0.0, 0.0
    for i in range(n):
        x = wet_shape(wet_table, chill, t[i] / tau) / end
        raw[i] = x
        before = state * filt[i, 0]
        e = x - level[i] * before
        state = before + filt[i, 1] * e
        e *= filt[i, 2]
        gww += e * e
        v[0] += e * cols[i, _ONE]
        v[1] += e * cols[i, _STEP]
        v[2] += e * cols[i, _DRIFT]
        v[3] += e * cols[i, _EXP + pools[0]]
        v[4] += e * cols[i, _EXP + pools[1]]
        v[5] += e * cols[i, _EXP + pools[2]]
        v[6] += e * cols[i, _LINE]
        v[8] += e * cols[i, _Y]
    v[7] = v[6]
    for s in range(3):
        v[_W_POOL + s] /= top_rise[pools[s]]
    # a shape that is all but one of the projected columns must not end as a difference of two equal numbers
    gww *= 1.0 + 1e-8
    for j in range(_W_LINE):
        f = v[j] / small[j, j]
        gww -= f * v[j]
        for b in range(j + 1, _W_SIZE):
            v[b] -= f * small[j, b]
    return max(gww, 1e-12), v[_W_LINE], v[_W_Y], 1.0 / end


@kernel
def _wet_residual(
    t: FloatArray, p: FloatArray, n: int, warming_k: FloatArray, required_s: float, tau: FloatArray, pools: IntArray,
    top_rise: FloatArray, small: FloatArray, rows: FloatArray, v: FloatArray, raw: FloatArray, c: float, straight: float,
    residual: FloatArray, out: FloatArray,
) -> None:  # fmt: skip
    """What the best wet shape leaves over, its nuisance coefficients worked back; sets p0 and the step in `out`."""
    x = np.empty(_W_LINE)
    for j in range(_W_LINE - 1, -1, -1):
        # v[j] is the wet shape's projected product with nuisance j, as it stood when j was projected out
        x[j] = rows[j, _W_Y] - rows[j, _W_LINE] * straight - v[j] / small[j, j] * c
        for k in range(j + 1, _W_LINE):
            x[j] -= rows[j, k] * x[k]
    out[7] = p[0] + x[0]
    out[8] = x[1]
    for i in range(n):
        fitted = x[0] + x[1] * math.exp(-t[i] / SETTLING_S) + x[2] * p[i] * warming_k[i]
        fitted += (straight + x[_W_SLACK]) * t[i] / required_s + c * raw[i]
        for s in range(3):
            k = pools[s]
            fitted += x[_W_POOL + s] * (1.0 - math.exp(-t[i] / tau[k])) / top_rise[k]
        residual[i] = p[i] - p[0] - fitted


@kernel
def _fill(cols: FloatArray, n: int, taus: int, longest: float, t: FloatArray, p: FloatArray, warming_k: FloatArray, required_s: float) -> None:
    """Raw columns: constant, settling step, drift, line, library of exponential approaches, data."""
    for i in range(n):
        cols[i, _ONE] = 1.0
        cols[i, _STEP] = math.exp(-t[i] / SETTLING_S)
        cols[i, _DRIFT] = p[i] * warming_k[i]
        cols[i, _LINE] = t[i] / required_s
        # the library's time constants fall by the root of two, so squaring walks down it: two exponentials do for all
        even = math.exp(-t[i] / longest)
        odd = math.exp(-t[i] * 1.4142135623730951 / longest)
        for k in range(taus):
            if k % 2 == 0:
                cols[i, _EXP + k] = 1.0 - even
                even *= even
            else:
                cols[i, _EXP + k] = 1.0 - odd
                odd *= odd
        cols[i, _Y] = p[i] - p[0]


@kernel
def fit_blocks(
    t: FloatArray,
    p: FloatArray,
    var: FloatArray,
    warming_k: FloatArray,
    n: int,
    required_s: float,
    saturation_micron: float,
    drift_sd: float,
    tables: FloatArray,
    table_scale: float,
    table_step: float,
    wet_table: FloatArray,
    belief: FloatArray,
    out: FloatArray,
) -> None:
    """Explain one hold.

    Parameters
    ----------
    t, p, var : (>= n,) float64
        Block means: seconds since isolation, microns, white and quantisation variance.
    warming_k : (>= n,) float64
        Ambient now less ambient at isolation, as a fraction of absolute temperature.
    required_s
        Required hold.
    saturation_micron
        Saturation pressure of water at the ambient less the pressure at isolation: bounds the saturating part.
    drift_sd
        Prior standard deviation of the drift coefficient about 1 (1 = ideal gas, about 18 = saturated vapour).
    tables : (2, nodes, columns)
        `hold_prior.SplitTable` values for an ordinary circuit and one that outgasses very little.
    table_scale, table_step
        Their nodes.
    wet_table
        `hold_wet.WET_SHAPES`.
    belief
        `hold_prior.RisePrior.vector`.
    out : (OUT,) float64, overwritten
        0 leak within the required hold, 1 its s.e.; 2 saturating part within the required hold, 3 its s.e.;
        4 P(leak >= material), 5 P(saturating >= material); 6 effective time constant, s; 7 p0; 8 settling step (what
        was still to come at isolation, with a minus sign); 9 wander size, 10 wander memory s; 11 straight part L,
        12 its s.e.; 13, 14 time constants of the best shape (second NaN if single), 15 share of the first (of the
        slower); 16 c and 17 L of the best shape; 18 chi-square per block; 19 posterior share of free water.
    """
    out[:] = np.nan
    longest = _LONGEST_TAU_HOLDS * max(t[n - 1], required_s)
    tau = np.empty(LIBRARY)
    taus = 0
    for k in range(LIBRARY):
        x = longest / 2.0 ** (0.5 * k)
        if x < _SHORTEST_TAU_S and k > 5:
            break
        tau[k] = x
        taus += 1
    top_rise = np.empty(taus)
    for k in range(taus):
        top_rise[k] = 1.0 - math.exp(-required_s / tau[k])
    used = _EXP + taus
    cols = np.zeros((n, _COLUMNS))
    gram = np.empty((_COLUMNS, _COLUMNS))
    rows = np.empty((3, _COLUMNS))
    filt = np.empty((n, 3))
    small = np.empty((_W_SIZE, _W_SIZE))
    small_rows = np.empty((_W_SIZE, _W_SIZE))
    pools = np.zeros(3, dtype=np.int64)
    v = np.empty(_W_SIZE)
    raw, residual = np.empty(n), np.empty(n)
    wet_terms = np.empty((_WET_COLUMNS, 6))
    size, memory = 0.003, 150.0
    step_sd = 30.0 + 0.3 * p[0]
    rising = max(p[n - 1], p[n // 2]) - min(p[0], p[1]) > WET_RISE_MICRON and saturation_micron > WET_RISE_MICRON
    slack = max(_WET_SLACK * (max(p[n - 1], p[n // 2]) - p[0]) * required_s / t[n - 1], 1.0)
    bi, bj, bw, bc, bl = 0, -1, 1.0, 0.0, 0.0
    dry_gain, wet_gain, ln_pools, gyy = -1e300, -1e300, 0.0, 0.0
    wet_count = 0
    for sweep in range(2):
        _fill(cols, n, taus, longest, t, p, warming_k, required_s)
        _gains(n, t, p, var, size, memory, filt)
        _whiten(cols, n, used, p, filt)
        _gram(cols, n, used, gram)
        gram[_ONE, _ONE] += 1e-12
        _with_prior(gram, _STEP, _Y, 0.0, step_sd)
        _with_prior(gram, _DRIFT, _Y, 1.0, drift_sd)
        wet_base = 0.0
        if rising:
            ln_pools = _wet_gram(gram, tau, taus, top_rise, pools, slack, small, small_rows)
        _eliminate(gram, rows, 3, _COLUMNS)
        gll, gly = gram[_LINE, _LINE], gram[_LINE, _Y]
        gyy = gram[_Y, _Y]
        dry_gain = -1e300
        for i in range(taus):
            gss, gsl, gsy, top = _shape_terms(gram, top_rise, i, -1, 1.0, saturation_micron)
            c, straight, gain = best_parts(gss, gsl, gsy, gll, gly, top)
            if gain > dry_gain:
                dry_gain, bi, bj, bw, bc, bl = gain, i, -1, 1.0, c, straight
        for i in range(0, taus, 2):
            for j in range(i + 2, taus, 2):
                for s in range(_PAIR_SHARES.size):
                    share = _PAIR_SHARES[s]
                    gss, gsl, gsy, top = _shape_terms(gram, top_rise, i, j, share, saturation_micron)
                    c, straight, gain = best_parts(gss, gsl, gsy, gll, gly, top)
                    if gain > dry_gain:
                        dry_gain, bi, bj, bw, bc, bl = gain, i, j, share, c, straight
        a = bc * bw / top_rise[bi]
        b = bc * (1.0 - bw) / top_rise[bj] if bj >= 0 else 0.0
        drift = rows[_DRIFT, _Y] - rows[_DRIFT, _LINE] * bl - rows[_DRIFT, _EXP + bi] * a
        step = rows[_STEP, _Y] - rows[_STEP, _LINE] * bl - rows[_STEP, _EXP + bi] * a
        level = rows[_ONE, _Y] - rows[_ONE, _LINE] * bl - rows[_ONE, _EXP + bi] * a
        if bj >= 0:
            drift -= rows[_DRIFT, _EXP + bj] * b
            step -= rows[_STEP, _EXP + bj] * b
            level -= rows[_ONE, _EXP + bj] * b
        step -= rows[_STEP, _DRIFT] * drift
        level -= rows[_ONE, _DRIFT] * drift + rows[_ONE, _STEP] * step
        out[7] = p[0] + level
        out[8] = step
        for i in range(n):
            fitted = level + step * math.exp(-t[i] / SETTLING_S) + drift * p[i] * warming_k[i] + bl * t[i] / required_s
            fitted += a * (1.0 - math.exp(-t[i] / tau[bi]))
            if bj >= 0:
                fitted += b * (1.0 - math.exp(-t[i] / tau[bj]))
            residual[i] = p[i] - p[0] - fitted
        wet_count = 0
        wet_gain = -1e300
        if rising:
            gll_w, gly_w = small[_W_LINE, _W_LINE], small[_W_LINE, _W_Y]
            wet_base = 0.5 * (gyy - small[_W_Y, _W_Y])
            bk, bd, bt = 0, 0, 1.0
            wc, wl = 0.0, 0.0
            # the first sweep only wants what is left over: the plain exponential, every octave
            for d in range(_CHILLS if sweep == 1 else 1):
                for k in range(0, _WET_TAUS, 2 - sweep):
                    tau_w = _WET_SHORTEST_S * 2.0 ** (0.5 * k)
                    gss, gsl, gsy, full = _wet_terms(
                        wet_table, d, tau_w, required_s, t, n, p, filt, cols, pools, top_rise, small, small_rows, v, raw
                    )
                    c, straight, gain = best_parts(gss, gsl, gsy, gll_w, gly_w, 1.12 * saturation_micron / full)
                    wet_terms[wet_count, 0], wet_terms[wet_count, 1], wet_terms[wet_count, 2] = gss, gsl, gsy
                    wet_terms[wet_count, 3], wet_terms[wet_count, 4], wet_terms[wet_count, 5] = full, tau_w, 1.0
                    if gain + wet_base > wet_gain:
                        wet_gain, bk, bd, bt = gain + wet_base, wet_count, d, tau_w
                        wc, wl = c, straight
                    wet_count += 1
            if sweep == 1:
                # the best one's neighbourhood, four times as fine
                wet_terms[bk, 5] = 0.2
                for f in (-0.25, -0.125, 0.125, 0.25):
                    tau_w = bt * 2.0**f
                    gss, gsl, gsy, full = _wet_terms(
                        wet_table, bd, tau_w, required_s, t, n, p, filt, cols, pools, top_rise, small, small_rows, v, raw
                    )
                    c, straight, gain = best_parts(gss, gsl, gsy, gll_w, gly_w, 1.12 * saturation_micron / full)
                    wet_terms[wet_count, 0], wet_terms[wet_count, 1], wet_terms[wet_count, 2] = gss, gsl, gsy
                    wet_terms[wet_count, 3], wet_terms[wet_count, 4], wet_terms[wet_count, 5] = full, tau_w, 0.2
                    wet_count += 1
                    if gain + wet_base > wet_gain:
                        wet_gain, bt, wc, wl = gain + wet_base, tau_w, c, straight
            if wet_gain + ln_pools > dry_gain:
                # what the wet fit leaves over: whitened innovations cannot give it, so its coefficients are worked back
                _wet_terms(wet_table, bd, bt, required_s, t, n, p, filt, cols, pools, top_rise, small, small_rows, v, raw)
                _wet_residual(t, p, n, warming_k, required_s, tau, pools, top_rise, small, small_rows, v, raw, wc, wl, residual, out)
        if sweep == 0:
            size, memory = wander_of_residuals(t[:n], residual, p[:n], var[:n])
    out[9], out[10] = size, memory
    out[13] = tau[bi]
    if bj >= 0:
        out[14] = tau[bj]
    out[15], out[16], out[17] = bw, bc, bl
    offset = max(dry_gain, wet_gain + ln_pools) if rising else dry_gain
    out[18] = max(gyy - 2.0 * max(dry_gain, wet_gain), 0.0) / n

    sums = np.zeros(SUMS)
    gll, gly = gram[_LINE, _LINE], gram[_LINE, _Y]
    pairs = max(1, (taus + 1) // 2 * ((taus + 1) // 2 - 1) // 2 * _PAIR_SHARES.size)
    dry = math.log(1.0 - belief[WET_SHARE])
    ln_single = math.log((1.0 - belief[PAIR]) / taus) + dry - offset
    ln_pair = math.log(belief[PAIR] / pairs) + dry - offset
    ln_small = math.log(belief[SMALL_SHARE])
    ln_ordinary = math.log(1.0 - belief[SMALL_SHARE])
    for i in range(taus):
        for j in range(-1, taus):
            if j >= 0 and (j <= i + 1 or i % 2 == 1 or j % 2 == 1):
                continue
            for s in range(_PAIR_SHARES.size):
                if j < 0 and s > 0:
                    continue
                share = 1.0 if j < 0 else _PAIR_SHARES[s]
                gss, gsl, gsy, top = _shape_terms(gram, top_rise, i, j, share, saturation_micron)
                full = saturation_micron / top
                base = ln_single if j < 0 else ln_pair
                slow_scale = belief[SLOW] * (1.0 + 3.0 * required_s / tau[i])
                ln_tau = math.log(tau[i])
                if j >= 0:
                    ln_tau = share * ln_tau + (1.0 - share) * math.log(tau[j])
                accumulate(
                    sums, ORDINARY, gss, gsl, gsy, gll, gly, top, full, base + ln_ordinary, share, slow_scale, 0.0,
                    saturation_micron, ln_tau, tables[0], table_scale, table_step, belief,
                )  # fmt: skip
                accumulate(
                    sums, SMALL, gss, gsl, gsy, gll, gly, top, full, base + ln_small, share, slow_scale, 0.0,
                    saturation_micron, ln_tau, tables[1], table_scale, table_step, belief,
                )  # fmt: skip
    before_wet = sums[0]
    if rising:
        gll, gly = small[_W_LINE, _W_LINE], small[_W_LINE, _W_Y]
        # weights of the time constants, half an octave apart
        ln_wet = math.log(belief[WET_SHARE] / _CHILLS * 0.34657359 / (_WET_LN_SD * 2.5066282746)) + ln_pools + 0.5 * (gyy - small[_W_Y, _W_Y]) - offset
        for k in range(wet_count):
            full = wet_terms[k, 3]
            z = math.log(wet_terms[k, 4] / _WET_MEDIAN_S) / _WET_LN_SD
            accumulate(
                sums, WET, wet_terms[k, 0], wet_terms[k, 1], wet_terms[k, 2], gll, gly, 1.12 * saturation_micron / full,
                full, ln_wet - 0.5 * z * z + math.log(wet_terms[k, 5]), 1.0, 1.0, 2.0 * _POOL_MEAN, saturation_micron,
                math.log(wet_terms[k, 4]), tables[0], table_scale, table_step, belief,
            )  # fmt: skip
    total = sums[0]
    if total > 0.0:
        out[0] = sums[1] / total
        out[1] = math.sqrt(max(sums[2] / total - out[0] * out[0], 0.0))
        out[2] = sums[3] / total
        out[3] = math.sqrt(max(sums[4] / total - out[2] * out[2], 0.0))
        out[4] = sums[7] / total
        out[5] = sums[8] / total
        if sums[10] > 0.0:
            out[6] = math.exp(sums[9] / sums[10])
        out[11] = sums[5] / total
        out[12] = math.sqrt(max(sums[6] / total - out[11] * out[11], 0.0))
        out[19] = (total - before_wet) / total
