"""What is asked of an hour that came twice, or never; and where a register answers what a log leaves open."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl

from blankoff import schemas

_MOMENT = "%Y-%m-%dT%H:%M:%S"
WHICH_BEGAN = "did it begin before or after clocks were set back, "
"""How the question begins of a log that lies within an hour that came twice."""
_OFFSETS = "write times with their offset, such as 01:30-07:00"

REGISTER_HOURS = {
    2: f"was it before or after clocks were set back? This hour came twice that night; {_OFFSETS}: until then the first counts",
    0: "when was it? Clocks were set forward that night and never showed this hour; until the time is corrected it counts as "
    "if they had not been",
}
"""By how often the hour of a register's time was there."""

_NEAR = 0.25
"""A log begins when its job does, or within this part of what clocks were set back by: this project's judgement."""


def which_began(first_s: float, later_s: float) -> str:
    """Question of a log that lies within an hour that came twice: it began at either of two moments (s since 1970)."""
    first, later = (f"{_moment(s):{_MOMENT}}Z" for s in (first_s, later_s))
    return f"{WHICH_BEGAN}{first} or {later}? That hour came twice; {_OFFSETS}, here or in the register's started_at"


def how_long_a_gap(wall_s: float, next_wall_s: float) -> str:
    """Question of a log with a gap in which clocks may have been set back, between two moments of its own clock."""
    a, b = (f"{_moment(s):%H:%M:%S}" for s in (wall_s, next_wall_s))
    return f"were clocks set back between the readings of {a} and {b}? That hour came twice, and the gap hides it; {_OFFSETS}"


def _moment(seconds: float) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(seconds))


def answered(questions: pl.DataFrame, jobs: pl.DataFrame, of_registers: pl.DataFrame) -> pl.DataFrame:
    """Questions of logs that the register answers: a job's start that is sure lies near one of the two moments.

    Parameters
    ----------
    questions
        Rows of table ``quarantine``.
    jobs
        ``path`` of a log, ``started_at`` and ``row`` of its evacuation in the register.
    of_registers
        Rows of table ``quarantine`` about the evacuations register.

    Returns
    -------
    pl.DataFrame
        Those of `questions` that are answered.
    """
    asked = questions.filter(pl.col("problem").str.starts_with(WHICH_BEGAN).fill_null(False))
    if asked.is_empty():
        return asked
    unsure = of_registers.filter(pl.col("problem").str.starts_with(REGISTER_HOURS[2])).select("row").unique()
    moments = (
        pl.col("problem")
        .str.extract_all(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d")
        .list.eval(pl.element().str.to_datetime(_MOMENT, time_zone="UTC"))
    )
    near = (
        asked.select("path", moments=moments)
        .join(jobs.join(unsure, on="row", how="anti"), on="path")
        .with_columns(first=pl.col("moments").list.get(0), later=pl.col("moments").list.get(1))
        .with_columns(room=(pl.col("later") - pl.col("first")) * _NEAR)
        .filter(
            ((pl.col("started_at") - pl.col("first")).abs() <= pl.col("room"))
            | ((pl.col("started_at") - pl.col("later")).abs() <= pl.col("room"))
        )
    )
    return schemas.QUARANTINE.conform(asked.join(near, on="path", how="semi"))
