"""What a pressure in a log can be, physically: single readings, and whole logs whose unit must be wrong.

The bounds follow from what a pull is (see the references in each rule); they are this project's own judgement where no
source is named. They are wide: a log that begins late, in the open, above range, or in a break with dry gas is legitimate.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]

LOWEST_READING_MICRON = 1e-3
"""Far below what a rotary-vane pump leaves behind (healthy blank-off 15 - 50 microns: common practice, no source)."""
HIGHEST_READING_MICRON = 2.0e6
"""2.6 atmospheres: above any break with dry gas that a vacuum gauge stays connected to (own judgement)."""
AIR_AT_MOST_MICRON = 1.2e6
"""1.6 atmospheres: no pull starts there; the air's pressure is at most 1.1 atmospheres anywhere people work."""
PLAIN_UNIT_MICRON = 1000.0
"""A log with a few readings above this, and none above the air's pressure, is in no doubt about its unit."""
_RESOLVABLE_STEP_MICRON = 20.0
"""A zero from a reading in coarser steps than this is a rounded pressure, not an impossible one."""


def pressure_problem(value: float) -> str:
    """Why a single pressure, in microns, is refused; empty if it is not (zero is settled by the log's resolution)."""
    if value < 0:
        return "a negative absolute pressure is impossible; the line was left out"
    return "an impossible pressure; the line was left out"


def bad_readings(pressure_micron: FloatArray) -> NDArray[np.bool_]:
    """Flag impossible readings; NaN (over-range) and zero are not flagged here."""
    with np.errstate(invalid="ignore"):
        return (
            (pressure_micron < 0)
            | ((pressure_micron > 0) & (pressure_micron < LOWEST_READING_MICRON))
            | (pressure_micron > HIGHEST_READING_MICRON)
        )


def rounded_zero_micron(pressure_micron: FloatArray) -> float:
    """What a zero stands for in a log with coarse steps: a quarter of a step; 0 if a zero is impossible there.

    An absolute gauge that shows hundredths of an inch of mercury (254 microns each) rounds a good vacuum to zero; what
    was there lies between nothing and half a step.
    """
    values = np.unique(pressure_micron[np.isfinite(pressure_micron) & (pressure_micron > 0)])
    if values.size < 2:
        return 0.0
    step = float(min(np.diff(values).min(), values[0]))
    return step / 4 if step >= _RESOLVABLE_STEP_MICRON else 0.0


def unit_problem(raw_micron: FloatArray) -> str:
    """Why the unit of a whole log cannot be what it says; empty if it can.

    Parameters
    ----------
    raw_micron
        ``(n,)`` every number of the pressure column in microns by the stated unit, in file order, impossible ones
        included; NaN where over-range.

    Returns
    -------
    str
        The reason: the readings are some thousand times too high or too low for the pull of a circuit.
    """
    finite = np.isfinite(raw_micron)
    p = raw_micron[finite & (raw_micron >= 0)]
    if p.size == 0:
        return ""
    too_high = (
        "the pressures cannot be in the stated unit: {what}; a thousandfold slip of the unit is likely (microns named "
        "torr, Pa named kPa); correct the heading and hand the log in again"
    )
    too_low = too_high.replace("microns named torr, Pa named kPa", "torr named microns, kPa named Pa")
    over = p > HIGHEST_READING_MICRON
    if over.mean() >= 0.2:
        return too_high.format(what=f"they reach {p.max():.3g} microns, many atmospheres")
    possible = p[~over]
    positive = possible[possible > 0]
    low, high = _sustained(positive if positive.size else possible)
    if high > AIR_AT_MOST_MICRON and low > 20_000:
        return too_high.format(what=f"they run from {high:.3g} to {low:.3g} microns, above the air's pressure")
    if positive.size == 0 or high < 5:
        return too_low.format(what=f"none is above {high:.3g} microns, and no pump for this trade goes so deep")
    falls = high > 3 * max(low, 1e-9)
    starts_over_range = not finite[: min(3, finite.size)].any()
    if high < 30 and (falls or starts_over_range):
        return too_low.format(what=f"the pull starts at {high:.3g} microns, where pumps end")
    zeros = float(np.mean(possible == 0))
    resolved = rounded_zero_micron(possible) == 0.0
    if high <= 1000 and resolved and (zeros > 0.2 or low < 2):
        return too_low.format(what=f"it pulls from {high:.4g} to {low:.3g} microns, deeper than such pumps go")
    return ""


def is_plain(pressure_micron: FloatArray) -> bool:
    """Whether no reading is doubtful and the unit is plainly right, so that `unit_problem` need not look closer."""
    with np.errstate(invalid="ignore"):
        if bool(np.any((pressure_micron < LOWEST_READING_MICRON) | (pressure_micron > AIR_AT_MOST_MICRON))):
            return False
        return int(np.count_nonzero(pressure_micron > PLAIN_UNIT_MICRON)) >= 3


def _sustained(p: FloatArray) -> tuple[float, float]:
    """Lowest and highest level of a log, single odd readings aside."""
    ordered = np.sort(p)
    n = ordered.size
    k = min(max(n // 50, 2), n - 1) if n >= 20 else 0
    m = 2 if n >= 20 else 0
    return float(ordered[k]), float(ordered[n - 1 - m])
