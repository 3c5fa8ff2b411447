"""The two functions written out for vector loops, against the mathematics library's."""

from __future__ import annotations

import numpy as np
from numba import njit

from blankoff.fleet.vector_math import exp, ln


@njit
def each(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    logs, powers = np.empty(x.size), np.empty(x.size)
    for i in range(x.size):
        logs[i] = ln(np.abs(x[i]) + 1e-300)
        powers[i] = exp(x[i])
    return logs, powers


def test_both_are_good_to_the_last_place() -> None:
    rng = np.random.default_rng(1)
    x = np.concatenate([rng.uniform(-690, 690, 5000), rng.normal(0, 1, 5000), [0.0, 1.0, -1.0, 0.70710678, 1.41421357]])
    logs, powers = each(x)
    wanted = np.log(np.abs(x) + 1e-300)
    assert np.all(np.abs(logs - wanted) <= 2.0 * np.spacing(np.abs(wanted)))
    assert np.all(np.abs(powers - np.exp(x)) <= 2.0 * np.spacing(np.exp(x)))
    assert (exp(0.0), ln(1.0)) == (1.0, 0.0)


def test_far_below_it_is_as_good_as_nothing() -> None:
    assert 0.0 <= exp(-1e6) < 1e-300
    assert 0.0 <= exp(-np.inf) < 1e-300
