"""Solving one measure's attribution: stretches of assets' levels, fixed effects, systems, heavy tails, variances.

The model of row ``i`` is ``y_i = x_i b + sum_f z_if u_f[state] + s[system] + e_i`` with

* ``u``: each level starts at ``N(0, first variance)`` and walks with steps ``N(0, walk * time + step variance)``,
  the steps reweighted as Student t so that a sudden change is one change and not a long slope;
* ``s``: common to a system's rows (what a wrong volume does), reweighted alike;
* ``e``: the measurement's own variance plus one common to all, reweighted alike.

Variances are fixed points of the restricted likelihood's conditions (sum of squares over effective degrees of
freedom), steadied by a few pseudo-observations of a stated prior, so that a poor fleet falls back on trade knowledge.
Small fleets are solved in one dense system.  Large ones are cut into groups of vans: variances come from some groups,
and block Gauss-Seidel sweeps over all groups then carry what borrowed gear tells from van to van.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from blankoff.fleet.attribution_kernels import accumulate, row_variances, system_effects
from blankoff.fleet.attribution_states import OIL, RENEWAL, WALK, FactorStates

__all__ = ["FactorPrior", "Problem", "Solution", "solve"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NOISE_FREEDOM = 4.0
"""Degrees of freedom of the heavy-tailed noise, of systems and of steps (common choice in robust fitting, no source)."""
STEP_FREEDOM = 2.0
PSEUDO_COUNT = 3.0
"""How many effects' worth of say the stated prior variances have."""
ITERATIONS = 14
SWEEPS = 4
GROUP_STATES = 900
"""Stretches solved in one dense system; a fleet with fewer is solved exactly."""
TUNING_STATES = 2700
"""Stretches of the groups from which a large fleet's variances are learnt."""


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


@dataclass
class _Variances:
    first: Floats
    walk: Floats
    oil: Floats
    noise: Floats
    system: float

    def copy(self) -> _Variances:
        return _Variances(self.first.copy(), self.walk.copy(), self.oil.copy(), self.noise.copy(), self.system)


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


Linearise = Callable[[Floats, Floats], tuple[Floats, Floats, Floats]]
"""From fixed effects and all stretches' effects (factors end to end) to ``y, x, z`` linear around them."""


@dataclass
class _Group:
    """Vans solved together: rows ordered by system, their stretches numbered locally."""

    rows: Ints
    position: Ints
    global_state: Ints
    group_start: Ints
    group_system: Ints


def _start_variances(p: Problem) -> _Variances:
    return _Variances(
        np.array([f.first**2 for f in p.priors]),
        np.array([f.walk**2 for f in p.priors]),
        np.array([f.oil**2 for f in p.priors]),
        np.asarray(p.noise_prior, dtype=np.float64) ** 2,
        p.system_prior**2,
    )


def _offsets(states: Sequence[FactorStates]) -> Ints:
    return np.concatenate([[0], np.cumsum([s.size for s in states])]).astype(np.int64)


def _step_variance(s: FactorStates, v: _Variances, f: int) -> Floats:
    """Variance of each joint of a factor's stretches; of a level's first stretch, zero."""
    joint = np.where(s.joint == OIL, v.oil[f], np.where(s.joint == RENEWAL, v.first[f], 0.0))
    return np.where(s.previous >= 0, v.walk[f] * s.gap_years + joint, 0.0)


def _make_groups(p: Problem, members: list[Ints], rows_of: list[Ints]) -> list[_Group]:
    """Number the stretches of each group locally; a state outside ``members`` gets position -1."""
    offsets = _offsets(p.states)
    global_state = np.where(p.state_of_row >= 0, p.state_of_row + offsets[:-1], -1)
    groups = []
    for states, rows in zip(members, rows_of, strict=True):
        ordered = rows[np.argsort(p.system[rows], kind="stable")]
        local = np.full(offsets[-1] + 1, -1, dtype=np.int64)
        local[states] = np.arange(len(states))
        systems = p.system[ordered]
        starts = np.flatnonzero(np.r_[True, systems[1:] != systems[:-1]]) if len(ordered) else np.empty(0, np.int64)
        groups.append(
            _Group(
                ordered,
                np.ascontiguousarray(local[global_state[ordered]]),
                states,
                np.append(starts, len(ordered)).astype(np.int64),
                systems[starts],
            )
        )
    return groups


