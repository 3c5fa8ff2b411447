"""Monthly series per pump, hose set, gauge and technician, from what attribution leaves to each."""

from __future__ import annotations

from statistics import NormalDist

import polars as pl

from blankoff.settings import FleetModels

MONTHLY_SCHEMA = {
    "factor": pl.String,
    "level_id": pl.String,
    "month": pl.String,
    "measure": pl.String,
    "ratio": pl.Float64,
    "ratio_lower": pl.Float64,
    "ratio_upper": pl.Float64,
    "n": pl.Int64,
}


def monthly_series(attributed: pl.DataFrame, work: pl.DataFrame, settings: FleetModels) -> pl.DataFrame:
    """Average, month by month, what each level's jobs show once the other factors and the work are taken out.

    Parameters
    ----------
    attributed
        From attribution: ``evacuation_id, factor, level_id, measure, ln_ratio_after_other_factors, weight,
        outlier_weight`` - ln of the measure over what like work with the other factors at their own levels predicts;
        weight = 1 / variance.
    work
        For ``month``.

    Returns
    -------
    pl.DataFrame
        Columns of `MONTHLY_SCHEMA`; the fewer the jobs, the wider the bounds.
    """
    if attributed.is_empty():
        return pl.DataFrame(schema=MONTHLY_SCHEMA)
    dated = attributed.join(work.select("evacuation_id", "month"), on="evacuation_id", how="inner")
    z = NormalDist().inv_cdf(0.5 + settings.bounds_level / 2)
    weight = pl.col("weight") * pl.col("outlier_weight")
    months = (
        dated.rename({"ln_ratio_after_other_factors": "ln_ratio"})
        .filter(pl.col("ln_ratio").is_finite() & (weight > 0))
        .sort("evacuation_id")
        .group_by("factor", "level_id", "measure", "month", maintain_order=True)
        .agg(
            ((pl.col("ln_ratio") * weight).sum() / weight.sum()).alias("mean"),
            (1.0 / weight.sum()).sqrt().alias("se"),
            pl.len().cast(pl.Int64).alias("n"),
        )
    )
    return months.select(
        "factor",
        "level_id",
        "month",
        "measure",
        pl.col("mean").exp().alias("ratio"),
        (pl.col("mean") - z * pl.col("se")).exp().alias("ratio_lower"),
        (pl.col("mean") + z * pl.col("se")).exp().alias("ratio_upper"),
        "n",
    ).sort("factor", "level_id", "measure", "month")
