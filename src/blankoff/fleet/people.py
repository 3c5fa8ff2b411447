"""Which technicians to coach in what, how sure that is, and what earlier talks changed. Coaching, not blame."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from blankoff.fleet.practice import (
    DENOMINATOR,
    FAULT_KINDS,
    FaultRate,
    counts_of,
    fault_events,
    fault_rates,
    like_work_rates,
    with_rig,
)
from blankoff.fleet.rates import RATE_GRID, UNSURE, rate_prior, standing_rate
from blankoff.schemas import PolarsType
from blankoff.settings import FleetModels

FINDING_FAULTS = ("skipped", "short", "stopped_early", "overclaimed")
_SURE_SHARE = 0.5
"""A rate above like work's by less than this share of what is material counts as no excess; this project's own judgement, no
source. Small excesses come and go: whoever skipped one job in ten by chance is no habitual skipper."""
RECOGNISED = {"stopped_early": 0.7}
"""Share of a fault's jobs whose logs show it; all of the others'.  Of pulls that were stopped early a third end where they might
have ended anyhow: 0.66 to 0.77 were recognised in four fleets."""
LEAST_FAULTS = 3
"""Fewer than this is no habit yet; own judgement, no source."""
MOST_EVIDENCE = 40

HABIT_SCHEMA: dict[str, PolarsType] = {
    "kind": pl.String,
    "technician_id": pl.String,
    "since": pl.Date,
    "probability": pl.Float64,
    "rate": pl.Float64,
    "peers": pl.Float64,
    "excess": pl.Float64,
    "excess_lower": pl.Float64,
    "excess_upper": pl.Float64,
    "jobs": pl.Int64,
    "faults": pl.Int64,
    "changed": pl.Boolean,
    "found": pl.Boolean,
    "evidence": pl.List(pl.String),
}
TALK_SCHEMA: dict[str, PolarsType] = {
    "coached_on": pl.Date,
    "technician_id": pl.String,
    "topic": pl.String,
    "jobs_before": pl.Int64,
    "jobs_after": pl.Int64,
    "rate_before": pl.Float64,
    "rate_after": pl.Float64,
    "change": pl.Float64,
    "change_lower": pl.Float64,
    "change_upper": pl.Float64,
    "peers_change": pl.Float64,
    "p_improved": pl.Float64,
}


def began_on(rate: FaultRate) -> tuple[date, bool]:
    """When the present standing rate began: (day, whether it changed at all rather than held from the first job)."""
    weight = rate.posterior.change_weight.copy()
    days = rate.jobs["started_on"].to_list()
    rose = rate.posterior.before_mean < rate.posterior.mean
    rose[0] = False
    risen = np.where(rose, weight, 0.0)
    if risen.sum() <= 0.5:
        return days[0], False
    middle = int(np.searchsorted(np.cumsum(risen) / risen.sum(), 0.5))
    return days[min(middle, len(days) - 1)], True


def select_discoveries(not_true: np.ndarray, level: float) -> np.ndarray:
    """Pick the surest candidates such that the expected share of false ones stays at or below ``level``.

    Parameters
    ----------
    not_true
        ``(n,)`` probability that each candidate is false (its local false-discovery rate).
    level
        Wanted false-discovery rate.

    Returns
    -------
    ndarray
        ``(n,)`` bool.

    Notes
    -----
    The mean of the local rates of those picked bounds the share of false ones (Bayesian false-discovery control;
    Efron, "Large-Scale Inference", 2010; from memory).
    """
    order = np.argsort(not_true, kind="stable")
    running = np.cumsum(not_true[order]) / np.arange(1, not_true.size + 1)
    picked = np.zeros(not_true.size, dtype=bool)
    good = np.flatnonzero(running <= level)
    if good.size:
        picked[order[: good[-1] + 1]] = True
    return picked


def material_excess(fault: str, settings: FleetModels) -> float:
    """Excess over like work, a share of jobs as they show in logs, from which on a habit matters."""
    excess = settings.material_claim_excess if fault == "overclaimed" else settings.material_rate_excess
    return RECOGNISED.get(fault, 1.0) * excess


def habits(work: pl.DataFrame, coaching: pl.DataFrame, settings: FleetModels, as_of: date) -> pl.DataFrame:
    """Every technician's excess over like work, each kind, with the false-discovery rate held over all of them.

    Parameters
    ----------
    work
        The fleet's work frame; jobs after ``as_of`` are not used.
    coaching
        Register ``coaching``.

    Returns
    -------
    pl.DataFrame
        Columns of `HABIT_SCHEMA`, one row per technician and kind, sorted; ``found`` marks what is both sure and
        material; ``probability`` is that of an excess over like work
        by half of what is material; ``excess`` and its bounds are shares of jobs.
    """
    events = fault_events(work)
    tail = (1 - settings.bounds_level) / 2
    rows: list[dict[str, object]] = []
    for fault in FINDING_FAULTS:
        # A van whose holds show nothing has many a log that shows either: nobody is named by those.
        clear = events.filter(pl.col("skipped") != UNSURE) if fault == "skipped" else events
        for technician, rate in fault_rates(clear, coaching, fault, as_of).items():
            since, changed = began_on(rate)
            recent = rate.jobs.filter(pl.col("started_on") >= since)
            evidence = recent.filter(pl.col("fault") == 1)["evacuation_id"].to_list()
            rows.append(
                {
                    "kind": FAULT_KINDS[fault],
                    "technician_id": technician,
                    "since": since,
                    "probability": rate.posterior.above(rate.peers + _SURE_SHARE * material_excess(fault, settings)),
                    "rate": rate.posterior.mean,
                    "peers": rate.peers,
                    "excess": rate.posterior.mean - rate.peers,
                    "excess_lower": rate.posterior.quantile(tail) - rate.peers,
                    "excess_upper": rate.posterior.quantile(1 - tail) - rate.peers,
                    "jobs": recent.height,
                    "faults": len(evidence),
                    "changed": changed,
                    "evidence": evidence[-MOST_EVIDENCE:],
                }
            )
    frame = pl.DataFrame(rows, schema={k: v for k, v in HABIT_SCHEMA.items() if k != "found"})
    if frame.is_empty():
        return pl.DataFrame(schema=HABIT_SCHEMA)
    least = frame["kind"].replace_strict(
        {FAULT_KINDS[fault]: material_excess(fault, settings) for fault in FINDING_FAULTS}
    )
    material = ((frame["excess"] >= least) & (frame["faults"] >= LEAST_FAULTS)).to_numpy()
    not_true = 1.0 - frame["probability"].to_numpy()
    sure = np.zeros(frame.height, dtype=bool)
    sure[material] = select_discoveries(not_true[material], settings.false_discovery_rate)
    sure &= frame["probability"].to_numpy() >= settings.finding_probability
    return frame.with_columns(pl.Series("found", sure)).select(list(HABIT_SCHEMA)).sort("kind", "technician_id")


def talk_effects(work: pl.DataFrame, coaching: pl.DataFrame, settings: FleetModels, as_of: date) -> pl.DataFrame:
    """What each talk changed: the rate before and after it, against what changed for peers meanwhile.

    Returns
    -------
    pl.DataFrame
        Columns of `TALK_SCHEMA`, one row per talk whose topic is a rate this package follows and that has jobs on
        both sides; ``change`` is after minus before (negative = better), with bounds; ``p_improved`` the probability
        that the rate fell by more than peers' did.
    """
    fault_of = {topic: fault for fault, topic in FAULT_KINDS.items() if fault != "target_missed"}
    events = fault_events(work).filter(pl.col("started_on") <= as_of)
    tail = (1 - settings.bounds_level) / 2
    rows: list[dict[str, object]] = []
    talks = coaching.filter((pl.col("coached_on") <= as_of) & pl.col("topic").is_in(list(fault_of)))
    for fault in sorted(set(fault_of.values())):
        column = {"any": None}.get(DENOMINATOR.get(fault, "owed"), DENOMINATOR.get(fault, "owed"))
        known = events if column is None else events.filter(pl.col(column) == 1)
        topical = talks.filter(pl.col("topic") == FAULT_KINDS[fault]).sort("technician_id", "coached_on")
        if topical.is_empty() or known.is_empty():
            continue
        totals = known.group_by("technician_id").agg(counts_of(fault)).sort("technician_id")
        prior = rate_prior(*(totals[name].to_numpy() for name in ("y", "n", "unsure")))
        predicted = known.select("technician_id", "started_on").with_columns(
            pl.Series("p", like_work_rates(with_rig(known), fault, topical["technician_id"].to_list()))
        )
        for technician, day in topical.select("technician_id", "coached_on").iter_rows():
            own = known.filter(pl.col("technician_id") == technician)
            others = topical.filter(pl.col("technician_id") == technician)["coached_on"].to_list()
            start = max((d for d in others if d < day), default=date.min)
            end = min((d for d in others if d > day), default=date.max)
            before = own.filter(pl.col("started_on").is_between(start, day, closed="left"))
            after = own.filter(pl.col("started_on").is_between(day, end, closed="left"))
            if before.is_empty() or after.is_empty():
                continue
            one, two = (standing_rate(x[fault].to_numpy(), prior) for x in (before, after))
            difference = (RATE_GRID[None, :] - RATE_GRID[:, None]).ravel()
            weight = (one.density[:, None] * two.density[None, :]).ravel()
            order = np.argsort(difference, kind="stable")
            cumulated = np.cumsum(weight[order])
            bounds = [
                float(difference[order][min(int(np.searchsorted(cumulated, q)), order.size - 1)])
                for q in (tail, 1 - tail)
            ]
            peers = predicted.filter(pl.col("technician_id") != technician)
            sides = [
                peers.filter(pl.col("started_on").is_between(a, b, closed="left"))["p"].mean()
                for a, b in ((start, day), (day, end))
            ]
            peers_change = float(sides[1]) - float(sides[0]) if None not in sides else 0.0  # type: ignore[arg-type]
            rows.append(
                {
                    "coached_on": day,
                    "technician_id": technician,
                    "topic": FAULT_KINDS[fault],
                    "jobs_before": before.height,
                    "jobs_after": after.height,
                    "rate_before": one.mean,
                    "rate_after": two.mean,
                    "change": two.mean - one.mean,
                    "change_lower": bounds[0],
                    "change_upper": bounds[1],
                    "peers_change": peers_change,
                    "p_improved": float(weight[difference < min(peers_change, 0.0)].sum()),
                }
            )
    return pl.DataFrame(rows, schema=TALK_SCHEMA).sort("coached_on", "technician_id", "topic")
