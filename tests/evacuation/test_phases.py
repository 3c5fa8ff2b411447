"""Phases of single, plain logs, drawn here from closed formulas whose phases are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.phases import PhaseKind, PhaseTable, find_phases, find_phases_batch, mark_kind
from blankoff.samples import Mark, SampleBatch
from blankoff.settings import Judging

Array = NDArray[np.float64]


def pull(t: Array, start: float, rate: float, floor: float) -> Array:
    """Pressure of a pull, microns: exponential to a floor."""
    return floor + (start - floor) * np.exp(-rate * t)


def pulled_and_held(
    dt: float = 2.0, isolated: float = 600.0, end: float = 1400.0, noise: float = 0.005, seed: int = 1
) -> tuple[Array, Array]:
    """A pull to 250 microns and a hold that rises by 150 microns, with white noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, end, dt)
    p = pull(t, 500_000.0, 0.03, 250.0)
    after = t >= isolated
    p[after] = 250.0 + 150.0 * (1.0 - np.exp(-(t[after] - isolated) / 250.0))
    p = p * (1.0 + noise * rng.standard_normal(t.size))
    return t, np.where(p > 20_000.0, np.nan, np.round(p))


def kinds(table: PhaseTable) -> list[str]:
    return [PhaseKind(int(k)).name for k in table.kind]


@pytest.mark.parametrize("dt", [1.0, 2.0, 5.0, 10.0, 30.0, 60.0])
def test_isolation_is_found_within_two_readings(dt: float) -> None:
    t, p = pulled_and_held(dt=dt)
    table = find_phases(t, p)
    assert kinds(table)[:2] == ["PUMP_DOWN", "HOLD"]
    # the bend is 0.6 microns/s; with 0.5 % of noise at 250 microns it shows within some seconds
    assert abs(table.start_s[1] - 600.0) <= max(2.0 * dt, 8.0)
    assert table.end_s[1] == pytest.approx(t[-1])
    assert table.judged_hold[0] == 1
    assert table.judged_pull[0] == 0


def test_uncertainty_covers_the_isolation() -> None:
    errors = []
    for seed in range(40):
        t, p = pulled_and_held(dt=2.0, noise=0.01, seed=seed)
        table = find_phases(t, p)
        errors.append((table.start_s[1] - 600.0) / table.start_uncertainty_s[1])
    assert np.mean(np.abs(errors) < 2.0) >= 0.8


def test_never_isolated_has_no_hold() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 3600.0, 2.0)
    p = pull(t, 300_000.0, 0.02, 300.0) + 200.0 * np.exp(-t / 900.0)
    p *= 1.0 + 0.006 * rng.standard_normal(t.size)
    table = find_phases(t, np.where(p > 20_000, np.nan, np.round(p)))
    assert kinds(table) == ["PUMP_DOWN"]
    assert table.judged_hold[0] == -1


def test_boil_off_plateau_is_no_hold() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 2400.0, 2.0)
    p = np.where(t < 120, pull(t, 400_000.0, 0.04, 9000.0), 9000.0 - 1.5 * (t - 120))
    p = np.where(t > 1500, 250.0 + 6700.0 * np.exp(-(t - 1500) / 60.0), p)
    p *= 1.0 + 0.005 * rng.standard_normal(t.size)
    table = find_phases(t, np.where(p > 20_000, np.nan, np.round(p)))
    assert kinds(table) == ["PUMP_DOWN"]


def test_break_between_two_pulls() -> None:
    rng = np.random.default_rng(5)
    first, stay, second, hold = 500.0, 120.0, 800.0, 900.0
    t = np.arange(0.0, first + stay + second + hold, 2.0)
    p = pull(t, 400_000.0, 0.02, 400.0)
    gas = (t >= first) & (t < first + stay)
    p[gas] = np.minimum(700.0 + 6000.0 * (t[gas] - first), 60_000.0)
    again = (t >= first + stay) & (t < first + stay + second)
    p[again] = pull(t[again] - first - stay, 60_000.0, 0.02, 300.0)
    held = t >= first + stay + second
    p[held] = 300.0 + 0.2 * (t[held] - first - stay - second)
    p *= 1.0 + 0.004 * rng.standard_normal(t.size)
    table = find_phases(t, np.where(p > 25_000, np.nan, np.round(p)))
    assert kinds(table) == ["PUMP_DOWN", "BREAK", "PUMP_DOWN", "HOLD"]
    assert table.start_s[1] == pytest.approx(first, abs=4.0)
    # from 60 000 microns down to the top of the range the fall is not seen: 44 s at this rate
    assert first + stay - 4.0 <= table.start_s[2] <= first + stay + 50.0
    assert table.start_s[3] == pytest.approx(first + stay + second, abs=8.0)
    assert table.judged_hold[0] == 3
    assert table.judged_pull[0] == 2


