"""Conductance: limits, order, gases, regimes and shapes."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blankoff.physics.conductance import (
    AIR,
    WATER_VAPOUR,
    FlowRegime,
    _hose_kernel,
    aperture_l_s,
    flow_regime,
    flow_regime_by_pd,
    hose_l_s,
    in_parallel_l_s,
    in_series_l_s,
    knudsen_number,
    knudsen_tube_l_s,
    mean_free_path_m_pa,
    mean_speed_m_s,
    molecular_tube_l_s,
    short_tube_l_s,
    transmission_probability,
    viscous_tube_l_s,
)

BORE = st.floats(min_value=0.002, max_value=0.02)
LENGTH = st.floats(min_value=0.2, max_value=5.0)
MICRON = st.floats(min_value=0.1, max_value=1e5)


@given(BORE, LENGTH, MICRON)
def test_hose_lies_between_tubes_with_its_ends_at_either_extreme(bore: float, length: float, micron: float) -> None:
    here = float(hose_l_s(bore, length, micron))
    assert float(knudsen_tube_l_s(bore, length + 4.0 * bore / 3.0, micron)) <= here * (1.0 + 1e-12)
    assert here < float(knudsen_tube_l_s(bore, length + 0.58 * bore, micron))
    assert here < float(knudsen_tube_l_s(bore, length, micron))
    with_core = in_series_l_s(here, hose_l_s(0.0025, 0.010, micron))
    assert float(hose_l_s(bore, length, micron, 0.0025)) == pytest.approx(float(with_core), rel=1e-12)
    assert _hose_kernel(bore, length, 0.0, micron) == here


def test_hose_ends_in_molecular_and_in_viscous_flow() -> None:
    """Molecular: tube with its aperture in series; viscous: Sampson's hole, 3 mu Q / r^3 (from memory)."""
    d, length = 0.008, 0.05
    deep = short_tube_l_s(knudsen_tube_l_s(d, length, 0.0), d, length)
    assert float(hose_l_s(d, length, 0.0)) == pytest.approx(float(deep), rel=1e-12)
    p = 1e8
    tube = 1.0 / float(knudsen_tube_l_s(d, length, p))
    eta = AIR.viscosity_pa_s * 134.813 / 135.0  # the viscosity that the handbook's 135 stands for
    hole = 3.0 * eta / (d / 2.0) ** 3 / (p * 0.133322368421) / 1000.0
    assert 1.0 / float(hose_l_s(d, length, p)) == pytest.approx(tube + hole, rel=1e-4)


@given(BORE, LENGTH, MICRON)
def test_wider_shorter_and_denser_lets_more_through(bore: float, length: float, micron: float) -> None:
    here = float(hose_l_s(bore, length, micron))
    assert float(hose_l_s(bore * 1.1, length, micron)) > here
    assert float(hose_l_s(bore, length * 1.1, micron)) < here
    assert float(hose_l_s(bore, length, micron * 1.5)) > 0.95 * here  # the Knudsen minimum is shallow
    assert float(hose_l_s(bore, length, micron, 0.0025)) < here


def test_conductance_falls_with_bore_to_the_third_and_fourth_power() -> None:
    deep = float(knudsen_tube_l_s(0.012, 1.0, 0.01) / knudsen_tube_l_s(0.006, 1.0, 0.01))
    viscous = float(knudsen_tube_l_s(0.012, 1.0, 1e6) / knudsen_tube_l_s(0.006, 1.0, 1e6))
    assert deep == pytest.approx(2.0**3, rel=1e-3)
    assert viscous == pytest.approx(2.0**4, rel=1e-3)


def test_knudsen_minimum_lies_in_transitional_flow() -> None:
    micron = np.geomspace(0.1, 1e4, 2000)
    c = knudsen_tube_l_s(0.0063, 1.5, micron)
    lowest = micron[np.argmin(c)]
    assert c.min() / c[0] == pytest.approx(0.95, abs=0.03)
    assert flow_regime(knudsen_number(0.0063, lowest)) != FlowRegime.VISCOUS


def test_water_vapour_passes_more_easily_than_air() -> None:
    viscous = float(knudsen_tube_l_s(0.0063, 1.5, 1e7, WATER_VAPOUR) / knudsen_tube_l_s(0.0063, 1.5, 1e7))
    deep = float(knudsen_tube_l_s(0.0063, 1.5, 1e-4, WATER_VAPOUR) / knudsen_tube_l_s(0.0063, 1.5, 1e-4))
    assert viscous == pytest.approx(AIR.viscosity_pa_s / WATER_VAPOUR.viscosity_pa_s, rel=1e-4)
    assert deep == pytest.approx(math.sqrt(AIR.molar_mass_kg_mol / WATER_VAPOUR.molar_mass_kg_mol), rel=1e-4)


