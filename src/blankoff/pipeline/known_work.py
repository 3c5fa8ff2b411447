"""The fleet's work as it was known on a day; light to load, for pages are written without the models."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import polars as pl

from blankoff import schemas
from blankoff.fleet.work import build_work
from blankoff.pipeline.known import registers_known_on
from blankoff.pipeline.weighing import TOLD_BY_FLEET, WEIGHED_FROM, put_in, weighed
from blankoff.settings import Settings
from blankoff.store import Store

__all__ = ["known_work"]


def known_work(
    store: Store, settings: Settings, as_of: dt.date
) -> tuple[pl.DataFrame, Mapping[str, pl.DataFrame], pl.DataFrame]:
    """Return the work frame, the registers and the copies, with nothing in them that came after ``as_of``."""
    registers = registers_known_on(store.registers(), as_of, settings)
    evacuations = registers.get("evacuations", schemas.EVACUATIONS.empty())
    known = evacuations.select("evacuation_id")
    result = store.table("result").drop("group_id", "group_name").join(known, on="evacuation_id", how="semi")
    copies = store.raw("copy_of")
    if not copies.width:
        from blankoff.fleet.copies import COPY_SCHEMA  # with all that compares logs

        copies = pl.DataFrame(schema=COPY_SCHEMA)
    copies = copies.join(known, on="evacuation_id", how="semi")
    # the fleet's shares too are those of that day
    measure = store.raw("measure", [*WEIGHED_FROM, *TOLD_BY_FLEET])
    if measure.width:
        then = weighed(measure.join(known, on="evacuation_id", how="semi"), copies["evacuation_id"], settings)
        result = put_in(result, then)
    return build_work(result, registers, settings), registers, copies.sort("evacuation_id")
