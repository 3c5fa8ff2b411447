"""The project's own fitters on NIST's certified regression problems (reference checks, section 6).

READ: data, starting values and certified values from the headers of NIST's files (Statistical Reference Datasets).
Tolerances: parameters 1e-6 (4e-6 for Lanczos3), standard deviations 1e-5, residual sum of squares 1e-8, all relative.
Hahn1, Kirby2 and Lanczos1 are no gates: see the reference checks.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.physics.least_squares import Fit, fit_curve, fit_separable

DATA = Path(__file__).parent / "data"
Array = NDArray[np.float64]


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@dataclass(frozen=True)
class Certified:
    x: Array
    y: Array
    starts: tuple[Array, Array]
    params: Array
    sd: Array
    rss: float
    rsd: float
    dof: int


def certified(name: str) -> Certified:
    data, facts = rows(f"nist_{name.lower()}.csv"), [r for r in rows("nist_certified.csv") if r["dataset"] == name]

    def column(key: str) -> Array:
        return np.array([float(r[key]) for r in facts])

    return Certified(
        np.array([float(r["x"]) for r in data]),
        np.array([float(r["y"]) for r in data]),
        (column("start1"), column("start2")),
        column("certified"),
        column("certified_sd"),
        float(facts[0]["certified_rss"]),
        float(facts[0]["certified_rsd"]),
        int(facts[0]["dof"]),
    )


def rise(x, b):
    return b[0] * (1.0 - np.exp(-b[1] * x))


def three_exponentials(x, b):
    return b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x)


def cubic_over_cubic(x, b):
    return (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1.0 + b[4] * x + b[5] * x**2 + b[6] * x**3)


MODELS: dict[str, Callable] = {
    "Misra1a": rise,
    "BoxBOD": rise,
    "Chwirut2": lambda x, b: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "MGH17": lambda x, b: b[0] + b[1] * np.exp(-b[3] * x) + b[2] * np.exp(-b[4] * x),
    "Lanczos3": three_exponentials,
    "Thurber": cubic_over_cubic,
    "Rat42": lambda x, b: b[0] / (1.0 + np.exp(b[1] - b[2] * x)),
    "DanWood": lambda x, b: b[0] * x ** b[1],
}

# basis and, of the certified parameters, the linear and the nonlinear ones
SEPARABLE: dict[str, tuple[Callable, list[int], list[int]]] = {
    "Misra1a": (lambda x, t: (1.0 - np.exp(-t[0] * x))[:, None], [0], [1]),
    "BoxBOD": (lambda x, t: (1.0 - np.exp(-t[0] * x))[:, None], [0], [1]),
    "MGH17": (
        lambda x, t: np.stack([np.exp(0.0 * t[0] * x), np.exp(-t[0] * x), np.exp(-t[1] * x)], axis=1),
        [0, 1, 2],
        [3, 4],
    ),
    "Lanczos3": (lambda x, t: np.exp(-x[:, None] * t[None, :]), [0, 2, 4], [1, 3, 5]),
}


def assert_certified(fit: Fit, facts: Certified, order: list[int], name: str) -> None:
    assert fit.converged
    assert fit.dof == facts.dof
    np.testing.assert_allclose(fit.params, facts.params[order], rtol=4e-6 if name == "Lanczos3" else 1e-6)
    np.testing.assert_allclose(fit.se, facts.sd[order], rtol=1e-5)
    assert fit.rss == pytest.approx(facts.rss, rel=1e-8)
    assert fit.rsd == pytest.approx(facts.rsd, rel=1e-8)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", MODELS)
def test_any_curve(name: str, start: int) -> None:
    """READ: NIST StRD, from both certified starts."""
    facts = certified(name)
    fit = fit_curve(MODELS[name], facts.x, facts.y, facts.starts[start])
    assert_certified(fit, facts, list(range(facts.params.size)), name)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", SEPARABLE)
def test_variable_projection(name: str, start: int) -> None:
    """READ: NIST StRD; the linear parameters need no start at all."""
    facts = certified(name)
    basis, linear, nonlinear = SEPARABLE[name]
    fit = fit_separable(basis, facts.x, facts.y, facts.starts[start][nonlinear])
    assert_certified(fit.fit, facts, linear + nonlinear, name)
    np.testing.assert_allclose(fit.linear, facts.params[linear], rtol=4e-6)
    np.testing.assert_allclose(fit.theta_se, facts.sd[nonlinear], rtol=1e-5)


def test_slow_rise_cannot_tell_leak_from_moisture() -> None:
    """CALC: in Misra1a amplitude and rate are correlated by -0.9988, and b2 x_max is 0.42."""
    facts = certified("Misra1a")
    fit = fit_curve(rise, facts.x, facts.y, facts.starts[1])
    correlation = fit.covariance[0, 1] / (fit.se[0] * fit.se[1])
    assert correlation == pytest.approx(-0.9988, abs=5e-5)
    assert fit.params[1] * facts.x.max() == pytest.approx(0.42, abs=0.005)


def test_straight_line() -> None:
    """READ: NIST Norris, linear regression, intercept and slope with their standard deviations."""
    data = rows("nist_norris.csv")
    x, y = (np.array([float(r[c]) for r in data]) for c in "xy")
    fit = fit_curve(lambda at, b: b[0] + b[1] * at, x, y, [0.0, 0.0])
    np.testing.assert_allclose(fit.params, [-0.262323073774029, 1.00211681802045], rtol=1e-9)
    np.testing.assert_allclose(fit.se, [0.232818234301152, 0.429796848199937e-3], rtol=1e-9)
    assert fit.rsd == pytest.approx(0.884796396144373, rel=1e-9)
    assert 1.0 - fit.rss / np.sum((y - y.mean()) ** 2) == pytest.approx(0.999993745883712, rel=1e-12)
