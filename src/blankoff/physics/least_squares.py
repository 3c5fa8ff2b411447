"""Small nonlinear least-squares fits, with standard errors that can be trusted.

Two fitters over SciPy's bounded trust-region solver: :func:`fit_curve` for any model, :func:`fit_separable` for models
in which most parameters enter linearly (variable projection). Levenberg-Marquardt alone is not relied on: it diverges
from certified starting points of the reference problems. Derivatives are by complex step unless given, exact to
rounding, because standard errors are only as good as they are.

References
----------
.. [1] G. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413; L. Kaufman, BIT 15 (1975) 49: variable projection.
.. [2] NIST Statistical Reference Datasets, nonlinear regression: what these fitters are tested against.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import qr, solve_triangular
from scipy.optimize import least_squares, lsq_linear

__all__ = ["Fit", "SeparableFit", "fit_curve", "fit_separable"]

FloatArray: TypeAlias = NDArray[np.float64]
BoolArray: TypeAlias = NDArray[np.bool_]
Model: TypeAlias = Callable[[FloatArray, Any], Any]
"""``model(x, params)``: values at ``x``; with complex parameters it must give complex values."""

_STEP: Final = 1e-30
_TOLERANCE: Final = 2.3e-16  # the smallest the solver takes: stop when nothing moves any more
_POLISH_STEPS: Final = 8
# The cosine between the residual and the model's tangent plane at which a fit counts as converged.
_COSINE: Final = 1e-5
_EVALUATIONS: Final = 2000


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted curve.

    Attributes
    ----------
    params
        ``(k,)`` parameters.
    se
        ``(k,)`` standard errors; NaN for a parameter that stands on its bound, and where there are no degrees of
        freedom or the data do not determine the parameter.
    covariance
        ``(k, k)`` of the parameters, NaN likewise.
    rss
        Weighted residual sum of squares.
    dof
        Readings less free parameters.
    converged
        Whether the solver stopped at a stationary point.
    evaluations
        Model evaluations of the solver.
    """

    params: FloatArray
    se: FloatArray
    covariance: FloatArray
    rss: float
    dof: int
    converged: bool
    evaluations: int

    @property
    def rsd(self) -> float:
        """Residual standard deviation, ``sqrt(rss / dof)``; NaN without degrees of freedom."""
        return float(np.sqrt(self.rss / self.dof)) if self.dof > 0 else float("nan")


@dataclass(frozen=True, slots=True)
class SeparableFit:
    """A fitted curve whose parameters are part linear, part not.

    Attributes
    ----------
    linear, linear_se
        ``(m,)`` coefficients of the basis functions and their standard errors.
    theta, theta_se
        ``(k,)`` nonlinear parameters and their standard errors.
    fit
        Both together, linear first: covariance, residual sum of squares and the rest.
    """

    linear: FloatArray
    linear_se: FloatArray
    theta: FloatArray
    theta_se: FloatArray
    fit: Fit


def _complex_step_jacobian(function: Callable[[Any], Any], params: FloatArray, size: int) -> FloatArray:
    """Differentiate a vector function by complex step, shape (size, k)."""
    out = np.empty((size, params.size))
    for j in range(params.size):
        shifted = params.astype(np.complex128)
        # a step in proportion keeps the imaginary part clear of underflow whatever the parameter's unit
        step = _STEP * max(abs(float(params[j])), 1e-100)
        shifted[j] += 1j * step
        out[:, j] = np.ravel(np.imag(function(shifted))) / step
    return out


def _bounds(bounds: tuple[ArrayLike, ArrayLike] | None, k: int) -> tuple[FloatArray, FloatArray]:
    low, high = (-np.inf, np.inf) if bounds is None else bounds
    return (
        np.broadcast_to(np.asarray(low, dtype=np.float64), (k,)).copy(),
        np.broadcast_to(np.asarray(high, dtype=np.float64), (k,)).copy(),
    )


def _weights(sigma: ArrayLike | None, n: int) -> FloatArray:
    if sigma is None:
        return np.ones(n)
    return 1.0 / np.broadcast_to(np.asarray(sigma, dtype=np.float64), (n,))


