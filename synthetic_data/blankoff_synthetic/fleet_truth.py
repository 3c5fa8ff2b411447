"""The truth beside a fleet: per evacuation, per asset and month, per technician and month, and findings."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from .chain import IDLE_H, Outcome, Service
from .flow import port_pressure_micron
from .parts import Rig
from .plan import Plan, month_starts
from .registers import day_to_date
from .single import effective_speed_l_s

STANDARD_LOAD_MICRON_L_S = 5.0
"""Gas load at which floors are compared; no source."""

WORN_BELOW = 0.75
RESTRICTED_BELOW = 0.6
OFF_BEYOND = 0.15
"""Where the contract calls a pump worn, a hose restricted, a gauge off."""

LEAKING_MICRON_L_S = 10.0
"""Pump-side leak from which a hose set is called leaking in the truth; no source."""

_FUTURES, _FUTURE_DAYS = 201, 730.0
"""Futures drawn of each pump's oil, and how far ahead."""

SCALARS = (
    "isolated_at_s", "valve_started_s", "hold_minutes", "lowest_pumped_micron", "final_vacuum_micron",
    "leak_micron_per_min", "leak_pa_m3_s", "speed_viscous_l_s", "speed_deep_l_s", "speed_deep_with_leak_l_s",
    "blankoff_micron", "water_boiled_g", "water_left_g", "pumped_s", "circuit_load_micron_l_s",
    "pump_side_load_micron_l_s", "floor_micron", "rise_micron", "leak_rise_micron", "moisture_rise_micron",
    "settling_step_micron", "micron_at_required_hold",
)  # fmt: skip


def evacuation_truth(plan: Plan, outcomes: list[Outcome], files: dict[int, dict[str, Any]]) -> pl.DataFrame:
    """One row per evacuation; `files` says per job what became of its log."""
    rows = []
    for outcome in outcomes:
        job = outcome.job
        file = files[job.number]
        pull = file["pull"]
        truth = pull.truth if pull is not None else {}
        person = plan.people[job.technician]
        verdict, reason = truth.get("verdict", "unproven"), truth.get("reason", "no_log")
        shown = truth.get("verdict_as_read", verdict), truth.get("reason_as_read", reason)
        if file["state"] == "recycled":
            verdict, reason, shown = "unproven", "recycled_log", ("unproven", "recycled_log")
        elif file["state"] == "broken":
            verdict, reason, shown = "unproven", "unreadable_log", ("unproven", "unreadable_log")
        elif file["state"] in ("none", "missing"):
            verdict, reason, shown = "unproven", "no_log", ("unproven", "no_log")
        row: dict[str, Any] = {
            "evacuation_id": job.evacuation_id,
            "started_at": job.started_at,
            "technician_id": person.technician_id,
            "pump_id": plan.pumps[job.pump].pump_id,
            "hose_id": plan.hoses[job.hose].hose_id,
            "gauge_id": plan.gauges[job.gauge].gauge_id,
            "system_id": plan.systems[job.system].system_id,
            "file_state": file["state"],
            "log_file": file["path"],
            "copied_from": file["source"],
            "copied_how": file["how"],
            "troubles": ",".join(file["troubles"]),
            "verdict": verdict,
            "reason": reason,
            "verdict_as_read": shown[0],
            "reason_as_read": shown[1],
            "rise_kind": truth.get("rise_kind") if file["state"] == "read" else None,
            "clear": bool(truth.get("clear", True)),
            "reported": file["reported"],
            "volume_l": plan.systems[job.system].volume_l,
            "ambient_c": job.ambient_c,
            "water_g": job.water_g,
            "target_micron": job.requirement.target_micron,
            "hold_limit_micron": job.requirement.hold_limit_micron,
            "required_minutes": job.requirement.hold_minutes,
            "skips": job.skips,
            "cuts_short": job.cuts_short,
            "stops_early": job.stops_early,
            "core_left_in": job.core_left_in,
            "swapped": job.swapped,
            "oil_hours": outcome.oil_hours,
            "oil_water_g": outcome.oil_water_g,
            "pump_blankoff_micron": outcome.blankoff_micron,
            "pump_speed_ratio": outcome.speed_ratio,
            "hose_conductance_ratio": plan.hoses[job.hose].conductance_ratio(job.day),
            "hose_leak_micron_l_s": plan.hoses[job.hose].leak_on(job.day),
            "gauge_ratio": plan.gauges[job.gauge].ratio(job.day),
        }
        for name in SCALARS:
            value = truth.get(name, math.nan)
            row[name] = float(value) if isinstance(value, int | float) else math.nan
        rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)


