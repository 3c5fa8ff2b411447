"""Single evacuations whose right answer is known and clear, for recovery tests and calibration.

Parameters are drawn wide, the pull is simulated, and draws whose truth is not
of the wanted kind, or not clear of every threshold, are drawn again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from .parts import Break, Circuit, Gauge, Idle, Isolate, Procedure, Pull, Pump, Requirement, Rig, Step
from .ranges import (
    FAMILIES,
    Ranges,
    draw_circuit,
    draw_gauge,
    draw_rig,
    draw_water_g,
    even,
    log_uniform,
)
from .single import effective_speed_l_s, simulate

Kind = Literal[
    "held_flat",
    "held",
    "leak",
    "moisture",
    "leak_and_moisture",
    "target_missed",
    "short_hold",
    "no_hold",
    "several_pulls",
    "manifold_gauge",
    "resumed_pump",
    "slow_valve",
]
KINDS: tuple[Kind, ...] = get_args(Kind)

WANTED: dict[str, tuple[str | None, str | None, str | None]] = {
    "held_flat": ("passed", "held", "flat"),
    "held": ("passed", "held", None),
    "leak": ("failed", "leak", "leak"),
    "moisture": ("failed", "moisture", "moisture"),
    "leak_and_moisture": ("failed", "leak_and_moisture", "leak_and_moisture"),
    "target_missed": ("unproven", "target_missed", None),
    "short_hold": ("unproven", "short_hold", None),
    "no_hold": ("unproven", "no_hold", None),
    "several_pulls": (None, None, None),
    "manifold_gauge": (None, None, None),
    "resumed_pump": (None, None, None),
    "slow_valve": (None, None, None),
}
"""Verdict, reason and rise kind that a case of each kind must have; None leaves it open."""


@dataclass(frozen=True)
class JobInfo:
    """What a register would say about the case.

    Attributes
    ----------
    volume_l, ambient_c, altitude_m, top_of_range_micron, accuracy_percent : float
        True volume; the gauge's stated accuracy.
    """

    kind: str
    family: str
    target_micron: float
    hold_limit_micron: float
    hold_minutes: float
    volume_l: float
    ambient_c: float
    altitude_m: float
    top_of_range_micron: float
    accuracy_percent: float
    circuit: Circuit
    rig: Rig
    gauge: Gauge
    procedure: Procedure


def draw_case(
    rng: np.random.Generator, kind: Kind, family: str = "tuning", require_clear: bool = True, attempts: int = 400
) -> tuple[Pull, JobInfo]:
    """Draw and simulate one case.

    Parameters
    ----------
    rng : Generator
        Local generator; the case is a function of its state.
    kind : str
        One of `KINDS`.
    family : {'tuning', 'held_back'}
        Ranges to draw from.
    require_clear : bool
        Draw again until ``truth['clear']``.
    attempts : int
        Draws before giving up.

    Raises
    ------
    ValueError
        For an unknown kind or family.
    RuntimeError
        If no draw in `attempts` was of the wanted kind (has not been seen).
    """
    if kind not in WANTED:
        raise ValueError(f"unknown kind {kind!r}; known are {sorted(WANTED)}")
    if family not in FAMILIES:
        raise ValueError(f"unknown family {family!r}; known are {sorted(FAMILIES)}")
    ranges = FAMILIES[family]
    for _ in range(attempts):
        pull, job = _one(rng, kind, family, ranges)
        if _is_wanted(pull, kind) and (not require_clear or (pull.truth["clear"] and _is_visible(pull, job))):
            return pull, job
    raise RuntimeError(f"no clear case of kind {kind!r} in {attempts} draws")


def _is_wanted(pull: Pull, kind: str) -> bool:
    truth = pull.truth
    # a log that hardly leaves the gauge's dead range has no answer that anybody would call clear
    if np.isfinite(pull.pressure_micron).sum() < 30:
        return False
    wanted = WANTED[kind]
    got = (truth["verdict"], truth["reason"], truth["rise_kind"])
    return all(w is None or w == g for w, g in zip(wanted, got, strict=True))


def _is_visible(pull: Pull, job: JobInfo) -> bool:
    """Whether the log shows what happened: a pull of a minute and a dozen readings, and an isolation above the noise."""
    truth = pull.truth
    pumped_s = finite_truth(pull, "pumped_s")
    if pumped_s < 60.0:
        return False
    isolated = finite_truth(pull, "isolated_at_s")
    if math.isnan(isolated):
        return True
    if np.sum(np.isfinite(pull.pressure_micron) & (pull.elapsed_s < isolated)) < 12:
        return False
    at, gauge = finite_truth(pull, "final_vacuum_micron"), job.gauge
    noise = 0.01 * math.hypot(gauge.white_percent, gauge.wander_percent) * at + gauge.white_micron + 1.0
    stood = min(finite_truth(pull, "hold_minutes") / job.hold_minutes, 1.0)
    rise = finite_truth(pull, "settling_step_micron") + stood * finite_truth(pull, "rise_micron")
    return truth["verdict"] == "failed" or abs(rise) > 5.0 * noise


def _one(rng: np.random.Generator, kind: Kind, family: str, ranges: Ranges) -> tuple[Pull, JobInfo]:
    volume_l = log_uniform(rng, (0.7, 60.0) if family == "tuning" else (0.5, 150.0))
    ambient_c = even(rng, (8.0, 36.0))
    altitude_m = float(rng.choice([0.0, 150.0, 600.0, 1600.0]))
    requirement = _requirement(rng)
    free_air = even(rng, (1.4, 5.0))
    rig = draw_rig(rng, ranges, free_air, log_uniform(rng, (15.0, 90.0)))
    rig = replace(rig, core_left_in=bool(rng.random() < 0.15))
    gauge = draw_gauge(rng, ranges)
    gauge = replace(gauge, place="circuit", calibration_ratio=float(np.clip(gauge.calibration_ratio, 0.93, 1.07)))
    if rng.random() < ranges.dropout_share:
        gauge = replace(gauge, dropouts=int(rng.integers(1, 4)), dropout_s=even(rng, (20.0, 120.0)))
    if kind == "manifold_gauge":
        gauge, rig = replace(gauge, place="manifold"), replace(rig, isolation_at="manifold")
    elif rng.random() < 0.3:
        rig = replace(rig, isolation_at="manifold")
    if rng.random() < 0.1:
        rig = replace(rig, pump_side_leak_micron_l_s=log_uniform(rng, (1.0, 30.0)))

    target = requirement.target_micron * even(rng, (0.45, 0.8))
    if kind == "target_missed":
        target = requirement.target_micron * even(rng, (1.2, 1.7))
    deep = max(effective_speed_l_s(rig, 1000.0, rig.blankoff_micron), 0.03)
    pull_s = volume_l / deep * 8.0 + 300.0
    circuit = _circuit(rng, kind, ranges, volume_l, ambient_c, altitude_m, pull_s, requirement)
    procedure = Procedure(
        steps=_steps(rng, kind, ranges, target, pull_s, requirement),
        log_starts_s=float(rng.choice([0.0, 0.0, 0.0, even(rng, (5.0, 60.0))])),
        requirement=requirement,
    )
    pull = simulate(circuit, rig, gauge, procedure, int(rng.integers(2**31)))
    accuracy = float(rng.choice([5.0, 10.0]))
    job = JobInfo(
        kind, family, requirement.target_micron, requirement.hold_limit_micron, requirement.hold_minutes, volume_l,
        ambient_c, altitude_m, gauge.top_of_range_micron, accuracy, circuit, rig, gauge, procedure,
    )  # fmt: skip
    return pull, job


def _requirement(rng: np.random.Generator) -> Requirement:
    target, limit, minutes = [
        (500.0, 1000.0, 10.0),
        (500.0, 1000.0, 10.0),
        (300.0, 800.0, 20.0),
        (1250.0, 1500.0, 10.0),
    ][int(rng.integers(4))]
    return Requirement(target, limit, minutes)


def _circuit(
    rng: np.random.Generator,
    kind: Kind,
    ranges: Ranges,
    volume_l: float,
    ambient_c: float,
    altitude_m: float,
    pull_s: float,
    requirement: Requirement,
) -> Circuit:
    room = requirement.hold_limit_micron - 0.6 * requirement.target_micron
    steady = room / requirement.hold_minutes
    leak, rise, water = 0.0, None, 0.0
    if kind in ("leak", "leak_and_moisture"):
        leak = steady * even(rng, (1.1, 5.0))
    if kind == "held_flat":
        rise = even(rng, (3.0, 28.0))
    elif kind == "leak":
        rise = even(rng, (3.0, 26.0))
    elif kind == "leak_and_moisture":
        rise = even(rng, (90.0, 450.0))
        leak = steady * even(rng, (0.5, 3.0))
    elif kind == "moisture":
        if rng.random() < 0.5:
            water = draw_water_g(rng, ranges, volume_l)
        else:
            rise = room * even(rng, (1.2, 4.0))
    elif kind in ("several_pulls", "manifold_gauge", "resumed_pump", "slow_valve", "target_missed"):
        if rng.random() < 0.3:
            leak = log_uniform(rng, ranges.leak_micron_per_min)
        if rng.random() < 0.3:
            water = 0.5 * draw_water_g(rng, ranges, volume_l)
    elif rng.random() < 0.2:
        water = 0.3 * draw_water_g(rng, ranges, volume_l)
    circuit = draw_circuit(
        rng, ranges, volume_l, ambient_c, altitude_m,
        pull_s=pull_s, water_g=water, leak_micron_per_min=leak, rise_micron=rise,
    )  # fmt: skip
    if kind == "moisture" and water > 0.0:
        # a wet spot that gives off slowly enough for the pump to reach the target over it
        circuit = replace(circuit, evaporation_l_s=log_uniform(rng, (0.001, 0.03)))
    return circuit


def _steps(
    rng: np.random.Generator,
    kind: Kind,
    ranges: Ranges,
    target: float,
    pull_s: float,
    requirement: Requirement,
) -> tuple[Step, ...]:
    longest_s = float(min(max(12.0 * pull_s, 3600.0), 6 * 3600.0))
    linger_s = float(rng.choice([even(rng, (5.0, 60.0)), even(rng, (60.0, 300.0)), even(rng, (300.0, 1200.0))]))
    if kind == "target_missed":
        linger_s = even(rng, (0.0, 10.0))
    valve_s = even(rng, (0.2, 2.0))
    if kind == "slow_valve" or rng.random() < ranges.slow_valve_share:
        valve_s = even(rng, (4.0, 15.0))
    hold_s = requirement.hold_minutes * 60.0 + even(rng, (60.0, 900.0)) + valve_s
    steps: list[Step] = []
    if rng.random() < 0.3:
        steps.append(Idle(even(rng, (10.0, 120.0))))
    if kind == "several_pulls":
        for _ in range(int(rng.integers(1, 3))):
            steps.append(Pump(even(rng, (800.0, 2500.0)), longest_s, even(rng, (0.0, 120.0))))
            steps.append(Break(even(rng, (20000.0, 300000.0)), even(rng, (8.0, 40.0)), even(rng, (10.0, 300.0))))
    elif kind == "resumed_pump":
        steps.append(Pump(target * even(rng, (1.2, 3.0)), longest_s, 0.0))
        steps.append(Isolate(even(rng, (90.0, 500.0)), even(rng, (0.2, 2.0))))
    steps.append(Pump(target, longest_s, linger_s))
    if kind == "no_hold":
        return tuple(steps)
    if kind == "short_hold":
        hold_s = valve_s + even(rng, (110.0, requirement.hold_minutes * 60.0 - 60.0))
    steps.append(Isolate(hold_s, valve_s))
    return tuple(steps)


def clear_label(pull: Pull) -> tuple[str, str]:
    """Verdict and reason of a case's truth."""
    return str(pull.truth["verdict"]), str(pull.truth["reason"])


def finite_truth(pull: Pull, name: str) -> float:
    """Return a number of the truth, NaN where it has none."""
    value = pull.truth.get(name, math.nan)
    return float(value) if isinstance(value, int | float) else math.nan
