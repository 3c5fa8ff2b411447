"""Numbers as the tables state them: to so many digits, beyond which another processor may say otherwise.

A library's logarithm is rounded otherwise on another processor, and linear algebra adds up in another order: in the
eleventh digit as a rule, after hundreds of steps in the tenth. What the tables state is the same all the same.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

__all__ = ["DIGITS", "MICROSECONDS", "stated"]

DIGITS = 7
"""Digits of a number in a table of the contract: three more than any gauge has, four fewer than processors agree in."""
MICROSECONDS = 6
_MOMENTS = frozenset({"isolated_at_s", "start_s", "end_s"})
"""Moments of a log are stated to the microsecond, as its readings are."""

_LEAST = -300
_POWERS = np.array([float(f"1e{k}") for k in range(_LEAST, 309)])


def stated(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame with its numbers as they are stated; what is no number of float64 is left alone."""
    return frame.with_columns(
        pl.Series(name, _rounded(frame[name], name in _MOMENTS), dtype=pl.Float64)
        for name, dtype in frame.schema.items()
        if dtype == pl.Float64
    )


def _rounded(column: pl.Series, is_moment: bool) -> pl.Series:
    values = column.fill_null(np.nan).to_numpy()
    rounded = pl.Series(column.name, to_decimals(values) if is_moment else to_digits(values))
    return rounded.set(column.is_null(), None) if column.null_count() else rounded


def to_decimals(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round to a microsecond."""
    scale = _POWERS[MICROSECONDS - _LEAST]
    return np.asarray(np.rint(values * scale) / scale)


def to_digits(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round to `DIGITS` digits by comparing, multiplying and dividing alone, which every processor does alike."""
    size = np.abs(values)
    usual = (size >= 1e-200) & (size < 1e200)
    size[~usual] = 1.0
    place = np.searchsorted(_POWERS, size, side="right") - 1  # the power of ten that it is not below
    down = np.maximum(place + _LEAST - (DIGITS - 1), 0)  # of numbers that are rounded to tens or more
    up = np.maximum(DIGITS - 1 - place - _LEAST, 0)
    much, little = _POWERS[down - _LEAST], _POWERS[up - _LEAST]
    rounded = np.rint(np.where(usual, values, 0.0) / much * little) / little * much
    return np.asarray(np.where(usual, rounded, values))
