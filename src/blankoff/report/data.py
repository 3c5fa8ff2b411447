"""What the pages are made from: frames and a way to fetch one log, never the store."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from blankoff import schemas
from blankoff.samples import SampleBatch
from blankoff.settings import Settings

F, I, S = pl.Float64, pl.Int64, pl.String  # noqa: E741

MONTHLY_SCHEMA: dict[str, Any] = {
    "factor": S,
    "level_id": S,
    "month": S,
    "measure": S,
    "ratio": F,
    "ratio_lower": F,
    "ratio_upper": F,
    "n": I,
}
"""One row per asset or technician, month and measure: the adjusted level of that month, 1.0 = the fleet's middle."""

HOURS_LOST_SCHEMA: dict[str, Any] = {
    "month": S,
    "factor": S,
    "level_id": S,
    "evacuations": I,
    "pumped_hours": F,
    "hours_lost": F,
    "hours_lower": F,
    "hours_upper": F,
    "cost": F,
    "separable": pl.Boolean,
}
"""One row per asset or technician and month: hours beyond a typical rig on the same circuits, and their cost."""

PROOF_LOST_SCHEMA: dict[str, Any] = {"month": S, "technician_id": S, "habit": S, "evacuations": I, "pumped_hours": F}
"""One row per month, technician and habit: pumped hours that ended without proof."""

TALK_SCHEMA: dict[str, Any] = {
    "coached_on": pl.Date,
    "technician_id": S,
    "topic": S,
    "jobs_before": I,
    "jobs_after": I,
    "rate_before": F,
    "rate_after": F,
    "change": F,
    "change_lower": F,
    "change_upper": F,
    "peers_change": F,
    "p_improved": F,
}
"""One row per talk that has jobs on both sides: the rate before and after, and what changed for peers meanwhile."""

BACKTEST_SCHEMA: dict[str, Any] = {
    "origin": pl.Date,
    "pump_id": S,
    "limit_micron": F,
    "due_on": pl.Date,
    "due_lower": pl.Date,
    "due_upper": pl.Date,
    "came_on": pl.Date,
    "changed_on": pl.Date,
    "days_ahead": I,
    "error_days": I,
    "covered": pl.Boolean,
}
"""One row per past month's end, pump and limit: what was forecast then, and what came; see ``fleet.backtest``."""

COVERAGE_SCHEMA: dict[str, Any] = {"item": S, "handed_in": I, "used": I, "refused": I}
"""One row per kind of input (``log files``, then each register): the counts add up."""

LOG_KEYS_SCHEMA: dict[str, Any] = {"evacuation_id": S, "log_key": S}
"""One row per evacuation with readings: a hash of their log's content."""


def empty_frame(schema: Mapping[str, Any]) -> pl.DataFrame:
    """Return a frame of no rows with these columns."""
    return pl.DataFrame(schema=dict(schema))


def conform(frame: pl.DataFrame, schema: Mapping[str, Any]) -> pl.DataFrame:
    """Cast to a schema; a missing column becomes null, an extra one stays behind the known ones."""
    if not frame.width:  # a table that an older store does not have: literals alone would make a row
        return empty_frame(schema)
    known = [
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(dtype).alias(name)
        for name, dtype in schema.items()
    ]
    return frame.select(*known, *[c for c in frame.columns if c not in schema])


def no_log(evacuation_id: str) -> SampleBatch:
    """Stand in for a store that holds no logs: every evacuation has an empty batch."""
    return SampleBatch.concat([])


def no_haste(evacuation_ids: Sequence[str]) -> None:
    """Stand in for a store that fetches every log when it is asked for."""


