"""Refrigerants: molar mass, saturation pressure at 20 degC and viscosity of the vapour.

Pure fluids and the blends below marked RUN were computed with CoolProp 8.0. The other blends are put together from
their nominal composition by mass (ASHRAE 34 designations, from memory): molar mass exactly, dew pressure by Raoult's
law and viscosity by mole fraction, which come within 5 % and 6 % of CoolProp for the blends it knows. They serve the
labelled loss model in :mod:`blankoff.physics.leak` and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from blankoff.constants import EvidenceTag
from blankoff.errors import UnknownWordError

__all__ = ["REFRIGERANTS", "Refrigerant", "blend", "refrigerant"]


@dataclass(frozen=True, slots=True)
class Refrigerant:
    """One refrigerant at 20 degC.

    Attributes
    ----------
    name
        Designation.
    molar_mass_kg_mol
        Molar mass, kg/mol.
    saturation_pa_20c
        Absolute saturation pressure (for a blend the dew pressure) at 20 degC, Pa.
    vapour_viscosity_pa_s
        Dynamic viscosity of the saturated vapour at 20 degC, Pa s.
    source, tag
        Where the numbers are from, and their evidence tag.
    """

    name: str
    molar_mass_kg_mol: float
    saturation_pa_20c: float
    vapour_viscosity_pa_s: float
    source: str
    tag: EvidenceTag


def _computed(name: str, molar_mass: float, pressure: float, viscosity: float) -> Refrigerant:
    return Refrigerant(name, molar_mass, pressure, viscosity, "CoolProp 8.0, 20 degC, saturated vapour", "RUN")


_COMPUTED: Final = {
    r.name: r
    for r in (
        _computed("R22", 0.086468, 910_018.0, 1.36800e-5),
        _computed("R23", 0.07001385, 4_161_028.0, 1.95130e-5),
        _computed("R32", 0.052024, 1_474_566.0, 1.34543e-5),
        _computed("R123", 0.152931, 75_610.0, 1.05626e-5),
        _computed("R125", 0.1200214, 1_205_196.0, 1.31029e-5),
        _computed("R134a", 0.102032, 571_707.0, 1.14882e-5),
        _computed("R143a", 0.084041, 1_105_151.0, 1.12651e-5),
        _computed("R152a", 0.066051, 512_906.0, 1.10049e-5),
        _computed("R245fa", 0.13404794, 123_060.0, 1.16173e-5),
        _computed("R290", 0.04409562, 836_461.0, 8.08886e-6),
        _computed("R404A", 0.0976038, 1_084_398.0, 1.26315e-5),
        _computed("R407C", 0.0862036, 880_289.0, 1.22921e-5),
        _computed("R410A", 0.0725854, 1_442_927.0, 1.33466e-5),
        _computed("R507A", 0.0988592, 1_120_900.0, 1.26617e-5),
        _computed("R600a", 0.0581222, 302_220.0, 7.36544e-6),
        _computed("R717", 0.01703052, 857_040.0, 9.67629e-6),
        _computed("R744", 0.0440098, 5_729_053.0, 1.78416e-5),
        _computed("R1234yf", 0.1140416, 591_836.0, 1.23021e-5),
        _computed("R1234ze(E)", 0.1140415928, 427_343.0, 1.22017e-5),
        _computed("R1270", 0.04207974, 1_017_024.0, 8.65302e-6),
    )
}


def blend(name: str, mass_shares: Mapping[str, float]) -> Refrigerant:
    """Put a blend together from its composition by mass, as an ideal mixture.

    Parameters
    ----------
    name : str
        Its designation.
    mass_shares : mapping of str to float
        Mass shares of computed refrigerants; they need not add to one.

    Returns
    -------
    Refrigerant
        Molar mass from the composition, dew pressure by Raoult's law, viscosity by mole fraction.
    """
    moles = {part: share / _COMPUTED[part].molar_mass_kg_mol for part, share in mass_shares.items()}
    total = sum(moles.values())
    return Refrigerant(
        name,
        sum(mass_shares.values()) / total,
        1.0 / sum(n / total / _COMPUTED[part].saturation_pa_20c for part, n in moles.items()),
        sum(n / total * _COMPUTED[part].vapour_viscosity_pa_s for part, n in moles.items()),
        "ideal mixture of nominal composition by mass, from memory",
        "MEM",
    )


_BLENDS: Final = (
    blend("R407A", {"R32": 20.0, "R125": 40.0, "R134a": 40.0}),
    blend("R407F", {"R32": 30.0, "R125": 30.0, "R134a": 40.0}),
    blend("R448A", {"R32": 26.0, "R125": 26.0, "R1234yf": 20.0, "R134a": 21.0, "R1234ze(E)": 7.0}),
    blend("R449A", {"R32": 24.3, "R125": 24.7, "R1234yf": 25.3, "R134a": 25.7}),
    blend("R450A", {"R134a": 42.0, "R1234ze(E)": 58.0}),
    blend("R452A", {"R32": 11.0, "R125": 59.0, "R1234yf": 30.0}),
    blend("R454A", {"R32": 35.0, "R1234yf": 65.0}),
    blend("R454B", {"R32": 68.9, "R1234yf": 31.1}),
    blend("R454C", {"R32": 21.5, "R1234yf": 78.5}),
    blend("R455A", {"R744": 3.0, "R32": 21.5, "R1234yf": 75.5}),
    blend("R513A", {"R1234yf": 56.0, "R134a": 44.0}),
)

REFRIGERANTS: Final[Mapping[str, Refrigerant]] = MappingProxyType(
    dict(sorted((_COMPUTED | {b.name: b for b in _BLENDS}).items()))
)
"""Every refrigerant known here, by designation."""


def _plain(word: str) -> str:
    """Strip a designation of case, blanks, hyphens and brackets, so that ``r-410a`` is ``R410A``."""
    return "".join(c for c in word.casefold() if c.isalnum())


_BY_PLAIN_NAME: Final = {_plain(name): fluid for name, fluid in REFRIGERANTS.items()}


def refrigerant(name: str) -> Refrigerant:
    """Look a refrigerant up by its designation; case, blanks and hyphens do not matter.

    Raises
    ------
    UnknownWordError
        If it is not known; the text lists those that are.
    """
    try:
        return _BY_PLAIN_NAME[_plain(name)]
    except KeyError:
        raise UnknownWordError("refrigerant", name, list(REFRIGERANTS)) from None
