"""What is known of each job beside its log: the criterion that applies, circuit, gauge; and when to judge again."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

import numpy as np
import polars as pl

from blankoff import schemas
from blankoff.samples import FloatArray, JobContext
from blankoff.settings import Settings

CONTEXT_COLUMNS = (
    "target_micron",
    "hold_limit_micron",
    "hold_minutes",
    "ambient_c",
    "altitude_m",
    "volume_l",
    "top_of_range_micron",
    "accuracy_percent",
)
_CRITERION = ("target_micron", "hold_limit_micron", "hold_minutes")

JUDGED_BY = "31"
"""Raised whenever judging a log changes its numbers, so that stored logs are judged again."""


def job_contexts(registers: Mapping[str, pl.DataFrame], settings: Settings) -> pl.DataFrame:
    """Join the register of evacuations with what bears on judging a log.

    Parameters
    ----------
    registers
        Register frames by name; missing ones count as empty.
    settings
        Its defaults stand where the register's row and the system's kind are silent.

    Returns
    -------
    pl.DataFrame
        ``evacuation_id``, `CONTEXT_COLUMNS` (the three of the criterion never null), and ``context``: a text
        that differs whenever judging could give something else for the same log. In the register's order.
    """
    evacuations = registers.get("evacuations", schemas.EVACUATIONS.empty())
    systems = registers.get("systems", schemas.SYSTEMS.empty()).unique("system_id", keep="first", maintain_order=True)
    gauges = registers.get("gauges", schemas.GAUGES.empty()).unique("gauge_id", keep="first", maintain_order=True)
    by_kind = {name: {kind: getattr(a, name) for kind, a in settings.acceptance_by_kind.items()} for name in _CRITERION}
    jobs = (
        evacuations.select("evacuation_id", "system_id", "gauge_id", *_CRITERION, "ambient_c", "altitude_m")
        .join(systems.select("system_id", "kind", "volume_l"), on="system_id", how="left", maintain_order="left")
        .join(
            gauges.select("gauge_id", "top_of_range_micron", "accuracy_percent"),
            on="gauge_id",
            how="left",
            maintain_order="left",
        )
        .with_columns(
            pl.coalesce(
                pl.col(name),
                pl.col("kind").replace_strict(by_kind[name], default=None, return_dtype=pl.Float64),
                pl.lit(getattr(settings.acceptance, name)),
            ).alias(name)
            for name in _CRITERION
        )
    )
    # its hash, not the thresholds themselves: it stands beside every job, in memory and in the store
    judging = hashlib.sha256(f"{JUDGED_BY}|{settings.judging.model_dump_json()}".encode()).hexdigest()[:24]
    return jobs.select(
        "evacuation_id",
        *CONTEXT_COLUMNS,
        pl.concat_str(
            pl.lit(judging), *(pl.col(c).cast(pl.String).fill_null("-") for c in CONTEXT_COLUMNS), separator="|"
        ).alias("context"),
    )


def to_job_context(jobs: pl.DataFrame) -> JobContext:
    """Return the rows of `job_contexts` as the arrays that judging takes; unknown is NaN."""

    def array(name: str) -> FloatArray:
        return np.ascontiguousarray(jobs[name].cast(pl.Float64).fill_null(float("nan")).to_numpy(writable=True))

    return JobContext(*(array(name) for name in CONTEXT_COLUMNS))