def test_hold_resumed_is_followed_by_pumping() -> None:
    t, p = pulled_and_held(end=1000.0)
    again = np.arange(2.0, 602.0, 2.0)
    held = np.arange(2.0, 702.0, 2.0)
    p2 = pull(again, p[-1], 0.04, 230.0)
    p3 = 230.0 + 0.25 * held
    rng = np.random.default_rng(6)
    late = np.concatenate([p2, p3]) * (1.0 + 0.005 * rng.standard_normal(again.size + held.size))
    table = find_phases(
        np.concatenate([t, t[-1] + again, t[-1] + again[-1] + held]), np.concatenate([p, np.round(late)])
    )
    assert kinds(table) == ["PUMP_DOWN", "HOLD", "PUMP_DOWN", "HOLD"]
    assert table.start_s[3] == pytest.approx(t[-1] + again[-1], abs=10.0)
    assert table.judged_hold[0] == 3


def test_isolation_within_a_gap_is_as_uncertain_as_the_gap() -> None:
    t, p = pulled_and_held()
    keep = (t < 540.0) | (t > 660.0)
    table = find_phases(t[keep], p[keep])
    hold = int(table.judged_hold[0])
    assert "GAP" in kinds(table)
    assert 540.0 - 2.0 <= table.start_s[hold] <= 660.0 + 2.0
    assert table.start_uncertainty_s[hold] >= 100.0


def test_lone_blank_readings_amid_low_pressure_are_no_break() -> None:
    t, p = pulled_and_held()
    blank = p.copy()
    blank[[250, 251, 252, 400]] = np.nan
    assert kinds(find_phases(t, blank)) == ["PUMP_DOWN", "HOLD"]


def test_gauge_on_the_pump_side_steps_up_at_isolation() -> None:
    t, p = pulled_and_held()
    low = np.where(t < 600.0, np.round(p * 0.6), p)
    table = find_phases(t, low)
    assert kinds(table) == ["PUMP_DOWN", "HOLD"]
    assert abs(table.start_s[1] - 600.0) <= 4.0


def test_log_that_begins_within_a_hold() -> None:
    t = np.arange(0.0, 300.0, 1.5)
    p = 6000.0 + 150.0 * t
    table = find_phases(t, np.round(p))
    assert kinds(table)[-1] == "HOLD"
    assert table.judged_hold[0] >= 0


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [500.0],
        [500.0, 400.0],
        [float("nan")] * 30,
        [300.0] * 200,
        [0.0] * 10,
    ],
)
def test_degenerate_logs_do_not_fail(readings: list[float]) -> None:
    t = np.arange(len(readings), dtype=np.float64)
    table = find_phases(t, np.array(readings, dtype=np.float64))
    assert table.judged_hold.shape == (1,)
    assert table.judged_hold[0] == -1


def test_batch_gives_each_log_what_it_gets_alone() -> None:
    logs = [pulled_and_held(dt=dt, seed=i) for i, dt in enumerate((1.0, 5.0, 10.0))]
    batch = SampleBatch.concat([SampleBatch.of_one(str(i), t, p) for i, (t, p) in enumerate(logs)])
    table = find_phases_batch(batch, Judging())
    alone = PhaseTable.concat([find_phases(t, p) for t, p in logs])
    for name in ("log", "kind", "start_s", "end_s", "start_i", "end_i", "offsets", "judged_hold", "judged_pull"):
        np.testing.assert_array_equal(getattr(table, name), getattr(alone, name))


def test_shifting_the_clock_and_scaling_pressure_change_no_phase() -> None:
    t, p = pulled_and_held()
    plain = find_phases(t, p)
    scaled = find_phases(t, p * 1.02)
    assert kinds(plain) == kinds(scaled)
    assert scaled.start_s[1] == pytest.approx(plain.start_s[1], abs=2.0)


def test_marks_are_evidence_and_not_truth() -> None:
    t, p = pulled_and_held()
    batch = SampleBatch(
        ("a",),
        np.array([0, t.size]),
        t,
        p,
        np.full(t.size, np.nan),
        (Mark(0, 100.0, "isolated"),),
    )
    # a mark at a moment at which pressure falls fast makes no hold there
    assert find_phases_batch(batch, Judging()).start_s[1] == pytest.approx(600.0, abs=8.0)


@pytest.mark.parametrize(
    ("text", "kind"), [("Valve CLOSED", 1), ("isolated", 1), ("valve open", 2), ("pump on", 2), ("lunch", 0), ("", 0)]
)
def test_mark_words(text: str, kind: int) -> None:
    assert mark_kind(text) == kind


@pytest.mark.parametrize("leak_per_s", [0.4, 1.5, 4.5])
def test_a_log_that_writes_only_what_changes_is_silent_along_a_floor(leak_per_s: float) -> None:
    """Nobody isolated in the middle of a silent floor: a rise does not quicken, so it began where it leads back to."""
    t = np.arange(0.0, 2600.0, 2.0)
    isolated = 2000.0
    p = pull(t, 500_000.0, 0.02, 80.0) + leak_per_s * np.maximum(t - isolated, 0.0)
    shown = np.round(p / 25.0) * 25.0
    kept = np.r_[True, np.diff(shown) != 0.0]
    t, shown = t[kept], np.where(shown > 20_000.0, np.nan, shown)[kept]
    assert np.diff(t).max() > 1000.0
    table = find_phases(t, shown)
    assert kinds(table)[:2] == ["PUMP_DOWN", "HOLD"]
    assert table.start_s[1] == pytest.approx(isolated, abs=1.5 * 25.0 / leak_per_s + 5.0)
