"""What is believed of a hold's rise before its log is read, as tables for the compiled fit.

The straight part ``L`` of a rise (microns within the required hold) is a leak plus outgassing so slow that it cannot
bend within the hold. No eye and no fit can part the two; only trade knowledge can: unsaturated outgassing adds some
tens of microns within a hold, seldom hundreds (common practice, no source). The tables hold, for a grid of ``L``, the
prior density and how ``L`` splits. Every figure of the prior is a field of :class:`RisePrior`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["SLOW_BINS", "SPLIT", "RisePrior", "SplitTable", "split_table"]

FloatArray = NDArray[np.float64]

SLOW_BINS = 5
"""Bins of the slow share below the material rise; the last column of the table is all above it."""

SPLIT = 7
"""Columns of the table before those bins."""

_NODES = 220
_L_SCALE = 10.0
_L_MAX = 3e6


@dataclass(frozen=True)
class RisePrior:
    """Prior of a hold's rise (this project's judgement on domain ranges; no source).

    Parameters
    ----------
    leak_share
        Share of circuits that leak at all.
    leak_low_micron_per_min, leak_high_micron_per_min
        Ends of the range over which a leak's rate is log-uniform ("leaks worth finding: 5 - 500").
    leak_beyond
        Share of leaks beyond the upper end (a valve left open), falling as a power law.
    slow_scale_micron
        Scale of the slow outgassing within the required hold; ``Judging.slow_outgassing_micron``.
    bend_scale_micron
        Median of the saturating part's rise within the required hold; its density falls as a power law, so that
        free water's thousands stay possible.
    pair_share
        Prior share of two well separated time constants against one.
    stray_share
        Share of circuits whose slow pools add more than is usual, falling as a power law.
    quick_share
        Share of dry circuits whose outgassing is all but done within the hold.
    ordinary_of_slow, quick_of_slow
        Scales of the slow outgassing in ordinary and in quick circuits over `slow_scale_micron`, which lies between.
    wet_share
        Share of circuits with free water.
    evening_least_micron, evening_share
        Standard deviation of what still evens out within the circuit after isolation, as a sum of a least one and a
        share of the pressure then.
    """

    leak_share: float = 0.40
    leak_low_micron_per_min: float = 1.0
    leak_high_micron_per_min: float = 600.0
    leak_beyond: float = 0.03
    slow_scale_micron: float = 40.0
    bend_scale_micron: float = 100.0
    pair_share: float = 0.6
    stray_share: float = 0.03
    quick_share: float = 0.75
    ordinary_of_slow: float = 2.0
    quick_of_slow: float = 0.375
    wet_share: float = 0.09
    evening_least_micron: float = 20.0
    evening_share: float = 0.05

    def vector(self, material_micron: float) -> FloatArray:
        """Belief as the compiled fit takes it; places in `hold_posterior`."""
        return np.array(
            [
                self.bend_scale_micron, self.pair_share, self.slow_of_ordinary(), self.stray_share, self.quick_share,
                self.slow_of_quick(), self.wet_share, material_micron, self.evening_least_micron, self.evening_share,
            ]
        )  # fmt: skip

    def slow_of_ordinary(self) -> float:
        """Scale of the slow outgassing in an ordinary circuit."""
        return self.ordinary_of_slow * self.slow_scale_micron

    def slow_of_quick(self) -> float:
        """Scale of the slow outgassing in a circuit that has all but done with it."""
        return self.quick_of_slow * self.slow_scale_micron

    def shares(self) -> FloatArray:
        """Prior shares of the circuit's states (ordinary, quick, wet), each without and with a leak; ``(6,)``, sum 1."""
        dry = 1.0 - self.wet_share
        states = np.array([dry * (1.0 - self.quick_share), dry * self.quick_share, self.wet_share])
        return np.outer(states, [1.0 - self.leak_share, self.leak_share]).ravel()