def phase_truth(outcomes: list[Outcome], files: dict[int, dict[str, Any]]) -> pl.DataFrame:
    """Phases of every log that is a pull of its own."""
    rows = [
        {"evacuation_id": outcome.job.evacuation_id, "phase_no": i, **phase}
        for outcome in outcomes
        if files[outcome.job.number]["state"] == "read"
        for i, phase in enumerate(files[outcome.job.number]["pull"].truth["phases"])
    ]
    return pl.DataFrame(rows, infer_schema_length=None)


class _Oil:
    """A pump's oil over time, from its outcomes and services."""

    def __init__(self, plan: Plan, pump: int, outcomes: list[Outcome], services: list[Service]) -> None:
        unit = plan.pumps[pump]
        resets = [
            (s.day, 0, 0.0, 0.0)
            for s in services
            if s.asset == "pump" and s.asset_id == unit.pump_id and s.action in ("oil_change", "overhaul")
        ]
        runs = []
        jobs: list[tuple[float, float]] = []
        for outcome in outcomes:
            add_h, add_g = 0.0, 0.0
            if outcome.pull is not None:
                add_h = float(outcome.pull.truth["pumped_s"]) / 3600.0 + IDLE_H  # type: ignore[arg-type]
                add_g = float(outcome.pull.truth["water_boiled_g"])  # type: ignore[arg-type]
            runs.append((outcome.job.day, 1, outcome.oil_hours + add_h, outcome.oil_water_g + add_g))
            jobs.append((add_h, add_g))
        self.events = sorted(resets + runs)
        self.jobs = np.array(jobs).reshape(-1, 2)
        """What each job put on the oil: hours, g of water; ``(n, 2)``."""

    def at(self, day: float) -> tuple[float, float]:
        """Hours run and water swallowed since the last change, at the end of a day."""
        state = (0.0, 0.0)
        for when, _, hours, water in self.events:
            if when >= math.floor(day) + 1.0:
                break
            state = (hours, water)
        return state


def _oils(plan: Plan, outcomes: list[Outcome], services: list[Service]) -> list[_Oil]:
    """Oil of every pump."""
    of_pump: list[list[Outcome]] = [[] for _ in plan.pumps]
    for outcome in outcomes:
        of_pump[outcome.job.pump].append(outcome)
    return [_Oil(plan, i, of_pump[i], services) for i in range(len(plan.pumps))]


def month_ends(plan: Plan) -> list[float]:
    """Last days of the months, as days of the scenario."""
    starts = month_starts(plan.started_on, plan.scenario.months)
    return [float((start - plan.started_on).days - 1) for start in starts[1:]]


