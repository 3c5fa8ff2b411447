"""Run lengths against published tables, worked charts, and the Nile's change, through the project's own functions."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.datasets import nile

from blankoff.fleet.control_charts import (
    cusum_down,
    cusum_limit,
    cusum_run_length,
    cusum_run_length_two_sided,
    cusum_up,
    ewma,
    ewma_limit,
    ewma_run_length,
    find_step,
)

SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5)


def half_a_digit(published: str) -> float:
    digits = len(published.split(".")[1]) if "." in published else 0
    return 0.5 * 10.0**-digits * 1.02


@pytest.mark.parametrize(
    ("smoothing", "limit", "published"),
    [
        (0.5, 3.071, "500 255 88.8 35.9 17.5 6.53 3.63 2.50 1.93 1.58 1.34 1.07"),
        (0.03, 2.437, "500 76.7 29.3 17.6 12.6 8.07 5.99 4.80 4.03 3.49 3.11 2.55"),
    ],
)
def test_ewma_run_lengths_lucas_saccucci(smoothing: float, limit: float, published: str) -> None:
    """Lucas and Saccucci 1990, Table 3, as quoted in the help pages of the R package spc. Tag READ."""
    for shift, text in zip(SHIFTS, published.split(), strict=True):
        tolerance = 0.5 if text == "500" else half_a_digit(text)
        assert ewma_run_length(smoothing, limit, shift, nodes=200) == pytest.approx(float(text), abs=tolerance), shift


def test_ewma_run_lengths_crowder() -> None:
    """Crowder 1987, smoothing 0.5, limit 2; the printed 3.95 at shift 1.25 is a misprint for 3.59. Tag READ."""
    published = {0: "26.45", 0.25: "20.12", 0.5: "11.89", 0.75: "7.29", 1: "4.91", 1.25: "3.59", 1.5: "2.80"}
    for shift, text in published.items():
        assert ewma_run_length(0.5, 2.0, shift) == pytest.approx(float(text), abs=half_a_digit(text))


def test_cusum_run_lengths_lucas_crosier() -> None:
    """Lucas and Crosier 1982, k 0.5, h 4, two-sided, with and without head start, as quoted in R spc. Tag READ."""
    shifts = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5)
    plain = ["168", "74.2", "26.6", "13.3", "8.38", "4.75", "3.34", "2.62", "2.19", "1.71", "1.31"]
    for shift, text in zip(shifts, plain, strict=True):
        assert cusum_run_length_two_sided(0.5, 4.0, shift) == pytest.approx(float(text), abs=half_a_digit(text)), shift
    for shift, text in zip(shifts[:4], ["149", "62.7", "20.1", "8.97"], strict=True):
        assert cusum_run_length_two_sided(0.5, 4.0, shift, 2.0) == pytest.approx(float(text), abs=half_a_digit(text))


def test_cusum_run_lengths_one_sided() -> None:
    """SAS/QC example and Brook and Evans 1972, as quoted in R spc. Tag READ."""
    assert cusum_run_length(0.25, 8.0, 2.5) == pytest.approx(4.1500836225, abs=5e-6)
    assert cusum_run_length(0.25, 8.0, 2.5, headstart=0.1) == pytest.approx(4.1061588131, abs=5e-6)
    assert cusum_run_length(0.5, 3.0) == pytest.approx(117.59, abs=0.01)
    assert cusum_run_length(0.5, 3.0, 1.0 + 0.0) == pytest.approx(6.4, abs=0.05)


def test_designs_for_a_wanted_run_length() -> None:
    """EWMA designs with run length 500: Montgomery's table, from memory, run again here. Tag MEM, RUN."""
    for smoothing, limit in ((0.05, 2.615), (0.1, 2.814), (0.2, 2.962), (0.25, 2.998), (0.4, 3.054)):
        assert ewma_limit(smoothing, 500.0) == pytest.approx(limit, abs=2e-3)
    assert cusum_run_length(0.5, cusum_limit(0.5, 930.9)) == pytest.approx(930.9, rel=1e-4)
    assert cusum_limit(0.5, 930.9) == pytest.approx(5.0, abs=0.01)  # two-sided 465.4 at h = 5


MONTGOMERY_RUNGER = (
    "102.0 94.8 98.3 98.4 102.0 98.5 99.0 97.7 100.0 98.1 101.3 98.7 101.1 98.4 97.0 96.7 100.3 101.4 97.2 101.0"
)


def test_worked_cusum() -> None:
    """Montgomery and Runger, Table 16-7, target 99, K 1, H 10: S-(2..4) = 3.2, 2.9, 2.5, no signal. Tag READ."""
    x = np.array(MONTGOMERY_RUNGER.split(), dtype=float)
    down = cusum_down(x, 1.0, 99.0)
    assert down[1:4] == pytest.approx([3.2, 2.9, 2.5], abs=1e-9)
    assert max(down.max(), cusum_up(x, 1.0, 99.0).max()) < 10.0
    assert np.cumsum(x - 99.0)[[0, 4, -1]] == pytest.approx([3.0, 0.5, 1.9], abs=1e-9)


def test_worked_ewma() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: smoothing 0.3, start 50; the recipe READ, the 20 data from memory. Tag MEM."""
    x = [
        "52.0",
        "47.0",
        "53.0",
        "49.3",
        "50.1",
        "47.0",
        "51.0",
        "50.1",
        "51.2",
        "50.5",
        "49.6",
        "47.6",
        "49.9",
        "51.3",
        "47.8",
        "51.2",
        "52.6",
        "52.4",
        "53.6",
        "52.1",
    ]
    z = [
        "50.60",
        "49.52",
        "50.56",
        "50.18",
        "50.16",
        "49.21",
        "49.75",
        "49.85",
        "50.26",
        "50.33",
        "50.11",
        "49.36",
        "49.52",
        "50.05",
        "49.38",
        "49.92",
        "50.73",
        "51.23",
        "51.94",
        "51.99",
    ]
    assert ewma(np.array(x, dtype=float), 0.3, 50.0) == pytest.approx(np.array(z, dtype=float), abs=0.006)
    assert 50 + 3 * 2.0539 * np.sqrt(0.3 / 1.7) == pytest.approx(52.5884, abs=1e-3)


def test_the_niles_change() -> None:
    """Annual flow at Aswan (statsmodels.datasets.nile): last year of the old regime 1898; means 1097.75 / 849.97.

    Split and means RUN with ruptures; the year 1899 from memory (Cobb 1978).
    """
    data = nile.load_pandas().data
    flow = data["volume"].to_numpy(dtype=float)
    change = find_step(flow, np.full(flow.size, 1.0 / 127.0**2), spread=200.0)
    assert data["year"].iloc[change.index - 1] == 1898
    assert (change.before, change.after) == pytest.approx((1097.75, 849.9722), abs=1e-3)
    assert change.p_change > 0.99
    assert data["year"].iloc[change.lower] >= 1894
    assert data["year"].iloc[change.upper] <= 1904


def test_a_steady_sequence_shows_no_step() -> None:
    rng = np.random.default_rng(2)
    claimed = [find_step(rng.normal(size=60), np.ones(60), 1.0).p_change > 0.9 for _ in range(200)]
    assert np.mean(claimed) < 0.03
