"""Hours lost against a typical rig on the same circuit, and what each pump, hose set and habit cost."""

from __future__ import annotations

import polars as pl

HOURS_SCHEMA = {
    "month": pl.String,
    "factor": pl.String,
    "level_id": pl.String,
    "evacuations": pl.Int64,
    "pumped_hours": pl.Float64,
    "hours_lost": pl.Float64,
    "hours_lower": pl.Float64,
    "hours_upper": pl.Float64,
    "cost": pl.Float64,
    "separable": pl.Boolean,
}
HABIT_REASONS = {"no_hold": "hold skipped", "short_hold": "hold cut short", "no_log": "log not handed in"}


def stage_minutes(work: pl.DataFrame) -> pl.DataFrame:
    """Split each evacuation's pumping into viscous, boil-off and deep minutes.

    Returns
    -------
    pl.DataFrame
        ``evacuation_id, month, viscous_minutes, deep_minutes, pumped_minutes``. Boil-off minutes are in neither:
        they go by the water's heat, and a typical rig would have spent most of them too.
    """
    to_2000 = pl.coalesce("minutes_to_2000", "pumped_minutes")
    pumped = pl.col("pumped_minutes").fill_null(0.0)
    return work.filter(pl.col("pumped_minutes").is_not_null() & (pl.col("reason") != "recycled_log")).select(
        "evacuation_id",
        "month",
        (to_2000 - pl.col("plateau_minutes").fill_null(0.0)).clip(0, None).alias("viscous_minutes"),
        (pumped - to_2000).clip(0, None).alias("deep_minutes"),
        pumped.alias("pumped_minutes"),
    )


def hours_lost(
    work: pl.DataFrame, attributed: pl.DataFrame, effect: pl.DataFrame, labour_cost_per_hour: float
) -> pl.DataFrame:
    """Hours each pump, hose set and technician cost against a typical one on the same circuits.

    A rig at ``ratio`` times the typical speed takes ``1 / ratio`` times as long, so a stage of ``t`` minutes lost
    ``t * (1 - ratio)``; where ratio is above one, hours were won, and count as negative.

    Parameters
    ----------
    work
        The fleet's work frame.
    attributed
        From attribution, per evacuation and factor: ``level_ln_ratio`` is the level's own ln ratio at that job;
        used for the share of jobs; the bounds come from ``effect``.
    effect
        Table ``effect``; speeds only are used.
    labour_cost_per_hour
        In the fleet's money.

    Returns
    -------
    pl.DataFrame
        Columns of `HOURS_SCHEMA`, one row per month and level; bounds at the level of the effects'.
    """
    if effect.is_empty() or attributed.is_empty():
        return pl.DataFrame(schema=HOURS_SCHEMA)
    stages = stage_minutes(work)
    width = effect.filter(pl.col("measure").str.starts_with("speed")).select(
        "factor",
        "level_id",
        "measure",
        "separable",
        (pl.col("ratio_lower") / pl.col("ratio")).alias("down"),
        (pl.col("ratio_upper") / pl.col("ratio")).alias("up"),
    )
    at_job = (
        attributed.filter(pl.col("measure").str.starts_with("speed"))
        .select("evacuation_id", "factor", "level_id", "measure", pl.col("level_ln_ratio").exp().alias("ratio"))
        .join(width, on=["factor", "level_id", "measure"], how="inner")
        .join(stages, on="evacuation_id", how="inner")
        .with_columns(
            pl.when(pl.col("measure") == "speed_deep")
            .then("deep_minutes")
            .otherwise("viscous_minutes")
            .alias("minutes")
        )
    )
    # a job that took no part in a measure (no volume known) still ran on this gear: scale up to all its minutes
    lost = {"hours_lost": pl.col("ratio"), "hours_upper": pl.col("ratio") * pl.col("down"), "hours_lower": pl.col("ratio") * pl.col("up")}
    by_stage = at_job.with_columns((pl.col("minutes") * (1 - r) / 60).alias(n) for n, r in lost.items())
    table = by_stage.group_by("month", "factor", "level_id").agg(
        pl.col("evacuation_id").n_unique().cast(pl.Int64).alias("evacuations"),
        (pl.col("pumped_minutes").sum() / 60 / pl.col("measure").n_unique()).alias("pumped_hours"),
        *(pl.col(n).sum() for n in lost),
        pl.col("separable").all().alias("separable"),
    )
    return (
        table.filter(pl.col("factor") != "gauge")
        .with_columns((pl.col("hours_lost") * labour_cost_per_hour).alias("cost"))
        .select(list(HOURS_SCHEMA))
        .sort("month", "factor", "level_id")
    )


def proof_lost(work: pl.DataFrame) -> pl.DataFrame:
    """Pumped hours that ended without proof, by month, technician and habit.

    Returns
    -------
    pl.DataFrame
        ``month, technician_id, habit, evacuations, pumped_hours``: what would have to be pumped again to prove it.
    """
    return (
        work.filter(pl.col("reason").is_in(list(HABIT_REASONS)))
        .group_by("month", "technician_id", pl.col("reason").replace_strict(HABIT_REASONS).alias("habit"))
        .agg(
            pl.len().cast(pl.Int64).alias("evacuations"),
            (pl.col("pumped_minutes").fill_null(0).sum() / 60).alias("pumped_hours"),
        )
        .sort("month", "technician_id", "habit", nulls_last=True)
    )
