"""Medians and means of the logs of a batch against NumPy's. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest

from blankoff.evacuation.middles import mean_ambients, median_ambients, median_of, median_spacings

NAN = float("nan")


@pytest.mark.parametrize(
    "values",
    [
        [3.0],
        [1.0, 2.0],
        [2.0, 1.0],
        [5.0, 1.0, 3.0],
        [1.0, 3.0, 5.0],
        [2.0, 2.0, 2.0, 2.0],
        [2.0, 2.0, 9.0, 9.0],
        [9.0, 2.0, 2.0, 9.0],
        [2.0, 9.0, 9.0, 9.0],
        [1.0, 2.0, 2.0, 9.0],
        [2.0, 2.0, 1.0, 9.0],
        [9.0, 9.0, 1.0, 1.0, 1.0],
        [1.0, 9.0, 9.0, 1.0, 1.0],
        [4.0, 3.0, 2.0, 1.0, 0.0],
        [0.0, 1.0, 1.0, 1.0, 0.0, 0.0],
        [7.0, 1.0, 7.0, 1.0, 7.0, 1.0, 8.0],
    ],
)
def test_median_is_numpys(values: list[float]) -> None:
    assert median_of(np.array(values)) == np.median(values)


def test_median_of_random_series_and_of_none() -> None:
    rng = np.random.default_rng(1)
    for size in range(1, 40):
        some = rng.integers(0, 4, size).astype(float)
        assert median_of(some) == np.median(some)
    assert math.isnan(median_of(np.empty(0)))


def test_median_spacing_of_each_log() -> None:
    elapsed = np.array([0.0, 1.0, 3.0, 6.0, 0.0, 0.0, 5.0])
    out = np.full(4, -1.0)
    median_spacings(np.array([0, 4, 5, 7, 7]), elapsed, out)
    # one reading, and none, have no spacing
    assert out.tolist() == [2.0, -1.0, 5.0, -1.0]


def test_median_ambient_from_the_isolation_on() -> None:
    elapsed = np.tile(np.arange(5.0), 6)
    ambient = np.array(
        [10.0, 11.0, 20.0, 22.0, 27.0]  # from 2 s on: 22
        + [10.0, NAN, NAN, 30.0, NAN]  # from 2 s on: 30
        + [10.0, 12.0, NAN, NAN, NAN]  # nothing from then on: of the whole log, 11
        + [10.0, 11.0, 20.0, 22.0, 27.0]  # no isolation: 20
        + [NAN] * 5
        + [10.0, 11.0, 20.0, 22.0, 27.0]
    )
    start = np.array([2.0, 2.0, 2.0, NAN, 2.0, 0.0])
    out = np.full(6, -1.0)
    median_ambients(np.arange(0, 31, 5), elapsed, ambient, start, out)
    assert out.tolist() == [22.0, 30.0, 11.0, 20.0, -1.0, 20.0]


def test_mean_ambient_of_each_log() -> None:
    ambient = np.array([10.0, NAN, 16.0, NAN, NAN, 5.0, math.inf])
    out = np.full(4, -1.0)
    mean_ambients(np.array([0, 3, 5, 7, 7]), ambient, out)
    assert out.tolist() == [13.0, -1.0, 5.0, -1.0]
