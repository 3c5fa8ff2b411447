"""Features of a log whose phases are given: which pull and hold each number comes from, and how they are put together.

The numbers themselves have their own tests (`test_pump_down_levels`, `..._speeds`, `test_plateau`). Tag: CALC.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.phases import PhaseTable
from blankoff.evacuation.phases_clean import MEDIAN_DT, N_SCALES, SIGMA, measure_scales
from blankoff.evacuation.plateau import (
    GRAM_PER_MICRON_L_K,
    find_plateau,
    speed_for_water,
    vapour_ceiling,
    water_grams,
)
from blankoff.evacuation.pump_down import (
    COLUMNS,
    effective_speed_l_s,
    mean_ambient_c,
    pump_down_features_batch,
)
from blankoff.evacuation.pump_down_levels import (
    early_rise_rate,
    last_steady,
    lowest_reading,
    pumped_floor,
    still_at_end,
)
from blankoff.evacuation.pump_down_speeds import (
    at_port,
    deep_rate,
    doubt_by_water,
    gauge_aside_ln,
    hung_back,
    time_over_range,
    viscous_rate,
    weigh_time_over_range,
    widen,
)
from blankoff.evacuation.single import judge
from blankoff.samples import LEAST_MICRON, JobContext, SampleBatch
from blankoff.settings import Judging

Array = NDArray[np.float64]
NAN = float("nan")
ATMOSPHERE = 760_000.0
PULL, HOLD, BREAK = 0, 1, 2


def table(*logs: list[tuple[int, float, float]], times: list[Array], judged: list[tuple[int, int]]) -> PhaseTable:
    """Phases ``(kind, start, end)`` of each log, s; `judged` gives hold and pull by their place in the log."""
    rows = [(i, *row) for i, log in enumerate(logs) for row in log]
    offsets = np.cumsum([0, *(len(log) for log in logs)])
    kind = np.array([r[1] for r in rows], dtype=np.int64)
    start, end = (np.array([r[k] for r in rows], dtype=np.float64) for k in (2, 3))
    first = np.array([np.searchsorted(times[r[0]], r[2]) for r in rows], dtype=np.int64)
    stop = np.array([np.searchsorted(times[r[0]], r[3], side="right") for r in rows], dtype=np.int64)
    nothing = np.zeros(len(rows))
    at = lambda k: np.array(  # noqa: E731
        [o + j[k] if j[k] >= 0 else -1 for o, j in zip(offsets, judged, strict=False)], dtype=np.int64
    )
    return PhaseTable(
        np.array([r[0] for r in rows], dtype=np.int64), kind, start, end, first, stop, nothing, nothing,
        np.zeros(len(rows), dtype=np.int64), nothing, offsets.astype(np.int64), at(0), at(1),
    )  # fmt: skip


def features(
    t: Array, p: Array, phases: list[tuple[int, float, float]], hold: int, pull: int, **known: float
) -> dict[str, float]:
    batch = SampleBatch.of_one("a", t, p)
    got = pump_down_features_batch(
        batch, table(phases, times=[t], judged=[(hold, pull)]), JobContext.uniform(1, **known), Judging()
    )
    return {name: float(values[0]) for name, values in got.items()}


def pull_and_hold(plateau: bool = False, lag: float = 0.0) -> tuple[Array, Array]:
    """Ten seconds over range, a pull of 600 s and a hold of 300 s; readings every 2 s."""
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 901.0, 2.0)
    fall = 60_000.0 * np.exp(-t / 40.0) + 320.0
    if plateau:
        fall = np.where(t < 60.0, 60_000.0 * np.exp(-t / 30.0), np.where(
            t < 300.0, 8120.0 - 4.0 * (t - 60.0), 320.0 + 6840.0 * np.exp(-(t - 300.0) / 30.0)
        ))  # fmt: skip
    p = np.where(t <= 600.0, fall, 320.0 + lag + 40.0 * (t - 600.0) / 60.0)
    p *= 1.0 + 0.002 * rng.normal(size=t.size)
    return t, np.where(p > 20_000.0, NAN, np.round(p, 1))


TWO = [(PULL, 0.0, 600.0), (HOLD, 601.0, 900.0)]


def parts(t: Array, p: Array) -> tuple[Array, int]:
    scales = np.zeros(N_SCALES)
    measure_scales(t, p, scales)
    return scales, int(np.searchsorted(t, 600.0, side="right"))


def test_plain_numbers_of_a_pull_and_its_hold() -> None:
    t, p = pull_and_hold()
    got = features(t, p, TWO, 1, 0)
    scales, stop = parts(t, p)
    assert got["readings"] == t.size
    assert got["over_range_readings"] == np.isnan(p).sum()
    assert got["noise_percent"] == pytest.approx(100.0 * scales[SIGMA])
    assert got["sample_interval_s"] == scales[MEDIAN_DT] == 2.0
    assert got["pumped_minutes"] == 10.0
    assert got["isolated_at_s"] == 601.0
    assert got["final_vacuum_micron"] == last_steady(t, p, 0, stop)
    assert got["lowest_pumped_micron"] == min(lowest_reading(p, 0, stop), got["final_vacuum_micron"])
    floor = np.empty(2)
    pumped_floor(t, p, 0, stop, scales[SIGMA], floor)
    assert [got["floor_micron"], got["floor_se_micron"]] == floor.tolist()
    # a hold followed: how long it stood still before is nobody's question
    assert math.isnan(got["still_minutes"])
    assert set(got) == {*COLUMNS, *(f"speed_{b}_l_s{s}" for b in ("viscous", "deep") for s in ("", "_se_ln"))}


def test_the_lowest_pumped_pressure_is_no_higher_than_the_last_steady_one() -> None:
    t, p = pull_and_hold()
    # two of the last readings spoilt: the lowest of the medians lies above the line's end
    t, p = t[:301].copy(), p[:301].copy()
    p[:] = 1000.0 * np.exp(-0.02 * np.arange(301.0))
    got = features(t, p, [(PULL, 0.0, 600.0)], -1, 0)
    assert lowest_reading(p, 0, 301) > got["final_vacuum_micron"]
    assert got["lowest_pumped_micron"] == got["final_vacuum_micron"]


def test_times_to_levels_count_pumping_only() -> None:
    """Two pulls of 300 and 400 s with a break between: 5 000 in the first, 1 000 in the second."""
    t = np.arange(0.0, 801.0, 2.0)
    p = np.where(t < 300.0, 3000.0 + 17_000.0 * np.exp(-t / 60.0), NAN)
    p = np.where(t >= 400.0, 600.0 + 14_000.0 * np.exp(-(t - 400.0) / 50.0), p)
    got = features(t, p, [(PULL, 0.0, 299.0), (BREAK, 299.0, 400.0), (PULL, 400.0, 800.0)], -1, 2)
    assert got["pumped_minutes"] == pytest.approx(699.0 / 60.0)
    assert got["minutes_to_10000"] == pytest.approx(60.0 * math.log(17.0 / 7.0) / 60.0, abs=2e-3)
    assert got["minutes_to_5000"] == pytest.approx(60.0 * math.log(17.0 / 2.0) / 60.0, abs=2e-3)
    second = lambda level: (299.0 + 50.0 * math.log(14_000.0 / (level - 600.0))) / 60.0  # noqa: E731
    assert got["minutes_to_2000"] == pytest.approx(second(2000.0), abs=2e-3)
    assert got["minutes_to_1000"] == pytest.approx(second(1000.0), abs=2e-3)
    assert math.isnan(got["minutes_to_500"])
    # a log that begins below a level does not show when it was reached, whatever comes later
    got = features(t, np.where(t < 300.0, 900.0 - 1.5 * t, p), [(PULL, 0.0, 299.0), (BREAK, 299.0, 400.0), (PULL, 400.0, 800.0)], -1, 2)  # fmt: skip
    assert math.isnan(got["minutes_to_2000"])
    assert got["minutes_to_500"] == pytest.approx(400.0 / 1.5 / 60.0, abs=2e-3)


def test_a_level_passed_within_the_first_second_is_told() -> None:
    t = np.arange(0.0, 100.0, 0.25)
    p = 200.0 + 19_800.0 * np.exp(-t)
    got = features(t, p, [(PULL, 0.0, 99.75)], -1, 0)
    assert got["minutes_to_10000"] * 60.0 == pytest.approx(math.log(19_800.0 / 9800.0), abs=0.02)


def test_how_long_it_stood_still_where_nobody_isolated() -> None:
    t, p = pull_and_hold()
    got = features(t[:301], p[:301], [(PULL, 0.0, 600.0)], -1, 0)
    assert got["still_minutes"] == pytest.approx(still_at_end(t, p, 0, 301) / 60.0)
    assert math.isnan(got["isolated_at_s"])
    # a hold without a pull gives no pumped pressure
    got = features(t, p, [(HOLD, 0.0, 900.0)], 0, -1)
    for name in ("final_vacuum_micron", "lowest_pumped_micron", "floor_micron", "still_minutes", "viscous_rate_per_s"):
        assert math.isnan(got[name])
    assert got["isolated_at_s"] == 0.0
    assert got["pumped_minutes"] == 0.0
    one = features(t[:1], p[:1], [(PULL, 0.0, 0.0)], -1, 0)
    assert one["readings"] == 1.0
    assert math.isnan(one["noise_percent"])


def rates(t: Array, p: Array, lag: bool, atmosphere: float = ATMOSPHERE, ambient: float = NAN) -> dict[str, float]:
    """Speeds of the only pull, put together from the parts that have their own tests."""
    scales, stop = parts(t, p)
    rise, deep, viscous, plateau, over = np.empty(2), np.empty(7), np.empty(5), np.empty(5), np.full(2, NAN)
    early_rise_rate(t, p, stop, t.size, rise)
    final = float(last_steady(t, p, 0, stop))
    aside = gauge_aside_ln(
        t, p, np.array([0, stop]), np.array([stop, t.size]), np.array([0.0, 601.0]), 1, final, rise[0]
    )
    assert (aside > 0.0) is lag
    find_plateau(t, p, 0, stop, ambient, 40.0, plateau)
    wet_deep, wet_viscous = doubt_by_water(plateau[0])
    deep_rate(t, p, 0, stop, scales, rise[0], rise[1], deep)
    viscous_rate(t, p, 0, stop, scales, deep[5], deep[6], viscous)
    want = {"gauge_aside_ln": aside}
    want["deep_seen_per_s"], want["deep_seen_se_ln"] = deep[0], math.sqrt(deep[1] ** 2 + 0.05**2 + wet_deep**2)
    want["viscous_seen_per_s"] = viscous[0]
    want["viscous_seen_se_ln"] = math.sqrt(viscous[1] ** 2 + 0.05**2 + wet_viscous**2)
    deep[1] = widen(deep[0], deep[1], wet_deep)
    weigh_time_over_range(t, p, stop, atmosphere, viscous)
    # no deep rate beside it is a doubt of its own, 0.3 in ln
    viscous[1] = widen(viscous[0], viscous[1], wet_viscous + (0.3 if math.isnan(deep[0]) else 0.0))
    if hung_back(viscous[0], deep[0]):
        viscous[:2] = NAN
    # what the gauge shows, put right to the circuit's port
    want["viscous_rate_per_s"], want["viscous_rate_se_ln"] = at_port(viscous[0], viscous[1], aside, False)
    want["deep_rate_per_s"], want["deep_rate_se_ln"] = at_port(deep[0], deep[1], aside, True)
    if math.isnan(plateau[0]):
        time_over_range(t, p, stop, 0.0, atmosphere, over)
    want["over_range_rate_per_s"], want["over_range_rate_se_ln"] = over[0], over[1]
    # a speed known no better than to a factor of 1.5 is none
    for band in ("viscous", "deep"):
        if want[f"{band}_rate_se_ln"] > 0.4:
            want[f"{band}_rate_per_s"] = want[f"{band}_rate_se_ln"] = NAN
    return want


@pytest.mark.parametrize(("plateau", "lag"), [(False, 0.0), (False, 100.0), (True, 0.0)])
def test_speeds_and_what_makes_them_doubtful(plateau: bool, lag: float) -> None:
    t, p = pull_and_hold(plateau, lag)
    got = features(t, p, TWO, 1, 0, volume_l=20.0)
    want = rates(t, p, lag > 0.0)
    for name, value in want.items():
        assert got[name] == pytest.approx(value, rel=1e-9, nan_ok=True), name
    for band in ("viscous", "deep"):
        assert got[f"speed_{band}_l_s"] == pytest.approx(20.0 * got[f"{band}_rate_per_s"], nan_ok=True)
        assert got[f"speed_{band}_l_s_se_ln"] == pytest.approx(got[f"{band}_rate_se_ln"], nan_ok=True)
    assert math.isnan(got["deep_rate_per_s"]) is plateau
    without = features(t, p, TWO, 1, 0)
    for band in ("viscous", "deep"):
        assert math.isnan(without[f"speed_{band}_l_s"])
        assert math.isnan(without[f"speed_{band}_l_s_se_ln"])
        assert without[f"{band}_rate_per_s"] == pytest.approx(got[f"{band}_rate_per_s"], nan_ok=True)


def test_altitude_lowers_what_pumping_begins_at() -> None:
    """Standard atmosphere: 760 000 microns x (1 - 2.25577e-5 h)^5.25588."""
    t, p = pull_and_hold()
    high = ATMOSPHERE * (1.0 - 2.25577e-5 * 2500.0) ** 5.25588
    got, want = features(t, p, TWO, 1, 0, altitude_m=2500.0), rates(t, p, False, high)
    for name in ("viscous_rate_per_s", "over_range_rate_per_s"):
        assert got[name] == pytest.approx(want[name], rel=1e-5)
    assert got["over_range_rate_per_s"] < features(t, p, TWO, 1, 0)["over_range_rate_per_s"]


def test_time_over_range_is_weighed_in_where_pumping_began_with_the_log() -> None:
    """A rate from the atmosphere on that is a fifth above the one seen: it agrees with it, and moves it a little."""
    t, p = pull_and_hold()
    p = np.where(t <= 600.0, 450_000.0 * np.exp(-t / 40.0) + 320.0, p) * (1.0 + 0.002 * np.sin(t**2))
    p = np.where(p > 20_000.0, NAN, p)
    got, want = features(t, p, TWO, 1, 0), rates(t, p, False)
    for name in ("viscous_rate_per_s", "viscous_rate_se_ln"):
        assert got[name] == pytest.approx(want[name], rel=1e-9)
    # one that began later says nothing of it
    late = features(t, p, [(PULL, 4.0, 600.0), (HOLD, 601.0, 900.0)], 1, 0)
    assert abs(math.log(late["viscous_rate_per_s"] / got["viscous_rate_per_s"])) > 3e-5


def test_time_over_range_speaks_only_of_a_log_that_begins_with_pumping() -> None:
    t, p = pull_and_hold()
    assert math.isfinite(features(t, p, TWO, 1, 0)["over_range_rate_per_s"])
    later = [(HOLD, 0.0, 2.0), (PULL, 2.0, 600.0), (HOLD, 601.0, 900.0)]
    assert math.isnan(features(t, p, later, 2, 1)["over_range_rate_per_s"])


def test_a_viscous_rate_below_the_deep_one_is_not_told() -> None:
    """Half as fast about 8 000 as about 1 000 microns: water boiled there. What the gauge showed stays."""
    t = np.arange(0.0, 801.0, 2.0)
    ln = np.where(t < 200.0, math.log(30_000.0) - 0.012 * t, math.log(30_000.0) - 2.4 - 0.03 * (t - 200.0))
    p = np.exp(ln) * (1.0 + 0.002 * np.random.default_rng(2).normal(size=t.size)) + 150.0
    got = features(t, p, [(PULL, 0.0, 800.0)], -1, 0, ambient_c=-20.0, volume_l=10.0)
    assert math.isnan(got["plateau_micron"])
    assert got["viscous_seen_per_s"] == pytest.approx(0.012, rel=0.15)
    assert got["deep_rate_per_s"] == pytest.approx(0.03, rel=0.25)
    for name in ("viscous_rate_per_s", "viscous_rate_se_ln", "speed_viscous_l_s"):
        assert math.isnan(got[name])
    assert math.isfinite(got["deep_rate_se_ln"])


def test_a_wet_pull_that_ends_too_high_for_a_deep_rate_tells_no_viscous_one() -> None:
    """Water at 2 500 microns is a doubt of 0.3 in ln, no deep rate beside it another 0.3: together more than 0.4."""
    t = np.arange(0.0, 401.0, 2.0)
    p = np.where(t < 90.0, 2500.0 + 57_500.0 * np.exp(-t / 20.0), 2640.0 - 1.0 * (t - 90.0))
    p = np.where(t > 330.0, 1400.0 + 1000.0 * np.exp(-(t - 330.0) / 12.0), p)
    got = features(t, np.where(p > 20_000.0, NAN, p), [(PULL, 0.0, 400.0)], -1, 0, ambient_c=-7.0)
    assert 2000.0 < got["plateau_micron"] < 3000.0
    assert math.isnan(got["deep_seen_per_s"])
    assert 0.3 < got["viscous_seen_se_ln"] < 0.4
    assert math.isnan(got["viscous_rate_per_s"])


def test_of_two_dry_pulls_the_one_whose_viscous_rate_is_better_known() -> None:
    """The same fall read every 2 s, and with ten seconds missing out of the band: in either order the first of these."""
    t, p = pull_and_hold()
    t, p = t[:301], p[:301]
    kept = (p > 13_000.0) | (p < 7000.0) | np.isnan(p)
    own = {}
    for name, keep in (("whole", np.full(301, True)), ("part", kept)):
        own[name] = features(t[keep], p[keep], [(PULL, 0.0, 600.0)], -1, 0)
    assert own["part"]["viscous_seen_se_ln"] > 1.05 * own["whole"]["viscous_seen_se_ln"]
    for order in (("whole", "part"), ("part", "whole")):
        picked = [np.full(301, True) if name == "whole" else kept for name in order]
        both = np.concatenate([t[picked[0]], t[picked[1]] + 700.0])
        readings = np.concatenate([p[picked[0]], p[picked[1]]])
        # below the top of the range from the first reading on, so that time over range says nothing
        seen = readings > 0.0
        got = features(
            both[seen], readings[seen], [(PULL, 50.0, 600.0), (BREAK, 600.0, 740.0), (PULL, 740.0, 1300.0)], -1, 2
        )
        whole = features(t[p > 0.0], p[p > 0.0], [(PULL, 50.0, 600.0)], -1, 0)
        for rate in ("viscous_rate", "viscous_seen"):
            assert got[f"{rate}_se_ln"] == pytest.approx(whole[f"{rate}_se_ln"], rel=0.02)
            assert got[f"{rate}_per_s"] == pytest.approx(whole[f"{rate}_per_s"], rel=0.005)


def test_of_two_pulls_the_better_known_speed() -> None:
    """The same fall twice, once clean and once noisy and wet: the clean one's speeds stand, in either order."""
    t, clean = pull_and_hold()
    _, wet = pull_and_hold(plateau=True)
    t, clean, wet = t[:301], clean[:301], wet[:301]
    alone = features(t, clean, [(PULL, 0.0, 600.0)], -1, 0)
    both = np.concatenate([t, t + 700.0])
    phases = [(PULL, 0.0, 600.0), (BREAK, 600.0, 700.0), (PULL, 700.0, 1300.0)]
    for p in (np.concatenate([clean, wet]), np.concatenate([wet, clean])):
        got = features(both, p, phases, -1, 2)
        # steps of the gauge are those of the whole log, so it is not the same to the last digit
        for band in ("deep_rate", "deep_seen", "viscous_rate", "viscous_seen"):
            apart = math.log(got[f"{band}_per_s"] / alone[f"{band}_per_s"])
            assert abs(apart) < 2.5 * alone[f"{band}_se_ln"]
            assert got[f"{band}_se_ln"] < 0.15
        # the plateau is the wet pull's, wherever that is
        assert got["plateau_minutes"] == pytest.approx(features(t, wet, [(PULL, 0.0, 600.0)], -1, 0)["plateau_minutes"])
    # of two plateaus the longer
    longer = wet.copy()
    longer[30:200] = np.interp(t[30:200], [60.0, 400.0], [8120.0, 7160.0])
    for p in (np.concatenate([wet, longer]), np.concatenate([longer, wet])):
        got = features(both, p, phases, -1, 2)
        own = features(t, longer, [(PULL, 0.0, 600.0)], -1, 0)
        assert got["plateau_minutes"] == pytest.approx(own["plateau_minutes"])
        assert got["plateau_micron"] == pytest.approx(own["plateau_micron"])


