"""Levels of all assets over time, and pumps that are worn: slower than their own best, and not for want of fresh oil."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.attribution import Attribution
from blankoff.fleet.candidates import CANDIDATE_SCHEMA
from blankoff.fleet.wear_levels import LevelPaths, Movement, level_paths, shapes_of_rows
from blankoff.settings import Settings

__all__ = ["AssetLevel", "asset_levels", "lasting_loss", "pumps_worn"]

Floats = NDArray[np.float64]

PUMP_MOVES = Movement(0.25, 0.12, 0.12, -1.2, 0.0, 0.05)
HOSE_MOVES = Movement(0.20, 0.06, 0.10, -2.0, 0.0, 0.08)
TECHNICIAN_MOVES = Movement(0.12, 0.05, 0.10, -1.6, 0.0, 0.08)
MOVES = {"pump": PUMP_MOVES, "hose": HOSE_MOVES, "technician": TECHNICIAN_MOVES}
"""How levels move, before data (judgement): a jump in eight years of a pump's life or so, mostly down."""

RENEWING = {
    "pump": ("overhaul", "repair", "replacement"),
    "hose": ("repair", "replacement", "overhaul"),
    "gauge": ("calibration", "repair", "replacement"),
    "technician": (),
}
"""Work that may change an asset's level, and ends an episode."""

FEWEST_USES = 5
"""Uses below which nothing is said of an asset (judgement)."""
MOST_EVIDENCE = 30
ROUGH_SE_LN = 0.12
"""Standard error from which a value counts as rough: it comes from a short or bent stretch (judgement)."""


@dataclass(frozen=True)
class AssetLevel:
    """One asset's level over time on one measure.

    Attributes
    ----------
    level_id : str
    evacuation_id : list of str
    paths : LevelPaths
    value : float64 (n,)
        What each use said, ln.
    renewals : list of float
        Days of renewing work, in days since 1970.
    """

    level_id: str
    evacuation_id: list[str]
    paths: LevelPaths
    value: Floats
    renewals: list[float]


def day_number(day: date) -> float:
    """Days since 1970."""
    return float((day - date(1970, 1, 1)).days)


def to_date(day: float) -> date:
    """Date of a day number."""
    return date(1970, 1, 1) + timedelta(days=int(np.floor(day)))


def renewal_days(services: pl.DataFrame, factor: str, as_of: date) -> dict[str, list[float]]:
    """Days of renewing work per asset, known on ``as_of``."""
    if services.is_empty():
        return {}
    mine = services.filter(
        (pl.col("asset") == factor) & pl.col("action").is_in(list(RENEWING[factor])) & (pl.col("serviced_on") <= as_of)
    ).sort("asset_id", "serviced_on")
    out: dict[str, list[float]] = {}
    for asset, day in mine.select("asset_id", "serviced_on").iter_rows():
        out.setdefault(asset, []).append(day_number(day))
    return out


def _values(work: pl.DataFrame, attribution: Attribution, factor: str, measure: str) -> pl.DataFrame:
    """One row per use: ``level_id, evacuation_id, day, value, variance, noise_class``, in order."""
    band = measure.removeprefix("speed_")
    se, wet = f"{band}_rate_se_ln", "water_g"
    known = [c for c in (se, wet) if c in work.columns]
    rows = attribution.attributed.filter((pl.col("factor") == factor) & (pl.col("measure") == measure)).join(
        work.select("evacuation_id", *known), on="evacuation_id", how="left"
    )
    error = pl.col(se) if se in known else pl.lit(None, dtype=pl.Float64)
    water = pl.col(wet) if wet in known else pl.lit(None, dtype=pl.Float64)
    return rows.select(
        "level_id",
        "evacuation_id",
        (pl.col("started_at").dt.epoch("us") / 86_400e6).alias("day"),
        pl.col("ln_ratio_after_other_factors").alias("value"),
        error.fill_null(0.15).fill_nan(0.15).clip(0.01, 0.7).pow(2).alias("variance"),
        ((error.fill_null(0.15) >= ROUGH_SE_LN).cast(pl.Int64) + 2 * (water.fill_null(0.0) > 1.0).cast(pl.Int64)).alias(
            "noise_class"
        ),
        "level_now",
    ).sort("level_id", "day", "evacuation_id")


