"""Noise of speeds: a narrow core, a wide one, and two one-sided tails, measured on the fleet itself.

A speed is a rate times a volume.  Many volumes are exact and some are guesses, so the errors of one class of logs are a
narrow normal about the truth and a wide one about the same middle; gas that nobody sees makes a rig look slow, and now and
then something makes it look fast.  To take all of it for one normal would throw away what the exact ones say.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.threads import in_threads
from blankoff.fleet.vector_math import exp, ln
from blankoff.physics.compiled import inlined_kernel, vector_kernel

__all__ = [
    "NoiseShape",
    "core_weight",
    "density",
    "density_terms",
    "fit_noise",
    "noise_density",
    "row_likelihood",
    "shapes_of_rows",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Four: TypeAlias = tuple[float, float, float, float]

MOST_VALUES = 2000
"""Values from which a noise shape is measured; more change nothing."""
FEWEST_VALUES = 60
"""Values from which a class has a shape of its own (judgement)."""


@dataclass(frozen=True)
class NoiseShape:
    """Shape of what is left after all effects: a normal core, a wider one about it, and two one-sided exponential tails.

    Attributes
    ----------
    core_sd : float
        Beside each value's own standard error.
    low_share, high_share : float
        Share of values in the tails.
    low_scale, high_scale : float
        Mean distance of those.
    wide_share, wide_sd : float
        Share of values whose volume is a guess, and how far guesses go, ln; beside the core's spread.
    """

    core_sd: float
    low_share: float
    low_scale: float
    high_share: float
    high_scale: float
    wide_share: float
    wide_sd: float

    def as_row(self) -> Floats:
        """Its numbers in the order of the fields, (7,), as the compiled functions take them."""
        return np.array(astuple(self), dtype=np.float64)


USUAL = NoiseShape(0.12, 0.10, 0.6, 0.05, 0.3, 0.2, 0.35)
"""Taken where there are too few values to measure (judgement)."""


def fit_noise(residual: Floats, variance: Floats, rounds: int = 25) -> NoiseShape:
    """Fit the shape of the noise to residuals of all assets together.

    Parameters
    ----------
    residual : float64 (n,)
        About each asset's own level.
    variance : float64 (n,)
        Each value's own measurement variance.
    rounds : int
        Rounds of expectation and maximisation.

    Returns
    -------
    NoiseShape
        Shares at least 0.5 %, so that nothing is impossible.
    """
    known = np.isfinite(residual) & np.isfinite(variance)
    r, v = residual[known], variance[known]
    if r.size > MOST_VALUES:
        # Evenly spread over the sorted values, so that no number depends on the order of rows.
        pick = np.lexsort((v, r))[np.linspace(0, r.size - 1, MOST_VALUES).astype(np.int64)]
        r, v = r[pick], v[pick]
    if r.size < 20:
        return USUAL
    sd, low, low_scale, high, high_scale, wide, wide_sd = 0.1, 0.15, 0.6, 0.05, 0.3, 0.25, 0.35
    for _ in range(rounds):
        core = _normal(r, v + sd**2) * (1.0 - low - high - wide)
        around = wide * _normal(r, v + sd**2 + wide_sd**2)
        below = low * _tail(-r, v + sd**2, low_scale)
        above = high * _tail(r, v + sd**2, high_scale)
        total = core + around + below + above + 1e-300
        core, around, below, above = core / total, around / total, below / total, above / total
        low = float(np.clip(below.mean(), 0.005, 0.35))
        high = float(np.clip(above.mean(), 0.005, 0.2))
        wide = float(np.clip(around.mean(), 0.005, 0.4))
        low_scale = float(np.clip((below * np.maximum(-r, 0)).sum() / max(below.sum(), 1e-9), 0.25, 2.0))
        high_scale = float(np.clip((above * np.maximum(r, 0)).sum() / max(above.sum(), 1e-9), 0.15, 1.0))
        # A value tells of the core's spread as far as its own error leaves room.
        share = core / (v + sd**2) ** 2
        left = around / (v + sd**2 + wide_sd**2) ** 2
        wide_sd = float(np.sqrt(np.clip((left * (r**2 - v - sd**2)).sum() / max(left.sum(), 1e-9), 0.2**2, 0.6**2)))
        sd = float(np.sqrt(np.clip((share * (r**2 - v)).sum() / max(share.sum(), 1e-9), 0.02**2, 0.5**2)))
    return NoiseShape(sd, low, low_scale, high, high_scale, wide, wide_sd)


def shapes_of_rows(residual: Floats, variance: Floats, noise_class: Ints) -> Floats:
    """Fit a noise shape per class of values and hand it to each; (n, 7). A class too small for a fit of its own has all's."""
    every = fit_noise(residual, variance).as_row()
    out = np.tile(every, (residual.size, 1))
    of_class = [noise_class == number for number in np.unique(noise_class)]
    many = [mine for mine in of_class if mine.sum() >= FEWEST_VALUES]
    for mine, row in zip(
        many, in_threads(lambda mine: fit_noise(residual[mine], variance[mine]).as_row(), many), strict=True
    ):
        out[mine] = row
    return out


