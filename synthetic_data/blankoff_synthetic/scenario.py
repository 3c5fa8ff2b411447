"""A scenario: every knob of an invented fleet, read from TOML.

Each section of the TOML is one frozen class below, each key one field; what a
file leaves out keeps the default, which is the demo contractor. Shares are
0 - 1, spans are ``[low, high]``.
"""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

from .ranges import FAMILIES, Ranges, Span, ranges_from


@dataclass(frozen=True)
class Branch:
    """A depot: its height, its weather, the months in which jobs are wet."""

    name: str
    altitude_m: float = 100.0
    mean_c: float = 16.0
    season_k: float = 9.0
    humid_months: tuple[int, ...] = (6, 7, 8)


@dataclass(frozen=True)
class SystemKind:
    """A kind of circuit: how often, how large, how often wet or leaky."""

    name: str
    share: float
    volume_l: Span
    wet_share: float = 0.12
    leak_share: float = 0.07
    refrigerants: tuple[str, ...] = ("R-32",)
    oil: str = "ester"
    target_micron: float = 0.0
    hold_limit_micron: float = 0.0
    hold_minutes: float = 0.0


@dataclass(frozen=True)
class Habit:
    """Something some technicians do too often.

    Attributes
    ----------
    kind : str
        A technician finding's kind, or ``log_recycled`` or ``no_log``.
    technicians : int
        How many have it.
    rate : float
        How often they do it while they do.
    begins_month : int
        Month (0 = first) in which it begins.
    coached_month : int
        Month in which they are coached; negative: never.
    works : bool
        Whether coaching brings the rate back to the common one.
    """

    kind: str
    technicians: int
    rate: float
    begins_month: int = 0
    coached_month: int = -1
    works: bool = True


@dataclass(frozen=True)
class Pumps:
    """Pumps, their wear and their oil."""

    count: int = 16
    rated_l_s: tuple[float, ...] = (1.4, 1.9, 2.4, 2.8, 3.8)
    unit_spread: float = 0.04
    fresh_blankoff_micron: Span = (18.0, 45.0)
    worn_gradual: int = 2
    worn_step: int = 2
    worn_to: Span = (0.45, 0.66)
    mild_wear_per_year: Span = (0.0, 0.06)
    overhauled_share: float = 0.25
    oil_life_h: Span = (12.0, 30.0)
    oil_micron_per_g: Span = (0.4, 2.5)
    oil_power: Span = (1.1, 1.8)
    changed_after_share: Span = (0.5, 0.9)
    changed_when_wet: float = 0.6
    wet_from_g: float = 12.0
    neglected: int = 3
    neglected_last_months: Span = (1.5, 5.0)


@dataclass(frozen=True)
class Hoses:
    """Hose sets."""

    count: int = 16
    bores_mm: tuple[float, ...] = (6.4, 8.0, 9.5, 9.5, 12.0)
    lengths_m: tuple[float, ...] = (0.9, 1.2, 1.5, 1.8)
    unit_spread: float = 0.05
    restricted: int = 2
    restricted_to: Span = (0.25, 0.5)
    leaking: int = 2
    leak_micron_l_s: Span = (25.0, 80.0)
    mended_share: float = 0.3


@dataclass(frozen=True)
class Gauges:
    """Gauges."""

    count: int = 16
    off: int = 2
    off_by: Span = (0.2, 0.35)
    drifting: int = 1
    calibrated_share: float = 0.3
    spread: float = 0.03


@dataclass(frozen=True)
class Technicians:
    """What everybody does now and then."""

    count: int = 14
    activity_spread: float = 0.25
    hired_midway: int = 1
    skipped: Span = (0.005, 0.04)
    short: Span = (0.01, 0.05)
    stopped_early: Span = (0.005, 0.04)
    core_left_in: Span = (0.02, 0.12)
    no_log: Span = (0.01, 0.05)
    signs_unproven: Span = (0.05, 0.25)
    signs_failed: Span = (0.0, 0.05)
    tries_again: Span = (0.3, 0.8)
    specialists: int = 2


@dataclass(frozen=True)
class Vans:
    """How gear travels."""

    swap_share: float = 0.08
    sealed: int = 2
    moves_per_year: float = 0.4


@dataclass(frozen=True)
class Logs:
    """Loggers' habits and the post's."""

    house_share: float = 0.12
    compressed_share: float = 0.4
    parquet_share: float = 0.15
    messy_share: float = 0.04
    disordered_share: float = 0.03
    begins_late_share: float = 0.1
    cut_share: float = 0.008
    charged_share: float = 0.04
    marks_share: float = 0.25
    broken: int = 5
    orphans: int = 2
    missing: int = 2
    thinned_to_s: float = 0.0


@dataclass(frozen=True)
class Registers:
    """Holes and slips in the registers."""

    volume_missing: float = 0.2
    volume_off: float = 0.3
    volume_off_spread: float = 0.3
    hose_missing: float = 0.04
    gauge_missing: float = 0.04
    ambient_missing: float = 0.15
    altitude_missing: float = 0.1
    target_given: float = 0.1
    reported_blank: float = 0.08
    bad_rows: int = 3
    duplicate_rows: int = 1
    left_out: tuple[str, ...] = ()


