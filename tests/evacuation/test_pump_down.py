"""Pump-down features against closed formulas: exponential pulls of a constant speed, and the ideal gas law."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.judge import judge_batch
from blankoff.evacuation.phases import find_phases_batch
from blankoff.evacuation.plateau import (
    LEAST_SPEED_L_S,
    MOST_SPEED_L_S,
    USUAL_SPEED_L_S,
    VAPOUR_POWER,
    find_plateau,
    speed_for_water,
    vapour_ceiling,
    water_grams,
)
from blankoff.evacuation.pump_down import COLUMNS, effective_speed_l_s, pump_down_features_batch
from blankoff.evacuation.pump_down_levels import first_below, last_steady, lowest_reading, pumped_floor
from blankoff.evacuation.pump_down_speeds import at_port as port_rate
from blankoff.evacuation.pump_down_speeds import hung_back
from blankoff.samples import JobContext, SampleBatch
from blankoff.settings import Judging

Array = NDArray[np.float64]


def one(t: Array, p: Array, **known: float) -> dict[str, float]:
    batch = SampleBatch.of_one("a", t, p)
    columns = pump_down_features_batch(
        batch, find_phases_batch(batch, Judging()), JobContext.uniform(1, **known), Judging()
    )
    return {name: float(values[0]) for name, values in columns.items()}


def test_speed_of_an_exponential_pull_is_exact() -> None:
    """S = (V/dt) ln(p1/p2), the pump-down method (reference_checks 3.16, MEM)."""
    t = np.arange(0.0, 300.0, 1.0)
    p = 100_000.0 * np.exp(-0.05 * t)
    assert effective_speed_l_s(t, p, 20.0, 500.0, 50_000.0) == pytest.approx(1.0, rel=1e-9)


def test_floor_is_taken_out() -> None:
    t = np.arange(0.0, 300.0, 1.0)
    p = 200.0 + 100_000.0 * np.exp(-0.05 * t)
    assert effective_speed_l_s(t, p, 20.0, 500.0, 50_000.0, floor_micron=200.0) == pytest.approx(1.0, rel=1e-9)


def test_speed_needs_three_readings() -> None:
    assert math.isnan(effective_speed_l_s(np.arange(3.0), np.array([9000.0, 900.0, 90.0]), 1.0, 500.0, 10_000.0))


@pytest.mark.parametrize("volume_l", [5.0, 20.0])
@pytest.mark.parametrize("dt", [1.0, 2.0])
def test_constant_speed_comes_back(volume_l: float, dt: float) -> None:
    """A pump of constant speed on a tight, dry volume: the same speed in both bands."""
    rng = np.random.default_rng(11)
    speed = 0.5
    t = np.arange(0.0, 1500.0, dt)
    p = 20.0 + 700_000.0 * np.exp(-speed / volume_l * t)
    p *= 1.0 + 0.004 * rng.standard_normal(t.size)
    found = one(t, np.where(p > 25_000.0, np.nan, p), volume_l=volume_l)
    assert found["speed_viscous_l_s"] == pytest.approx(speed, rel=0.08)
    assert found["speed_deep_l_s"] == pytest.approx(speed, rel=0.12)
    assert abs(math.log(found["speed_deep_l_s"] / speed)) < 2.5 * found["speed_deep_l_s_se_ln"]


def test_rate_exists_without_a_volume() -> None:
    t = np.arange(0.0, 1500.0, 2.0)
    found = one(t, np.where(t < 170, np.nan, 20.0 + 700_000.0 * np.exp(-0.025 * t)))
    assert math.isnan(found["speed_viscous_l_s"])
    assert found["viscous_rate_per_s"] == pytest.approx(0.025, rel=0.08)


def test_minutes_to_levels() -> None:
    t = np.arange(0.0, 600.0, 1.0)
    p = 50_000.0 * np.exp(-0.02 * t)
    for level in (10_000.0, 5_000.0, 2_000.0, 1_000.0, 500.0):
        assert first_below(t, p, 0, t.size, level) == pytest.approx(math.log(50_000.0 / level) / 0.02, abs=0.01)
    assert math.isnan(first_below(t, p, 0, t.size, 0.1))
    assert math.isnan(first_below(t[400:], p[400:], 0, 200, 10_000.0))


def test_level_at_the_top_of_range_is_passed_where_readings_begin() -> None:
    t = np.arange(0.0, 600.0, 5.0)
    p = 50_000.0 * np.exp(-0.02 * t)
    p[p > 10_000.0] = np.nan
    assert first_below(t, p, 0, t.size, 10_000.0) == pytest.approx(math.log(5.0) / 0.02, abs=2.5)


def test_last_steady_reading_follows_a_fall_and_not_a_rise() -> None:
    t = np.arange(0.0, 100.0, 1.0)
    p = 1000.0 * np.exp(-0.01 * t)
    assert last_steady(t, p, 0, t.size) == pytest.approx(p[-1], rel=1e-6)
    assert last_steady(t, np.full(100, 250.0), 0, 100) == pytest.approx(250.0)


def test_lowest_reading_ignores_a_lone_dip() -> None:
    p = np.full(50, 400.0)
    p[20] = 5.0
    assert lowest_reading(p, 0, 50) == 400.0


def test_floor_of_a_tail() -> None:
    t = np.arange(0.0, 900.0, 2.0)
    out = np.empty(2)
    pumped_floor(t, 300.0 + 2000.0 * np.exp(-t / 150.0), 0, t.size, 0.005, out)
    assert out[0] == pytest.approx(300.0, abs=3.0 * out[1])
    assert out[1] < 30.0


def test_plateau_is_told_from_a_floor() -> None:
    t = np.arange(0.0, 2400.0, 2.0)
    boil = np.where(t < 100, 6000.0 + 90_000.0 * np.exp(-0.05 * t), 6500.0 - 1.0 * (t - 100))
    boil = np.where(t > 1000, 250.0 + 5300.0 * np.exp(-(t - 1000) / 40.0), boil)
    out = np.empty(5)
    find_plateau(t, boil, 0, t.size, 22.0, 40.0, out)
    assert 5500.0 < out[0] < 6600.0
    assert out[1] == pytest.approx(900.0, rel=0.15)
    find_plateau(t, 6000.0 + 90_000.0 * np.exp(-0.05 * t), 0, t.size, 22.0, 40.0, out)
    assert math.isnan(out[0])


def test_no_plateau_above_the_saturation_line() -> None:
    """Water at 22 degC boils at 19 800 microns at most (reference_checks section 1), a stand at 40 000 is no water."""
    t = np.arange(0.0, 1200.0, 2.0)
    p = np.where(t < 600, 40_000.0 - t, 40_000.0 * np.exp(-(t - 600) / 40.0) + 100.0)
    out = np.empty(5)
    find_plateau(t, p, 0, t.size, 22.0, 40.0, out)
    assert math.isnan(out[0]) or out[0] < 24_000.0
    assert math.isnan(out[1]) or out[1] < 100.0


def test_water_by_the_ideal_gas_law() -> None:
    """m = p V M / (R T): 1000 l of vapour at 5000 microns and 20 degC weigh 4.93 g (CALC: 666.6 Pa, 18.015 g/mol)."""
    t = np.arange(0.0, 1001.0, 10.0)
    grams = water_grams(t, np.full(t.size, 5000.0), 0, t.size, 5000.0, 0.1, 10.0, 20.0)
    pascal = 5000.0 * 101_325.0 / 760_000.0
    assert grams == pytest.approx(pascal * 1.0 * 18.015 / (8.314_46 * 293.15), rel=1e-3)


def test_speed_read_off_a_wet_pull_gives_way_to_the_usual_one() -> None:
    assert speed_for_water(math.nan, math.nan, 10.0)[0] == USUAL_SPEED_L_S
    assert speed_for_water(0.001, 0.05, 10.0)[0] == USUAL_SPEED_L_S
    assert speed_for_water(0.2, 0.05, 10.0)[0] == pytest.approx(2.0)
    assert speed_for_water(9.0, 0.05, 10.0)[0] == MOST_SPEED_L_S
    assert speed_for_water(LEAST_SPEED_L_S / 10.0, 0.01, 10.0)[1] >= 0.2


def test_vapour_ceiling_counts_what_may_be_vapour_and_time_over_range() -> None:
    """CALC: 100 s at 8 000 microns count whole, air at 60 000 not at all, over-range time at saturation."""
    t = np.arange(0.0, 101.0, 10.0)
    at_8000 = vapour_ceiling(t, np.full(11, 8000.0), 0, 11, 20.0)
    assert at_8000 == pytest.approx(8000.0 * 100.0)
    assert vapour_ceiling(t, np.full(11, 60_000.0), 0, 11, 20.0) == 0.0
    unseen = np.full(11, np.nan)
    # saturation at 20 degC: 17 535 microns (2 338.8 Pa, IAPWS-95; reference_checks section 1)
    want = 17_535.0 * (17_535.0 / 8000.0) ** VAPOUR_POWER * 100.0
    assert vapour_ceiling(t, unseen, 0, 11, 20.0) == pytest.approx(want, rel=5e-3)


def test_every_column_is_there_for_an_empty_batch_and_a_bad_log() -> None:
    empty = pump_down_features_batch(
        SampleBatch.concat([]), find_phases_batch(SampleBatch.concat([]), Judging()), JobContext.uniform(0), Judging()
    )
    assert set(COLUMNS) <= set(empty)
    found = one(np.arange(30.0), np.full(30, np.nan), volume_l=5.0)
    assert found["over_range_readings"] == 30.0
    assert math.isnan(found["speed_deep_l_s"])


def test_how_long_pressure_stood_still_at_the_end() -> None:
    """``300 + 60000 exp(-t / 40)`` is within 6 % and a micron of 300 after ``40 ln(60000 / 19.55)``, 321 s (CALC)."""
    t = np.arange(0.0, 1500.0, 3.0)
    p = 300.0 + 60000.0 * np.exp(-t / 40.0)
    falling = 300.0 + 60000.0 * np.exp(-t / 400.0)
    batch = SampleBatch.concat([SampleBatch.of_one("still", t, p), SampleBatch.of_one("falling", t, falling)])
    measure = judge_batch(batch, JobContext.uniform(2)).measure
    still, yet_falling = measure["still_minutes"].to_list()
    assert abs(still - (t[-1] - 321.0) / 60.0) < 0.2
    assert yet_falling < 1.5


def test_a_gauge_on_the_pumps_side_shows_too_much_of_the_pump() -> None:
    """CALC: a pump of 2 l/s behind a line that carries C = 0.4 l/s at 1 000 microns, in proportion to the pressure.

    The circuit's pressure falls by the effective speed S C / (S + C) at its own pressure; the gauge shows C / (S + C) of it.
    """
    volume, pump = 20.0, 2.0
    p = np.empty(6000)
    p[0] = 20_000.0
    for i in range(1, p.size):
        carried = 0.4 * np.sqrt(p[i - 1] / 1000.0)
        p[i] = p[i - 1] * np.exp(-pump * carried / (pump + carried) / volume * 0.5)
    carried = 0.4 * np.sqrt(p / 1000.0)
    shown = p * carried / (pump + carried)
    rate = -np.gradient(np.log(shown), 0.5)
    at_gauge = rate[np.argmin(np.abs(shown - 1000.0))]
    at_port = pump * 0.4 / (pump + 0.4) / volume
    step = math.log(p[-1] / shown[-1])
    corrected, se = port_rate(at_gauge, 0.05, min(step - 0.1, 0.5), True)
    assert at_gauge > 1.15 * at_port
    assert abs(math.log(corrected / at_port)) < 1.645 * se
    assert abs(math.log(corrected / at_port)) < abs(math.log(at_gauge / at_port))


def test_a_gauge_at_the_circuit_is_taken_at_its_word() -> None:
    for deep in (True, False):
        rate, se = port_rate(0.02, 0.1, 0.03, deep)
        assert rate == 0.02
        assert se == pytest.approx(math.hypot(0.1, 0.03))


@pytest.mark.parametrize(
    ("viscous", "deep", "expected"),
    [
        (0.05, 0.06, True),
        (0.05, 0.057, False),
        (0.2, 0.18, True),
        (0.2, 0.16, False),
        (0.1, 0.1, False),
        (0.1, math.nan, False),
    ],
)
def test_a_fall_that_hung_back_is_no_pumps(viscous: float, deep: float, expected: bool) -> None:
    """Slower about 8 000 than about 1 000 microns is water's; quick and no slower deep is the gauge's lag."""
    assert hung_back(viscous, deep) is expected
