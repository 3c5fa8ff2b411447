"""How free water raises the pressure of a standing circuit: shapes for the compiled fit.

Water evaporates towards its saturation pressure, ``dp/dt = (psat(Tw) - p) / tau``, and cools as it does:
``Tw = Ta - D (psat(Tw) - p) / psat(Ta)``, with ``D`` kelvin of chill at full evaporation. Without chill the rise is one
exponential; with much chill heat limits it, and it climbs almost straight before it bends off: to an eye, a leak. What
tells it from one is where it must end, near the saturation pressure at the ambient. The shapes depend little on the
ambient itself, so they are tabulated once, at 20 degC.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import kernel
from blankoff.physics.saturation import saturation_pressure_micron

__all__ = ["CHILLS_K", "WET_SHAPES", "wet_shape"]

FloatArray = NDArray[np.float64]

CHILLS_K = (0.0, 12.0, 45.0)
"""Chill at full evaporation: none, some, heat-limited (this project's choice; heat flows of 0.2 - 6 W/K give these)."""

_START = 0.04
_POINTS = 400
_SPAN = 10.0
_AMBIENT_C = 20.0


def _tabulate() -> FloatArray:
    """Rise as a share of its end, for evenly spaced times up to `_SPAN` times that of 63 per cent."""
    grid_c = np.linspace(_AMBIENT_C - 60.0, _AMBIENT_C, 2401)
    share = np.asarray(saturation_pressure_micron(grid_c)) / float(saturation_pressure_micron(_AMBIENT_C))
    out = np.empty((len(CHILLS_K), _POINTS + 1))
    for k, chill in enumerate(CHILLS_K):
        # at each pressure share u the driving difference e solves e = share(Ta - chill e) - u: one value of e per wet
        # temperature, so u is a function of temperature and is inverted by interpolation
        if chill > 0.0:
            drive = (_AMBIENT_C - grid_c) / chill
            order = share - drive
            known = order >= 0.0
            u_of, e_of = order[known], drive[known]
        else:
            u_of, e_of = np.array([0.0, 1.0]), np.array([1.0, 0.0])
        u, step, times, shares = _START, 0.002, [0.0], [_START]
        while 1.0 - u > 1e-4 and len(times) < 400_000:
            u += step * float(np.interp(u, u_of, e_of))
            times.append(times[-1] + step)
            shares.append(u)
        rise = (np.array(shares) - _START) / (1.0 - _START)
        unit = float(np.interp(1.0 - math.exp(-1.0), rise, times))
        out[k] = np.interp(np.linspace(0.0, _SPAN, _POINTS + 1), np.array(times) / unit, rise)
    out.setflags(write=False)
    return out


WET_SHAPES = _tabulate()
"""``(chills, points)``: rise as a share of its end against time over time of 63 per cent."""


@kernel
def wet_shape(table: FloatArray, chill: int, x: float) -> float:
    """Share of the rise done after `x` times the time of 63 per cent."""
    pos = x * (_POINTS / _SPAN)
    k = int(pos)
    if k >= _POINTS:
        return 1.0
    f = pos - k
    return float(table[chill, k] + f * (table[chill, k + 1] - table[chill, k]))
