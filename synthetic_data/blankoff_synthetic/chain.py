"""One pump's working life: its jobs in order, each simulated with the oil that the jobs before left.

Pumps share nothing that a job changes, so that the chains of a fleet run side by side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .assets import PumpUnit
from .parts import Break, Circuit, Gauge, Idle, Isolate, Procedure, Pull, Pump, Rig, Step
from .plan import Job, Plan
from .ranges import draw_circuit, draw_dry_rise_micron, even, log_uniform
from .single import effective_speed_l_s, simulate

IDLE_H = 0.05
"""Hours a pump runs beside its pull (warming, blank-off look); no source."""


EVENING = 0.9
"""Part of the day at which oil is changed after a wet job."""

QUICKEST_S = 45.0
"""Pulls that reach the target sooner cannot be stopped short of it; no source."""


BOILED_MICRON_L_PER_G = 1.0e6
"""One gram of vapour at 20 C as pressure times volume (ideal gas)."""

BOILING_MICRON = 6000.0
"""About where free water boils while it cools; only used to guess how long a pull will be."""


@dataclass(frozen=True)
class Outcome:
    """What came of a job: the pull (None if a log was recycled) and the state of the gear before it."""

    job: Job
    pull: Pull | None
    oil_hours: float
    oil_water_g: float
    blankoff_micron: float
    speed_ratio: float
    marked: bool
    reported: str


@dataclass(frozen=True)
class Service:
    """Something done to an asset."""

    day: float
    asset: str
    asset_id: str
    action: str


@dataclass(frozen=True)
class PumpLife:
    """Outcomes and services of one pump, and its oil's state at the end: hours run, water swallowed, day changed."""

    outcomes: list[Outcome]
    services: list[Service]


def run_pump(plan: Plan, pump: int, jobs: list[Job]) -> PumpLife:
    """Simulate the jobs of one pump in order of time."""
    scenario = plan.scenario
    unit = plan.pumps[pump]
    rng = np.random.default_rng([scenario.seed, 4, pump])
    limit = scenario.blankoff_limit_micron
    hours = even(rng, (0.0, 0.4)) * unit.oil_life_h
    water = 0.0
    overhauled = False
    change_at = unit.changed_after_share * even(rng, (0.85, 1.15))
    outcomes: list[Outcome] = []
    services: list[Service] = []
    for job in jobs:
        if not overhauled and job.day >= unit.overhauled_day:
            overhauled = True
            services.append(Service(unit.overhauled_day, "pump", unit.pump_id, "overhaul"))
            hours, water = 0.0, 0.0
        spent = (unit.blankoff_micron(hours, water, limit) - unit.fresh_blankoff_micron) / (
            limit - unit.fresh_blankoff_micron
        )
        neglected = job.day >= unit.neglected_from_day
        # neglect ends where the pump no longer does its work at all
        useless = unit.blankoff_micron(hours, water, limit) > 1.6 * scenario.target_micron
        if useless or (spent > change_at and not neglected):
            services.append(Service(math.floor(job.day), "pump", unit.pump_id, "oil_change"))
            hours, water = 0.0, 0.0
            change_at = unit.changed_after_share * even(rng, (0.85, 1.15))
        outcome = run_job(plan, job, unit, hours, water)
        outcomes.append(outcome)
        if outcome.pull is not None:
            hours += float(outcome.pull.truth["pumped_s"]) / 3600.0 + IDLE_H  # type: ignore[arg-type]
            swallowed = float(outcome.pull.truth["water_boiled_g"])  # type: ignore[arg-type]
            water += swallowed
            if (
                swallowed > scenario.pumps.wet_from_g
                and not neglected
                and rng.random() < scenario.pumps.changed_when_wet
            ):
                services.append(Service(math.floor(job.day) + EVENING, "pump", unit.pump_id, "oil_change"))
                hours, water = 0.0, 0.0
    return PumpLife(outcomes, services)


