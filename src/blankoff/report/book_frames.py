"""The month's frames and what is looked up in them by thing and by person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import polars as pl

from blankoff import schemas
from blankoff.report.data import MonthData
from blankoff.report.words import PressureWords, months_up_to

Row = Mapping[str, Any]
PEOPLE = "technician"
ASSETS = ("pump", "hose", "gauge")
ROW_COLUMNS = (
    "evacuation_id", "started_on", "system_id", "kind", "verdict", "reason", "borderline", "technician_id", "pump_id", "hose_id",
    "gauge_id",
)  # fmt: skip
"""What a table of evacuations shows of each."""
OWN_WORK_COLUMNS = (*ROW_COLUMNS, "month", "started_at", "speed_viscous_l_s", "speed_deep_l_s", "floor_micron")
"""What is asked of the work of one asset or one person."""


def split(frame: pl.DataFrame, column: str) -> dict[str, pl.DataFrame]:
    """Rows by what a column holds, in their order; without those where it is null."""
    known = frame.filter(pl.col(column).is_not_null())
    return {str(k[0]): v for k, v in known.partition_by(column, as_dict=True, maintain_order=True).items()}


@dataclass(frozen=True)
class MonthFrames:
    """Frames of one month as the pages take them, and rows of them by id; made once."""

    data: MonthData
    work: pl.DataFrame
    finding: pl.DataFrame
    earlier_finding: pl.DataFrame
    effect: pl.DataFrame
    oil: pl.DataFrame
    practice: pl.DataFrame
    monthly: pl.DataFrame
    hours: pl.DataFrame
    proof_lost: pl.DataFrame
    talks: pl.DataFrame
    coverage: pl.DataFrame
    backtest: pl.DataFrame
    paged: Mapping[str, frozenset[str]]

    @cached_property
    def pressure(self) -> PressureWords:
        """Pressures in the fleet's unit."""
        return PressureWords(self.data.settings.units)

    @property
    def month(self) -> str:
        """The month under review."""
        return self.data.month

    @cached_property
    def months(self) -> list[str]:
        """The month under review and the twelve before, oldest first."""
        return months_up_to(self.data.month, 13)

    def register_of(self, factor: str) -> dict[str, dict[str, Any]]:
        """Id → row of the register of a sort of asset; the first row of an id counts."""
        return self._registers_by_id[factor]

    @cached_property
    def _registers_by_id(self) -> dict[str, dict[str, dict[str, Any]]]:
        out: dict[str, dict[str, dict[str, Any]]] = {}
        for factor in ASSETS:
            register = self.data.registers.get(f"{factor}s", schemas.REGISTERS[f"{factor}s"].empty())
            rows = out.setdefault(factor, {})
            for row in register.iter_rows(named=True):
                rows.setdefault(row[f"{factor}_id"], row)
        return out

    def work_of(self, factor: str, id_: str) -> pl.DataFrame:
        """Evacuations done by a technician or with an asset, oldest first; columns `OWN_WORK_COLUMNS`."""
        return self._work_by[factor].get(id_, self._no_work)

    @cached_property
    def _no_work(self) -> pl.DataFrame:
        return self.work.select(c for c in OWN_WORK_COLUMNS if c in self.work.columns).head(0)

    @cached_property
    def _work_by(self) -> dict[str, dict[str, pl.DataFrame]]:
        # a tenth of the columns: a large fleet has a thousand and more of such frames
        work = self.work.select(c for c in OWN_WORK_COLUMNS if c in self.work.columns)
        return {f: split(work, f"{f}_id") for f in (*ASSETS, PEOPLE)}

    def monthly_of(self, factor: str, id_: str, measure: str) -> list[dict[str, Any]]:
        """Rows of the monthly levels of one thing and measure, oldest first."""
        return [r for r in self._monthly_by.get((factor, id_), []) if r["measure"] == measure]

    @cached_property
    def _monthly_by(self) -> dict[tuple[str, str], list[dict[str, Any]]]:
        out: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for r in self.monthly.sort("month").iter_rows(named=True):
            out.setdefault((r["factor"], r["level_id"]), []).append(r)
        return out

    @cached_property
    def effects(self) -> dict[tuple[str, str, str], dict[str, Any]]:
        """``(factor, level_id, measure)`` → the newest effect."""
        return {(r["factor"], r["level_id"], r["measure"]): r for r in self.effect.iter_rows(named=True)}

    def effects_on(self, factor: str, id_: str) -> list[dict[str, Any]]:
        """The newest effects of one thing, all measures."""
        return self._effects_by.get((factor, id_), [])

    @cached_property
    def _effects_by(self) -> dict[tuple[str, str], list[dict[str, Any]]]:
        out: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for (factor, id_, _), row in self.effects.items():
            out.setdefault((factor, id_), []).append(row)
        return out

    @cached_property
    def oil_of(self) -> dict[str, dict[str, Any]]:
        """Pump id → its oil's newest forecast."""
        out: dict[str, dict[str, Any]] = {}
        for row in self.oil.iter_rows(named=True):
            out.setdefault(row["pump_id"], row)
        return out

    @cached_property
    def hours_now(self) -> dict[tuple[str, str], dict[str, Any]]:
        """``(factor, level_id)`` → hours lost this month."""
        rows = self.hours.filter(pl.col("month") == self.data.month)
        return {(r["factor"], r["level_id"]): r for r in rows.iter_rows(named=True)}

    @cached_property
    def practice_by(self) -> dict[str, list[dict[str, Any]]]:
        """Technician id → practice rows up to this month, oldest first."""
        out: dict[str, list[dict[str, Any]]] = {}
        for r in self.practice.sort("month").iter_rows(named=True):
            out.setdefault(r["technician_id"], []).append(r)
        return out

    def services_of(self, asset: str, id_: str) -> list[dict[str, Any]]:
        """Services of one asset, oldest first."""
        return self._services.get((asset, id_), [])

    @cached_property
    def _services(self) -> dict[tuple[str, str], list[dict[str, Any]]]:
        register = self.data.registers.get("services", schemas.SERVICES.empty())
        out: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for r in register.filter(pl.col("serviced_on") <= self.data.as_of).sort("serviced_on").iter_rows(named=True):
            out.setdefault((r["asset"], r["asset_id"]), []).append(r)
        return out

    def coaching_of(self, technician_id: str) -> list[dict[str, Any]]:
        """Talks held with one technician, oldest first."""
        return self._coaching.get(technician_id, [])

    @cached_property
    def _coaching(self) -> dict[str, list[dict[str, Any]]]:
        register = self.data.registers.get("coaching", schemas.COACHING.empty())
        held = register.filter(pl.col("coached_on") <= self.data.as_of).sort("coached_on", maintain_order=True)
        out: dict[str, list[dict[str, Any]]] = {}
        for r in held.iter_rows(named=True):
            out.setdefault(r["technician_id"], []).append(r)
        return out

    def talks_with(self, technician_id: str) -> pl.DataFrame:
        """Talks with one technician that have jobs on both sides."""
        return self._talks_by.get(technician_id, self.talks[:0])

    @cached_property
    def _talks_by(self) -> dict[str, pl.DataFrame]:
        return split(self.talks, "technician_id")

    def jobs_in_year(self, technician_id: str) -> int:
        """Evacuations of one technician in the month under review and the twelve before."""
        return self._jobs.get(technician_id, 0)

    @cached_property
    def _jobs(self) -> dict[str, int]:
        done = self.work.filter(pl.col("month").is_in(self.months)).group_by(f"{PEOPLE}_id").len()
        return dict(done.iter_rows())
