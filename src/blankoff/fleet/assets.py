"""All findings about pumps, hoses, gauges and rigging, and the oil forecast: one call for a day of knowledge."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff import schemas
from blankoff.fleet.asset_charts import asset_charts
from blankoff.fleet.attribution import Attribution
from blankoff.fleet.gauge_rises import gauge_rises
from blankoff.fleet.gauge_speeds import gauge_speeds
from blankoff.fleet.gauges import gauges_off
from blankoff.fleet.hoses import hoses_leaking, hoses_restricted
from blankoff.fleet.oil import PumpOutlook, forecast_frame, outlooks
from blankoff.fleet.oil_changes import settled_rows
from blankoff.fleet.oil_cost import least_cost
from blankoff.fleet.oil_kernels import FRESH
from blankoff.fleet.oil_model import blankoff_at_uses, fit_fleet, leaks_at_uses
from blankoff.fleet.pump_side import pump_side_floors
from blankoff.fleet.pump_side_causes import FloorCauses, find_causes, misreadings
from blankoff.fleet.rigging import slow_rigging
from blankoff.fleet.wear import (
    LEAST_GAIN,
    MOST_EVIDENCE,
    RIVAL_MARGIN,
    AssetLevel,
    asset_levels,
    candidate_frame,
    pumps_worn,
)
from blankoff.fleet.wear_causes import SpeedCauses, find_shifts, rough_shifts
from blankoff.fleet.wear_days import renewal_days, to_date
from blankoff.fleet.wear_speeds import speed_table
from blankoff.settings import Settings

__all__ = ["AssetAssessment", "AssetCauses", "assess_assets", "asset_causes"]

Floats = NDArray[np.float64]

FAR_LN = 0.2
"""From how large a loss, ln, a pump or hose set is expected to differ when the whole fleet is weighed (judgement)."""
SLOW_LN = 0.1
"""From how large a loss, ln, a technician is expected to differ when the whole fleet is weighed (judgement)."""
FEWEST_ELSEWHERE = 3
"""Jobs with other hose sets than the usual one from which a technician is expected to differ (judgement)."""
OIL_DUE_PROBABILITY = 0.9
"""How probable it must be that blank-off is above the limit and fresh oil would be below it (of those said at 0.7 in four fleets
of two simulators a fifth were not; what is over grows on, and is said a few weeks later)."""


@dataclass(frozen=True)
class AssetCauses:
    """What is laid on every asset before the whole fleet is weighed: on floors, on speeds, and their charts."""

    floors: FloorCauses
    speeds: SpeedCauses
    charts: pl.DataFrame
    renewals: dict[str, dict[str, list[float]]]
    """Days of renewing work by factor and id."""

    def fallen_gear(self) -> dict[str, dict[str, tuple[Floats, Floats]]]:
        """Days and ln levels of pumps and hose sets that surely lost much, by factor and id; nothing after renewing work.

        Only of those whose rivals on the same jobs explain them clearly less well.
        """
        found: dict[str, dict[str, tuple[Floats, Floats]]] = {"pump": {}, "hose": {}}
        days = self.speeds.table.day
        for shift in sorted(self.speeds.shifts, key=lambda s: (s.factor, s.level_id, s.spell)):
            rival = max((gain for _, _, gain in shift.rivals), default=-np.inf)
            sure = shift.gain >= LEAST_GAIN.get(shift.factor, np.inf) and shift.gain > rival + RIVAL_MARGIN
            if shift.factor not in found or not sure or shift.level.min() > -FAR_LN:
                continue
            done = np.array(self.renewals[shift.factor].get(shift.level_id, []))
            before = found[shift.factor].get(shift.level_id, (done, np.zeros(len(done))))
            day = np.append(before[0], days[shift.rows])
            order = np.argsort(day, kind="stable")
            level = np.append(before[1], np.minimum(shift.level, 0.0))
            found[shift.factor][shift.level_id] = (day[order], level[order])
        return found

    def slow_people(self) -> dict[str, float]:
        """Ln deep speed of the middle rig as they rig it, of technicians of whom that is surely less than others'.

        Only of those who worked with several hose sets: a line that chokes looks much the same.
        """
        hoses = self.speeds.table.ids["hose"]
        slow = {}
        for shift in self.speeds.shifts:
            if shift.factor != "technician" or shift.gain < LEAST_GAIN["technician"] or shift.level[0] >= -SLOW_LN:
                continue
            met = Counter(hoses[i] for i in shift.rows)
            if shift.rows.size - max(met.values()) >= FEWEST_ELSEWHERE:
                slow[shift.level_id] = float(shift.level[0])
        return slow


def asset_causes(work: pl.DataFrame, registers: Mapping[str, pl.DataFrame], as_of: date) -> AssetCauses:
    """Lay floors and speeds on pumps, hose sets, gauges and technicians, asset by asset.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame, from `blankoff.fleet.work.build_work`.
    registers : mapping of name to DataFrame
        ``services`` is used; a missing register counts as empty.
    as_of : date
        Nothing later is used.
    """
    known = work.filter(pl.col("started_on") <= as_of)
    services = registers.get("services", schemas.SERVICES.empty()).filter(pl.col("serviced_on") <= as_of)
    rows = settled_rows(known, services, pump_side_floors(known), as_of)
    renewals = {f: renewal_days(services, f, as_of) for f in ("pump", "hose", "gauge")}
    # Speeds bear witness of gauges, and gauges that are off tell what speeds are worth: roughly first, then in full.
    rough = rough_shifts(speed_table(known, blankoff_at_uses(fit_fleet(rows, free_fillings=False))), renewals)
    rises, falls = gauge_rises(known), gauge_speeds(rough)
    witnesses = {g: [w[g] for w in (rises, falls) if g in w] for g in sorted({*rises, *falls})}
    floors = find_causes(rows, renewals["hose"], renewals["gauge"], witnesses)
    table = speed_table(
        known,
        blankoff_at_uses(floors.fleet),
        leaks_at_uses(floors.fleet),
        misreadings(floors, known, renewals["gauge"]),
    )
    speeds = find_shifts(table, renewals, rough)
    return AssetCauses(floors, speeds, asset_charts(speeds, renewals, as_of), renewals)


@dataclass(frozen=True)
class AssetAssessment:
    """What the fleet's history says of its gear.

    Attributes
    ----------
    candidates : DataFrame
        `findings.CANDIDATE_SCHEMA`.
    oil_forecast : DataFrame
        Contract table ``oil_forecast`` and more, see `oil.FORECAST_SCHEMA`.
    not_made : list of (kind, why)
        Findings that could not be looked for, and what was missing.
    causes : FloorCauses
        The oils as fitted, and the causes laid on the floors.
    outlooks : list of PumpOutlook
    speeds : SpeedCauses
        Speeds as fitted, and the levels laid on pumps, hose sets, technicians and gauges.
    charts : DataFrame
        `asset_charts.CHART_SCHEMA`.
    """

    candidates: pl.DataFrame
    oil_forecast: pl.DataFrame
    not_made: list[tuple[str, str]]
    causes: FloorCauses
    outlooks: list[PumpOutlook]
    speeds: SpeedCauses
    charts: pl.DataFrame


def assess_assets(
    work: pl.DataFrame,
    registers: Mapping[str, pl.DataFrame],
    attribution: Attribution,
    settings: Settings,
    as_of: date,
    found: AssetCauses | None = None,
) -> AssetAssessment:
    """Judge every pump, hose set and gauge, every technician's rigging, and every pump's oil.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame, from `blankoff.fleet.work.build_work`.
    registers : mapping of name to DataFrame
        ``services`` is used; a missing register counts as empty and is named in ``not_made``.
    attribution : Attribution
        From `blankoff.fleet.attribution.attribute`, for the same day.
    settings : Settings
    as_of : date
        Nothing later is used.
    found : AssetCauses, optional
        From `asset_causes` for the same day, where they are at hand.
    """
    known = work.filter(pl.col("started_on") <= as_of)
    services = registers.get("services", schemas.SERVICES.empty()).filter(pl.col("serviced_on") <= as_of)
    found = found or asset_causes(work, registers, as_of)
    causes, speeds, charts = found.floors, found.speeds, found.charts
    hose_work, gauge_work = found.renewals["hose"], found.renewals["gauge"]
    looks = outlooks(causes.fleet, settings, as_of)
    forecast = forecast_frame(looks, least_cost(looks, known, settings, as_of), settings, as_of)

    def levels(factor: str) -> list[AssetLevel]:
        return asset_levels(speeds, services, settings, factor, as_of, charts)

    candidates = [
        pumps_worn(levels("pump"), attribution, settings),
        _oil_due(looks, settings),
        hoses_leaking(causes, attribution, hose_work, as_of),
        hoses_restricted(levels("hose"), attribution, settings),
        gauges_off(causes, attribution, gauge_work, settings, as_of),
        slow_rigging(levels("technician"), attribution, settings),
    ]
    return AssetAssessment(pl.concat(candidates), forecast, _not_made(known, registers), causes, looks, speeds, charts)


def _oil_due(looks: list[PumpOutlook], settings: Settings) -> pl.DataFrame:
    """Candidates ``oil_due``: blank-off above the limit, and a fresh filling would be below it."""
    limit = settings.maintenance.blankoff_limit_micron
    rows: list[dict[str, object]] = []
    for o in looks:
        over = float(np.mean(o.blankoff > limit))
        helps = float(np.mean(np.exp(o.theta[:, FRESH]) < limit))
        if over * helps < OIL_DUE_PROBABILITY or o.rows.y.size == 0:
            continue
        oil = o.rows.oil
        fill, _, _ = oil.now()
        crossed = o.due_day[o.blankoff > limit]
        used = [e for e, k in zip(o.rows.evacuation_id, o.rows.fill, strict=True) if k == fill]
        low, middle, high = np.quantile(o.blankoff, [0.05, 0.5, 0.95])
        rows.append(
            {
                "kind": "oil_due",
                "subject_id": oil.pump_id,
                "episode": to_date(oil.changes[-1]).isoformat() if oil.changes.size else "first",
                "since": to_date(float(np.median(crossed))),
                "probability": min(over * helps, 0.99),
                "effect": float(middle),
                "effect_lower": float(low),
                "effect_upper": float(high),
                "unit": "microns",
                "evidence": used[-MOST_EVIDENCE:],
                "entangled_with": [],
            }
        )
    return candidate_frame(rows)


NEEDS = {
    "pump_worn": ("viscous_rate_per_s", "speeds"),
    "oil_due": ("floor_micron", "pumped floors"),
    "hose_leaking": ("floor_micron", "pumped floors"),
    "hose_restricted": ("deep_rate_per_s", "deep speeds"),
    "gauge_off": ("floor_micron", "pumped floors"),
    "slow_rigging": ("deep_rate_per_s", "deep speeds"),
}
FACTOR_OF = {"hose_leaking": "hose_id", "hose_restricted": "hose_id", "gauge_off": "gauge_id"}


def _not_made(work: pl.DataFrame, registers: Mapping[str, pl.DataFrame]) -> list[tuple[str, str]]:
    """Say which kinds could not be looked for, or only half, and for want of what."""
    out = []

    def empty(column: str) -> bool:
        return column not in work.columns or work[column].null_count() == work.height

    for kind, (column, words) in NEEDS.items():
        factor = FACTOR_OF.get(kind)
        if empty(column):
            out.append((kind, f"no evacuation gave {words}"))
        elif factor is not None and empty(factor):
            out.append((kind, f"no evacuation names its {factor.removesuffix('_id')}"))
    if registers.get("services", schemas.SERVICES.empty()).is_empty():
        out.append(("oil_due", "no services on record: hours are counted as if the oil had never been changed"))
    if empty("bore_mm"):
        out.append(
            ("hose_restricted", "no hose's bore on record: hoses are compared with each other, not with their bore")
        )
    return out
