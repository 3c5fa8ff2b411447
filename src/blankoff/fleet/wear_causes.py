"""Who made which pulls slow: shifts of pumps, hose sets and technicians, the most telling first.

Every asset is given the chance to explain all its jobs by one shift of its level from some day on, the rest as it
stands.  The one that gains most evidence is laid on, and all are asked again.  Because an asset's jobs include those
with borrowed gear, the true culprit gains more than the partner who merely rode along; where the two gain alike, the
fleet's history cannot tell, and that is what is said.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from blankoff.fleet.threads import in_threads
from blankoff.fleet.vector_math import exp
from blankoff.fleet.wear_speeds import (
    CONSTANTS_MEAN,
    FACTORS,
    LEVELS,
    SpeedTable,
    fit_constants,
    predicted,
    row_likelihood,
)

__all__ = ["Shift", "SpeedCauses", "find_shifts", "likelihood_on_grid"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_BOTH = np.array([(d, v) for d in np.arange(-1, 6) * 0.1 for v in np.arange(-12, 3) * 0.1])
"""What a gauge does to either band's speed: on the manifold it sits nearer the pump and shows a faster fall, never a
slower one; its lag slows what is fast."""
RIGGING = np.arange(-16, 4) * 0.1
HOLE_IN_VISCOUS = np.array([1.7, 2.4, 3.3])
"""How much better what is left in a port conducts in the viscous band: a hole passes some 20 l/s per cm2 in choked flow and
11.6 in molecular flow (handbook values, from memory); a core is longer than a hole, and gains with pressure."""
SHIFTS = {
    "pump": np.arange(-24, 9) * 0.05,
    "hose": np.arange(-20, 9) * 0.1,
    "technician": np.tile(RIGGING, HOLE_IN_VISCOUS.size),
    "gauge": _BOTH[:, 0],
}
"""ln shifts tried: of a pump's speed, a line's conductance, the middle rig's deep speed as rigged, a gauge's reading."""
USUAL_HOLE = 2.4
IN_VISCOUS = {
    "technician": -np.log1p(np.expm1(-SHIFTS["technician"]) / np.repeat(HOLE_IN_VISCOUS, RIGGING.size)),
    "gauge": _BOTH[:, 1],
}
"""What each shift does in the viscous band: of rigging, by a smaller resistance there; of a gauge, its lag."""
SMALL_SD = {"pump": 0.10, "hose": 0.12, "technician": 0.08, "gauge": 0.15}
LARGE_SHARE = {"pump": 0.25, "hose": 0.15, "technician": 0.15, "gauge": 0.03}
FROM_THE_FIRST = {"pump": 0.05, "hose": 0.3, "technician": 0.9, "gauge": 1.0}
"""Shifts are either small, as units differ, or anywhere on the grid.  A habit or a gauge's place is there from the first
job as a rule; a pump that never did what its plate says is rare: it wears later (judgement)."""
WANTED_GAIN = 1.5
FEWEST_USES = 5
MOST_SHIFTS = 6
"""Shifts per asset and spell."""
RIVALS_BELOW, RIVAL_SHARE = 0.1, 0.4
"""Rivals are asked where a level is lower than this, among those on so large a share of its jobs."""
TOGETHER = 8
"""Assets that one thread is given at a time."""


@dataclass
class _Asset:
    """One asset in one spell between renewing services."""

    factor: str
    level_id: str
    spell: int
    rows: Ints
    shifts: int = 0
    gain: float = 0.0
    level: Floats | None = None


@dataclass(frozen=True)
class Shift:
    """What one asset's jobs say of its own level, against all others.

    Attributes
    ----------
    factor, level_id : str
    spell : int
    rows : int64 (n,)
        Its jobs in the table.
    level : float64 (n,)
        ln level laid on each.
    gain : float
        ln evidence for the level it now has, over having none, the rest as it stands.
    rivals : list of (factor, level_id, gain)
        Who else could explain these jobs, and with what gain, if this asset were as its like.
    """

    factor: str
    level_id: str
    spell: int
    rows: Ints
    level: Floats
    gain: float
    rivals: list[tuple[str, str, float]]


@dataclass(frozen=True)
class SpeedCauses:
    """The table with constants, noise and levels, and the assets that have a shift."""

    table: SpeedTable
    constants: Floats
    viscous_shape: Floats
    line_shape: Floats
    levels: dict[str, Floats]
    """Per factor (n,): ln level of the job's asset."""
    shifts: list[Shift]


def _grid_prior(factor: str) -> tuple[Floats, Floats]:
    """Ln prior of each shift: from the first job on, and from a later one on."""
    grid = SHIFTS[factor]
    size = grid if factor not in IN_VISCOUS or factor == "technician" else np.hypot(grid, 0.5 * IN_VISCOUS[factor])
    small = np.exp(-0.5 * (size / SMALL_SD[factor]) ** 2)
    small, large = small / small.sum(), 1.0 / grid.size
    share, first = LARGE_SHARE[factor], FROM_THE_FIRST[factor]
    begin = (1 - share) * small + share * first * large
    later = 0.3 * (1 - share) * small + share * (1 - first) * large
    return np.log(begin), np.log(np.maximum(later, 1e-12))


