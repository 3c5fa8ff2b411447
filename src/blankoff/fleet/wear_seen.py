"""What a job's gauge shows of its rig: two speeds and a mean one, compiled, for many levels of one asset at once.

Loops over levels have no branch and no call, so that a compiler puts them into vectors; what does not move with a level is
reckoned once for a job.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.vector_math import exp, ln
from blankoff.fleet.wear_flow import LINE_ABOVE, OVER_LN, compiled_speed
from blankoff.physics.compiled import vector_kernel

__all__ = ["DEEP_MICRON", "VISCOUS_MICRON", "lagging", "late", "seen_values", "show_job", "what_moves"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

VISCOUS_MICRON, DEEP_MICRON = 8000.0, 1000.0
"""Pressures in the circuit that the two speeds are for."""
LAG_POWER = 4.0
"""A reading that lags falls no faster than its lag lets it: the slower of the two rates shows, with so sharp a bend."""
_PUMP, _HOSE, _DEEP, _VISCOUS, _ABOVE, _GAUGE, _GAUGE_VISCOUS = range(7)
"""Places of `wear_speeds.LEVELS`: gear first, then what the gauge adds."""


def lagging(speed_ln: Floats, cap_ln: Floats) -> Floats:
    """Ln speed as a gauge shows it that cannot show more than ``cap_ln``; arrays that broadcast together."""
    return np.asarray(speed_ln - np.log1p(np.exp(LAG_POWER * (speed_ln - cap_ln))) / LAG_POWER)


def late(speed_ln: Floats, cap_ln: Floats) -> Floats:
    """Ln mean speed from atmosphere down as a gauge shows it that notices all of it later by its lag."""
    return np.asarray(-np.log(np.exp(-speed_ln) + np.exp(-cap_ln) / OVER_LN))


@vector_kernel
def _factor(w: Floats, which: int, sign: float, level: float, more: Floats, moves: bool, last: Floats) -> None:
    """Exponential of one level of a job, or of its opposite, under all that is tried, into a row of ``w``.

    ``last`` holds what level the row is for: many jobs in a row have the same.
    """
    if level == last[which]:
        return
    last[which] = level
    if moves:
        for j in range(more.shape[1]):
            w[which, j] = exp(sign * (level + more[which, j]))
    else:
        w[which, :] = np.exp(sign * level)


@vector_kernel
def _as_shown(w: Floats, which: int, more: Floats, gauge: int, level: float, cap: float) -> None:
    """Put ln speed in a row of ``w`` as the gauge shows it, where it sits and with its lag."""
    for j in range(more.shape[1]):
        w[which, j] += level + more[gauge, j]
    if cap < np.inf:
        for j in range(more.shape[1]):
            speed = w[which, j]
            w[which, j] = speed - ln(1.0 + exp(LAG_POWER * (speed - cap))) / LAG_POWER


@vector_kernel
def what_moves(more: Floats) -> Bools:
    """Which gear moves with what is tried, (gear,)."""
    moves = np.zeros(_GAUGE, dtype=np.bool_)
    for f in range(_GAUGE):
        moves[f] = (more[f] != 0.0).any()
    return moves


@vector_kernel
def show_job(
    i: int,
    of_row: Floats,
    base: Floats,
    keep: Floats,
    more: Floats,
    moves: Bools,
    constants: Floats,
    middle: float,
    wanted: tuple[bool, bool, bool],
    w: Floats,
    last: Floats,
    shown: Floats,
) -> None:
    """Put what job ``i`` shows into ``shown`` (3, k), as far as wanted: ln viscous and deep speed, and the mean above range.

    Parameters
    ----------
    of_row, base, more, constants, middle
        As for `seen_values`.
    keep : float64 (7,)
        0 for levels that count for nothing, else 1.
    moves : bool (gear,)
        From `what_moves`.
    w, last : float64 (5, k), (5,)
        Workspace, kept from job to job; ``last`` begins as nan.
    """
    a, on_viscous, on_deep = constants[0], np.exp(constants[1]), np.exp(constants[2])
    port_viscous, port_deep, fresh = np.exp(-constants[3]), np.exp(-constants[4]), np.exp(-constants[5])
    # Where no gear moves, one reckoning does for all.
    own = more.shape[1] if moves.any() else 1
    slope, rest, line, blank, cap = of_row[i, 1], of_row[i, 2], of_row[i, 3], of_row[i, 4], of_row[i, 5]
    viscous, deep, above = wanted
    _factor(w, _PUMP, 1.0, of_row[i, 0] + a + base[_PUMP, i] * keep[_PUMP], more, moves[_PUMP], last)
    _factor(w, _HOSE, 1.0, base[_HOSE, i] * keep[_HOSE], more, moves[_HOSE], last)
    # Less than nothing cannot be in the way: at best some of the usual port is not.
    least_viscous, least_deep = -0.8 * port_viscous, -0.8 * port_deep
    if viscous:
        _factor(w, _VISCOUS, -1.0, base[_VISCOUS, i] * keep[_VISCOUS], more, moves[_VISCOUS], last)
        for j in range(own):
            pump, hose = w[_PUMP, j], w[_HOSE, j] * on_viscous
            rig = (w[_VISCOUS, j] - 1.0) * middle
            hole = port_viscous + (rig if rig > least_viscous else least_viscous)
            shown[0, j] = ln(compiled_speed(pump, slope * hose, rest * hose, hole, VISCOUS_MICRON, 0.0))
        shown[0, own:] = shown[0, 0]
        # A gauge on the manifold misreads both bands, the deep one more.
        _as_shown(shown, 0, more, _GAUGE_VISCOUS, base[_GAUGE_VISCOUS, i] * keep[_GAUGE_VISCOUS], cap)
    if above:
        late_by = np.exp(-cap) / OVER_LN
        _factor(w, _ABOVE, -1.0, base[_ABOVE, i] * keep[_ABOVE], more, moves[_ABOVE], last)
        for j in range(own):
            pump, hose = w[_PUMP, j], w[_HOSE, j] * on_viscous
            rig = (w[_ABOVE, j] - 1.0) * middle
            hole = port_viscous + (rig if rig > least_viscous else least_viscous)
            # How long a gauge reads nothing is no matter of its place.
            shown[2, j] = -ln((1.0 / pump + LINE_ABOVE * (line / hose) + hole) * fresh + late_by)
        shown[2, own:] = shown[2, 0]
    if deep:
        _factor(w, _DEEP, -1.0, base[_DEEP, i] * keep[_DEEP], more, moves[_DEEP], last)
        for j in range(own):
            pump, hose = w[_PUMP, j], w[_HOSE, j] * on_deep
            rig = (w[_DEEP, j] - 1.0) * middle
            hole = port_deep + (rig if rig > least_deep else least_deep)
            shown[1, j] = ln(compiled_speed(pump, slope * hose, rest * hose, hole, DEEP_MICRON, blank))
        shown[1, own:] = shown[1, 0]
        _as_shown(shown, 1, more, _GAUGE, base[_GAUGE, i] * keep[_GAUGE], cap)


@vector_kernel
def seen_values(of_row: Floats, base: Floats, more: Floats, constants: Floats, middle: float) -> Floats:
    """Ln viscous speed, the line's value and the one above range of jobs under levels; see `wear_speeds.predicted`.

    Parameters
    ----------
    of_row : float64 (n, 8)
        ln pump; the line's law, slope and rest; its resistance at 8 000 microns; blank-off in microns; ln of the gauge's
        cap; whether the line's value, and the one above range, stands alone.
    base, more : float64 (7, n), (7, k)
        Levels in the order of `wear_speeds.LEVELS`, and what is tried beside them.
    middle : float
        Resistance that halves the middle rig's deep speed.

    Returns
    -------
    float64 (3, n, k)
    """
    n, k = base.shape[1], more.shape[1]
    out, w, shown = np.empty((3, n, k)), np.empty((5, k)), np.empty((3, k))
    last, keep, moves = np.full(5, np.nan), np.ones(7), what_moves(more)
    every = (True, True, True)
    for i in range(n):
        show_job(i, of_row, base, keep, more, moves, constants, middle, every, w, last, shown)
        off_deep, off_above = 1.0 - of_row[i, 6], 1.0 - of_row[i, 7]
        for j in range(k):
            out[0, i, j] = shown[0, j]
            out[1, i, j] = shown[1, j] - off_deep * shown[0, j]
            out[2, i, j] = shown[2, j] - off_above * shown[0, j]
    return out
