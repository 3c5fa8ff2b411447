"""Linear mixed models with crossed random effects, fitted from cross-products alone.

The rows are read once, in chunks, into ``Z'WZ``, ``Z'WX``, ``Z'Wy``, ``X'WX``, ``X'Wy`` and ``y'Wy``; after that
the cost of a fit depends on the number of levels only.  The criterion is profiled over the relative covariance
factors ``theta`` (Bates, Maechler, Bolker and Walker 2015, J. Stat. Software 67(1), section 3.4; from memory), and
its gradient is exact, so that the fit ends on a stationary point instead of a few 1e-4 short of it.

Write ``M = L'Z'WZL + I`` where ``L`` is the block-diagonal relative factor.  The largest intercept-only term has a
diagonal block in ``M`` and is eliminated by its Schur complement; what remains is factored densely.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, sparse

from blankoff.fleet.mixed_algebra import Factored, factorise, split_products

__all__ = ["CrossProducts", "MixedFit", "RandomTerm", "TermShape", "cross_products", "fit_mixed"]

Floats = NDArray[np.float64]
Method = Literal["reml", "ml"]

LN_THETA_BOUNDS = (-9.0, 7.0)
"""Bounds of the logarithm of a relative standard deviation while it is searched (no source: wide enough)."""

GRADIENT_TOLERANCE = 1e-6
"""Largest criterion gradient per unit of ``ln theta`` at which a fit counts as finished."""


@dataclass(frozen=True)
class RandomTerm:
    """One grouping factor as the rows carry it.

    Parameters
    ----------
    name : str
        Name of the term, unique within a model.
    codes : ndarray of int, shape (n,)
        Level of each row, ``0 .. n_levels - 1``; ``-1`` where the row has none (it then gets no effect).
    n_levels : int
        Number of levels.
    covariates : ndarray of float, shape (n, k), optional
        Columns that vary by level (a random slope has ``[1, t]``); default one column of ones.
    """

    name: str
    codes: NDArray[np.int64]
    n_levels: int
    covariates: Floats | None = None

    @property
    def shape(self) -> TermShape:
        """Levels and columns of this term."""
        return TermShape(self.name, self.n_levels, 1 if self.covariates is None else int(self.covariates.shape[1]))


@dataclass(frozen=True)
class TermShape:
    """Name, number of levels and columns per level of a random term."""

    name: str
    n_levels: int
    n_columns: int = 1

    @property
    def size(self) -> int:
        """Number of random coefficients."""
        return self.n_levels * self.n_columns

    @property
    def n_theta(self) -> int:
        """Number of covariance parameters (lower triangle)."""
        return self.n_columns * (self.n_columns + 1) // 2


@dataclass(frozen=True)
class CrossProducts:
    """Everything a mixed model needs to know of the rows; two of them add up.

    Attributes
    ----------
    shapes : tuple of TermShape
    n_rows : int
    sum_ln_weight : float
    ztz : csr_array (q, q);  ztx : (q, p);  zty : (q,);  xtx : (p, p);  xty : (p,);  yty : float
    """

    shapes: tuple[TermShape, ...]
    n_rows: int
    sum_ln_weight: float
    ztz: sparse.csr_array
    ztx: Floats
    zty: Floats
    xtx: Floats
    xty: Floats
    yty: float

    def __add__(self, other: CrossProducts) -> CrossProducts:
        """Cross-products of both sets of rows together.

        Raises
        ------
        ValueError
            If the two come from models of different shape.
        """
        if self.shapes != other.shapes or self.xtx.shape != other.xtx.shape:
            raise ValueError("cross-products of differently shaped models do not add up")
        return CrossProducts(
            self.shapes,
            self.n_rows + other.n_rows,
            self.sum_ln_weight + other.sum_ln_weight,
            sparse.csr_array(self.ztz + other.ztz),
            self.ztx + other.ztx,
            self.zty + other.zty,
            self.xtx + other.xtx,
            self.xty + other.xty,
            self.yty + other.yty,
        )

    def offsets(self) -> list[int]:
        """First coefficient of each term, and the end."""
        return [0, *np.cumsum([s.size for s in self.shapes]).tolist()]


def _design(terms: Sequence[RandomTerm], rows: slice) -> sparse.csr_array:
    """Sparse ``Z`` of some rows: each row holds at most one level per term."""
    blocks = []
    for term in terms:
        codes = np.asarray(term.codes[rows], dtype=np.int64)
        n, k = len(codes), term.shape.n_columns
        if codes.size and (codes.max() >= term.n_levels or codes.min() < -1):
            raise ValueError(f"term {term.name!r} has a code outside -1 .. {term.n_levels - 1}")
        kept = np.flatnonzero(codes >= 0)
        columns = (codes[kept, None] * k + np.arange(k)).ravel()
        values = np.ones(len(kept) * k) if term.covariates is None else term.covariates[rows][kept].ravel()
        entries = sparse.coo_array((values, (np.repeat(kept, k), columns)), shape=(n, term.shape.size))
        blocks.append(sparse.csr_array(entries))
    return sparse.csr_array(sparse.hstack(blocks, format="csr"))


def cross_products(
    terms: Sequence[RandomTerm], x: Floats, y: Floats, weights: Floats | None = None, chunk_rows: int = 250_000
) -> CrossProducts:
    """Accumulate the cross-products of a model, chunk by chunk.

    Parameters
    ----------
    terms : sequence of RandomTerm
        At least one.
    x : ndarray, shape (n, p)
        Fixed-effect columns, of full column rank.
    y : ndarray, shape (n,)
    weights : ndarray, shape (n,), optional
        Inverse variances up to a common factor; positive.
    chunk_rows : int
        Rows held as a sparse matrix at a time.

    Returns
    -------
    CrossProducts

    Raises
    ------
    ValueError
        For no term, unequal lengths, codes out of range, values that are not finite, or weights not positive.
    """
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    if not terms:
        raise ValueError("a mixed model needs at least one random term")
    if x.ndim != 2 or len(x) != len(y) or any(len(t.codes) != len(y) for t in terms):
        raise ValueError("x, y and the terms' codes must have one row each per observation")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("x and y must be finite")
    w = np.ones(len(y)) if weights is None else np.asarray(weights, dtype=np.float64)
    if len(w) != len(y) or not (np.isfinite(w).all() and (w > 0).all()):
        raise ValueError("weights must be positive and finite, one per row")
    shapes = tuple(t.shape for t in terms)
    q, p = sum(s.size for s in shapes), x.shape[1]
    ztz = sparse.csr_array((q, q), dtype=np.float64)
    ztx, zty = np.zeros((q, p)), np.zeros(q)
    for start in range(0, len(y), chunk_rows):
        rows = slice(start, start + chunk_rows)
        z = _design(terms, rows)
        zw = sparse.csr_array(z.multiply(w[rows, None]))
        ztz = sparse.csr_array(ztz + zw.T @ z)
        ztx += zw.T @ x[rows]
        zty += zw.T @ y[rows]
    xw = x * w[:, None]
    return CrossProducts(shapes, len(y), float(np.log(w).sum()), ztz, ztx, zty, xw.T @ x, xw.T @ y, float((w * y) @ y))


@dataclass(frozen=True)
class MixedFit:
    """A fitted mixed model.

    Attributes
    ----------
    method : 'reml' or 'ml'
    criterion : float
        ``-2 ln L`` (restricted for REML), constants included, as R's and statsmodels' ``-2 llf``.
    covariances : dict of str to ndarray (k, k)
        Covariance of each term's coefficients; a variance at the boundary is exactly 0.
    residual_variance : float
    fixed, fixed_se : ndarray (p,);  fixed_covariance : ndarray (p, p)
    theta : ndarray
        Relative factors, lower triangles row by row, term by term.
    gradient_norm : float
        Largest gradient of the criterion over the parameters inside their bounds (nan where the factor was sparse).
    evaluations : int
    """

    method: Method
    criterion: float
    covariances: dict[str, Floats]
    residual_variance: float
    fixed: Floats
    fixed_se: Floats
    fixed_covariance: Floats
    theta: Floats
    gradient_norm: float
    evaluations: int
    _shapes: tuple[TermShape, ...] = field(repr=False)
    _factored: Factored = field(repr=False)

    def _columns(self, name: str) -> slice:
        start = 0
        for shape in self._shapes:
            if shape.name == name:
                return slice(start, start + shape.size)
            start += shape.size
        raise KeyError(f"no random term {name!r}; there are {[s.name for s in self._shapes]}")

    def sd(self, name: str) -> Floats:
        """Return the standard deviations of a term's columns."""
        return np.sqrt(np.diag(self.covariances[name]))

    def effects(self, name: str) -> Floats:
        """Best linear unbiased predictions of a term, shape (levels, columns)."""
        shape = next(s for s in self._shapes if s.name == name)
        return self._factored.coefficients()[self._columns(name)].reshape(shape.n_levels, shape.n_columns)

    def posterior_covariance(self, names: Sequence[str] | None = None) -> Floats:
        """Covariance of (prediction - truth) of the named terms' coefficients, fixed effects' doubt included.

        Parameters
        ----------
        names : sequence of str, optional
            Terms, in the order wanted; default all.
        """
        wanted = [s.name for s in self._shapes] if names is None else list(names)
        index = np.concatenate([np.arange(self._columns(n).start, self._columns(n).stop) for n in wanted])
        return self.residual_variance * self._factored.relative_covariance(index, reml=True)


