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
from numpy.typing import NDArray
from scipy.special import logsumexp

from blankoff.fleet.threads import in_threads
from blankoff.fleet.wear_lag import with_lags
from blankoff.fleet.wear_noise import row_likelihood
from blankoff.fleet.wear_shifts import (
    FEWEST_USES,
    IN_BANDS,
    SHIFTS,
    evidence,
    grid_prior,
    hole_of,
    mean_level,
    through_hole,
)
from blankoff.fleet.wear_speeds import (
    CONSTANTS_MEAN,
    FACTORS,
    LEVELS,
    SpeedTable,
    fit_constants,
    predicted,
    timed,
)

__all__ = ["Shift", "SpeedCauses", "find_shifts", "likelihood_on_grid"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WANTED_GAIN = 1.5
MOST_SHIFTS = 6
"""Shifts per asset and spell."""
RIVALS_BELOW, RIVAL_SHARE = 0.1, 0.4
"""Rivals are asked where a level is lower than this, among those on so large a share of its jobs."""
MOST_LAID = 4
"""Shifts laid on the assets of one van together, after the first."""
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
        Who else could explain these jobs, and with what gain, if this asset were as its like, or had always been the same.
    constant : float
        Of a pump, ln evidence for a level that was always the same, over none.
    """

    factor: str
    level_id: str
    spell: int
    rows: Ints
    level: Floats
    gain: float
    rivals: list[tuple[str, str, float]]
    constant: float


@dataclass(frozen=True)
class SpeedCauses:
    """The table with constants, noise and levels, and the assets that have a shift."""

    table: SpeedTable
    constants: Floats
    shapes: tuple[Floats, ...]
    levels: dict[str, Floats]
    """Per factor (n,): ln level of the job's asset."""
    shifts: list[Shift]


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
    moved = {factor: grid} | _in_bands(causes, factor, rows, grid)
    level = {f: causes.levels[f][rows][:, None] * (1.0 if keep_level or f not in moved else 0.0) for f in LEVELS}
    out = np.zeros((rows.size, grid.size))
    for here, (value, variance), shape in zip(
        predicted(t, causes.constants, rows, level, moved), t.values(), causes.shapes, strict=True
    ):
        out += row_likelihood(value[rows], here, variance[rows], shape[rows])
    return out


def _in_bands(causes: SpeedCauses | _State, factor: str, rows: Ints, grid: Floats) -> dict[str, Floats]:
    """What shifts or levels of a factor do in the bands in which it has levels of their own, (levels,) each."""
    if grid is SHIFTS[factor]:
        return {band: at for band, at in IN_BANDS.items() if band.startswith(factor)}
    if factor != "technician":
        return {}
    # A level over time: through the hole that the level laid on goes through.
    now = [float(causes.levels[name][rows[-1]]) for name in ("technician", "technician_viscous", "technician_above")]
    return dict(zip(("technician_viscous", "technician_above"), through_hole(grid, hole_of(*now)), strict=True))


@dataclass
class _State:
    table: SpeedTable
    constants: Floats
    shapes: tuple[Floats, ...]
    levels: dict[str, Floats]


def _assets(table: SpeedTable, renewals: Mapping[str, Mapping[str, list[float]]]) -> list[_Asset]:
    out = []
    known = table.known()
    for factor in FACTORS:
        found: dict[tuple[str, int], list[int]] = {}
        done = renewals.get(factor, {})
        for i, level in enumerate(table.ids[factor]):
            if level is None or not known[i]:
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
    n, everything = table.day.size, table
    levels = {f: np.zeros(n) for f in LEVELS}
    constants, _ = fit_constants(table, levels, CONSTANTS_MEAN.copy())
    table = timed(with_lags(table, constants, levels))
    constants, shapes = fit_constants(table, levels, constants)
    state = _State(table, constants, shapes, levels)
    assets = _assets(table, renewals)
    priors = {f: grid_prior(f) for f in FACTORS}
    zeros = {f: int(np.argmin(np.abs(SHIFTS[f]) + np.abs(IN_BANDS.get(f"{f}_viscous", SHIFTS[f])))) for f in FACTORS}
    owner: dict[int, list[int]] = {}
    for k, asset in enumerate(assets):
        for i in asset.rows:
            owner.setdefault(int(i), []).append(k)

    def told(asset: _Asset, keep_level: bool = True) -> tuple[float, Floats]:
        like = likelihood_on_grid(state, asset.factor, asset.rows, SHIFTS[asset.factor], keep_level)
        return evidence(like, priors[asset.factor], zeros[asset.factor], asset.factor != "gauge")

    def ask(asset: _Asset, keep_level: bool = True) -> tuple[float, dict[str, Floats]]:
        gain, weight = told(asset, keep_level)
        tried = {asset.factor: SHIFTS[asset.factor]}
        tried |= {band: at for band, at in IN_BANDS.items() if band.startswith(asset.factor)}
        weight = np.exp(weight)
        return gain, {name: mean_level(weight, at, asset.rows.size) for name, at in tried.items()}

    liked: dict[int, Floats] = {}
    changed = np.zeros(n, dtype=bool)

    def gain_of(k: int) -> float:
        """Gain of an asset whose jobs were asked before, under levels that have changed on some of them since."""
        asset = assets[k]
        if asset.shifts >= MOST_SHIFTS:
            liked.pop(k, None)
            return -1.0
        grid = SHIFTS[asset.factor]
        if k in liked:
            again = np.flatnonzero(changed[asset.rows])
            liked[k][again] = likelihood_on_grid(state, asset.factor, asset.rows[again], grid)
        else:
            liked[k] = likelihood_on_grid(state, asset.factor, asset.rows, grid)
        return evidence(liked[k], priors[asset.factor], zeros[asset.factor], asset.factor != "gauge")[0]

    def ask_steady(asset: _Asset) -> tuple[float, float]:
        grid, zero = SHIFTS[asset.factor], zeros[asset.factor]
        like = likelihood_on_grid(state, asset.factor, asset.rows, grid).sum(axis=0)
        score = like - like[zero] + priors[asset.factor][0]
        total = float(logsumexp(score))
        return total, float(np.exp(score - total) @ grid)

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
            changed[:] = False
            changed[asset.rows] = True
        liked.clear()
        if sweep:
            _untangle(state, assets, ask, rivals_of)
        table = timed(with_lags(everything, state.constants, state.levels))
        constants, shapes = fit_constants(table, state.levels, state.constants, 3)
        state = _State(table, constants, shapes, state.levels)
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
        rivals: list[tuple[str, str, float]] = []
        constant = -np.inf
        lost = max(-float(level[-1]), float(level.max() - level[-1]) if asset.factor == "pump" else 0.0)
        if lost > RIVALS_BELOW:
            near = rivals_of(asset)
            kept = _take_off(state, asset)
            theirs = [told(r)[0] for r in near]
            if asset.factor == "pump":
                # It is measured against its own best, so a rival may also be right if it was never any better.
                constant, steady = ask_steady(asset)
                state.levels["pump"][asset.rows] = steady
                theirs = [max(g, constant + told(r)[0]) for g, r in zip(theirs, near, strict=True)]
            rivals = [(r.factor, r.level_id, g) for r, g in zip(near, theirs, strict=True)]
            for name, old in kept.items():
                state.levels[name][asset.rows] = old
        if has_own or lost > RIVALS_BELOW:
            shifts.append(Shift(asset.factor, asset.level_id, asset.spell, asset.rows, level, gain, rivals, constant))
    return SpeedCauses(table, state.constants, state.shapes, state.levels, shifts)


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


def _lay(state: _State, asset: _Asset, answer: tuple[float, dict[str, Floats]]) -> float:
    """Lay an answer on an asset's jobs if it gains enough; return what it gains."""
    gain, levels = answer
    if gain < WANTED_GAIN:
        return 0.0
    for name, laid in levels.items():
        state.levels[name][asset.rows] += laid
    asset.shifts += 1
    return gain


def _untangle(state: _State, assets: list[_Asset], ask: Ask, rivals_of: Callable[[_Asset], list[_Asset]]) -> None:
    """Ask every changed or slow asset and all who were much on its jobs together, whoever is believed first, and keep the best.

    Two or three of one van may each have taken a part of what only one of them did, or one of them what two did; asked one
    by one, none lets go of it.
    """
    done: set[frozenset[tuple[str, str, int]]] = set()
    for asset in sorted(assets, key=lambda a: (a.factor, a.level_id, a.spell)):
        level = state.levels[asset.factor][asset.rows]
        if asset.factor == "gauge" or max(-float(level[-1]), float(level.max() - level[-1])) < RIVALS_BELOW:
            continue
        group = sorted([asset, *rivals_of(asset)], key=lambda a: (a.factor, a.level_id, a.spell))
        names = frozenset((a.factor, a.level_id, a.spell) for a in group)
        if names in done:
            continue
        done.add(names)
        ends = []
        for first in group:
            for one in group:
                _take_off(state, one)
                one.shifts = 0
            gain = _lay_best(state, group, ask, first)
            ends.append((gain, [(one, _take_off(state, one), one.shifts) for one in group]))
        for one, levels, shifts in max(ends, key=lambda e: e[0])[1]:
            for name, laid in levels.items():
                state.levels[name][one.rows] = laid
            one.shifts = shifts


def _lay_best(state: _State, group: list[_Asset], ask: Ask, first: _Asset) -> float:
    """Lay levels on a group's jobs, the first asset's first and then whichever gains most; return what all gain."""
    total = _lay(state, first, ask(first))
    if total == 0.0:
        return 0.0
    last = first
    for _ in range(MOST_LAID):
        answers = [(ask(one), one) for one in group if one is not last or len(group) == 1]
        best, one = max(answers, key=lambda a: a[0][0])
        gain = _lay(state, one, best)
        if gain == 0.0:
            break
        total, last = total + gain, one
    return total


def _take_off(state: _State, asset: _Asset) -> dict[str, Floats]:
    """Take an asset's level off its jobs; return what was there."""
    kept = {}
    for name in LEVELS:
        if name.startswith(asset.factor):
            kept[name] = state.levels[name][asset.rows].copy()
            state.levels[name][asset.rows] = 0.0
    return kept
