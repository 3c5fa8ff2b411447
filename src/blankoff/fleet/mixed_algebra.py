"""One factorisation of the mixed-model equations at given covariance factors.

The equations are kept in two parts: the eliminated term ``e`` (the largest intercept-only one, diagonal) and the rest
``r``.  With ``D`` the diagonal and ``B`` the coupling, ``S = M_rr - B D^-1 B'`` is factored densely up to
``DENSE_LIMIT`` and sparsely beyond; beyond it the traces that the gradient needs come from blocks of solves.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack
from scipy.sparse.linalg import SuperLU, splu

if TYPE_CHECKING:
    from blankoff.fleet.mixed import CrossProducts

__all__ = ["DENSE_LIMIT", "Factored", "Split", "factorise", "split_products"]

Floats = NDArray[np.float64]

DENSE_LIMIT = 4500
"""Coefficients left after elimination up to which the factor is dense (measured: 4 500 take about 2 s on one core)."""

COUPLING_DENSE_FRACTION = 0.08
"""Filled fraction of the coupling above which dense products are the quicker ones (measured)."""


@dataclass(frozen=True)
class Split:
    """Cross-products divided into the eliminated term and the rest, made once per fit."""

    products: CrossProducts
    eliminated: int
    """Index of the eliminated term, -1 for none."""
    rest_index: NDArray[np.int64]
    out_index: NDArray[np.int64]
    a_rest: Floats | sparse.csc_array
    coupling: sparse.csc_array
    coupling_dense: Floats | None
    a_out: Floats

    @property
    def dense(self) -> bool:
        """Whether the rest is small enough for a dense factor."""
        return isinstance(self.a_rest, np.ndarray)


def split_products(products: CrossProducts, dense_limit: int = DENSE_LIMIT) -> Split:
    """Choose the term to eliminate and cut the cross-products accordingly."""
    sizes = [s.n_levels if s.n_columns == 1 else 0 for s in products.shapes]
    # Eliminating a handful of levels buys nothing; the threshold only affects speed.
    eliminated = int(np.argmax(sizes)) if max(sizes) >= 12 and len(sizes) > 1 else -1
    offsets = products.offsets()
    out = np.arange(offsets[eliminated], offsets[eliminated + 1]) if eliminated >= 0 else np.empty(0, dtype=np.int64)
    rest = np.setdiff1d(np.arange(offsets[-1]), out)
    rows = sparse.csr_array(products.ztz[rest])
    a_rest = sparse.csc_array(rows[:, rest])
    coupling = sparse.csc_array(rows[:, out])
    filled = coupling.nnz / max(1, coupling.shape[0] * coupling.shape[1])
    use_dense = filled > COUPLING_DENSE_FRACTION and coupling.shape[0] * coupling.shape[1] < 3e7
    return Split(
        products,
        eliminated,
        rest,
        out,
        a_rest.toarray() if len(rest) <= dense_limit else a_rest,
        coupling,
        np.ascontiguousarray(coupling.toarray()) if use_dense else None,
        np.asarray(products.ztz.diagonal())[out],
    )


@dataclass(frozen=True)
class Factored:
    """The equations solved at one set of covariance factors; everything asked of it is derived from here.

    ``solved`` holds ``M^-1 L'Z'W [X, y]`` with the rest's rows first; ``factor_rest`` is ``L`` of the rest.
    """

    split: Split
    factor_rest: sparse.csc_array
    scale_out: float
    diagonal_out: Floats
    lower: Floats | SuperLU
    ln_determinant: float
    solved_rest: Floats
    solved_out: Floats
    right_rest: Floats
    right_out: Floats

    @property
    def _p(self) -> int:
        return int(self.split.products.xtx.shape[0])

    @cached_property
    def _fixed_information(self) -> Floats:
        p = self._p
        return np.asarray(
            self.split.products.xtx
            - self.right_rest[:, :p].T @ self.solved_rest[:, :p]
            - self.right_out[:, :p].T @ self.solved_out[:, :p]
        )

    @cached_property
    def _fixed_right(self) -> Floats:
        p = self._p
        return np.asarray(
            self.split.products.xty
            - self.right_rest[:, :p].T @ self.solved_rest[:, p]
            - self.right_out[:, :p].T @ self.solved_out[:, p]
        )

    @cached_property
    def _fixed(self) -> Floats:
        return np.asarray(np.linalg.solve(self._fixed_information, self._fixed_right), dtype=np.float64)

    @cached_property
    def _residual(self) -> float:
        p = self._p
        explained = self.right_rest[:, p] @ self.solved_rest[:, p] + self.right_out[:, p] @ self.solved_out[:, p]
        return max(float(self.split.products.yty - explained - self._fixed_right @ self._fixed), 1e-300)

    @cached_property
    def _spherical(self) -> tuple[Floats, Floats]:
        p = self._p
        return (
            self.solved_rest[:, p] - self.solved_rest[:, :p] @ self._fixed,
            self.solved_out[:, p] - self.solved_out[:, :p] @ self._fixed,
        )

    @cached_property
    def _inverse_rest(self) -> Floats:
        """``S^-1`` in full."""
        if isinstance(self.lower, np.ndarray):
            inverse, info = lapack.dpotri(self.lower, lower=1)
            if info != 0:
                raise ValueError("inverse of the mixed-model equations failed")
            lower = np.tril(inverse)
            return np.asarray(lower + np.tril(inverse, -1).T)
        return np.asarray(self.lower.solve(np.eye(len(self.split.rest_index))))

    @cached_property
    def _coupling(self) -> sparse.csc_array:
        return sparse.csc_array(self.factor_rest.T @ self.split.coupling * self.scale_out)

    def fixed(self) -> Floats:
        """Return the fixed effects, shape (p,)."""
        return self._fixed

    def fixed_relative_covariance(self) -> Floats:
        """Covariance of the fixed effects over the residual variance."""
        return np.asarray(np.linalg.inv(self._fixed_information), dtype=np.float64)

    def sigma2(self, reml: bool) -> float:
        """Profiled residual variance."""
        return self._residual / (self.split.products.n_rows - (self._p if reml else 0))

    def criterion(self, reml: bool) -> float:
        """``-2 ln L`` with ``sigma2`` and the fixed effects profiled out (restricted if ``reml``)."""
        freedom = self.split.products.n_rows - (self._p if reml else 0)
        value = self.ln_determinant - self.split.products.sum_ln_weight
        value += freedom * (1.0 + np.log(2.0 * np.pi * self._residual / freedom))
        if reml and self._p:
            value += float(np.linalg.slogdet(self._fixed_information)[1])
        return float(value)

    def _term(self, j: int) -> tuple[int, int, int]:
        """First row among the rest, levels and columns of term ``j`` (not the eliminated one)."""
        shapes = self.split.products.shapes
        start = sum(s.size for i, s in enumerate(shapes) if i < j and i != self.split.eliminated)
        return start, shapes[j].n_levels, shapes[j].n_columns

    def effect_sum(self, j: int) -> Floats:
        """Sum over a term's levels of the outer products of its spherical effects, shape (k, k)."""
        if j == self.split.eliminated:
            return np.array([[float(self._spherical[1] @ self._spherical[1])]])
        start, levels, k = self._term(j)
        u = self._spherical[0][start : start + levels * k].reshape(levels, k)
        return np.asarray(u.T @ u)

    def covariance_sum(self, j: int, reml: bool) -> Floats:
        """Sum over a term's levels of its spherical posterior covariance over ``sigma2``, shape (k, k)."""
        p = self._p
        fixed_covariance = self.fixed_relative_covariance() if reml and p else np.zeros((p, p))
        if j == self.split.eliminated:
            inner = float((1.0 / self.diagonal_out).sum())
            if self.split.coupling_dense is not None and self._is_scaling:
                scaled = self._scales[:, None] * self.split.coupling_dense * (self.scale_out / self.diagonal_out)
                inner += float(np.vdot(self._inverse_rest, scaled @ scaled.T))
            else:
                scaled_sparse = sparse.csr_array(self._coupling.multiply(1.0 / self.diagonal_out))
                gram = sparse.coo_array(scaled_sparse @ scaled_sparse.T)
                inner += float((gram.data * self._inverse_rest[gram.row, gram.col]).sum())
            g = self.solved_out[:, :p]
            return np.array([[inner + float(np.einsum("lp,pr,lr->", g, fixed_covariance, g))]])
        start, levels, k = self._term(j)
        at = start + np.arange(levels)[:, None] * k + np.arange(k)
        blocks = self._inverse_rest[at[:, :, None], at[:, None, :]].sum(axis=0)
        g = self.solved_rest[at, :p]
        return np.asarray(blocks + np.einsum("lip,pr,ljr->ij", g, fixed_covariance, g))

    @cached_property
    def _is_scaling(self) -> bool:
        return all(s.n_columns == 1 for s in self.split.products.shapes)

    @cached_property
    def _scales(self) -> Floats:
        return np.asarray(self.factor_rest.diagonal())

    def coefficients(self) -> Floats:
        """Predicted random coefficients in the model's order, shape (q,)."""
        out = np.empty(len(self.split.rest_index) + len(self.split.out_index))
        out[self.split.rest_index] = self.factor_rest @ self._spherical[0]
        out[self.split.out_index] = self.scale_out * self._spherical[1]
        return out

    def relative_covariance(self, index: NDArray[np.int64], reml: bool) -> Floats:
        """Covariance over ``sigma2`` of (prediction - truth) of the coefficients named by position, shape (m, m)."""
        n_rest = len(self.split.rest_index)
        place = np.empty(n_rest + len(self.split.out_index), dtype=np.int64)
        place[self.split.rest_index] = np.arange(n_rest)
        place[self.split.out_index] = n_rest + np.arange(len(self.split.out_index))
        position = place[index]
        in_rest = position < n_rest
        rest, out = position[in_rest], position[~in_rest] - n_rest
        cover = np.empty((len(index), len(index)))
        load = np.asarray(self.factor_rest.toarray())[rest]
        half = load @ self._inverse_rest
        b = np.asarray(self._coupling[:, out].toarray()) / self.diagonal_out[out]
        cover[np.ix_(in_rest, in_rest)] = half @ load.T
        cross = -self.scale_out * half @ b
        cover[np.ix_(in_rest, ~in_rest)] = cross
        cover[np.ix_(~in_rest, in_rest)] = cross.T
        inner = b.T @ self._inverse_rest @ b + np.diag(1.0 / self.diagonal_out[out])
        cover[np.ix_(~in_rest, ~in_rest)] = self.scale_out**2 * inner
        if reml and self._p:
            g = np.empty((len(index), self._p))
            g[in_rest] = load @ self.solved_rest[:, : self._p]
            g[~in_rest] = self.scale_out * self.solved_out[out, : self._p]
            cover += g @ self.fixed_relative_covariance() @ g.T
        return cover


