"""Propagation of uncertainty: correlation, differences, degrees of freedom, ratio bounds."""

import math

import numpy as np
import pytest

from blankoff.physics.uncertainty import (
    combined_uncertainty,
    coverage_factor,
    effective_dof,
    log_ratio_interval,
    propagate,
)


def test_correlated_inputs() -> None:
    full = [[1.0, 1.0], [1.0, 1.0]]
    assert combined_uncertainty([3.0, 4.0]) == pytest.approx(5.0)
    assert combined_uncertainty([3.0, 4.0], correlation=full) == pytest.approx(7.0)
    assert combined_uncertainty([3.0, 3.0], [1.0, -1.0], full) == pytest.approx(0.0, abs=1e-7)
    assert combined_uncertainty([3.0, 4.0], [2.0, 0.5]) == pytest.approx(math.hypot(6.0, 2.0))


@pytest.mark.parametrize("complex_step", [True, False])
def test_propagation_of_a_power_law(complex_step: bool) -> None:
    result = propagate(lambda a, b: a * b**2, [2.0, 3.0], [0.1, 0.2], complex_step=complex_step)
    assert result.value == pytest.approx(18.0)
    np.testing.assert_allclose(result.sensitivities, [9.0, 12.0], rtol=1e-8)
    np.testing.assert_allclose(result.contributions, [0.9, 2.4], rtol=1e-8)
    assert result.uncertainty == pytest.approx(math.hypot(0.9, 2.4), rel=1e-8)


def test_propagation_with_correlation_and_at_zero() -> None:
    result = propagate(lambda a, b: a - b, [0.0, 0.0], [2.0, 2.0], [[1.0, 0.5], [0.5, 1.0]], complex_step=False)
    assert result.uncertainty == pytest.approx(2.0, rel=1e-9)


def test_propagation_against_simulation() -> None:
    """Simulation: 200 000 draws, small uncertainties."""
    rng = np.random.default_rng(3)
    draws = rng.normal([10.0, 500.0], [0.1, 5.0], size=(200_000, 2))
    simulated = np.std(draws[:, 0] * np.log(draws[:, 1]))
    ours = propagate(lambda v, p: v * np.log(p), [10.0, 500.0], [0.1, 5.0]).uncertainty
    assert ours == pytest.approx(simulated, rel=0.01)


def test_effective_degrees_of_freedom() -> None:
    assert math.isinf(effective_dof([1.0, 2.0], [math.inf, math.inf]))
    assert effective_dof([1.0], [7.0]) == pytest.approx(7.0)
    assert effective_dof([1.0, 1.0], [5.0, 5.0]) == pytest.approx(10.0)
    assert effective_dof([1.0, 1.0], [5.0, math.inf]) == pytest.approx(20.0)


def test_ratio_interval() -> None:
    low, high = log_ratio_interval([2.0, math.nan], 0.1, 0.90)
    assert low[0] == pytest.approx(2.0 * math.exp(-0.164485), rel=1e-6)
    assert high[0] == pytest.approx(2.0 * math.exp(0.164485), rel=1e-6)
    assert np.isnan(low[1])
    assert coverage_factor(0.68) < coverage_factor(0.99)
