"""The diary: who does which evacuation when, with whose gear, on what; before any physics runs."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace

import numpy as np

from .assets import GaugeUnit, HoseUnit, Person, PumpUnit, make_gauges, make_hoses, make_people, make_pumps
from .parts import Requirement
from .ranges import draw_water_g, even, log_uniform
from .scenario import Scenario, SystemKind

LAYOUTS = (
    "micron_elapsed",
    "pa_timestamp",
    "torr_elapsed",
    "mbar_parquet",
    "mtorr_timestamp",
    "hpa_house",
    "kpa_elapsed",
)
"""Names of log layouts; see ``logfiles``."""


@dataclass(frozen=True)
class SystemUnit:
    """A refrigeration system; `stated_l` is what the register says of its volume (NaN: nothing)."""

    system_id: str
    kind: int
    branch: int
    volume_l: float
    stated_l: float
    refrigerant: str
    oil: str


@dataclass(frozen=True)
class Job:
    """One evacuation as planned; indices point into the plan's lists."""

    number: int
    evacuation_id: str
    day: float
    started_at: dt.datetime
    technician: int
    pump: int
    hose: int
    gauge: int
    system: int
    ambient_c: float
    altitude_m: float
    requirement: Requirement
    requirement_given: bool
    water_g: float
    leak_micron_per_min: float
    skips: bool
    cuts_short: bool
    stops_early: bool
    core_left_in: bool
    hands_in: bool
    recycles: bool
    swapped: bool


@dataclass(frozen=True)
class Plan:
    """All that is decided before the physics."""

    scenario: Scenario
    started_on: dt.date
    days: int
    pumps: list[PumpUnit]
    hoses: list[HoseUnit]
    gauges: list[GaugeUnit]
    people: list[Person]
    systems: list[SystemUnit]
    jobs: list[Job]


def month_starts(started_on: dt.date, months: int) -> list[dt.date]:
    """First days of the scenario's months and of the one after."""
    out = []
    for i in range(months + 1):
        year, month = divmod(started_on.month - 1 + i, 12)
        out.append(dt.date(started_on.year + year, month + 1, 1))
    return out


def make_plan(scenario: Scenario) -> Plan:
    """Draw the whole diary from the scenario's seed."""
    started_on = dt.date.fromisoformat(scenario.started_on)
    days = (month_starts(started_on, scenario.months)[-1] - started_on).days
    rng = np.random.default_rng([scenario.seed, 1])
    people = make_people(scenario, rng, days)
    branch_of = [
        people[i].branch if i < len(people) else i % len(scenario.branches) for i in range(scenario.pumps.count)
    ]
    pumps = make_pumps(scenario, rng, days, branch_of)
    hoses = make_hoses(scenario, rng, days)
    gauges = make_gauges(scenario, rng, days, _layouts(scenario, rng))
    slots = _slots(scenario, rng, people, days)
    gear = _Gear(scenario, rng, people, days)
    systems: list[SystemUnit] = []
    jobs: list[Job] = []
    for number, (day, minute, technician) in enumerate(slots):
        system = _system(scenario, rng, people[technician], systems)
        own, swapped = gear.take(technician, day)
        jobs.append(
            _job(scenario, rng, number, day, minute, started_on, technician, people, systems, system, own, swapped)
        )
    return Plan(scenario, started_on, days, pumps, hoses, gauges, people, systems, jobs)


def _layouts(scenario: Scenario, rng: np.random.Generator) -> list[str]:
    """Give every gauge's logger a layout."""
    out = []
    for _ in range(scenario.gauges.count):
        draw = rng.random()
        if draw < scenario.logs.house_share:
            out.append("hpa_house")
        elif draw < scenario.logs.house_share + scenario.logs.parquet_share:
            out.append("mbar_parquet")
        else:
            out.append(
                str(
                    rng.choice(
                        [
                            "micron_elapsed",
                            "micron_elapsed",
                            "pa_timestamp",
                            "torr_elapsed",
                            "mtorr_timestamp",
                            "kpa_elapsed",
                        ]
                    )
                )
            )
    return out