def _factor_matrices(shapes: Sequence[TermShape], phi: Floats) -> list[Floats]:
    """Lower-triangular factor per term from the searched parameters (log diagonal, raw off-diagonal)."""
    out, at = [], 0
    for shape in shapes:
        lower = np.zeros((shape.n_columns, shape.n_columns))
        rows, cols = np.tril_indices(shape.n_columns)
        lower[rows, cols] = phi[at : at + shape.n_theta]
        diagonal = np.diag_indices(shape.n_columns)
        lower[diagonal] = np.where(np.isneginf(lower[diagonal]), 0.0, np.exp(lower[diagonal]))
        out.append(lower)
        at += shape.n_theta
    return out


def _is_diagonal(shapes: Sequence[TermShape]) -> NDArray[np.bool_]:
    """Which searched parameters are logarithms of a diagonal element."""
    flags: list[bool] = []
    for shape in shapes:
        rows, cols = np.tril_indices(shape.n_columns)
        flags.extend((rows == cols).tolist())
    return np.array(flags)


def _score(f: Factored, shapes: Sequence[TermShape], factors: list[Floats], reml: bool) -> Floats:
    """Exact gradient of the criterion in the searched parameters.

    For a term with factor ``T`` the criterion moves by ``2 tr(T' E dT)`` with
    ``E = T^-T [ m I - sum(C_l) - sum(u_l u_l') / sigma2 ] T^-1`` over its ``m`` levels, where ``u`` are the spherical
    effects and ``C`` their relative posterior covariance.
    """
    out: list[float] = []
    for j, (shape, lower) in enumerate(zip(shapes, factors, strict=True)):
        inner = shape.n_levels * np.eye(shape.n_columns) - f.covariance_sum(j, reml) - f.effect_sum(j) / f.sigma2(reml)
        if shape.n_columns == 1:
            out.append(2.0 * float(inner[0, 0]) if lower[0, 0] > 0.0 else 0.0)
            continue
        if (np.diag(lower) == 0.0).any():
            out.extend([0.0] * shape.n_theta)
            continue
        inverse = np.linalg.inv(lower)
        gradient = 2.0 * inverse.T @ inner @ inverse @ lower
        rows, cols = np.tril_indices(shape.n_columns)
        scale = np.where(rows == cols, lower[rows, cols], 1.0)
        out.extend((gradient[rows, cols] * scale).tolist())
    return np.array(out)