def _covariance(jacobian: FloatArray, free: BoolArray, scale: float) -> FloatArray:
    """Covariance ``scale (J'J)^-1`` over the free parameters, NaN elsewhere and where J is rank deficient."""
    k = free.size
    out = np.full((k, k), np.nan)
    part = jacobian[:, free]
    if part.shape[1] == 0 or part.shape[0] < part.shape[1] or not np.isfinite(part).all() or not np.isfinite(scale):
        return out
    norms = np.linalg.norm(part, axis=0)
    if not (norms > 0.0).all():
        return out
    upper = np.asarray(qr(part / norms, mode="economic")[1])
    diagonal = np.abs(np.diag(upper))
    if diagonal.min() <= np.finfo(np.float64).eps * part.shape[0]:
        return out
    inverse = solve_triangular(upper, np.eye(upper.shape[0])) / norms[:, None]
    out[np.ix_(free, free)] = scale * (inverse @ inverse.T)
    return out


def _is_stationary(jacobian: FloatArray, residual: FloatArray, free: BoolArray, level: float) -> bool:
    """Whether the residual is at right angles to the tangent plane, or nothing but round-off of the readings."""
    size = float(np.linalg.norm(residual))
    if size <= 1e-13 * level:
        return True
    part = jacobian[:, free]
    norms = np.linalg.norm(part, axis=0)
    part = part[:, norms > 0.0] / norms[norms > 0.0]
    if part.shape[1] == 0:
        return True
    basis = np.asarray(qr(part, mode="economic")[0])
    return bool(np.linalg.norm(basis.T @ residual) <= _COSINE * size)


def _polish(
    residual: Callable[[FloatArray], FloatArray],
    jacobian: Callable[[FloatArray], FloatArray],
    params: FloatArray,
    free: BoolArray,
    low: FloatArray,
    high: FloatArray,
) -> FloatArray:
    """Take Gauss-Newton steps on the free parameters for as long as they shrink.

    Near the solution the sum of squares is flat to rounding while the parameters still gain digits, so it may not rise
    by more than rounding, and the steps must get shorter.
    """
    best = residual(params)
    last = np.inf
    for _ in range(_POLISH_STEPS):
        part = jacobian(params)[:, free]
        if part.shape[1] == 0 or not np.isfinite(part).all():
            break
        norms = np.linalg.norm(part, axis=0)
        norms[norms == 0.0] = 1.0
        scaled_step = np.linalg.lstsq(part / norms, -best, rcond=None)[0]
        step, length = scaled_step / norms, float(np.linalg.norm(scaled_step))
        new = params.copy()
        new[free] += step
        if not ((new >= low) & (new <= high)).all():
            break
        trial = residual(new)
        if not np.isfinite(trial).all() or trial @ trial > best @ best * (1.0 + 1e-10) or length >= last:
            break
        params, best, last = new, trial, length
    return params


def _failed(k: int, n: int, params: FloatArray) -> Fit:
    nan = np.full(k, np.nan)
    return Fit(params, nan, np.full((k, k), np.nan), float("nan"), n - k, False, 0)


def _solve(
    residual: Callable[[FloatArray], FloatArray],
    jacobian: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
) -> tuple[FloatArray, BoolArray, int] | None:
    """Minimise; returns parameters, which of them are off their bounds, and evaluations, or None on failure."""
    inside = np.clip(start, low, high)
    try:
        found = least_squares(
            residual,
            inside,
            jac=jacobian,
            bounds=(low, high),
            method="trf",
            x_scale="jac",
            ftol=_TOLERANCE,
            xtol=_TOLERANCE,
            gtol=_TOLERANCE,
            max_nfev=_EVALUATIONS,
        )
    except (ValueError, np.linalg.LinAlgError):
        return None
    params = np.asarray(found.x, dtype=np.float64)
    # the solver keeps strictly inside; what it left within a millionth of a standard error of a bound, pushing
    # outwards, stands on it
    gradient = np.asarray(found.grad, dtype=np.float64)
    norms = np.linalg.norm(np.asarray(found.jac, dtype=np.float64), axis=0)
    gap = 1e-6 * float(np.linalg.norm(found.fun))
    at_low, at_high = (params - low) * norms <= gap, (high - params) * norms <= gap
    at_low &= gradient > 0.0
    at_high &= gradient < 0.0
    params = np.where(at_low, low, np.where(at_high, high, params))
    free = ~(at_low | at_high)
    return _polish(residual, jacobian, params, free, low, high), free, int(found.nfev)


