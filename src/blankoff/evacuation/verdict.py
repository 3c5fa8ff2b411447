"""The verdict of one log, in the contract's order, and whether the gauge's accuracy alone could have turned it.

The order (first that applies):

1. already above the limit when isolated: ``unproven, target_missed``;
2. rose over the limit within the required time, even if the hold was then cut short: ``failed``, with what the rise is
   made of as the reason;
3. never isolated, or for under a minute: ``unproven, no_hold`` - but where the log ends standing still for as long as
   the hold had to last, on a floor above the target, it is ``unproven, target_missed``: a circuit with next to no load,
   shut off at its pump's floor, shows no isolation, so what is sure is that the target was missed, not that nobody held;
4. the lowest pumped reading was above the target: ``unproven, target_missed``;
5. stood too short: ``unproven, short_hold``;
6. else ``passed, held``.

Each comparison is made on a robust number, not on one noisy reading: the pressure at isolation with the settling step
run out, the smoothed pressure at the required minute (or at the end, if that came first), the lowest steady pumped
pressure. A spike over the limit fails nobody. Five numbers decide, so the same rule on scaled pressures tells whether
the gauge's accuracy could have turned the verdict.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from blankoff.physics.compiled import kernel

__all__ = [
    "ASSUMED_ACCURACY_PERCENT",
    "RISE_REASONS",
    "RISE_WORDS",
    "Reason",
    "RiseKind",
    "borderline_verdicts",
    "hold_pressures",
    "hold_tolerance_s",
    "pressure_when_isolated",
    "rise_kinds",
    "verdict_words",
    "verdicts",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ASSUMED_ACCURACY_PERCENT = 5.0
"""For a gauge whose accuracy nobody stated: the better end of what such gauges have (common practice, no source)."""


class Reason(IntEnum):
    """Reasons of the contract that one log can give, with the verdict each belongs to."""

    HELD = 0
    LEAK = 1
    MOISTURE = 2
    LEAK_AND_MOISTURE = 3
    RISE_UNEXPLAINED = 4
    TARGET_MISSED = 5
    SHORT_HOLD = 6
    NO_HOLD = 7
    UNREADABLE_LOG = 8


class RiseKind(IntEnum):
    """What a hold's rise is made of; `NONE` is null in the tables."""

    NONE = -1
    FLAT = 0
    MOISTURE = 1
    LEAK = 2
    LEAK_AND_MOISTURE = 3
    UNDETERMINED = 4


RISE_WORDS = {kind: None if kind is RiseKind.NONE else kind.name.lower() for kind in RiseKind}

_VERDICT_OF = {Reason.HELD: "passed"} | dict.fromkeys(
    (Reason.LEAK, Reason.MOISTURE, Reason.LEAK_AND_MOISTURE, Reason.RISE_UNEXPLAINED), "failed"
)
_FAILED_FOR = {
    RiseKind.MOISTURE: Reason.MOISTURE,
    RiseKind.LEAK: Reason.LEAK,
    RiseKind.LEAK_AND_MOISTURE: Reason.LEAK_AND_MOISTURE,
}

RISE_REASONS = {kind: _FAILED_FOR.get(kind, Reason.RISE_UNEXPLAINED).name.lower() for kind in RiseKind}
"""What a hold that rose over the limit failed for, by what its rise is made of."""


def verdict_words(reasons: IntArray) -> tuple[list[str], list[str]]:
    """Verdict and reason words of reason codes."""
    known = [Reason(r) for r in reasons.tolist()]
    return [_VERDICT_OF.get(r, "unproven") for r in known], [r.name.lower() for r in known]


def rise_kinds(p_leak: FloatArray, p_moisture: FloatArray, proof: float) -> IntArray:
    """Name the rise from the calibrated probabilities of its two parts.

    Parameters
    ----------
    p_leak, p_moisture : (n,) float64
        Probability that the steady / the saturating part is material; NaN without a fitted hold.
    proof
        How sure before a leak is named, or ruled out.

    Returns
    -------
    (n,) int64
        `RiseKind` codes. What a hold must settle is whether the circuit leaks: undetermined means that it did not.
        With that settled, the other part is named when it is likelier material than not.
    """
    leak = np.where(p_leak >= proof, 1, np.where(p_leak <= 1.0 - proof, 0, -1))
    moisture = (p_moisture >= 0.5).astype(np.int64)
    kind = np.where(leak < 0, RiseKind.UNDETERMINED, 2 * leak + moisture)
    return np.where(np.isfinite(p_leak) & np.isfinite(p_moisture), kind, RiseKind.NONE).astype(np.int64)


def hold_tolerance_s(required_min: FloatArray, interval_s: FloatArray) -> FloatArray:
    """How much short of the required time a hold may seem and still count as full.

    Two sample intervals, because a log shows neither the moment of isolation nor the last one better than that, or
    two per cent of the required time; never over a tenth of it (this project's judgement).
    """
    interval = np.nan_to_num(interval_s, nan=1.0)
    return np.minimum(np.maximum(2.0 * interval, 1.2 * required_min), 6.0 * required_min)