DEFAULT_BRANCHES = (
    Branch("North Shed", 40.0, 12.0, 9.0, (6, 7, 8)),
    Branch("River Yard", 210.0, 18.0, 8.0, (4, 5, 8, 9)),
    Branch("Hill Depot", 1650.0, 13.0, 12.0, (7, 8)),
)
DEFAULT_KINDS = (
    SystemKind("wall_split", 0.34, (0.6, 3.0), 0.08, 0.06, ("R-32", "R-410A")),
    SystemKind("ducted_split", 0.26, (2.0, 8.0), 0.12, 0.07, ("R-32", "R-410A")),
    SystemKind("multi_head", 0.18, (5.0, 22.0), 0.14, 0.08, ("R-410A",)),
    SystemKind("cold_room", 0.14, (6.0, 35.0), 0.18, 0.08, ("R-449A", "R-290"), "ester", 400.0, 900.0, 15.0),
    SystemKind("rack", 0.08, (40.0, 180.0), 0.2, 0.1, ("R-744", "R-449A"), "ester", 400.0, 900.0, 15.0),
)
DEFAULT_HABITS = (
    Habit("holds_skipped", 1, 0.45, 0, 9, True),
    Habit("holds_skipped", 1, 0.35),
    Habit("holds_cut_short", 1, 0.45, 0, 10, False),
    Habit("pumping_stopped_early", 1, 0.4),
    Habit("slow_rigging", 2, 0.9),
    Habit("no_log", 1, 0.35),
    Habit("log_recycled", 1, 0.12, 6),
    Habit("reported_pass_rate", 2, 0.95),
)
HABIT_KINDS = (
    "holds_skipped",
    "holds_cut_short",
    "pumping_stopped_early",
    "slow_rigging",
    "no_log",
    "log_recycled",
    "reported_pass_rate",
)


@dataclass(frozen=True)
class Scenario:
    """Everything a fleet is made from; see the sections' classes."""

    name: str = "contractor"
    seed: int = 20261031
    started_on: str = "2025-05-01"
    months: int = 18
    evacuations: int = 1500
    timezone: str = "Etc/GMT+7"
    family: str = "tuning"
    revisited_share: float = 0.2
    humid_factor: float = 2.5
    blankoff_limit_micron: float = 150.0
    target_micron: float = 500.0
    hold_limit_micron: float = 1000.0
    hold_minutes: float = 10.0
    branches: tuple[Branch, ...] = DEFAULT_BRANCHES
    kinds: tuple[SystemKind, ...] = DEFAULT_KINDS
    habits: tuple[Habit, ...] = DEFAULT_HABITS
    pumps: Pumps = field(default_factory=Pumps)
    hoses: Hoses = field(default_factory=Hoses)
    gauges: Gauges = field(default_factory=Gauges)
    technicians: Technicians = field(default_factory=Technicians)
    vans: Vans = field(default_factory=Vans)
    logs: Logs = field(default_factory=Logs)
    registers: Registers = field(default_factory=Registers)
    ranges: Ranges = field(default_factory=Ranges)


def load_scenario(source: str | Path) -> Scenario:
    """Read a scenario from a TOML file, or by the name of one that ships with the package.

    Raises
    ------
    ValueError
        For a key that is no knob, or a value of the wrong shape; the message lists the known ones.
    FileNotFoundError
        If there is no such file and no such scenario.
    """
    path = Path(source)
    if path.suffix == ".toml" and path.is_file():
        text = path.read_text(encoding="utf-8")
    else:
        shipped = resources.files(__package__) / "scenarios" / f"{path.stem}.toml"
        if not shipped.is_file():
            raise FileNotFoundError(f"no scenario {str(source)!r}; shipped are {', '.join(shipped_scenarios())}")
        text = shipped.read_text(encoding="utf-8")
    return scenario_from(tomllib.loads(text))


def shipped_scenarios() -> list[str]:
    """Names of the scenarios that ship with the package."""
    folder = resources.files(__package__) / "scenarios"
    return sorted(Path(item.name).stem for item in folder.iterdir() if item.name.endswith(".toml"))


def scenario_from(table: dict[str, Any]) -> Scenario:
    """Build a scenario from a TOML table."""
    table = dict(table)
    family = str(table.get("family", "tuning"))
    if family not in FAMILIES:
        raise ValueError(f"unknown family {family!r}; known are {sorted(FAMILIES)}")
    ranges = ranges_from(table.pop("ranges", {}), FAMILIES[family])
    scenario = _build(Scenario, table, "scenario")
    for habit in scenario.habits:
        if habit.kind not in HABIT_KINDS:
            raise ValueError(f"unknown habit {habit.kind!r}; known are {', '.join(HABIT_KINDS)}")
    replaced: Scenario = dataclasses.replace(scenario, ranges=ranges)
    return replaced


def _build(kind: type, table: dict[str, Any], where: str) -> Any:
    """Build one frozen class from a table, its nested classes included."""
    hints = get_type_hints(kind)
    unknown = sorted(set(table) - set(hints))
    if unknown:
        raise ValueError(f"unknown key {', '.join(unknown)} in {where}; known are {', '.join(sorted(hints))}")
    return kind(**{name: _value(hints[name], value, f"{where}.{name}") for name, value in table.items()})


def _value(hint: Any, value: Any, where: str) -> Any:
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return _build(hint, value, where)
    if get_origin(hint) is tuple:
        if not isinstance(value, list):
            raise ValueError(f"{where} wants a list")
        item = get_args(hint)[0]
        return tuple(_value(item, entry, f"{where}[{i}]") for i, entry in enumerate(value))
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, hint):
        raise ValueError(f"{where} wants {hint.__name__}, has {value!r}")
    return value