def _rest_factor(split: Split, factors: list[Floats]) -> sparse.csc_array:
    """Block-diagonal relative factor of the terms that stay."""
    blocks = [
        sparse.kron(sparse.eye_array(shape.n_levels), sparse.csr_array(factors[j]))
        for j, shape in enumerate(split.products.shapes)
        if j != split.eliminated
    ]
    return sparse.csc_array(sparse.block_diag(blocks, format="csc"))


def factorise(split: Split, factors: list[Floats]) -> Factored:
    """Factor the equations at the given relative covariance factors (one lower triangle per term)."""
    products = split.products
    factor = _rest_factor(split, factors)
    scale_out = float(factors[split.eliminated][0, 0]) if split.eliminated >= 0 else 0.0
    diagonal_out = scale_out**2 * split.a_out + 1.0
    right = np.column_stack([products.ztx, products.zty])
    right_rest = np.asarray(factor.T @ right[split.rest_index])
    right_out = scale_out * right[split.out_index]
    scaling = all(s.n_columns == 1 for s in products.shapes)
    scales = np.asarray(factor.diagonal())
    coupling = sparse.csc_array(factor.T @ split.coupling * scale_out)
    ln_determinant = float(np.log(diagonal_out).sum())
    reduced = right_rest - coupling @ (right_out / diagonal_out[:, None])
    lower: Floats | SuperLU
    if isinstance(split.a_rest, np.ndarray):
        if scaling:
            system = split.a_rest * scales[:, None] * scales[None, :]
        else:
            system = np.asarray(factor.T @ (split.a_rest @ factor.toarray()))
        if split.coupling_dense is not None and scaling:
            half = scales[:, None] * split.coupling_dense * (scale_out / np.sqrt(diagonal_out))
            system = system - half @ half.T
        else:
            half_sparse = sparse.csr_array(coupling.multiply(1.0 / np.sqrt(diagonal_out)))
            system = system - (half_sparse @ half_sparse.T).toarray()
        system[np.diag_indices_from(system)] += 1.0
        chol, info = lapack.dpotrf(system, lower=1, clean=1, overwrite_a=1)
        if info != 0:
            raise ValueError("mixed-model equations are not positive definite")
        lower = np.asarray(chol)
        ln_determinant += 2.0 * float(np.log(np.diag(lower)).sum())
        solved_rest = np.asarray(lapack.dpotrs(lower, reduced, lower=1)[0])
    else:
        half_sparse = sparse.csr_array(coupling.multiply(1.0 / np.sqrt(diagonal_out)))
        system_sparse = sparse.csc_array(
            factor.T @ split.a_rest @ factor - half_sparse @ half_sparse.T + sparse.eye_array(factor.shape[0])
        )
        lower = splu(system_sparse, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        ln_determinant += float(np.log(np.abs(lower.U.diagonal())).sum())
        solved_rest = np.asarray(lower.solve(reduced))
    solved_out = (right_out - coupling.T @ solved_rest) / diagonal_out[:, None]
    return Factored(
        split,
        factor,
        scale_out,
        diagonal_out,
        lower,
        ln_determinant,
        solved_rest,
        np.asarray(solved_out),
        right_rest,
        right_out,
    )
