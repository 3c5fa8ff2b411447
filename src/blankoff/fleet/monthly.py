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
        From attribution: ``evacuation_id, factor, level_id, measure, ln_ratio, weight`` - ln of the measure over what
        like work with the other factors at their own levels predicts; weight = 1 / variance.
    work
        For ``month``.

    Returns
    -------
    pl.DataFrame
        Columns of `MONTHLY_SCHEMA`; bounds widen with few jobs: the spread of single jobs is pooled per measure.
    """
    if attributed.is_empty():
        return pl.DataFrame(schema=MONTHLY_SCHEMA)
    dated = attributed.join(work.select("evacuation_id", "month"), on="evacuation_id", how="inner")
    z = NormalDist().inv_cdf(0.5 + settings.bounds_level / 2)
    months = (
        dated.filter(pl.col("ln_ratio").is_finite() & (pl.col("weight") > 0))
        .group_by("factor", "level_id", "measure", "month")
        .agg(
            ((pl.col("ln_ratio") * pl.col("weight")).sum() / pl.col("weight").sum()).alias("mean"),
            (1.0 / pl.col("weight").sum()).sqrt().alias("se"),
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