class _Priors:
    """Prior precision of all stretches at given variances and step weights, factors end to end."""

    def __init__(self, p: Problem, v: _Variances, step_weight: Floats, first_weight: Floats) -> None:
        offsets = _offsets(p.states)
        first, step, previous = [], [], []
        for f, s in enumerate(p.states):
            start = v.first[f] + p.first_extra[f][s.level_of_state]
            first.append(np.where(s.previous < 0, 1.0 / start, 0.0))
            variance = _step_variance(s, v, f)
            step.append(np.divide(1.0, variance, out=np.zeros(s.size), where=variance > 0))
            previous.append(np.where(s.previous >= 0, s.previous + offsets[f], -1))
        self.first = np.concatenate(first) * first_weight
        self.step = np.concatenate(step) * step_weight
        self.previous = np.concatenate(previous)

    def add(self, h: Floats, states: Ints, local: Ints) -> None:
        """Add the precision of some stretches (all of each level's) to a local matrix."""
        k = np.arange(len(states))
        h[k, k] += self.first[states] + self.step[states]
        joined = self.previous[states] >= 0
        a, b, d = k[joined], local[self.previous[states[joined]]], self.step[states[joined]]
        np.add.at(h, (b, b), d)
        h[a, b] -= d
        h[b, a] -= d


@dataclass
class _Solved:
    """A group's equations: themselves, their inverse, and the inverse times the right-hand sides."""

    equations: Floats
    inverse: Floats
    s: Floats


def _invert(h: Floats) -> Floats:
    chol, info = lapack.dpotrf(h, lower=1, clean=1)
    if info != 0:
        raise np.linalg.LinAlgError("attribution's equations are not positive definite")
    inverse, _ = lapack.dpotri(chol, lower=1)
    lower = np.tril(np.asarray(inverse))
    return np.asarray(lower + np.tril(lower, -1).T)


