"""Leaks, refrigerants, altitude and water: conversions, edges and shapes."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blankoff.errors import UnknownWordError
from blankoff.physics.atmosphere import altitude_of_pressure_m, standard_pressure_micron
from blankoff.physics.leak import (
    amount_rate_mol_s,
    choked_below_micron,
    critical_pressure_ratio,
    is_choked,
    leak_at_temperature_pa_m3_s,
    leak_from_rise_pa_m3_s,
    mass_rate_g_per_year,
    pressure_rise_rate_pa_m3_s,
    refrigerant_loss,
    throughput_of_mass_rate_pa_m3_s,
)
from blankoff.physics.refrigerants import REFRIGERANTS, refrigerant
from blankoff.physics.saturation import saturation_pressure_micron
from blankoff.physics.water import (
    boiled_off_g,
    dryness_margin_k,
    latent_heat_j_g,
    rise_ceiling_micron,
    vapour_g,
    vapour_l,
)


def test_leak_from_rise_is_volume_times_rise() -> None:
    ours = leak_from_rise_pa_m3_s([10.0, 20.0, math.nan], 60.0)
    np.testing.assert_allclose(ours[:2], [1.33322368e-3, 2.66644737e-3], rtol=1e-8)
    assert np.isnan(ours[2])
    assert float(pressure_rise_rate_pa_m3_s(5.0, 3.0, 6.0)) == pytest.approx(2.5e-3, rel=1e-14)


def test_leak_restated_at_another_temperature() -> None:
    assert float(leak_at_temperature_pa_m3_s(1.0, 0.0, 20.0)) == pytest.approx(293.15 / 273.15, rel=1e-14)
    assert float(leak_at_temperature_pa_m3_s(1.0, 20.0, 20.0)) == 1.0


def test_amount_rate_counts_temperatures() -> None:
    # the same amount of gas, only warmer, is no leak
    assert float(amount_rate_mol_s(2.0, 100.0, 0.0, 100.0 * 293.15 / 273.15, 20.0, 60.0)) == pytest.approx(
        0.0, abs=1e-18
    )
    assert float(amount_rate_mol_s(2.0, 100.0, 20.0, 50.0, 20.0, 60.0)) < 0.0
    # and agrees with the throughput of the same rise
    throughput = float(pressure_rise_rate_pa_m3_s(2.0, 50.0, 60.0))
    moles = float(amount_rate_mol_s(2.0, 100.0, 20.0, 150.0, 20.0, 60.0))
    assert throughput == pytest.approx(moles * 8.314462618 * 293.15, rel=1e-9)


@given(st.floats(min_value=1e-3, max_value=1e6), st.floats(min_value=0.002, max_value=0.3))
def test_mass_rate_there_and_back(grams: float, molar_mass: float) -> None:
    q = throughput_of_mass_rate_pa_m3_s(grams, molar_mass, 5.0)
    assert float(mass_rate_g_per_year(q, molar_mass, 5.0)) == pytest.approx(grams, rel=1e-12)


def test_choked_flow() -> None:
    assert list(is_choked([1000.0, 401000.0, 402000.0, 760000.0], 760000.0)) == [True, True, False, False]
    assert float(choked_below_micron(760000.0)) == pytest.approx(401500.0, abs=50.0)
    assert float(critical_pressure_ratio(1.67)) == pytest.approx(0.487, abs=5e-4)
    # a leak stays straight throughout any hold, on any mountain
    assert bool(is_choked(25000.0, float(standard_pressure_micron(4000.0))))


def test_loss_model_needs_pressure_above_the_air_outside() -> None:
    assert float(refrigerant_loss(1e-6, "R32", inside_pa=101_325.0).g_per_year) == 0.0
    assert float(refrigerant_loss(1e-6, "R32", inside_pa=50_000.0).g_per_year) == 0.0
    here = refrigerant_loss([1e-6, 2e-6], "R32", inside_pa=5e5)
    assert here.g_per_year[1] == pytest.approx(2.0 * here.g_per_year[0])
    assert here.inside_pa == 5e5
    assert "500 kPa" in here.label
    higher = refrigerant_loss(1e-6, "R32", inside_pa=1e6, outside_pa=8e4, t_c=30.0)
    assert float(higher.g_per_year) > 4.0 * float(here.g_per_year[0])
    assert "30 degC" in higher.label


def test_refrigerant_names() -> None:
    assert refrigerant("r-410a") is refrigerant("R410A")
    assert refrigerant(" R 1234ze(E)").molar_mass_kg_mol == pytest.approx(0.114, abs=1e-4)
    with pytest.raises(UnknownWordError, match="unknown refrigerant 'R0'"):
        refrigerant("R0")
    assert list(REFRIGERANTS) == sorted(REFRIGERANTS)
    assert all(r.name == name and r.source for name, r in REFRIGERANTS.items())


@pytest.mark.parametrize(
    ("name", "g_mol"),
    [
        *[("R454B", 62.6), ("R454C", 90.8), ("R513A", 108.4), ("R449A", 87.2), ("R452A", 103.5)],
        *[("R407A", 90.1), ("R407F", 82.1), ("R448A", 86.3), ("R450A", 108.7), ("R454A", 80.5), ("R455A", 87.5)],
    ],
)
def test_molar_mass_of_blends(name: str, g_mol: float) -> None:
    """MEM: molar masses as commonly listed."""
    assert refrigerant(name).molar_mass_kg_mol * 1000.0 == pytest.approx(g_mol, abs=0.06)


def test_altitude() -> None:
    z = np.array([-300.0, 0.0, 1609.0, 3000.0])
    np.testing.assert_allclose(altitude_of_pressure_m(standard_pressure_micron(z)), z, atol=1e-6)
    assert np.isnan(standard_pressure_micron([math.nan, 11001.0, -5001.0])).all()
    assert np.isfinite(standard_pressure_micron([11000.0, -5000.0])).all()
    assert np.isnan(altitude_of_pressure_m([math.nan, 0.0, -1.0, 1.0])).all()


@given(
    st.floats(min_value=0.1, max_value=200.0),
    st.floats(min_value=1.0, max_value=25000.0),
    st.floats(min_value=-40.0, max_value=60.0),
)
def test_vapour_mass_and_volume(volume: float, micron: float, t_c: float) -> None:
    grams = vapour_g(volume, micron, t_c)
    assert float(vapour_l(grams, micron, t_c)) == pytest.approx(volume, rel=1e-12)


def test_boiled_off_water_of_a_steady_plateau() -> None:
    t = np.linspace(0.0, 600.0, 61)
    ours = boiled_off_g(t, np.full(61, 4000.0), 0.5, 100.0, 20.0)
    assert ours == pytest.approx(float(vapour_g(0.5 * 600.0, 3900.0, 20.0)), rel=1e-12)
    # uneven sampling of the same plateau changes nothing
    assert boiled_off_g(t[[0, 3, 60]], np.full(3, 4000.0), 0.5, 100.0, 20.0) == pytest.approx(ours, rel=1e-12)
    assert boiled_off_g(t, np.full(61, 4000.0), np.full(61, 0.5), 100.0, 20.0) == pytest.approx(ours, rel=1e-12)


def test_boiled_off_edges() -> None:
    assert boiled_off_g([0.0], [4000.0], 0.5) == 0.0
    assert boiled_off_g([], [], 0.5) == 0.0
    assert boiled_off_g([0.0, 60.0], [200.0, 300.0], 0.5) == pytest.approx(float(vapour_g(0.5 * 60.0, 250.0)))
    assert boiled_off_g([0.0, 60.0], [50.0, 50.0], 0.5, 100.0) == 0.0


def test_dryness_margin() -> None:
    assert float(dryness_margin_k(saturation_pressure_micron(12.0), 20.0)) == pytest.approx(8.0, abs=1e-8)
    assert np.isnan(dryness_margin_k([math.nan, 500.0], [20.0, math.nan])).all()


def test_rise_ceiling() -> None:
    out = rise_ceiling_micron([500.0, 1e6, math.nan, 500.0], [20.0, 20.0, 20.0, math.nan])
    assert out[0] == pytest.approx(saturation_pressure_micron(20.0) - 500.0)
    assert out[1] == 0.0
    assert np.isnan(out[2:]).all()


def test_vapour_in_saturated_air_at_20_c() -> None:
    """MEM: saturated air at 20 degC holds 17.3 g of water per cubic metre; its vapour pressure is 17.5 Torr."""
    assert float(vapour_g(1000.0, 17_535.0, 20.0)) == pytest.approx(17.3, abs=0.05)


@pytest.mark.parametrize(("t_c", "want"), [(0.02, 2500.9), (20.0, 2453.5), (40.0, 2406.0), (-10.0, 2838.0)])
def test_latent_heat(t_c: float, want: float) -> None:
    """MEM: IAPWS-95 vaporisation 2 500.9, 2 453.5, 2 406.0 J/g; sublimation of ice at -10 degC about 2 838."""
    assert latent_heat_j_g(t_c) == pytest.approx(want, rel=6e-3)


def test_vapour_without_a_temperature_is_at_20_c() -> None:
    assert vapour_l(2.0, 5000.0) == pytest.approx(vapour_l(2.0, 5000.0, 20.0))
    assert vapour_g(9.0, 5000.0) == pytest.approx(vapour_g(9.0, 5000.0, 20.0))