def asset_truth(plan: Plan, outcomes: list[Outcome], services: list[Service]) -> pl.DataFrame:
    """Per asset, technician and month's end: ratios to the fleet's middle on one standard rig, and the states behind them.

    The standard rig has the median pump and hose and no valve core. A level's
    ratio is what the rig does with this level in it, over the median of all
    levels of its kind that do something in the scenario.
    """
    limit = plan.scenario.blankoff_limit_micron
    oils = _oils(plan, outcomes, services)
    used = {
        "pump": {o.job.pump for o in outcomes},
        "hose": {o.job.hose for o in outcomes},
        "gauge": {o.job.gauge for o in outcomes},
        "technician": {o.job.technician for o in outcomes},
    }
    rows: list[dict[str, Any]] = []
    for day in month_ends(plan):
        standard = Rig(
            free_air_l_s=float(np.median([p.free_air_l_s(day) for p in plan.pumps])),
            blankoff_micron=float(np.median([p.fresh_blankoff_micron for p in plan.pumps])),
            bore_mm=float(np.median([h.bore_on(day) for h in plan.hoses])),
            length_m=float(np.median([h.length_m for h in plan.hoses])),
        )
        month: list[dict[str, Any]] = []
        for i, unit in enumerate(plan.pumps):
            hours, water = oils[i].at(day)
            blankoff = unit.blankoff_micron(hours, water, limit)
            rig = _with(
                standard, free_air_l_s=unit.free_air_l_s(day), blankoff_micron=blankoff,
                falloff_share=unit.falloff_share, falloff_micron=unit.falloff_micron,
            )  # fmt: skip
            month.append(
                {
                    "factor": "pump", "level_id": unit.pump_id, "used": i in used["pump"], **_measures(rig),
                    "speed_ratio_to_best": unit.speed_ratio(day), "blankoff_micron": blankoff,
                    "oil_hours": hours, "oil_water_g": water,
                    "due_on": _due(plan, i, oils[i], day),
                }
            )  # fmt: skip
        for i, hose in enumerate(plan.hoses):
            rig = _with(
                standard, bore_mm=hose.bore_on(day), length_m=hose.length_m,
                pump_side_leak_micron_l_s=hose.leak_on(day),
            )  # fmt: skip
            month.append(
                {
                    "factor": "hose", "level_id": hose.hose_id, "used": i in used["hose"], **_measures(rig),
                    "conductance_ratio": hose.conductance_ratio(day), "leak_micron_l_s": hose.leak_on(day),
                }
            )  # fmt: skip
        plain, cored = _measures(standard), _measures(_with(standard, core_left_in=True))
        for i, gauge in enumerate(plan.gauges):
            ratio = gauge.ratio(day)
            month.append(
                {
                    "factor": "gauge", "level_id": gauge.gauge_id, "used": i in used["gauge"], **plain,
                    "floor": plain["floor"] * ratio, "gauge_ratio": ratio,
                }
            )  # fmt: skip
        for i, person in enumerate(plan.people):
            share = person.rate("slow_rigging", day)
            mixed = {m: math.exp((1 - share) * math.log(plain[m]) + share * math.log(cored[m])) for m in plain}
            month.append(
                {
                    "factor": "technician", "level_id": person.technician_id, "used": i in used["technician"], **mixed,
                    "core_left_in_rate": share,
                }
            )  # fmt: skip
        for row in month:
            row["as_of"] = day_to_date(plan, day)
        rows.extend(month)
    frame = pl.DataFrame(rows, infer_schema_length=None)
    ratios = [
        (pl.col(m) / pl.col(m).filter(pl.col("used")).median().over("factor", "as_of")).alias(f"{m}_ratio")
        for m in ("speed_viscous", "speed_deep", "floor")
    ]
    return frame.with_columns(ratios).sort("as_of", "factor", "level_id")


def _with(rig: Rig, **changes: Any) -> Rig:
    return Rig(**{**rig.__dict__, **changes})


def _measures(rig: Rig) -> dict[str, float]:
    """Speeds of a rig at 8000 and 1000 microns and its floor under the standard load."""
    floor = port_pressure_micron(
        STANDARD_LOAD_MICRON_L_S, rig.pump_side_leak_micron_l_s, False,
        rig.free_air_l_s, rig.falloff_share, rig.falloff_micron, rig.blankoff_micron,
        0.1 * rig.bore_mm, 100.0 * rig.length_m * rig.upstream_share, 100.0 * rig.length_m * (1.0 - rig.upstream_share),
        0.1 * (rig.core_bore_mm if rig.core_left_in else rig.port_bore_mm),
        0.1 * (rig.core_length_mm if rig.core_left_in else rig.port_length_mm),
    )  # fmt: skip
    return {
        "speed_viscous": effective_speed_l_s(rig, 8000.0, rig.blankoff_micron),
        "speed_deep": max(effective_speed_l_s(rig, 1000.0, rig.blankoff_micron), 1e-4),
        "floor": float(floor),
    }