def fit_curve(
    model: Model,
    x: ArrayLike,
    y: ArrayLike,
    start: ArrayLike,
    *,
    bounds: tuple[ArrayLike, ArrayLike] | None = None,
    jac: Model | None = None,
    sigma: ArrayLike | None = None,
    sigma_is_known: bool = False,
) -> Fit:
    """Fit any curve by least squares.

    Parameters
    ----------
    model : callable
        ``model(x, params)`` gives values of shape ``(n,)``. It must be analytic in its parameters (no ``abs``, no
        comparison) unless `jac` is given.
    x, y : array_like, shape (n,)
        Where, and the readings.
    start : array_like, shape (k,)
        Starting values, moved inside the bounds if need be.
    bounds : pair of array_like, optional
        Lower and upper bounds, each a number or ``(k,)``.
    jac : callable, optional
        ``jac(x, params)`` gives derivatives of shape ``(n, k)``; by complex step if not given.
    sigma : array_like, optional
        Standard deviations of the readings, relative to one another.
    sigma_is_known : bool
        Take `sigma` as the standard deviations themselves: the covariance is then not scaled by the residuals.

    Returns
    -------
    Fit
        Also when the fit fails: then it says so, with NaN for what is unknown.
    """
    at, readings = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    first = np.atleast_1d(np.asarray(start, dtype=np.float64)).copy()
    n, k = readings.size, first.size
    weights = _weights(sigma, n)
    low, high = _bounds(bounds, k)

    def residual(params: FloatArray) -> FloatArray:
        return np.asarray((model(at, params) - readings) * weights, dtype=np.float64)

    def jacobian(params: FloatArray) -> FloatArray:
        if jac is not None:
            return np.asarray(jac(at, params), dtype=np.float64) * weights[:, None]
        return _complex_step_jacobian(lambda q: model(at, q) * weights, params, n)

    with np.errstate(all="ignore"):
        solved = _solve(residual, jacobian, first, low, high)
        if solved is None:
            return _failed(k, n, first)
        params, free, evaluations = solved
        final, tangent = residual(params), jacobian(params)
        return _fit(
            params, free, final, tangent, evaluations, float(np.linalg.norm(readings * weights)), sigma_is_known
        )


def _fit(
    params: FloatArray,
    free: BoolArray,
    residual: FloatArray,
    jacobian: FloatArray,
    evaluations: int,
    level: float,
    sigma_is_known: bool,
) -> Fit:
    """Put a solution together with its covariance and a test that it is stationary."""
    rss = float(residual @ residual)
    dof = residual.size - int(free.sum())
    scale = 1.0 if sigma_is_known else (rss / dof if dof > 0 else float("nan"))
    covariance = _covariance(jacobian, free, scale)
    converged = bool(np.isfinite(jacobian).all()) and _is_stationary(jacobian, residual, free, level)
    return Fit(params, np.sqrt(np.diag(covariance)), covariance, rss, dof, converged, evaluations)


