"""The standard atmosphere against the table of ASHRAE Handbook Fundamentals, ch. 1 (as in the reference checks). Tag: READ."""

from __future__ import annotations

import numpy as np
import pytest

from blankoff.physics.atmosphere import altitude_of_pressure_m, standard_pressure_micron

KPA_PER_MICRON = 1.333_223_684e-4


@pytest.mark.parametrize(
    ("metres", "kpa"),
    [(-500.0, 107.478), (0.0, 101.325), (500.0, 95.461), (1000.0, 89.875), (2000.0, 79.495), (5000.0, 54.020)],
)
def test_pressure_of_the_table(metres: float, kpa: float) -> None:
    assert standard_pressure_micron(metres) * KPA_PER_MICRON == pytest.approx(kpa, rel=2e-5)
    assert altitude_of_pressure_m(kpa / KPA_PER_MICRON) == pytest.approx(metres, abs=0.3)


def test_only_the_troposphere() -> None:
    got = standard_pressure_micron([-5000.0, -5000.1, 11_000.0, 11_000.1, np.nan])
    assert np.isfinite(got).tolist() == [True, False, True, False, False]
    ends = standard_pressure_micron([-4999.9, 10_999.9])
    outside = np.array([ends[0] * 1.001, ends[1] * 0.999, 0.0, -5.0, np.nan])
    assert np.isnan(altitude_of_pressure_m(outside)).all()
    np.testing.assert_allclose(altitude_of_pressure_m(ends), [-4999.9, 10_999.9], rtol=1e-9)
    assert altitude_of_pressure_m(0.5 * ends[1] + 0.5 * ends[0]) > 0.0
    assert np.isnan(altitude_of_pressure_m(0.5))
