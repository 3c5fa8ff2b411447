"""Uncertainty propagation against the worked examples of GUM and NIST TN 1297 (reference checks, section 10)."""

import math

import numpy as np
import pytest
from scipy import stats

from blankoff.physics.uncertainty import combined_uncertainty, coverage_factor, effective_dof, propagate


def test_tn1297_end_gauge() -> None:
    """READ nist.gov/pml/nist-technical-note-1297, appendix D.2 (GUM H.1): 33.812 nm, printed 34 nm."""
    ours = combined_uncertainty([25.0, 5.8, 3.9, 6.7, 1.7, 5.8, 10.2, 2.9, 16.6])
    assert ours == pytest.approx(33.812, abs=5e-4)
    assert round(ours) == 34


def test_gum_h1() -> None:
    """Inputs MEM (GUM H.1), CALC: 31.67 nm (32), effective degrees of freedom 16.8 -> 16, U99 93 nm."""
    parts, dof = [25.0, 9.7, 2.9, 16.6], [18.0, 25.6, 50.0, 2.0]
    u, nu = combined_uncertainty(parts), effective_dof(parts, dof)
    assert u == pytest.approx(31.67, abs=5e-3)
    assert round(u) == 32
    assert nu == pytest.approx(16.8, abs=0.05)
    factor = coverage_factor(0.99, nu)
    assert factor == pytest.approx(2.9208, abs=5e-5)
    assert factor * u == pytest.approx(92.5, abs=0.05)
    assert factor * 32.0 == pytest.approx(93.5, abs=0.05)


def test_leak_rate_uncertainty() -> None:
    """CALC: relative uncertainties of a product add in squares: q = V dp / dt with 5 %, 3 % and 1 %."""
    result = propagate(lambda v, dp, dt: v * dp / dt, [10.0, 66.66, 600.0], [0.5, 2.0, 6.0])
    relative = math.sqrt(0.05**2 + (2.0 / 66.66) ** 2 + 0.01**2)
    assert result.uncertainty / result.value == pytest.approx(relative, rel=1e-12)


def test_coverage_factors() -> None:
    """RUN scipy.stats: Student's t and the normal distribution."""
    assert coverage_factor(0.95) == pytest.approx(1.959964, abs=5e-7)
    assert coverage_factor(0.95, 7.9) == pytest.approx(stats.t.ppf(0.975, 7), rel=1e-12)
    assert coverage_factor(0.95, 7.9, truncate=False) == pytest.approx(stats.t.ppf(0.975, 7.9), rel=1e-12)
    np.testing.assert_allclose(coverage_factor(0.90, 0.4), stats.t.ppf(0.95, 1))
