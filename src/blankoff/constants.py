"""Every physical constant of the package, with its value, unit, source and evidence tag.

The constants are plain floats, so that compiled kernels can close over them; what each
one is worth and where it comes from is kept beside it in :data:`CONSTANTS`.

Evidence tags
-------------
``EXACT``  exact by definition.
``READ``   the number was read in the text of the named source.
``RUN``    the number was computed with the named library.
``CALC``   arithmetic from numbers listed here.
``MEM``    written from memory; never to be quoted as the source's own number.
``CP``     common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

__all__ = ["CONSTANTS", "Constant", "EvidenceTag"]

EvidenceTag = Literal["EXACT", "READ", "RUN", "CALC", "MEM", "CP"]


@dataclass(frozen=True, slots=True)
class Constant:
    """One constant: its value, its unit, where it is from and how well that is known."""

    name: str
    value: float
    unit: str
    source: str
    tag: EvidenceTag


_REGISTER: dict[str, Constant] = {}


def _constant(name: str, value: float, unit: str, source: str, tag: EvidenceTag) -> float:
    """Enter a constant in the register and hand back its bare value."""
    _REGISTER[name] = Constant(name, value, unit, source, tag)
    return value


# --- definitions -----------------------------------------------------------------------

STANDARD_ATMOSPHERE_PA: Final = _constant(
    "STANDARD_ATMOSPHERE_PA", 101_325.0, "Pa", "10th CGPM (1954), resolution 4", "EXACT"
)
TORR_PA: Final = _constant("TORR_PA", STANDARD_ATMOSPHERE_PA / 760.0, "Pa", "1 Torr = 1 atm / 760", "EXACT")
MICRON_PA: Final = _constant("MICRON_PA", STANDARD_ATMOSPHERE_PA / 760_000.0, "Pa", "1 micron = 0.001 Torr", "EXACT")
STANDARD_GRAVITY_M_S2: Final = _constant("STANDARD_GRAVITY_M_S2", 9.80665, "m/s^2", "3rd CGPM (1901)", "EXACT")
MMHG_PA: Final = _constant(
    "MMHG_PA",
    13.5951 * STANDARD_GRAVITY_M_S2,
    "Pa",
    "conventional millimetre of mercury: 13595.1 kg/m^3 x standard gravity x 1 mm",
    "EXACT",
)
INHG_PA: Final = _constant(
    "INHG_PA", 25.4 * MMHG_PA, "Pa", "25.4 conventional millimetres of mercury (0 degC)", "EXACT"
)
MBAR_PA: Final = _constant("MBAR_PA", 100.0, "Pa", "1 mbar = 1 hPa", "EXACT")
ZERO_CELSIUS_K: Final = _constant(
    "ZERO_CELSIUS_K", 273.15, "K", "SI brochure: definition of the degree Celsius", "EXACT"
)
FOOT_M: Final = _constant("FOOT_M", 0.3048, "m", "international foot", "EXACT")
GAS_CONSTANT_J_MOL_K: Final = _constant(
    "GAS_CONSTANT_J_MOL_K",
    8.314_462_618_153_24,
    "J/(mol K)",
    "26th CGPM (2018): exact product of the Avogadro and Boltzmann constants",
    "EXACT",
)
BOLTZMANN_J_K: Final = _constant("BOLTZMANN_J_K", 1.380_649e-23, "J/K", "26th CGPM (2018)", "EXACT")
GAS_CONSTANT_40CFR_J_MOL_K: Final = _constant(
    "GAS_CONSTANT_40CFR_J_MOL_K",
    8.314_472,
    "J/(mol K)",
    "the value used in 40 CFR 1065.644 (vacuum-decay leak rate)",
    "READ",
)
SECONDS_PER_YEAR: Final = _constant("SECONDS_PER_YEAR", 365.25 * 86_400.0, "s", "Julian year", "EXACT")

# --- air -------------------------------------------------------------------------------

AIR_MOLAR_MASS_KG_MOL: Final = _constant(
    "AIR_MOLAR_MASS_KG_MOL", 28.9647e-3, "kg/mol", "dry air, standard composition", "MEM"
)
AIR_VISCOSITY_PA_S: Final = _constant(
    "AIR_VISCOSITY_PA_S", 1.82057e-5, "Pa s", "air at 20 degC and 1 atm, CoolProp 8.0", "RUN"
)
AIR_MEAN_FREE_PATH_M_PA: Final = _constant(
    "AIR_MEAN_FREE_PATH_M_PA",
    6.65e-3,
    "m Pa",
    "mean free path x pressure of air at 20 degC (molecular diameter 0.37 nm)",
    "MEM",
)
WATER_VAPOUR_VISCOSITY_PA_S: Final = _constant(
    "WATER_VAPOUR_VISCOSITY_PA_S", 9.54406e-6, "Pa s", "saturated vapour at 20 degC, CoolProp 8.0 (IAPWS R12-08)", "RUN"
)
AIR_HEAT_CAPACITY_RATIO: Final = _constant("AIR_HEAT_CAPACITY_RATIO", 1.4, "1", "diatomic ideal gas, 7/5", "CALC")

# --- water -----------------------------------------------------------------------------

WATER_MOLAR_MASS_KG_MOL: Final = _constant("WATER_MOLAR_MASS_KG_MOL", 18.015_268e-3, "kg/mol", "IAPWS R6-95", "MEM")
WATER_TRIPLE_POINT_K: Final = _constant("WATER_TRIPLE_POINT_K", 273.16, "K", "IAPWS R14-08(2011)", "MEM")
WATER_TRIPLE_POINT_PA: Final = _constant(
    "WATER_TRIPLE_POINT_PA", 611.657, "Pa", "IAPWS R14-08(2011), as in iapws 1.5.5", "RUN"
)
WATER_CRITICAL_POINT_K: Final = _constant("WATER_CRITICAL_POINT_K", 647.096, "K", "IAPWS R2-83", "MEM")
WATER_CRITICAL_POINT_PA: Final = _constant("WATER_CRITICAL_POINT_PA", 22.064e6, "Pa", "IAPWS SR1-86(1992)", "MEM")
ICE_COLDEST_K: Final = _constant(
    "ICE_COLDEST_K", 50.0, "K", "lower end of the sublimation equation, IAPWS R14-08(2011)", "MEM"
)

# --- vacuum flow -----------------------------------------------------------------------

KNUDSEN_VISCOUS_BELOW: Final = _constant(
    "KNUDSEN_VISCOUS_BELOW",
    0.01,
    "1",
    "Pfeiffer Vacuum know-how book: transitional (Knudsen) flow for 0.01 < Kn < 0.5",
    "READ",
)
KNUDSEN_MOLECULAR_ABOVE: Final = _constant("KNUDSEN_MOLECULAR_ABOVE", 0.5, "1", "as KNUDSEN_VISCOUS_BELOW", "READ")
PD_VISCOUS_ABOVE_TORR_CM: Final = _constant(
    "PD_VISCOUS_ABOVE_TORR_CM", 0.5, "Torr cm", "handbook rule on pressure x diameter", "MEM"
)
PD_MOLECULAR_BELOW_TORR_CM: Final = _constant(
    "PD_MOLECULAR_BELOW_TORR_CM", 0.01, "Torr cm", "handbook rule on pressure x diameter", "MEM"
)
KNUDSEN_VISCOUS_COEFFICIENT: Final = _constant(
    "KNUDSEN_VISCOUS_COEFFICIENT",
    135.0,
    "L/s per cm^3 mbar",
    "all-regime formula after Knudsen, air at 20 degC; goes with cm and mbar",
    "MEM",
)
KNUDSEN_MOLECULAR_COEFFICIENT: Final = _constant(
    "KNUDSEN_MOLECULAR_COEFFICIENT",
    12.1,
    "L/s per cm^2",
    "all-regime formula after Knudsen, air at 20 degC; goes with cm",
    "MEM",
)
KNUDSEN_NUMERATOR: Final = _constant(
    "KNUDSEN_NUMERATOR", 192.0, "1/(cm mbar)", "all-regime formula after Knudsen", "MEM"
)
KNUDSEN_DENOMINATOR: Final = _constant(
    "KNUDSEN_DENOMINATOR", 237.0, "1/(cm mbar)", "all-regime formula after Knudsen", "MEM"
)

# --- standard atmosphere ---------------------------------------------------------------

ATMOSPHERE_LAPSE_PER_M: Final = _constant(
    "ATMOSPHERE_LAPSE_PER_M",
    2.25577e-5,
    "1/m",
    "p = 101325 (1 - 2.25577e-5 z)^5.2559, ASHRAE Fundamentals ch. 1 (values checked, text not)",
    "MEM",
)
ATMOSPHERE_EXPONENT: Final = _constant("ATMOSPHERE_EXPONENT", 5.2559, "1", "as ATMOSPHERE_LAPSE_PER_M", "MEM")

CONSTANTS: Final[Mapping[str, Constant]] = MappingProxyType(_REGISTER)
"""Every constant of this module by name."""
