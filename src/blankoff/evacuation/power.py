"""How much longer a hold had to stand: a power calculation from the fitted noise and curvature.

The two explanations that a short hold leaves open are a straight rise and one that bends. Over a longer hold they part
by the misfit of the best straight line to the bending curve. The calculation takes the fitted slope at the hold's end
and the fitted noise (white, and slow wander of the gauge), supposes the rise to be the slowest bend that the hold
leaves likely, and finds the length at which a test of the one against the other, at the level at which a part of the
rise is named, has the power asked for.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.hold_gram import eliminate
from blankoff.physics.compiled import kernel

__all__ = ["LONGEST_MORE_MIN", "more_hold_minutes"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LONGEST_MORE_MIN = 1440.0
"""Cap of the answer: a day (common practice: a hold over night is the longest anyone stands)."""

SLOWEST_BEND_S = 7200.0
"""Time constant of outgassing that a longer hold must be able to tell from a leak: two hours (field's ranges: under a
minute to hours). Where the hold itself was longer, four times its length: what did not bend within it is slower."""

_GRID = 40
_POINTS = 48


@kernel
def _noncentrality(
    length_s: float,
    tau_s: float,
    bend: float,
    level: float,
    noise: float,
    interval_s: float,
    size: float,
    memory_s: float,
) -> float:
    """Chi-square by which a slow bend of `bend` microns parts from a leak with faster pools, over a hold of `length_s`.

    White noise is averaged over the readings of each point, wander is AR(1). A constant, a line and a pool four times
    faster than the hold, all free, are projected out of the whitened bend.
    """
    step = length_s / _POINTS
    w2 = (size * level) ** 2
    rho = math.exp(-step / memory_s)
    var = (noise * level) ** 2 / max(step / interval_s, 1.0)
    cov = w2
    column, state, innovation = np.empty(4), np.zeros(4), np.empty(4)
    gram, rows = np.zeros((4, 4)), np.empty((4, 4))
    for i in range(_POINTS):
        x = (i + 0.5) / _POINTS
        column[0], column[1], column[2] = 1.0, x, 1.0 - math.exp(-4.0 * x)
        column[3] = bend * (1.0 - math.exp(-x * length_s / tau_s))
        before = rho if i > 0 else 0.0
        if i > 0:
            cov = rho * rho * cov + w2 * (1.0 - rho * rho)
        gain = cov / (cov + var)
        scale = 1.0 / (cov + var)
        for k in range(4):
            state[k] *= before
            innovation[k] = column[k] - state[k]
            state[k] += gain * innovation[k]
        cov -= gain * cov
        for k in range(4):
            for j in range(k, 4):
                gram[k, j] += innovation[k] * innovation[j] * scale
    for k in range(4):
        for j in range(k):
            gram[k, j] = gram[j, k]
    eliminate(gram, rows, 3, 4)
    return float(max(gram[3, 3], 0.0))


@kernel
def _lengths(
    stood_s: FloatArray, required_s: FloatArray, straight: FloatArray, level: FloatArray, noise: FloatArray,
    interval_s: FloatArray, size: FloatArray, memory_s: FloatArray, asked: BoolArray, wanted: float, cap_s: float,
    out: FloatArray,
) -> None:  # fmt: skip
    """Shortest total length at which the explanations part, s; the cap where none does; what it stood if not asked."""
    for i in range(stood_s.size):
        out[i] = np.nan
        if not (stood_s[i] > 0.0 and straight[i] > 0.0 and noise[i] > 0.0):
            continue
        if not asked[i]:
            out[i] = stood_s[i]
            continue
        slope = straight[i] / required_s[i]
        # the slowest bend the hold leaves likely
        tau = max(4.0 * stood_s[i], SLOWEST_BEND_S)
        bend = slope * tau
        low, high = stood_s[i], stood_s[i] + cap_s
        if (
            _noncentrality(high, tau, bend, level[i] + 0.5 * bend, noise[i], interval_s[i], size[i], memory_s[i])
            < wanted
        ):
            out[i] = high
            continue
        for _ in range(_GRID):
            middle = 0.5 * (low + high)
            mean = level[i] + 0.5 * bend * (1.0 - math.exp(-middle / tau))
            if _noncentrality(middle, tau, bend, mean, noise[i], interval_s[i], size[i], memory_s[i]) < wanted:
                low = middle
            else:
                high = middle
        out[i] = high


@lru_cache(maxsize=16)
def _wanted(proof: float, power: float) -> float:
    """Noncentrality at which a test at the level of 99 per cent, or of `proof` if that is more, has `power`."""
    from scipy.special import ndtri  # here, because one log in the terminal shall not wait for it

    return float((ndtri(max(proof, 0.99)) + ndtri(power)) ** 2)


def more_hold_minutes(
    stood_s: FloatArray,
    required_s: FloatArray,
    straight_micron: FloatArray,
    level_micron: FloatArray,
    noise: FloatArray,
    interval_s: FloatArray,
    wander: FloatArray,
    wander_memory_s: FloatArray,
    undetermined: BoolArray,
    proof: float,
    power: float,
) -> FloatArray:
    """Minutes by which each hold had to stand longer to tell leak from moisture.

    Parameters
    ----------
    stood_s, required_s : (n,)
        How long it stood and how long it had to, s.
    straight_micron : (n,)
        What of the rise, within the required hold, does not visibly bend, microns.
    level_micron : (n,)
        Pressure at the hold's end.
    noise, interval_s, wander, wander_memory_s : (n,)
        Relative white noise, spacing of the readings in s, relative size and memory in s of the gauge's wander.
    undetermined : (n,) bool
        Holds whose rise is not explained; all others get 0.
    proof, power
        Level at which a part is named, and the power wanted.

    Returns
    -------
    (n,) float64
        0 where the hold told them apart, at most `LONGEST_MORE_MIN`, NaN without a fitted hold.
    """
    total = np.empty(stood_s.shape)
    _lengths(
        stood_s, required_s, np.maximum(straight_micron, 1.0), level_micron, np.maximum(noise, 1e-4),
        np.maximum(interval_s, 0.1), wander, np.maximum(wander_memory_s, 1.0), undetermined,
        _wanted(proof, power) if undetermined.any() else math.nan, LONGEST_MORE_MIN * 60.0, total,
    )  # fmt: skip
    more = np.clip((total - stood_s) / 60.0, 0.0, LONGEST_MORE_MIN)
    return np.where(np.isfinite(total), np.where(undetermined, more, 0.0), np.nan)
