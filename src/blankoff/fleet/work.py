"""The one frame the fleet's functions take: an evacuation a row, its measures and all that the registers know of it."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from blankoff import schemas
from blankoff.settings import Settings

WORK_REGISTER_COLUMNS = {
    "technicians": ("technician_id", {"branch": "technician_branch", "hired_on": "hired_on"}),
    "pumps": (
        "pump_id",
        {
            "rated_l_per_s": "rated_l_per_s",
            "rated_blankoff_micron": "rated_blankoff_micron",
            "in_service_on": "pump_in_service_on",
        },
    ),
    "hoses": ("hose_id", {"bore_mm": "bore_mm", "length_m": "length_m", "in_service_on": "hose_in_service_on"}),
    "gauges": (
        "gauge_id",
        {
            "top_of_range_micron": "top_of_range_micron",
            "accuracy_percent": "accuracy_percent",
            "calibrated_on": "calibrated_on",
        },
    ),
    "systems": (
        "system_id",
        {"kind": "kind", "volume_l": "volume_l", "refrigerant": "refrigerant", "oil": "system_oil"},
    ),
}


def build_work(result: pl.DataFrame, registers: Mapping[str, pl.DataFrame], settings: Settings) -> pl.DataFrame:
    """Join results with the registers.

    Parameters
    ----------
    result
        Table ``result`` of the contract (group columns may be null).
    registers
        Register frames by name; missing ones count as empty.
    settings
        For the fleet's time zone and the acceptance defaults.

    Returns
    -------
    pl.DataFrame
        One row per evacuation, sorted by ``started_at`` then ``evacuation_id``: every column of ``result``; the
        register's ``log_file, started_at (UTC), branch, job_id, ambient_c, altitude_m, reported``;
        ``started_on`` (date in the fleet's time zone); ``required_target_micron, required_limit_micron,
        required_hold_minutes`` (the criterion that applied); and the columns of the other registers as named in
        `WORK_REGISTER_COLUMNS`. Unknown values are null.
    """
    evacuations = registers.get("evacuations", schemas.EVACUATIONS.empty())
    carried = ["log_file", "started_at", "branch", "job_id", "ambient_c", "altitude_m", "reported"]
    wanted = {
        "target_micron": "required_target_micron",
        "hold_limit_micron": "required_limit_micron",
        "hold_minutes": "required_hold_minutes",
    }
    work = result.join(
        evacuations.select("evacuation_id", *carried, *(pl.col(k).alias(v) for k, v in wanted.items())),
        on="evacuation_id",
        how="left",
    )
    for name, (key, renames) in WORK_REGISTER_COLUMNS.items():
        register = registers.get(name, schemas.REGISTERS[name].empty())
        work = work.join(
            register.select(key, *(pl.col(k).alias(v) for k, v in renames.items())).unique(key, keep="first"),
            on=key,
            how="left",
        )
    kind_of = {field: {kind: getattr(a, field) for kind, a in settings.acceptance_by_kind.items()} for field in wanted}
    work = work.with_columns(
        pl.coalesce(
            pl.col(column),
            pl.col("kind").replace_strict(kind_of[field], default=None, return_dtype=pl.Float64),
            pl.lit(getattr(settings.acceptance, field)),
        ).alias(column)
        for field, column in wanted.items()
    ).with_columns(
        pl.coalesce("branch", "technician_branch").alias("branch"),
        pl.col("started_at").dt.convert_time_zone(settings.timezone).dt.date().alias("started_on"),
    )
    return work.sort("started_at", "evacuation_id", nulls_last=True)
