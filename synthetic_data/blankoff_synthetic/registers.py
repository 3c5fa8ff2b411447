"""The registers of a fleet folder, with the holes and slips that a scenario asks for."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import numpy as np
import polars as pl

from .chain import Service
from .logfiles import HOUSE_LAYOUT_TOML
from .plan import Job, Plan


def day_to_date(plan: Plan, day: float) -> dt.date:
    """Date of a day of the scenario."""
    return plan.started_on + dt.timedelta(days=math.floor(day))


def _number(value: float, decimals: int) -> str:
    if math.isnan(value):
        return ""
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def evacuation_rows(plan: Plan, log_files: dict[int, str], reported: dict[int, str]) -> list[dict[str, str]]:
    """Rows of evacuations.csv as text, before slips are added."""
    scenario = plan.scenario
    rng = np.random.default_rng([scenario.seed, 6])
    rows = []
    for job in plan.jobs:
        draw = rng.random(4)
        registers = scenario.registers
        need = job.requirement if job.requirement_given else None
        rows.append(
            {
                "evacuation_id": job.evacuation_id,
                "log_file": log_files.get(job.number, ""),
                "started_at": job.started_at.isoformat(timespec="seconds"),
                "technician_id": plan.people[job.technician].technician_id,
                "pump_id": plan.pumps[job.pump].pump_id,
                "hose_id": "" if draw[0] < registers.hose_missing else plan.hoses[job.hose].hose_id,
                "gauge_id": "" if draw[1] < registers.gauge_missing else plan.gauges[job.gauge].gauge_id,
                "system_id": plan.systems[job.system].system_id,
                "branch": scenario.branches[plan.systems[job.system].branch].name,
                "job_id": f"J{job.number + 1:05d}",
                "ambient_c": "" if draw[2] < registers.ambient_missing else _number(job.ambient_c, 0),
                "altitude_m": "" if draw[3] < registers.altitude_missing else _number(job.altitude_m, 0),
                "target_micron": _number(need.target_micron, 0) if need else "",
                "hold_limit_micron": _number(need.hold_limit_micron, 0) if need else "",
                "hold_minutes": _number(need.hold_minutes, 1) if need else "",
                "reported": reported[job.number],
            }
        )
    return rows


def add_slips(plan: Plan, rows: list[dict[str, str]]) -> tuple[list[dict[str, str]], list[dict[str, str]]]:
    """Add rows that must end in quarantine: no id, impossible date, an id given twice.

    Returns
    -------
    rows : list
        With the slips among them.
    slips : list
        Evacuation id (may be blank) and problem of each.
    """
    registers = plan.scenario.registers
    rng = np.random.default_rng([plan.scenario.seed, 7])
    rows = list(rows)
    slips = []
    for i in range(registers.bad_rows):
        bad = dict(rows[int(rng.integers(len(rows)))])
        bad["log_file"] = ""
        if i % 2:
            bad["evacuation_id"] = f"E9{i:04d}"
            bad["started_at"] = "2026-02-31T10:00:00"
            slips.append({"evacuation_id": bad["evacuation_id"], "problem": "impossible date"})
        else:
            bad["evacuation_id"] = ""
            slips.append({"evacuation_id": "", "problem": "no id"})
        rows.insert(int(rng.integers(len(rows))), bad)
    for _ in range(registers.duplicate_rows):
        place = int(rng.integers(len(rows)))
        while not rows[place]["evacuation_id"] or rows[place]["evacuation_id"].startswith("E9"):
            place = int(rng.integers(len(rows)))
        again = dict(rows[place])
        again["reported"] = "failed"
        rows.append(again)
        slips.append({"evacuation_id": again["evacuation_id"], "problem": "id given twice"})
    return rows, slips


def write_registers(
    plan: Plan, out: Path, rows: list[dict[str, str]], services: list[Service], counts: dict[str, int]
) -> None:
    """Write every register that the scenario does not leave out, and ``fleet.toml``."""
    frames = {
        "evacuations": pl.DataFrame(rows),
        "technicians": _technicians(plan),
        "pumps": _pumps(plan),
        "hoses": _hoses(plan),
        "gauges": _gauges(plan),
        "systems": _systems(plan),
        "services": _services(plan, services),
        "coaching": _coaching(plan),
    }
    for name, frame in frames.items():
        if name not in plan.scenario.registers.left_out:
            frame.write_csv(out / f"{name}.csv")
            counts[f"{name}_rows"] = frame.height
    (out / "fleet.toml").write_text(fleet_toml(plan), encoding="utf-8")


def fleet_toml(plan: Plan) -> str:
    """Settings of the invented contractor."""
    scenario = plan.scenario
    lines = [
        "# Invented contractor: every name, person and number in this folder is made up.",
        f'timezone = "{scenario.timezone}"',
        'units = "micron"',
        "",
        "[acceptance]",
        f"target_micron = {scenario.target_micron:g}",
        f"hold_limit_micron = {scenario.hold_limit_micron:g}",
        f"hold_minutes = {scenario.hold_minutes:g}",
    ]
    for kind in scenario.kinds:
        if kind.target_micron:
            lines += [
                "",
                f"[acceptance.{kind.name}]",
                f"target_micron = {kind.target_micron:g}",
                f"hold_limit_micron = {kind.hold_limit_micron:g}",
                f"hold_minutes = {kind.hold_minutes:g}",
            ]
    lines += [
        "",
        "[maintenance]",
        f"blankoff_limit_micron = {scenario.blankoff_limit_micron:g}",
        "oil_change_cost = 45",
        "labour_cost_per_hour = 95",
    ]
    return "\n".join(lines) + "\n" + HOUSE_LAYOUT_TOML


def _technicians(plan: Plan) -> pl.DataFrame:
    branches = plan.scenario.branches
    return pl.DataFrame(
        {
            "technician_id": [p.technician_id for p in plan.people],
            "name": [p.name for p in plan.people],
            "branch": [branches[p.branch].name for p in plan.people],
            "hired_on": [day_to_date(plan, p.hired_day) for p in plan.people],
        }
    )


def _pumps(plan: Plan) -> pl.DataFrame:
    branches = plan.scenario.branches
    return pl.DataFrame(
        {
            "pump_id": [p.pump_id for p in plan.pumps],
            "rated_l_per_s": [p.rated_l_s for p in plan.pumps],
            "rated_blankoff_micron": [float(5 * round(p.fresh_blankoff_micron / 5.0)) for p in plan.pumps],
            "in_service_on": [day_to_date(plan, p.in_service_day) for p in plan.pumps],
            "branch": [branches[p.branch].name for p in plan.pumps],
        }
    )


def _hoses(plan: Plan) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "hose_id": [h.hose_id for h in plan.hoses],
            "bore_mm": [h.bore_mm for h in plan.hoses],
            "length_m": [h.length_m for h in plan.hoses],
            "in_service_on": [day_to_date(plan, h.in_service_day) for h in plan.hoses],
        }
    )


def _gauges(plan: Plan) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "gauge_id": [g.gauge_id for g in plan.gauges],
            "top_of_range_micron": [g.gauge.top_of_range_micron for g in plan.gauges],
            "accuracy_percent": [g.accuracy_percent for g in plan.gauges],
            "calibrated_on": [day_to_date(plan, g.calibrated_day) for g in plan.gauges],
        }
    )


def _systems(plan: Plan) -> pl.DataFrame:
    stated = [None if math.isnan(s.stated_l) else round(s.stated_l, 2) for s in plan.systems]
    return pl.DataFrame(
        {
            "system_id": [s.system_id for s in plan.systems],
            "kind": [plan.scenario.kinds[s.kind].name for s in plan.systems],
            "volume_l": pl.Series(stated, dtype=pl.Float64),
            "refrigerant": [s.refrigerant for s in plan.systems],
            "oil": [s.oil for s in plan.systems],
        }
    )


def asset_services(plan: Plan) -> list[Service]:
    """Repairs of hoses and calibrations of gauges."""
    out = [Service(h.mended_day, "hose", h.hose_id, "repair") for h in plan.hoses if h.mended_day < plan.days]
    out += [
        Service(g.put_right_day, "gauge", g.gauge_id, "calibration") for g in plan.gauges if g.put_right_day < plan.days
    ]
    return out


def _services(plan: Plan, services: list[Service]) -> pl.DataFrame:
    ordered = sorted(services, key=lambda s: (math.floor(s.day), s.asset, s.asset_id, s.action))
    return pl.DataFrame(
        {
            "serviced_on": [day_to_date(plan, s.day) for s in ordered],
            "asset": [s.asset for s in ordered],
            "asset_id": [s.asset_id for s in ordered],
            "action": [s.action for s in ordered],
        },
        schema={"serviced_on": pl.Date, "asset": pl.String, "asset_id": pl.String, "action": pl.String},
    )


def _coaching(plan: Plan) -> pl.DataFrame:
    talks = sorted(
        (day_to_date(plan, habit.coached_day), person.technician_id, habit.kind)
        for person in plan.people
        for habit in person.habits
        if habit.coached_day < plan.days and habit.kind not in ("no_log", "log_recycled")
    )
    return pl.DataFrame(
        talks, schema={"coached_on": pl.Date, "technician_id": pl.String, "topic": pl.String}, orient="row"
    )


def month_of(job: Job) -> str:
    """Month of a job, ``YYYY-MM``."""
    return job.started_at.strftime("%Y-%m")
