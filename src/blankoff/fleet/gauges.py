"""Gauges that read lastingly high or low against the fleet."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
from scipy.stats import norm

from blankoff.fleet.attribution import Attribution
from blankoff.fleet.pump_side import GUESSED_LOAD_SE_LN
from blankoff.fleet.pump_side_causes import Cause, FloorCauses, floor_rows_for
from blankoff.fleet.wear import MOST_EVIDENCE, candidate_frame, ties
from blankoff.fleet.wear_days import day_number, episode_of, to_date
from blankoff.settings import Settings

__all__ = ["gauges_off"]

PRIOR_OFF = 0.06
"""Share of gauges that are off at a time (judgement)."""
WANTED = 0.9
FEWEST_ROWS = 15
"""Floors read since it began; a few may all be of one filling."""
FEWEST_BEFORE, GAIN_WITHOUT = 12, 20.0
"""Floors read before it began; with fewer the gauge was never seen sound, and is told only against its pumps' plates and
blank-offs as modelled, which are wrong by as much now and then: then so much gain is wanted (judgement)."""
FEWEST_KNOWN, LEAST_KNOWN = 8, 0.3
"""Floors since then whose load a hold has shown, and their share; on guessed loads alone no gauge is called off (judgement)."""


def gauges_off(
    causes: FloorCauses, attribution: Attribution, renewals: dict[str, list[float]], settings: Settings, as_of: date
) -> pl.DataFrame:
    """Candidates ``gauge_off``: one factor on every floor the gauge reads, whatever the pump.

    Parameters
    ----------
    causes : FloorCauses
        From `pump_side_causes.find_causes`.
    attribution : Attribution
    renewals : mapping of gauge_id to days
        Calibrations and repairs that end a spell.
    settings : Settings
        ``fleet.gauge_off_ratio``.
    as_of : date

    Returns
    -------
    DataFrame
        `findings.CANDIDATE_SCHEMA`; ``effect`` is reading over truth.
    """
    tied = ties(attribution, "gauge", "floor")
    limit = settings.fleet.gauge_off_ratio
    rows: list[dict[str, object]] = []
    days: dict[str | None, list[float]] = {}
    for r in causes.fleet.rows:
        for gauge, day in zip(r.gauge_id, r.day.tolist(), strict=True):
            days.setdefault(gauge, []).append(day)
    for cause in causes.causes:
        done = [d for d in renewals.get(cause.level_id, []) if d <= day_number(as_of)]
        if cause.factor != "gauge" or cause.spell < len(done):
            continue
        edge = float(np.log1p(limit) if cause.size > 0 else -np.log1p(-limit))
        seen_sound = _floors_before(cause, days.get(cause.level_id, []), done, edge) >= FEWEST_BEFORE
        if not seen_sound and cause.gain < GAIN_WITHOUT:
            continue
        if len(cause.rows) < FEWEST_ROWS or _shares_rows(cause, causes):
            continue
        known = _known_loads(cause, causes)
        if known < FEWEST_KNOWN or known < LEAST_KNOWN * len(cause.rows):
            continue
        odds = cause.gain + np.log(PRIOR_OFF / (1 - PRIOR_OFF))
        real = 1.0 / (1.0 + np.exp(-np.clip(odds, -30, 30)))
        beyond = norm.sf((edge - abs(cause.size)) / max(cause.size_se, 1e-6))
        probability = float(real * beyond)
        if probability < 0.5 or real < WANTED:
            continue
        since = to_date(_since(cause, causes, edge))
        low, high = cause.size - 1.645 * cause.size_se, cause.size + 1.645 * cause.size_se
        rows.append(
            {
                "kind": "gauge_off",
                "subject_id": cause.level_id,
                "episode": episode_of(done, day_number(since)),
                "since": since,
                "probability": min(probability, 0.99),
                "effect": float(np.exp(cause.size)),
                "effect_lower": float(np.exp(low)),
                "effect_upper": float(np.exp(high)),
                "unit": "reading over the fleet's",
                "evidence": floor_rows_for(causes.fleet.rows, cause)[-MOST_EVIDENCE:],
                "entangled_with": tied.get(cause.level_id, []),
            }
        )
    return candidate_frame(rows)


def _since(cause: Cause, causes: FloorCauses, edge: float) -> float:
    """Day on which a gauge was beyond the limit: that of a step, or the first use at which a drift had come so far."""
    beyond = np.flatnonzero(np.abs(cause.size) * np.array(cause.share) >= edge)
    if cause.share[0] >= 1.0 or beyond.size == 0:
        return cause.since_day
    p, i = cause.rows[int(beyond[0])]
    return max(cause.since_day, float(causes.fleet.rows[p].day[i]))


def _floors_before(cause: Cause, days: list[float], done: list[float], edge: float) -> int:
    """How many floors the gauge had read in this spell before it went off, of all it read on some days.

    One that drifts is sound half-way to the limit.
    """
    begin = done[cause.spell - 1] if cause.spell else -np.inf
    before = sum(begin <= day < cause.since_day for day in days)
    small = np.abs(cause.size) * np.array(cause.share) < 0.5 * edge
    return int(before) + (int(small.sum()) if cause.share[0] < 1.0 else 0)


def _shares_rows(cause: Cause, causes: FloorCauses) -> bool:
    """Whether another cause holds up most of these very floors: then which is to blame is not settled."""
    mine = set(cause.rows)
    return any(len(mine & set(c.rows)) > 0.5 * len(mine) for c in causes.causes if c is not cause)


def _known_loads(cause: Cause, causes: FloorCauses) -> int:
    """How many of a cause's floors have a load that a hold has shown."""
    return len([i for p, i in cause.rows if causes.fleet.rows[p].load_se[i] < GUESSED_LOAD_SE_LN])
