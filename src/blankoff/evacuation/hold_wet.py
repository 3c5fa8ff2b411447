"""How free water raises the pressure of a standing circuit: shapes for the compiled fit.

Water evaporates towards its saturation pressure, ``dp/dt = (psat(Tw) - p) / tau``: one exponential while its
temperature stands. A spot that the pull has chilled warms up meanwhile, ``Tw = Ta - D exp(-t / tau_w)``, and the
pressure follows a saturation line that bends upwards: such a rise climbs almost straight before it bends off, to an
eye a leak. What tells it from one is where it must end, near the saturation pressure at the ambient. The shapes depend
little on the ambient itself, so they are tabulated once, at 20 degC.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import kernel
from blankoff.physics.saturation import saturation_pressure_micron

__all__ = ["SPAN", "WARMING", "wet_shape", "wet_shapes"]

FloatArray = NDArray[np.float64]

WARMING = (0.0, 0.35, 2.0)
"""Time constant of the warming over that of the evaporation: water that is not chilled, chilled and quick to warm,
and chilled so that warming is all there is to wait for (this project's choice)."""

_START = 0.04
_POINTS = 400
SPAN = 10.0
_AMBIENT_C = 20.0


@lru_cache(maxsize=1)
def wet_shapes() -> FloatArray:
    """``(len(WARMING), points)``: rise as a share of its end, at even times up to `SPAN` times that of 63 per cent."""
    end = float(saturation_pressure_micron(_AMBIENT_C))
    grid_c = np.linspace(_AMBIENT_C - 80.0, _AMBIENT_C, 1601)
    share = np.asarray(saturation_pressure_micron(grid_c)) / end
    # at isolation the spot is as cold as the pressure over it allows
    chill = _AMBIENT_C - float(np.interp(_START, share, grid_c))
    out = np.empty((len(WARMING), _POINTS + 1))
    step, steps = 0.004, 12_000
    for k, slowness in enumerate(WARMING):
        times = step * np.arange(steps)
        cold = chill * np.exp(-times / slowness) if slowness > 0.0 else np.zeros(steps)
        drive = np.interp(_AMBIENT_C - cold, grid_c, share)
        decay, u = math.exp(-step), _START
        passed = [u]
        for towards in drive[1:].tolist():
            u = towards + (u - towards) * decay
            passed.append(u)
        rise = (np.array(passed) - _START) / (1.0 - _START)
        unit = float(np.interp(1.0 - math.exp(-1.0), rise, times))
        out[k] = np.interp(np.linspace(0.0, SPAN, _POINTS + 1), times / unit, rise)
    out.setflags(write=False)
    return out


@kernel
def wet_shape(table: FloatArray, warming: int, x: float) -> float:
    """Share of the rise done after `x` times the time of 63 per cent."""
    pos = x * (_POINTS / SPAN)
    k = int(pos)
    if k >= _POINTS:
        return 1.0
    f = pos - k
    return float(table[warming, k] + f * (table[warming, k + 1] - table[warming, k]))
