"""Units against SI definitions, scipy.constants, pint and psychrolib (reference checks, section 2)."""

import numpy as np
import pint
import psychrolib
import pytest
import scipy.constants

from blankoff.constants import CONSTANTS, INHG_PA, MICRON_PA, MMHG_PA, STANDARD_ATMOSPHERE_PA, TORR_PA
from blankoff.physics.atmosphere import standard_pressure_micron
from blankoff.units import l_per_s_to, micron_to, micron_to_pa, pa_to_micron, to_l_per_s, to_micron

psychrolib.SetUnitSystem(psychrolib.SI)
EXACT = 1e-9


def test_torr_and_micron() -> None:
    """RUN scipy and pint; READ exact definition: 1 Torr = 101325 / 760 Pa."""
    assert pytest.approx(133.322368421, rel=EXACT) == TORR_PA
    assert pytest.approx(scipy.constants.torr, rel=EXACT) == TORR_PA
    assert pytest.approx(pint.UnitRegistry().Quantity(1, "torr").to("Pa").magnitude, rel=EXACT) == TORR_PA
    assert micron_to_pa(1.0) == pytest.approx(0.133322368421, rel=EXACT)
    assert pa_to_micron(1.0) == pytest.approx(7.500616827, rel=EXACT)
    assert to_micron(1.0, "mbar") == pytest.approx(750.0616827, rel=EXACT)


def test_conventional_mercury_is_not_torr() -> None:
    """RUN pint, READ: 133.322387415 Pa, 0.1425 ppm above the Torr; scipy's mmHg is the Torr, not this."""
    assert pytest.approx(133.322387415, rel=EXACT) == MMHG_PA
    excess = MMHG_PA / TORR_PA - 1.0
    assert excess == pytest.approx(0.1425e-6, abs=1e-10)
    assert pytest.approx(scipy.constants.mmHg, rel=2e-7) == MMHG_PA
    assert scipy.constants.mmHg != pytest.approx(MMHG_PA, rel=1e-8)


def test_inch_of_mercury() -> None:
    """RUN pint; READ (sensorsone.com): 1 inHg (0 degC) = 25.4 mmHg = 3386.38864034 Pa = 25400.0 microns."""
    assert pytest.approx(3386.38864034, rel=EXACT) == INHG_PA
    assert to_micron(1.0, "inhg") == pytest.approx(25400.0, rel=2e-7)
    assert to_micron(0.001, "inhg") == pytest.approx(25.4, rel=2e-7)


@pytest.mark.parametrize(
    ("unit", "name"), [("torr", "torr"), ("mtorr", "millitorr"), ("mbar", "mbar"), ("kpa", "kPa"), ("hpa", "hPa")]
)
def test_units_against_pint(unit: str, name: str) -> None:
    """RUN pint."""
    pascal = pint.UnitRegistry().Quantity(123.4, name).to("Pa").magnitude
    assert to_micron(123.4, unit) * MICRON_PA == pytest.approx(pascal, rel=EXACT)


def test_psi() -> None:
    """CALC: 1 psi = 51714.93 microns (a printed table gives 51715.1)."""
    assert pa_to_micron(scipy.constants.psi) == pytest.approx(51714.93, abs=0.01)


def test_thresholds_in_pascal() -> None:
    """CALC: 500 / 1000 / 1500 / 2000 microns and 270 Pa."""
    np.testing.assert_allclose(
        micron_to([500.0, 1000.0, 1500.0, 2000.0], "pa"), [66.661, 133.322, 199.984, 266.645], atol=5e-4
    )
    assert to_micron(270.0, "pa") == pytest.approx(2025.17, abs=0.005)


def test_free_air_displacement() -> None:
    """CALC: 6 ft3/min = 2.8316847 l/s = 10.194065 m3/h (exact foot)."""
    speed = to_l_per_s(6.0, "ft3_per_min")
    assert speed == pytest.approx(2.8316847, abs=5e-8)
    assert l_per_s_to(speed, "m3_per_h") == pytest.approx(10.194065, abs=5e-7)


@pytest.mark.parametrize(
    ("altitude_m", "micron", "pa"),
    [(0.0, 760000.0, 101325.0), (500.0, 716015.0, 95461.0), (1000.0, 674114.0, 89875.0), (4000.0, 462339.0, 61640.0)],
)
def test_standard_atmosphere(altitude_m: float, micron: float, pa: float) -> None:
    """RUN psychrolib; ASHRAE table 1 values READ in psychrolib's tests."""
    ours = float(standard_pressure_micron(altitude_m))
    assert ours == pytest.approx(micron, abs=0.6)
    assert ours * MICRON_PA == pytest.approx(pa, abs=1.0)
    assert ours * MICRON_PA == pytest.approx(psychrolib.GetStandardAtmPressure(altitude_m), rel=1e-9)


def test_si_constants() -> None:
    """RUN scipy.constants."""
    assert CONSTANTS["GAS_CONSTANT_J_MOL_K"].value == pytest.approx(scipy.constants.R, rel=1e-12)
    assert scipy.constants.atm == STANDARD_ATMOSPHERE_PA
    assert CONSTANTS["FOOT_M"].value == pytest.approx(scipy.constants.foot, rel=1e-15)
    assert CONSTANTS["ZERO_CELSIUS_K"].value == scipy.constants.zero_Celsius
    assert CONSTANTS["STANDARD_GRAVITY_M_S2"].value == scipy.constants.g
