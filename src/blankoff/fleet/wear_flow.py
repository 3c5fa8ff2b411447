"""What a rig draws at a circuit's port: a pump behind a line whose conductance goes with the pressure in it.

A line in viscous flow passes the more, the more pressure there is in it.  Behind a narrow line the pump's inlet lies far
below the port, so that a weaker pump raises the pressure in the line and loses the circuit little; a narrower line lowers
it and loses twice.  Speeds in series with the line as it is at one mean pressure miss both.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import inlined_kernel

__all__ = [
    "DEEP_LINE_MICRON",
    "LINE_ABOVE",
    "OVER_LN",
    "VISCOUS_LINE_MICRON",
    "compiled_speed",
    "halving_hole",
    "line_law",
    "speed_through",
]

Floats = NDArray[np.float64]

VISCOUS_LINE_MICRON, DEEP_LINE_MICRON = 6000.0, 800.0
"""Mean pressures in a line at which it is asked what it conducts; in between a tube's conductance is all but straight."""

OVER_LN = 4.0
"""ln of atmosphere over the usual top of range: what a pull has behind it when its first reading comes."""
LINE_ABOVE = 8000.0 / 14_000.0 / OVER_LN
"""Share of a line's resistance at 8 000 microns in the mean one from atmosphere down to the usual top of range: in viscous
flow it goes with one over the pressure, so that its mean over ln p is that at the lower end over the way's length.  A hole
is choked so high up, and passes the same litres at any pressure."""


def line_law(viscous_ln: Floats | float, deep_ln: Floats | float) -> tuple[Floats, Floats]:
    """Conductance per micron of mean pressure, and what is left without any pressure, l/s, from two conductances.

    Parameters
    ----------
    viscous_ln, deep_ln : float64
        ln conductance at `VISCOUS_LINE_MICRON` and `DEEP_LINE_MICRON`, l/s.
    """
    high, low = np.exp(viscous_ln), np.exp(deep_ln)
    slope = np.maximum(high - low, 0.0) / (VISCOUS_LINE_MICRON - DEEP_LINE_MICRON)
    # Lines wide and long enough to have next to no molecular part still pass something.
    return np.asarray(slope), np.asarray(np.maximum(low - slope * DEEP_LINE_MICRON, 0.02 * low))


def _speed(pump: Any, viscous: Any, molecular: Any, hole: Any, port_micron: Any, blankoff_micron: Any) -> Any:
    """The formula of `speed_through`, for arrays and for numbers."""
    k = pump * hole
    begin = port_micron + k * blankoff_micron
    square = 0.5 * viscous * (k * k - 1.0)
    straight = viscous * begin * k + molecular * (1.0 + k) + pump
    whole = 0.5 * viscous * begin * begin + molecular * begin + pump * blankoff_micron
    # The root that stays finite where the quadratic term vanishes.
    at_pump = 2.0 * whole / (straight + np.sqrt(straight * straight - 4.0 * square * whole))
    return pump * (at_pump - blankoff_micron) / port_micron


compiled_speed: Any = inlined_kernel(_speed)
"""`speed_through` of numbers, for loops that shall run in vectors."""


def speed_through(
    pump: Floats, viscous: Floats, molecular: Floats, hole: Floats, port_micron: float, blankoff_micron: Floats | float
) -> Floats:
    """Effective speed at the port, l/s; arrays that broadcast together.

    Parameters
    ----------
    pump : float64
        Speed of the pump at its inlet, l/s.
    viscous, molecular : float64
        A line's conductance is ``viscous`` times the mean pressure in it in microns, plus ``molecular``, l/s.
    hole : float64
        Resistance of port, fittings and what is left in them, s/l, between the circuit and the line.
    port_micron : float
        Pressure in the circuit.
    blankoff_micron : float64
        Pressure at which the pump passes nothing.

    Notes
    -----
    With pressure p in the circuit, q at the line's beginning and r at the pump: ``Q = S (r - blank-off) = (p - q) / hole =
    viscous (q^2 - r^2) / 2 + molecular (q - r)``, which is a quadratic equation for r.
    """
    return np.asarray(_speed(pump, viscous, molecular, hole, port_micron, blankoff_micron))


def halving_hole(pump: float, viscous: float, molecular: float, hole: float, port_micron: float) -> float:
    """Resistance that, beside ``hole``, halves a rig's speed at the port, s/l.

    Parameters
    ----------
    pump, viscous, molecular, hole, port_micron : float
        As for `speed_through`.
    """
    rig = np.array([pump, viscous, molecular, hole])[:, None]
    half = 0.5 * float(speed_through(rig[0], rig[1], rig[2], rig[3], port_micron, 0.0)[0])
    at_pump = half * port_micron / pump
    # The pressure at which the line begins when so little passes.
    need = 0.5 * viscous * at_pump**2 + molecular * at_pump + half * port_micron
    begin = 2.0 * need / (molecular + np.sqrt(molecular**2 + 2.0 * viscous * need))
    return float((port_micron - begin) / (half * port_micron)) - hole