@kernel
def _level_at(t: FloatArray, p: FloatArray, a: int, b: int, at: float, half: float) -> float:
    """Robust pressure at a moment: a straight line through the readings around it, outliers clipped thrice."""
    # times ascend: what lies outside by more than rounding need not be looked at
    a = a + int(np.searchsorted(t[a:b], at - half - 1e-3))
    n = 0
    for i in range(a, b):
        if t[i] - at > half:
            b = i
            break
        if abs(t[i] - at) <= half and p[i] > 0.0:
            n += 1
    if n == 0:
        return np.nan
    x, y, w = np.empty(n), np.empty(n), np.ones(n)
    n = 0
    for i in range(a, b):
        if abs(t[i] - at) <= half and p[i] > 0.0:
            x[n] = t[i] - at
            y[n] = p[i]
            n += 1
    level = float(np.median(y))
    if n < 4:
        return level
    off = np.empty(n)
    for _ in range(4):
        sw, sx, sy, sxx, sxy = 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(n):
            sw += w[i]
            sx += w[i] * x[i]
            sy += w[i] * y[i]
            sxx += w[i] * x[i] * x[i]
            sxy += w[i] * x[i] * y[i]
        det = sw * sxx - sx * sx
        # at least half of the readings lie within the median of the misfits, and keep their weight
        if det <= 1e-9 * sw * sxx:
            slope = 0.0
            level = sy / sw
        else:
            slope = (sw * sxy - sx * sy) / det
            level = (sy - slope * sx) / sw
        for i in range(n):
            off[i] = abs(y[i] - level - slope * x[i])
        scale = max(1.4826 * np.median(off), 0.5)
        for i in range(n):
            w[i] = 1.0 if off[i] <= 2.5 * scale else 2.5 * scale / off[i]
            if off[i] > 6.0 * scale:
                w[i] = 0.0
    return level


def pressure_when_isolated(
    final_vacuum_micron: FloatArray, p0_micron: FloatArray, settled_micron: FloatArray, minute_micron: FloatArray
) -> FloatArray:
    """Pressure of the circuit at the moment of isolation, the gradient along the line evened out.

    A gauge on the pump's side reads low while pumping and steps up at isolation: what it settles at was the circuit's
    pressure all along. Where the first minute's rise is no smaller than the step itself, the two can't be told apart
    and the last pumped reading stands.

    Parameters
    ----------
    final_vacuum_micron, p0_micron, settled_micron, minute_micron : (n,) float64
        Last steady pumped reading; fitted pressure at isolation without the settling step; pressure a few seconds and
        a minute after isolation. NaN where unknown.
    """
    settled = np.fmin(p0_micron, settled_micron)
    step = settled - final_vacuum_micron
    told_apart = (minute_micron - settled_micron < step) | ~np.isfinite(final_vacuum_micron)
    return np.where(told_apart, np.fmax(settled, final_vacuum_micron), final_vacuum_micron)


@kernel
def hold_pressures(
    offsets: IntArray,
    elapsed: FloatArray,
    pressure: FloatArray,
    starts: FloatArray,
    ends: FloatArray,
    required_s: FloatArray,
    tolerance_s: FloatArray,
    out: FloatArray,
) -> None:
    """Robust pressures of every judged hold.

    Parameters
    ----------
    offsets, elapsed, pressure
        As in `samples.SampleBatch`.
    starts, ends, required_s, tolerance_s : (n,)
        The judged hold (NaN = none), the required time and its tolerance, s.
    out : (n, 6) float64, overwritten
        0 pressure at the hold's end; 1 at the required minute (NaN if it did not stand so long or was over-range
        then); 2 at the required minute or at the last reading before it: what is held against the limit; 3 first
        settled pressure (readings up to 40 s after isolation, carried back along their line to 8 s); 4 pressure a
        minute after isolation; 5 second lowest reading up to the isolation and just after it: no pumped pressure can
        have been much below it.
    """
    for i in range(starts.size):
        for k in range(6):
            out[i, k] = np.nan
        if not ends[i] > starts[i]:
            continue
        first, stop = offsets[i], offsets[i + 1]
        a = first + np.searchsorted(elapsed[first:stop], starts[i])
        b = first + np.searchsorted(elapsed[first:stop], ends[i], side="right")
        last = b - 1
        while last >= a and not pressure[last] > 0.0:
            last -= 1
        if last < a:
            continue
        interval = max((elapsed[last] - elapsed[a]) / max(last - a, 1), 0.1)
        half = min(max(20.0, 6.0 * interval), max(0.25 * (elapsed[last] - starts[i]), 2.0 * interval))
        out[i, 0] = _level_at(elapsed, pressure, a, b, elapsed[last], half)
        due = starts[i] + required_s[i]
        at = min(due, elapsed[last])
        # the window around the required minute may reach beyond it, as far as the hold stands
        out[i, 2] = _level_at(elapsed, pressure, a, b, at, half)
        if elapsed[last] >= due - tolerance_s[i]:
            out[i, 1] = out[i, 2]
        out[i, 4] = _level_at(elapsed, pressure, a, b, min(starts[i] + 60.0, elapsed[last]), max(20.0, 2.0 * interval))
        least, second = np.inf, np.inf
        for j in range(first, b):
            if elapsed[j] > starts[i] + 3.0 * interval and j >= a + 3:
                break
            x = pressure[j]
            if x > 0.0:
                if x < least:
                    least, second = x, least
                elif x < second:
                    second = x
        if second < np.inf:
            out[i, 5] = second
        early = min(40.0, max(elapsed[last] - starts[i], 2.0 * interval))
        out[i, 3] = _level_at(elapsed, pressure, a, b, starts[i] + min(8.0, early), early)


