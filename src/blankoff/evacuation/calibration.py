"""From the fit's raw probabilities to calibrated ones.

The raw posterior is a little too sure, because real rises are richer than the shapes the fit knows. Its log-odds are
scaled by slopes found on simulated holds of several worlds and checked on others (``tests/recovery/test_calibration.py``
holds the script that finds them and the checks).

Free water is where the fit's shapes are roughest: water warms, sinks below ice and dries up as it evaporates, and of
thousands of microns that saturate some hundreds may be left over that look steady, with every sign of certainty. In a
wet circuit the fit's certainty counts for little, and beside thousands that saturate a few hundredths that look steady are the
water's whatever the fit is sure of. The more saturates the more that holds.

The numbers were found together on four kinds of simulated holds, each counted alike, whose physics differ: fleets of
`synthetic_data`, a fleet and the plain holds of ``tests/accuracy`` (kinds alike, and as they fall), with every fleet's own
shares put in (`fleet.rise_shares`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["WATER_FROM_MICRON", "calibrated"]

FloatArray = NDArray[np.float64]

_LEAST = 1e-4
"""No probability nearer to 0 or 1 is believed: the simulated holds can't vouch for more."""

LEAK_SLOPE, LEAK_SHIFT = 0.93, -0.69
"""Log-odds of a leak from the raw ones, in a circuit that only outgasses; simulations."""

WATER_FROM_MICRON = 250.0
"""A saturating part beyond this is more than outgassing gives within a hold (50 - 300 microns: common practice)."""
WET_FROM_MICRON, WET_MICRON = 150.0, 700.0
"""Saturating parts between which the wet circuit's rule takes over from the dry one's, by their logarithm."""
WET_SHIFT, WET_CERTAINTY = 0.05, 0.19
"""Log-odds of a leak in a wet circuit: a constant, and per unit of the raw log-odds; simulations."""
CERTAIN_FROM, CERTAIN_RISE = 0.07, 25.0
"""The raw log-odds count in a wet circuit for no more than the second times ln of how many times the first the steady part is of
the saturating one, by the best plain shape: from a tenth on all they say counts."""
_WIDEST_PLAIN_LN = 5.0

MOISTURE_SLOPE, MOISTURE_SHIFT = 0.60, 0.35
"""Log-odds of a material saturating part from the raw ones; simulations."""
BESIDE_LEAK_SLOPE, BESIDE_LEAK_SHIFT = 0.32, -0.58
"""What is added to slope and shift where a leak is sure: beside one, gauge lag, a valve closed slowly and pressures that
even out pass for a small saturating part; simulations."""


def _log_odds(p: FloatArray) -> FloatArray:
    q = np.clip(p, _LEAST, 1.0 - _LEAST)
    return np.asarray(np.log(q) - np.log1p(-q))


def _probability(log_odds: FloatArray) -> FloatArray:
    return np.asarray(1.0 / (1.0 + np.exp(-log_odds)))


def _ln_ratio(a: FloatArray, b: FloatArray, widest: float) -> FloatArray:
    return np.asarray(np.clip(np.log(np.maximum(a, 1.0)) - np.log(np.maximum(b, 1.0)), -widest, widest))


def calibrated(
    p_leak_raw: FloatArray,
    p_moisture_raw: FloatArray,
    saturating_micron: FloatArray,
    plain_straight_micron: FloatArray,
    plain_bend_micron: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Calibrate the raw probabilities of single holds.

    Parameters
    ----------
    p_leak_raw, p_moisture_raw : (n,) float64
        From `hold.fit_holds`; NaN stays NaN.
    saturating_micron : (n,) float64
        Posterior mean of the saturating part within the required hold, microns.
    plain_straight_micron, plain_bend_micron : (n,) float64
        The steady and the saturating part by the likeliest one or two exponentials and a line, no prior on their size.

    Returns
    -------
    p_leak, p_moisture : (n,) float64
    """
    raw = _log_odds(p_leak_raw)
    ratio = _ln_ratio(plain_straight_micron, plain_bend_micron, _WIDEST_PLAIN_LN)
    certain = np.minimum(raw, np.maximum(CERTAIN_RISE * (ratio - np.log(CERTAIN_FROM)), _log_odds(np.array(_LEAST))))
    water = WET_SHIFT + WET_CERTAINTY * certain
    wet = np.log(np.maximum(saturating_micron, 1.0) / WET_FROM_MICRON) / np.log(WET_MICRON / WET_FROM_MICRON)
    wet = np.clip(wet, 0.0, 1.0)
    leak = (1.0 - wet) * (LEAK_SHIFT + LEAK_SLOPE * raw) + wet * water
    slope = MOISTURE_SLOPE + BESIDE_LEAK_SLOPE * p_leak_raw
    moisture = MOISTURE_SHIFT + BESIDE_LEAK_SHIFT * p_leak_raw + slope * _log_odds(p_moisture_raw)
    return _probability(leak), _probability(moisture)
