"""One shape's share of the posterior: over the straight part on nodes, over the saturating part in closed form."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.hold_prior import SPLIT
from blankoff.physics.compiled import kernel

__all__ = ["ORDINARY", "QUICK", "STATES", "STATE_PARTS", "STATE_SUMS", "SUMS", "WET", "accumulate", "best_parts"]

FloatArray = NDArray[np.float64]

ORDINARY, QUICK, WET = 0, 1, 2
"""States of a circuit: outgassing as usual, outgassing that is all but done within the hold, free water."""
STATES = ("ordinary", "quick", "wet")
STATE_PARTS = ("tight", "leak", "material", "tight_moist", "leak_moist")
"""What is summed by state: weight without and with a leak, of these with a material one, and of both with a material saturating
part. With these the shares of the states and of leaks can be put otherwise afterwards."""

NODES = 9
KEEP_LN = 6.0
"""Shapes and nodes whose likelihood lies this far, in ln, below the weight gathered so far count for nothing. The likeliest
shape is no measure of that: free water may fit best by far and still be out of the question where the pressure ends."""

STATE_SUMS = 13
"""Place of the first state's sums."""
SUMS = STATE_SUMS + 15
"""0 total weight; weighted sums of 1 leak, 2 leak^2, 3 saturating, 4 saturating^2, 5 L, 6 L^2, 7 P(leak), 8
P(saturating), 9 c ln tau, 10 c, 11 leak where it is material, 12 its square; then
`STATE_PARTS` of each of `STATES`."""

_LEAST_LN = -300.0
_LN_SQRT_2PI = 0.9189385332046727

# places in the belief vector, see hold_prior.belief_vector
BEND, PAIR, SLOW, STRAY, QUICK_SHARE, QUICK_SLOW, WET_SHARE, MATERIAL, EVENING_LEAST, EVENING_SHARE = range(10)


@kernel
def ln_tail(z: float) -> float:
    """Natural logarithm of the upper tail of the standard normal, good for any z."""
    if z < 8.0:
        return math.log(0.5 * math.erfc(z * 0.7071067811865476))
    return -0.5 * z * z - math.log(z * 2.5066282746310002) - 1.0 / (z * z)


@kernel
def best_parts(gss: float, gsl: float, gsy: float, gll: float, gly: float, top: float) -> tuple[float, float, float]:
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
def prior_bend(
    state: int, c: float, share: float, slow_scale: float, full: float, saturation: float, belief: FloatArray
) -> tuple[float, float]:
    """Log prior density of the saturating part `c`, microns within the required hold, and its slope.

    Parameters
    ----------
    share
        Share of `c` in the slower time constant of the shape.
    slow_scale
        What a pool so slow adds within the hold, typically: some tens of microns, seldom hundreds.
    full
        Rise at infinite time over rise within the hold.
    saturation
        Highest rise that water at the ambient can make.
    """
    if state == WET:
        k = full / saturation
        x = c * k
        if x > 1.12:
            return -50.0, 0.0
        z = (x - 0.95) / 0.1
        bell = 0.6 * 3.989 * math.exp(-0.5 * z * z)
        density = bell + 0.4 / 1.12
        return math.log(density * k), -bell * z / 0.1 * k / density
    bend, stray = belief[BEND], belief[STRAY]
    slow = share * c
    quick = (1.0 - stray) * math.exp(-slow / slow_scale) / slow_scale
    heavy = stray * 300.0 / ((300.0 + slow) * (300.0 + slow))
    mixed = quick + heavy
    ratio = (bend + slow) / (bend + c)
    slope = -2.0 / (bend + c) + share * (
        2.0 / (bend + slow) - (quick / slow_scale + 2.0 * heavy / (300.0 + slow)) / mixed
    )
    return math.log(mixed * ratio * ratio), slope


@kernel
def falling_edge(table: FloatArray, width: float, table_scale: float, table_step: float) -> float:
    """Weight of a first node at nothing, in widths: the prior may fall by much before the next node, as an exponential does."""
    x = math.log1p(width / table_scale) / table_step
    q = min(int(x), table.shape[0] - 2)
    f = min(x - q, 1.0)
    fall = float(table[0, 0] - (1.0 - f) * table[q, 0] - f * table[q + 1, 0])
    if fall < 0.01:
        return 0.5
    return -math.expm1(-fall) / fall - 0.5 * math.exp(-fall)


