"""The invented contractor's pumps, hoses, gauges and technicians, and how each stands on a day.

Days count from the scenario's first; ``math.inf`` stands for never.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .flow import tube_l_s
from .parts import Gauge
from .ranges import draw_gauge, even
from .scenario import Scenario

DAYS_PER_MONTH = 30.4


@dataclass(frozen=True)
class PumpUnit:
    """A pump: what it was built for, how it wears, how its oil spoils."""

    pump_id: str
    branch: int
    rated_l_s: float
    unit: float
    fresh_blankoff_micron: float
    falloff_share: float
    falloff_micron: float
    ballast_micron: float
    in_service_day: float
    mild_per_day: float
    worn_to: float = 1.0
    worn_from_day: float = math.inf
    worn_over_days: float = 0.0
    overhauled_day: float = math.inf
    oil_life_h: float = 20.0
    oil_power: float = 1.3
    oil_micron_per_g: float = 1.0
    changed_after_share: float = 0.7
    neglected_from_day: float = math.inf

    def speed_ratio(self, day: float) -> float:
        """Speed over the pump's own best."""
        since = day if day < self.overhauled_day else day - self.overhauled_day
        ratio = 1.0 - self.mild_per_day * since
        if self.worn_from_day <= day < self.overhauled_day:
            progress = 1.0 if self.worn_over_days <= 0 else min((day - self.worn_from_day) / self.worn_over_days, 1.0)
            ratio *= 1.0 - (1.0 - self.worn_to) * progress
        return ratio

    def free_air_l_s(self, day: float) -> float:
        """Free-air displacement on a day."""
        return self.rated_l_s * self.unit * self.speed_ratio(day)

    def blankoff_micron(self, oil_hours: float, water_g: float, limit_micron: float) -> float:
        """Blank-off of this pump with oil that ran so long and swallowed so much water."""
        return float(self.blankoffs_micron(np.array(oil_hours), np.array(water_g), limit_micron))

    def blankoffs_micron(
        self, oil_hours: NDArray[np.float64], water_g: NDArray[np.float64], limit_micron: float
    ) -> NDArray[np.float64]:
        """The same of many states of its oil, in any shape."""
        by_hours = (limit_micron - self.fresh_blankoff_micron) * (oil_hours / self.oil_life_h) ** self.oil_power
        return np.minimum(self.fresh_blankoff_micron + by_hours + self.oil_micron_per_g * water_g, 2500.0)


@dataclass(frozen=True)
class HoseUnit:
    """A hose set; a restriction narrows its bore."""

    hose_id: str
    bore_mm: float
    length_m: float
    unit: float
    in_service_day: float
    upstream_share: float
    dead_volume_l: float
    restricted_to: float = 1.0
    restricted_from_day: float = math.inf
    leak_micron_l_s: float = 0.0
    leaking_from_day: float = math.inf
    mended_day: float = math.inf

    def conductance_ratio(self, day: float) -> float:
        """Conductance at 1000 microns over that of its nominal bore and length."""
        return self.unit * (self.restricted_to if self.restricted_from_day <= day < self.mended_day else 1.0)

    def bore_on(self, day: float) -> float:
        """Bore in mm that gives the conductance of the day."""
        wanted = self.conductance_ratio(day) * tube_l_s(0.1 * self.bore_mm, 100.0, 1000.0, 1.0, 1.0)
        low, high = 0.2 * self.bore_mm, 1.5 * self.bore_mm
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if tube_l_s(0.1 * middle, 100.0, 1000.0, 1.0, 1.0) < wanted else (low, middle)
        return 0.5 * (low + high)

    def leak_on(self, day: float) -> float:
        """Pump-side leak on a day, micron l/s."""
        return self.leak_micron_l_s if self.leaking_from_day <= day < self.mended_day else 0.0


@dataclass(frozen=True)
class GaugeUnit:
    """A gauge with its logger's layout."""

    gauge_id: str
    gauge: Gauge
    accuracy_percent: float
    layout: str
    calibrated_day: float
    off_by: float = 0.0
    off_from_day: float = math.inf
    off_over_days: float = 0.0
    put_right_day: float = math.inf

    def ratio(self, day: float) -> float:
        """Reading over true pressure on a day."""
        if not self.off_from_day <= day < self.put_right_day:
            return self.gauge.calibration_ratio
        progress = 1.0 if self.off_over_days <= 0 else min((day - self.off_from_day) / self.off_over_days, 1.0)
        return self.gauge.calibration_ratio * (1.0 + self.off_by * progress)


@dataclass(frozen=True)
class HabitOf:
    """A habit as one technician has it."""

    kind: str
    rate: float
    from_day: float
    coached_day: float
    works: bool

    def active(self, day: float) -> bool:
        """Whether the habit holds on a day."""
        return self.from_day <= day and not (self.works and day >= self.coached_day)