class _Run:
    """State of one solve; kept in one place because every update feeds the next."""

    def __init__(self, p: Problem, linearise: Linearise | None) -> None:
        self.p, self.linearise = p, linearise
        self.offsets = _offsets(p.states)
        self.m = int(self.offsets[-1])
        self.v = _start_variances(p)
        self.u = np.zeros(self.m)
        self.beta = np.zeros(p.x.shape[1])
        self.step_weight = np.ones(self.m)
        self.first_weight = np.ones(self.m)
        self.outlier = np.ones(len(p.y))
        self.system_scale = np.ones(len(p.system_variance))
        self.system_effect = np.zeros(len(p.system_variance))
        self.system_post = np.zeros(len(p.system_variance))
        self.y, self.x, self.z = p.y, p.x, p.z
        self.global_state = np.where(p.state_of_row >= 0, p.state_of_row + self.offsets[:-1], self.m)
        self.counts = np.bincount(p.system, minlength=len(p.system_variance))
        self.by_system = np.argsort(p.system, kind="stable")
        self.system_start = np.concatenate([[0], np.cumsum(self.counts)]).astype(np.int64)

    def relinearise(self) -> None:
        if self.linearise is not None:
            self.y, self.x, self.z = self.linearise(self.beta, self.u)

    def variance_of_systems(self) -> Floats:
        return self.p.system_variance + self.p.system_weight * self.v.system / self.system_scale

    def weight(self) -> Floats:
        return self.outlier / (self.p.own_variance + self.v.noise[self.p.noise_class])

    def random_part(self) -> Floats:
        padded = np.append(self.u, 0.0)
        return np.asarray((self.z * padded[self.global_state]).sum(axis=1))

    def local(self, g: _Group) -> Ints:
        local = np.full(self.m + 1, -1, dtype=np.int64)
        local[g.global_state] = np.arange(len(g.global_state))
        return local

    def solve_group(self, g: _Group, y: Floats, priors: _Priors) -> tuple[_Solved, Floats]:
        weight, group_variance = self.weight(), self.variance_of_systems()
        r = g.rows
        zwz, zwr, rwr = accumulate(
            g.position, self.z[r], self.x[r], y[r], weight[r], g.group_start, group_variance[g.group_system],
            len(g.global_state),
        )
        priors.add(zwz, g.global_state, self.local(g))
        inverse = _invert(zwz)
        solved = _Solved(zwz, inverse, inverse @ zwr)
        return solved, np.asarray(rwr - zwr.T @ solved.s)

    def joint_pass(self, groups: list[_Group]) -> tuple[list[_Solved], Floats]:
        """Solve groups that share the fixed effects and nothing else."""
        priors = _Priors(self.p, self.v, self.step_weight, self.first_weight)
        parts = [self.solve_group(g, self.y, priors) for g in groups]
        reduced = np.sum([part[1] for part in parts], axis=0)
        information = reduced[:-1, :-1] + np.diag(1.0 / self.p.x_sd**2)
        covariance = np.linalg.inv(information)
        self.beta = covariance @ reduced[:-1, -1]
        for g, (solved, _) in zip(groups, parts, strict=True):
            self.u[g.global_state] = solved.s[:, -1] - solved.s[:, :-1] @ self.beta
        return [part[0] for part in parts], np.asarray(covariance)

    def update(self, groups: list[_Group], solved: list[_Solved]) -> None:
        """Reweight rows, systems and steps, and take one fixed-point step of every variance."""
        p, v = self.p, self.v
        rows = np.concatenate([g.rows for g in groups])
        residual = self.y - self.x @ self.beta - self.random_part()
        row_var = np.zeros(len(p.y))
        for g, s in zip(groups, solved, strict=True):
            row_var[g.rows] = np.maximum(row_var[g.rows], row_variances(g.position, self.z[g.rows], s.inverse))
        self._find_systems(residual, rows)
        self._update_noise(rows, residual, row_var)
        self._update_systems(rows)
        variance, step_var = np.zeros(self.m), np.zeros(self.m)
        priors = _Priors(p, v, self.step_weight, self.first_weight)
        used = np.concatenate([g.global_state for g in groups])
        for g, s in zip(groups, solved, strict=True):
            local = self.local(g)
            variance[g.global_state] = np.diag(s.inverse)
            before = priors.previous[g.global_state]
            k = np.flatnonzero(before >= 0)
            b = local[before[k]]
            step_var[g.global_state[k]] = s.inverse[k, k] + s.inverse[b, b] - 2 * s.inverse[k, b]
        self._update_levels(used, variance, step_var, priors)

    def _find_systems(self, residual: Floats, rows: Ints) -> None:
        """Posterior of the systems' effects, told by the given rows only."""
        weight = np.zeros(len(residual))
        weight[rows] = self.weight()[rows]
        order = self.by_system
        variance = self.variance_of_systems()
        self.system_effect, self.system_post = system_effects(
            residual[order], weight[order], self.system_start, variance
        )

    def _update_noise(self, rows: Ints, residual: Floats, row_var: Floats) -> None:
        e = (residual - self.system_effect[self.p.system])[rows]
        spread = row_var[rows] + self.system_post[self.p.system][rows]
        classes = self.p.noise_class[rows]
        total = self.p.own_variance[rows] + self.v.noise[classes]
        expected = e**2 + np.minimum(spread, total)
        lam = (NOISE_FREEDOM + 1) / (NOISE_FREEDOM + expected / total)
        self.outlier[rows] = lam
        for c in np.unique(classes):
            mine, smallest = classes == c, (0.1 * self.p.noise_prior[c]) ** 2
            w = 1.0 / total[mine]
            excess = float((w**2 * (lam[mine] * expected[mine] - total[mine])).sum() / (w**2).sum())
            now = self.v.noise[c]
            self.v.noise[c] = max(float(np.clip(now + excess, now / 4, now * 4)), smallest)

    def _update_systems(self, rows: Ints) -> None:
        p = self.p
        variance = self.variance_of_systems()
        # Only systems met again part a system's effect from the noise of one evacuation.
        seen = np.zeros(len(self.counts), dtype=bool)
        seen[p.system[rows]] = True
        again = seen & (self.counts >= 2) & (p.system_weight > 0)
        square = self.system_effect**2
        base = np.maximum(p.system_variance + p.system_weight * self.v.system, 1e-12)
        heavy = (NOISE_FREEDOM + 1) / (NOISE_FREEDOM + (square + self.system_post) / base)
        self.system_scale = np.where(again & (p.system_variance == 0.0), heavy, 1.0)
        if p.system_fixed:
            return
        freedom = 1.0 - self.system_post[again] / np.maximum(variance[again], 1e-12)
        told = float((square[again] / np.maximum(variance[again], 1e-12)).sum())
        prior = p.system_prior**2
        self.v.system *= (told + PSEUDO_COUNT * prior / self.v.system) / (float(freedom.sum()) + PSEUDO_COUNT)
        self.v.system = max(self.v.system, 1e-6)

    def _update_levels(self, used: Ints, variance: Floats, step_var: Floats, priors: _Priors) -> None:
        in_use = np.zeros(self.m, dtype=bool)
        in_use[used] = True
        steps = self.u - np.append(self.u, 0.0)[priors.previous]
        for f, s in enumerate(self.p.states):
            at = slice(self.offsets[f], self.offsets[f + 1])
            prior, use = self.p.priors[f], in_use[at]
            first = use & (s.previous < 0) & (self.p.first_extra[f][s.level_of_state] == 0.0)
            scaled = self.v.first[f] / self.first_weight[at][first]
            told = float((self.u[at][first] ** 2 / scaled).sum())
            freedom = float(np.clip(1.0 - variance[at][first] / scaled, 0.0, 1.0).sum())
            # Levels far from the rest (a pump in ruins, cores never taken out) are not drawn to the middle as hard.
            start = self.v.first[f] + self.p.first_extra[f][s.level_of_state]
            heavy_first = (NOISE_FREEDOM + 1) / (NOISE_FREEDOM + (self.u[at] ** 2 + variance[at]) / start)
            self.first_weight[at] = np.where(s.previous < 0, heavy_first, 1.0)
            self.v.first[f] *= (told + PSEUDO_COUNT * prior.first**2 / self.v.first[f]) / (freedom + PSEUDO_COUNT)
            self.v.first[f] = max(self.v.first[f], prior.smallest**2)
            planned = np.maximum(_step_variance(s, self.v, f), 1e-300)
            square, doubt = steps[at] ** 2, step_var[at]
            joined = s.previous >= 0
            weight = np.ones(s.size)
            heavy = (STEP_FREEDOM + 1) / (STEP_FREEDOM + (square + doubt) / planned)
            weight[joined] = heavy[joined]
            old = self.step_weight[at].copy()
            for kind, name in ((WALK, "walk"), (OIL, "oil")):
                some = use & joined & (s.joint == kind)
                current = getattr(self.v, name)
                scaled = planned[some] / old[some]
                told = float((square[some] / scaled).sum())
                freedom = float(np.clip(1.0 - doubt[some] / scaled, 0.0, 1.0).sum())
                target = (prior.walk if kind == WALK else prior.oil) ** 2
                # A stretch's worth of walking is told by many joints, a prior's by a few levels over a year.
                ratio = (told + PSEUDO_COUNT * target / current[f]) / (freedom + PSEUDO_COUNT)
                current[f] = float(np.clip(current[f] * ratio, target / 400, target * 100))
            self.step_weight[at] = weight


