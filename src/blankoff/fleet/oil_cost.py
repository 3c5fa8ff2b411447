"""The change of oil that costs least: labour lost to a rising blank-off against the price of fresh oil.

With blank-off ``B`` the pressure falls from ``a`` towards a target ``t`` in a time proportional to
``ln((a - B) / (t - B))``; tired oil stretches the deep stage by that over the same with fresh oil.  Cost per hour run
over a filling's life is least where the loss of the last hour equals the mean cost so far (renewal-reward; Barlow and
Proschan, "Mathematical theory of reliability", 1965, ch. 4; from memory).
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.oil import PumpOutlook
from blankoff.fleet.oil_kernels import BY_HOURS, BY_WATER, FRESH, HEAD, POWER
from blankoff.settings import Settings

__all__ = ["deep_stage_stretch", "least_cost"]

Floats = NDArray[np.float64]

DEEP_FROM_MICRON = 2000.0
"""Where the deep stage begins for this account (judgement)."""
LONGEST_STRETCH = 6.0
"""Nobody waits longer than so many times the usual: the job is broken off (judgement)."""
DEEP_SHARE = 0.5
"""Share of pumping that is the deep stage where logs do not tell (judgement)."""
HORIZON_HOURS = 400.0


def deep_stage_stretch(blankoff_micron: Floats, fresh_micron: float, target_micron: float) -> Floats:
    """Deep stage with tired oil over that with fresh oil, at least 1."""
    room = np.maximum(target_micron - np.asarray(blankoff_micron), 0.02 * target_micron)
    tired = np.log((DEEP_FROM_MICRON - np.minimum(blankoff_micron, 0.9 * target_micron)) / room)
    fresh = np.log((DEEP_FROM_MICRON - fresh_micron) / max(target_micron - fresh_micron, 0.02 * target_micron))
    return np.asarray(np.clip(tired / fresh, 1.0, LONGEST_STRETCH))


def least_cost(looks: list[PumpOutlook], work: pl.DataFrame, settings: Settings, as_of: date) -> pl.DataFrame:
    """Day on which changing each pump's oil costs least, and what a week of waiting costs now.

    Returns
    -------
    DataFrame
        ``pump_id, least_cost_on, cost_of_waiting_per_week``: the latter is this week's labour lost to the oil's state,
        in the fleet's money. A day already past is given as ``as_of``; null where the pump does not work.
    """
    target = settings.acceptance.target_micron
    if "required_target_micron" in work.columns and work.height:
        middle = work["required_target_micron"].cast(pl.Float64).drop_nulls().median()
        target = float(middle) if isinstance(middle, float) else target
    labour, oil = settings.maintenance.labour_cost_per_hour, settings.maintenance.oil_change_cost
    ahead = np.linspace(0.0, HORIZON_HOURS, 801)
    rows = []
    for o in looks:
        theta, pace = o.fit.theta, o.pace
        fill, hours, water = o.rows.oil.now()
        per_hour = pace.water_per_day / max(pace.hours_per_day, 1e-9)
        fresh = float(np.exp(theta[FRESH]))

        def lost(run: Floats, grams: Floats, factor: float, theta: Floats = theta, fresh: float = fresh) -> Floats:
            """Money lost per hour run with oil in this state."""
            grown = np.exp(theta[BY_HOURS]) * (np.maximum(run, 1e-3) / 10.0) ** np.exp(theta[POWER])
            grown = grown + np.exp(theta[BY_WATER]) * grams
            stretch = deep_stage_stretch(fresh + factor * grown, fresh, target)
            return np.asarray(labour * DEEP_SHARE * (1.0 - 1.0 / stretch))

        usual = lost(ahead, ahead * per_hour, 1.0)
        step = ahead[1] - ahead[0]
        total = np.concatenate([[0.0], np.cumsum(0.5 * (usual[1:] + usual[:-1]) * step)])
        mean_cost = (oil + total[1:]) / ahead[1:]
        best = float(mean_cost.min())
        # This filling stands where it stands: change it when an hour more costs more than the best mean does.
        factor = float(np.exp(theta[HEAD + fill]) * np.exp(o.state.mean))
        own = lost(hours + ahead, water + ahead * per_hour, factor)
        past = np.flatnonzero(own >= best)
        day = None
        if past.size and pace.hours_per_day > 0:
            days = ahead[past[0]] / pace.hours_per_day
            day = as_of + timedelta(days=int(days)) if days <= 1095 else None
        rows.append(
            {
                "pump_id": o.rows.oil.pump_id,
                "least_cost_on": day,
                "cost_of_waiting_per_week": float(own[0]) * 7.0 * pace.hours_per_day,
            }
        )
    schema = {"pump_id": pl.String, "least_cost_on": pl.Date, "cost_of_waiting_per_week": pl.Float64}
    return pl.DataFrame(rows, schema=schema)
