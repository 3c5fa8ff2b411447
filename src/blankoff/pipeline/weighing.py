"""What logs gave, with the fleet's own shares of leaks and of its circuits' states put in."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff import schemas
from blankoff.evacuation.hold import rise_prior
from blankoff.evacuation.rise_evidence import EVIDENCE, rise_chances
from blankoff.evacuation.verdict import RISE_REASONS, RISE_WORDS, RiseKind, rise_kinds
from blankoff.fleet.rise_shares import fleet_shares
from blankoff.settings import Settings

__all__ = ["TOLD_BY_FLEET", "WEIGHED_FROM", "own_shares", "put_in", "weighed", "weighed_under"]

FloatArray = NDArray[np.float64]

TOLD_BY_FLEET = ("p_leak", "p_moisture", "rise_kind", "more_hold_minutes", "reason")
"""Columns that the fleet's shares bear on."""

WEIGHED_FROM = ("evacuation_id", "verdict", *schemas.WEIGHED)
"""Columns that say what the shares make of them."""


def weighed(measure: pl.DataFrame, copied: pl.Series, settings: Settings) -> pl.DataFrame:
    """Put the shares that a fleet's own holds make likeliest in the place of those that each log was judged under.

    Parameters
    ----------
    measure
        ``evacuation_id`` and the columns of ``schemas.MEASURE``, of all logs whose holds are to tell the shares.
    copied
        ``evacuation_id`` of copies: they tell nothing of their own.
    settings
        For the prior and for how sure a part must be before it is named.

    Returns
    -------
    pl.DataFrame
        The same rows, `TOLD_BY_FLEET` set anew where there is a fitted hold, without ``schemas.WEIGHED``.
    """
    return weighed_under(measure, own_shares(measure, copied, settings), settings)


def own_shares(measure: pl.DataFrame, copied: pl.Series, settings: Settings) -> FloatArray | None:
    """Shares of the cases that a fleet's own holds make likeliest; ``None`` where they are those of any fleet.

    Parameters
    ----------
    measure
        ``evacuation_id, rise_evidence`` of all logs whose holds are to tell the shares.
    copied, settings
        As for `weighed`.
    """
    if "rise_evidence" not in measure.columns:
        return None
    told = measure.select("evacuation_id", "rise_evidence").filter(pl.col("rise_evidence").is_not_null())
    own = told.filter(~pl.col("evacuation_id").is_in(copied.implode())).sort("evacuation_id")
    prior = rise_prior(settings.judging).shares()
    shares = fleet_shares(_matrix(own), prior)
    return None if np.allclose(shares, prior, rtol=1e-9) else shares


def weighed_under(measure: pl.DataFrame, shares: FloatArray | None, settings: Settings) -> pl.DataFrame:
    """Put shares of the cases in the place of those that each log was judged under; rows apart from one another.

    Parameters
    ----------
    measure
        ``evacuation_id`` and the columns of ``schemas.MEASURE``, or `TOLD_BY_FLEET`, `WEIGHED_FROM` and others of them.
    shares
        From `own_shares`.
    settings
        For how sure a part must be before it is named.

    Returns
    -------
    pl.DataFrame
        As of `weighed`.
    """
    if "rise_evidence" not in measure.columns or shares is None:
        return measure.drop(schemas.WEIGHED, strict=False)
    told = measure.filter(pl.col("rise_evidence").is_not_null()).sort("evacuation_id")
    p_leak, p_moisture = rise_chances(_matrix(told), shares)
    kinds = [RiseKind(k) for k in rise_kinds(p_leak, p_moisture, settings.judging.proof_probability).tolist()]
    open_ = pl.col("rise_kind") == RISE_WORDS[RiseKind.UNDETERMINED]
    new = told.select(
        "evacuation_id",
        pl.Series("p_leak", p_leak),
        pl.Series("p_moisture", p_moisture),
        pl.Series("rise_kind", [RISE_WORDS[k] for k in kinds], dtype=pl.String),
        "more_hold_if_open_minutes",
        pl.Series("failed_for", [RISE_REASONS[k] for k in kinds], dtype=pl.String),
        "verdict",
        "reason",
    ).select(
        "evacuation_id",
        "p_leak",
        "p_moisture",
        "rise_kind",
        pl.when(open_).then("more_hold_if_open_minutes").otherwise(0.0).alias("more_hold_minutes"),
        pl.when(pl.col("verdict") == "failed").then("failed_for").otherwise("reason").alias("reason"),
    )
    return put_in(measure.drop(schemas.WEIGHED, strict=False), new)


def put_in(rows: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """Set `TOLD_BY_FLEET` of the rows that are told, the reason only of what failed; order and columns stay."""
    joined = rows.join(
        told.select("evacuation_id", *TOLD_BY_FLEET, known=pl.lit(True)), on="evacuation_id", how="left",
        suffix=":told", maintain_order="left",
    )  # fmt: skip
    known = pl.col("known").fill_null(False)
    failed = known & (pl.col("verdict") == "failed")
    return joined.with_columns(
        pl.when(failed if c == "reason" else known).then(f"{c}:told").otherwise(c).alias(c) for c in TOLD_BY_FLEET
    ).select(rows.columns)


def _matrix(rows: pl.DataFrame) -> FloatArray:
    """Evidence as ``(n, EVIDENCE)``."""
    values: FloatArray = rows["rise_evidence"].explode().cast(pl.Float64).to_numpy() if rows.height else np.empty(0)
    return values.reshape(-1, EVIDENCE)
