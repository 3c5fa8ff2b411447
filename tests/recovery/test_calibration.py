"""Calibration and recovery of the hold fit on invented holds whose physics is not the package's own.

The slopes of `blankoff.evacuation.calibration` were found with `fitted_slopes` on seeds and worlds other than those
checked here. Monte Carlo error: with 1200 holds a share is known to about 0.015, a calibration error to about 0.012.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hold_worlds import OTHER_WORLD, Holds, World, make_holds
from scipy.optimize import minimize

from blankoff.evacuation.calibration import LEAK_MAP, beside_water, calibrated, fleet_calibrated, fleet_rate
from blankoff.evacuation.hold import HoldFits, fit_holds
from blankoff.settings import Judging

COUNT = 1200
FLEET_LIKE = World(leak_share=0.12, wet_share=0.08, rise_median=110.0, rise_ln_sd=0.6, noise_low=0.005)


def fit(holds: Holds) -> HoldFits:
    b, n = holds.batch, len(holds.batch)
    return fit_holds(
        b.offsets, b.elapsed_s, b.pressure_micron, b.ambient_c, np.zeros(n), b.elapsed_s[b.offsets[1:] - 1],
        holds.required_min, holds.ambient_c, np.full(n, 760_000.0), Judging(),
    )  # fmt: skip


def calibration_error(p: np.ndarray, true: np.ndarray) -> float:
    """Mean gap between probability and share, over ten even bins, weighted by their holds."""
    place = np.minimum((p * 10).astype(int), 9)
    return float(sum(abs((p - true)[place == k].sum()) for k in range(10)) / p.size)


def fitted_slopes(seed: int) -> tuple[float, float]:
    """Slopes of the log-odds on the tuning worlds, a free base rate aside: how `calibration`'s were found."""
    slopes = []
    holds = [make_holds(COUNT, seed, w) for w in (World(), FLEET_LIKE)]
    fits = [fit(h) for h in holds]
    for name, truth in (("p_leak_raw", "leak_micron"), ("p_moisture_raw", "saturating_micron")):
        x, y, world = [], [], []
        for k, (h, f) in enumerate(zip(holds, fits, strict=True)):
            p = np.clip(f[name], 1e-4, 1 - 1e-4)
            x.append(np.log(p / (1 - p)))
            y.append(getattr(h, truth) >= 50.0)
            world.append(np.full(p.size, k))
        xs, ys, ws = np.concatenate(x), 2.0 * np.concatenate(y) - 1.0, np.concatenate(world)
        loss = lambda a, xs=xs, ys=ys, ws=ws: np.logaddexp(0, -ys * (a[0] * xs + a[1 + ws])).mean()  # noqa: E731
        slopes.append(float(minimize(lambda a, f=loss: f(np.asarray(a)), [1.0, 0.0, 0.0], method="Nelder-Mead").x[0]))
    return slopes[0], slopes[1]


@pytest.fixture(scope="module")
def checked() -> dict[str, tuple[Holds, HoldFits]]:
    worlds = {"wide": (World(), 901), "fleet": (FLEET_LIKE, 902), "other": (replace(OTHER_WORLD, leak_share=0.3), 903)}
    holds = {name: make_holds(COUNT, seed, world) for name, (world, seed) in worlds.items()}
    return {name: (h, fit(h)) for name, h in holds.items()}


@pytest.mark.parametrize("world", ["wide", "fleet", "other"])
def test_fleet_calibration_error(checked: dict[str, tuple[Holds, HoldFits]], world: str) -> None:
    holds, fits = checked[world]
    p_leak, p_moisture = fleet_calibrated(*calibrated(fits["p_leak_raw"], fits["p_moisture_raw"]))
    room = 0.03 if world == "other" else 0.015
    assert calibration_error(p_leak, holds.leak_micron >= 50.0) < 0.03 + room
    assert calibration_error(p_moisture, holds.saturating_micron >= 50.0) < 0.03 + room


def test_leaks_are_recovered_and_their_intervals_cover(checked: dict[str, tuple[Holds, HoldFits]]) -> None:
    holds, fits = checked["wide"]
    stood = holds.batch.elapsed_s[holds.batch.offsets[1:] - 1] / 60.0
    seen = (holds.leak_micron_per_min > 20.0) & (stood >= holds.required_min)
    leak, se = fits["leak_micron"][seen], np.hypot(fits["leak_se"], 0.025 * fits["leak_micron"])[seen]
    truth = holds.leak_micron[seen]
    assert np.median(np.abs(leak / truth - 1.0)) < 0.08
    covered = np.mean(np.abs(leak - truth) < 1.645 * se)
    assert 0.82 < covered < 0.98


def test_base_rate_of_a_fleet_is_found_and_does_not_depend_on_order() -> None:
    rng = np.random.default_rng(4)
    leaky = rng.random(4000) < 0.07
    log_odds = (
        np.where(leaky, 2.0, -2.0) + 2.0 * rng.normal(size=4000) + np.log(LEAK_MAP.base_rate / (1 - LEAK_MAP.base_rate))
    )
    p = 1.0 / (1.0 + np.exp(-log_odds))
    assert fleet_rate(p, LEAK_MAP) == pytest.approx(0.07, abs=0.015)
    assert fleet_rate(p[::-1], LEAK_MAP) == fleet_rate(p, LEAK_MAP)
    assert fleet_rate(np.array([np.nan]), LEAK_MAP) == pytest.approx(LEAK_MAP.base_rate)


if __name__ == "__main__":
    print(fitted_slopes(701))


def test_a_steady_remainder_beside_much_water_is_no_leak_and_a_large_one_stays() -> None:
    """By hand from the two densities (CALC): 400 beside 2 000 microns is the water's, 1 600 beside 500 a leak's."""
    beside = beside_water(
        np.array([0.98, 0.98, 0.9]), np.array([400.0, 1600.0, 80.0]), np.array([2000.0, 500.0, 150.0])
    )
    assert beside[0] < 0.3
    assert beside[1] > 0.95
    assert beside[2] == 0.9  # no more than outgassing gives: untouched
