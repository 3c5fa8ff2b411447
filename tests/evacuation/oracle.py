"""A slow, plain oracle for the hold fit of one log: dense covariance, no recursions, the posterior on a grid.

It shares with the fast path the block means (its input), the tabulated prior of the straight part and the stated
model; whitening, shapes, nuisance and the integrals over both parts of the rise are done anew with NumPy and SciPy.
Only circuits without free water: the wet shapes have their own check.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.linalg import cho_solve, cholesky

from blankoff.evacuation.hold_fit import FLOW_S
from blankoff.evacuation.hold_gram import EVENING_S, SETTLING_S
from blankoff.evacuation.hold_prior import SPLIT, RisePrior, SplitTable

PAIR_SHARES = (0.3, 0.7)
SHORTEST_TAU_S = 28.0


def plain(kernel: Any) -> Any:
    """The Python body of a kernel, where a test's arguments alone would have it compiled once more, for seconds."""
    return getattr(kernel, "py_func", kernel)


def constant(table: np.ndarray) -> np.ndarray:
    """A table as compiled code sees a module's: one that may be written to would have a kernel compiled once more."""
    out = table.copy()
    out.flags.writeable = False
    return out


def covariance(t: np.ndarray, level: np.ndarray, var: np.ndarray, size: float, memory_s: float) -> np.ndarray:
    """White noise plus wander in per cent of reading, written out."""
    wander = size**2 * np.outer(level, level) * np.exp(-np.abs(t[:, None] - t[None, :]) / memory_s)
    return wander + np.diag(var)


def shapes(hold_s: float, required_s: float) -> list[tuple[int, int, float]]:
    """Singles, then pairs of time constants at least an octave apart, with the slower one's share."""
    longest = 4.0 * max(hold_s, required_s)
    taus = [longest / 2 ** (0.5 * k) for k in range(20)]
    taus = [x for k, x in enumerate(taus) if x >= SHORTEST_TAU_S or k <= 5]
    out = [(k, -1, 1.0) for k in range(len(taus))]
    even = range(0, len(taus), 2)
    out += [(i, j, s) for i in even for j in even if j > i for s in PAIR_SHARES]
    return out


def ln_bend_prior(c: np.ndarray, share: float, slow_scale: float, prior: RisePrior) -> np.ndarray:
    """Log density of the saturating part within the required hold."""
    bend = prior.bend_scale_micron
    slow = share * c
    heavy = prior.stray_share * 300.0 / (300.0 + slow) ** 2
    quick = (1 - prior.stray_share) * np.exp(-slow / slow_scale) / slow_scale
    return np.log(bend / (bend + c) ** 2) + np.log(quick + heavy) - np.log(bend / (bend + slow) ** 2)


