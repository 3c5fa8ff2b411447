"""Readings put in order: on arrays, against the order they were made in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ingest_data import pull_micron

from blankoff.ingest.logs import read_logs
from blankoff.ingest.order import put_in_order


def _noisy(n: int = 600, step_s: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    t, p = pull_micron(n, step_s)
    rng = np.random.default_rng(5)
    return t, p * np.exp(0.01 * rng.standard_normal(n))


def test_a_log_in_order_is_left_alone() -> None:
    t, p = _noisy()
    got = put_in_order(t + 17, p)
    np.testing.assert_array_equal(got.elapsed_s, t)
    np.testing.assert_array_equal(got.index, np.arange(t.size))


@pytest.mark.parametrize("rows", [[(100, 200)], [(0, 599)], [(300, 420), (50, 60)]])
def test_repeated_blocks_are_dropped(rows: list[tuple[int, int]]) -> None:
    t, p = _noisy()
    again = [np.arange(a, b) for a, b in rows]
    order = np.concatenate([np.arange(450), *again, np.arange(450, 600)])
    got = put_in_order(t[order], p[order])
    np.testing.assert_array_equal(got.elapsed_s, t)
    np.testing.assert_array_equal(p[order][got.index], p)
    assert got.repeats == sum(b - a for a, b in rows)
    assert got.clock_set_s == 0


@pytest.mark.parametrize(
    "order",
    [
        np.r_[0:100, 200:300, 100:200, 300:600],
        np.r_[300:600, 0:300],
        np.r_[0:50, 400:600, 50:400],
        np.r_[599:-1:-1],
        np.r_[0:100, 500:600, 400:500, 300:400, 200:300, 100:200],
    ],
    ids=["two swapped", "halves swapped", "tail early", "backwards", "many"],
)
def test_moved_blocks_are_put_back(order: np.ndarray) -> None:
    t, p = _noisy()
    got = put_in_order(t[order], p[order])
    np.testing.assert_array_equal(got.elapsed_s, t)
    np.testing.assert_array_equal(p[order][got.index], p)


@given(st.permutations(range(8)))
@settings(deadline=None)
def test_any_order_of_blocks_is_put_back(blocks: list[int]) -> None:
    t, p = _noisy(400)
    order = np.concatenate([np.arange(b * 50, b * 50 + 50) for b in blocks])
    got = put_in_order(t[order], p[order])
    np.testing.assert_array_equal(p[order][got.index], p)
    np.testing.assert_array_equal(got.elapsed_s, t)


@given(st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=20)
def test_shuffled_rows_are_sorted(random: object) -> None:
    t, p = _noisy(300)
    order = list(range(300))
    random.shuffle(order)  # type: ignore[attr-defined]
    got = put_in_order(t[order], p[order])
    np.testing.assert_array_equal(p[order][got.index], p)


@pytest.mark.parametrize("back_s", [30.0, 60.0, 200.0, 350.0, 3600.0, 90 * 86_400.0])
@pytest.mark.parametrize("at", [250, 400, 520])
def test_a_clock_set_back_is_undone(back_s: float, at: int) -> None:
    t, p = _noisy()
    shown = np.where(np.arange(t.size) >= at, t - back_s, t)
    got = put_in_order(shown, p)
    np.testing.assert_array_equal(got.index, np.arange(t.size))
    np.testing.assert_allclose(got.elapsed_s, t, atol=1.0)
    assert got.clock_set_s > 0


@pytest.mark.parametrize("back_s", [15.0, 40.0, 120.0])
def test_a_clock_set_back_in_a_flat_hold_loses_no_reading(back_s: float) -> None:
    """Whole microns in a flat hold: some readings coincide with earlier ones by chance, and are no repeats."""
    t, p = pull_micron(800, 1.0)
    p = np.round(np.where(t > 400, 500 + 0.2 * (t - 400), p))
    shown = np.where(t >= 650, t - back_s, t)
    got = put_in_order(shown, p)
    np.testing.assert_array_equal(got.index, np.arange(800))
    np.testing.assert_allclose(got.elapsed_s, t, atol=1.0)


def test_a_clock_set_back_twice_is_undone() -> None:
    t, p = _noisy()
    shown = t - 100.0 * (np.arange(600) >= 200) - 250.0 * (np.arange(600) >= 450)
    got = put_in_order(shown, p)
    np.testing.assert_array_equal(got.index, np.arange(600))
    np.testing.assert_allclose(got.elapsed_s, t, atol=2.0)


def test_a_clock_that_leaps_years_runs_on() -> None:
    t, p = _noisy()
    shown = np.where(np.arange(600) >= 300, t + 26 * 365 * 86_400.0, t)
    got = put_in_order(shown, p)
    np.testing.assert_allclose(got.elapsed_s, t, atol=1e-3)


def test_a_gap_stays_a_gap() -> None:
    t, p = _noisy()
    keep = np.r_[0:200, 320:600]
    got = put_in_order(t[keep], p[keep])
    np.testing.assert_array_equal(got.elapsed_s, t[keep])


def test_a_late_reading_fills_its_hole_and_a_mistimed_one_is_refused() -> None:
    t, p = _noisy()
    late = np.r_[0:100, 101:300, 100, 300:600]
    got = put_in_order(t[late], p[late])
    np.testing.assert_array_equal(got.elapsed_s, t)
    torn = t.copy()
    torn[400] = 12.0  # "412" that lost its first digits
    got = put_in_order(torn, p)
    assert got.far.tolist() == [400]
    assert got.index.size == 599


def test_one_reading_days_away_is_refused() -> None:
    t, p = _noisy()
    t[17] = 4e9
    got = put_in_order(t, p)
    assert got.far.tolist() == [17]
    assert got.elapsed_s[-1] == 599


def test_ties_are_spread_evenly() -> None:
    """Readings every 10 s under a clock that shows minutes come out 10 s apart."""
    n = 120
    true = np.arange(n) * 10.0
    p = np.linspace(20_000, 300, n)
    got = put_in_order(np.floor(true / 60) * 60, p)
    np.testing.assert_allclose(got.elapsed_s, true)


def test_a_doubled_stamp_before_a_gap_stays_near_its_place() -> None:
    t = np.array([0.0, 1, 2, 3, 3, 300, 301, 302])
    got = put_in_order(t, np.arange(8) + 500.0)
    assert np.all(np.diff(got.elapsed_s) > 0)
    assert got.elapsed_s[4] <= 4.0


@given(
    st.lists(st.floats(-1e7, 1e7, allow_nan=False), min_size=1, max_size=60),
    st.lists(st.one_of(st.floats(1, 1e6), st.just(float("nan"))), min_size=60, max_size=60),
)
@settings(deadline=None)
def test_any_times_come_out_strictly_ascending(times: list[float], pressures: list[float]) -> None:
    t = np.array(times)
    got = put_in_order(t, np.array(pressures[: t.size]))
    assert got.elapsed_s.size == got.index.size
    assert np.unique(got.index).size == got.index.size
    assert got.elapsed_s[0] == 0
    assert np.all(np.diff(got.elapsed_s) > 0)
    assert got.index.size + got.repeats + got.far.size == t.size


@pytest.mark.parametrize("absurd", ["1e300", "-1e300", "2e12"])
def test_times_that_no_clock_can_show_cost_their_lines(absurd: str, tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    lines = [f"{10 * k},{300 + 20_000 * 0.9**k:.1f}" for k in range(60)]
    lines[30] = f"{absurd},400.0"
    lines[31] = f"{absurd}0,401.0"
    (tmp_path / "logs" / "a.csv").write_text("elapsed_s,pressure_micron\n" + "\n".join(lines) + "\n", encoding="utf-8")
    readout = read_logs(["logs/a.csv"], tmp_path)
    assert readout.batch.elapsed_s.tolist() == [10.0 * k for k in range(60) if k not in (30, 31)]
    assert readout.quarantine["row"].to_list() == [32, 33]
    assert "cannot be right" in readout.quarantine["problem"][0]
    every = "\n".join(f"{k}{absurd.lstrip('-')},{300 + k}" for k in range(1, 60))
    (tmp_path / "logs" / "a.csv").write_text(f"elapsed_s,pressure_micron\n{every}\n", encoding="utf-8")
    assert read_logs(["logs/a.csv"], tmp_path).info["readable"].to_list() == [False]
