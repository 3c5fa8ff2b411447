"""First-order propagation of uncertainty, and intervals from few degrees of freedom.

References
----------
.. [1] JCGM 100:2008 (GUM), 5.1 and annex G; NIST Technical Note 1297, appendix D (worked example read).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

__all__ = ["Propagated", "combined_uncertainty", "coverage_factor", "effective_dof", "log_ratio_interval", "propagate"]

FloatArray: TypeAlias = NDArray[np.float64]

_COMPLEX_STEP = 1e-30
_CENTRAL_STEP = np.finfo(np.float64).eps ** (1.0 / 3.0)


@dataclass(frozen=True, slots=True)
class Propagated:
    """A function's value with its standard uncertainty and each input's share.

    Attributes
    ----------
    value
        The function at the given values.
    uncertainty
        Its combined standard uncertainty.
    sensitivities
        ``(n,)`` partial derivatives.
    contributions
        ``(n,)`` sensitivity times standard uncertainty, signed.
    """

    value: float
    uncertainty: float
    sensitivities: FloatArray
    contributions: FloatArray


def combined_uncertainty(
    uncertainties: ArrayLike, sensitivities: ArrayLike = 1.0, correlation: ArrayLike | None = None
) -> float:
    """Combine standard uncertainties, ``sqrt(c' C c)``.

    Parameters
    ----------
    uncertainties : array_like, shape (n,)
        Standard uncertainties of the inputs.
    sensitivities : float or array_like, shape (n,)
        Partial derivatives.
    correlation : array_like, shape (n, n), optional
        Correlation of the inputs; none if not given.

    Returns
    -------
    float
        In the unit of the result.
    """
    u = np.asarray(uncertainties, dtype=np.float64) * np.asarray(sensitivities, dtype=np.float64)
    if correlation is None:
        return float(np.sqrt(np.sum(u * u)))
    r = np.asarray(correlation, dtype=np.float64)
    # rounding may leave a tiny negative square where the inputs cancel
    return float(np.sqrt(max(float(u @ r @ u), 0.0)))


def propagate(
    function: Callable[..., object],
    values: ArrayLike,
    uncertainties: ArrayLike,
    correlation: ArrayLike | None = None,
    *,
    complex_step: bool = True,
) -> Propagated:
    """First-order uncertainty of a function of several inputs.

    Parameters
    ----------
    function : callable
        Takes ``n`` numbers, returns one.
    values, uncertainties : array_like, shape (n,)
        The inputs and their standard uncertainties.
    correlation : array_like, shape (n, n), optional
        Correlation of the inputs; none if not given.
    complex_step : bool
        Differentiate by complex step, exact to rounding; the function must then take complex numbers. Otherwise by
        central differences.

    Returns
    -------
    Propagated
        Value, standard uncertainty, sensitivities and contributions.
    """
    x = np.asarray(values, dtype=np.float64)
    u = np.asarray(uncertainties, dtype=np.float64)
    gradient = np.empty(x.size)
    for i in range(x.size):
        if complex_step:
            shifted = x.astype(np.complex128)
            shifted[i] += 1j * _COMPLEX_STEP
            gradient[i] = complex(np.asarray(function(*shifted)).item()).imag / _COMPLEX_STEP
        else:
            step = _CENTRAL_STEP * max(abs(float(x[i])), float(u[i]), np.finfo(np.float64).tiny)
            up, down = x.copy(), x.copy()
            up[i] += step
            down[i] -= step
            rise = float(np.asarray(function(*up)).item()) - float(np.asarray(function(*down)).item())
            gradient[i] = rise / float(up[i] - down[i])
    value = float(np.asarray(function(*x)).item())
    return Propagated(value, combined_uncertainty(u, gradient, correlation), gradient, gradient * u)


def effective_dof(contributions: ArrayLike, dof: ArrayLike) -> float:
    """Effective degrees of freedom of a combined uncertainty, after Welch and Satterthwaite.

    Parameters
    ----------
    contributions : array_like, shape (n,)
        Sensitivity times standard uncertainty of each independent input.
    dof : array_like, shape (n,)
        Their degrees of freedom; infinite for an uncertainty known for sure.

    Returns
    -------
    float
        ``u^4 / sum(u_i^4 / nu_i)``; infinite if nothing has finite degrees of freedom.
    """
    c, nu = np.asarray(contributions, dtype=np.float64), np.asarray(dof, dtype=np.float64)
    total = float(np.sum(c * c)) ** 2
    below = float(np.sum(c**4 / nu))
    return float("inf") if below == 0.0 else total / below


def coverage_factor(level: float, dof: float = float("inf"), *, truncate: bool = True) -> float:
    """Factor that widens a standard uncertainty to an interval of the given level, two-sided.

    Parameters
    ----------
    level : float
        Such as 0.95.
    dof : float
        Effective degrees of freedom.
    truncate : bool
        Cut the degrees of freedom to the next lower whole number, as the GUM's annex G does.

    Returns
    -------
    float
        Quantile of Student's t, or of the normal distribution for infinite degrees of freedom.
    """
    probability = 0.5 + level / 2.0
    if np.isinf(dof):
        return float(stats.norm.ppf(probability))
    whole = max(float(np.floor(dof)), 1.0) if truncate else dof
    return float(stats.t.ppf(probability, whole))


def log_ratio_interval(estimate: ArrayLike, se_ln: ArrayLike, level: float = 0.90) -> tuple[FloatArray, FloatArray]:
    """Bounds of a positive quantity whose logarithm has the given standard error.

    Parameters
    ----------
    estimate, se_ln : float or array_like
        The quantity and the standard error of its natural logarithm.
    level : float
        Two-sided level.

    Returns
    -------
    tuple of ndarray
        Lower and upper bound.
    """
    spread = np.exp(coverage_factor(level) * np.asarray(se_ln, dtype=np.float64))
    middle = np.asarray(estimate, dtype=np.float64)
    return middle / spread, middle * spread