@dataclass(frozen=True)
class MonthData:
    """All that the pages of one month need.

    Parameters
    ----------
    month
        The month under review, ``YYYY-MM``.
    as_of
        Only what was known on this day went into the findings.
    settings
        The fleet's settings: units, time zone, limits, costs.
    work
        ``fleet.work.build_work``'s frame: one row per evacuation up to ``as_of``, all months, group columns filled.
    phase, effect, oil_forecast, practice, quarantine
        The contract's tables; ``effect`` and ``oil_forecast`` may hold several ``as_of``, the newest up to ours counts.
    finding
        The contract's table, for this ``as_of`` and earlier ones (they tell what opened and what closed).
    registers
        Register frames by name, as far as the fleet has them.
    monthly
        Columns `MONTHLY_SCHEMA`.
    hours_lost
        Columns `HOURS_LOST_SCHEMA`; negative hours were won.
    proof_lost
        Columns `PROOF_LOST_SCHEMA`.
    talks
        Columns `TALK_SCHEMA`.
    coverage
        Columns `COVERAGE_SCHEMA`.
    backtest
        Columns `BACKTEST_SCHEMA`.
    group_summary
        ``fleet.groups``' summary of outcome groups (``group_id, unexplained`` are used); may be empty.
    log_keys
        Columns `LOG_KEYS_SCHEMA`: tells whether the readings of an evacuation are still those they were.
    load_log
        Evacuation id → its readings as a batch of one (``keys[0]`` is the log's content hash); an empty batch or a
        ``LookupError`` when there is none.
    read_ahead
        Is told which evacuations' readings are wanted next, so that they can be fetched at once.
    not_made
        ``(finding kinds or estimates parted by commas, why)`` for what could not be made from this fleet's input.
    swap_plan
        Sentences on exchanges of equipment between vans that would tell apart what now travels together.
    """

    month: str
    as_of: dt.date
    settings: Settings
    work: pl.DataFrame
    phase: pl.DataFrame = field(default_factory=schemas.PHASE.empty)
    finding: pl.DataFrame = field(default_factory=schemas.FINDING.empty)
    effect: pl.DataFrame = field(default_factory=schemas.EFFECT.empty)
    oil_forecast: pl.DataFrame = field(default_factory=schemas.OIL_FORECAST.empty)
    practice: pl.DataFrame = field(default_factory=schemas.PRACTICE.empty)
    quarantine: pl.DataFrame = field(default_factory=schemas.QUARANTINE.empty)
    registers: Mapping[str, pl.DataFrame] = field(default_factory=dict)
    monthly: pl.DataFrame = field(default_factory=lambda: empty_frame(MONTHLY_SCHEMA))
    hours_lost: pl.DataFrame = field(default_factory=lambda: empty_frame(HOURS_LOST_SCHEMA))
    proof_lost: pl.DataFrame = field(default_factory=lambda: empty_frame(PROOF_LOST_SCHEMA))
    talks: pl.DataFrame = field(default_factory=lambda: empty_frame(TALK_SCHEMA))
    coverage: pl.DataFrame = field(default_factory=lambda: empty_frame(COVERAGE_SCHEMA))
    backtest: pl.DataFrame = field(default_factory=lambda: empty_frame(BACKTEST_SCHEMA))
    group_summary: pl.DataFrame = field(default_factory=pl.DataFrame)
    log_keys: pl.DataFrame = field(default_factory=lambda: empty_frame(LOG_KEYS_SCHEMA))
    load_log: Callable[[str], SampleBatch] = no_log
    read_ahead: Callable[[Sequence[str]], None] = no_haste
    not_made: tuple[tuple[str, str], ...] = ()
    swap_plan: tuple[str, ...] = ()


@dataclass(frozen=True)
class EvacuationData:
    """One evacuation, for its page and its sheet.

    Parameters
    ----------
    evacuation_id
        Which one.
    row
        Its row of the work frame, by column name.
    phase
        Its rows of table ``phase``.
    log
        Its readings, a batch of one; an empty batch when there is no log.
    settings
        The fleet's settings.
    register_row
        Its row of the evacuations register, by column name: tells where the criterion comes from.
    names
        Register id → name for people, for the technician.
    findings
        Rows of table ``finding`` that name this evacuation.
    copies
        ``(evacuation id, its readings, when its hold began in s or None)`` of the logs that this one is a copy of, or
        that are copies of it.
    """

    evacuation_id: str
    row: Mapping[str, Any]
    phase: pl.DataFrame
    log: SampleBatch
    settings: Settings
    register_row: Mapping[str, Any] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Mapping[str, Any], ...] = ()
    copies: tuple[tuple[str, SampleBatch, float | None], ...] = ()

    @property
    def phases(self) -> list[dict[str, Any]]:
        """Rows of its phases in order."""
        return sorted(self.phase.iter_rows(named=True), key=lambda p: p["phase_no"])