def run_job(plan: Plan, job: Job, unit: PumpUnit, oil_hours: float, oil_water_g: float) -> Outcome:
    """Simulate one job on a pump whose oil ran `oil_hours` and swallowed `oil_water_g`."""
    scenario, day = plan.scenario, job.day
    blankoff = unit.blankoff_micron(oil_hours, oil_water_g, scenario.blankoff_limit_micron)
    state = (oil_hours, oil_water_g, blankoff, unit.speed_ratio(day))
    if job.recycles:
        return Outcome(job, None, *state, False, "passed")
    rng = np.random.default_rng([scenario.seed, 2, job.number])
    person = plan.people[job.technician]
    gauge = _gauge(plan, job, rng)
    rig = _rig(plan, job, unit, blankoff, gauge)
    deep = max(effective_speed_l_s(rig, 1000.0, blankoff), 0.03)
    volume = plan.systems[job.system].volume_l
    if job.stops_early and 5.0 * volume / rig.free_air_l_s + 2.0 * volume / deep < QUICKEST_S:
        # nobody can stop a pull above the target that is through in seconds
        job = replace(job, stops_early=False)
    linger_s = (
        even(rng, (0.0, 20.0)) if job.stops_early else person.linger_s * float(np.exp(0.6 * rng.standard_normal()))
    )
    boiling_s = job.water_g * BOILED_MICRON_L_PER_G / (BOILING_MICRON * 0.5 * rig.free_air_l_s)
    pull_s = 8.0 * volume / deep + linger_s + min(boiling_s, 0.5 * person.patience_s)
    circuit = _circuit(plan, job, pull_s, rng)
    steps = _steps(plan, job, gauge, linger_s, rng)
    seed = int(rng.integers(2**31))
    procedure = Procedure(steps=steps, requirement=job.requirement)
    pull = simulate(circuit, rig, gauge, procedure, seed)
    changed = _react(job, person.tries_again, pull, procedure, gauge, linger_s, rng)
    logs = scenario.logs
    marked = rng.random() < logs.marks_share
    if rng.random() < logs.begins_late_share:
        # late, but while it is still pumping: a log without any pumping shows no evacuation
        changed = replace(changed, log_starts_s=min(even(rng, (20.0, 400.0)), 0.6 * _first_stop_s(pull)))
    if rng.random() < logs.cut_share:
        isolated = float(pull.truth["isolated_at_s"])  # type: ignore[arg-type]
        if math.isfinite(isolated):
            changed = replace(changed, log_ends_s=isolated * even(rng, (0.5, 1.2)) + 60.0)
    if rng.random() < logs.charged_share and isinstance(changed.steps[-1], Isolate):
        charge = Break(even(rng, (30000.0, 400000.0)), even(rng, (20.0, 90.0)), even(rng, (20.0, 120.0)), "charging")
        changed = replace(changed, steps=(*changed.steps, charge))
    if changed != procedure:
        pull = simulate(circuit, rig, gauge, changed, seed)
    return Outcome(job, pull, *state, marked, _reported(plan, job, pull, rng))


def _gauge(plan: Plan, job: Job, rng: np.random.Generator) -> Gauge:
    """Take the job's gauge as it reads on the day, with the troubles of this one log."""
    unit = plan.gauges[job.gauge]
    ranges = plan.scenario.ranges
    gauge = replace(unit.gauge, calibration_ratio=unit.ratio(job.day))
    if rng.random() < ranges.dropout_share:
        gauge = replace(gauge, dropouts=int(rng.integers(1, 5)), dropout_s=even(rng, (15.0, 150.0)))
    if rng.random() < ranges.dropout_at_isolation_share:
        gauge = replace(gauge, dropout_at_isolation=True, dropout_s=even(rng, (15.0, 60.0)))
    if rng.random() < ranges.frozen_share:
        gauge = replace(gauge, frozen=1, frozen_s=even(rng, (20.0, 120.0)))
    return gauge


def _rig(plan: Plan, job: Job, unit: PumpUnit, blankoff: float, gauge: Gauge) -> Rig:
    hose = plan.hoses[job.hose]
    of_system = np.random.default_rng([plan.scenario.seed, 3, job.system])
    ranges = plan.scenario.ranges
    return Rig(
        free_air_l_s=unit.free_air_l_s(job.day),
        falloff_share=unit.falloff_share,
        falloff_micron=unit.falloff_micron,
        blankoff_micron=blankoff,
        # oil takes up water during the pull as it does between pulls
        blankoff_per_g=unit.oil_micron_per_g,
        ballast_micron=unit.ballast_micron,
        bore_mm=hose.bore_on(job.day),
        length_m=hose.length_m,
        upstream_share=hose.upstream_share,
        port_bore_mm=even(of_system, ranges.port_bore_mm),
        core_left_in=job.core_left_in,
        core_bore_mm=even(of_system, ranges.core_bore_mm),
        core_length_mm=even(of_system, ranges.core_length_mm),
        dead_volume_l=hose.dead_volume_l,
        pump_side_leak_micron_l_s=hose.leak_on(job.day),
        isolation_at="manifold" if gauge.place == "manifold" else "port",
    )


def _circuit(plan: Plan, job: Job, pull_s: float, rng: np.random.Generator) -> Circuit:
    """Draw the circuit; its geometry belongs to the system and comes back on a second visit."""
    ranges = plan.scenario.ranges
    volume = plan.systems[job.system].volume_l
    rise = draw_dry_rise_micron(rng, ranges)
    if volume > 25.0:
        # a large circuit has less wall and oil per volume
        rise *= (25.0 / volume) ** 0.3
    circuit = draw_circuit(
        rng, ranges, volume, job.ambient_c, job.altitude_m,
        pull_s=pull_s, water_g=job.water_g, leak_micron_per_min=job.leak_micron_per_min, rise_micron=rise,
    )  # fmt: skip
    of_system = np.random.default_rng([plan.scenario.seed, 5, job.system])
    return replace(
        circuit,
        near_share=even(of_system, ranges.near_share),
        inner_bore_mm=even(of_system, ranges.inner_bore_mm) * (1.0 if volume < 20.0 else 1.6),
        inner_length_m=even(of_system, ranges.inner_length_m),
    )


