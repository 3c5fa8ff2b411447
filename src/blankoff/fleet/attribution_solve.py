"""Solving one measure's attribution: reweighting, variances, and large fleets in groups of vans.

Small fleets are solved in one dense system.  Large ones are cut into groups of vans: variances come from some groups,
and block Gauss-Seidel sweeps over all groups then carry what borrowed gear tells from van to van.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from blankoff.fleet.attribution_kernels import (
    accumulate,
    eliminate,
    mirror,
    put_back,
    row_variances,
    system_effects,
    turned,
)
from blankoff.fleet.attribution_model import Linearise, Problem, Solution
from blankoff.fleet.attribution_states import OIL, WALK
from blankoff.fleet.attribution_system import (
    Group,
    Priors,
    Solved,
    home_groups,
    offsets_of,
    owned_groups,
    start_variances,
    step_variance,
)
from blankoff.fleet.attribution_tell import Stand, tell
from blankoff.fleet.threads import in_threads

__all__ = ["EXACT_STATES", "GROUP_STATES", "solve"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
_NOTHING: Floats = np.empty((0, 0))

NOISE_FREEDOM = 4.0
"""Degrees of freedom of the heavy-tailed noise, of systems and of steps (common choice in robust fitting, no source)."""
STEP_FREEDOM = 2.0
LEVEL_FREEDOM = 3.0
PSEUDO_COUNT = 3.0
"""How many effects' worth of say the stated prior variances have."""
ITERATIONS = 14
GROUPED_ITERATIONS = 10
"""Rounds of reweighting: the variances of a large fleet settle sooner."""
WARM_UP = 3
STIFFNESS = 0.05
"""Rounds, and share of the prior variances, with which outliers are first looked for."""
SWEEPS = 3
EXACT_STATES = 1300
"""Stretches of the four factors up to which a fleet is solved exactly, in one dense system."""
GROUP_STATES = 450
"""Stretches per group of vans of a larger fleet (its cost grows with the square)."""
TUNING_STATES = 2400
"""Stretches of the groups from which a large fleet's variances are learnt."""


def _invert(h: Floats, met: Bools, previous: Ints) -> Floats:
    """Inverse of a group's equations; ``met`` are the stretches with rows in it, ``previous`` the joints of all.

    A stretch without rows hangs on its neighbours alone: such are taken out first, one by one, which costs next to nothing,
    where a van's borrowed gear would otherwise make its equations several times as many.
    """
    # One that several follow (after a repair a level goes on from its first) stays: it has too many neighbours.
    met = met | (np.bincount(previous[previous >= 0], minlength=len(h)) > 1)
    if met.all():
        return _dense_inverse(h)
    left, right, share, pivot = eliminate(h, met, previous)
    at = np.flatnonzero(met)
    return put_back(_dense_inverse(h[np.ix_(at, at)]), at, left, right, share, pivot)


def _dense_inverse(h: Floats) -> Floats:
    chol, info = lapack.dpotrf(turned(h).T, lower=1, clean=1, overwrite_a=1)
    if info != 0:
        raise np.linalg.LinAlgError("attribution's equations are not positive definite")
    inverse, _ = lapack.dpotri(chol, lower=1, overwrite_c=1)
    # LAPACK fills the lower triangle column by column: read row by row that is the upper one, and nothing is copied.
    out: Floats = inverse.T
    mirror(out)
    return out


