"""What a solved measure says of its levels: sums of newest stretches and fixed effects, with their doubts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.attribution_model import Problem, Target, Told
from blankoff.fleet.attribution_system import Group, Priors, Solved, Variances

__all__ = ["Stand", "tell"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Stand:
    """Where a solve ended: what `tell` needs to know of it."""

    problem: Problem
    variances: Variances
    offsets: Ints
    effect: Floats
    fixed: Floats
    step_weight: Floats
    first_weight: Floats

    def local(self, g: Group) -> Ints:
        """Give the local number of every stretch in a group, -1 for those outside."""
        local = np.full(self.offsets[-1] + 1, -1, dtype=np.int64)
        local[g.global_state] = np.arange(len(g.global_state))
        return local


def tell(run: Stand, t: Target, groups: list[Group], solved: list[Solved], beta_covariance: Floats) -> Told:
    """Value and doubts of one target's sums."""
    count = len(t.asset)
    padded = np.append(run.effect, 0.0)
    kinds = np.unique(t.asset)
    share = 1.0 / np.bincount(t.asset, minlength=int(kinds.max(initial=0)) + 1)[t.asset] if count else np.empty(0)
    signed = np.where(t.asset == 1, share, np.where(t.asset == 0, -share, 0.0))
    prior, walk = _prior_variance(run, t)
    load, with_mean, alone, own = t.x.copy(), np.zeros(count), np.zeros(count), np.zeros(count)
    mean_square, gap, newest = np.zeros(int(kinds.max(initial=0)) + 1), 0.0, []
    for g, part in zip(groups, solved, strict=True):
        local = run.local(g)
        here = np.flatnonzero(local[t.states[:, 0]] >= 0)
        pick = np.zeros((len(here), len(g.global_state)))
        for column in range(t.states.shape[1]):
            k = local[t.states[here, column]]
            pick[np.flatnonzero(k >= 0), k[k >= 0]] = 1.0
        half = pick @ part.inverse
        covariance = half @ pick.T
        load[here] -= pick @ part.s[:, :-1]
        newest.append((here, covariance))
        own[here] = np.diag(covariance)
        for kind in kinds:
            mine = t.asset[here] == kind
            with_mean[here[mine]] = covariance[np.ix_(mine, mine)] @ share[here[mine]]
            mean_square[kind] += share[here[mine]] @ with_mean[here[mine]]
        gap += float(signed[here] @ covariance @ signed[here])
        alone[here] = _alone(run, g, part, pick, t.asset[here])
    gap += float((signed @ load) @ beta_covariance @ (signed @ load))
    centred = load.copy()
    for kind in kinds:
        centred[t.asset == kind] -= load[t.asset == kind].mean(axis=0)
    variance = own - 2 * with_mean + mean_square[t.asset]
    variance = np.maximum(variance, 0.0) + np.einsum("ij,jk,ik->i", centred, beta_covariance, centred)
    return Told(
        value=t.x @ run.fixed + padded[t.states].sum(axis=1),
        variance=variance + walk * t.stale,
        gap_variance=gap,
        prior=prior + walk * t.stale,
        alone=alone + walk * t.stale,
        newest=newest,
    )


def _prior_variance(run: Stand, t: Target) -> tuple[Floats, Floats]:
    """Variance of each sum before any data, and its growth per year after the newest stretch."""
    p, v, offsets = run.problem, run.variances, run.offsets
    priors = Priors(p, v, run.step_weight, run.first_weight)
    total, walk = np.zeros(int(run.offsets[-1]) + 1), np.zeros(int(run.offsets[-1]) + 1)
    for f, s in enumerate(p.states):
        at = slice(offsets[f], offsets[f + 1])
        step = np.divide(1.0, priors.step[at], out=np.zeros(s.size), where=priors.step[at] > 0)
        # Walking and renewal each add their share up to the newest stretch.
        walked = np.bincount(s.level_of_state, weights=step, minlength=len(s.levels))
        total[at] = (v.first[f] + p.first_extra[f] + walked)[s.level_of_state]
        walk[at] = v.walk[f]
    states = np.where(t.states >= 0, t.states, int(run.offsets[-1]))
    return total[states].sum(axis=1), walk[states].sum(axis=1)


def _alone(run: Stand, g: Group, part: Solved, pick: Floats, asset: Ints) -> Floats:
    """Variance of each sum if all other levels were known."""
    owner = np.empty(int(run.offsets[-1]), dtype=np.int64)
    for f, s in enumerate(run.problem.states):
        owner[run.offsets[f] : run.offsets[f + 1]] = s.level_of_state * 16 + run.problem.asset[f]
    mine = owner[g.global_state]
    order = np.argsort(mine, kind="stable")
    ranked = mine[order]
    out = np.empty(len(pick))
    for i in range(len(pick)):
        key = mine[np.flatnonzero(pick[i])[0]]
        own = order[np.searchsorted(ranked, key) : np.searchsorted(ranked, key, side="right")]
        wanted = pick[i, own]
        out[i] = wanted @ np.linalg.solve(part.equations[np.ix_(own, own)], wanted)
    return out