def _project(
    basis: FloatArray, readings: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Linear coefficients within their bounds, and which of them are free."""
    norms = np.linalg.norm(basis, axis=0)
    norms[norms == 0.0] = 1.0
    scaled = basis / norms
    coefficients = np.linalg.lstsq(scaled, readings, rcond=None)[0] / norms
    if ((coefficients >= low) & (coefficients <= high)).all():
        return coefficients, np.ones(low.size, dtype=np.bool_)
    bounded = lsq_linear(scaled, readings, bounds=(low * norms, high * norms), method="bvls", tol=1e-14)
    free = np.asarray(bounded.active_mask) == 0
    return np.asarray(bounded.x, dtype=np.float64) / norms, free


def fit_separable(
    basis_fn: Model,
    x: ArrayLike,
    y: ArrayLike,
    theta0: ArrayLike,
    *,
    bounds: tuple[ArrayLike, ArrayLike] | None = None,
    linear_bounds: tuple[ArrayLike, ArrayLike] | None = None,
    sigma: ArrayLike | None = None,
    sigma_is_known: bool = False,
) -> SeparableFit:
    """Fit a sum of basis functions that depend on a few nonlinear parameters, by variable projection.

    For every trial of the nonlinear parameters the linear ones are solved for, so that only the former need starting
    values and the search has few dimensions.

    Parameters
    ----------
    basis_fn : callable
        ``basis_fn(x, theta)`` gives the basis, shape ``(n, m)``; analytic in `theta`.
    x, y : array_like, shape (n,)
        Where, and the readings.
    theta0 : array_like, shape (k,) or (s, k)
        Starting values; of several starts the one that ends lowest is kept.
    bounds, linear_bounds : pair of array_like, optional
        Lower and upper bounds of the nonlinear and of the linear parameters.
    sigma : array_like, optional
        Standard deviations of the readings, relative to one another.
    sigma_is_known : bool
        Take `sigma` as the standard deviations themselves: the covariance is then not scaled by the residuals.

    Returns
    -------
    SeparableFit
        Also when the fit fails: then its ``fit.converged`` is false.

    Notes
    -----
    The search uses Kaufman's Jacobian; standard errors come from the full Jacobian of all parameters.
    """
    at, readings = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    starts = np.atleast_2d(np.asarray(theta0, dtype=np.float64))
    n, k = readings.size, starts.shape[1]
    weights = _weights(sigma, n)
    weighted = readings * weights
    low, high = _bounds(bounds, k)

    with np.errstate(all="ignore"):
        m = int(np.asarray(basis_fn(at, starts[0])).shape[1])
        linear_low, linear_high = _bounds(linear_bounds, m)

        def basis(theta: FloatArray) -> FloatArray:
            return np.asarray(basis_fn(at, theta), dtype=np.float64) * weights[:, None]

        def slopes(theta: FloatArray, coefficients: FloatArray) -> FloatArray:
            """Differentiate the curve by the nonlinear parameters at fixed coefficients, shape (n, k)."""
            return _complex_step_jacobian(lambda q: (basis_fn(at, q) @ coefficients) * weights, theta, n)

        def residual(theta: FloatArray) -> FloatArray:
            columns = basis(theta)
            if not np.isfinite(columns).all():
                return np.full(n, np.inf)
            return columns @ _project(columns, weighted, linear_low, linear_high)[0] - weighted

        def jacobian(theta: FloatArray) -> FloatArray:
            columns = basis(theta)
            coefficients, free = _project(columns, weighted, linear_low, linear_high)
            part = slopes(theta, coefficients)
            used = columns[:, free]
            norms = np.linalg.norm(used, axis=0)
            used = used[:, norms > 0.0] / norms[norms > 0.0]
            if used.shape[1]:
                span = np.asarray(qr(used, mode="economic")[0])
                part = part - span @ (span.T @ part)
            return part

        best: SeparableFit | None = None
        for start in starts:
            solved = _solve(residual, jacobian, start.copy(), low, high)
            if solved is None:
                continue
            theta, theta_free, evaluations = solved
            columns = basis(theta)
            coefficients, free = _project(columns, weighted, linear_low, linear_high)
            fit = _fit(
                np.concatenate([coefficients, theta]),
                np.concatenate([free, theta_free]),
                columns @ coefficients - weighted,
                np.hstack([columns, slopes(theta, coefficients)]),
                evaluations,
                float(np.linalg.norm(weighted)),
                sigma_is_known,
            )
            if best is None or (fit.converged, -fit.rss) > (best.fit.converged, -best.fit.rss):
                best = SeparableFit(coefficients, fit.se[:m], theta, fit.se[m:], fit)
    if best is not None:
        return best
    nan = np.full(m, np.nan)
    failed = _failed(m + k, n, np.concatenate([nan, starts[0]]))
    return SeparableFit(nan, nan, starts[0], np.full(k, np.nan), failed)
