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

from blankoff.evacuation.hold_gram import (
    COLUMNS,
    DRIFT,
    EVENING,
    EXP,
    LIBRARY,
    LINE,
    NUISANCES,
    ONE,
    SETTLING_S,
    STEP,
    WIDTH,
    Y,
    eliminate,
    fill_columns,
    filter_gains,
    gram_matrix,
    shape_terms,
    whiten_columns,
    with_prior,
)
from blankoff.evacuation.hold_posterior import (
    EVENING_LEAST,
    EVENING_SHARE,
    ORDINARY,
    PAIR,
    QUICK,
    QUICK_SHARE,
    QUICK_SLOW,
    SLOW,
    STATE_SUMS,
    SUMS,
    WET,
    WET_SHARE,
    accumulate,
    best_parts,
)
from blankoff.evacuation.hold_wet import WARMING
from blankoff.evacuation.hold_wet_fit import (
    POOL_MEAN,
    WET_LINE,
    WET_SIZE,
    WET_SLACK,
    WET_Y,
    wet_gram,
    wet_start,
    wet_terms,
    wet_terms_of_all,
)
from blankoff.evacuation.noise import DESIGN, wander_beside
from blankoff.physics.compiled import kernel

__all__ = ["FLOW_S", "OUT", "fit_blocks"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_SHORTEST_TAU_S = 28.0
_LONGEST_TAU_HOLDS = 4.0

_SLOW_STRETCH = 1.5
"""How much more the slower pool of a pair may add the quicker it is: per hold's length over its time constant (own
simulations, by likelihood of leaks)."""

_PAIR_SHARES = np.array([0.3, 0.7])

_WET_TAUS = 20
_WET_SHORTEST_S = 12.0
_WARMINGS = len(WARMING)
_NEIGHBOURS = np.array([-0.25, -0.125, 0.125, 0.25])
_WET_COLUMNS = _WET_TAUS * _WARMINGS + _NEIGHBOURS.size
WET_RISE_MICRON = 120.0
"""Free water is thought of only where the hold rose by this much: it makes thousands, or has been boiled off."""

FLOW_S = 4.0
"""What comes in far from the port flowed there down a gradient before isolation, which then evens out: how much that adds to
the step, as seconds of the steady rise (own simulation, by likelihood of leaks and moisture of other fleets)."""

OUT = 22 + SUMS - STATE_SUMS
"""Numbers returned per hold; see `fit_blocks`."""


_PUMPED_SHARE, _PUMPED_MICRON = 0.15, 5.0
"""How far from the last pumped pressure a hold may begin: standard deviation, as a sum (this project's judgement)."""

_WET_MEDIAN_S, _WET_LN_SD = 240.0, 1.3
"""Prior of water's time of 63 per cent: minutes, seldom hours (this project's judgement)."""


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
    pumped_micron: float,
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
    pumped_micron
        Last pumped pressure, for a hold whose readings begin late; else NaN. A circuit that is shut off stands where the pump
        left it, but for what evens out along it; without that, a quick part takes up whatever lies between nothing and
        the first reading.
    tables : (3, nodes, columns)
        `hold_prior.SplitTable` values of the circuit's three states.
    table_scale, table_step
        Their nodes.
    wet_table
        `hold_wet.wet_shapes`.
    belief
        `hold_prior.RisePrior.vector`.
    out : (OUT,) float64, overwritten
        0 leak within the required hold, 1 its s.e.; 2 saturating part within the required hold, 3 its s.e.;
        4 P(leak >= material), 5 P(saturating >= material); 6 effective time constant, s; 7 p0; 8 settling step (what
        was still to come at isolation, with a minus sign); 9 wander size, 10 wander memory s; 11 straight part L,
        12 its s.e.; 13, 14 time constants of the best shape (second NaN if single), 15 share of the first (of the
        slower); 16 c and 17 L of the best shape; 18 chi-square per block; 19 posterior share of free water; 20 the leak if there is a
        material one, 21 its s.e. (NaN where none is possible); then `hold_posterior.STATE_PARTS` of each state, as shares of all.
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
    used = EXP + taus
    cols = np.zeros((n, WIDTH))
    gram = np.empty((COLUMNS, COLUMNS))
    rows = np.empty((NUISANCES, COLUMNS))
    filt = np.empty((n, 3))
    small = np.empty((WET_SIZE, WET_SIZE))
    small_rows = np.empty((WET_SIZE, WET_SIZE))
    pools, back = np.zeros(3, dtype=np.int64), np.empty(NUISANCES)
    v = np.empty(WET_SIZE)
    raw, design = np.empty(n), np.empty((n, DESIGN))
    found = np.empty((_WET_COLUMNS, 6))
    warming, wet_tau = np.empty(_WET_COLUMNS, dtype=np.int64), np.empty(_WET_COLUMNS)
    size, memory = 0.003, 150.0
    step_sd = 30.0 + 0.3 * p[0]
    evening_sd = belief[EVENING_LEAST] + belief[EVENING_SHARE] * p[0]
    steady_per_s = max(p[n - 1] - p[n // 2], 0.0) / (t[n - 1] - t[n // 2])
    step_sd += FLOW_S * steady_per_s
    evening_sd += FLOW_S * steady_per_s
    rising = max(p[n - 1], p[n // 2]) - min(p[0], p[1]) > WET_RISE_MICRON and saturation_micron > WET_RISE_MICRON
    slack = max(WET_SLACK * (max(p[n - 1], p[n // 2]) - p[0]) * required_s / t[n - 1], 1.0)
    bi, bj, bw, bc, bl = 0, -1, 1.0, 0.0, 0.0
    dry_gain, wet_gain, ln_pools, gyy = -1e300, -1e300, 0.0, 0.0
    wet_count = 0
    for sweep in range(2):
        fill_columns(cols, n, taus, longest, t, p, warming_k, required_s)
        filter_gains(n, t, p, var, size, memory, filt)
        whiten_columns(cols, n, used, p, filt)
        gram_matrix(cols, n, used, gram)
        gram[ONE, ONE] += 1e-12
        with_prior(gram, STEP, Y, 0.0, step_sd)
        with_prior(gram, EVENING, Y, 0.0, evening_sd)
        with_prior(gram, DRIFT, Y, 1.0, drift_sd)
        if pumped_micron > 0.0:
            with_prior(gram, ONE, Y, pumped_micron - p[0], _PUMPED_SHARE * pumped_micron + _PUMPED_MICRON)
        wet_base = 0.0
        if rising:
            ln_pools = wet_gram(gram, tau, taus, top_rise, pools, slack, small, small_rows)
        eliminate(gram, rows, NUISANCES, COLUMNS)
        gll, gly = gram[LINE, LINE], gram[LINE, Y]
        gyy = gram[Y, Y]
        dry_gain = -1e300
        for i in range(taus):
            gss, gsl, gsy, top = shape_terms(gram, top_rise, i, -1, 1.0, saturation_micron)
            c, straight, gain = best_parts(gss, gsl, gsy, gll, gly, top)
            if gain > dry_gain:
                dry_gain, bi, bj, bw, bc, bl = gain, i, -1, 1.0, c, straight
        for i in range(0, taus, 2):
            for j in range(i + 2, taus, 2):
                for s in range(_PAIR_SHARES.size):
                    share = _PAIR_SHARES[s]
                    gss, gsl, gsy, top = shape_terms(gram, top_rise, i, j, share, saturation_micron)
                    c, straight, gain = best_parts(gss, gsl, gsy, gll, gly, top)
                    if gain > dry_gain:
                        dry_gain, bi, bj, bw, bc, bl = gain, i, j, share, c, straight
        a = bc * bw / top_rise[bi]
        b = bc * (1.0 - bw) / top_rise[bj] if bj >= 0 else 0.0
        for k in range(NUISANCES - 1, -1, -1):
            back[k] = rows[k, Y] - rows[k, LINE] * bl - rows[k, EXP + bi] * a
            if bj >= 0:
                back[k] -= rows[k, EXP + bj] * b
            for q in range(k + 1, NUISANCES):
                back[k] -= rows[k, q] * back[q]
        out[7] = p[0] + back[ONE]
        out[8] = back[STEP] + back[EVENING]
        wet_count = 0
        wet_gain = -1e300
        wetter = False
        if rising:
            gll_w, gly_w = small[WET_LINE, WET_LINE], small[WET_LINE, WET_Y]
            wet_base = 0.5 * (gyy - small[WET_Y, WET_Y])
            bk, bd, bt, about = 0, 0, 1.0, 1.0
            wc, wl = 0.0, 0.0
            # the first sweep only wants what is left over: the plain exponential, every octave
            stride = 2 - sweep
            each = _WET_TAUS // stride
            for d in range(_WARMINGS if sweep == 1 else 1):
                for k in range(each):
                    warming[wet_count], wet_tau[wet_count] = d, _WET_SHORTEST_S * 2.0 ** (0.5 * k * stride)
                    wet_count += 1
            for first, last in ((0, wet_count), (wet_count, wet_count + _NEIGHBOURS.size * sweep)):
                if first > 0 and last > first:
                    # the best one's neighbourhood, four times as fine
                    found[bk, 5] = 0.2
                    for f in range(_NEIGHBOURS.size):
                        warming[wet_count], wet_tau[wet_count] = bd, about * 2.0 ** _NEIGHBOURS[f]
                        wet_count += 1
                terms = np.empty((4, last - first))
                wet_terms_of_all(
                    wet_table, warming[first:last], wet_tau[first:last], required_s, t, n, p, filt, cols, pools, top_rise,
                    small, terms,
                )  # fmt: skip
                for k in range(first, last):
                    gss, gsl, gsy, full = (
                        terms[0, k - first],
                        terms[1, k - first],
                        terms[2, k - first],
                        terms[3, k - first],
                    )
                    c, straight, gain = best_parts(gss, gsl, gsy, gll_w, gly_w, 1.12 * saturation_micron / full)
                    found[k, 0], found[k, 1], found[k, 2], found[k, 3] = gss, gsl, gsy, full
                    found[k, 4], found[k, 5] = wet_tau[k], 1.0 if first == 0 else 0.2
                    if gain + wet_base > wet_gain:
                        wet_gain, bk, bd, bt = gain + wet_base, k, warming[k], wet_tau[k]
                        wc, wl = c, straight
                about = bt
            wetter = wet_gain + ln_pools > dry_gain
            if wetter:
                wet_terms(
                    wet_table, bd, bt, required_s, t, n, p, filt, cols, pools, top_rise, small, small_rows, v, raw
                )
            if wetter and sweep == 1:
                # whitened innovations cannot give the coefficients, so they are worked back
                wet_start(p[0], small, small_rows, v, wc, wl, out)
        if sweep == 0:
            for i in range(n):
                design[i, 0] = 1.0
                design[i, 1] = t[i] / required_s
                design[i, 2] = math.exp(-t[i] / SETTLING_S)
                design[i, 3] = raw[i] if wetter else 1.0 - math.exp(-t[i] / tau[bi])
                design[i, 4] = 1.0 - math.exp(-t[i] / (tau[bj] if bj >= 0 and not wetter else tau[pools[1]]))
            several = 5 if wetter or bj >= 0 else 4
            size, memory = wander_beside(t[:n], design, several, p[:n], p[:n], var[:n])
    out[9], out[10] = size, memory
    out[13] = tau[bi]
    if bj >= 0:
        out[14] = tau[bj]
    out[15], out[16], out[17] = bw, bc, bl
    offset = max(dry_gain, wet_gain + ln_pools) if rising else dry_gain
    out[18] = max(gyy - 2.0 * max(dry_gain, wet_gain), 0.0) / n

    sums = np.zeros(SUMS)
    gll, gly = gram[LINE, LINE], gram[LINE, Y]
    pairs = max(1, (taus + 1) // 2 * ((taus + 1) // 2 - 1) // 2 * _PAIR_SHARES.size)
    dry = math.log(1.0 - belief[WET_SHARE])
    ln_single = math.log((1.0 - belief[PAIR]) / taus) + dry - offset
    ln_pair = math.log(belief[PAIR] / pairs) + dry - offset
    ln_quick = math.log(belief[QUICK_SHARE])
    ln_ordinary = math.log(1.0 - belief[QUICK_SHARE])
    for i in range(taus):
        for j in range(-1, taus):
            if j >= 0 and (j <= i + 1 or i % 2 == 1 or j % 2 == 1):
                continue
            for s in range(_PAIR_SHARES.size):
                if j < 0 and s > 0:
                    continue
                share = 1.0 if j < 0 else _PAIR_SHARES[s]
                gss, gsl, gsy, top = shape_terms(gram, top_rise, i, j, share, saturation_micron)
                full = saturation_micron / top
                base = ln_single if j < 0 else ln_pair
                stretch = 1.0 + _SLOW_STRETCH * required_s / tau[i]
                ln_tau = math.log(tau[i])
                if j >= 0:
                    ln_tau = share * ln_tau + (1.0 - share) * math.log(tau[j])
                accumulate(
                    sums, ORDINARY, gss, gsl, gsy, gll, gly, top, full, base + ln_ordinary, share, belief[SLOW] * stretch, 0.0,
                    saturation_micron, ln_tau, tables[ORDINARY], table_scale, table_step, belief,
                )  # fmt: skip
                accumulate(
                    sums, QUICK, gss, gsl, gsy, gll, gly, top, full, base + ln_quick, share, belief[QUICK_SLOW] * stretch, 0.0,
                    saturation_micron, ln_tau, tables[QUICK], table_scale, table_step, belief,
                )  # fmt: skip
    before_wet = sums[0]
    if rising:
        gll, gly = small[WET_LINE, WET_LINE], small[WET_LINE, WET_Y]
        # weights of the time constants, half an octave apart
        ln_wet = (
            math.log(belief[WET_SHARE] / _WARMINGS * 0.34657359 / (_WET_LN_SD * 2.5066282746))
            + ln_pools
            + 0.5 * (gyy - small[WET_Y, WET_Y])
            - offset
        )
        for k in range(wet_count):
            full = found[k, 3]
            z = math.log(found[k, 4] / _WET_MEDIAN_S) / _WET_LN_SD
            accumulate(
                sums, WET, found[k, 0], found[k, 1], found[k, 2], gll, gly, 1.12 * saturation_micron / full,
                full, ln_wet - 0.5 * z * z + math.log(found[k, 5]), 1.0, 1.0, 2.0 * POOL_MEAN, saturation_micron,
                math.log(found[k, 4]), tables[WET], table_scale, table_step, belief,
            )  # fmt: skip
    total = sums[0]
    if total > 0.0:
        for k in range(SUMS - STATE_SUMS):
            out[22 + k] = sums[STATE_SUMS + k] / total
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
        if sums[7] > 0.0:
            out[20] = sums[11] / sums[7]
            out[21] = math.sqrt(max(sums[12] / sums[7] - out[20] * out[20], 0.0))