def _slots(
    scenario: Scenario, rng: np.random.Generator, people: list[Person], days: int
) -> list[tuple[float, float, int]]:
    """Spread the evacuations over technicians and working days: (day, minute of day, technician), in time order."""
    present = np.array([max(days - max(p.hired_day, 0.0), 0.0) / days for p in people])
    weights = np.array([p.activity for p in people]) * present
    weights /= weights.sum()
    counts = rng.multinomial(scenario.evacuations, weights)
    started_on = dt.date.fromisoformat(scenario.started_on)
    out: list[tuple[float, float, int]] = []
    for technician, count in enumerate(counts):
        first = math.ceil(max(people[technician].hired_day, 0.0))
        working = [d for d in range(first, days) if (started_on + dt.timedelta(days=d)).weekday() < 5]
        places = rng.choice(np.repeat(working, 3), size=int(count), replace=count > 3 * len(working))
        seen: dict[int, int] = {}
        for day in np.sort(places):
            order = seen.get(int(day), 0)
            seen[int(day)] = order + 1
            out.append((float(day), 7.5 * 60.0 + 210.0 * order + even(rng, (0.0, 90.0)), technician))
    return sorted(out)


class _Gear:
    """Who holds which pump, hose and gauge; moved now and then, swapped for single jobs."""

    def __init__(self, scenario: Scenario, rng: np.random.Generator, people: list[Person], days: int) -> None:
        self.scenario, self.rng, self.people = scenario, rng, people
        counts = (scenario.pumps.count, scenario.hoses.count, scenario.gauges.count)
        self.held = [[i % count for i in range(len(people))] for count in counts]
        self.spare = [list(range(len(people), count)) for count in counts]
        self.open = [i for i, p in enumerate(people) if not p.sealed]
        expected = scenario.vans.moves_per_year * days / 365.0 * len(self.open)
        self.moves = sorted(even(rng, (0.0, float(days))) for _ in range(int(rng.poisson(expected))))

    def take(self, technician: int, day: float) -> tuple[tuple[int, int, int], bool]:
        """Gear for a job on a day, and whether it is somebody else's."""
        while self.moves and self.moves[0] <= day:
            self.moves.pop(0)
            self._move()
        own = [held[technician] for held in self.held]
        rng = self.rng
        if self.people[technician].sealed or rng.random() >= self.scenario.vans.swap_share:
            return (own[0], own[1], own[2]), False
        mates = [i for i in self.open if i != technician and self.people[i].branch == self.people[technician].branch]
        mates = mates or [i for i in self.open if i != technician]
        wanted = [bool(rng.random() < 0.45) for _ in range(3)]
        if not any(wanted):
            wanted[int(rng.integers(3))] = True
        for kind in range(3):
            if not wanted[kind]:
                continue
            if self.spare[kind] and (not mates or rng.random() < 0.3):
                own[kind] = int(rng.choice(self.spare[kind]))
            elif mates:
                own[kind] = self.held[kind][int(rng.choice(mates))]
        return (own[0], own[1], own[2]), True

    def _move(self) -> None:
        if not self.open:
            return
        rng = self.rng
        kind = int(rng.integers(3))
        one = int(rng.choice(self.open))
        if self.spare[kind] and rng.random() < 0.5:
            place = int(rng.integers(len(self.spare[kind])))
            self.held[kind][one], self.spare[kind][place] = self.spare[kind][place], self.held[kind][one]
        else:
            other = int(rng.choice(self.open))
            self.held[kind][one], self.held[kind][other] = self.held[kind][other], self.held[kind][one]