@kernel
def accumulate(
    sums: FloatArray,
    state: int,
    gss: float,
    gsl: float,
    gsy: float,
    gll: float,
    gly: float,
    top: float,
    full: float,
    ln_base: float,
    share: float,
    slow_scale: float,
    extra: float,
    saturation: float,
    ln_tau: float,
    table: FloatArray,
    table_scale: float,
    table_step: float,
    belief: FloatArray,
) -> None:
    """Add one shape in one state of the circuit to the posterior sums.

    Parameters
    ----------
    sums : (SUMS,) float64, added to
    gss, gsl, gsy, gll, gly
        Gram entries of shape, line and data, nuisance projected out.
    top, full, saturation
        Highest `c`; rise at infinite time over that within the hold; highest rise water can make.
    ln_base
        Log prior of shape and state, and log evidence of what was projected out, less a common offset.
    extra
        Saturating rise beside `c` (pools beside free water).
    table
        ``(nodes, columns)`` of `hold_prior.SplitTable` for this state.
    """
    _, straight, gain = best_parts(gss, gsl, gsy, gll, gly, top)
    least = math.log(sums[0]) - KEEP_LN if sums[0] > 0.0 else _LEAST_LN
    if gain + ln_base < least:
        return
    narrow = 1.0 / math.sqrt(gll)
    marginal = gll - gsl * gsl / gss
    wide = min(1.0 / math.sqrt(max(marginal, 1e-4 * gll)), 100.0 * narrow)
    low = max(0.0, straight - 3.5 * wide)
    # with c = 0 the straight part is at its largest
    ceiling = max(gly / gll, 0.0) + 3.5 * narrow
    high = max(min(straight + 3.5 * wide, ceiling), low + narrow)
    width = (high - low) / (NODES - 1)
    sd_c = 1.0 / math.sqrt(gss)
    ln_norm = _LN_SQRT_2PI + math.log(sd_c)
    nodes = table.shape[0]
    bins = table.shape[1] - SPLIT - 1
    material = belief[MATERIAL] - extra
    for k in range(NODES):
        ell = low + k * width
        m = (gsy - ell * gsl) / gss
        ln_like = ell * gly - 0.5 * ell * ell * gll + 0.5 * m * m * gss + ln_base
        if m < 0.0:
            # c = 0 is the best there is: the data already count against this node
            if ln_like - 0.5 * m * m * gss < least:
                continue
        elif ln_like < least:
            continue
        # the prior of c is taken as an exponential about the mode of the likelihood
        mode = min(max(m, 0.0), top)
        here, tilt = prior_bend(state, mode, share, slow_scale, full, saturation, belief)
        tilt = min(max(tilt, -5.0 / sd_c), 5.0 / sd_c)
        mu = m + tilt * sd_c * sd_c
        z0 = -mu / sd_c
        z1 = (top - mu) / sd_c
        ln_in = 0.0 if z0 < -6.0 else ln_tail(z0)
        if z1 < 6.0:
            over = math.exp(ln_tail(z1) - ln_in) if z1 > z0 else 1.0
            ln_in += math.log(max(1.0 - over, 1e-12))
        ln_weight = ln_like + here - tilt * mode + 0.5 * (mu * mu - m * m) * gss + ln_in + ln_norm
        if ln_weight < _LEAST_LN:
            continue
        x = math.log1p(ell / table_scale) / table_step
        q = min(int(x), nodes - 2)
        f = min(x - q, 1.0)
        g = 1.0 - f
        edge = 0.5 if k == 0 or k == NODES - 1 else 1.0
        if ell == 0.0:
            edge = falling_edge(table, width, table_scale, table_step)
        weight = edge * width * math.exp(ln_weight + g * table[q, 0] + f * table[q + 1, 0])
        if not weight > 1e-7 * sums[0]:
            continue
        hazard = 0.0 if z0 < -6.0 else math.exp(max(-0.5 * z0 * z0 - _LN_SQRT_2PI - ln_in, -700.0))
        mean_c = min(mu + sd_c * hazard, top)
        var_c = max(sd_c * sd_c * (1.0 - hazard * (hazard - z0)), 1e-12)
        leak = g * table[q, 2] + f * table[q + 1, 2]
        leak2 = g * table[q, 3] + f * table[q + 1, 3]
        saturating = mean_c + extra + max(ell - leak, 0.0)
        # P(c + slow >= material): slow in bins beside a leak, else all that is straight; c in closed form
        none = g * table[q, 6] + f * table[q + 1, 6]
        above_tight = 1.0
        above_leak = 1.0 - none
        if mu - 5.0 * sd_c <= material:
            above_leak = g * table[q, SPLIT + bins] + f * table[q + 1, SPLIT + bins]
            plain = ln_in > -20.0
            norm = 0.5 * math.exp(-ln_in) if plain else 0.0
            for d in range(bins):
                share_d = g * table[q, SPLIT + d] + f * table[q + 1, SPLIT + d]
                if share_d > 1e-6:
                    z = (material - belief[MATERIAL] * (d + 0.5) / bins - mu) / sd_c
                    if plain:
                        above_leak += share_d * min(norm * math.erfc(z * 0.7071067811865476), 1.0)
                    else:
                        above_leak += share_d * math.exp(min(ln_tail(z) - ln_in, 0.0))
            # without a leak all that is straight is slow
            if ell < material:
                z = (material - ell - mu) / sd_c
                above_tight = (
                    min(norm * math.erfc(z * 0.7071067811865476), 1.0)
                    if plain
                    else math.exp(min(ln_tail(z) - ln_in, 0.0))
                )
        sums[0] += weight
        sums[1] += weight * leak
        sums[2] += weight * leak2
        sums[3] += weight * saturating
        sums[4] += weight * (saturating * saturating + var_c + max(leak2 - leak * leak, 0.0))
        sums[5] += weight * ell
        sums[6] += weight * ell * ell
        sums[7] += weight * (g * table[q, 1] + f * table[q + 1, 1])
        sums[8] += weight * (none * above_tight + above_leak)
        sums[9] += weight * mean_c * ln_tau
        sums[10] += weight * mean_c
        sums[11] += weight * (g * table[q, 4] + f * table[q + 1, 4])
        sums[12] += weight * (g * table[q, 5] + f * table[q + 1, 5])
        place = STATE_SUMS + 5 * state
        sums[place] += weight * none
        sums[place + 1] += weight * (1.0 - none)
        sums[place + 2] += weight * (g * table[q, 1] + f * table[q + 1, 1])
        sums[place + 3] += weight * none * above_tight
        sums[place + 4] += weight * above_leak
