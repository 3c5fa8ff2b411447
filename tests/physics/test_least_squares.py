"""The fitters beyond the certified problems: bounds, weights, failures, and intervals that cover."""

import math

import numpy as np
import pytest

from blankoff.physics.least_squares import fit_curve, fit_separable


def rise(x, b):
    return b[0] + b[1] * x + b[2] * (1.0 - np.exp(-x / b[3]))


def rise_basis(x, t):
    return np.stack([np.ones_like(x) + 0.0 * t[0], x + 0.0 * t[0], 1.0 - np.exp(-x / t[0])], axis=1)


POSITIVE_TIME = ([-np.inf, -np.inf, -np.inf, 0.05], np.inf)
TRUTH = np.array([300.0, 8.0, 150.0, 2.5])
MINUTES = np.linspace(0.0, 15.0, 181)


def noisy(seed: int, sd: float = 1.5) -> np.ndarray:
    return rise(MINUTES, TRUTH) + np.random.default_rng(seed).normal(0.0, sd, MINUTES.size)


def test_both_fitters_find_the_same_optimum() -> None:
    y = noisy(1)
    full = fit_curve(rise, MINUTES, y, [200.0, 1.0, 50.0, 5.0], bounds=POSITIVE_TIME)
    parted = fit_separable(rise_basis, MINUTES, y, [5.0])
    np.testing.assert_allclose(parted.fit.params, full.params, rtol=1e-8)
    np.testing.assert_allclose(parted.fit.se, full.se, rtol=1e-7)
    np.testing.assert_allclose(parted.fit.covariance, full.covariance, rtol=1e-6)
    assert parted.fit.rss == pytest.approx(full.rss, rel=1e-12)
    assert parted.fit.dof == full.dof == MINUTES.size - 4


def test_exact_data_give_the_truth() -> None:
    fit = fit_separable(rise_basis, MINUTES, rise(MINUTES, TRUTH), [5.0])
    assert fit.fit.converged
    np.testing.assert_allclose(fit.fit.params, TRUTH, rtol=1e-9)


def test_given_derivatives_are_used() -> None:
    y = noisy(2)
    calls = []

    def slopes(x, b):
        calls.append(1)
        e = np.exp(-x / b[3])
        return np.stack([np.ones_like(x), x, 1.0 - e, -b[2] * e * x / b[3] ** 2], axis=1)

    start, sigma = [200.0, 1.0, 50.0, 5.0], 1.0 + MINUTES
    by_hand = fit_curve(rise, MINUTES, y, start, jac=slopes, sigma=sigma, bounds=POSITIVE_TIME)
    by_step = fit_curve(rise, MINUTES, y, start, sigma=sigma, bounds=POSITIVE_TIME)
    assert calls
    np.testing.assert_allclose(by_hand.params, by_step.params, rtol=1e-9)
    np.testing.assert_allclose(by_hand.se, by_step.se, rtol=1e-9)


def test_intervals_cover() -> None:
    """Simulation: 90 % intervals of the steady part cover 90 %, within 3 Monte Carlo standard errors (200 runs)."""
    runs = 200
    inside = 0
    for seed in range(runs):
        fit = fit_separable(rise_basis, MINUTES, noisy(1000 + seed), [3.0], bounds=(0.2, 60.0))
        assert fit.fit.converged
        inside += abs(fit.linear[1] - TRUTH[1]) <= 1.6449 * fit.linear_se[1]
    assert inside / runs == pytest.approx(0.90, abs=3.0 * math.sqrt(0.09 / runs))


def test_known_and_relative_weights() -> None:
    y = noisy(3, 2.0)
    known = fit_separable(rise_basis, MINUTES, y, [3.0], sigma=2.0, sigma_is_known=True)
    plain = fit_separable(rise_basis, MINUTES, y, [3.0])
    np.testing.assert_allclose(known.fit.params, plain.fit.params, rtol=1e-8)
    assert known.fit.rss == pytest.approx(plain.fit.rss / 4.0, rel=1e-10)
    np.testing.assert_allclose(known.fit.se, plain.fit.se * 2.0 / plain.fit.rsd, rtol=1e-6)
    relative = fit_separable(rise_basis, MINUTES, y, [3.0], sigma=7.0)
    np.testing.assert_allclose(relative.fit.se, plain.fit.se, rtol=1e-6)


def test_weights_are_per_reading() -> None:
    y = noisy(4)
    y[50:60] += 1000.0
    sigma = np.where((np.arange(y.size) >= 50) & (np.arange(y.size) < 60), 1e9, 1.0)
    fit = fit_curve(rise, MINUTES, y, [200.0, 1.0, 50.0, 5.0], sigma=sigma, bounds=POSITIVE_TIME)
    np.testing.assert_allclose(fit.params, TRUTH, rtol=0.1)


def test_parameter_on_its_bound_is_said_to_be() -> None:
    y = rise(MINUTES, [300.0, -4.0, 150.0, 2.5])
    fit = fit_curve(rise, MINUTES, y, [300.0, 1.0, 100.0, 3.0], bounds=([-np.inf, 0.0, 0.0, 0.1], np.inf))
    assert fit.params[1] == 0.0
    assert np.isnan(fit.se[1])
    assert np.isfinite(fit.se[[0, 2]]).all()
    assert fit.dof == MINUTES.size - int(np.isfinite(fit.se).sum())


