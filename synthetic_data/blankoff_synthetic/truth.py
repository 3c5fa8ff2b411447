"""What really happened in a hold, and the verdict that the contract's order gives on true pressures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import kernel as k
from .parts import Gauge, Procedure

Floats = NDArray[np.float64]

MATERIAL_MICRON = 50.0
"""A part of the rise matters from here on: contract, ``rise_kind``."""


@dataclass(frozen=True)
class Hold:
    """The judged hold: step number, times on the simulation's clock, and the pull before it."""

    step: int
    start_s: float
    shut_s: float
    end_s: float
    pumped_from_s: float
    lowest_pumped_micron: float


def split_rise(
    hold: Hold | None,
    procedure: Procedure,
    par: Floats,
    pools: Floats,
    steps: Floats,
    at_start: Floats,
) -> dict[str, object]:
    """Split the rise over the required hold into settling step, steady and saturating part.

    A shadow run starts from the state at isolation and stands for the whole
    required time, whatever the real hold did. The settling step is the volume
    mean behind the valve less the gauge's place at the moment the valve is shut.
    """
    names = (
        "rise_micron", "leak_rise_micron", "moisture_rise_micron", "settling_step_micron",
        "micron_at_required_hold", "highest_in_required_hold_micron", "minutes_to_limit",
    )  # fmt: skip
    if hold is None:
        return {**dict.fromkeys(names, math.nan), "rise_kind": None}
    requirement = procedure.requirement
    valve_s = float(steps[hold.step, 4])
    span_s = requirement.hold_minutes * 60.0
    clock = hold.start_s
    shadow = np.array([[k.STEP_ISOLATE, 0.0, valve_s + span_s + 1.0, 0.0, valve_s]])
    times = clock + valve_s + np.linspace(0.0, span_s, 241)
    recorded = np.full((times.size, 3), np.nan)
    state = at_start[hold.step].copy()
    leaked = float(state[k.CUM_LEAKED])
    k.march(state, par, pools, shadow, times, clock, recorded, np.zeros((1, 4)), np.zeros((1, state.size)))
    place, mean = recorded[:, 0], recorded[:, 1]
    volume = float(par[k.P_VOLUME_FAR] + par[k.P_VOLUME_NEAR])
    if par[k.P_VALVE_AT_PORT] < 0.5:
        volume += float(par[k.P_VOLUME_MIDDLE])
    leak_rise = (float(state[k.CUM_LEAKED]) - leaked) / volume * span_s / (span_s + valve_s + 1.0)
    rise = float(mean[-1] - mean[0])
    moisture_rise = rise - leak_rise
    above = place > requirement.hold_limit_micron
    kind = {
        (False, False): "flat",
        (True, False): "leak",
        (False, True): "moisture",
        (True, True): "leak_and_moisture",
    }[(leak_rise >= MATERIAL_MICRON, moisture_rise >= MATERIAL_MICRON)]
    return {
        "rise_micron": rise,
        "leak_rise_micron": leak_rise,
        "moisture_rise_micron": moisture_rise,
        "settling_step_micron": float(mean[0] - place[0]),
        "micron_at_required_hold": float(place[-1]),
        "highest_in_required_hold_micron": float(place.max()),
        "minutes_to_limit": float(times[int(np.argmax(above))] - times[0]) / 60.0 if above.any() else math.nan,
        "rise_kind": kind,
    }


def judge_truth(
    procedure: Procedure,
    gauge: Gauge,
    hold: Hold | None,
    truth: Mapping[str, object],
    times_s: Floats,
    place_micron: Floats,
    unseen_s: float = 0.0,
) -> dict[str, object]:
    """Judge the truth: ``verdict``, ``reason``, both as the gauge reads, and ``clear``.

    Clear means: the same for pressures 12 per cent higher or lower and as this
    gauge reads them, lengths 30 s (or the gap of `unseen_s` in which the isolation lies) away from their thresholds, and, where the
    reason names the rise, both parts outside 30 to 80 microns.
    """
    base = _verdict(procedure, hold, truth, times_s, place_micron, 1.0, 0.0, 0.0)
    ratio, offset = gauge.calibration_ratio, gauge.offset_micron
    variants = [
        _verdict(procedure, hold, truth, times_s, place_micron, scale, shift, slack)
        for scale, shift in ((0.88, 0.0), (1.12, 0.0), (ratio * 0.96, offset - 5.0), (ratio * 1.04, offset + 5.0))
        for slack in (-max(30.0, unseen_s), max(30.0, unseen_s))
    ]
    clear = all(v == base for v in variants)
    if base[0] == "failed":
        for name in ("leak_rise_micron", "moisture_rise_micron"):
            part = float(truth[name])  # type: ignore[arg-type]
            clear = clear and not 30.0 < part < 80.0
    as_read = _verdict(procedure, hold, truth, times_s, place_micron, ratio, offset, 0.0)
    return {
        "verdict": base[0],
        "reason": base[1],
        "verdict_as_read": as_read[0],
        "reason_as_read": as_read[1],
        "clear": clear,
    }


def _verdict(
    procedure: Procedure,
    hold: Hold | None,
    truth: Mapping[str, object],
    times_s: Floats,
    place_micron: Floats,
    scale: float,
    shift: float,
    slack_s: float,
) -> tuple[str, str]:
    """Apply the contract's order on scaled true pressures at the logged times."""
    if hold is None:
        return "unproven", "no_hold"
    requirement = procedure.requirement
    limit = requirement.hold_limit_micron
    start = scale * float(truth["final_vacuum_micron"]) + shift  # type: ignore[arg-type]
    if start > limit:
        return "unproven", "target_missed"
    required_s = requirement.hold_minutes * 60.0
    inside = (times_s >= hold.shut_s) & (times_s <= min(hold.end_s, hold.shut_s + required_s + slack_s))
    if inside.any() and scale * float(place_micron[inside].max()) + shift > limit:
        leak = float(truth["leak_rise_micron"]) >= MATERIAL_MICRON  # type: ignore[arg-type]
        moisture = float(truth["moisture_rise_micron"]) >= MATERIAL_MICRON  # type: ignore[arg-type]
        reasons = {
            (True, False): "leak",
            (False, True): "moisture",
            (True, True): "leak_and_moisture",
            (False, False): "rise_unexplained",
        }
        return "failed", reasons[leak, moisture]
    length_s = hold.end_s - hold.shut_s
    if length_s + slack_s < 60.0:
        return "unproven", "no_hold"
    if scale * hold.lowest_pumped_micron + shift > requirement.target_micron:
        return "unproven", "target_missed"
    if length_s + slack_s < required_s:
        return "unproven", "short_hold"
    return "passed", "held"