def fit_mixed(products: CrossProducts, method: Method = "reml", start: Floats | None = None) -> MixedFit:
    """Fit a mixed model from its cross-products.

    A bounded quasi-Newton search with the exact gradient is followed by Newton steps on that gradient; a term whose
    criterion is no worse without it ends at exactly zero variance.

    Parameters
    ----------
    products : CrossProducts
    method : 'reml' or 'ml'
    start : ndarray, optional
        Relative standard deviations to start from, one per theta on the diagonal order; default 1.

    Returns
    -------
    MixedFit

    Raises
    ------
    ValueError
        For an unknown method, fewer rows than fixed effects, or fixed-effect columns that depend on one another.
    """
    if method not in ("reml", "ml"):
        raise ValueError(f"unknown method {method!r}; known: reml, ml")
    p = products.xtx.shape[0]
    if products.n_rows <= p:
        raise ValueError("fewer rows than fixed effects")
    if p and np.linalg.matrix_rank(products.xtx, tol=1e-11 * np.abs(np.diag(products.xtx)).max()) < p:
        raise ValueError("fixed-effect columns depend on one another")
    shapes, reml = products.shapes, method == "reml"
    diagonal = _is_diagonal(shapes)
    split = split_products(products)
    count = 0

    def evaluate(phi: Floats) -> Factored:
        nonlocal count
        count += 1
        return factorise(split, _factor_matrices(shapes, phi))

    def value_and_score(phi: Floats) -> tuple[float, Floats]:
        f = evaluate(phi)
        return f.criterion(reml), _score(f, shapes, _factor_matrices(shapes, phi), reml)

    phi = np.zeros(len(diagonal)) if start is None else np.log(np.maximum(start, 1e-3)) * diagonal
    bounds = [LN_THETA_BOUNDS if d else (None, None) for d in diagonal]

    def value(phi: Floats) -> float:
        return evaluate(phi).criterion(reml)

    if split.dense:
        found = optimize.minimize(
            value_and_score, phi, jac=True, method="L-BFGS-B", bounds=bounds, options={"gtol": 1e-4, "ftol": 1e-13}
        )
        phi = _drop_zero_terms(np.asarray(found.x, dtype=np.float64), shapes, value)
        phi, gradient = _newton(phi, value_and_score)
    else:
        # Exact traces cost one solve per level here, so the search goes by the criterion alone.
        found = optimize.minimize(value, phi, method="L-BFGS-B", bounds=bounds)
        found = optimize.minimize(value, found.x, method="Nelder-Mead", options={"xatol": 1e-5, "fatol": 1e-8})
        phi = _drop_zero_terms(np.asarray(found.x, dtype=np.float64), shapes, value)
        gradient = np.full(len(phi), np.nan)
    final = evaluate(phi)
    factors = _factor_matrices(shapes, phi)
    sigma2 = final.sigma2(reml)
    fixed_covariance = sigma2 * final.fixed_relative_covariance()
    theta = np.concatenate([m[np.tril_indices(len(m))] for m in factors])
    return MixedFit(
        method=method,
        criterion=final.criterion(reml),
        covariances={s.name: sigma2 * m @ m.T for s, m in zip(shapes, factors, strict=True)},
        residual_variance=sigma2,
        fixed=final.fixed(),
        fixed_se=np.sqrt(np.diag(fixed_covariance)),
        fixed_covariance=fixed_covariance,
        theta=theta,
        gradient_norm=float(np.abs(gradient).max(initial=0.0)),
        evaluations=count,
        _shapes=shapes,
        _factored=final,
    )


