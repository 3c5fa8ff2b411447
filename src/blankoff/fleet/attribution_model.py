"""What one measure's attribution is given and gives back.

The model of row ``i`` is ``y_i = x_i b + sum_f z_if u_f[state] + s[system] + e_i`` with

* ``u``: each level starts at ``N(0, first variance)`` and walks with steps ``N(0, walk * time + step variance)``,
  the steps reweighted as Student t so that a sudden change is one change and not a long slope;
* ``s``: common to a system's rows (what a wrong volume does), reweighted alike;
* ``e``: the measurement's own variance plus one common to all, reweighted alike.

Variances are fixed points of the restricted likelihood's conditions (sum of squares over effective degrees of
freedom), steadied by a few pseudo-observations of a stated prior, so that a poor fleet falls back on trade knowledge.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.attribution_states import FactorStates

__all__ = ["FactorPrior", "Linearise", "Problem", "Solution", "Target", "Told", "around"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Linearise = Callable[[Floats, Floats], tuple[Floats, Floats, Floats]]
"""From fixed effects and all stretches' effects (factors end to end) to ``y, x, z`` linear around them."""


@dataclass(frozen=True)
class FactorPrior:
    """Stated prior standard deviations of one factor on one measure, and how small they may be found.

    ``first``: between levels; ``walk``: drift over one year; ``oil``: step at an oil change (or coaching).
    """

    first: float
    walk: float
    oil: float
    smallest: float = 0.01


@dataclass(frozen=True)
class Target:
    """Sums that are wanted: for each level of each asset, what its newest stretches and the fixed effects add up to.

    Attributes
    ----------
    asset : int64 (t,)
        Asset kind of each level; levels of one kind stand together.
    states : int64 (t, k)
        Stretches to add (factors end to end), -1 for none.
    x : float64 (t, p)
        Coefficients of the fixed effects.
    stale : float64 (t,)
        Years from the middle of the newest stretch to the day for which levels are stated.
    """

    asset: Ints
    states: Ints
    x: Floats
    stale: Floats


@dataclass(frozen=True)
class Told:
    """What is known of a target's levels, arrays (t,).

    Attributes
    ----------
    value : the sums
    variance : of each sum less the mean over its asset kind
    gap_variance : of the mean of kind 1 less that of kind 0
    prior, alone : variance before any data, and if all other kinds of asset were known
    newest : per group solved together, indices into the target and the covariance of their sums, fixed effects known
    """

    value: Floats
    variance: Floats
    gap_variance: float
    prior: Floats
    alone: Floats
    newest: list[tuple[Ints, Floats]] = field(repr=False)


@dataclass(frozen=True)
class Problem:
    """One measure's rows, all usable.

    Attributes
    ----------
    y : (n,);  x : (n, p);  z : (n, f);  own_variance : (n,) variance stated by the measurement
    noise_class : int64 (n,), rows of one class share the variance that is added to their own
    system : int64 (n,), code of the row's system, each row some code
    system_variance : (systems,), prior variance offset by what is known (0 adds nothing to the estimated one)
    system_weight : (systems,), 1 where the estimated variance applies, 0 where only ``system_variance`` does
    states : per factor;  state_of_row : int64 (n, f);  asset : per factor, whose levels these are
    first_extra : per factor (levels,), variance added to a level's first stretch because the register is silent
    priors : per factor
    targets : what is wanted of the solution, by name
    x_sd : (p,), prior standard deviations of the fixed effects
    noise_prior : (classes,), system_prior : prior standard deviations;  system_fixed : keep the latter as it is
    """

    y: Floats
    x: Floats
    z: Floats
    own_variance: Floats
    noise_class: Ints
    system: Ints
    system_variance: Floats
    system_weight: Floats
    states: Sequence[FactorStates]
    state_of_row: Ints
    asset: Sequence[int]
    first_extra: Sequence[Floats]
    priors: Sequence[FactorPrior]
    targets: Mapping[str, Target]
    x_sd: Floats
    noise_prior: Floats
    system_prior: float
    system_fixed: bool = False


@dataclass(frozen=True)
class Solution:
    """What a measure's rows say.

    Attributes
    ----------
    fixed : (p,);  fixed_covariance : (p, p)
    effect : per factor (states,)
    told : by target's name
    residual : (n,), what no effect explains;  row_weight : (n,), precision before reweighting;  outlier_weight : (n,)
    system_effect, system_posterior_variance : (systems,)
    first, walk, oil : (f,), variances found;  noise, system : float, variances found
    """

    fixed: Floats
    fixed_covariance: Floats
    effect: list[Floats]
    told: dict[str, Told]
    residual: Floats
    row_weight: Floats
    outlier_weight: Floats
    system_effect: Floats
    system_posterior_variance: Floats
    first: Floats
    walk: Floats
    oil: Floats
    noise: Floats
    system: float

    def moved(self, expected: Sequence[Floats], targets: Mapping[str, Target]) -> Solution:
        """The same, of effects that were solved for about expected ones, per factor (states,)."""
        padded = np.append(np.concatenate(expected), 0.0)
        told = {
            name: replace(told, value=told.value + padded[targets[name].states].sum(axis=1))
            for name, told in self.told.items()
        }
        return replace(self, effect=[u + m for u, m in zip(self.effect, expected, strict=True)], told=told)


def around(linearise: Linearise | None, expected: Sequence[Floats], state_of_row: Ints) -> Linearise | None:
    """Linearise about effects as they are expected, and ask for what differs from them.

    Parameters
    ----------
    linearise : callable, optional
        Of whole effects; none for what is linear in them, about nothing then.
    expected : per factor float64 (states,)
    state_of_row : int64 (n, f)
        Stretch of every row within its factor; -1 for none.
    """
    whole = np.concatenate(expected)
    if linearise is None or not whole.any():
        return linearise
    starts = np.cumsum([0, *(len(m) for m in expected)])
    at = np.where(state_of_row >= 0, state_of_row + starts[:-1], starts[-1])
    padded = np.append(whole, 0.0)[at]

    def about(beta: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
        y, x, z = linearise(beta, whole + u)
        return y - (z * padded).sum(axis=1), x, z

    return about
