"""A habit is not kept to on every job, and goes where its owner goes."""

from __future__ import annotations

import numpy as np

from blankoff.fleet.wear_habits import now_and_then, slow_elsewhere
from blankoff.fleet.wear_levels import GRID, MOVES, level_paths
from tests.fleet.test_wear_levels import like_of


def test_a_job_or_two_done_as_others_do_are_no_end_of_a_habit() -> None:
    rng = np.random.default_rng(4)
    days, values = np.arange(60) * 4.0, -0.6 + 0.08 * rng.standard_normal(60)
    values[[7, 20, 41, 58, 59]] += 0.6
    like = like_of(values)
    kept_to = level_paths("T", days, like, MOVES["technician"])
    habit = level_paths("T", days, now_and_then(like), MOVES["technician"])
    assert np.mean(kept_to.now < -0.4) < 0.3
    assert np.mean(habit.now < -0.4) > 0.9
    assert abs(np.median(habit.now) + 0.6) < 0.05


def test_whoever_rigs_as_others_do_stays_so() -> None:
    rng = np.random.default_rng(5)
    values = 0.08 * rng.standard_normal(60)
    values[::15] -= 0.6
    paths = level_paths("T", np.arange(60) * 4.0, now_and_then(like_of(values)), MOVES["technician"])
    assert np.mean(paths.now < -0.1) < 0.05


def test_a_habit_shows_with_others_hose_sets_too() -> None:
    hoses = ["H1"] * 20 + ["H2", "H3", "H4", "H5"]
    slow = np.full(24, -0.6)
    assert slow_elsewhere(now_and_then(like_of(slow)), hoses, -0.6)
    assert not slow_elsewhere(now_and_then(like_of(slow)), ["H1"] * 24, -0.6)
    only_at_home = np.where(np.arange(24) < 20, -0.6, 0.0)
    assert not slow_elsewhere(now_and_then(like_of(only_at_home)), hoses, -0.6)
    assert GRID[0] < -0.6
