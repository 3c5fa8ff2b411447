"""Least squares in which no coefficient is negative."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["nonnegative_fit"]

FloatArray = NDArray[np.float64]


def nonnegative_fit(columns: FloatArray, target: FloatArray) -> FloatArray:
    """Coefficients, none of them negative, with which columns add up to a target as nearly as can be.

    For some tens of columns. The library's function for this takes longer to load than a sheet to make.

    Parameters
    ----------
    columns : (n, k)
        What is added up.
    target : (n,)
        What it shall come to.

    Returns
    -------
    ndarray, shape (k,)

    References
    ----------
    C. L. Lawson, R. J. Hanson, *Solving Least Squares Problems* (1974), chapter 23: columns are let in one by one where
    the residual leans on them most, and put out again where they would turn negative.
    """
    k = columns.shape[1]
    found, held = np.zeros(k), np.zeros(k, dtype=bool)
    least = 10.0 * max(columns.shape) * np.finfo(float).eps * float(np.abs(columns).sum(axis=0).max(initial=0.0))
    for _ in range(3 * k):
        lean = columns.T @ (target - columns @ found)
        lean[held] = -np.inf
        if held.all() or lean.max() <= least:
            break
        held[int(lean.argmax())] = True
        while True:
            tried = np.zeros(k)
            tried[held] = np.linalg.lstsq(columns[:, held], target, rcond=None)[0]
            below = held & (tried <= 0.0)
            if not below.any():
                break
            # as far towards what was tried as none turns negative; what comes to nothing is put out
            step = float((found[below] / (found[below] - tried[below])).min())
            found = found + step * (tried - found)
            held &= found > 1e-14 * max(float(found.max()), 1e-300)
            found[~held] = 0.0
        found = tried
    return found
