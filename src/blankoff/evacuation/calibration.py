"""From the fit's raw probabilities to calibrated ones, for one log and for a fleet.

One log: the raw posterior is a little too sure, because real rises are richer than the shapes the fit knows. Its
log-odds are scaled by a slope found on simulated holds of several worlds and checked on others
(``tests/recovery/test_calibration.py`` holds the script that finds it and the check).

A fleet: how common leaks and material outgassing are differs between fleets by more than any slope, and the fleet's
own holds tell it. `fleet_calibrated` re-weighs the log-odds of all holds by the base rate that makes their evidence
likeliest, as a mixture's weight is estimated; a prior worth some tens of holds keeps a small fleet where a single log
would be. What one hold's curve says is not touched by it: only what was believed before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEAK_MAP", "MOISTURE_MAP", "EvidenceMap", "beside_water", "calibrated", "fleet_calibrated", "fleet_rate"]

FloatArray = NDArray[np.float64]

_LEAST = 1e-4
"""No probability nearer to 0 or 1 is believed: the simulated holds can't vouch for more."""


@dataclass(frozen=True)
class EvidenceMap:
    """Calibration of one probability.

    Attributes
    ----------
    slope
        Factor on the log-odds.
    base_rate
        Share of holds for which the scaled log-odds need no shift: the base rate that the fit's prior amounts to.
    prior_holds
        Weight of `base_rate` against a fleet's own holds, in holds.
    """

    slope: float
    base_rate: float
    prior_holds: float


LEAK_MAP = EvidenceMap(slope=0.80, base_rate=0.20, prior_holds=20.0)
MOISTURE_MAP = EvidenceMap(slope=0.85, base_rate=0.70, prior_holds=20.0)


WATER_FROM_MICRON = 250.0
WATER_SURE_MICRON = 500.0
"""A saturating part beyond these is more than outgassing gives within a hold (50 - 300 microns: common practice)."""
WATER_MISFIT = 0.35
"""Free water warms, sinks and dries up as it evaporates: this share of its rise may look steady; own simulation."""
LEAK_BESIDE_WATER = 0.2
"""Share of wet circuits that leak too, before the curve is looked at; own judgement, no source."""
LEAK_DECADES_LN = 4.6
"""Steady rises worth finding spread evenly in logarithm over a hundredfold (5 - 500 microns/min: common practice)."""


def _log_odds(p: FloatArray) -> FloatArray:
    q = np.clip(p, _LEAST, 1.0 - _LEAST)
    return np.asarray(np.log(q) - np.log1p(-q))


def _probability(log_odds: FloatArray) -> FloatArray:
    return np.asarray(1.0 / (1.0 + np.exp(-log_odds)))


def calibrated(p_leak_raw: FloatArray, p_moisture_raw: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Calibrate the raw probabilities of single holds.

    Parameters
    ----------
    p_leak_raw, p_moisture_raw : (n,) float64
        From `hold.fit_holds`; NaN stays NaN.

    Returns
    -------
    p_leak, p_moisture : (n,) float64
    """
    return (
        _probability(LEAK_MAP.slope * _log_odds(p_leak_raw)),
        _probability(MOISTURE_MAP.slope * _log_odds(p_moisture_raw)),
    )


def fleet_rate(p: FloatArray, evidence: EvidenceMap) -> float:
    """Base rate among a fleet's holds, by the likelihood of their evidence.

    Parameters
    ----------
    p : (n,) float64
        Calibrated probabilities of single holds; NaN (no hold) is left out.
    evidence
        `LEAK_MAP` or `MOISTURE_MAP`.

    Returns
    -------
    float
        Between 0 and 1; `evidence.base_rate` for an empty fleet. Does not depend on the order of the holds.
    """
    known = np.sort(p[np.isfinite(p)])
    shift = float(_log_odds(np.array([evidence.base_rate]))[0])
    ratio = np.exp(_log_odds(known) - shift)
    rate = evidence.base_rate
    for _ in range(500):
        part = rate * ratio / (rate * ratio + 1.0 - rate)
        new = (float(part.sum()) + evidence.prior_holds * evidence.base_rate) / (known.size + evidence.prior_holds)
        if abs(new - rate) < 1e-10:
            break
        rate = new
    return min(max(rate, _LEAST), 1.0 - _LEAST)


def fleet_calibrated(p_leak: FloatArray, p_moisture: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Re-weigh single holds' probabilities by what the whole fleet's holds say about how common each part is.

    Parameters
    ----------
    p_leak, p_moisture : (n,) float64
        Calibrated probabilities of single holds of one fleet, as far as known; NaN stays NaN.

    Returns
    -------
    p_leak, p_moisture : (n,) float64
    """
    out = []
    for p, evidence in ((p_leak, LEAK_MAP), (p_moisture, MOISTURE_MAP)):
        rates = _log_odds(np.array([fleet_rate(p, evidence), evidence.base_rate]))
        out.append(_probability(_log_odds(p) + rates[0] - rates[1]))
    return out[0], out[1]


def beside_water(p_leak: FloatArray, leak_micron: FloatArray, saturating_micron: FloatArray) -> FloatArray:
    """Take off what free water explains of a steady part.

    The fit's shapes describe outgassing closely and free water roughly: of a saturating rise of thousands of microns,
    hundreds may be left over that look steady. Their size is weighed against that of the leaks there are.

    Parameters
    ----------
    p_leak : (n,) float64
        Calibrated probability of a material steady part.
    leak_micron, saturating_micron : (n,) float64
        The two parts over the required hold, microns.

    Returns
    -------
    (n,) float64
        Unchanged where the saturating part is no more than outgassing gives.
    """
    leak, water = np.maximum(leak_micron, 1.0), np.maximum(saturating_micron, 1.0)
    misfit = WATER_MISFIT * water
    from_leak = LEAK_BESIDE_WATER / (leak * LEAK_DECADES_LN)
    from_water = (1.0 - LEAK_BESIDE_WATER) * np.sqrt(2.0 / np.pi) / misfit * np.exp(-0.5 * (leak / misfit) ** 2)
    believed = from_leak / (from_leak + from_water)
    wet = np.clip((water - WATER_FROM_MICRON) / (WATER_SURE_MICRON - WATER_FROM_MICRON), 0.0, 1.0)
    return np.asarray(p_leak * (1.0 - wet + wet * believed))
