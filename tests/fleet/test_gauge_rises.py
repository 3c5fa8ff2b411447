"""Rises of tight circuits as a witness of a gauge: an error put in is found within its bounds, and none where there is none."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from blankoff.fleet.gauge_rises import FEWEST_RISES, gauge_rises
from blankoff.fleet.gauge_witness import Witness, told


def work(seed: int, rows: int = 900, gauges: int = 9) -> pl.DataFrame:
    """Rises that differ by a factor of two on like work and shrink with the volume; gauge G0 reads 35 % high from half-way on."""
    rng = np.random.default_rng(seed)
    day = np.sort(rng.uniform(0.0, 500.0, rows))
    gauge = rng.integers(0, gauges, rows)
    volume = np.exp(rng.uniform(0.0, 4.0, rows))
    rise = (
        120.0
        * volume**-0.15
        * np.exp(0.7 * rng.standard_normal(rows))
        * np.where((gauge == 0) & (day > 250.0), 1.35, 1.0)
    )
    begin = datetime(2025, 5, 1, tzinfo=UTC)
    return pl.DataFrame(
        {
            "evacuation_id": [f"E{i}" for i in range(rows)],
            "started_at": [begin + timedelta(days=float(d)) for d in day],
            "gauge_id": [f"G{g}" for g in gauge],
            "technician_id": [f"T{g}" for g in gauge],
            "volume_l": volume,
            "hold_start_micron": 100.0,
            "hold_end_micron": 100.0 + rise,
            "hold_minutes": 12.0,
            "pumped_minutes": 30.0,
            "p_leak": 0.1,
            "leak_micron_per_min": 1.0,
            "plateau_micron": None,
        }
    ).with_columns(pl.col("plateau_micron").cast(pl.Float64))


def from_half_way(rises: Witness) -> tuple[float, float]:
    middle = float(datetime(2025, 5, 1, tzinfo=UTC).timestamp()) / 86_400.0 + 250.0
    estimate, information = told(rises, rises.weights(), (rises.day > middle).astype(np.float64))
    return estimate, information**-0.5


def test_an_error_is_found_within_its_bounds() -> None:
    scores, innocent = [], []
    for seed in range(12):
        every = gauge_rises(work(seed))
        estimate, se = from_half_way(every["G0"])
        assert 0.05 < se < 0.3
        scores.append((estimate - np.log(1.35)) / se)
        innocent += [e / s for e, s in (from_half_way(every[g]) for g in ("G1", "G5", "G8"))]
    assert abs(np.mean(scores)) < 1.0
    assert 0.4 < np.std(scores) < 1.6
    assert np.mean(np.abs(innocent) < 1.645) > 0.75


def test_leaks_wet_jobs_and_short_holds_say_nothing() -> None:
    sound = work(3)
    for column, value in (
        ("p_leak", 0.9),
        ("plateau_micron", 4000.0),
        ("hold_minutes", 2.0),
        ("leak_micron_per_min", 50.0),
    ):
        assert gauge_rises(sound.with_columns(pl.lit(value).alias(column))) == {}
    assert gauge_rises(sound.head(FEWEST_RISES - 1)) == {}
    assert gauge_rises(sound.drop("gauge_id")) == {}


def test_jobs_left_out_say_nothing() -> None:
    every = gauge_rises(work(5))["G0"]
    some = every.between(float(every.day[0]), float(every.day[-1]), set(every.job[::2]))
    assert some.job == every.job[1::2]
    assert some.shared[1][1] == every.shared[1][1][1::2]
    assert from_half_way(some)[1] > from_half_way(every)[1]


def test_order_of_rows_does_not_count() -> None:
    one, other = gauge_rises(work(4)), gauge_rises(work(4).sample(fraction=1.0, shuffle=True, seed=1))
    assert from_half_way(one["G0"]) == pytest.approx(from_half_way(other["G0"]), rel=1e-9)
