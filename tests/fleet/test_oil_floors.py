"""The compiled likelihood of floors against the plain formula, written out one floor at a time."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.fleet import oil_floors
from blankoff.fleet.oil_floors import floor_likelihood, floor_moments
from blankoff.fleet.oil_kernels import FRESH, HEAD, fit_pump

Floats = NDArray[np.float64]
ROWS = 3 * oil_floors.BLOCK + 17
OWN_SD = 0.08


def floors(seed: int = 5) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """ln floor, what is held up, load, its s.e., s.e. of ln floor: sound, spoiled, far above and far below."""
    rng = np.random.default_rng(seed)
    held = np.exp(rng.normal(4.5, 1.2, ROWS))
    load = np.exp(rng.normal(2.5, 1.0, ROWS))
    y = np.log(held + load) + rng.standard_t(2, ROWS) * 0.3
    return y, held, load, rng.uniform(0.1, 1.0, ROWS), rng.uniform(0.005, 0.3, ROWS)


def plainly(y: float, held: float, load: float, load_se: float, se: float) -> tuple[float, float, float]:
    """Ln likelihood of one floor, its slope by what is held up, and its curvature."""
    far = max(np.log(held / oil_floors.SPOILED_MICRON), 0.0)
    density, score, weight = [], [], []
    for z, share in zip(oil_floors.LOADS_Z, oil_floors.LOADS_SHARE, strict=True):
        here = load * np.exp(z * load_se)
        floor = held + here
        r = y - np.log(floor)
        v = se**2 + OWN_SD**2 + (0.5 * far) ** 2 + (oil_floors.LOADS_STEP * load_se * here / floor) ** 2
        nu = oil_floors.NU_ABOVE if r > 0 else oil_floors.NU_BELOW
        density.append(share * (1.0 + r**2 / (nu * v)) ** (-0.5 * (nu + 1.0)) / np.sqrt(v))
        weight.append((nu + 1.0) / (nu * v + r**2))
        score.append(weight[-1] * r / floor)
        weight[-1] /= floor**2
    total = sum(density) + 1e-12
    first = float(np.dot(density, score)) / total
    second = float(np.dot(density, weight)) / total
    squares = float(np.dot(density, np.square(score))) / total
    return float(np.log(total)), first, max(second - (squares - first**2), 0.15 * second)


def test_blocks_give_what_the_plain_formula_gives() -> None:
    y, held, load, load_se, se = floors()
    told = [plainly(*row) for row in zip(y, held, load, load_se, se, strict=True)]
    like, first, stiff = (np.array(c) for c in zip(*told, strict=True))
    guesses = np.stack([held, 1.3 * held])
    assert floor_likelihood(y, guesses, load, load_se, se, OWN_SD)[0] == pytest.approx(like.sum(), rel=1e-12)
    mean, variance = floor_moments(y, held, load, load_se, se, OWN_SD)
    wanted = np.maximum(stiff * held**2, 1e-3)
    np.testing.assert_allclose(variance, 1.0 / wanted, rtol=1e-11)
    np.testing.assert_allclose(mean, first * held / wanted, rtol=1e-9, atol=1e-12)


def test_slopes_are_those_of_the_likelihood() -> None:
    """A fit held fast everywhere but in fresh blank-off comes to where the likelihood has its top."""
    _, _, load, load_se, se = floors(7)
    y = np.log(60.0 + load) + 0.05 * np.random.default_rng(3).normal(size=ROWS)
    none, fill = np.zeros(ROWS), np.full(ROWS, 1, dtype=np.int64)
    mean = np.zeros(HEAD + 2)
    mean[:5] = np.log([40.0, 1e-6, 1e-6, 1.0, 1.0])
    precision = np.full(mean.size, 1e12)
    precision[FRESH] = 1e-6
    floor_rows = (y, se, load, load_se, none + 1.0, none, fill, none, none, none)
    theta, covariance, _ = fit_pump(mean, mean, precision, *floor_rows, OWN_SD, 60)
    tried = np.exp(theta[FRESH] + np.linspace(-0.05, 0.05, 401))
    like = floor_likelihood(y, np.repeat(tried[:, None], ROWS, axis=1), load, load_se, se, OWN_SD)
    best = np.log(tried[like.argmax()])
    assert abs(best - theta[FRESH]) < 0.2 * np.sqrt(covariance[FRESH, FRESH]) + 0.0003