def _true_goal(reading_micron: float, gauge: Gauge) -> float:
    """Pressure at which the gauge shows `reading_micron`."""
    return max((reading_micron - gauge.offset_micron) / gauge.calibration_ratio, 1.0)


def _steps(plan: Plan, job: Job, gauge: Gauge, linger_s: float, rng: np.random.Generator) -> tuple[Step, ...]:
    """Lay down what the technician means to do."""
    person, need = plan.people[job.technician], job.requirement
    goal = need.target_micron * min(max(person.goal_share + 0.08 * float(rng.standard_normal()), 0.35), 0.92)
    if job.stops_early:
        goal = need.target_micron * even(rng, (1.15, 2.0))
    steps: list[Step] = []
    if rng.random() < 0.3:
        steps.append(Idle(even(rng, (5.0, 90.0))))
    wet_habit = job.water_g > 0.0 and rng.random() < 0.35
    if wet_habit:
        for _ in range(int(rng.integers(1, 3))):
            steps.append(Pump(even(rng, (900.0, 2500.0)), 0.5 * person.patience_s, even(rng, (0.0, 200.0)), "pump on"))
            steps.append(
                Break(even(rng, (20000.0, 250000.0)), even(rng, (8.0, 40.0)), even(rng, (30.0, 400.0)), "dry gas")
            )
    steps.append(Pump(_true_goal(goal, gauge), person.patience_s, linger_s, "pump on"))
    valve_s = even(rng, (0.2, 2.0))
    if rng.random() < plan.scenario.ranges.slow_valve_share:
        valve_s = even(rng, (4.0, 15.0))
    required_s = 60.0 * need.hold_minutes
    if job.skips:
        if rng.random() < 0.3:
            steps.append(Isolate(valve_s + even(rng, (10.0, 40.0)), valve_s, "valve shut"))
        return tuple(steps)
    hold_s = required_s + 40.0 + log_uniform(rng, (20.0, 900.0))
    if job.cuts_short:
        hold_s = even(rng, (90.0, 0.85 * required_s))
    steps.append(Isolate(hold_s + valve_s, valve_s, "valve shut"))
    return tuple(steps)


def _react(
    job: Job,
    tries_again: float,
    pull: Pull,
    procedure: Procedure,
    gauge: Gauge,
    linger_s: float,
    rng: np.random.Generator,
) -> Procedure:
    """Let the technician answer a failing hold: end it early, or pump again and stand again."""
    truth = pull.truth
    last = procedure.steps[-1]
    draws = rng.random(4)
    if truth["verdict_as_read"] != "failed" or not isinstance(last, Isolate):
        return procedure
    steps = procedure.steps
    to_limit = float(truth["minutes_to_limit"])  # type: ignore[arg-type]
    if math.isfinite(to_limit) and draws[0] < 0.5:
        seen_s = last.valve_s + 60.0 * to_limit * 1.1 + 90.0 + 300.0 * draws[1]
        if seen_s < last.hold_s:
            last = replace(last, hold_s=float(seen_s))
    steps = (*steps[:-1], last)
    if draws[2] < tries_again:
        again = Pump(
            _true_goal(0.6 * job.requirement.target_micron, gauge), 5400.0, 2.0 * linger_s + 300.0, "pump on again"
        )
        stand = Isolate(
            60.0 * job.requirement.hold_minutes + 120.0 + 400.0 * float(draws[3]), last.valve_s, "valve shut"
        )
        steps = (*steps, again, stand)
    return replace(procedure, steps=steps)


def _first_stop_s(pull: Pull) -> float:
    """Second of the simulation at which the first stretch of pumping ends."""
    phases: list[dict[str, Any]] = pull.truth["phases"]  # type: ignore[assignment]
    return next((float(p["end_s"]) for p in phases if p["kind"] == "pump_down"), 0.0)


def _reported(plan: Plan, job: Job, pull: Pull, rng: np.random.Generator) -> str:
    """Say what the technician signs: honest on what the gauge showed, or not."""
    person = plan.people[job.technician]
    blank, lie = rng.random(2)
    if blank < plan.scenario.registers.reported_blank:
        return ""
    verdict = pull.truth["verdict_as_read"]
    if verdict == "passed":
        return "passed"
    if verdict == "failed":
        failed_lie = person.rate("reported_pass_rate", job.day)
        common = plan.scenario.technicians.signs_failed[1]
        bold = 0.6 * failed_lie if failed_lie > 0.5 else common
        return "passed" if lie < bold else "failed"
    if lie < person.rate("reported_pass_rate", job.day):
        return "passed"
    return "failed" if lie > 0.6 else ""
