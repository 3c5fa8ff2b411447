"""Order of a day's oil change and jobs, plates as anchors of fresh blank-off, and loads nobody measured."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from blankoff.fleet.oil_changes import dated_changes, settled_rows
from blankoff.fleet.oil_floors import floor_likelihood, floor_moments
from blankoff.fleet.oil_history import oil_histories
from blankoff.fleet.oil_kernels import FRESH
from blankoff.fleet.oil_model import fit_fleet, prior_arrays, pump_rows
from blankoff.fleet.pump_side import LOAD_SE_LN, likely_load, pump_side_floors
from tests.fleet.test_oil_model import drawn, rows_of

BEGINS = datetime(2026, 1, 5, 8, tzinfo=UTC)


def changed_on_the_day(after: bool, wet_g: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Six pumps, a job every other day; oil is changed at 10 hours on the day of a job, after it or before it.

    Blank-off = 30 + 90 (h / 10)^1.2 + 1.5 g microns (CALC); the job of the change swallows ``wet_g``.
    """
    rng = np.random.default_rng(5)
    work, services = [], []
    for p in range(6):
        hours = grams = 0.0
        for k in range(70):
            at = BEGINS + timedelta(days=2 * k, hours=p / 4)
            minutes = float(rng.uniform(20, 60))
            due = hours > 9.0
            if due:
                services.append((at.date(), "pump", f"P{p}", "oil_change"))
            if due and not after:
                hours = grams = 0.0
            wet = wet_g if due else 0.0
            grams += wet
            blank = 30.0 + 90.0 * ((hours + minutes / 120.0) / 10.0) ** 1.2 + 1.5 * grams
            hours += minutes / 60.0 + 0.1
            floor = (blank + 10.0 * np.exp(0.3 * rng.normal())) * np.exp(0.03 * rng.normal())
            work.append(
                {
                    "evacuation_id": f"E{p}{k:02d}", "started_at": at, "pump_id": f"P{p}", "hose_id": f"H{p}",
                    "gauge_id": f"G{p}", "technician_id": f"T{p}", "floor_micron": floor, "floor_se_micron": 0.01 * floor,
                    "deep_rate_per_s": 0.05, "leak_micron_per_min": 40.0, "moisture_rise_micron": 0.0,
                    "rise_time_constant_min": None, "required_hold_minutes": 10.0, "pumped_minutes": minutes,
                    "rated_l_per_s": 2.4, "bore_mm": 40.0, "length_m": 1.5, "volume_l": None, "water_g": wet,
                }
            )  # fmt: skip
            if due and after:
                hours = grams = 0.0
    frame = pl.DataFrame(work, schema_overrides={"volume_l": pl.Float64, "rise_time_constant_min": pl.Float64})
    frame = frame.with_columns(
        pl.col("started_at").cast(pl.Datetime("us", "UTC")), pl.col("started_at").dt.date().alias("started_on")
    )
    schema = {"serviced_on": pl.Date, "asset": pl.String, "asset_id": pl.String, "action": pl.String}
    return frame, pl.DataFrame(services, schema=schema, orient="row")


@pytest.mark.parametrize(("after", "wet_g"), [(False, 0.0), (True, 0.0), (True, 40.0)])
def test_floors_tell_whether_the_change_came_before_the_job(after: bool, wet_g: float) -> None:
    work, services = changed_on_the_day(after, wet_g)
    as_of = work["started_on"].max()
    rows = settled_rows(work, services, pump_side_floors(work), as_of)  # type: ignore[arg-type]
    at_change = [
        (r.oil.pump_id, d, int(r.oil.fill[i]), int(np.searchsorted(r.oil.changes, d, side="right")))
        for r in rows
        for i, d in enumerate(r.oil.date)
        if d in set(r.oil.changes)
    ]
    assert len(at_change) >= 12
    right = [fill == (number - 1 if after else number) for _, _, fill, number in at_change]
    assert np.mean(right) >= 0.9


def test_without_floors_a_change_comes_first() -> None:
    work, services = changed_on_the_day(True, 0.0)
    blind = work.with_columns(pl.lit(None).cast(pl.Float64).alias("floor_micron"))
    as_of = work["started_on"].max()
    rows = settled_rows(blind, services, pump_side_floors(blind), as_of)  # type: ignore[arg-type]
    oil = oil_histories(work, services, as_of)  # type: ignore[arg-type]
    assert [r.oil.fill.tolist() for r in rows] == [o.fill.tolist() for o in oil]


def test_settling_knows_no_order_of_rows() -> None:
    work, services = changed_on_the_day(True, 20.0)
    as_of = work["started_on"].max()

    def fills(frame: pl.DataFrame) -> list[list[int]]:
        return [r.oil.fill.tolist() for r in settled_rows(frame, services, pump_side_floors(frame), as_of)]  # type: ignore[arg-type]

    assert fills(work) == fills(work.sample(fraction=1.0, shuffle=True, seed=3))