def asset_levels(
    work: pl.DataFrame,
    services: pl.DataFrame,
    attribution: Attribution,
    settings: Settings,
    factor: str,
    measure: str,
    movement: Movement | None = None,
) -> list[AssetLevel]:
    """Draw the histories of every asset of a factor on one measure.

    Parameters
    ----------
    work, services, attribution, settings
        As everywhere in the fleet's models; only what ``attribution`` knew is used.
    factor : {'pump', 'hose', 'technician', 'gauge'}
    measure : {'speed_viscous', 'speed_deep', 'floor'}
    movement : Movement, optional
        Instead of `MOVES`.

    Returns
    -------
    list of AssetLevel
        Sorted by id; those with `FEWEST_USES` or more. Levels are ln ratios to the fleet's middle of their like.
    """
    rows = _values(work, attribution, factor, measure)
    if rows.is_empty():
        return []
    moves = movement or MOVES[factor]
    renewals = renewal_days(services, factor, attribution.as_of)
    end_day = day_number(attribution.as_of) + 1.0
    value, variance = rows["value"].to_numpy(), rows["variance"].to_numpy()
    classes = rows["noise_class"].to_numpy()
    codes = rows["level_id"].rle_id().to_numpy()
    starts = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]])
    ends = np.append(starts[1:], codes.size)
    days, names = rows["day"].to_numpy(), rows["level_id"].to_list()
    ids = rows["evacuation_id"].to_list()
    level = _upper_level(value, starts, ends)
    out: list[AssetLevel] = []
    for _ in range(2):
        # The noise's shape is measured about the levels, and the levels are found under that shape.
        shape = shapes_of_rows(value - level, variance, classes)
        out, smoothed, ends_of = [], level.copy(), zip(starts, ends, strict=True)
        for a, b in ends_of:
            if b - a < FEWEST_USES:
                continue
            name = names[a]
            mine = renewals.get(name, [])
            paths = level_paths(
                f"{factor}:{measure}:{name}",
                days[a:b],
                value[a:b],
                variance[a:b],
                shape[a:b],
                moves,
                mine,
                end_day,
                settings.fleet.seed,
            )
            smoothed[a:b] = paths.smoothed()
            out.append(AssetLevel(name, ids[a:b], paths, value[a:b], mine))
        level = smoothed
    return out