def _drop_zero_terms(phi: Floats, shapes: Sequence[TermShape], criterion: Callable[[Floats], float]) -> Floats:
    """Set to exactly zero each intercept-only term that the criterion is no worse without."""
    at = 0
    for shape in shapes:
        # Only a small relative s.d. can be a boundary solution that the search approached from inside.
        if shape.n_columns == 1 and phi[at] < np.log(0.05):
            trial = phi.copy()
            trial[at] = -np.inf
            if criterion(trial) <= criterion(phi) + 1e-9:
                phi = trial
        at += shape.n_theta
    return phi


def _newton(
    phi: Floats, value_and_score: Callable[[Floats], tuple[float, Floats]], steps: int = 8
) -> tuple[Floats, Floats]:
    """Newton steps on the exact gradient, its Hessian by central differences, each step kept only if it helps."""
    value, gradient = value_and_score(phi)
    for _ in range(steps):
        free = np.flatnonzero(np.isfinite(phi) & (phi > LN_THETA_BOUNDS[0] + 1e-6))
        if free.size == 0 or np.abs(gradient[free]).max() < GRADIENT_TOLERANCE:
            break
        hessian = np.empty((free.size, free.size))
        for i, j in enumerate(free):
            up, down = phi.copy(), phi.copy()
            up[j] += 1e-4
            down[j] -= 1e-4
            hessian[i] = (value_and_score(up)[1][free] - value_and_score(down)[1][free]) / 2e-4
        hessian = (hessian + hessian.T) / 2.0
        eigenvalues, vectors = np.linalg.eigh(hessian)
        # A flat or saddle direction gets a plain gradient step of safe length.
        step = -vectors @ ((vectors.T @ gradient[free]) / np.maximum(np.abs(eigenvalues), 1e-3))
        step *= min(1.0, 1.0 / max(np.abs(step).max(), 1e-12))
        for _ in range(12):
            trial = phi.copy()
            trial[free] += step
            trial_value, trial_gradient = value_and_score(trial)
            smaller = np.abs(trial_gradient[free]).max() < np.abs(gradient[free]).max()
            if trial_value < value - 1e-12 or (trial_value <= value + 1e-8 and smaller):
                break
            step = step / 4.0
        else:
            break
        phi, value, gradient = trial, trial_value, trial_gradient
    free = np.isfinite(phi)
    return phi, np.where(free, gradient, 0.0)
