"""What an asset's jobs say of a shift, against the plain way; and vans worked on side by side as if one after another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from blankoff.fleet.wear_noise import USUAL, row_likelihood
from blankoff.fleet.wear_shifts import IN_BANDS, SHIFTS
from blankoff.fleet.wear_speeds import CONSTANTS_MEAN, FACTORS, LEVELS, predicted, speed_table
from blankoff.fleet.wear_state import Asset, State, likelihood_on_grid
from blankoff.fleet.wear_untangle import side_by_side
from tests.fleet.frames import Plan, draw_fleet


def test_jobs_say_the_same_as_prediction_and_likelihood_one_after_the_other() -> None:
    table = speed_table(draw_fleet(Plan(seed=3, evacuations=200)).work)
    n, draw = table.day.size, np.random.default_rng(5)
    table = replace(table, cap_ln=np.where(draw.random(n) < 0.5, np.inf, draw.normal(0.5, 0.5, n)))
    for name in ("viscous", "line", "above"):  # whatever may be missing beside what is there
        table = replace(table, **{name: np.where(draw.random(n) < 0.3, np.nan, getattr(table, name))})
    base = draw.normal(0.0, 0.2, (len(LEVELS), n))
    shapes = tuple(np.tile(USUAL.as_row(), (n, 1)) for _ in range(3))
    state = State(table, CONSTANTS_MEAN, shapes, base)
    for factor in FACTORS:
        for keep in (True, False):
            rows = np.sort(draw.choice(n, 40, replace=False))
            moved = {factor: SHIFTS[factor]} | {k: v for k, v in IN_BANDS.items() if k.startswith(factor)}
            level = {f: base[k, rows][:, None] * (keep or f not in moved) for k, f in enumerate(LEVELS)}
            plain = np.zeros((rows.size, SHIFTS[factor].size))
            for here, (value, variance), shape in zip(
                predicted(table, CONSTANTS_MEAN, rows, level, moved), table.values(), shapes, strict=True
            ):
                plain += row_likelihood(value[rows], here, variance[rows], shape[rows])
            assert np.array_equal(likelihood_on_grid(state, factor, rows, SHIFTS[factor], keep), plain)


def test_groups_that_share_jobs_are_worked_on_in_their_order() -> None:
    draw = np.random.default_rng(6)
    groups = [
        [
            Asset("pump", str(k), 0, np.sort(draw.choice(60, 4, replace=False))),
            Asset("hose", str(k), 0, draw.choice(60, 2)),
        ]
        for k in range(40)
    ]
    rows = [np.unique(np.concatenate([a.rows for a in group])) for group in groups]

    def laid(value: np.ndarray, k: int) -> bool:
        wanted = bool(value[rows[k]].sum() % 3 != 1)
        if wanted:
            value[rows[k]] = value[rows[k]] * 2 + k
        return wanted

    plain = np.zeros(60, dtype=np.int64)
    for k in range(len(groups)):
        laid(plain, k)
    value = np.zeros(60, dtype=np.int64)

    def work(k: int) -> None:
        laid(value, k)

    side_by_side(groups, 60, lambda k: bool(value[rows[k]].sum() % 3 != 1), work)
    assert np.array_equal(value, plain)
    assert np.any(value)
