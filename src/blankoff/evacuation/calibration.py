"""From the fit's raw probabilities to calibrated ones.

The raw posterior is a little too sure, because real rises are richer than the shapes the fit knows. Its log-odds are
scaled by slopes found on simulated holds of several worlds and checked on others (``tests/recovery/test_calibration.py``
holds the script that finds them and the checks).

Free water is where the fit's shapes are roughest: water warms, sinks below ice and dries up as it evaporates, and of
thousands of microns that saturate some hundreds may be left over that look steady, with every sign of certainty. In a
wet circuit the fit's certainty therefore counts for nothing; what counts is how the rise is shared out between the two
parts, by the posterior and by the best plain shape.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["WATER_FROM_MICRON", "calibrated"]

FloatArray = NDArray[np.float64]

_LEAST = 1e-4
"""No probability nearer to 0 or 1 is believed: the simulated holds can't vouch for more."""

LEAK_SLOPE, LEAK_SHIFT = 0.78, -0.08
"""Log-odds of a leak from the raw ones, in a circuit that only outgasses; own simulation."""

WATER_FROM_MICRON = 250.0
WATER_SURE_MICRON = 500.0
"""A saturating part beyond these is more than outgassing gives within a hold (50 - 300 microns: common practice)."""
WET_SHIFT, WET_SHARE, WET_PLAIN_SHARE = 0.0, 0.39, 0.28
"""Log-odds of a leak in a wet circuit: a constant, and per unit of ln (steady over saturating) by the posterior and by the
best plain shape; own simulation."""
_WIDEST_LN, _WIDEST_PLAIN_LN = 4.0, 5.0

MOISTURE_SLOPE, MOISTURE_SHIFT = 0.69, 0.21
"""Log-odds of a material saturating part from the raw ones; own simulation."""
BESIDE_LEAK_SLOPE, BESIDE_LEAK_SHIFT = 0.21, -0.42
"""What is added to slope and shift where a leak is sure: beside one, gauge lag, a valve closed slowly and pressures that
even out pass for a small saturating part; own simulation."""


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
    leak_micron: FloatArray,
    saturating_micron: FloatArray,
    plain_straight_micron: FloatArray,
    plain_bend_micron: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Calibrate the raw probabilities of single holds.

    Parameters
    ----------
    p_leak_raw, p_moisture_raw : (n,) float64
        From `hold.fit_holds`; NaN stays NaN.
    leak_micron, saturating_micron : (n,) float64
        Posterior means of the two parts within the required hold, microns.
    plain_straight_micron, plain_bend_micron : (n,) float64
        The same two parts by the likeliest one or two exponentials and a line, no prior on their size.

    Returns
    -------
    p_leak, p_moisture : (n,) float64
    """
    dry = LEAK_SHIFT + LEAK_SLOPE * _log_odds(p_leak_raw)
    water = (
        WET_SHIFT
        + WET_SHARE * _ln_ratio(leak_micron, saturating_micron, _WIDEST_LN)
        + WET_PLAIN_SHARE * _ln_ratio(plain_straight_micron, plain_bend_micron, _WIDEST_PLAIN_LN)
    )
    wet = np.clip((saturating_micron - WATER_FROM_MICRON) / (WATER_SURE_MICRON - WATER_FROM_MICRON), 0.0, 1.0)
    leak = (1.0 - wet) * dry + wet * water
    slope = MOISTURE_SLOPE + BESIDE_LEAK_SLOPE * p_leak_raw
    moisture = MOISTURE_SHIFT + BESIDE_LEAK_SHIFT * p_leak_raw + slope * _log_odds(p_moisture_raw)
    return _probability(leak), _probability(moisture)
