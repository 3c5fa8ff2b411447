"""Units and constants: words coerced at the edge, shapes kept, conversions that undo one another."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blankoff import units
from blankoff.constants import CONSTANTS
from blankoff.errors import BlankoffError, UnknownWordError

FINITE = st.floats(min_value=-1e9, max_value=1e9, allow_nan=False)


def test_words_are_coerced() -> None:
    assert units.PressureUnit.coerce(" Torr ") is units.PressureUnit.TORR
    assert units.PressureUnit.coerce(units.PressureUnit.INHG) is units.PressureUnit.INHG
    assert units.TemperatureUnit.coerce("F") is units.TemperatureUnit.F


@pytest.mark.parametrize(
    ("function", "what"),
    [
        (units.to_micron, "pressure unit"),
        (units.micron_to, "pressure unit"),
        (units.to_celsius, "temperature unit"),
        (units.celsius_to, "temperature unit"),
        (units.to_l_per_s, "speed unit"),
        (units.l_per_s_to, "speed unit"),
        (units.to_pa_m3_s, "leak-rate unit"),
        (units.leak_to, "leak-rate unit"),
    ],
)
def test_unknown_words_list_the_known_ones(function, what: str) -> None:
    with pytest.raises(UnknownWordError, match=f"unknown {what} 'furlong'; use one of: ") as caught:
        function(1.0, "furlong")
    assert isinstance(caught.value, BlankoffError)
    assert len(caught.value.known) >= 3
    assert all(word in str(caught.value) for word in caught.value.known)


def test_the_contract_s_pressure_units() -> None:
    assert [u.value for u in units.PressureUnit] == ["micron", "mtorr", "torr", "pa", "hpa", "kpa", "mbar", "inhg"]


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("micron", 1.0), ("mtorr", 1.0), ("torr", 1e3), ("pa", 7.500616827), ("hpa", 750.0616827), ("kpa", 7500.616827)],
)
def test_pressure_factors(unit: str, factor: float) -> None:
    assert units.to_micron(2.0, unit) == pytest.approx(2.0 * factor, rel=1e-9)


@pytest.mark.parametrize(
    ("unit", "factor"),
    [
        ("l_per_s", 1.0),
        ("l_per_min", 1 / 60),
        ("m3_per_s", 1000.0),
        ("m3_per_h", 1 / 3.6),
        ("ft3_per_min", 0.471947443),
    ],
)
def test_speed_factors(unit: str, factor: float) -> None:
    assert units.to_l_per_s(3.0, unit) == pytest.approx(3.0 * factor, rel=1e-8)


@pytest.mark.parametrize(
    ("unit", "factor"),
    [
        ("pa_m3_s", 1.0),
        ("mbar_l_s", 0.1),
        ("torr_l_s", 0.133322368),
        ("micron_l_s", 1.33322368e-4),
        ("std_cm3_s", 0.101325),
    ],
)
def test_leak_factors(unit: str, factor: float) -> None:
    assert units.to_pa_m3_s(3.0, unit) == pytest.approx(3.0 * factor, rel=1e-8)


@pytest.mark.parametrize(("f", "c", "k"), [(32.0, 0.0, 273.15), (212.0, 100.0, 373.15), (-40.0, -40.0, 233.15)])
def test_temperatures(f: float, c: float, k: float) -> None:
    assert units.to_celsius(f, "f") == pytest.approx(c, abs=1e-12)
    assert units.to_celsius(k, "k") == pytest.approx(c, abs=1e-12)
    assert units.to_celsius(c, "c") == c
    assert units.celsius_to(c, "f") == pytest.approx(f, abs=1e-12)
    assert units.celsius_to(c, "k") == pytest.approx(k, abs=1e-12)
    assert units.celsius_to(c, "c") == c
    assert units.celsius_to_kelvin(c) == pytest.approx(k, abs=1e-12)
    assert units.kelvin_to_celsius(k) == pytest.approx(c, abs=1e-12)


@given(FINITE, st.sampled_from(list(units.PressureUnit)))
def test_pressure_goes_there_and_back(value: float, unit: units.PressureUnit) -> None:
    assert units.micron_to(units.to_micron(value, unit), unit) == pytest.approx(value, rel=1e-14, abs=1e-300)


@given(FINITE, st.sampled_from(list(units.TemperatureUnit)))
def test_temperature_goes_there_and_back(value: float, unit: units.TemperatureUnit) -> None:
    assert units.celsius_to(units.to_celsius(value, unit), unit) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(FINITE, st.sampled_from(list(units.SpeedUnit)), st.sampled_from(list(units.LeakUnit)))
def test_speed_and_leak_go_there_and_back(value: float, speed: units.SpeedUnit, leak: units.LeakUnit) -> None:
    assert units.l_per_s_to(units.to_l_per_s(value, speed), speed) == pytest.approx(value, rel=1e-14, abs=1e-300)
    assert units.leak_to(units.to_pa_m3_s(value, leak), leak) == pytest.approx(value, rel=1e-14, abs=1e-300)


def test_shapes_and_unknown_values() -> None:
    out = units.to_micron([[1.0, math.nan], [2.0, 3.0]], "torr")
    assert out.shape == (2, 2)
    assert np.isnan(out[0, 1])
    assert isinstance(units.to_micron(1.0, "torr"), float)
    assert isinstance(units.pa_to_micron(np.float64(1.0)), float)
    np.testing.assert_allclose(units.micron_to_pa(units.pa_to_micron([1.0, 5.0])), [1.0, 5.0], rtol=1e-14)


def test_input_is_left_alone() -> None:
    values = np.array([1.0, 2.0])
    units.to_micron(values, "torr")
    assert list(values) == [1.0, 2.0]


def test_every_constant_says_where_it_is_from() -> None:
    import blankoff.constants as module

    names = {n for n in vars(module) if n.isupper() and n != "CONSTANTS" and not n.startswith("_")}
    assert names == set(CONSTANTS)
    for name, constant in CONSTANTS.items():
        assert getattr(module, name) == constant.value
        assert constant.name == name
        assert constant.unit
        assert constant.source
        assert constant.tag in {"EXACT", "READ", "RUN", "CALC", "MEM", "CP"}


def test_the_register_of_constants_cannot_be_written() -> None:
    with pytest.raises(TypeError):
        CONSTANTS["TORR_PA"] = CONSTANTS["MICRON_PA"]  # type: ignore[index]
