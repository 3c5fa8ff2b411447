"""Noise of speeds: a mixture put in is found again, and the exact values speak through the guessed ones."""

from __future__ import annotations

import numpy as np
import pytest

from blankoff.fleet.wear_noise import core_weight, fit_noise, noise_density, shapes_of_rows


def drawn(n: int, seed: int) -> np.ndarray:
    """Half of the volumes exact, half guessed by 35 %, one value in ten held down by unseen gas."""
    rng = np.random.default_rng(seed)
    values = 0.06 * rng.standard_normal(n)
    values[: n // 2] += 0.35 * rng.standard_normal(n // 2)
    low = rng.random(n) < 0.1
    values[low] -= rng.exponential(0.8, low.sum())
    return values


def test_a_mixture_is_found_again() -> None:
    shape = fit_noise(drawn(1500, 3), np.full(1500, 0.03**2))
    assert 0.03 < shape.core_sd < 0.08
    assert 0.3 < shape.wide_share <= 0.4 + 1e-9
    assert 0.25 < shape.wide_sd < 0.5
    assert 0.04 < shape.low_share < 0.2
    assert shape.high_share < 0.03


def test_density_is_one_in_all() -> None:
    """Its sum over all residuals; the softened tails are not quite normed, so within 15 %."""
    shape = fit_noise(drawn(1500, 4), np.full(1500, 0.03**2)).as_row()
    grid = np.linspace(-12.0, 6.0, 40_001)
    assert noise_density(grid, 0.03**2, shape).sum() * (grid[1] - grid[0]) == pytest.approx(1.0, abs=0.15)


def test_exact_values_weigh_most() -> None:
    shape = np.tile(fit_noise(drawn(1500, 5), np.full(1500, 0.03**2)).as_row(), (4, 1))
    weight = core_weight(np.array([0.0, 0.1, 0.6, np.nan]), np.full(4, 0.03**2), shape)
    assert weight[0] > weight[1] > weight[2] > 0.0
    assert weight[3] == 0.0


def test_a_small_class_has_the_shape_of_all() -> None:
    values, number = drawn(400, 6), np.r_[np.zeros(380, dtype=np.int64), np.ones(20, dtype=np.int64)]
    shapes = shapes_of_rows(values, np.full(400, 0.03**2), number)
    assert np.array_equal(shapes[-1], fit_noise(values, np.full(400, 0.03**2)).as_row())
    assert not np.array_equal(shapes[0], shapes[-1])