def likelihood_on_grid(
    causes: SpeedCauses | _State, factor: str, rows: Ints, grid: Floats, keep_level: bool = True
) -> Floats:
    """(n, levels): ln likelihood of an asset's jobs if its level were the one laid on plus each of ``grid``.

    Parameters
    ----------
    causes : SpeedCauses
    factor : str
    rows : int64 (n,)
    grid : float64 (levels,)
    keep_level : bool
        Whether the level laid on already counts; if not, ``grid`` is the level itself.
    """
    t = causes.table
    level = {f: causes.levels[f][rows][:, None] for f in LEVELS}
    own = 1.0 if keep_level else 0.0
    level[factor] = own * level[factor] + grid[None, :]
    if factor in IN_VISCOUS:
        whole = IN_VISCOUS[factor]
        name = f"{factor}_viscous"
        # For other grids than the one of shifts (a technician's level over time), a usual hole.
        at = whole if grid.size == whole.size else -np.log1p(np.expm1(-grid) / USUAL_HOLE)
        level[name] = own * level[name] + at[None, :]
    viscous, contrast = predicted(t, causes.constants, rows, level)
    out = row_likelihood(t.line[rows], contrast, t.line_variance[rows], causes.line_shape[rows])
    out = out + row_likelihood(t.viscous[rows], viscous, t.viscous_variance[rows], causes.viscous_shape[rows])
    return np.asarray(out)


@dataclass
class _State:
    table: SpeedTable
    constants: Floats
    viscous_shape: Floats
    line_shape: Floats
    levels: dict[str, Floats]


def _evidence(like: Floats, prior: tuple[Floats, Floats], zero: int, later: bool) -> tuple[float, Floats]:
    """Ln evidence of one shift from some job on, over none; and the ln weight of every (onset, shift)."""
    last = max(like.shape[0] - FEWEST_USES, 0) + 1 if later else 1
    score, total = _scores(like, prior[0], prior[1], zero, last)
    return float(total), score - total


@njit(cache=True, nogil=True, error_model="numpy")
def _scores(like: Floats, begin: Floats, later: Floats, zero: int, last: int) -> tuple[Floats, float]:
    """Ln evidence of every (onset, shift), for onsets at the first ``last`` jobs; and that of all together."""
    n, m = like.shape
    score, tail = np.empty((last, m)), np.zeros(m)
    tries = np.log(max(last - 1, 1))
    for i in range(n - 1, -1, -1):
        for j in range(m):
            tail[j] += like[i, j] - like[i, zero]
        if i < last:
            for j in range(m):
                score[i, j] = tail[j] + later[j] - tries
    for j in range(m):
        score[0, j] = tail[j] + begin[j]
    top, total = score.max(), 0.0
    for i in range(last):
        for j in range(m):
            total += exp(score[i, j] - top)
    return score, top + np.log(total)


def _mean_level(weight: Floats, grid: Floats, n: int) -> Floats:
    """Mean level of every job under the weights of (onset, shift)."""
    by_onset = weight @ grid
    out = np.full(n, by_onset.sum())
    out[: by_onset.size] = np.cumsum(by_onset)
    return out


def _assets(table: SpeedTable, renewals: Mapping[str, Mapping[str, list[float]]]) -> list[_Asset]:
    out = []
    for factor in FACTORS:
        found: dict[tuple[str, int], list[int]] = {}
        done = renewals.get(factor, {})
        for i, level in enumerate(table.ids[factor]):
            if level is None or not (np.isfinite(table.viscous[i]) or np.isfinite(table.line[i])):
                continue
            spell = bisect_right(done.get(level, ()), table.day[i])
            found.setdefault((level, spell), []).append(i)
        out += [
            _Asset(factor, level, spell, np.array(rows, dtype=np.int64))
            for (level, spell), rows in sorted(found.items())
            if len(rows) >= FEWEST_USES
        ]
    return out


