"""A witness of a gauge's error beside the floors: values that move with it, their noise, and offsets that some of them share."""

from __future__ import annotations

from collections.abc import Container, Hashable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Witness", "told"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Witness:
    """Values of one gauge's jobs against what is expected of them, in order of time.

    Attributes
    ----------
    job : tuple of str
        evacuation_id.
    day, residual, variance : float64 (n,)
        ``variance`` with robust weight.
    answer : float64 (n,)
        How much a value moves with ln reading over truth.
    shared : tuple of (float, tuple)
        Standard deviation of an offset, and what shares one: a label for each value, None where it has none.
    model_sd : float
        How far all of it together may be off, ln reading over truth.
    """

    job: tuple[str, ...]
    day: Floats
    residual: Floats
    variance: Floats
    answer: Floats
    shared: tuple[tuple[float, tuple[Hashable, ...]], ...]
    model_sd: float = 0.0

    def between(self, first_day: float, last_day: float, without: Container[str] = ()) -> Witness:
        """Those of a spell, but for some jobs."""
        within = (self.day >= first_day) & (self.day <= last_day)
        at = np.array([i for i in np.flatnonzero(within).tolist() if self.job[i] not in without], dtype=np.int64)
        shared = tuple((sd, tuple(labels[i] for i in at)) for sd, labels in self.shared)
        job = tuple(self.job[i] for i in at)
        return Witness(job, self.day[at], self.residual[at], self.variance[at], self.answer[at], shared, self.model_sd)

    def weights(self) -> Floats:
        """Inverse covariance of the values, (n, n): noise and shared offsets."""
        covariance = np.diag(self.variance)
        for sd, labels in self.shared:
            number = {name: k for k, name in enumerate(dict.fromkeys(labels))}
            each = np.array([-1 if name is None else number[name] for name in labels])
            covariance += sd**2 * ((each[:, None] == each[None, :]) & (each >= 0)[:, None])
        return np.asarray(np.linalg.inv(covariance))


def told(witness: Witness, weights: Floats, share: Floats) -> tuple[float, float]:
    """Estimate of ln reading over truth, and its information (inverse variance).

    Parameters
    ----------
    witness : Witness
    weights : float64 (n, n)
        `Witness.weights`.
    share : float64 (n,)
        How much of the error had come by each value, 0 to 1.
    """
    moves = witness.answer * share
    pull = weights @ moves
    information = float(pull @ moves)
    if information <= 0.0:
        return 0.0, 0.0
    return float(pull @ witness.residual) / information, information / (1.0 + information * witness.model_sd**2)
