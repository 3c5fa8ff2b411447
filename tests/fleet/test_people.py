"""Technicians' rates: bounds cover the truth, habits are found and dated, hard work and weak pumps blame nobody."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from blankoff import schemas
from blankoff.fleet.people import habits, select_discoveries, talk_effects
from blankoff.fleet.practice import fault_events, month_end, practice_table
from blankoff.fleet.rates import UNSURE, rate_prior, standing_rate
from blankoff.settings import FleetModels
from tests.fleet.practice_frames import Crew, Habit, draw_work

AS_OF = date(2026, 10, 31)
RULES = FleetModels()
NO_TALKS = schemas.COACHING.empty()


def test_bounds_of_standing_rates_cover_the_truth() -> None:
    """90 % bounds over 60 fleets: Monte Carlo error of the coverage is 0.8 % (1 440 rates)."""
    rng = np.random.default_rng(7)
    covered = []
    for _ in range(60):
        truth = np.where(rng.random(24) < 0.15, rng.uniform(0.2, 0.5, 24), rng.beta(2, 50, 24))
        jobs = rng.integers(20, 180, 24)
        faults = [(rng.random(n) < p).astype(np.int64) for n, p in zip(jobs, truth, strict=True)]
        prior = rate_prior(np.array([f.sum() for f in faults]), jobs)
        for f, p in zip(faults, truth, strict=True):
            rate = standing_rate(f, prior)
            covered.append(rate.quantile(0.05) <= p <= rate.quantile(0.95))
    assert 0.86 <= np.mean(covered) <= 0.95


def test_jobs_that_show_nothing_bias_no_rate() -> None:
    """3 in 10 skipped holds and 12 in 1000 holds end standing still: neither is told from the other (own simulation)."""
    rng = np.random.default_rng(12)
    rates = rng.beta(0.8, 12.0, 300)
    jobs = []
    for rate in rates:
        skipped = rng.random(60) < rate
        still = rng.random(60) < np.where(skipped, 0.3, 0.012)
        jobs.append(np.where(still, UNSURE, skipped.astype(float)))
    prior = rate_prior(
        *(np.array([f(y) for y in jobs]) for f in (lambda y: np.sum(y == 1), np.size, lambda y: np.sum(y == UNSURE)))
    )
    found = [standing_rate(y, prior) for y in jobs]
    assert abs(np.mean([p.mean for p in found]) - rates.mean()) < 0.01
    covered = [p.quantile(0.05) <= rate <= p.quantile(0.95) for p, rate in zip(found, rates, strict=True)]
    assert 0.85 < np.mean(covered) < 0.96
    counted = np.mean([np.mean(y > 0) for y in jobs])
    assert counted > rates.mean() + 0.008, "counted as skipped, they would be a sixth too many"


@pytest.mark.scheduled
def test_a_pull_that_ends_standing_still_may_hide_a_hold(crew_work: pl.DataFrame) -> None:
    still = crew_work.with_columns(pl.when(pl.col("reason") == "no_hold").then(12.0).alias("still_minutes"))
    events = fault_events(still)
    none = events.filter(pl.col("no_hold") == 1)
    assert none.height > 0
    assert (none["skipped"] == UNSURE).all()
    table = practice_table(still, NO_TALKS, RULES, AS_OF)
    plain = practice_table(crew_work, NO_TALKS, RULES, AS_OF)
    assert table["holds_skipped"].equals(plain["holds_skipped"])
    assert table["skipped_rate"].mean() < plain["skipped_rate"].mean()  # type: ignore[operator]


def test_a_rate_that_changed_is_given_as_it_stands() -> None:
    rng = np.random.default_rng(5)
    faults = np.concatenate([rng.random(80) < 0.03, rng.random(40) < 0.4]).astype(np.int64)
    rate = standing_rate(faults, rate_prior(np.array([3, 2, 4, 20]), np.array([100, 90, 110, 120])))
    assert rate.quantile(0.05) < 0.4 < rate.quantile(0.95)
    assert rate.change_weight[0] < 0.01
    assert abs(int(rate.change_weight[1:].argmax()) + 1 - 80) <= 8


def test_discoveries_keep_the_mean_local_rate() -> None:
    """The rule picks the largest set whose mean local rate is at or below the level (CALC)."""
    picked = select_discoveries(np.array([0.30, 0.001, 0.04, 0.2, 0.06]), 0.05)
    assert picked.tolist() == [False, True, True, False, True]


@pytest.fixture(scope="module")
def crew_work() -> pl.DataFrame:
    crew = Crew(
        skipped={2: Habit(0.35), 9: Habit(0.02, 0.4, date(2026, 2, 1))},
        short={5: Habit(0.35)},
        early={7: Habit(0.3)},
        wet_kind_of={11: 0.9, 12: 0.95},
        overclaims={5: 0.95, 7: 0.9},
    )
    return draw_work(crew, seed=3)


def test_habits_are_found_and_hard_work_is_not_blamed(crew_work: pl.DataFrame) -> None:
    found = habits(crew_work, NO_TALKS, RULES, AS_OF).filter("found")
    got = set(zip(found["kind"], found["technician_id"], strict=True))
    assert got >= {
        ("holds_skipped", "T02"),
        ("holds_skipped", "T09"),
        ("holds_cut_short", "T05"),
        ("pumping_stopped_early", "T07"),
        ("reported_pass_rate", "T05"),
    }
    assert not [t for _, t in got if t in ("T11", "T12")], "hard jobs are not a habit"
    late = found.filter((pl.col("kind") == "holds_skipped") & (pl.col("technician_id") == "T09")).row(0, named=True)
    assert abs((late["since"] - date(2026, 2, 1)).days) <= 30
    assert late["excess_lower"] > 0.05
    assert set(late["evidence"]) <= set(crew_work.filter(pl.col("reason") == "no_hold")["evacuation_id"])


def test_nothing_is_found_where_nothing_is_wrong() -> None:
    """Over 6 healthy fleets (216 technician-years) at most 0.03 false findings per technician-year."""
    false = sum(habits(draw_work(Crew(), seed=100 + k), NO_TALKS, RULES, AS_OF)["found"].sum() for k in range(6))
    assert false <= 0.03 * 6 * 24 * 1.5


def test_month_by_month_is_the_same_as_at_once(crew_work: pl.DataFrame) -> None:
    months = ["2025-12", "2026-03"]
    at_once = practice_table(crew_work, NO_TALKS, RULES, AS_OF, months)
    alone = practice_table(crew_work, NO_TALKS, RULES, month_end("2025-12"), ["2025-12"])
    assert at_once.filter(pl.col("month") == "2025-12").equals(alone)
    shuffled = practice_table(crew_work.sample(fraction=1, shuffle=True, seed=1), NO_TALKS, RULES, AS_OF, months)
    assert shuffled.equals(at_once)


def test_counts_part_the_owed_logs(crew_work: pl.DataFrame) -> None:
    table = practice_table(crew_work, NO_TALKS, RULES, AS_OF, ["2026-03"])
    assert table.columns == schemas.PRACTICE.names
    parts = table["holds_full"] + table["holds_short"] + table["holds_skipped"] + table["targets_missed"]
    assert (parts == table["holds_owed"]).all()
    events = fault_events(crew_work).filter(pl.col("month") == "2026-03")
    assert table["evacuations"].sum() == events.height
    assert table["logs_missing"].sum() == events["log_missing"].sum()
    assert ((table["skipped_lower"] <= table["skipped_rate"]) & (table["skipped_rate"] <= table["skipped_upper"])).all()


def test_a_talk_that_worked_and_one_that_did_not() -> None:
    crew = Crew(skipped={2: Habit(0.4, 0.03, date(2026, 3, 1)), 4: Habit(0.4)})
    work = draw_work(crew, seed=8)
    talks = pl.DataFrame(
        {
            "coached_on": [date(2026, 3, 1)] * 2,
            "technician_id": ["T02", "T04"],
            "topic": ["holds_skipped"] * 2,
        }
    )
    effects = {r["technician_id"]: r for r in talk_effects(work, talks, RULES, AS_OF).iter_rows(named=True)}
    assert effects["T02"]["p_improved"] > 0.99
    assert effects["T02"]["change_upper"] < 0
    assert effects["T04"]["change_lower"] < 0 < effects["T04"]["change_upper"]
    now = habits(work, talks, RULES, AS_OF).filter("found")
    assert "T04" in now["technician_id"].to_list()
    assert "T02" not in now["technician_id"].to_list(), "a habit that ended is no finding any more"


def test_a_floor_held_up_by_the_hose_set_is_not_stopped_early() -> None:
    """Whoever rides with a set that began to leak misses targets for it, with whatever pump; the first few look like his."""
    work = draw_work(Crew(technicians=6, jobs_each=60), seed=5).sort("started_at")
    since = (pl.col("technician_id") == "T03") & (pl.col("started_on") >= date(2026, 2, 1))
    mine = since & (pl.col("reason") == "held") & (pl.col("plateau_minutes") == 0.0)
    held = work.filter(mine)["evacuation_id"].to_list()
    missed = pl.col("evacuation_id").is_in(held)
    # another's pump, so that the set alone can tell
    leaking = work.with_columns(
        pl.when(missed).then(905.0).otherwise("lowest_pumped_micron").alias("lowest_pumped_micron"),
        pl.when(since).then(900.0).otherwise("floor_micron").alias("floor_micron"),
        pl.when(since).then(pl.lit("P01")).otherwise("pump_id").alias("pump_id"),
        pl.when(missed).then(pl.lit("target_missed")).otherwise("reason").alias("reason"),
    )
    told = fault_events(leaking).filter(missed)["stopped_early"].to_list()
    assert len(told) > 8
    assert told[4:] == [0] * (len(told) - 4)
    assert told[0] == 1, "before the set has shown it, the miss counts"


def test_pumping_ended_early_counts_whatever_came_of_the_hold() -> None:
    """A quick pull that stops above the target and then fails is still a pull that was stopped; one that crawls is not."""
    work = draw_work(Crew(technicians=6, jobs_each=60), seed=5).sort("started_at")
    mine = (pl.col("technician_id") == "T03") & (pl.col("reason") == "held") & (pl.col("kind") == "split")
    some = pl.col("evacuation_id").is_in(work.filter(mine)["evacuation_id"].to_list()[10:20])

    def stopped(minutes_since_1000: float, lowest: float = 700.0, starts_at: float = 700.0) -> list[int]:
        changed = work.with_columns(
            pl.when(some).then(lowest).otherwise("lowest_pumped_micron").alias("lowest_pumped_micron"),
            pl.when(some).then(starts_at).otherwise("hold_start_micron").alias("hold_start_micron"),
            pl.when(some).then(lowest).otherwise("floor_micron").alias("floor_micron"),
            pl.when(some).then(pl.lit("moisture")).otherwise("reason").alias("reason"),
            pl.when(some).then(8.0).otherwise("minutes_to_1000").alias("minutes_to_1000"),
            pl.when(some).then(8.0 + minutes_since_1000).otherwise("pumped_minutes").alias("pumped_minutes"),
        )
        return fault_events(changed).filter(some)["stopped_early"].to_list()

    assert stopped(2.0) == [1] * 10
    assert stopped(4.0, lowest=940.0) == [0] * 10, "at that pace it would have needed forty minutes more"
    assert stopped(90.0) == [0] * 10, "whoever pumps far longer than usual has not stopped early"
    assert stopped(2.0, starts_at=480.0) == [0] * 10, "the last reading before the valve was shut came too soon"


def test_nobody_is_blamed_for_signing_what_may_have_held() -> None:
    """Whoever meets more pulls that end standing still, and signs them, is no worse than his peers."""
    crew = Crew(technicians=12, jobs_each=150, skipped={3: Habit(0.3)}, overclaims={7: 0.8})
    work = draw_work(crew, seed=8)
    may_have_held = pl.col("reason") == "no_hold"
    work = work.with_columns(
        pl.when(may_have_held).then(30.0).alias("still_minutes"),
        pl.when(may_have_held).then(pl.lit("passed")).otherwise("reported").alias("reported"),
    )
    found = habits(work, NO_TALKS, RULES, AS_OF).filter(pl.col("kind") == "reported_pass_rate")
    assert found.filter("found")["technician_id"].to_list() == ["T07"]
    skipper = found.row(by_predicate=pl.col("technician_id") == "T03", named=True)
    assert skipper["rate"] < 0.3


def test_a_van_whose_holds_show_nothing_names_nobody() -> None:
    work = draw_work(Crew(technicians=12, jobs_each=150, skipped={3: Habit(0.3)}), seed=9)
    flat = (pl.col("technician_id") == "T04") & (pl.col("reason") == "held") & (pl.col("started_on").dt.day() <= 8)
    work = work.with_columns(
        pl.when(flat).then(30.0).alias("still_minutes"),
        pl.when(flat).then(pl.lit("no_hold")).otherwise("reason").alias("reason"),
        pl.when(flat).then(pl.lit("unproven")).otherwise("verdict").alias("verdict"),
    )
    assert work.filter(flat | (pl.col("still_minutes") > 0)).height > 25
    found = habits(work, NO_TALKS, RULES, AS_OF).filter("found")
    assert found["technician_id"].to_list() == ["T03"]