@pytest.mark.parametrize("ambient", [20.0, NAN])
def test_water_of_all_pulls_and_its_bounds(ambient: float) -> None:
    t, wet = pull_and_hold(plateau=True)
    t, wet = t[:301], wet[:301]
    both, p = np.concatenate([t, t + 700.0]), np.concatenate([wet, wet])
    phases = [(PULL, 0.0, 600.0), (BREAK, 600.0, 700.0), (PULL, 700.0, 1300.0)]
    known = {} if math.isnan(ambient) else {"ambient_c": ambient}
    got = features(both, p, phases, -1, 2, volume_l=20.0, **known)
    # viscous speed as found before what is too doubtful is struck out
    plateau = np.empty(5)
    find_plateau(t, wet, 0, 301, ambient, 40.0, plateau)
    speed, se = speed_for_water(got["viscous_rate_per_s"], got["viscous_rate_se_ln"], 20.0)
    gas_c = 20.0
    rate = 1.2 * speed / 20.0 * (plateau[0] / 8000.0) ** 0.35
    grams = 2.0 * water_grams(t, wet, 0, 301, plateau[0], rate, 20.0, gas_c)
    assert got["plateau_micron"] == pytest.approx(plateau[0])
    assert got["water_g"] == pytest.approx(grams, rel=1e-6)
    assert got["water_g_lower"] == pytest.approx(grams * math.exp(-1.645 * math.hypot(0.45, se)), rel=1e-6)
    ceiling = 2.0 * vapour_ceiling(t, wet, 0, 301, ambient)
    most = 1.2 * speed * ceiling * GRAM_PER_MICRON_L_K / (gas_c + 273.15)
    assert got["water_g_upper"] == pytest.approx(max(most * math.exp(1.645 * se), grams), rel=1e-6)
    # without a volume nothing is said of water
    without = features(both, p, phases, -1, 2, **known)
    for name in ("water_g", "water_g_lower", "water_g_upper"):
        assert math.isnan(without[name])


