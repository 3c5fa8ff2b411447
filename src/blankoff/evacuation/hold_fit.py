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

from blankoff.evacuation.noise import wander_of_residuals
from blankoff.physics.compiled import kernel

__all__ = ["LIBRARY", "OUT", "fit_blocks"]

FloatArray = NDArray[np.float64]

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

_PAIR_SHARES = np.array([0.2, 0.5, 0.8])
_KEEP_LN = 8.0
_KEPT = 96
_NODES = 13

OUT = 20
"""Numbers returned per hold; see `fit_blocks`."""


@kernel
def _whiten(cols: FloatArray, n: int, taus: int, t: FloatArray, level: FloatArray, var: FloatArray, size: float, memory: float) -> None:
    """Replace every column by its innovations under white noise plus AR(1) wander, scaled to unit variance."""
    w2 = size * size
    state = np.zeros(_COLUMNS)
    cov = w2
    for i in range(n):
        if i > 0:
            rho = math.exp(-(t[i] - t[i - 1]) / memory)
            cov = rho * rho * cov + w2 * (1.0 - rho * rho)
            for k in range(_COLUMNS):
                state[k] *= rho
        h = level[i]
        s = h * h * cov + var[i]
        gain = h * cov / s
        scale = 1.0 / math.sqrt(s)
        for k in range(_COLUMNS):
            e = cols[i, k] - h * state[k]
            state[k] += gain * e
            cols[i, k] = e * scale
        cov -= gain * h * cov


@kernel
def _gram(cols: FloatArray, n: int, gram: FloatArray) -> None:
    """Gram matrix of the whitened columns."""
    gram[:] = 0.0
    for i in range(n):
        for a in range(_COLUMNS):
            x = cols[i, a]
            if x != 0.0:
                for b in range(a, _COLUMNS):
                    gram[a, b] += x * cols[i, b]
    for a in range(_COLUMNS):
        for b in range(a):
            gram[a, b] = gram[b, a]


@kernel
def _eliminate(gram: FloatArray, rows: FloatArray) -> None:
    """Project the three nuisance columns out of the Gram matrix; `rows` keeps what back-substitution needs."""
    for j in range(3):
        pivot = gram[j, j]
        for a in range(_COLUMNS):
            rows[j, a] = gram[j, a] / pivot
        for a in range(j + 1, _COLUMNS):
            f = rows[j, a]
            if f != 0.0:
                for b in range(j + 1, _COLUMNS):
                    gram[a, b] -= f * gram[j, b]


@kernel
def _best(gss: float, gsl: float, gsy: float, gll: float, gly: float, top: float) -> tuple[float, float, float]:
    """Best c in [0, top] and L >= 0 of one shape, and half the drop in chi-square."""
    det = gss * gll - gsl * gsl
    c, straight = -1.0, -1.0
    if det > 1e-12 * gss * gll:
        c = (gsy * gll - gly * gsl) / det
        straight = (gly * gss - gsy * gsl) / det
    if c < 0.0 or straight < 0.0 or c > top:
        # the optimum lies on an edge: take the best of the three
        c1, l1 = 0.0, max(0.0, gly / gll)
        g1 = l1 * gly - 0.5 * l1 * l1 * gll
        c2, l2 = min(max(0.0, gsy / gss), top), 0.0
        g2 = c2 * gsy - 0.5 * c2 * c2 * gss
        c3, l3 = top, max(0.0, (gly - top * gsl) / gll)
        g3 = c3 * gsy + l3 * gly - 0.5 * (c3 * c3 * gss + 2.0 * c3 * l3 * gsl + l3 * l3 * gll)
        if g1 >= g2 and g1 >= g3:
            return c1, l1, g1
        if g2 >= g3:
            return c2, l2, g2
        return c3, l3, g3
    return c, straight, 0.5 * (c * gsy + straight * gly)


