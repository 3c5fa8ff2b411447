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

__all__ = ["DENSE_LIMIT", "Factored", "factorise"]

Floats = NDArray[np.float64]

DENSE_LIMIT = 4500
"""Coefficients left after elimination up to which the factor is dense (measured: 4 500 take about 2 s on one core)."""