def verdicts(
    isolated_micron: FloatArray,
    highest_micron: FloatArray,
    lowest_pumped_micron: FloatArray,
    stood_s: FloatArray,
    rise: IntArray,
    target_micron: FloatArray,
    limit_micron: FloatArray,
    required_s: FloatArray,
    tolerance_s: FloatArray,
    shortest_s: float,
    scale: FloatArray | float = 1.0,
    still_s: FloatArray | None = None,
) -> IntArray:
    """Judge logs in the contract's order.

    Parameters
    ----------
    isolated_micron, highest_micron, lowest_pumped_micron : (n,)
        Pressure when isolated; smoothed pressure at the required minute or the hold's end; lowest pumped pressure.
        NaN where there is none.
    stood_s : (n,)
        Length of the judged hold; NaN = never isolated.
    rise : (n,) int
        `RiseKind` codes.
    target_micron, limit_micron, required_s, tolerance_s : (n,)
        The criterion.
    shortest_s
        An isolation shorter than this is no hold.
    scale
        What the pressures are multiplied by first, to try the gauge's error.
    still_s : (n,), optional
        How long pressure stood still at the log's end where no isolation is seen; NaN where it did not.

    Returns
    -------
    (n,) int64
        `Reason` codes.
    """
    held = np.nan_to_num(stood_s, nan=0.0)
    isolated = held > 0.0
    above = isolated & (scale * isolated_micron > limit_micron)
    rose = isolated & (scale * highest_micron > limit_micron)
    missed = ~(scale * lowest_pumped_micron <= target_micron)
    may_have_held = ~isolated & (False if still_s is None else still_s >= required_s)
    failed = np.select(
        [rise == k for k in _FAILED_FOR], [int(r) for r in _FAILED_FOR.values()], int(Reason.RISE_UNEXPLAINED)
    )
    return np.select(
        [above, rose, may_have_held & missed, held < shortest_s, missed, held < required_s - tolerance_s],
        [
            np.full(held.shape, int(Reason.TARGET_MISSED)),
            failed,
            np.full(held.shape, int(Reason.TARGET_MISSED)),
            np.full(held.shape, int(Reason.NO_HOLD)),
            np.full(held.shape, int(Reason.TARGET_MISSED)),
            np.full(held.shape, int(Reason.SHORT_HOLD)),
        ],
        int(Reason.HELD),
    ).astype(np.int64)


def borderline_verdicts(
    isolated_micron: FloatArray,
    highest_micron: FloatArray,
    lowest_pumped_micron: FloatArray,
    stood_s: FloatArray,
    rise: IntArray,
    target_micron: FloatArray,
    limit_micron: FloatArray,
    required_s: FloatArray,
    tolerance_s: FloatArray,
    shortest_s: float,
    accuracy_percent: FloatArray,
    gauge_ratio: FloatArray | None = None,
    still_s: FloatArray | None = None,
) -> NDArray[np.bool_]:
    """Tell whether the gauge alone could have turned the verdict.

    The rule of `verdicts` is applied to pressures at both ends of the gauge's stated accuracy and, where the fleet has
    an estimate of how the gauge reads against the others (`gauge_ratio`, 1 = like them), around the pressure corrected
    by it. Another verdict or another reason but for the rise's own name makes it borderline.

    Returns
    -------
    (n,) bool
    """
    accuracy = np.where(np.isfinite(accuracy_percent), accuracy_percent, ASSUMED_ACCURACY_PERCENT) / 100.0
    accuracy = np.clip(accuracy, 0.0, 0.9)
    ratio = np.ones_like(accuracy) if gauge_ratio is None else np.where(gauge_ratio > 0.0, gauge_ratio, 1.0)

    def judged(scale: FloatArray | float) -> IntArray:
        return verdicts(
            isolated_micron, highest_micron, lowest_pumped_micron, stood_s, rise, target_micron, limit_micron,
            required_s, tolerance_s, shortest_s, scale, still_s,
        )  # fmt: skip

    base = judged(1.0)
    turned = np.zeros(base.shape, dtype=bool)
    for scale in ((1.0 + accuracy) / ratio, (1.0 - accuracy) / ratio, 1.0 / ratio):
        turned |= judged(scale) != base
    return turned
