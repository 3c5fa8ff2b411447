"""What one hold says of its circuit's possible states, kept so that a fleet can put the states' shares otherwise.

How common leaks are, and how many circuits have done outgassing, differs between fleets by more than a hold can tell of itself.
The fit is of six cases: three states of the circuit (`hold_posterior.STATES`), each without and with a leak. Given a case the
chances of material parts are the hold's own, and the weight of a case is its prior share times what the readings say; so any
other shares can be put in afterwards, without the readings.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.calibration import calibrated
from blankoff.evacuation.hold import HoldFits
from blankoff.evacuation.hold_posterior import STATES

__all__ = ["CASES", "EVIDENCE", "rise_chances", "rise_evidence"]

FloatArray = NDArray[np.float64]

CASES = 2 * len(STATES)
"""States of the circuit, each without and with a leak."""

EVIDENCE = CASES + 3 * len(STATES) + 3
"""Numbers kept of a hold: what the readings say of each case, relative to the likeliest; chance of a material leak where one is,
of a material saturating part without and with a leak, by state; saturating part, steady and saturating part of the best plain
shape, microns."""

_NOTHING = 1e-300


def rise_evidence(fits: HoldFits, shares: FloatArray) -> FloatArray:
    """Evidence of ``n`` holds, fitted under prior shares of the cases (`RisePrior.shares`); ``(n, EVIDENCE)``, NaN without a fit."""
    tight, leak, material, tight_moist, leak_moist = (
        np.stack([fits[f"{state}_{part}"] for state in STATES], axis=1)
        for part in ("tight", "leak", "material", "tight_moist", "leak_moist")
    )
    likely = np.stack([tight, leak], axis=2).reshape(-1, CASES) / shares
    likely = likely / likely.max(axis=1, keepdims=True)
    leak, tight = np.maximum(leak, _NOTHING), np.maximum(tight, _NOTHING)
    plain = [fits["saturating_micron"], fits["best_straight_micron"], fits["best_bend_micron"]]
    return np.column_stack([likely, material / leak, tight_moist / tight, leak_moist / leak, *plain])


def rise_chances(evidence: FloatArray, shares: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Calibrated chances of a material leak and of a material saturating part, the cases having these shares.

    Parameters
    ----------
    evidence : (n, EVIDENCE) float64
        From `rise_evidence`; NaN stays NaN.
    shares : (CASES,) float64
        Of the cases, in the order of `RisePrior.shares`.

    Returns
    -------
    p_leak, p_moisture : (n,) float64
    """
    states = len(STATES)
    weight = evidence[:, :CASES] * shares
    weight = weight / weight.sum(axis=1, keepdims=True)
    material, tight_moist, leak_moist = (evidence[:, CASES + k * states : CASES + (k + 1) * states] for k in range(3))
    p_leak = (weight[:, 1::2] * material).sum(axis=1)
    p_moisture = (weight[:, 0::2] * tight_moist + weight[:, 1::2] * leak_moist).sum(axis=1)
    return calibrated(p_leak, p_moisture, *evidence[:, CASES + 3 * states :].T)
