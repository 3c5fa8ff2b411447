"""Water and ice saturation against IAPWS, CoolProp, psychrolib and printed tables (reference checks, section 1)."""

import csv
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from iapws import iapws95
from iapws._iapws import _Sublimation_Pressure

from blankoff.constants import MICRON_PA, WATER_TRIPLE_POINT_K, ZERO_CELSIUS_K
from blankoff.physics.leak import mass_rate_g_per_year, throughput_of_mass_rate_pa_m3_s
from blankoff.physics.saturation import (
    _psat_ice_kernel,
    _psat_liquid_kernel,
    saturation_pressure_micron,
    saturation_slope_per_k,
    saturation_temperature_c,
)
from blankoff.physics.water import latent_heat_j_g, rise_ceiling_micron, vapour_g, vapour_l

psychrolib.SetUnitSystem(psychrolib.SI)

FORMULATIONS = 3.5e-4  # largest seen between the three: 3.18e-4 at -40 degC
SAME_FORMULATION = 1e-6


def table() -> list[dict[str, str]]:
    with (Path(__file__).parent / "data" / "psat_water_microns.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table(), ids=lambda r: f"{r['t_C']} degC {r['source'][:9]}")
def test_table_over_ice_and_liquid(row: dict[str, str]) -> None:
    """RUN: table of iapws 1.5.5 (R14-08), CoolProp 8.0 (IAPWS-95) and psychrolib 2.5 (Hyland-Wexler)."""
    t_c = float(row["t_C"])
    micron = saturation_pressure_micron(t_c)
    assert micron == pytest.approx(float(row["microns"]), rel=FORMULATIONS)
    assert micron * MICRON_PA == pytest.approx(float(row["p_Pa"]), rel=FORMULATIONS)
    assert micron == pytest.approx(float(row["HW_microns"]), rel=FORMULATIONS)


@pytest.mark.parametrize("t_c", [-80.0, -40.0, -24.477, -10.0, -1.0, 0.0])
def test_ice_is_iapws_r14(t_c: float) -> None:
    """RUN: the same formulation as iapws, IAPWS R14-08(2011)."""
    expected = _Sublimation_Pressure(t_c + ZERO_CELSIUS_K) * 1e6 / MICRON_PA
    assert saturation_pressure_micron(t_c) == pytest.approx(expected, rel=SAME_FORMULATION)


@pytest.mark.parametrize("t_c", [0.02, 5.0, 20.0, 60.0, 200.0, 370.0])
def test_liquid_is_wagner_and_pruss(t_c: float) -> None:
    """RUN: the same formulation as iapws, Wagner & Pruss (1993) vapour-pressure equation."""
    expected = iapws95.IAPWS95._Vapor_Pressure(t_c + ZERO_CELSIUS_K) * 1e6 / MICRON_PA
    assert saturation_pressure_micron(t_c) == pytest.approx(expected, rel=SAME_FORMULATION)


@pytest.mark.parametrize("t_c", [0.02, 5.0, 15.0, 25.0, 40.0, 60.0])
def test_liquid_against_equation_of_state(t_c: float) -> None:
    """RUN: CoolProp's phase equilibrium of IAPWS-95, a different route to the same line."""
    expected = PropsSI("P", "T", t_c + ZERO_CELSIUS_K, "Q", 0, "Water") / MICRON_PA
    assert saturation_pressure_micron(t_c) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("t_c", [-40.0, -20.0, -5.0, 5.0, 25.0, 50.0])
def test_against_hyland_and_wexler(t_c: float) -> None:
    """RUN: psychrolib 2.5, the ASHRAE formulation."""
    expected = psychrolib.GetSatVapPres(t_c) / MICRON_PA
    assert saturation_pressure_micron(t_c) == pytest.approx(expected, rel=FORMULATIONS)


@pytest.mark.parametrize(
    ("t_c", "pa"), [(-20.0, 103.24), (-5.0, 401.74), (5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)]
)
def test_ashrae_table(t_c: float, pa: float) -> None:
    """READ: ASHRAE Fundamentals 2017 ch. 1 table 3, as quoted in psychrolib's tests, "within 300 ppm"."""
    assert saturation_pressure_micron(t_c) * MICRON_PA == pytest.approx(pa, rel=3e-4)


def test_triple_point() -> None:
    """MEM constant, RUN iapws: 611.657 Pa is 4587.80 microns, and both branches meet there."""
    triple_c = WATER_TRIPLE_POINT_K - ZERO_CELSIUS_K
    assert saturation_pressure_micron(triple_c) == pytest.approx(4587.80, abs=0.01)
    assert _psat_ice_kernel(triple_c) == pytest.approx(_psat_liquid_kernel(triple_c), rel=1e-6)


def test_sublimation_check_value() -> None:
    """RUN and MEM: IAPWS R14-08 sublimation pressure at 230 K is 8.94735 Pa."""
    assert saturation_pressure_micron(230.0 - ZERO_CELSIUS_K) * MICRON_PA == pytest.approx(8.94735, rel=1e-6)


def test_if97_saturation_values() -> None:
    """RUN and MEM: IF97 saturation pressure at 300 / 500 / 600 K, within that formulation's own tolerance."""
    pa = np.array([0.0035365894, 2.638897756, 12.34431458]) * 1e6
    ours = saturation_pressure_micron(np.array([300.0, 500.0, 600.0]) - ZERO_CELSIUS_K) * MICRON_PA
    np.testing.assert_allclose(ours, pa, rtol=FORMULATIONS)


def test_ice_branch_is_not_liquid_extrapolated() -> None:
    """CALC (coefficients MEM): at -10 degC supercooled liquid stands 10.3 % above ice."""
    assert _psat_liquid_kernel(-10.0) / saturation_pressure_micron(-10.0) == pytest.approx(1.103, abs=0.002)


INVERSE = [
    (100.0, -39.668),
    (200.0, -33.359),
    (250.0, -31.255),
    (300.0, -29.508),
    (500.0, -24.477),
    (700.0, -21.047),
    (1000.0, -17.307),
    (1500.0, -12.917),
    (2000.0, -9.710),
    (4000.0, -1.645),
    (5000.0, 1.200),
    (10000.0, 11.230),
    (20000.0, 22.130),
    (25400.0, 26.113),
    (50000.0, 38.093),
]


@pytest.mark.parametrize(("micron", "t_c"), INVERSE)
def test_saturation_temperature(micron: float, t_c: float) -> None:
    """RUN: brentq on iapws and CoolProp; psychrolib's dew point agrees within 0.003 K."""
    assert saturation_temperature_c(micron) == pytest.approx(t_c, abs=0.01)


@pytest.mark.parametrize(("micron", "t_c"), [(500.0, -24.48), (250.0, -31.3)])
def test_what_a_flat_hold_excludes(micron: float, t_c: float) -> None:
    """CALC: ice at -24.48 degC or above holds at least 500 microns; 250 microns go with -31.3 degC."""
    assert saturation_temperature_c(micron) == pytest.approx(t_c, abs=0.05)


def test_physical_scale() -> None:
    """CALC: 1 g at 500 microns, 20 degC takes 2030 l; raising 10 l from 500 to 1000 microns takes 4.93 mg."""
    assert float(vapour_l(1.0, 500.0, 20.0)) == pytest.approx(2030.0, abs=0.5)
    assert float(vapour_g(10.0, 500.0, 20.0)) == pytest.approx(4.93e-3, abs=5e-6)


def test_ideal_gas_drift() -> None:
    """CALC: a sealed volume at 500 microns and 20 degC drifts by 1.706 microns per kelvin."""
    mass = vapour_g(1.0, 500.0, 20.0)
    warmer = 500.0 * float(mass / vapour_g(1.0, 500.0, 21.0))
    assert warmer - 500.0 == pytest.approx(1.706, abs=5e-4)


@pytest.mark.parametrize("t_c", [1.0, 10.0, 20.0, 40.0, 60.0])
def test_latent_heat_of_vaporisation(t_c: float) -> None:
    """RUN: CoolProp (IAPWS-95); the ideal-gas vapour costs at most 1 %."""
    at = ("T", t_c + ZERO_CELSIUS_K)
    expected = (PropsSI("H", *at, "Q", 1, "Water") - PropsSI("H", *at, "Q", 0, "Water")) / 1000.0
    assert float(latent_heat_j_g(t_c)) == pytest.approx(expected, rel=0.01)


def test_latent_heat_of_sublimation() -> None:
    """MEM: about 2834 J/g at 0 degC, 334 J/g (fusion) more than vaporisation."""
    assert float(latent_heat_j_g(-0.01)) == pytest.approx(2834.0, rel=2e-3)
    assert float(latent_heat_j_g(-0.01) - latent_heat_j_g(0.02)) == pytest.approx(333.5, abs=3.0)


def test_slope_against_a_library_difference() -> None:
    """RUN: central difference of iapws (ice) and CoolProp (liquid)."""
    step = 0.05
    ice = np.log(_Sublimation_Pressure(253.15 + step) / _Sublimation_Pressure(253.15 - step)) / (2 * step)
    liquid = np.log(
        PropsSI("P", "T", 293.15 + step, "Q", 0, "Water") / PropsSI("P", "T", 293.15 - step, "Q", 0, "Water")
    )
    assert saturation_slope_per_k(-20.0) == pytest.approx(ice, rel=1e-6)
    assert saturation_slope_per_k(20.0) == pytest.approx(liquid / (2 * step), rel=1e-4)


def test_moisture_plateau_stays_below_saturation() -> None:
    """Physics with section 1 (4.7): a rise from 400 microns at 20 degC can reach psat(20 degC) and no more."""
    rise = float(rise_ceiling_micron(400.0, 20.0))
    assert 400.0 + rise == pytest.approx(17546.33, rel=FORMULATIONS)


def test_leak_mass_conversion_uses_water_like_any_gas() -> None:
    """CALC: 1 g/year of water and back through throughput."""
    q = throughput_of_mass_rate_pa_m3_s(1.0, 0.018015268, 20.0)
    assert float(mass_rate_g_per_year(q, 0.018015268, 20.0)) == pytest.approx(1.0, rel=1e-12)