@dataclass(frozen=True)
class Person:
    """A technician: invented, with common rates, habits and ways."""

    technician_id: str
    name: str
    branch: int
    hired_day: float
    sealed: bool
    activity: float
    kind_weights: tuple[float, ...]
    rates: dict[str, float]
    goal_share: float
    linger_s: float
    patience_s: float
    tries_again: float
    habits: tuple[HabitOf, ...] = field(default_factory=tuple)

    def rate(self, kind: str, day: float) -> float:
        """How often the technician does a thing on a day."""
        for habit in self.habits:
            if habit.kind == kind and habit.active(day):
                return habit.rate
        return self.rates[kind]


def _choose(rng: np.random.Generator, pool: list[int], count: int) -> list[int]:
    """Take up to `count` members out of `pool`, at random, without giving them back."""
    taken = [int(i) for i in rng.permutation(pool)[:count]]
    for i in taken:
        pool.remove(i)
    return taken


def make_pumps(scenario: Scenario, rng: np.random.Generator, days: float, branch_of: list[int]) -> list[PumpUnit]:
    """Draw the pumps; those with index below the number of technicians ride in vans."""
    spec = scenario.pumps
    ridden = list(range(min(spec.count, scenario.technicians.count)))
    gradual = set(_choose(rng, ridden, spec.worn_gradual))
    step = set(_choose(rng, ridden, spec.worn_step))
    neglected = set(_choose(rng, ridden, spec.neglected))
    ranges = scenario.ranges
    units = []
    for i in range(spec.count):
        wear: dict[str, float] = {}
        if i in gradual or i in step:
            start = even(rng, (0.15, 0.75)) * days
            wear = {
                "worn_to": even(rng, spec.worn_to),
                "worn_from_day": start if i in step else 0.5 * start,
                "worn_over_days": 0.0 if i in step else even(rng, (0.3, 0.6)) * days,
            }
            if rng.random() < spec.overhauled_share:
                wear["overhauled_day"] = min(start + even(rng, (90.0, 200.0)), 0.92 * days)
        quiet = even(rng, spec.neglected_last_months) * DAYS_PER_MONTH
        units.append(
            PumpUnit(
                pump_id=f"P{i + 1:02d}",
                branch=branch_of[i],
                rated_l_s=float(rng.choice(spec.rated_l_s)),
                unit=float(np.exp(spec.unit_spread * rng.standard_normal())),
                fresh_blankoff_micron=even(rng, spec.fresh_blankoff_micron),
                falloff_share=even(rng, ranges.falloff_share),
                falloff_micron=even(rng, ranges.falloff_micron),
                ballast_micron=float(rng.choice([0.0, 0.0, even(rng, (100.0, 500.0))])),
                in_service_day=-even(rng, (30.0, 900.0)),
                mild_per_day=even(rng, spec.mild_wear_per_year) / 365.0,
                oil_life_h=even(rng, spec.oil_life_h),
                oil_power=even(rng, spec.oil_power),
                oil_micron_per_g=even(rng, spec.oil_micron_per_g),
                changed_after_share=even(rng, spec.changed_after_share),
                neglected_from_day=days - quiet if i in neglected else math.inf,
                **wear,
            )
        )
    return units


def make_hoses(scenario: Scenario, rng: np.random.Generator, days: float) -> list[HoseUnit]:
    """Draw the hose sets."""
    spec = scenario.hoses
    ridden = list(range(min(spec.count, scenario.technicians.count)))
    restricted = set(_choose(rng, ridden, spec.restricted))
    leaking = set(_choose(rng, ridden, spec.leaking))
    units = []
    for i in range(spec.count):
        trouble: dict[str, float] = {}
        start = even(rng, (0.1, 0.75)) * days
        if i in restricted:
            trouble = {"restricted_to": even(rng, spec.restricted_to), "restricted_from_day": start}
        if i in leaking:
            trouble = {"leak_micron_l_s": even(rng, spec.leak_micron_l_s), "leaking_from_day": start}
        if trouble and rng.random() < spec.mended_share:
            trouble["mended_day"] = min(start + even(rng, (90.0, 240.0)), 0.92 * days)
        units.append(
            HoseUnit(
                hose_id=f"H{i + 1:02d}",
                bore_mm=float(rng.choice(spec.bores_mm)),
                length_m=float(rng.choice(spec.lengths_m)),
                unit=float(np.exp(spec.unit_spread * rng.standard_normal())),
                in_service_day=-even(rng, (30.0, 700.0)),
                upstream_share=even(rng, (0.3, 0.7)),
                dead_volume_l=even(rng, (0.02, 0.15)),
                **trouble,
            )
        )
    return units