@kernel
def _ln_tail(z: float) -> float:
    """Natural logarithm of the upper tail of the standard normal, good for any z."""
    if z < 8.0:
        return math.log(0.5 * math.erfc(z * 0.7071067811865476))
    return -0.5 * z * z - math.log(z * 2.5066282746310002) - 1.0 / (z * z)


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
    table: FloatArray,
    table_scale: float,
    table_step: float,
    bend_scale: float,
    pair_share: float,
    slow_scale: float,
    wet_share: float,
    material: float,
    out: FloatArray,
) -> None:
    """Explain one hold.

    Parameters
    ----------
    t, p, var : (>= n,) float64
        Block means: seconds since isolation, microns, white and quantisation variance.
    warming_k : (>= n,) float64
        Ambient now minus ambient at isolation, as a fraction of absolute temperature.
    required_s
        Required hold.
    saturation_micron
        Saturation pressure of water at the ambient: bounds the saturating part.
    drift_sd
        Prior standard deviation of the drift coefficient about 1 (1 = ideal gas, about 18 = saturated vapour).
    table, table_scale, table_step
        See `hold_prior.SplitTable`.
    bend_scale, pair_share
        See `hold_prior.RisePrior`.
    material
        Material rise, microns.
    out : (OUT,) float64, overwritten
        0 leak within the required hold, 1 its s.e.; 2 saturating part within the required hold, 3 its s.e.;
        4 P(leak >= material), 5 P(saturating >= material); 6 effective time constant, s; 7 p0; 8 settling step;
        9 wander size, 10 wander memory s; 11 straight part L, 12 its s.e.; 13, 14 time constants of the best shape
        (second NaN if single), 15 share of the first, 16 c and 17 L of the best shape; 18 chi-square per block;
        19 posterior number of shapes that still count.
    """
    out[:] = np.nan
    hold_s = t[n - 1]
    longest = _LONGEST_TAU_HOLDS * hold_s
    tau = np.empty(LIBRARY)
    taus = 0
    for k in range(LIBRARY):
        x = longest / 2.0 ** (0.5 * k)
        if x < _SHORTEST_TAU_S and k > 2:
            break
        tau[k] = x
        taus += 1
    top_rise = np.empty(taus)
    for k in range(taus):
        top_rise[k] = 1.0 - math.exp(-required_s / tau[k])

    cols = np.zeros((n, _COLUMNS))
    gram = np.empty((_COLUMNS, _COLUMNS))
    rows = np.empty((3, _COLUMNS))
    origin = p[0]
    size, memory = 0.003, 150.0
    step_sd = 30.0 + 0.3 * p[0]
    best_gain = -1e300
    bi, bj, bw, bc, bl = 0, -1, 1.0, 0.0, 0.0
    gyy = 0.0
    for sweep in range(2):
        for i in range(n):
            cols[i, _ONE] = 1.0
            cols[i, _STEP] = math.exp(-t[i] / SETTLING_S)
            cols[i, _DRIFT] = p[i] * warming_k[i]
            cols[i, _LINE] = t[i] / required_s
            even = math.exp(-t[i] / longest)
            odd = math.exp(-t[i] * 1.4142135623730951 / longest)
            for k in range(taus):
                if k % 2 == 0:
                    cols[i, _EXP + k] = 1.0 - even
                    even *= even
                else:
                    cols[i, _EXP + k] = 1.0 - odd
                    odd *= odd
            for k in range(taus, LIBRARY):
                cols[i, _EXP + k] = 0.0
            cols[i, _Y] = p[i] - origin
        _whiten(cols, n, taus, t, p, var, size, memory)
        _gram(cols, n, gram)
        gram[_ONE, _ONE] += 1e-12
        gram[_STEP, _STEP] += 1.0 / (step_sd * step_sd)
        precision = 1.0 / (drift_sd * drift_sd)
        gram[_DRIFT, _DRIFT] += precision
        gram[_DRIFT, _Y] += precision
        gram[_Y, _DRIFT] += precision
        gram[_Y, _Y] += precision
        _eliminate(gram, rows)
        gll, gly = gram[_LINE, _LINE], gram[_LINE, _Y]
        gyy = gram[_Y, _Y]
        best_gain = -1e300
        for i in range(taus):
            gss, gsl, gsy, top = _shape_terms(gram, top_rise, i, -1, 1.0, saturation_micron)
            c, straight, gain = _best(gss, gsl, gsy, gll, gly, top)
            if gain > best_gain:
                best_gain, bi, bj, bw, bc, bl = gain, i, -1, 1.0, c, straight
        for i in range(0, taus, 2):
            for j in range(i + 2, taus, 2):
                for s in range(_PAIR_SHARES.size):
                    share = _PAIR_SHARES[s]
                    gss, gsl, gsy, top = _shape_terms(gram, top_rise, i, j, share, saturation_micron)
                    c, straight, gain = _best(gss, gsl, gsy, gll, gly, top)
                    if gain > best_gain:
                        best_gain, bi, bj, bw, bc, bl = gain, i, j, share, c, straight
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
        out[7] = origin + level
        out[8] = step
        if sweep == 0:
            residual = np.empty(n)
            for i in range(n):
                fitted = level + step * math.exp(-t[i] / SETTLING_S) + drift * p[i] * warming_k[i] + bl * t[i] / required_s
                fitted += a * (1.0 - math.exp(-t[i] / tau[bi]))
                if bj >= 0:
                    fitted += b * (1.0 - math.exp(-t[i] / tau[bj]))
                residual[i] = p[i] - origin - fitted
            size, memory = wander_of_residuals(t[:n], residual, p[:n], var[:n])
    out[9], out[10] = size, memory
    out[13] = tau[bi]
    if bj >= 0:
        out[14] = tau[bj]
    out[15], out[16], out[17] = bw, bc, bl
    out[18] = max(gyy - 2.0 * best_gain, 0.0) / n

    # posterior over the shapes that count
    pairs = max(1, (taus + 1) // 2 * ((taus + 1) // 2 - 1) // 2 * _PAIR_SHARES.size)
    ln_single = math.log((1.0 - pair_share) / taus)
    ln_pair = math.log(pair_share / pairs)
    offset = best_gain
    total, s_leak, s_leak2, s_sat, s_sat2, s_l, s_l2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    s_pl, s_pm, s_lntau, w_lntau, entropy = 0.0, 0.0, 0.0, 0.0, 0.0
    nodes = table.shape[0]
    tail = np.empty(6)
    for i in range(taus):
        for j in range(-1, taus):
            if j >= 0 and (j <= i + 1 or i % 2 == 1 or j % 2 == 1):
                continue
            for s in range(_PAIR_SHARES.size):
                if j < 0 and s > 0:
                    continue
                share = 1.0 if j < 0 else _PAIR_SHARES[s]
                gss, gsl, gsy, top = _shape_terms(gram, top_rise, i, j, share, saturation_micron)
                c, straight, gain = _best(gss, gsl, gsy, gll, gly, top)
                if gain < offset - _KEEP_LN:
                    continue
                ln_shape = (ln_single if j < 0 else ln_pair) - offset
                # range of L that this shape can explain: from its optimum outwards, never below zero
                narrow = 1.0 / math.sqrt(gll)
                marginal = gll - gsl * gsl / gss
                wide = min(1.0 / math.sqrt(max(marginal, 1e-4 * gll)), 100.0 * narrow)
                low = max(0.0, straight - 4.0 * wide)
                high = straight + 4.0 * wide
                # with c = 0 the straight part is at its largest
                ceiling = max(gly / gll, 0.0) + 4.0 * narrow
                high = max(min(high, ceiling), low + narrow)
                width = (high - low) / (_NODES - 1)
                sd_c = 1.0 / math.sqrt(gss)
                slow_sc = slow_scale * (1.0 + 3.0 * required_s / tau[i])
                for k in range(_NODES):
                    ell = low + k * width
                    m = (gsy - ell * gsl) / gss
                    ln_like = ell * gly - 0.5 * ell * ell * gll + 0.5 * m * m * gss
                    if ln_like + ln_shape < -_KEEP_LN - 8.0:
                        continue
                    # prior of c: bend / (bend + c)^2, taken as an exponential about its own mode
                    mode = min(max(m, 0.0), top)
                    tilt = 2.0 / (bend_scale + mode)
                    mu = m - tilt * sd_c * sd_c
                    ln_c = math.log(bend_scale) - 2.0 * math.log(bend_scale + mode) + tilt * mode
                    ln_c += 0.5 * (mu * mu - m * m) * gss
                    # a slow pool holds much, yet within a hold it adds tens, seldom hundreds; free water may add more
                    slow_c = share * mode
                    ln_c += math.log(
                        (1.0 - wet_share) * math.exp(-slow_c / slow_sc) / slow_sc
                        + wet_share * 300.0 / (300.0 + slow_c) ** 2
                    ) - math.log(bend_scale) + 2.0 * math.log(bend_scale + slow_c)
                    z0 = -mu / sd_c
                    z1 = (top - mu) / sd_c
                    ln_in = _ln_tail(z0)
                    if z1 < 6.0:
                        over = math.exp(_ln_tail(z1) - ln_in) if z1 > z0 else 1.0
                        ln_in += math.log(max(1.0 - over, 1e-12))
                    ln_c += ln_in + math.log(2.5066282746310002 * sd_c)
                    # table look-up by linear interpolation
                    x = math.log1p(ell / table_scale) / table_step
                    q = min(int(x), nodes - 2)
                    f = min(x - q, 1.0)
                    ln_prior = table[q, 0] + f * (table[q + 1, 0] - table[q, 0])
                    edge = 0.5 if k == 0 or k == _NODES - 1 else 1.0
                    weight = edge * width * math.exp(ln_like + ln_shape + ln_c + ln_prior)
                    if not weight > 0.0:
                        continue
                    # moments of c, a normal cut off at zero (and, seldom, at saturation)
                    hazard = math.exp(-0.5 * z0 * z0 - 0.9189385332046727 - ln_in)
                    mean_c = mu + sd_c * hazard
                    var_c = max(sd_c * sd_c * (1.0 - hazard * (hazard - z0)), 1e-12)
                    if mean_c > top:
                        mean_c = top
                    leak = table[q, 2] + f * (table[q + 1, 2] - table[q, 2])
                    leak2 = table[q, 3] + f * (table[q + 1, 3] - table[q, 3])
                    slow = max(ell - leak, 0.0)
                    sat = mean_c + slow
                    total += weight
                    s_leak += weight * leak
                    s_leak2 += weight * leak2
                    s_sat += weight * sat
                    s_sat2 += weight * (sat * sat + var_c + max(leak2 - leak * leak, 0.0))
                    s_l += weight * ell
                    s_l2 += weight * ell * ell
                    s_pl += weight * (table[q, 1] + f * (table[q + 1, 1] - table[q, 1]))
                    # P(c + slow >= material): slow in bins, c in closed form
                    above = 0.0
                    bins = table.shape[1] - 5
                    if mu - 5.0 * sd_c > material:
                        above = 1.0
                    else:
                        for d in range(bins):
                            need = material * (1.0 - (d + 0.5) / bins)
                            tail[d] = min(1.0, math.exp(min(_ln_tail((need - mu) / sd_c) - ln_in, 0.0)))
                        for d in range(bins):
                            above += tail[d] * (table[q, 4 + d] + f * (table[q + 1, 4 + d] - table[q, 4 + d]))
                        above += table[q, 4 + bins] + f * (table[q + 1, 4 + bins] - table[q, 4 + bins])
                    s_pm += weight * above
                    ln_tau = math.log(tau[i])
                    if j >= 0:
                        ln_tau = share * ln_tau + (1.0 - share) * math.log(tau[j])
                    s_lntau += weight * mean_c * ln_tau
                    w_lntau += weight * mean_c
    if total > 0.0:
        out[0] = s_leak / total
        out[1] = math.sqrt(max(s_leak2 / total - out[0] * out[0], 0.0))
        out[2] = s_sat / total
        out[3] = math.sqrt(max(s_sat2 / total - out[2] * out[2], 0.0))
        out[4] = s_pl / total
        out[5] = s_pm / total
        if w_lntau > 0.0:
            out[6] = math.exp(s_lntau / w_lntau)
        out[11] = s_l / total
        out[12] = math.sqrt(max(s_l2 / total - out[11] * out[11], 0.0))