def _upper_level(value: Floats, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> Floats:
    """First guess of each asset's level: the upper part of its values, for the noise leans down."""
    out = np.empty_like(value)
    for a, b in zip(starts, ends, strict=True):
        out[a:b] = np.quantile(value[a:b], 0.6)
    return out


def since_bounds(days: Floats, fallback: float) -> tuple[date, date, date]:
    """Median and 90 % bounds of a day that histories disagree on."""
    if days.size == 0:
        return (to_date(fallback),) * 3
    low, mid, high = np.quantile(days, [0.05, 0.5, 0.95])
    return to_date(mid), to_date(low), to_date(high)


def _best(draws: Floats, days: Floats, renewals: list[float]) -> Floats:
    """Each history's own best before and at each use, (draws, n): the best a fifth of a dozen uses agree on.

    A single high use of a drawn history is no best; renewing work does not lower what a pump once did.
    """
    width = min(8, draws.shape[1])
    kernel = np.cumsum(draws, axis=1)
    mean = (
        kernel[:, width - 1 :] - np.concatenate([np.zeros((draws.shape[0], 1)), kernel[:, :-width]], axis=1)
    ) / width
    running = np.maximum.accumulate(mean, axis=1)
    return np.concatenate([np.repeat(running[:, :1], width - 1, axis=1), running], axis=1)


def candidate_frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Candidates in the shape that findings are made from."""
    full = [dict.fromkeys(CANDIDATE_SCHEMA) | row for row in rows]
    return pl.DataFrame(full, schema=CANDIDATE_SCHEMA)


def episode_of(renewals: list[float], since: float) -> str:
    """Name of a spell: the day of the last relevant work before it began."""
    before = [d for d in renewals if d <= since]
    return to_date(before[-1]).isoformat() if before else "first"


def ties(attribution: Attribution, factor: str, measure: str) -> dict[str, list[str]]:
    """What each level of a factor cannot be told from, on one measure."""
    rows = attribution.effect.filter((pl.col("factor") == factor) & (pl.col("measure") == measure))
    return {k: list(v or []) for k, v in rows.select("level_id", "entangled_with").iter_rows()}


SURE = 0.98
"""How sure it must be that something was lost at all, before the size of the loss is asked (see `lasting_loss`)."""
LIKELY = 0.55
"""How probable it must be that the loss is beyond the limit."""


def lasting_loss(now: Floats, limit_ln: float) -> tuple[float, bool]:
    """Whether a level lies beyond a limit: its probability, and whether a finding is made of it.

    Two questions in one would be slow: a pump at 70 % is hardly told from one at 75 %, but at once from a sound one.
    So a finding wants it sure that the level is at least half-way to the limit, and likely that it is beyond.

    Parameters
    ----------
    now : float64 (draws,)
        ln level now over what it should be.
    limit_ln : float
        ln of the limit, below zero.
    """
    beyond = float(np.mean(now < limit_ln))
    halfway = float(np.mean(now < 0.5 * limit_ln))
    return beyond, beyond >= LIKELY and halfway >= SURE


def pumps_worn(levels: list[AssetLevel], attribution: Attribution, settings: Settings) -> pl.DataFrame:
    """Candidates ``pump_worn``: viscous speed lastingly below a share of the pump's own best.

    Spoiled oil raises the floor and costs deep speed; viscous speed it leaves alone.  So a loss of viscous speed is not
    for want of fresh oil.

    Parameters
    ----------
    levels : list of AssetLevel
        Of pumps, ``speed_viscous``.
    attribution : Attribution
        For what each pump cannot be told from.
    settings : Settings
        ``fleet.worn_speed_ratio``.

    Returns
    -------
    DataFrame
        `findings.CANDIDATE_SCHEMA`; ``effect`` is the share of its best that is left.
    """
    limit = float(np.log(settings.fleet.worn_speed_ratio))
    tied = ties(attribution, "pump", "speed_viscous")
    rows: list[dict[str, object]] = []
    for level in levels:
        paths = level.paths
        best = _best(paths.draws, paths.days, level.renewals)
        loss = paths.now - best[:, -1]
        probability, found = lasting_loss(loss, limit)
        if not found:
            continue
        beyond = (paths.draws - best) < 0.5 * limit
        since, low, _ = since_bounds(paths.crossing_days(beyond), float(paths.days[-1]))
        rows.append(_candidate("pump_worn", level, loss, probability, since, "share of its own best speed", tied, low))
    return candidate_frame(rows)


def _candidate(
    kind: str,
    level: AssetLevel,
    loss: Floats,
    probability: float,
    since: date,
    unit: str,
    tied: dict[str, list[str]],
    evidence_from: date,
) -> dict[str, object]:
    """One candidate from drawn levels."""
    lower, middle, upper = np.exp(np.quantile(loss, [0.05, 0.5, 0.95]))
    first = day_number(evidence_from)
    used = [e for e, d in zip(level.evacuation_id, level.paths.days, strict=True) if d >= first]
    return {
        "kind": kind,
        "subject_id": level.level_id,
        "episode": episode_of(level.renewals, day_number(since)),
        "since": since,
        "probability": probability,
        "effect": float(middle),
        "effect_lower": float(lower),
        "effect_upper": float(upper),
        "unit": unit,
        "evidence": used[-MOST_EVIDENCE:],
        "entangled_with": tied.get(level.level_id, []),
    }