def _normal(x: Floats, variance: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x / variance) / np.sqrt(2.0 * np.pi * variance))


def _tail(x: Floats, variance: Floats, scale: float) -> Floats:
    """Density of an exponential tail above zero, softened at zero by the core's width."""
    width = np.sqrt(variance)
    return np.asarray(
        np.exp(-np.maximum(x, 0.0) / scale) / (scale + width) / (1.0 + np.exp(-np.clip(x / width, -40, 40) * 2.0))
    )


@inlined_kernel
def density(r: float, narrow: Four, sides: Four) -> tuple[float, float, float]:
    """Density of one residual under a noise shape (see `density_terms`), its core's part and its wide core's.

    Loops over it are to become vector instructions: no branch, and nothing in it that does not depend on the residual.
    """
    v, peak, wide_v, wide_peak = narrow
    low, low_scale, high, high_scale = sides
    core = exp(-0.5 * r * r / v) * peak
    around = exp(-0.5 * r * r / wide_v) * wide_peak
    z = r / np.sqrt(v)
    z = z if z > -40.0 else -40.0
    side = exp(2.0 * (z if z < 40.0 else 40.0))
    # on the far side of zero either tail is level
    far = exp(r * (low_scale if r < 0.0 else high_scale))
    below = low * (far if r < 0.0 else 1.0) / (1.0 + side)
    above = high * (far if r > 0.0 else 1.0) * side / (1.0 + side)
    return core + around + below + above + 1e-9, core, around


@vector_kernel
def density_terms(variance: float, shape: Floats) -> tuple[Four, Four]:
    """What the density of all residuals of one variance and noise shape is made of."""
    sd, low, low_scale, high, high_scale = shape[0], shape[1], shape[2], shape[3], shape[4]
    wide, wide_sd = shape[5], shape[6]
    v = variance + sd * sd
    wide_v = v + wide_sd * wide_sd
    width = np.sqrt(v)
    peak = (1.0 - low - high - wide) / np.sqrt(2.0 * np.pi * v)
    sides = (low / (low_scale + width), 1.0 / low_scale, high / (high_scale + width), -1.0 / high_scale)
    return (v, peak, wide_v, wide / np.sqrt(2.0 * np.pi * wide_v)), sides


@vector_kernel
def noise_density(residual: Floats, variance: float, shape: Floats) -> Floats:
    """Density of residuals (n,) of one measurement variance under one noise shape, up to its norm."""
    out = np.empty(residual.size)
    narrow, sides = density_terms(variance, shape)
    for i in range(residual.size):
        out[i] = density(residual[i], narrow, sides)[0]
    return out


@vector_kernel
def row_likelihood(value: Floats, predicted: Floats, variance: Floats, shape: Floats) -> Floats:
    """(n, levels): ln density of each value under each prediction; 0 where the value is nan.

    Parameters
    ----------
    value, variance : float64 (n,);  predicted : float64 (n, levels);  shape : float64 (n, 7)
    """
    n, m = predicted.shape
    out = np.zeros((n, m))
    for i in range(n):
        if np.isnan(value[i]):
            continue
        narrow, sides = density_terms(variance[i], shape[i])
        here, guess, told = value[i], predicted[i], out[i]
        for j in range(m):
            told[j] = ln(density(here - guess[j], narrow, sides)[0])
    return out


@vector_kernel
def core_weight(residual: Floats, variance: Floats, shape: Floats) -> Floats:
    """Weight of each residual in an estimate of the middle: its chance to be of either core, over that one's variance."""
    out = np.zeros(residual.size)
    for i in range(residual.size):
        if np.isnan(residual[i]):
            continue
        narrow, sides = density_terms(variance[i], shape[i])
        total, core, around = density(residual[i], narrow, sides)
        out[i] = core / total / narrow[0] + around / total / narrow[2]
    return out