@dataclass(frozen=True)
class SplitTable:
    """Prior of the straight part and its split, on nodes of ``log1p(L / scale)`` evenly spaced.

    Attributes
    ----------
    values : (nodes, SPLIT + SLOW_BINS + 1) float64
        ln density of ``L``; P(leak >= material); E[leak]; E[leak^2]; the same two means counting material leaks only;
        P(no leak at all); then P(leak, and slow in bin) for the bins of the slow share.
    scale, step
        Node ``k`` lies at ``scale * expm1(k * step)`` microns.
    """

    values: FloatArray
    scale: float
    step: float


def _leak_density(leak: FloatArray, low: float, high: float, beyond: float) -> FloatArray:
    """Density of a leak's rise within the hold: log-uniform from `low` to `high`, a power law beyond."""
    with np.errstate(divide="ignore"):
        inside = (1.0 - beyond) / (np.log(high / low) * leak)
        tail = beyond * high / leak**2
    return np.where(leak < low, 0.0, np.where(leak <= high, inside, tail))


@lru_cache(maxsize=256)
def split_table(prior: RisePrior, hold_minutes: float, material_micron: float, slow_scale_micron: float) -> SplitTable:
    """Tabulate the prior of the straight part for one required hold.

    Parameters
    ----------
    prior
        The belief.
    hold_minutes
        Required hold; the rise is counted within it.
    material_micron
        A part of the rise below this is not material.
    slow_scale_micron
        Scale of the slow outgassing in this state of the circuit.
    """
    step = np.log1p(_L_MAX / _L_SCALE) / (_NODES - 1)
    nodes = _L_SCALE * np.expm1(step * np.arange(_NODES))
    low, high = prior.leak_low_micron_per_min * hold_minutes, prior.leak_high_micron_per_min * hold_minutes
    scales = slow_scale_micron * np.array([0.25, 1.0, 2.5])
    weights = np.array([0.60, 0.35, 0.05])

    def slow_density(d: FloatArray) -> FloatArray:
        return np.asarray((weights / scales * np.exp(-d[..., None] / scales)).sum(axis=-1))

    edges = np.append(np.linspace(0.0, material_micron, SLOW_BINS + 1), np.inf)
    values = np.zeros((_NODES, SPLIT + SLOW_BINS + 1))
    # grid over the slow share, fine near zero; each node of L integrates over slow = 0 .. L by the trapezoid rule
    unit = np.linspace(0.0, 1.0, 1201) ** 2
    before = -1.0
    for k, straight in enumerate(nodes):
        top = min(straight, 60.0 * slow_scale_micron)
        if top != before:  # most nodes lie beyond the largest slow share, and have its grid in common
            before, slow = top, unit * top
            slow_at, half = slow_density(slow), 0.5 * np.diff(slow)
            place = np.searchsorted(edges, slow, side="right") - 1
        leak = np.maximum(straight - slow, 1e-12)
        joint = prior.leak_share * _leak_density(leak, low, high, prior.leak_beyond) * slow_at
        mass = np.zeros_like(slow)
        if top > 0:
            mass[:-1] += half * joint[:-1]
            mass[1:] += half * joint[1:]
        none = (1.0 - prior.leak_share) * float(slow_density(np.array(straight)))
        total = none + mass.sum()
        values[k, 0] = np.log(max(total, 1e-300))
        material = leak >= material_micron
        values[k, 1] = mass[material].sum() / max(total, 1e-300)
        values[k, 2] = (mass * leak).sum() / max(total, 1e-300)
        values[k, 3] = (mass * leak**2).sum() / max(total, 1e-300)
        values[k, 4] = (mass * leak)[material].sum() / max(total, 1e-300)
        values[k, 5] = (mass * leak**2)[material].sum() / max(total, 1e-300)
        values[k, 6] = none / max(total, 1e-300)
        bins = np.bincount(place, weights=mass, minlength=SLOW_BINS + 1)
        values[k, SPLIT:] = bins[: SLOW_BINS + 1] / max(total, 1e-300)
    values.setflags(write=False)
    return SplitTable(values, _L_SCALE, float(step))