def test_uses_are_dated_by_the_fleets_calendar() -> None:
    """A job at 22:00 of the day before a change, already the next day by UTC, ran on the old oil."""
    work, _ = changed_on_the_day(False, 0.0)
    one = work.head(1).with_columns(
        pl.lit(datetime(2026, 3, 2, 4, tzinfo=UTC)).cast(pl.Datetime("us", "UTC")).alias("started_at"),
        pl.lit(date(2026, 3, 1)).alias("started_on"),
    )
    schema = {"serviced_on": pl.Date, "asset": pl.String, "asset_id": pl.String, "action": pl.String}
    change = pl.DataFrame([(date(2026, 3, 2), "pump", "P0", "oil_change")], schema=schema, orient="row")
    (oil,) = oil_histories(one, change, date(2026, 3, 31))
    assert oil.fill.tolist() == [0]


def test_plates_anchor_fresh_blankoff() -> None:
    """Plates that hold draw a pump without history to its own plate; plates that say nothing leave it to the fleet."""
    work, services, _ = drawn(seed=4, pumps=8)
    as_of = work["started_on"].max()
    plain = fit_fleet(rows_of(work, services, as_of))
    fresh = {r.oil.pump_id: float(np.exp(f.theta[FRESH])) for r, f in zip(plain.rows, plain.fits, strict=True)}
    stated = work.with_columns(pl.col("pump_id").replace_strict(fresh).alias("rated_blankoff_micron"))
    told = fit_fleet(rows_of(stated, services, as_of), rounds=6)
    assert told.prior.rated is not None
    assert told.prior.rated.sd < 0.2
    assert told.prior.rated.slope == pytest.approx(1.0, abs=0.4)
    newcomer = (
        stated.filter(pl.col("pump_id") == "P0")
        .head(1)
        .with_columns(pl.lit("P9").alias("pump_id"), pl.lit(90.0).alias("rated_blankoff_micron"))
    )
    rows = pump_rows(oil_histories(newcomer, services, as_of), pump_side_floors(newcomer))
    mean, precision = prior_arrays(told.prior, rows[0])
    assert np.exp(mean[FRESH]) == pytest.approx(90.0, rel=0.5)
    assert precision[FRESH] == pytest.approx(1.0 / told.prior.rated.sd**2)
    same = stated.with_columns(pl.lit(25.0).alias("rated_blankoff_micron"))
    alike = fit_fleet(rows_of(same, services, as_of), rounds=6)
    worst = max(abs(f.theta[FRESH] - g.theta[FRESH]) for f, g in zip(alike.fits, plain.fits, strict=True))
    assert worst < 0.25


def test_likely_loads_lean_on_circuits_of_their_volume() -> None:
    """Loads drawn as exp(1 + 0.5 ln V + own + measurement): the shrunken are nearer the truth than the measured."""
    rng = np.random.default_rng(3)
    volume = np.exp(rng.uniform(0, 4, 600))
    true = 1.0 + 0.5 * np.log(volume) + 0.8 * rng.normal(size=600)
    measured = np.exp(true + LOAD_SE_LN * rng.normal(size=600))
    measured[::5] = np.nan
    load, se = likely_load(measured, volume)
    known = np.isfinite(measured)
    error = np.log(load) - true
    assert np.std(error[known]) < 0.8 * np.std(np.log(measured[known]) - true[known])
    assert np.std(error[known]) == pytest.approx(float(np.median(se[known])), rel=0.15)
    assert abs(np.mean(error[~known])) < 0.2
    few, _ = likely_load(np.array([10.0, np.nan]), np.array([2.0, 2.0]))
    assert few[0] == 10.0


def test_a_floor_lies_far_above_sooner_than_below() -> None:
    """What the pump reaches bounds the floor from below; loads of a few times the guess are common."""
    one = np.ones(1)

    def likelihood(floor: float) -> float:
        return float(
            floor_likelihood(np.log(floor * one), 50.0 * one[None, :], 20.0 * one, 0.7 * one, 0.01 * one, 0.08)[0]
        )

    assert likelihood(100.0) > likelihood(35.0) + 2.0
    assert likelihood(52.0) > likelihood(35.0) + 2.0
    mean, variance = floor_moments(np.log(70.0 * one), 50.0 * one, 20.0 * one, 0.7 * one, 0.01 * one, 0.08)
    clean, sharp = floor_moments(np.log(50.2 * one), 50.0 * one, 0.2 * one, 0.7 * one, 0.01 * one, 0.08)
    assert abs(mean[0]) < 0.15
    assert abs(clean[0]) < 0.02
    assert sharp[0] < 0.25 * variance[0]


def test_orders_are_asked_of_pumps_with_floors_only() -> None:
    work, services = changed_on_the_day(True, 0.0)
    as_of = work["started_on"].max()
    rows = pump_rows(oil_histories(work, services, as_of), pump_side_floors(work).clear())  # type: ignore[arg-type]
    fleet = fit_fleet(rows)
    assert not any(dated_changes(r, f, fleet.prior) for r, f in zip(rows, fleet.fits, strict=True))
