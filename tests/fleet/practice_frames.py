"""Work frames drawn directly, for what goes by verdicts and dates: technicians with known habits on unlike work."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl


@dataclass(frozen=True)
class Habit:
    """A technician's true rate of one fault; from ``begins`` on it is ``later`` instead."""

    rate: float = 0.03
    later: float | None = None
    begins: date = date(2026, 1, 1)

    def at(self, day: date) -> float:
        return self.later if self.later is not None and day >= self.begins else self.rate


@dataclass(frozen=True)
class Crew:
    """Habits by technician; those not named keep the base rates."""

    technicians: int = 24
    jobs_each: int = 110
    skipped: dict[int, Habit] = field(default_factory=dict)
    short: dict[int, Habit] = field(default_factory=dict)
    early: dict[int, Habit] = field(default_factory=dict)
    wet_kind_of: dict[int, float] = field(default_factory=dict)
    overclaims: dict[int, float] = field(default_factory=dict)


def draw_work(crew: Crew, seed: int) -> pl.DataFrame:
    """One row per evacuation with the columns that practice, people and groups read."""
    rng = np.random.default_rng(seed)
    rows = []
    begun = date(2025, 5, 1)
    for t in range(crew.technicians):
        base = {k: Habit(float(rng.beta(2, 60))) for k in ("skipped", "short", "early")}
        for j, offset in enumerate(np.sort(rng.integers(0, 540, crew.jobs_each))):
            day = begun + timedelta(days=int(offset))
            kind = "rack" if rng.random() < crew.wet_kind_of.get(t, 0.2) else "split"
            hard = 0.15 if kind == "rack" else 0.02
            floor = 200 * rng.lognormal(0, 0.2)
            u = rng.random(4)
            reason, lowest = "held", floor * 1.05
            if rng.random() < 0.02:
                reason = "no_log"
            elif u[0] < crew.skipped.get(t, base["skipped"]).at(day):
                reason = "no_hold"
            elif u[1] < crew.early.get(t, base["early"]).at(day):
                reason, lowest = "target_missed", 700.0
            elif u[1] > 1 - hard:
                reason, floor, lowest = "target_missed", 640.0, 660.0
            elif u[2] < crew.short.get(t, base["short"]).at(day):
                reason = "short_hold"
            elif u[3] < 0.08:
                reason = "leak"
            verdict = {"held": "passed", "leak": "failed"}.get(reason, "unproven")
            honest = verdict == "passed" or rng.random() < 0.05 or rng.random() < crew.overclaims.get(t, 0.0)
            rows.append(
                {
                    "evacuation_id": f"E{t:03d}-{j:04d}",
                    "technician_id": f"T{t:02d}",
                    "pump_id": f"P{t:02d}",
                    "hose_id": f"H{t:02d}",
                    "month": day.strftime("%Y-%m"),
                    "started_on": day,
                    "started_at": datetime(day.year, day.month, day.day, 8 + j % 8, tzinfo=UTC),
                    "reason": reason,
                    "verdict": verdict,
                    "reported": "passed" if honest else "failed",
                    "kind": kind,
                    "volume_l": 40.0 if kind == "rack" else 3.0,
                    "plateau_minutes": 5.0 if kind == "rack" and rng.random() < 0.4 else 0.0,
                    "floor_micron": floor,
                    "lowest_pumped_micron": None if reason == "no_log" else lowest,
                    "required_target_micron": 500.0,
                    "required_hold_minutes": 10.0,
                    "still_minutes": None,
                    "hold_minutes": None
                    if reason in ("no_log", "no_hold")
                    else (4.0 if reason == "short_hold" else 11.0),
                    "leak_micron_per_min": 80 * rng.lognormal(0, 0.3) if reason == "leak" else rng.lognormal(-1, 0.5),
                    "moisture_rise_micron": 60 * rng.lognormal(0, 0.4),
                    "minutes_to_1000": (60.0 if kind == "rack" else 12.0) * rng.lognormal(0, 0.25),
                    "minutes_to_2000": 8.0,
                    "minutes_to_5000": 5.0,
                    "minutes_to_10000": 3.0,
                    "hold_start_micron": None if reason in ("no_log", "no_hold") else lowest,
                    "borderline": False,
                    "pumped_minutes": (80.0 if kind == "rack" else 20.0) * rng.lognormal(0, 0.25),
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None).sort("started_at", "evacuation_id")