def _system(scenario: Scenario, rng: np.random.Generator, person: Person, systems: list[SystemUnit]) -> int:
    """Pick a system of the technician's branch: a new one, or one visited before."""
    recent = [i for i, s in enumerate(systems[-120:], max(0, len(systems) - 120)) if s.branch == person.branch]
    if recent and rng.random() < scenario.revisited_share:
        return int(rng.choice(recent))
    kind_no = int(rng.choice(len(scenario.kinds), p=np.array(person.kind_weights)))
    kind = scenario.kinds[kind_no]
    volume = log_uniform(rng, kind.volume_l)
    draw = rng.random()
    stated = volume
    registers = scenario.registers
    if draw < registers.volume_missing:
        stated = math.nan
    elif draw < registers.volume_missing + registers.volume_off:
        stated = volume * math.exp(registers.volume_off_spread * float(rng.standard_normal()))
    refrigerant = str(rng.choice(kind.refrigerants))
    systems.append(
        SystemUnit(f"S{len(systems) + 1:04d}", kind_no, person.branch, volume, stated, refrigerant, kind.oil)
    )
    return len(systems) - 1


def _requirement(scenario: Scenario, kind: SystemKind, rng: np.random.Generator) -> tuple[Requirement, bool]:
    if rng.random() < scenario.registers.target_given:
        return Requirement(300.0, 800.0, 15.0), True
    return (
        Requirement(
            kind.target_micron or scenario.target_micron,
            kind.hold_limit_micron or scenario.hold_limit_micron,
            kind.hold_minutes or scenario.hold_minutes,
        ),
        False,
    )


def _job(
    scenario: Scenario,
    rng: np.random.Generator,
    number: int,
    day: float,
    minute: float,
    started_on: dt.date,
    technician: int,
    people: list[Person],
    systems: list[SystemUnit],
    system: int,
    gear: tuple[int, int, int],
    swapped: bool,
) -> Job:
    person, unit = people[technician], systems[system]
    branch, kind = scenario.branches[unit.branch], scenario.kinds[unit.kind]
    date = started_on + dt.timedelta(days=day)
    started_at = dt.datetime(date.year, date.month, date.day) + dt.timedelta(seconds=round(minute * 60.0))
    season = math.sin(2.0 * math.pi * (date.timetuple().tm_yday - 110.0) / 365.25)
    ambient = branch.mean_c + branch.season_k * season + 3.0 * float(rng.standard_normal())
    wet_share = kind.wet_share * (scenario.humid_factor if date.month in branch.humid_months else 1.0)
    wet = rng.random() < min(wet_share, 0.9)
    leaks = rng.random() < kind.leak_share
    water = draw_water_g(rng, scenario.ranges, unit.volume_l) if wet else 0.0
    leak = log_uniform(rng, scenario.ranges.leak_micron_per_min) if leaks else 0.0
    chance = {name: float(rng.random()) for name in person.rates}
    skips = chance["holds_skipped"] < person.rate("holds_skipped", day)
    requirement, given = _requirement(scenario, kind, rng)
    return Job(
        number=number,
        evacuation_id=f"E{number + 1:05d}",
        day=day,
        started_at=started_at,
        technician=technician,
        pump=gear[0],
        hose=gear[1],
        gauge=gear[2],
        system=system,
        ambient_c=float(np.clip(ambient, 3.0, 41.0)),
        altitude_m=branch.altitude_m,
        requirement=requirement,
        requirement_given=given,
        water_g=water,
        leak_micron_per_min=leak,
        skips=skips,
        cuts_short=not skips and chance["holds_cut_short"] < person.rate("holds_cut_short", day),
        stops_early=chance["pumping_stopped_early"] < person.rate("pumping_stopped_early", day),
        core_left_in=chance["slow_rigging"] < person.rate("slow_rigging", day),
        hands_in=chance["no_log"] >= person.rate("no_log", day),
        recycles=chance["log_recycled"] < person.rate("log_recycled", day),
        swapped=swapped,
    )


def with_jobs(plan: Plan, jobs: list[Job]) -> Plan:
    """Return the plan with other jobs."""
    return replace(plan, jobs=jobs)