class _Run:
    """State of one solve; kept in one place because every update feeds the next."""

    def __init__(self, p: Problem, linearise: Linearise | None) -> None:
        self.p, self.linearise = p, linearise
        self.offsets = offsets_of(p.states)
        self.m = int(self.offsets[-1])
        self.v = start_variances(p)
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

    def local(self, g: Group) -> Ints:
        local = np.full(self.m + 1, -1, dtype=np.int64)
        local[g.global_state] = np.arange(len(g.global_state))
        return local

    def equations(self, g: Group, y: Floats, noise: tuple[Floats, Floats]) -> tuple[Floats, Floats, Floats]:
        """Normal equations of a group's rows, ``y`` being those rows'; ``noise`` as of `told`."""
        weight, group_variance = noise
        r, start, variance = g.rows, g.group_start, group_variance[g.group_system]
        return accumulate(g.position, self.z[r], self.x[r], y, weight[r], start, variance, len(g.global_state))

    def told(self) -> tuple[Floats, Floats]:
        """What rows and systems weigh now: inverse variances of the rows, variances of the systems."""
        return self.weight(), self.variance_of_systems()

    def solve_group(self, g: Group, noise: tuple[Floats, Floats], priors: Priors, keep: bool) -> tuple[Solved, Floats]:
        zwz, zwr, rwr = self.equations(g, self.y[g.rows], noise)
        before = priors.add(zwz, g.global_state, self.local(g))
        met = np.zeros(len(before), dtype=bool)
        met[g.position[g.position >= 0]] = True
        equations = zwz.copy() if keep and not met.all() else zwz
        inverse = _invert(zwz, met, before)
        k = np.flatnonzero(before >= 0)
        b = before[k]
        step = np.zeros(len(before))
        step[k] = inverse[k, k] + inverse[b, b] - 2 * inverse[k, b]
        solved = Solved(
            s=inverse @ zwr,
            row_variance=row_variances(g.position, self.z[g.rows], inverse),
            variance=np.diag(inverse).copy(),
            step_variance=step,
            equations=equations if keep else _NOTHING,
            inverse=inverse if keep else _NOTHING,
        )
        return solved, np.asarray(rwr - zwr.T @ solved.s)

    def joint_pass(self, groups: list[Group], keep: bool = False) -> tuple[list[Solved], Floats]:
        """Solve groups that share the fixed effects and nothing else."""
        priors, noise = Priors(self.p, self.v, self.step_weight, self.first_weight), self.told()
        # Kernels and LAPACK let go of the interpreter; the order of the parts, and so every digit, stays.
        parts = in_threads(lambda g: self.solve_group(g, noise, priors, keep), groups)
        reduced = np.sum([part[1] for part in parts], axis=0)
        information = reduced[:-1, :-1] + np.diag(1.0 / self.p.x_sd**2)
        covariance = np.linalg.inv(information)
        self.beta = covariance @ reduced[:-1, -1]
        for g, (solved, _) in zip(groups, parts, strict=True):
            self.u[g.global_state] = solved.s[:, -1] - solved.s[:, :-1] @ self.beta
        return [part[0] for part in parts], np.asarray(covariance)

    def update(self, groups: list[Group], solved: list[Solved]) -> None:
        """Reweight rows, systems and steps, and take one fixed-point step of every variance."""
        p, v = self.p, self.v
        rows = np.concatenate([g.rows for g in groups])
        residual = self.y - self.x @ self.beta - self.random_part()
        row_var = np.zeros(len(p.y))
        for g, s in zip(groups, solved, strict=True):
            row_var[g.rows] = np.maximum(row_var[g.rows], s.row_variance)
        self.find_systems(residual, rows)
        self._update_noise(rows, residual, row_var)
        self._update_systems(rows)
        variance, step_var = np.zeros(self.m), np.zeros(self.m)
        priors = Priors(p, v, self.step_weight, self.first_weight)
        used = np.concatenate([g.global_state for g in groups])
        for g, s in zip(groups, solved, strict=True):
            variance[g.global_state] = s.variance
            step_var[g.global_state] = s.step_variance
        self._update_levels(used, variance, step_var, priors)

    def find_systems(self, residual: Floats, rows: Ints) -> None:
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

    def _update_levels(self, used: Ints, variance: Floats, step_var: Floats, priors: Priors) -> None:
        in_use = np.zeros(self.m, dtype=bool)
        in_use[used] = True
        steps = self.u - np.append(self.u, 0.0)[priors.previous]
        for f, s in enumerate(self.p.states):
            at = slice(self.offsets[f], self.offsets[f + 1])
            prior, use = self.p.priors[f], in_use[at]
            first = use & (s.previous < 0) & (self.p.first_extra[f][s.level_of_state] == 0.0)
            scaled = self.v.first[f] / self.first_weight[at][first]
            spread = float((self.u[at][first] ** 2 / scaled).sum())
            settled = float(np.clip(1.0 - variance[at][first] / scaled, 0.0, 1.0).sum())
            # Levels far from the rest (a pump in ruins, cores never taken out) are not drawn to the middle as hard.
            start = self.v.first[f] + self.p.first_extra[f][s.level_of_state]
            heavy_first = (NOISE_FREEDOM + 1) / (NOISE_FREEDOM + (self.u[at] ** 2 + variance[at]) / start)
            self.first_weight[at] = np.where(s.previous < 0, heavy_first, 1.0)
            self.v.first[f] *= (spread + PSEUDO_COUNT * prior.first**2 / self.v.first[f]) / (settled + PSEUDO_COUNT)
            self.v.first[f] = max(self.v.first[f], prior.smallest**2)
            planned = np.maximum(step_variance(s, self.v, f), 1e-300)
            square, doubt = steps[at] ** 2, step_var[at]
            joined = s.previous >= 0
            # A level that wears walks further than its like at every step, one that breaks at a single one.
            old = self.step_weight[at].copy()
            told = np.where(joined & use, square / planned, 0.0)
            freedom = np.where(joined & use, np.clip(1.0 - doubt * old / planned, 0.0, 1.0), 0.0)
            count = len(s.levels)
            restless = (LEVEL_FREEDOM + np.bincount(s.level_of_state, told, count)) / (
                LEVEL_FREEDOM + np.bincount(s.level_of_state, freedom, count)
            )
            restless = np.clip(restless, 0.5, 400.0)[s.level_of_state]
            heavy = (STEP_FREEDOM + 1) / (STEP_FREEDOM + (square + doubt) / (planned * restless)) / restless
            weight = np.where(joined, heavy, 1.0)
            for kind, name in ((WALK, "walk"), (OIL, "oil")):
                some = use & joined & (s.joint == kind)
                current = getattr(self.v, name)
                scaled = planned[some] / old[some]
                moved = float((square[some] / scaled).sum())
                free = float(np.clip(1.0 - doubt[some] / scaled, 0.0, 1.0).sum())
                target = (prior.walk if kind == WALK else prior.oil) ** 2
                # A stretch's worth of walking is told by many joints, a prior's by a few levels over a year.
                ratio = (moved + PSEUDO_COUNT * target / current[f]) / (free + PSEUDO_COUNT)
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
    # One BLAS thread: the same digits on any machine, and no spinning beside other work.
    with threadpool_limits(limits=1, user_api="blas"):
        return _solve(p, linearise, vans)


