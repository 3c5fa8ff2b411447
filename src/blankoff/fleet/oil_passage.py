"""When drawn blank-offs pass a limit: compiled, all draws of one pump together.

The draws of one pump lie in one workspace, a block per quantity, and every loop over them is without a branch or a call, so
that the compiler turns it into vector instructions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.oil_kernels import BY_HOURS, BY_WATER, FRESH, HEAD, HOURS_BEFORE, HOURS_UNIT, POWER
from blankoff.fleet.vector_math import exp, ln
from blankoff.physics.compiled import inlined_kernel, vector_kernel

__all__ = ["DRAWS", "Passage", "drawn_blankoff", "passage_days"]

Floats = NDArray[np.float64]

DRAWS = 500
HALVINGS = 22
"""Of the days looked ahead: to within a minute."""

_FRESH, _BY_HOURS, _BY_WATER, _POWER, _BEFORE, _TIMES, _LOW, _HIGH, _HOURS, _WATER, _NOW = (
    k * DRAWS for k in range(11)
)
Passage = Floats
"""A workspace of draws, from `drawn_blankoff`."""


@inlined_kernel
def _micron(w: Floats, i: int, hours: float, water: float) -> float:
    """Blank-off of one draw whose filling ran ``hours`` and swallowed ``water`` grams."""
    ran = hours + w[_BEFORE + i]
    ran = ran if ran > 1e-3 else 1e-3
    grown = w[_BY_HOURS + i] * exp(w[_POWER + i] * ln(ran / HOURS_UNIT)) + w[_BY_WATER + i] * water
    return float((w[_FRESH + i] + w[_TIMES + i] * grown) * w[_NOW + i])


@vector_kernel
def drawn_blankoff(theta: Floats, ratio: Floats, fill: int, hours: float, water: float) -> tuple[Passage, Floats]:
    """Prepare draws, and say what blank-off each has now.

    Parameters
    ----------
    theta : float64 (DRAWS, k)
    ratio : float64 (DRAWS,)
        ln of true over modelled blank-off.
    fill : int
        Present filling.
    hours, water : float
        On it, now.
    """
    w, out = np.empty(11 * DRAWS), np.empty(DRAWS)
    for i in range(DRAWS):
        w[_FRESH + i] = np.exp(theta[i, FRESH])
        w[_BY_HOURS + i] = np.exp(theta[i, BY_HOURS])
        w[_BY_WATER + i] = np.exp(theta[i, BY_WATER])
        w[_POWER + i] = np.exp(theta[i, POWER])
        w[_BEFORE + i] = np.exp(theta[i, HOURS_BEFORE]) if fill == 0 else 0.0
        w[_TIMES + i] = np.exp(theta[i, HEAD + fill])
        w[_NOW + i] = np.exp(ratio[i])
    for i in range(DRAWS):
        out[i] = _micron(w, i, hours, water)
    return w, out


@vector_kernel
def passage_days(
    w: Passage,
    now: Floats,
    limit: float,
    hours: float,
    water: float,
    hours_pace: Floats,
    water_pace: Floats,
    farthest: float,
    use_day: Floats,
    use_hours: Floats,
    use_water: Floats,
    end_day: float,
) -> Floats:
    """Day on which each draw passes the limit, (DRAWS,): in the past where it has, inf beyond ``farthest`` days.

    Parameters
    ----------
    w, now : from `drawn_blankoff`
    limit : float
        Microns.
    hours, water : float
        On the present filling now.
    hours_pace, water_pace : float64 (DRAWS,)
        Of a day to come.
    farthest : float
        Days looked ahead.
    use_day, use_hours, use_water : float64 (n,)
        Uses on the present filling in order of time.
    end_day : float
        Today.
    """
    for i in range(DRAWS):
        w[_LOW + i], w[_HIGH + i] = 0.0, farthest
        w[_HOURS + i], w[_WATER + i] = hours_pace[i], water_pace[i]
    for _ in range(HALVINGS):
        for i in range(DRAWS):
            middle = 0.5 * (w[_LOW + i] + w[_HIGH + i])
            beyond = _micron(w, i, hours + w[_HOURS + i] * middle, water + w[_WATER + i] * middle) > limit
            w[_LOW + i] = w[_LOW + i] if beyond else middle
            w[_HIGH + i] = middle if beyond else w[_HIGH + i]
    out = np.empty(DRAWS)
    any_over = False
    for i in range(DRAWS):
        reached = _micron(w, i, hours + w[_HOURS + i] * farthest, water + w[_WATER + i] * farthest) > limit
        out[i] = end_day + w[_HIGH + i] if reached else np.inf
        any_over = any_over or now[i] > limit
    if not any_over:
        return out
    for i in range(DRAWS):
        w[_LOW + i] = end_day
    # Growth never turns back within a filling: the first use above the limit is where it crossed.
    for u in range(use_day.size - 1, -1, -1):
        for i in range(DRAWS):
            above = _micron(w, i, use_hours[u], use_water[u]) > limit
            w[_LOW + i] = use_day[u] if above else w[_LOW + i]
    for i in range(DRAWS):
        if now[i] > limit:
            out[i] = w[_LOW + i]
    return out
