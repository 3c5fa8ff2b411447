"""Outcome groups: stable, deterministic, with a noise class and names that follow from their centres."""

from __future__ import annotations

import polars as pl
from sklearn.metrics import adjusted_rand_score

from blankoff.fleet.groups import FEATURES, NOT_GROUPED, group_name, outcome_groups
from tests.fleet.practice_frames import Crew, Habit, draw_work


def test_groups_part_what_went_differently_and_do_not_depend_on_row_order() -> None:
    crew = Crew(technicians=12, skipped={1: Habit(0.5), 2: Habit(0.5)})
    work = draw_work(crew, seed=5)
    grouped = outcome_groups(work, seed=1)
    again = outcome_groups(work.sample(fraction=1, shuffle=True, seed=9), seed=1)
    assert grouped.members.equals(again.members)
    assert grouped.summary.equals(again.summary)
    assert grouped.members.height == work.height
    assert grouped.summary.height >= 2
    assert (grouped.summary["stability"] >= 0.7).all()
    joined = work.join(grouped.members, on="evacuation_id")
    leaks = joined.filter(pl.col("reason") == "leak")["group_name"].mode().to_list()
    assert any("climbs" in name for name in leaks)
    skipped = joined.filter(pl.col("reason") == "no_hold")["group_name"].mode().to_list()
    assert any("no hold" in name for name in skipped)
    other = outcome_groups(work, seed=2)
    assert adjusted_rand_score(grouped.members["group_id"], other.members["group_id"]) > 0.7


def test_what_is_like_no_other_is_in_no_group() -> None:
    work = draw_work(Crew(technicians=10), seed=6)
    odd = work["evacuation_id"][17]
    work = work.with_columns(
        *(
            pl.when(pl.col("evacuation_id") == odd).then(value).otherwise(pl.col(name)).alias(name)
            for name, value in (("moisture_rise_micron", 9e4), ("plateau_minutes", 590.0), ("minutes_to_1000", 1900.0))
        )
    )
    members = outcome_groups(work, seed=1).members
    assert members.filter(pl.col("evacuation_id") == odd)["group_id"].item() == NOT_GROUPED


def test_a_handful_is_not_grouped() -> None:
    grouped = outcome_groups(draw_work(Crew(technicians=1, jobs_each=12), seed=1), seed=1)
    assert set(grouped.members["group_id"]) == {NOT_GROUPED}
    assert grouped.summary.is_empty()


def test_names_follow_from_the_centre() -> None:
    centre = dict.fromkeys(FEATURES, 0.0) | {"hold_share": 1.0, "ln_pull": 3.0, "ln_vacuum": -0.7, "ln_floor": -1.0}
    assert group_name(centre, 0.0) == "stands flat, usual pull"
    assert group_name(centre | {"ln_steady": 4.5}, 0.9) == "climbs steadily, usual pull"
    assert group_name(centre | {"hold_share": 0.0}, 0.0).startswith("no hold")