def solve(p: Problem, linearise: Linearise | None, vans: Ints) -> Solution:
    """Solve one measure.

    Parameters
    ----------
    p : Problem
    linearise : callable, optional
        Re-linearises a measure that is not linear in the effects; called once an iteration.
    vans : int64 (n,)
        Group of vans of each row; all equal for a fleet that is to be solved exactly.

    Returns
    -------
    Solution
    """
    run = _Run(p, linearise)
    run.relinearise()
    home = _home_groups(p, vans)
    tuning = home if len(home) == 1 else _some(home)
    for _ in range(ITERATIONS):
        solved, _ = run.joint_pass(tuning)
        run.update(tuning, solved)
        run.relinearise()
    solved, covariance = run.joint_pass(home)
    if len(home) == 1:
        return _finish(run, home, solved, covariance)
    found = run.v.copy()
    run.update(home, solved)
    run.v = found
    groups, solved = _sweep(run, p, vans)
    return _finish(run, groups, solved, covariance)


def _home_groups(p: Problem, vans: Ints) -> list[_Group]:
    """Groups that own their rows; a level met in two groups is there twice, each time on its own."""
    offsets = _offsets(p.states)
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


def _some(groups: list[_Group]) -> list[_Group]:
    chosen, total = [], 0
    for g in groups[:: max(1, len(groups) // 8)]:
        if chosen and total + len(g.global_state) > TUNING_STATES:
            break
        chosen.append(g)
        total += len(g.global_state)
    return chosen


def _owned_groups(p: Problem, vans: Ints) -> list[_Group]:
    """Groups that own their levels, each level in the group that used it most; rows may be in several."""
    offsets = _offsets(p.states)
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


def _sweep(run: _Run, p: Problem, vans: Ints) -> tuple[list[_Group], list[_Solved]]:
    """Block Gauss-Seidel over groups that own their levels; fixed effects and variances are held."""
    groups, held = _owned_groups(p, vans), run.v
    solved: list[_Solved] = []
    for sweep in range(SWEEPS):
        run.relinearise()
        priors, solved = _Priors(p, run.v, run.step_weight, run.first_weight), []
        for g in groups:
            padded = np.append(run.u, 0.0)
            foreign = np.where(g.position < 0, padded[run.global_state[g.rows]], 0.0)
            y = run.y.copy()
            y[g.rows] -= (run.z[g.rows] * foreign).sum(axis=1)
            part, _ = run.solve_group(g, y, priors)
            run.u[g.global_state] = part.s[:, -1] - part.s[:, :-1] @ run.beta
            solved.append(part)
        if sweep < SWEEPS - 1:
            run.v = held.copy()
            run.update(groups, solved)
            run.v = held
    return groups, solved


def _finish(run: _Run, groups: list[_Group], solved: list[_Solved], beta_covariance: Floats) -> Solution:
    """Collect effects, residuals and what is wanted of them."""
    p, v = run.p, run.v
    residual = run.y - run.x @ run.beta - run.random_part()
    run._find_systems(residual, np.arange(len(residual)))
    return Solution(
        fixed=run.beta,
        fixed_covariance=beta_covariance,
        effect=[run.u[run.offsets[f] : run.offsets[f + 1]] for f in range(len(p.states))],
        told={name: _tell(run, t, groups, solved, beta_covariance) for name, t in p.targets.items()},
        residual=residual - run.system_effect[p.system],
        row_weight=1.0 / (p.own_variance + v.noise[p.noise_class]),
        outlier_weight=run.outlier,
        system_effect=run.system_effect,
        system_posterior_variance=run.system_post,
        first=v.first,
        walk=v.walk,
        oil=v.oil,
        noise=v.noise,
        system=v.system,
    )


def _tell(run: _Run, t: Target, groups: list[_Group], solved: list[_Solved], beta_covariance: Floats) -> Told:
    """Value and doubts of one target's sums."""
    count = len(t.asset)
    padded = np.append(run.u, 0.0)
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
        value=t.x @ run.beta + padded[t.states].sum(axis=1),
        variance=variance + walk * t.stale,
        gap_variance=gap,
        prior=prior + walk * t.stale,
        alone=alone + walk * t.stale,
        newest=newest,
    )


def _prior_variance(run: _Run, t: Target) -> tuple[Floats, Floats]:
    """Variance of each sum before any data, and its growth per year after the newest stretch."""
    p, v, offsets = run.p, run.v, run.offsets
    priors = _Priors(p, v, run.step_weight, run.first_weight)
    total, walk = np.zeros(run.m + 1), np.zeros(run.m + 1)
    for f, s in enumerate(p.states):
        at = slice(offsets[f], offsets[f + 1])
        step = np.divide(1.0, priors.step[at], out=np.zeros(s.size), where=priors.step[at] > 0)
        # Walking and renewal each add their share up to the newest stretch.
        walked = np.bincount(s.level_of_state, weights=step, minlength=len(s.levels))
        total[at] = (v.first[f] + p.first_extra[f] + walked)[s.level_of_state]
        walk[at] = v.walk[f]
    states = np.where(t.states >= 0, t.states, run.m)
    return total[states].sum(axis=1), walk[states].sum(axis=1)


def _alone(run: _Run, g: _Group, part: _Solved, pick: Floats, asset: Ints) -> Floats:
    """Variance of each sum if all other levels were known."""
    owner = np.empty(run.m, dtype=np.int64)
    for f, s in enumerate(run.p.states):
        owner[run.offsets[f] : run.offsets[f + 1]] = s.level_of_state * 16 + run.p.asset[f]
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