def find_shifts(table: SpeedTable, renewals: Mapping[str, Mapping[str, list[float]]]) -> SpeedCauses:
    """Lay shifts on assets until none gains enough.

    Parameters
    ----------
    table : SpeedTable
    renewals : mapping of factor to mapping of id to days
        Services that end a spell.

    Returns
    -------
    SpeedCauses
    """
    n = table.day.size
    levels = {f: np.zeros(n) for f in LEVELS}
    constants, shape_v, shape_l = fit_constants(table, levels, CONSTANTS_MEAN.copy())
    state = _State(table, constants, shape_v, shape_l, levels)
    assets = _assets(table, renewals)
    priors = {f: _grid_prior(f) for f in FACTORS}
    zeros = {f: int(np.argmin(np.abs(SHIFTS[f]) + np.abs(IN_VISCOUS.get(f, SHIFTS[f])))) for f in FACTORS}
    owner: dict[int, list[int]] = {}
    for k, asset in enumerate(assets):
        for i in asset.rows:
            owner.setdefault(int(i), []).append(k)

    def told(asset: _Asset, keep_level: bool = True) -> tuple[float, Floats]:
        like = likelihood_on_grid(state, asset.factor, asset.rows, SHIFTS[asset.factor], keep_level)
        return _evidence(like, priors[asset.factor], zeros[asset.factor], asset.factor != "gauge")

    def ask(asset: _Asset, keep_level: bool = True) -> tuple[float, dict[str, Floats]]:
        gain, weight = told(asset, keep_level)
        laid = {asset.factor: _mean_level(np.exp(weight), SHIFTS[asset.factor], asset.rows.size)}
        if asset.factor in IN_VISCOUS:
            viscous = _mean_level(np.exp(weight), IN_VISCOUS[asset.factor], asset.rows.size)
            laid[f"{asset.factor}_viscous"] = viscous
        return gain, laid

    def gain_of(k: int) -> float:
        return told(assets[k])[0] if assets[k].shifts < MOST_SHIFTS else -1.0

    def rivals_of(asset: _Asset) -> list[_Asset]:
        met = np.bincount([k for i in asset.rows for k in owner[int(i)]], minlength=len(assets))
        near = np.flatnonzero(met >= RIVAL_SHARE * asset.rows.size).tolist()
        return [assets[k] for k in near if assets[k].factor != asset.factor]

    for sweep in range(3):
        gains = np.full(len(assets), -1.0)
        stale = list(range(len(assets)))
        while stale:
            gains[stale] = in_threads(gain_of, stale, TOGETHER)
            best = int(gains.argmax())
            if gains[best] < WANTED_GAIN:
                break
            asset = assets[best]
            for name, laid in ask(asset)[1].items():
                state.levels[name][asset.rows] += laid
            asset.shifts += 1
            stale = sorted({k for i in asset.rows for k in owner[int(i)]})
        constants, shape_v, shape_l = fit_constants(table, state.levels, state.constants, 3)
        state = _State(table, constants, shape_v, shape_l, state.levels)
        if sweep == 0:
            # Constants and noise were first found with every fault still in them: begin again under better ones.
            for asset in assets:
                _take_off(state, asset)
                asset.shifts = 0
        elif sweep == 1:
            _ask_again(state, assets, ask, rivals_of)
    newest: dict[tuple[str, str], int] = {}
    for asset in assets:
        newest[asset.factor, asset.level_id] = max(newest.get((asset.factor, asset.level_id), 0), asset.spell)
    shifts = []
    is_laid = [bool(np.abs(state.levels[a.factor][a.rows]).max() > 1e-6) for a in assets]
    asked = [
        (a, laid)
        for a, laid in zip(assets, is_laid, strict=True)
        if laid or (a.factor != "gauge" and a.spell == newest[a.factor, a.level_id])
    ]
    for (asset, has_own), (gain, found) in zip(
        asked, in_threads(lambda pair: ask(pair[0], keep_level=False), asked, TOGETHER), strict=True
    ):
        level = state.levels[asset.factor][asset.rows].copy()
        if not has_own:
            # Too little to be laid on the fleet's jobs, but a slow change shows in a history where a step does not.
            level = found[asset.factor]
        rivals = []
        if level[-1] < -RIVALS_BELOW:
            kept = _take_off(state, asset)
            rivals = [(r.factor, r.level_id, told(r)[0]) for r in rivals_of(asset)]
            for name, old in kept.items():
                state.levels[name][asset.rows] = old
        if has_own or level[-1] < -RIVALS_BELOW:
            shifts.append(Shift(asset.factor, asset.level_id, asset.spell, asset.rows, level, gain, rivals))
    return SpeedCauses(table, state.constants, state.viscous_shape, state.line_shape, state.levels, shifts)


Ask = Callable[[_Asset], tuple[float, dict[str, Floats]]]


def _ask_again(state: _State, assets: list[_Asset], ask: Ask, rivals_of: Callable[[_Asset], list[_Asset]]) -> None:
    """Take every asset's level off and ask it and its rivals anew, now that all others have theirs.

    An early guess may prove needless, or a rival's the better one.
    """
    for asset in sorted(assets, key=lambda a: (a.factor, a.level_id, a.spell)):
        if asset.shifts == 0:
            continue
        _take_off(state, asset)
        asset.shifts = 0
        best, (gain, levels) = asset, ask(asset)
        for rival in rivals_of(asset):
            answer = ask(rival)
            if answer[0] > gain + 0.5:
                best, (gain, levels) = rival, answer
        if gain >= WANTED_GAIN:
            for name, laid in levels.items():
                state.levels[name][best.rows] += laid
            best.shifts += 1


def _take_off(state: _State, asset: _Asset) -> dict[str, Floats]:
    """Take an asset's level off its jobs; return what was there."""
    kept = {}
    for name in LEVELS:
        if name.startswith(asset.factor):
            kept[name] = state.levels[name][asset.rows].copy()
            state.levels[name][asset.rows] = 0.0
    return kept
