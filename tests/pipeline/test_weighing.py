"""The fleet's shares put into what its logs gave: which rows and columns they bear on. Tag: CALC."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from blankoff import schemas
from blankoff.evacuation.hold_prior import RisePrior
from blankoff.evacuation.rise_evidence import CASES, EVIDENCE, rise_chances
from blankoff.fleet.rise_shares import fleet_shares
from blankoff.pipeline.weighing import TOLD_BY_FLEET, put_in, weighed
from blankoff.settings import Settings

NO_COPIES = pl.Series([], dtype=pl.String)


def evidence(tight: float, leak: float, material: float = 0.95, moist: float = 0.1) -> list[float]:
    """A dry hold whose readings speak so for a tight and for a leaking circuit."""
    cases = [tight, leak, tight, leak, 1e-6, 1e-6]
    return [*cases, *[material] * 3, *[moist] * 6, 60.0, 80.0, 40.0]


def measure(*rows: tuple[str, str, str, list[float] | None]) -> pl.DataFrame:
    """Logs as judged each for itself: id, verdict, reason, evidence."""
    prior = RisePrior().shares()
    out = []
    for name, verdict, reason, kept in rows:
        chances = rise_chances(np.array([kept]), prior) if kept else None
        out.append(
            {
                "evacuation_id": name, "verdict": verdict, "reason": reason, "rise_kind": "leak" if kept else None,
                "p_leak": float(chances[0][0]) if chances else None,
                "p_moisture": float(chances[1][0]) if chances else None, "leak_micron_per_min": 7.0,
                "more_hold_minutes": 0.0 if kept else None, "more_hold_if_open_minutes": 55.0 if kept else None,
                "rise_evidence": kept,
            }
        )  # fmt: skip
    return pl.DataFrame(out, schema_overrides={"rise_evidence": schemas.FLOATS, "more_hold_minutes": pl.Float64})


def tight_fleet(n: int) -> list[tuple[str, str, str, list[float] | None]]:
    return [(f"T{k:04d}", "passed", "held", evidence(1.0, 0.001)) for k in range(n)]


def test_among_tight_circuits_a_doubtful_rise_is_no_leak() -> None:
    """Its chances are those under the fleet's shares; verdict and size stay, the reason of what failed follows."""
    assert len(evidence(1.0, 1.0)) == EVIDENCE
    rows = measure(
        *tight_fleet(600), ("X1", "failed", "leak", evidence(0.05, 1.0)), ("X2", "passed", "held", evidence(0.05, 1.0)),
        ("X3", "failed", "leak", evidence(0.05, 1.0, moist=0.9)), ("X4", "unproven", "no_hold", None),
        ("X5", "failed", "leak", evidence(1e-6, 1.0)),
    )  # fmt: skip
    got = weighed(rows, NO_COPIES, Settings())
    assert got["evacuation_id"].to_list() == rows["evacuation_id"].to_list()
    assert not set(schemas.WEIGHED) & set(got.columns)
    kept = np.array(rows.filter(pl.col("rise_evidence").is_not_null())["rise_evidence"].to_list())
    shares = fleet_shares(kept, RisePrior().shares())
    assert shares[1::2].sum() < 0.06
    by_id = {row["evacuation_id"]: row for row in got.iter_rows(named=True)}
    before = {row["evacuation_id"]: row for row in rows.iter_rows(named=True)}
    for name in ("X1", "X2", "X3", "X5", "T0000"):
        chances = rise_chances(np.array([before[name]["rise_evidence"]]), shares)
        assert [by_id[name]["p_leak"], by_id[name]["p_moisture"]] == pytest.approx([float(p[0]) for p in chances])
        assert by_id[name]["leak_micron_per_min"] == 7.0
        assert by_id[name]["verdict"] == before[name]["verdict"]
    assert by_id["X1"]["p_leak"] < 0.47 < before["X1"]["p_leak"]
    assert (by_id["X1"]["rise_kind"], by_id["X1"]["reason"]) == ("flat", "rise_unexplained")
    assert (by_id["X2"]["rise_kind"], by_id["X2"]["reason"]) == ("flat", "held")
    assert (by_id["X3"]["rise_kind"], by_id["X3"]["reason"]) == ("moisture", "moisture")
    assert (by_id["X5"]["rise_kind"], by_id["X5"]["reason"]) == ("leak", "leak")
    assert (by_id["X4"]["p_leak"], by_id["X4"]["rise_kind"], by_id["X4"]["reason"]) == (None, None, "no_hold")
    assert by_id["X4"]["more_hold_minutes"] is None
    # whatever the order of the rows
    back = weighed(rows[::-1], NO_COPIES, Settings()).sort("evacuation_id")
    assert back.equals(got.sort("evacuation_id"))


def test_a_rise_that_the_fleet_leaves_open_says_how_much_longer() -> None:
    tight = tight_fleet(600)
    doubts = [(f"D{k:03d}", "failed", "leak", evidence(0.5 / 1.02**k, 1.0)) for k in range(200)]
    got = weighed(measure(*tight, *doubts), NO_COPIES, Settings())
    open_ = got.filter(pl.col("rise_kind") == "undetermined")
    assert open_.height > 0
    assert open_["p_leak"].is_between(0.47, 0.53).all()
    assert (open_["more_hold_minutes"] == 55.0).all()
    assert (open_["reason"] == "rise_unexplained").all()
    assert (got.filter(pl.col("rise_kind") != "undetermined")["more_hold_minutes"] == 0.0).all()


def test_copies_tell_nothing_and_a_few_logs_leave_each_for_itself() -> None:
    rows = measure(*tight_fleet(600), ("X1", "failed", "leak", evidence(0.05, 1.0)))
    copied = rows.filter(pl.col("evacuation_id").str.starts_with("T"))["evacuation_id"]
    assert weighed(rows, copied, Settings()).equals(rows.drop(schemas.WEIGHED))
    assert weighed(rows, NO_COPIES, Settings())["p_leak"][-1] < rows["p_leak"][-1] - 0.1
    few = measure(("X1", "failed", "leak", evidence(0.05, 1.0)))
    assert weighed(few, NO_COPIES, Settings()).equals(few.drop(schemas.WEIGHED))
    none = few.clear()
    assert weighed(none, NO_COPIES, Settings()).height == 0


def test_what_is_told_is_put_in_where_it_is_told() -> None:
    rows = measure(("A", "failed", "leak", evidence(1.0, 1.0)), ("B", "unproven", "recycled_log", None)).drop(
        schemas.WEIGHED
    )
    told = rows.with_columns(
        pl.lit(0.2).alias("p_leak"), pl.lit(0.9).alias("p_moisture"), pl.lit("moisture").alias("rise_kind"),
        pl.lit("moisture").alias("reason"), pl.lit(0.0).alias("more_hold_minutes"),
    )  # fmt: skip
    got = put_in(rows, told)
    assert got.columns == rows.columns
    assert got["reason"].to_list() == ["moisture", "recycled_log"]
    assert got["p_leak"].to_list() == [0.2, 0.2]
    assert put_in(rows, told.clear()).equals(rows)
    assert set(TOLD_BY_FLEET) <= set(rows.columns)
    assert CASES == 6
