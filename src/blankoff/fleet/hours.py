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
PROOF_LOST_SCHEMA = {
    "month": pl.String,
    "technician_id": pl.String,
    "habit": pl.String,
    "evacuations": pl.Int64,
    "pumped_hours": pl.Float64,
}
HABIT_REASONS = {"no_hold": "hold skipped", "short_hold": "hold cut short", "no_log": "log not handed in"}
_FACTORS = ("pump", "hose", "technician")


def stage_minutes(work: pl.DataFrame) -> pl.DataFrame:
    """Split each evacuation's pumping into viscous and deep minutes.

    Returns
    -------
    pl.DataFrame
        ``evacuation_id, speed_viscous, speed_deep``: minutes for which that speed set the pace. Boil-off minutes are
        in neither: they go by the water's heat, and a typical rig would have spent most of them too.
    """
    to_2000 = pl.coalesce("minutes_to_2000", "pumped_minutes")
    boil_off = pl.col("plateau_minutes").fill_null(0.0)
    return work.filter(pl.col("pumped_minutes").is_not_null() & (pl.col("reason") != "recycled_log")).select(
        "evacuation_id",
        (to_2000 - boil_off).clip(0, None).alias("speed_viscous"),
        (pl.col("pumped_minutes") - to_2000).clip(0, None).alias("speed_deep"),
    )


def hours_lost(work: pl.DataFrame, effect: pl.DataFrame, month: str, labour_cost_per_hour: float) -> pl.DataFrame:
    """Hours that each pump, hose set and technician's way of rigging cost in a month against a typical one.

    A rig at ``ratio`` times the typical speed takes ``1 / ratio`` times as long, so a stage of ``t`` minutes lost
    ``t * (1 - ratio)``; where the ratio is above one, hours were won, and count as negative.

    Parameters
    ----------
    work
        The fleet's work frame.
    effect
        Table ``effect`` as of the month's end; only its speeds are used.
    month
        ``YYYY-MM``.
    labour_cost_per_hour
        In the fleet's money.

    Returns
    -------
    pl.DataFrame
        Columns of `HOURS_SCHEMA`, one row per level that worked in the month; bounds at the level of the effects'.
    """
    jobs = work.filter(pl.col("month") == month)
    if effect.is_empty() or jobs.is_empty():
        return pl.DataFrame(schema=HOURS_SCHEMA)
    speeds = effect.filter(pl.col("measure").is_in(["speed_viscous", "speed_deep"]))
    minutes = (
        stage_minutes(jobs)
        .join(jobs.select("evacuation_id", *(pl.col(f"{f}_id").alias(f) for f in _FACTORS)), on="evacuation_id")
        .unpivot(
            _FACTORS,
            index=["evacuation_id", "speed_viscous", "speed_deep"],
            variable_name="factor",
            value_name="level_id",
        )
        .unpivot(
            ["speed_viscous", "speed_deep"],
            index=["evacuation_id", "factor", "level_id"],
            variable_name="measure",
            value_name="minutes",
        )
        .join(
            speeds.select("factor", "level_id", "measure", "ratio", "ratio_lower", "ratio_upper", "separable"),
            on=["factor", "level_id", "measure"],
            how="inner",
        )
    )
    lost = {"hours_lost": "ratio", "hours_lower": "ratio_upper", "hours_upper": "ratio_lower"}
    return (
        minutes.sort("evacuation_id", "measure")
        .group_by("factor", "level_id", maintain_order=True)
        .agg(
            pl.lit(month).alias("month"),
            pl.col("evacuation_id").n_unique().cast(pl.Int64).alias("evacuations"),
            (pl.col("minutes").sum() / 60).alias("pumped_hours"),
            *((pl.col("minutes") * (1 - pl.col(r)) / 60).sum().alias(n) for n, r in lost.items()),
            pl.col("separable").all().alias("separable"),
        )
        .with_columns((pl.col("hours_lost") * labour_cost_per_hour).alias("cost"))
        .select(list(HOURS_SCHEMA))
        .sort("month", "factor", "level_id")
    )


def proof_lost(work: pl.DataFrame) -> pl.DataFrame:
    """Pumped hours that ended without proof, by month, technician and habit.

    Returns
    -------
    pl.DataFrame
        Columns of `PROOF_LOST_SCHEMA`: what would have to be pumped again to prove it.
    """
    return (
        work.filter(pl.col("reason").is_in(list(HABIT_REASONS)))
        .sort("evacuation_id")
        .group_by(
            "month", "technician_id", pl.col("reason").replace_strict(HABIT_REASONS).alias("habit"), maintain_order=True
        )
        .agg(
            pl.len().cast(pl.Int64).alias("evacuations"),
            (pl.col("pumped_minutes").fill_null(0).sum() / 60).alias("pumped_hours"),
        )
        .sort("month", "technician_id", "habit", nulls_last=True)
    )
