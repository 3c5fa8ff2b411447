"""Conductance, effective speed and pump-down against handbooks (reference checks, section 3)."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from blankoff.constants import AIR_MOLAR_MASS_KG_MOL, AIR_VISCOSITY_PA_S, MICRON_PA, WATER_VAPOUR_VISCOSITY_PA_S
from blankoff.physics.conductance import (
    FlowRegime,
    aperture_l_s,
    flow_regime,
    flow_regime_by_pd,
    in_parallel_l_s,
    in_series_l_s,
    knudsen_number,
    knudsen_tube_l_s,
    mean_speed_m_s,
    molecular_tube_l_s,
    short_tube_l_s,
    transmission_probability,
    viscous_tube_l_s,
)
from blankoff.physics.pumping import effective_speed_l_s, pump_down_time_s, speed_from_two_pressures_l_s

MBAR_MICRON = 100.0 / MICRON_PA
TORR_MICRON = 1000.0


def test_3_1_molecular_tube() -> None:
    """READ Pfeiffer Vacuum know-how book 7.3.2: d 0.07 m, l 2.47 m, c 471 m/s gives 0.017123 m3/s.

    The page says the inlet aperture is already in it; the number is exactly the bare long tube.
    """
    assert float(molecular_tube_l_s(0.07, 2.47, 471.0)) / 1000.0 == pytest.approx(0.017123, rel=1e-4)


def test_3_2_effective_speed() -> None:
    """READ same page: 2.9722e-2 m3/s behind 1.7123e-2 m3/s leaves 1.0864e-2 m3/s."""
    assert float(effective_speed_l_s(29.722, 17.123)) / 1000.0 == pytest.approx(1.0864e-2, rel=1e-4)


def test_3_3_air_coefficient() -> None:
    """MEM handbook constant 12.1 d^3 / l (cm, l/s): 5 cm x 100 cm at vanishing pressure gives 15.125 l/s."""
    assert float(knudsen_tube_l_s(0.05, 1.0, 0.0)) == pytest.approx(15.125, rel=1e-3)


def test_3_4_coefficients_from_kinetics() -> None:
    """CALC against READ handbook 12.1 and 11.6: c 462.911 m/s, tube 12.119, aperture 11.573 l/s per cm2."""
    assert float(mean_speed_m_s(20.0, AIR_MOLAR_MASS_KG_MOL)) == pytest.approx(462.911, abs=5e-4)
    tube, hole = float(molecular_tube_l_s(0.01, 0.01)), float(aperture_l_s(0.01)) / (np.pi / 4.0)
    assert tube == pytest.approx(12.119, abs=5e-4)
    assert tube == pytest.approx(12.1, rel=5e-3)
    assert hole == pytest.approx(11.573, abs=5e-4)
    assert hole == pytest.approx(11.6, rel=5e-3)


def test_viscosities() -> None:
    """RUN CoolProp 8.0: air at 20 degC and 1 atm; saturated water vapour at 20 degC."""
    assert pytest.approx(PropsSI("V", "T", 293.15, "P", 101325, "Air"), rel=1e-3) == AIR_VISCOSITY_PA_S
    assert pytest.approx(PropsSI("V", "T", 293.15, "Q", 1, "Water"), rel=1e-3) == WATER_VAPOUR_VISCOSITY_PA_S


def test_3_5_viscous_coefficient_mbar() -> None:
    """RUN CoolProp viscosity; handbook 135 MEM: 134.81 l/s per (cm^4 / cm mbar)."""
    ours = float(viscous_tube_l_s(0.01, 0.01, MBAR_MICRON))
    assert ours == pytest.approx(134.81, abs=5e-3)
    assert ours == pytest.approx(135.0, rel=3e-3)


def test_3_6_viscous_coefficient_torr() -> None:
    """RUN CoolProp viscosity; handbook 180 MEM: 179.74 with Torr, a third more than with mbar."""
    ours = float(viscous_tube_l_s(0.01, 0.01, TORR_MICRON))
    assert ours == pytest.approx(179.74, abs=0.01)
    assert ours == pytest.approx(180.0, rel=3e-3)


def test_3_7_limits_of_the_all_regime_formula() -> None:
    """MEM formula, CALC: viscous and molecular limits exactly; the molecular factor goes from 1 to 192/237."""
    d, length = 0.8, 120.0
    molecular = 12.1 * d**3 / length
    assert float(knudsen_tube_l_s(d / 100, length / 100, 0.0)) == pytest.approx(molecular, rel=1e-9)
    high = 1e9
    viscous = 135.0 * d**4 * high / MBAR_MICRON / length
    rest = float(knudsen_tube_l_s(d / 100, length / 100, high)) - viscous
    assert float(knudsen_tube_l_s(d / 100, length / 100, high)) == pytest.approx(viscous, rel=1e-6)
    assert rest / molecular == pytest.approx(192.0 / 237.0, rel=1e-4)


@pytest.mark.parametrize(
    ("bore_cm", "length_cm", "expected"),
    [
        (0.40, 150.0, [0.00733, 0.01956, 0.03491, 0.15777]),
        (0.63, 150.0, [0.03543, 0.11089, 0.20538, 0.96144]),
        (0.95, 100.0, [0.23128, 0.81717, 1.5501, 7.41401]),
    ],
)
def test_3_8_hoses(bore_cm: float, length_cm: float, expected: list[float]) -> None:
    """CALC from 3.7 at mean pressures of 100 / 500 / 1000 / 5000 microns."""
    ours = knudsen_tube_l_s(bore_cm / 100, length_cm / 100, [100.0, 500.0, 1000.0, 5000.0])
    np.testing.assert_allclose(ours, expected, rtol=1e-3)


def test_3_9_regime_by_knudsen_number() -> None:
    """READ Pfeiffer text (0.01 < Kn < 0.5), CALC: 500 microns in 6.35 mm is Kn 0.0157, transitional."""
    kn = knudsen_number(0.00635, 500.0)
    assert float(kn) == pytest.approx(0.0157, abs=5e-5)
    assert flow_regime(kn) == FlowRegime.TRANSITIONAL
    assert list(flow_regime([0.005, 0.01001, 0.4999, 0.6])) == [0, 1, 1, 2]


def test_3_10_regime_by_pressure_times_diameter() -> None:
    """MEM handbook: viscous above 0.5 Torr cm, molecular below 0.01; 500 microns x 0.635 cm is transitional."""
    assert flow_regime_by_pd(500.0, 0.00635) == FlowRegime.TRANSITIONAL
    assert list(flow_regime_by_pd([800.0, 780.0, 16.0, 15.0], 0.00635)) == [0, 1, 1, 2]


def test_3_11_series_and_parallel() -> None:
    """READ Leybold, Pfeiffer 1.2.8: identities."""
    assert float(in_series_l_s(2.0, 3.0, 6.0)) == pytest.approx(1.0, rel=1e-12)
    assert float(in_parallel_l_s(2.0, 3.0, 6.0)) == pytest.approx(11.0, rel=1e-12)


def test_3_12_short_tube_is_tube_and_aperture() -> None:
    """READ codingace.net and Pfeiffer's numbers, CALC: 0.0164998 m3/s, 3.6 % below the page's value."""
    bare = molecular_tube_l_s(0.07, 2.47, 471.0)
    short = short_tube_l_s(bare, 0.07, 2.47)
    assert float(short) / 1000.0 == pytest.approx(0.0164998, abs=5e-8)
    assert float(short) == pytest.approx(float(in_series_l_s(bare, aperture_l_s(0.07, 471.0))), rel=1e-12)


def test_3_13_transmission_probability() -> None:
    """CALC (Berman), Clausing's table MEM."""
    ratio = [1.0, 2.0, 4.0, 10.0, 20.0]
    ours = transmission_probability(ratio)
    np.testing.assert_allclose(ours, [0.671984, 0.514232, 0.356575, 0.190994, 0.109384], atol=5.1e-7)
    np.testing.assert_allclose(ours, [0.6720, 0.5142, 0.3566, 0.1910, 0.1094], rtol=1e-3)


