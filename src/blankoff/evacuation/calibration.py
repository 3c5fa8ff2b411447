"""From the fit's raw probabilities to calibrated ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["calibrated"]

FloatArray = NDArray[np.float64]


def calibrated(p_leak_raw: FloatArray, p_moisture_raw: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Calibrate both probabilities."""
    return np.clip(p_leak_raw, 0.0, 1.0), np.clip(p_moisture_raw, 0.0, 1.0)
