"""Everything the fleet's models say as of one day, from frames that hold only what was known on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from blankoff import schemas
from blankoff.fleet.assets import assess_assets, asset_causes
from blankoff.fleet.attribution import attribute
from blankoff.fleet.backtest import backtest_oil, backtest_summary
from blankoff.fleet.groups import outcome_groups
from blankoff.fleet.hours import hours_lost, proof_lost
from blankoff.fleet.monthly import monthly_series
from blankoff.fleet.people import habits, talk_effects
from blankoff.fleet.practice import practice_table
from blankoff.fleet.swap_plan import plan_swaps
from blankoff.settings import Settings

NOT_MADE_SCHEMA = {"what": pl.String, "why": pl.String}

_NEEDS = {
    "systems": ("speed_viscous_l_s, speed_deep_l_s, water_g", "without volumes speeds are known only as rates"),
    "gauges": ("borderline", "without a stated accuracy no verdict can be called borderline"),
    "coaching": ("effects of talks", "no talk is on record"),
}
"""Register → (what it takes away when it is missing or empty, why)."""


@dataclass(frozen=True)
class Assessment:
    """What one assessment gives; every frame is sorted and independent of the order of the input's rows.

    Attributes
    ----------
    effect, oil_forecast, practice
        Tables of the contract.
    candidates
        Frames of `candidates.CANDIDATE_SCHEMA`'s columns that estimators of assets made.
    habits, talks
        From `fleet.people`.
    groups, group_summary
        From `fleet.groups`.
    monthly, hours_lost, proof_lost
        For the pages.
    swap_plan
        Exchanges for next month, best first.
    asset_chart
        From `fleet.asset_charts`: a CUSUM per pump and hose set, limits from the fleet's false-alarm budget.
    oil_backtest, oil_backtest_summary
        From `fleet.backtest`: what past months' ends would have forecast for each pump's oil, and what came of it.
    not_made
        Columns of `NOT_MADE_SCHEMA`.
    """

    as_of: date
    effect: pl.DataFrame
    oil_forecast: pl.DataFrame
    practice: pl.DataFrame
    candidates: pl.DataFrame
    habits: pl.DataFrame
    talks: pl.DataFrame
    groups: pl.DataFrame
    group_summary: pl.DataFrame
    monthly: pl.DataFrame
    hours_lost: pl.DataFrame
    proof_lost: pl.DataFrame
    swap_plan: pl.DataFrame
    asset_chart: pl.DataFrame
    oil_backtest: pl.DataFrame
    oil_backtest_summary: pl.DataFrame
    not_made: pl.DataFrame


def missing_estimates(registers: Mapping[str, pl.DataFrame]) -> list[tuple[str, str]]:
    """Name what cannot be estimated for want of a register, and why."""
    return [
        (what, f"register {name} is missing or empty: {why}")
        for name, (what, why) in _NEEDS.items()
        if registers.get(name, pl.DataFrame()).is_empty()
    ]


def assess_fleet(
    work: pl.DataFrame,
    registers: Mapping[str, pl.DataFrame],
    settings: Settings,
    as_of: date,
    progress: Callable[[str], None] = lambda stage: None,
) -> Assessment:
    """Assess a fleet as of one day.

    Parameters
    ----------
    work
        The fleet's work frame, with nothing later than ``as_of`` in it.
    registers
        Register frames by name, with nothing later than ``as_of`` in them.
    progress
        Called with a plain name of each stage as it begins.
    """
    # One BLAS thread: the same digits on any machine, and no spinning beside threads of our own.
    with threadpool_limits(limits=1, user_api="blas"):
        return _assess(work, registers, settings, as_of, progress)


def _assess(
    work: pl.DataFrame,
    registers: Mapping[str, pl.DataFrame],
    settings: Settings,
    as_of: date,
    progress: Callable[[str], None],
) -> Assessment:
    coaching = registers.get("coaching", schemas.COACHING.empty())
    services = registers.get("services", schemas.SERVICES.empty())
    rules = settings.fleet
    month = as_of.strftime("%Y-%m")
    progress("looking for what changed or stands out")
    found = asset_causes(work, registers, as_of)
    progress("telling pumps, hoses, gauges and technicians apart")
    attribution = attribute(work, services, settings, as_of, coaching, found.slow_people(), found.fallen_gear())
    progress("judging pumps, oil, hoses and gauges")
    assets = assess_assets(work, registers, attribution, settings, as_of, found)
    progress("testing the oil forecast on past months")
    backtest = backtest_oil(work, services, settings, as_of, assets.causes)
    progress("following practice")
    practice = practice_table(work, coaching, rules, as_of)
    people = habits(work, coaching, rules, as_of)
    progress("grouping outcomes")
    grouping = outcome_groups(work, rules.seed)
    return Assessment(
        as_of=as_of,
        effect=attribution.effect,
        oil_forecast=assets.oil_forecast,
        practice=practice,
        candidates=assets.candidates,
        habits=people,
        talks=talk_effects(work, coaching, rules, as_of),
        groups=grouping.members,
        group_summary=grouping.summary,
        monthly=monthly_series(attribution.attributed, work, rules),
        hours_lost=hours_lost(work, attribution.effect, month, settings.maintenance.labour_cost_per_hour),
        proof_lost=proof_lost(work),
        swap_plan=plan_swaps(work, attribution).table,
        asset_chart=assets.charts,
        oil_backtest=backtest,
        oil_backtest_summary=backtest_summary(backtest),
        not_made=pl.DataFrame(
            [*missing_estimates(registers), *assets.not_made], schema=NOT_MADE_SCHEMA, orient="row"
        ).unique(maintain_order=True),
    )