def _due(plan: Plan, pump: int, oil: _Oil, day: float) -> dt.date | None:
    """Date at which this oil passes the limit in the median of futures drawn from the pump's own jobs; None beyond two years.

    Jobs come at random, as often as they did; water comes with few of them, so that at its mean pace it would come too early.
    """
    unit, limit = plan.pumps[pump], plan.scenario.blankoff_limit_micron
    hours, water = oil.at(day)
    if unit.blankoff_micron(hours, water, limit) > limit:
        return day_to_date(plan, day)
    n = oil.jobs.shape[0]
    if n == 0:
        return None
    rng = np.random.default_rng([plan.scenario.seed, pump, round(day)])
    each = plan.days / n
    ahead = math.ceil(1.3 * _FUTURE_DAYS / each) + 20
    when = np.cumsum(rng.exponential(each, (_FUTURES, ahead)), axis=1)
    drawn = oil.jobs[rng.integers(n, size=(_FUTURES, ahead))]
    spent_h, spent_g = hours + np.cumsum(drawn[..., 0], axis=1), water + np.cumsum(drawn[..., 1], axis=1)
    over = (unit.blankoffs_micron(spent_h, spent_g, limit) > limit) & (when <= _FUTURE_DAYS)
    first = np.where(over.any(axis=1), when[np.arange(_FUTURES), over.argmax(axis=1)], np.inf)
    due = float(np.median(first))
    return day_to_date(plan, day + math.ceil(due)) if math.isfinite(due) else None


def technician_truth(plan: Plan, outcomes: list[Outcome], files: dict[int, dict[str, Any]]) -> pl.DataFrame:
    """Per technician and month's end: standing rates as they then were, and what had been done by then."""
    kinds = {
        "skipped": "holds_skipped",
        "short": "holds_cut_short",
        "stopped_early": "pumping_stopped_early",
        "core_left_in": "slow_rigging",
        "log_missing": "no_log",
        "log_recycled": "log_recycled",
        "signs_unproven": "reported_pass_rate",
    }
    own: list[list[tuple[float, bool]]] = [[] for _ in plan.people]
    for outcome in outcomes:
        own[outcome.job.technician].append((outcome.job.day, files[outcome.job.number]["state"] == "none"))
    rows = []
    for day in month_ends(plan):
        for i, person in enumerate(plan.people):
            done = [missing for when, missing in own[i] if when <= day]
            rows.append(
                {
                    "as_of": day_to_date(plan, day),
                    "technician_id": person.technician_id,
                    "evacuations": len(done),
                    "logs_missing": sum(done),
                    **{f"{name}_rate": person.rate(kind, day) for name, kind in kinds.items()},
                    "habits": ",".join(h.kind for h in person.habits if h.active(day)),
                }
            )
    return pl.DataFrame(rows)