def test_a_dry_pull_has_no_water_but_a_bound() -> None:
    t, p = pull_and_hold()
    got = features(t, p, TWO, 1, 0, volume_l=20.0)
    assert (got["water_g"], got["water_g_lower"]) == (0.0, 0.0)
    assert got["water_g_upper"] > 0.0
    assert math.isnan(got["plateau_micron"])


def test_ambient_of_the_log_wins_over_the_registers_and_logs_do_not_mix() -> None:
    t, p = pull_and_hold(plateau=True)
    warm = np.full(t.size, 5.0)
    warm[::3] = NAN
    batch = SampleBatch.concat([SampleBatch.of_one("a", t, p, warm), SampleBatch.of_one("b", t[:301], p[:301])])
    np.testing.assert_allclose(mean_ambient_c(batch), [5.0, NAN])
    phases = table(TWO, [(PULL, 0.0, 600.0)], times=[t, t[:301]], judged=[(1, 0), (-1, 0)])
    context = JobContext.uniform(2, ambient_c=30.0, volume_l=20.0)
    got = pump_down_features_batch(batch, phases, context, Judging())
    cold = features(t, p, TWO, 1, 0, ambient_c=5.0, volume_l=20.0)
    second = features(t[:301], p[:301], [(PULL, 0.0, 600.0)], -1, 0, ambient_c=30.0, volume_l=20.0)
    for name, values in got.items():
        assert values[0] == pytest.approx(cold[name], nan_ok=True), name
        assert values[1] == pytest.approx(second[name], nan_ok=True), name