def test_3_13_transmission_times_aperture_is_conductance() -> None:
    """CALC: for a long tube the transmission probability leads back to the long-tube formula."""
    d, length = 0.01, 5.0
    through = float(transmission_probability(2.0 * length / d) * aperture_l_s(d))
    assert through == pytest.approx(float(molecular_tube_l_s(d, length)), rel=0.01)


def test_3_14_speed_for_a_chamber() -> None:
    """READ vacuum-guide.com: 1000 m3 from 1000 to 200 mbar in 10 min wants 160 m3/min; exactly 160.944."""
    ours = float(speed_from_two_pressures_l_s(1e6, 600.0, 1000.0, 200.0)) * 60.0 / 1000.0
    assert ours == pytest.approx(160.0, rel=0.01)
    assert ours == pytest.approx(160.944, abs=5e-4)
    from_atmosphere = float(speed_from_two_pressures_l_s(1e6, 600.0, 1013.0, 200.0)) * 60.0 / 1000.0
    assert from_atmosphere == pytest.approx(162.235, abs=5e-4)


def test_3_15_pump_down_time() -> None:
    """READ formula (Leybold nomogram text), CALC: 146.529 s; with 50 microns ultimate pressure 148.635 s."""
    assert float(pump_down_time_s(10.0, 0.5, 760000.0, 500.0)) == pytest.approx(146.529, abs=5e-4)
    assert float(pump_down_time_s(10.0, 0.5, 760000.0, 500.0, 50.0)) == pytest.approx(148.635, abs=5e-4)
    # an inflow of 25 micron l/s lifts the floor by those same 50 microns
    by_inflow = float(pump_down_time_s(10.0, 0.5, 760000.0, 500.0, 0.0, 25.0))
    assert by_inflow == pytest.approx(148.635, abs=5e-4)


@pytest.mark.parametrize("speed", [0.02, 0.5, 3.7])
def test_3_16_two_pressures_return_the_speed(speed: float) -> None:
    """Formula MEM; scope READ: ISO 21360-1:2020 pump-down method."""
    t, volume, start = np.array([0.0, 30.0]), 12.0, 9000.0
    first, second = start * np.exp(-speed / volume * t)
    assert float(speed_from_two_pressures_l_s(volume, 30.0, first, second)) == pytest.approx(speed, rel=1e-9)