def finding_truth(
    plan: Plan, outcomes: list[Outcome], services: list[Service], evacuations: pl.DataFrame
) -> pl.DataFrame:
    """Stretches in which a finding is true: kind, subject, since, until (None: still)."""
    rows: list[dict[str, Any]] = []

    def add(kind: str, subject: str, subject_id: str, since: float, until: float) -> None:
        if since < plan.days:
            end = day_to_date(plan, until) if until < plan.days else None
            rows.append(
                {"kind": kind, "subject": subject, "subject_id": subject_id,
                 "since": day_to_date(plan, since), "until": end}
            )  # fmt: skip

    limit = plan.scenario.blankoff_limit_micron
    oils = _oils(plan, outcomes, services)
    for i, unit in enumerate(plan.pumps):
        speeds = [unit.speed_ratio(float(day)) < WORN_BELOW for day in range(plan.days)]
        _stretches(speeds, "pump_worn", "pump", unit.pump_id, add)
        oil = oils[i]
        foul = [unit.blankoff_micron(*oil.at(float(day)), limit) > limit for day in range(plan.days)]
        _stretches(foul, "oil_due", "pump", unit.pump_id, add)
    for hose in plan.hoses:
        narrow = [hose.conductance_ratio(float(day)) < RESTRICTED_BELOW for day in range(plan.days)]
        _stretches(narrow, "hose_restricted", "hose", hose.hose_id, add)
        leaky = [hose.leak_on(float(day)) > LEAKING_MICRON_L_S for day in range(plan.days)]
        _stretches(leaky, "hose_leaking", "hose", hose.hose_id, add)
    for gauge in plan.gauges:
        off = [abs(gauge.ratio(float(day)) - 1.0) > OFF_BEYOND for day in range(plan.days)]
        _stretches(off, "gauge_off", "gauge", gauge.gauge_id, add)
    for person in plan.people:
        for habit in person.habits:
            until = habit.coached_day if habit.works else math.inf
            since = max(habit.from_day, person.hired_day, 0.0)
            if habit.kind not in ("log_recycled", "no_log"):
                add(habit.kind, "technician", person.technician_id, since, until)
    for row in evacuations.iter_rows(named=True):
        since = (row["started_at"].date() - plan.started_on).days
        if row["reason"] == "recycled_log":
            add("log_recycled", "evacuation", row["evacuation_id"], since, math.inf)
        if row["reported"] == "passed" and row["verdict"] != "passed":
            add("signed_without_proof", "evacuation", row["evacuation_id"], since, math.inf)
    schema = {"kind": pl.String, "subject": pl.String, "subject_id": pl.String, "since": pl.Date, "until": pl.Date}
    return pl.DataFrame(rows, schema=schema).sort("kind", "subject_id", "since")


def _stretches(
    true_on: list[bool], kind: str, subject: str, subject_id: str, add: Callable[[str, str, str, float, float], None]
) -> None:
    """Report the stretches of days on which something is true."""
    since: int | None = None
    for day, holds in enumerate([*true_on, False]):
        if holds and since is None:
            since = day
        elif not holds and since is not None:
            add(kind, subject, subject_id, float(since), math.inf if day == len(true_on) else float(day))
            since = None


def never_parted(evacuations: pl.DataFrame) -> pl.DataFrame:
    """Pairs of levels of two factors that were only ever used together."""
    rows = []
    factors = ("technician", "pump", "hose", "gauge")
    for i, one in enumerate(factors):
        for two in factors[i + 1 :]:
            columns = [f"{one}_id", f"{two}_id"]
            pairs = evacuations.select(columns).unique()
            alone_one = pairs.group_by(columns[0]).len().filter(pl.col("len") == 1).get_column(columns[0])
            alone_two = pairs.group_by(columns[1]).len().filter(pl.col("len") == 1).get_column(columns[1])
            both = pairs.filter(
                pl.col(columns[0]).is_in(alone_one.implode()) & pl.col(columns[1]).is_in(alone_two.implode())
            )
            rows += [
                {"factor_a": one, "level_a": a, "factor_b": two, "level_b": b} for a, b in sorted(both.iter_rows())
            ]
    schema = {"factor_a": pl.String, "level_a": pl.String, "factor_b": pl.String, "level_b": pl.String}
    return pl.DataFrame(rows, schema=schema)


def write_truth(folder: Path, frames: dict[str, pl.DataFrame], counts: dict[str, Any]) -> None:
    """Write the truth's tables as Parquet and its counts as JSON."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        frame.write_parquet(folder / f"{name}.parquet", statistics=False)
    (folder / "counts.json").write_text(json.dumps(counts, indent=1, sort_keys=True) + "\n", encoding="utf-8")
