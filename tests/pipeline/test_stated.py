"""Numbers of tables have as many digits as are stated. Reference: Python's decimal notation, ``%.7g``."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from blankoff.pipeline.stated import stated, to_digits

NAN = float("nan")


@given(st.floats(-1e15, 1e15))
@example(999_999.95)
@example(1e6)
@example(1e-6)
@example(-0.099999996)
def test_seven_digits_are_those_of_decimal_notation(x: float) -> None:
    got = float(to_digits(np.array([x]))[0])
    if abs(x) < 1e-15:
        assert got == pytest.approx(x, rel=1e-6, abs=1e-300)
        return
    scaled = abs(x) / 10.0 ** math.floor(math.log10(abs(x)))
    if abs((scaled * 1e6) % 1.0 - 0.5) > 1e-6:  # halves may go either way
        assert got == float(f"{x:.6e}")
    assert to_digits(np.array([got]))[0] == got, "rounding twice is rounding once"


@given(st.floats(1e-6, 1e9), st.floats(-3e-11, 3e-11))
def test_what_processors_differ_by_is_gone_but_near_a_half(x: float, off: float) -> None:
    scaled = x / 10.0 ** math.floor(math.log10(x))
    if abs((scaled * 1e6) % 1.0 - 0.5) > 1e-3:
        assert to_digits(np.array([x]))[0] == to_digits(np.array([x * (1.0 + off)]))[0]


def test_other_values_stay_as_they_are() -> None:
    odd = np.array([0.0, -0.0, math.inf, -math.inf, NAN, 5e-324, 1e-250, 1.7e308])
    np.testing.assert_array_equal(to_digits(odd), odd)
    frame = pl.DataFrame(
        {
            "a": [1.23456789, None, NAN],
            "start_s": [86_400.1234567, 12_345.678, None],
            "n": [1, 2, None],
            "word": ["x", None, "y"],
            "is_so": [True, None, False],
        }
    )
    got = stated(frame)
    assert got.schema == frame.schema
    assert got["a"].to_list()[:2] == [1.234568, None]
    assert math.isnan(got["a"][2]), "a number that is none is not a blank"
    assert got["start_s"].to_list() == [86_400.123457, 12_345.678, None], "a reading's own moment stays as it is"
    assert got.select("n", "word", "is_so").equals(frame.select("n", "word", "is_so"))
    assert stated(frame.clear()).equals(frame.clear())