def _solve(p: Problem, linearise: Linearise | None, vans: Ints) -> Solution:
    run = _Run(p, linearise)
    run.relinearise()
    home = home_groups(p, vans)
    tuning = home if len(home) == 1 else _some(home)
    _warm_up(run, tuning)
    for _ in range(ITERATIONS if len(home) == 1 else GROUPED_ITERATIONS):
        solved, _ = run.joint_pass(tuning)
        run.update(tuning, solved)
        run.relinearise()
    solved, covariance = run.joint_pass(home, keep=len(home) == 1)
    if len(home) == 1:
        return _finish(run, home, solved, covariance)
    found = run.v.copy()
    run.update(home, solved)
    run.v = found
    groups, solved = _sweep(run, p, vans)
    return _finish(run, groups, solved, covariance)


def _warm_up(run: _Run, groups: list[Group]) -> None:
    """Find the outliers about the registers' word first, with levels hardly free to follow them.

    Reweighting from a fit that already bent to many bad rows stays bent; from the registers' word it doesn't.
    """
    released = run.v.copy()
    for _ in range(WARM_UP):
        run.v.first, run.v.walk = released.first * STIFFNESS, released.walk * STIFFNESS
        run.v.oil, run.v.system = released.oil * STIFFNESS, released.system
        solved, _ = run.joint_pass(groups)
        run.update(groups, solved)
        run.relinearise()
    noise = run.v.noise
    run.v = released
    run.v.noise = noise
    run.step_weight[:] = 1.0
    run.first_weight[:] = 1.0
    run.system_scale[:] = 1.0


def _some(groups: list[Group]) -> list[Group]:
    chosen: list[Group] = []
    total = 0
    for g in groups[:: max(1, len(groups) // 8)]:
        if chosen and total + len(g.global_state) > TUNING_STATES:
            break
        chosen.append(g)
        total += len(g.global_state)
    return chosen


def _sweep(run: _Run, p: Problem, vans: Ints) -> tuple[list[Group], list[Solved]]:
    """Block Gauss-Seidel over groups that own their levels; fixed effects and variances are held."""
    groups, held = owned_groups(p, vans), run.v
    solved: list[Solved] = []
    for sweep in range(SWEEPS):
        run.relinearise()
        priors, noise = Priors(p, run.v, run.step_weight, run.first_weight), run.told()
        # Only the right-hand sides depend on the groups before: the matrices of all are made and inverted in threads.
        keep = partial(run.solve_group, noise=noise, priors=priors, keep=True)
        solved = [part for part, _ in in_threads(keep, groups)]
        for n, g in enumerate(groups):
            padded = np.append(run.u, 0.0)
            foreign = np.where(g.position < 0, padded[run.global_state[g.rows]], 0.0)
            _, zwr, _ = run.equations(g, run.y[g.rows] - (run.z[g.rows] * foreign).sum(axis=1), noise)
            solved[n].s = solved[n].inverse @ zwr
            run.u[g.global_state] = solved[n].s[:, -1] - solved[n].s[:, :-1] @ run.beta
        if sweep < SWEEPS - 1:
            run.v = held.copy()
            run.update(groups, solved)
            run.v = held
    return groups, solved


def _finish(run: _Run, groups: list[Group], solved: list[Solved], beta_covariance: Floats) -> Solution:
    """Collect effects, residuals and what is wanted of them."""
    p, v = run.p, run.v
    residual = run.y - run.x @ run.beta - run.random_part()
    run.find_systems(residual, np.arange(len(residual)))
    stand = Stand(p, v, run.offsets, run.u, run.beta, run.step_weight, run.first_weight)
    return Solution(
        fixed=run.beta,
        fixed_covariance=beta_covariance,
        effect=[run.u[run.offsets[f] : run.offsets[f + 1]] for f in range(len(p.states))],
        told={name: tell(stand, t, groups, solved, beta_covariance) for name, t in p.targets.items()},
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