def posterior(
    t: np.ndarray,
    p: np.ndarray,
    var: np.ndarray,
    warming: np.ndarray,
    required_s: float,
    top_micron: float,
    drift_sd: float,
    size: float,
    memory_s: float,
    tables: tuple[SplitTable, ...],
    prior: RisePrior,
    material: float,
) -> dict[str, float]:
    """Posterior of both parts of the rise, on grids of the straight and of the saturating part.

    Returns
    -------
    dict
        ``leak``, ``saturating`` (microns within the required hold), ``p_leak``, ``p_moisture``, ``straight``.
    """
    cov = covariance(t, p, var, size, memory_s)
    chol = cholesky(cov, lower=True)
    nuisance = np.column_stack([np.ones_like(t), np.exp(-t / SETTLING_S), np.exp(-t / EVENING_S), p * warming])
    half = len(p) // 2
    flow = FLOW_S * max(p[-1] - p[half], 0.0) / (t[-1] - t[half])
    evening_sd = prior.evening_least_micron + prior.evening_share * p[0] + flow
    step_sd = 30.0 + 0.3 * p[0] + flow
    prior_precision = np.diag([1e-12, 1.0 / step_sd**2, 1.0 / evening_sd**2, 1.0 / drift_sd**2])
    prior_mean = np.array([0.0, 0.0, 0.0, 1.0])
    y = p - p[0]
    inverse = cho_solve((chol, True), np.eye(t.size))
    # nuisance integrated out: covariance of the data grows, its mean moves by the drift's mean
    normal = nuisance.T @ inverse @ nuisance + prior_precision
    projector = inverse - inverse @ nuisance @ np.linalg.solve(normal, nuisance.T @ inverse)
    y = y - nuisance @ prior_mean
    line = t / required_s
    longest = 4.0 * max(t[-1], required_s)
    taus = [longest / 2 ** (0.5 * k) for k in range(20)]
    taus = [x for k, x in enumerate(taus) if x >= SHORTEST_TAU_S or k <= 5]
    library = shapes(t[-1], required_s)
    singles = sum(1 for _, j, _ in library if j < 0)
    unit = np.linspace(0.0, 1.0, 161)
    total = np.zeros(5)
    weight_sum = 0.0
    offset = None
    for i, j, share in library:
        a = share / (1 - math.exp(-required_s / taus[i]))
        shape = a * (1 - np.exp(-t / taus[i]))
        full = a
        if j >= 0:
            b = (1 - share) / (1 - math.exp(-required_s / taus[j]))
            shape = shape + b * (1 - np.exp(-t / taus[j]))
            full += b
        top = top_micron / full
        stretch = 1 + 1.5 * required_s / taus[i]
        ln_shape = math.log((1 - prior.pair_share) / singles if j < 0 else prior.pair_share / (len(library) - singles))
        basis = np.column_stack([shape, line])
        gram = basis.T @ projector @ basis
        right = basis.T @ projector @ y
        sd = np.sqrt(np.diag(np.linalg.inv(gram + 1e-12 * np.diag(np.diag(gram)))))
        best = np.linalg.lstsq(gram, right, rcond=None)[0]
        only_line, only_shape = right[1] / gram[1, 1], right[0] / gram[0, 0]
        high_c = min(max(best[0], only_shape, 0.0) + 6 / math.sqrt(gram[0, 0]) + min(6 * sd[0], 400.0), top)
        high_l = max(best[1], only_line, 0.0) + 6 / math.sqrt(gram[1, 1]) + min(6 * sd[1], 400.0)
        c, ell = unit * high_c, unit * high_l
        chi = gram[0, 0] * c[:, None] ** 2 + 2 * gram[0, 1] * np.outer(c, ell) + gram[1, 1] * ell[None, :] ** 2
        ln_like = c[:, None] * right[0] + ell[None, :] * right[1] - 0.5 * chi
        for slow_micron, table, share_state in (
            (prior.slow_of_ordinary(), tables[0], 1 - prior.quick_share),
            (prior.slow_of_quick(), tables[1], prior.quick_share),
        ):
            x = np.log1p(ell / table.scale) / table.step
            nodes = np.arange(table.values.shape[0])
            cols = np.column_stack([np.interp(x, nodes, table.values[:, k]) for k in range(table.values.shape[1])])
            ln_w = ln_like + ln_shape + math.log(share_state) + cols[None, :, 0]
            ln_w = ln_w + ln_bend_prior(c, share, slow_micron * stretch, prior)[:, None]
            if offset is None:
                offset = float(ln_w.max())
            w = np.exp(ln_w - offset) * (c[1] - c[0]) * (ell[1] - ell[0])
            w[0] *= 0.5
            w[:, 0] *= 0.5
            leak = cols[:, 2]
            slow = np.maximum(ell - leak, 0.0)
            bins = cols.shape[1] - SPLIT - 1
            above = np.tile(cols[None, :, SPLIT + bins], (c.size, 1))
            for d in range(bins):
                above = above + (c[:, None] >= material * (1 - (d + 0.5) / bins)) * cols[None, :, SPLIT + d]
            # without a leak all that is straight is slow
            above = above + (c[:, None] + ell[None, :] >= material) * cols[None, :, 6]
            weight_sum += w.sum()
            total += [
                (w * leak).sum(), (w * (c[:, None] + slow)).sum(), (w * cols[:, 1]).sum(), (w * above).sum(),
                (w * ell).sum(),
            ]  # fmt: skip
    names = ("leak", "saturating", "p_leak", "p_moisture", "straight")
    return dict(zip(names, (total / weight_sum).tolist(), strict=True))