def make_gauges(scenario: Scenario, rng: np.random.Generator, days: float, layouts: list[str]) -> list[GaugeUnit]:
    """Draw the gauges; `layouts` names the log layout of each."""
    spec = scenario.gauges
    ridden = list(range(min(spec.count, scenario.technicians.count)))
    off = set(_choose(rng, ridden, spec.off))
    drifting = set(_choose(rng, ridden, spec.drifting))
    units = []
    for i in range(spec.count):
        gauge = draw_gauge(rng, scenario.ranges)
        ratio = float(np.clip(np.exp(spec.spread * rng.standard_normal()), 0.92, 1.08))
        trouble: dict[str, float] = {}
        if i in off or i in drifting:
            sign = 1.0 if rng.random() < 0.5 else -1.0
            start = even(rng, (0.1, 0.6)) * days
            # the error adds to the unit's own, so that an off gauge is off whatever it was born with
            trouble = {
                "off_by": (1.0 + sign * even(rng, spec.off_by)) / ratio - 1.0,
                "off_from_day": start if i in off else 0.4 * start,
                "off_over_days": 0.0 if i in off else even(rng, (0.3, 0.5)) * days,
            }
            if rng.random() < spec.calibrated_share:
                trouble["put_right_day"] = min(start + even(rng, (120.0, 260.0)), 0.92 * days)
        values = {**gauge.__dict__, "calibration_ratio": ratio}
        if scenario.logs.thinned_to_s > 0.0:
            values["interval_s"] = scenario.logs.thinned_to_s
            values["on_change"] = False
        units.append(
            GaugeUnit(
                gauge_id=f"G{i + 1:02d}",
                gauge=Gauge(**values),
                accuracy_percent=float(rng.choice([5.0, 10.0])),
                layout=layouts[i],
                calibrated_day=-even(rng, (20.0, 500.0)),
                **trouble,
            )
        )
    return units


WORDS = ("Aqua", "Brass", "Cedar", "Delta", "Ember", "Fjord", "Grain", "Heron", "Ivory", "Jade", "Kelp", "Lunar")


def make_people(scenario: Scenario, rng: np.random.Generator, days: float) -> list[Person]:
    """Draw the technicians and hand out the habits, at most one kind each while there are enough people."""
    spec = scenario.technicians
    everybody = list(range(spec.count))
    sealed = set(_choose(rng, everybody.copy(), scenario.vans.sealed))
    free = everybody.copy()
    habits: dict[int, list[HabitOf]] = {i: [] for i in everybody}
    for habit in scenario.habits:
        if len(free) < habit.technicians:
            free = everybody.copy()
        for i in _choose(rng, free, habit.technicians):
            begins = habit.begins_month * DAYS_PER_MONTH
            coached = habit.coached_month * DAYS_PER_MONTH if habit.coached_month >= 0 else math.inf
            habits[i].append(HabitOf(habit.kind, habit.rate, begins, coached, habit.works))
    midway = set(_choose(rng, [i for i in everybody if not habits[i]], spec.hired_midway))
    specialists = set(_choose(rng, everybody.copy(), spec.specialists))
    people = []
    for i in everybody:
        weights = np.array([kind.share for kind in scenario.kinds])
        if i in specialists:
            weights = weights[::-1] ** 1.5
        weights = weights * rng.dirichlet(np.full(weights.size, 6.0)) * weights.size
        people.append(
            Person(
                technician_id=f"T{i + 1:02d}",
                name=f"Tech {WORDS[i % len(WORDS)]}-{i + 1:02d}",
                branch=i % len(scenario.branches),
                hired_day=even(rng, (0.2, 0.5)) * days if i in midway else -even(rng, (100.0, 3000.0)),
                sealed=i in sealed,
                activity=float(np.exp(spec.activity_spread * rng.standard_normal())),
                kind_weights=tuple(float(w) for w in weights / weights.sum()),
                rates={
                    "holds_skipped": even(rng, spec.skipped),
                    "holds_cut_short": even(rng, spec.short),
                    "pumping_stopped_early": even(rng, spec.stopped_early),
                    "slow_rigging": even(rng, spec.core_left_in),
                    "no_log": even(rng, spec.no_log),
                    "log_recycled": 0.0,
                    "reported_pass_rate": even(rng, spec.signs_unproven),
                },
                goal_share=even(rng, (0.5, 0.85)),
                linger_s=even(rng, (120.0, 900.0)),
                patience_s=even(rng, (2.0, 5.0)) * 3600.0,
                tries_again=even(rng, spec.tries_again),
                habits=tuple(habits[i]),
            )
        )
    return people
