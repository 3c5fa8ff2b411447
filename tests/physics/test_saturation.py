"""Saturation line: inverse, branches, edges, shapes, and use from other compiled code."""

import math

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blankoff.physics.saturation import (
    _psat_ice_kernel,
    _psat_kernel,
    _psat_liquid_kernel,
    _psat_slope_kernel,
    _tsat_kernel,
    saturation_pressure_micron,
    saturation_slope_per_k,
    saturation_temperature_c,
)


@given(st.floats(min_value=-220.0, max_value=373.9))
def test_inverse_undoes_pressure(t_c: float) -> None:
    assert saturation_temperature_c(saturation_pressure_micron(t_c)) == pytest.approx(t_c, abs=2e-9)


@given(st.floats(min_value=1e-3, max_value=1e8))
def test_pressure_undoes_inverse(micron: float) -> None:
    assert saturation_pressure_micron(saturation_temperature_c(micron)) == pytest.approx(micron, rel=1e-9)


def test_pressure_rises_with_temperature() -> None:
    t_c = np.linspace(-120.0, 370.0, 5001)
    assert np.all(np.diff(saturation_pressure_micron(t_c)) > 0.0)
    micron = np.geomspace(1e-2, 1e7, 5001)
    assert np.all(np.diff(saturation_temperature_c(micron)) > 0.0)


@given(st.floats(min_value=-80.0, max_value=100.0))
def test_slope_is_the_derivative(t_c: float) -> None:
    if abs(t_c - 0.01) < 0.05:
        return
    step = 1e-3
    rise = np.log(saturation_pressure_micron(t_c + step) / saturation_pressure_micron(t_c - step)) / (2.0 * step)
    assert saturation_slope_per_k(t_c) == pytest.approx(rise, rel=1e-6)


def test_ice_below_and_liquid_above_the_triple_point() -> None:
    assert saturation_pressure_micron(0.0) == _psat_ice_kernel(0.0)
    assert saturation_pressure_micron(0.02) == _psat_liquid_kernel(0.02)
    # the line bends at the triple point: subliming takes more heat
    assert saturation_slope_per_k(0.0) > 1.1 * saturation_slope_per_k(0.02)
    assert saturation_slope_per_k(0.02) == pytest.approx(_psat_slope_kernel(0.02))


@pytest.mark.parametrize("t_c", [math.nan, -223.2, 374.0, 1e9, -1e9])
def test_off_the_line(t_c: float) -> None:
    assert math.isnan(saturation_pressure_micron(t_c))
    assert math.isnan(saturation_slope_per_k(t_c))


@pytest.mark.parametrize("micron", [math.nan, 0.0, -1.0, 1.7e8, 1e-50, math.inf])
def test_off_the_inverse(micron: float) -> None:
    assert math.isnan(saturation_temperature_c(micron))


def test_ends_of_the_line() -> None:
    assert saturation_pressure_micron(-223.1) > 0.0
    assert saturation_temperature_c(22.06e6 / 0.133322368421) == pytest.approx(373.93, abs=0.01)
    assert math.isnan(_psat_ice_kernel(0.02))
    assert math.isnan(_psat_liquid_kernel(-40.01))
    assert _psat_liquid_kernel(-39.9) > _psat_ice_kernel(-39.9)


def test_shapes_and_types() -> None:
    grid = np.array([[0.0, 10.0], [math.nan, 20.0]])
    out = saturation_pressure_micron(grid)
    assert out.shape == (2, 2)
    assert np.isnan(out[1, 0])
    assert np.isfinite(out[0]).all()
    assert isinstance(saturation_pressure_micron(20), float)
    assert isinstance(saturation_temperature_c(500), float)
    assert isinstance(saturation_slope_per_k(20), float)
    assert saturation_temperature_c(np.full((3, 1), 500.0)).shape == (3, 1)
    assert saturation_slope_per_k(grid).shape == (2, 2)
    assert saturation_pressure_micron([]).shape == (0,)
    every_other = np.arange(10.0)[::2]
    np.testing.assert_allclose(saturation_pressure_micron(every_other), saturation_pressure_micron(list(every_other)))


def test_kernels_work_inside_compiled_code() -> None:
    @numba.njit
    def margin(micron: float, ambient_c: float) -> float:
        return ambient_c - _tsat_kernel(micron) + 0.0 * _psat_kernel(ambient_c)

    assert margin(1000.0, 20.0) == pytest.approx(37.307, abs=0.01)
