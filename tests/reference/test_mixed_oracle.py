"""The mixed-model engine beside plain dense algebra, on small invented fleets."""

from __future__ import annotations

import numpy as np
import pytest

from blankoff.fleet import mixed
from blankoff.fleet.mixed import RandomTerm, cross_products, fit_mixed
from blankoff.fleet.mixed_algebra import split_products

Model = tuple[list[RandomTerm], np.ndarray, np.ndarray, np.ndarray]


def small_fleet(seed: int = 3, n: int = 160) -> Model:
    rng = np.random.default_rng(seed)
    pump, hose, technician = rng.integers(0, 20, n), rng.integers(0, 9, n), rng.integers(-1, 7, n)
    time = rng.uniform(-1, 1, n)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    weights = rng.uniform(0.3, 3.0, n)
    y = x @ [1.0, 0.5] + 0.6 * rng.normal(size=20)[pump] + 0.4 * rng.normal(size=9)[hose]
    y += np.where(technician >= 0, (0.5 * rng.normal(size=7))[technician], 0.0)
    y += 0.4 * rng.normal(size=9)[hose] * time + 0.5 * rng.normal(size=n) / np.sqrt(weights)
    terms = [
        RandomTerm("pump", pump, 20),
        RandomTerm("hose", hose, 9, np.column_stack([np.ones(n), time])),
        RandomTerm("technician", technician, 7),
    ]
    return terms, x, y, weights


def dense_z(term: RandomTerm) -> np.ndarray:
    k = term.shape.n_columns
    z = np.zeros((len(term.codes), term.n_levels * k))
    for i, code in enumerate(term.codes):
        if code >= 0:
            z[i, code * k : (code + 1) * k] = 1.0 if term.covariates is None else term.covariates[i]
    return z


def dense_criterion(model: Model, covariances: dict[str, np.ndarray], sigma2: float, reml: bool) -> float:
    terms, x, y, weights = model
    v = np.diag(sigma2 / weights)
    for t in terms:
        z = dense_z(t)
        v += z @ np.kron(np.eye(t.n_levels), covariances[t.name]) @ z.T
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    r = y - x @ beta
    value = np.linalg.slogdet(v)[1] + r @ inverse @ r + (len(y) - reml * x.shape[1]) * np.log(2 * np.pi)
    return float(value + reml * np.linalg.slogdet(information)[1])


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_criterion_is_the_dense_one_and_a_minimum(method: str) -> None:
    model = small_fleet()
    f = fit_mixed(cross_products(*model), method)  # type: ignore[arg-type]
    here = dense_criterion(model, f.covariances, f.residual_variance, method == "reml")
    assert f.criterion == pytest.approx(here, abs=1e-8)
    assert f.gradient_norm < 1e-5
    for name in f.covariances:
        for factor in (0.95, 1.05):
            moved = {**f.covariances, name: f.covariances[name] * factor}
            assert dense_criterion(model, moved, f.residual_variance, method == "reml") > here


def test_effects_and_their_covariance_are_hendersons() -> None:
    """Henderson's equations solved densely give the same predictions and the same covariance of their errors."""
    model = small_fleet()
    terms, x, y, weights = model
    f = fit_mixed(cross_products(*model))
    z = np.hstack([dense_z(t) for t in terms])
    prior = np.zeros((z.shape[1], z.shape[1]))
    at = 0
    for t in terms:
        size = t.shape.size
        prior[at : at + size, at : at + size] = np.kron(np.eye(t.n_levels), np.linalg.inv(f.covariances[t.name]))
        at += size
    both = np.hstack([x, z])
    system = both.T @ (weights[:, None] / f.residual_variance * both)
    system[2:, 2:] += prior
    inverse = np.linalg.inv(system)
    solution = inverse @ (both.T @ (weights / f.residual_variance * y))
    ours = np.concatenate([f.effects(t.name).ravel() for t in terms])
    assert ours == pytest.approx(solution[2:], abs=1e-9)
    assert f.fixed == pytest.approx(solution[:2], abs=1e-9)
    assert f.fixed_covariance == pytest.approx(inverse[:2, :2], abs=1e-9)
    assert f.posterior_covariance() == pytest.approx(inverse[2:, 2:], abs=1e-9)
    hose_pump = f.posterior_covariance(["hose", "pump"])
    order = np.r_[np.arange(20, 38), np.arange(20)]
    assert hose_pump == pytest.approx(inverse[2:, 2:][np.ix_(order, order)], abs=1e-9)


def test_rows_in_parts_and_in_any_order_give_one_fit() -> None:
    terms, x, y, weights = small_fleet()
    whole = cross_products(terms, x, y, weights)
    chunked = cross_products(terms, x, y, weights, chunk_rows=7)

    def part(rows: np.ndarray) -> mixed.CrossProducts:
        cut = [
            RandomTerm(t.name, t.codes[rows], t.n_levels, None if t.covariates is None else t.covariates[rows])
            for t in terms
        ]
        return cross_products(cut, x[rows], y[rows], weights[rows])

    order = np.random.default_rng(0).permutation(len(y))
    summed = part(order[:50]) + part(order[50:])
    for other in (chunked, summed):
        assert abs(other.ztz - whole.ztz).max() < 1e-10
        assert fit_mixed(other).theta == pytest.approx(fit_mixed(whole).theta, rel=1e-6)


def test_sparse_factor_agrees_with_dense(monkeypatch: pytest.MonkeyPatch) -> None:
    products = cross_products(*small_fleet())
    dense = fit_mixed(products)
    monkeypatch.setattr(mixed, "split_products", lambda p: split_products(p, dense_limit=5))
    sparse = fit_mixed(products)
    assert sparse.criterion == pytest.approx(dense.criterion, abs=1e-6)
    assert sparse.effects("hose") == pytest.approx(dense.effects("hose"), abs=1e-3)
    assert sparse.posterior_covariance(["pump"]) == pytest.approx(dense.posterior_covariance(["pump"]), abs=1e-4)


def test_what_is_refused() -> None:
    terms, x, y, weights = small_fleet()
    with pytest.raises(ValueError, match="at least one random term"):
        cross_products([], x, y)
    with pytest.raises(ValueError, match="finite"):
        cross_products(terms, x, np.where(np.arange(len(y)) == 3, np.nan, y))
    with pytest.raises(ValueError, match="positive"):
        cross_products(terms, x, y, weights * 0)
    with pytest.raises(ValueError, match="outside"):
        cross_products([RandomTerm("pump", terms[0].codes, 3)], x, y)
    with pytest.raises(ValueError, match="depend on one another"):
        fit_mixed(cross_products(terms, np.column_stack([x, x[:, 1]]), y))
    with pytest.raises(ValueError, match="unknown method"):
        fit_mixed(cross_products(terms, x, y), "bayes")  # type: ignore[arg-type]