def test_mean_free_path_of_air_from_its_viscosity() -> None:
    ours = float(mean_free_path_m_pa(AIR.viscosity_pa_s, AIR.molar_mass_kg_mol, 20.0))
    assert ours == pytest.approx(AIR.mean_free_path_m_pa, rel=0.006)
    assert float(mean_free_path_m_pa(1e-5, 0.02, 313.15)) / float(
        mean_free_path_m_pa(1e-5, 0.02, 20.0)
    ) == pytest.approx(math.sqrt(2.0), rel=1e-4)


def test_mean_speed_scales() -> None:
    assert float(mean_speed_m_s(313.15) / mean_speed_m_s(20.0)) == pytest.approx(math.sqrt(2.0), rel=1e-4)
    assert float(mean_speed_m_s(20.0, 0.028) / mean_speed_m_s(20.0, 0.112)) == pytest.approx(2.0, rel=1e-12)


def test_valve_core_left_in_costs_most_of_the_deep_speed() -> None:
    """CP: a 2 - 3 mm hole in a wide hose."""
    share = float(hose_l_s(0.0095, 1.0, 200.0, 0.0025) / hose_l_s(0.0095, 1.0, 200.0))
    assert 0.1 < share < 0.6


def test_hose_core_unknown_is_no_core() -> None:
    out = hose_l_s([0.0063, 0.0063, 0.0063], 1.5, 500.0, [0.0, math.nan, 0.002])
    assert out[0] == out[1] > out[2]


@pytest.mark.parametrize("ratio", [0.0, 1e-9, 1e-5, 1e-3, 0.01])
def test_transmission_of_a_very_short_tube(ratio: float) -> None:
    assert float(transmission_probability(ratio)) == pytest.approx(1.0 - ratio / 2.0, abs=ratio * ratio)


def test_transmission_joins_smoothly_and_falls() -> None:
    assert float(transmission_probability(200.0)) == pytest.approx(float(transmission_probability(200.0001)), rel=2e-5)
    ratio = np.geomspace(1e-4, 1e6, 3000)
    assert np.all(np.diff(transmission_probability(ratio)) < 0.0)
    assert float(transmission_probability(1e7)) == pytest.approx(8.0 / 3e7, rel=1e-4)


def test_transmission_of_nonsense() -> None:
    assert np.isnan(transmission_probability([-1.0, math.nan])).all()


def test_series_and_parallel_edges() -> None:
    assert float(in_series_l_s(2.0, 0.0)) == 0.0
    assert float(in_series_l_s(2.0)) == 2.0
    assert float(in_series_l_s(2.0, math.inf)) == 2.0
    np.testing.assert_allclose(in_series_l_s([2.0, 4.0], 4.0), [4.0 / 3.0, 2.0])
    np.testing.assert_allclose(in_parallel_l_s([2.0, 4.0], 4.0), [6.0, 8.0])


def test_regimes() -> None:
    assert list(flow_regime([0.01, 0.5, math.inf, math.nan])) == [0, 2, 2, -1]
    assert list(flow_regime_by_pd([1e5, 100.0, 1.0, math.nan], 0.0063)) == [0, 1, 2, -1]
    assert math.isinf(float(knudsen_number(0.0063, 0.0)))
    assert flow_regime(0.1).dtype == np.int8


def test_scaling_of_the_simple_formulas() -> None:
    assert float(molecular_tube_l_s(0.02, 1.0) / molecular_tube_l_s(0.01, 1.0)) == pytest.approx(8.0, rel=1e-12)
    assert float(aperture_l_s(0.02) / aperture_l_s(0.01)) == pytest.approx(4.0, rel=1e-12)
    assert float(aperture_l_s(0.01, 925.822172) / aperture_l_s(0.01)) == pytest.approx(2.0, rel=1e-8)
    assert float(viscous_tube_l_s(0.02, 1.0, 100.0) / viscous_tube_l_s(0.01, 1.0, 100.0)) == pytest.approx(16.0)
    assert float(viscous_tube_l_s(0.01, 1.0, 100.0, 1e-5) / viscous_tube_l_s(0.01, 2.0, 100.0, 2e-5)) == pytest.approx(
        4.0
    )