def test_linear_parameter_on_its_bound() -> None:
    y = rise(MINUTES, [300.0, -4.0, 150.0, 2.5]) + np.random.default_rng(5).normal(0.0, 0.5, MINUTES.size)
    fit = fit_separable(rise_basis, MINUTES, y, [3.0], bounds=(0.1, 60.0), linear_bounds=([-np.inf, 0.0, 0.0], np.inf))
    assert fit.fit.converged
    assert fit.linear[1] == 0.0
    assert np.isnan(fit.linear_se[1])
    assert np.isfinite(fit.linear_se[[0, 2]]).all()
    assert np.isfinite(fit.theta_se[0])
    free = fit_separable(rise_basis, MINUTES, y, [3.0], bounds=(0.1, 60.0))
    assert free.linear[1] == pytest.approx(-4.0, rel=0.1)
    assert free.fit.rss < fit.fit.rss


def test_start_outside_the_bounds_is_moved_in() -> None:
    fit = fit_separable(rise_basis, MINUTES, noisy(6), [500.0], bounds=(0.1, 60.0))
    assert fit.fit.converged
    assert fit.theta[0] == pytest.approx(2.5, rel=0.2)


def test_best_of_several_starts() -> None:
    x = np.linspace(0.0, 10.0, 200)
    y = np.sin(2.3 * x)

    def wave(at, t):
        return np.stack([np.sin(t[0] * at), np.cos(t[0] * at)], axis=1)

    one = fit_separable(wave, x, y, [0.4])
    several = fit_separable(wave, x, y, [[0.4], [2.2], [7.0]])
    assert one.fit.rss > 1.0
    assert several.fit.rss < 1e-12
    assert several.theta[0] == pytest.approx(2.3, rel=1e-9)


def test_a_model_that_cannot_be_computed() -> None:
    fit = fit_curve(lambda x, b: np.log(-1.0 - b[0] * b[0]) + 0.0 * x, MINUTES, noisy(7), [1.0])
    assert not fit.converged
    assert np.isnan(fit.se).all()
    assert math.isnan(fit.rss)
    parted = fit_separable(lambda x, t: np.full((x.size, 2), np.nan) * t[0], MINUTES, noisy(7), [1.0])
    assert not parted.fit.converged
    assert np.isnan(parted.linear).all()
    assert parted.fit.params.shape == parted.fit.se.shape == (3,)


def test_readings_that_do_not_determine_the_parameters() -> None:
    fit = fit_curve(lambda x, b: b[0] + b[1] + 0.0 * x, MINUTES, noisy(8), [1.0, 1.0])
    assert np.isnan(fit.se).all()
    few = fit_curve(rise, MINUTES[:3], noisy(9)[:3], [300.0, 1.0, 10.0, 3.0])
    assert np.isnan(few.se).all()
    assert math.isnan(few.rsd)


def test_as_many_parameters_as_readings() -> None:
    x = np.array([0.0, 1.0])
    fit = fit_curve(lambda at, b: b[0] + b[1] * at, x, [1.0, 3.0], [0.0, 0.0])
    np.testing.assert_allclose(fit.params, [1.0, 2.0], rtol=1e-12)
    assert fit.converged
    assert fit.dof == 0
    assert math.isnan(fit.rsd)
    assert np.isnan(fit.se).all()


def test_order_of_readings_does_not_matter() -> None:
    y = noisy(10)
    order = np.random.default_rng(0).permutation(y.size)
    ours, shuffled = (fit_separable(rise_basis, MINUTES[o], y[o], [3.0]) for o in (np.arange(y.size), order))
    np.testing.assert_allclose(shuffled.fit.params, ours.fit.params, rtol=1e-9)
    np.testing.assert_allclose(shuffled.fit.se, ours.fit.se, rtol=1e-7)


def test_units_do_not_matter() -> None:
    """Identity: microns to Pa and minutes to seconds transform the parameters and nothing else."""
    y = noisy(11)
    micron = fit_separable(rise_basis, MINUTES, y, [3.0])
    pascal = fit_separable(rise_basis, MINUTES * 60.0, y * 0.133322368421, [180.0])
    np.testing.assert_allclose(pascal.theta, micron.theta * 60.0, rtol=1e-8)
    factors = 0.133322368421 * np.array([1.0, 1.0 / 60.0, 1.0])
    np.testing.assert_allclose(pascal.linear, micron.linear * factors, rtol=1e-8)
    np.testing.assert_allclose(pascal.linear_se, micron.linear_se * factors, rtol=1e-6)


def test_tiny_numbers_are_no_different() -> None:
    y = noisy(12)
    plain = fit_curve(rise, MINUTES, y, [200.0, 1.0, 50.0, 5.0], bounds=POSITIVE_TIME)
    tiny = fit_curve(lambda x, b: 1e-9 * rise(x, b), MINUTES, 1e-9 * y, [200.0, 1.0, 50.0, 5.0], bounds=POSITIVE_TIME)
    np.testing.assert_allclose(tiny.params, plain.params, rtol=1e-8)
    np.testing.assert_allclose(tiny.se, plain.se, rtol=1e-7)