def test_mean_speed_in_a_band() -> None:
    """``V d ln(p - floor) / dt`` from the first reading below the band's top to the first below its foot."""
    t = np.arange(0.0, 300.0, 3.0)
    p = 200.0 + 50_000.0 * np.exp(-t / 40.0)
    assert effective_speed_l_s(t, p, 12.0, 1000.0, 10_000.0, 200.0) == pytest.approx(12.0 / 40.0)
    inside = (p <= 10_000.0) & (p >= 1000.0)
    want = -np.polyfit(t[inside], np.log(p[inside]), 1)[0] * 12.0
    assert effective_speed_l_s(t, p, 12.0, 1000.0, 10_000.0) == pytest.approx(want)
    holes = p.copy()
    holes[40] = NAN
    assert effective_speed_l_s(t, holes, 12.0, 1000.0, 10_000.0, 200.0) == pytest.approx(12.0 / 40.0)
    # at the edges: exactly the top counts, exactly the foot does not end it
    edge = np.array([2000.0, 1000.0, 500.0, 250.0, 125.0])
    at = np.arange(5.0)
    assert effective_speed_l_s(at, edge, 1.0, 250.0, 1000.0) == pytest.approx(math.log(2.0))
    assert math.isnan(effective_speed_l_s(at, edge, 1.0, 251.0, 1000.0))
    # never in the band, or not long enough, or all at once, or under the floor
    assert math.isnan(effective_speed_l_s(t, p, 12.0, 10.0, 100.0))
    assert math.isnan(effective_speed_l_s(np.zeros(5), edge, 1.0, 250.0, 1000.0))
    assert math.isnan(effective_speed_l_s(at, edge, 1.0, 100.0, 1000.0, 260.0))
    # a band never left goes to the end
    assert effective_speed_l_s(at, edge, 1.0, 100.0, 1000.0) == pytest.approx(math.log(2.0))
    # a reading below the foot before the band is no end of it
    assert effective_speed_l_s(at, np.array([2000.0, 900.0, 450.0, 225.0, 112.5]), 1.0, 150.0, 1000.0) == pytest.approx(
        math.log(2.0)
    )


@pytest.mark.parametrize("seed", range(40))
def test_readings_of_nothing_at_all_are_judged(seed: int) -> None:
    """A display that rounds to 0 microns, anywhere in a log: about the isolation most of all."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(rng.integers(20, 200))) * float(rng.choice([1.0, 5.0, 30.0]))
    isolated = t[-1] * rng.uniform(0.2, 0.9)
    p = rng.uniform(20.0, 400.0) + 700_000.0 * np.exp(-t / rng.uniform(1.0, 60.0))
    p[t > isolated] = p[t <= isolated][-1] + rng.uniform(0.0, 2.0) * (t[t > isolated] - isolated)
    p = np.where(p > 20_000.0, np.nan, np.round(p))
    at = int(np.searchsorted(t, isolated)) if seed % 2 else int(rng.integers(t.size))
    p[max(at - int(rng.integers(1, 8)), 0) : at + int(rng.integers(1, 3))] = 0.0
    judged = judge(SampleBatch.of_one("invented", t, p), volume_l=5.0, ambient_c=20.0)
    lowest = judged.pump_down.lowest_pumped_micron
    assert lowest is None or lowest >= 0.99 * LEAST_MICRON
