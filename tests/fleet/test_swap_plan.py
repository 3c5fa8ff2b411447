"""The swap plan pays: in its own arithmetic, in simulated months, and in a fleet that lives through the month."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from blankoff.fleet.attribution import Attribution, attribute
from blankoff.fleet.swap_plan import PLAN_SCHEMA, SwapPlan, plan_swaps, simulate_month
from blankoff.settings import Settings
from tests.fleet.frames import DrawnFleet, Exchange, Plan, draw_fleet

PLAN = Plan(seed=61, technicians=14, evacuations=1900, months=13, never_parted_share=0.3)
TODAY = PLAN.ends_on - timedelta(days=31)


@pytest.fixture(scope="module")
def made() -> tuple[DrawnFleet, Attribution, SwapPlan]:
    fleet = draw_fleet(PLAN)
    today = attribute(fleet.work, fleet.services, Settings(), TODAY)
    return fleet, today, plan_swaps(fleet.work, today)


def test_the_plan_names_open_questions_and_what_they_gain(made: tuple[DrawnFleet, Attribution, SwapPlan]) -> None:
    _, today, plan = made
    table = plan.table
    assert table.columns == list(PLAN_SCHEMA)
    assert 1 <= table.height <= 5
    assert (table["doubt_with"] < table["doubt_without"]).all()
    assert table["rank"].to_list() == list(range(1, table.height + 1))
    crew = [*table["first_technician_id"], *table["second_technician_id"]]
    assert len(crew) == len(set(crew))
    tied = {f"{f}:{v}" for f, v in today.effect.filter(~pl.col("separable")).select("factor", "level_id").iter_rows()}
    for pairs in table["tells_apart"]:
        assert any(pair.split(" from ")[0] in tied for pair in pairs)


def test_simulated_months_confirm_the_gain(made: tuple[DrawnFleet, Attribution, SwapPlan]) -> None:
    """400 months drawn from the posterior: with the exchanges open questions are missed by less, as the plan says."""
    _, _, plan = made
    months = simulate_month(plan, seed=5)
    assert months["open_questions"].sum() > 10
    assert (months["error_with"] < months["error_without"]).all()
    assert (months["error_without"] <= months["error_today"] * 1.02).all()


def test_the_month_lived_with_and_without_the_exchanges(made: tuple[DrawnFleet, Attribution, SwapPlan]) -> None:
    """The same fleet, the same days, the same circuits: only the planned gear changed vans for the last month."""
    fleet, today, plan = made
    exchanges = tuple(
        Exchange(row["factor"], row["first_technician_id"], row["second_technician_id"], TODAY)
        for row in plan.table.iter_rows(named=True)
    )
    swapped = draw_fleet(replace(PLAN, exchanges=exchanges))
    before = fleet.work["started_on"] <= TODAY
    assert swapped.work.filter(before).equals(fleet.work.filter(before))
    without = attribute(fleet.work, fleet.services, Settings(), PLAN.ends_on).effect
    with_them = attribute(swapped.work, swapped.services, Settings(), PLAN.ends_on).effect
    key = ["factor", "level_id", "measure"]
    moved = {*plan.table["first_id"], *plan.table["second_id"]}
    open_now = today.effect.filter(~pl.col("separable") & pl.col("level_id").is_in(sorted(moved))).select(key)
    both = open_now.join(without, on=key).join(with_them, on=key, suffix="_with")
    assert both.height >= 6
    assert not both["separable"].any()
    assert both["separable_with"].mean() > 0.9
    told = both.filter(pl.col("measure") == "speed_deep")
    assert told["doubt_left_with"].mean() < told["doubt_left"].mean()


def test_nothing_open_nothing_planned() -> None:
    fleet = draw_fleet(Plan(seed=3, technicians=8, evacuations=900, never_parted_share=0.0, borrow_share=0.3))
    found = attribute(fleet.work, fleet.services, Settings(), fleet.plan.ends_on)
    assert found.effect["separable"].all()
    assert plan_swaps(fleet.work, found).table.height == 0
    empty = attribute(fleet.work.head(0), fleet.services, Settings(), fleet.plan.ends_on)
    assert plan_swaps(fleet.work.head(0), empty).table.height == 0


def test_the_plan_follows_no_row_order(made: tuple[DrawnFleet, Attribution, SwapPlan]) -> None:
    fleet, today, plan = made
    again = plan_swaps(fleet.work.sample(fraction=1.0, shuffle=True, seed=2), today)
    assert again.table.equals(plan.table)
    assert np.isfinite(plan.table["doubt_with"].to_numpy()).all()
