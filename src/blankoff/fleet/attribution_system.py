"""The equations of one measure: variances, prior precisions, and groups of vans that are solved together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.attribution_model import Problem
from blankoff.fleet.attribution_states import OIL, REPAIR, FactorStates

__all__ = ["Group", "Priors", "Solved", "Variances", "home_groups", "offsets_of", "owned_groups", "step_variance"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass
class Variances:
    """Variances of a model: per factor of first levels, of a year's walk, of oil joints; per noise class; of systems."""

    first: Floats
    walk: Floats
    oil: Floats
    noise: Floats
    system: float

    def copy(self) -> Variances:
        """Copy deeply."""
        return Variances(self.first.copy(), self.walk.copy(), self.oil.copy(), self.noise.copy(), self.system)


@dataclass
class Group:
    """Vans solved together: rows ordered by system, their stretches numbered locally."""

    rows: Ints
    position: Ints
    global_state: Ints
    group_start: Ints
    group_system: Ints


@dataclass
class Solved:
    """A group's equations, solved.

    Attributes
    ----------
    s : float64 (m, p + 1)
        Their inverse times the right-hand sides.
    row_variance : float64 (rows,)
        Posterior variance of each row's sum of stretch effects.
    variance, step_variance : float64 (m,)
        Of each stretch's effect, and of its step from the stretch before (0 where there is none).
    equations, inverse : float64 (m, m)
        Themselves and their inverse; empty where nobody asks for them any more, for those of a large fleet fill gigabytes.
    """

    s: Floats
    row_variance: Floats
    variance: Floats
    step_variance: Floats
    equations: Floats
    inverse: Floats


class Priors:
    """Prior precision of all stretches at given variances and step weights, factors end to end."""

    def __init__(self, p: Problem, v: Variances, step_weight: Floats, first_weight: Floats) -> None:
        offsets = offsets_of(p.states)
        first, step, previous = [], [], []
        for f, s in enumerate(p.states):
            start = v.first[f] + p.first_extra[f][s.level_of_state]
            first.append(np.where(s.previous < 0, 1.0 / start, 0.0))
            variance = step_variance(s, v, f)
            step.append(np.divide(1.0, variance, out=np.zeros(s.size), where=variance > 0))
            previous.append(np.where(s.previous >= 0, s.previous + offsets[f], -1))
        self.first = np.concatenate(first) * first_weight
        self.step = np.concatenate(step) * step_weight
        self.previous = np.concatenate(previous)

    def add(self, h: Floats, states: Ints, local: Ints) -> Ints:
        """Add the precision of some stretches (all of each level's) to a local matrix; return the stretch before each, or -1."""
        k = np.arange(len(states))
        h[k, k] += self.first[states] + self.step[states]
        joined = self.previous[states] >= 0
        a, b, d = k[joined], local[self.previous[states[joined]]], self.step[states[joined]]
        np.add.at(h, (b, b), d)
        h[a, b] -= d
        h[b, a] -= d
        before = np.full(len(states), -1, dtype=np.int64)
        before[a] = b
        return before


def start_variances(p: Problem) -> Variances:
    return Variances(
        np.array([f.first**2 for f in p.priors]),
        np.array([f.walk**2 for f in p.priors]),
        np.array([f.oil**2 for f in p.priors]),
        np.asarray(p.noise_prior, dtype=np.float64) ** 2,
        p.system_prior**2,
    )


def offsets_of(states: Sequence[FactorStates]) -> Ints:
    """Give the first stretch of each factor when all stand end to end, and the end."""
    return np.concatenate([[0], np.cumsum([s.size for s in states])]).astype(np.int64)


def step_variance(s: FactorStates, v: Variances, f: int) -> Floats:
    """Variance of each joint of a factor's stretches; of a level's first stretch, zero."""
    joint = np.where(s.joint == OIL, v.oil[f], np.where(s.joint == REPAIR, v.first[f], 0.0))
    return np.where(s.previous >= 0, v.walk[f] * s.gap_years + joint, 0.0)


def _make_groups(p: Problem, members: list[Ints], rows_of: list[Ints]) -> list[Group]:
    """Number the stretches of each group locally; a state outside ``members`` gets position -1."""
    offsets = offsets_of(p.states)
    global_state = np.where(p.state_of_row >= 0, p.state_of_row + offsets[:-1], -1)
    groups = []
    for states, rows in zip(members, rows_of, strict=True):
        ordered = rows[np.argsort(p.system[rows], kind="stable")]
        local = np.full(offsets[-1] + 1, -1, dtype=np.int64)
        local[states] = np.arange(len(states))
        systems = p.system[ordered]
        starts = np.flatnonzero(np.r_[True, systems[1:] != systems[:-1]]) if len(ordered) else np.empty(0, np.int64)
        groups.append(
            Group(
                ordered,
                np.ascontiguousarray(local[global_state[ordered]]),
                states,
                np.append(starts, len(ordered)).astype(np.int64),
                systems[starts],
            )
        )
    return groups


def home_groups(p: Problem, vans: Ints) -> list[Group]:
    """Groups that own their rows; a level met in two groups is there twice, each time on its own."""
    offsets = offsets_of(p.states)
    level = [s.level_of_state for s in p.states]
    members, rows_of = [], []
    for van in np.unique(vans):
        rows = np.flatnonzero(vans == van)
        states = []
        for f, s in enumerate(p.states):
            met = np.zeros(len(s.levels), dtype=bool)
            codes = s.level_of_state[p.state_of_row[rows, f][p.state_of_row[rows, f] >= 0]]
            met[codes] = True
            states.append(np.flatnonzero(met[level[f]]) + offsets[f])
        members.append(np.concatenate(states))
        rows_of.append(rows)
    if len(members) == 1:
        members[0] = np.arange(offsets[-1])
    return _make_groups(p, members, rows_of)


def owned_groups(p: Problem, vans: Ints) -> list[Group]:
    """Groups that own their levels, each level in the group that used it most; rows may be in several."""
    offsets = offsets_of(p.states)
    count = int(vans.max()) + 1
    owner = np.full(offsets[-1], -1, dtype=np.int64)
    for kind in set(p.asset):
        mine = [f for f in range(len(p.states)) if p.asset[f] == kind]
        levels = len(p.states[mine[0]].levels)
        met = np.zeros((levels, count))
        for f in mine:
            has = p.state_of_row[:, f] >= 0
            of_row = p.states[f].level_of_state[p.state_of_row[has, f]]
            met += np.bincount(of_row * count + vans[has], minlength=levels * count).reshape(levels, count)
        for f in mine:
            owner[offsets[f] : offsets[f + 1]] = met.argmax(axis=1)[p.states[f].level_of_state]
    global_state = np.where(p.state_of_row >= 0, p.state_of_row + offsets[:-1], offsets[-1])
    owners = np.append(owner, -1)[global_state]
    members = [np.flatnonzero(owner == g) for g in range(count)]
    rows_of = [np.flatnonzero((owners == g).any(axis=1)) for g in range(count)]
    kept = [i for i in range(count) if len(members[i])]
    return _make_groups(p, [members[i] for i in kept], [rows_of[i] for i in kept])
