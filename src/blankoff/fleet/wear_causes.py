"""Who made which pulls slow: shifts of pumps, hose sets and technicians, the most telling first.

Every asset is given the chance to explain all its jobs by one shift of its level from some day on, the rest as it
stands.  The one that gains most evidence is laid on, and all are asked again.  Because an asset's jobs include those
with borrowed gear, the true culprit gains more than the partner who merely rode along; where the two gain alike, the
fleet's history cannot tell, and that is what is said.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.threads import in_threads
from blankoff.fleet.wear_lag import with_lags
from blankoff.fleet.wear_shifts import FEWEST_USES
from blankoff.fleet.wear_speeds import CONSTANTS_MEAN, FACTORS, LEVELS, SpeedTable, fit_constants, timed
from blankoff.fleet.wear_state import WANTED_GAIN, Asker, Asset, State, lay, likelihood_on_grid, put_back, take_off
from blankoff.fleet.wear_untangle import RIVALS_BELOW, ask_again, side_by_side, untangle

__all__ = ["Shift", "SpeedCauses", "find_shifts", "likelihood_on_grid", "rough_shifts"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_SHIFTS = 6
"""Shifts per asset and spell."""
RIVAL_SHARE = 0.4
"""Rivals are asked among those on so large a share of an asset's jobs."""
TOGETHER = 8
"""Assets that one thread is given at a time."""


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
class SpeedCauses(State):
    """The table with constants, noise and levels, and the assets that have a shift."""

    shifts: list[Shift]


def _assets(table: SpeedTable, renewals: Mapping[str, Mapping[str, list[float]]]) -> list[Asset]:
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
            Asset(factor, level, spell, np.array(rows, dtype=np.int64))
            for (level, spell), rows in sorted(found.items())
            if len(rows) >= FEWEST_USES
        ]
    return out


def rough_shifts(table: SpeedTable, renewals: Mapping[str, Mapping[str, list[float]]]) -> State:
    """Lay shifts on assets once, under constants and noise that were found with every fault still in them; then find those anew.

    Parameters
    ----------
    table : SpeedTable
    renewals : mapping of factor to mapping of id to days
        Services that end a spell.
    """
    everything, base = table, np.zeros((len(LEVELS), table.day.size))
    levels = dict(zip(LEVELS, base, strict=True))
    constants, _ = fit_constants(table, levels, CONSTANTS_MEAN.copy())
    table = timed(with_lags(table, constants, levels))
    constants, shapes = fit_constants(table, levels, constants)
    assets = _assets(table, renewals)
    _lay_all(Asker(State(table, constants, shapes, base)), assets, _owners(assets))
    table = timed(with_lags(everything, constants, levels))
    constants, shapes = fit_constants(table, levels, constants, 3)
    return State(table, constants, shapes, base)


def _owners(assets: list[Asset]) -> dict[int, list[int]]:
    """Which assets were on each job."""
    owner: dict[int, list[int]] = {}
    for k, asset in enumerate(assets):
        for i in asset.rows.tolist():
            owner.setdefault(i, []).append(k)
    return owner


def find_shifts(
    table: SpeedTable, renewals: Mapping[str, Mapping[str, list[float]]], rough: State | None = None
) -> SpeedCauses:
    """Lay shifts on assets until none gains enough.

    Parameters
    ----------
    table : SpeedTable
    renewals : mapping of factor to mapping of id to days
        Services that end a spell.
    rough : State, optional
        From `rough_shifts` of the same jobs, where it is at hand; its constants, gauges' lags and noise are begun from.

    Returns
    -------
    SpeedCauses
    """
    everything, base = table, np.zeros((len(LEVELS), table.day.size))
    levels = dict(zip(LEVELS, base, strict=True))
    rough = rough or rough_shifts(table, renewals)
    constants, shapes = rough.constants, rough.shapes
    table = timed(with_lags(everything, constants, rough.levels))
    asker = Asker(State(table, constants, shapes, base))
    assets = _assets(table, renewals)
    owner = _owners(assets)

    def rivals_of(asset: Asset) -> list[Asset]:
        met = np.bincount([k for i in asset.rows.tolist() for k in owner[i]], minlength=len(assets))
        near = np.flatnonzero(met >= RIVAL_SHARE * asset.rows.size).tolist()
        return [assets[k] for k in near if assets[k].factor != asset.factor]

    for sweep in range(2):
        _lay_all(asker, assets, owner)
        untangle(asker, assets, rivals_of)
        table = timed(with_lags(everything, constants, levels))
        constants, shapes = fit_constants(table, levels, constants, 3)
        asker = Asker(State(table, constants, shapes, base))
        if sweep == 0:
            ask_again(asker, assets, rivals_of)
    return SpeedCauses(table, constants, shapes, base, _shifts(asker, assets, rivals_of))


def _lay_all(asker: Asker, assets: list[Asset], owner: Mapping[int, list[int]]) -> None:
    """Lay on the shift that gains most, and ask all whom it touches again, until none gains enough."""
    liked: dict[int, Floats] = {}
    changed = np.zeros(asker.state.base.shape[1], dtype=bool)

    def gain_of(k: int) -> float:
        """Gain of an asset whose jobs were asked before, under levels that have changed on some of them since."""
        asset = assets[k]
        if asset.shifts >= MOST_SHIFTS:
            liked.pop(k, None)
            return -1.0
        if k in liked:
            again = np.flatnonzero(changed[asset.rows])
            liked[k][again] = asker.like(asset, asset.rows[again])
        else:
            liked[k] = asker.like(asset)
        return asker.told(asset, liked[k])[0]

    gains = np.full(len(assets), -1.0)
    stale = list(range(len(assets)))
    while stale:
        gains[stale] = in_threads(gain_of, stale, TOGETHER)
        best = int(gains.argmax())
        if gains[best] < WANTED_GAIN:
            break
        asset = assets[best]
        lay(asker.state, asset, asker.answer(asset, liked[best]))
        stale = sorted({k for i in asset.rows.tolist() for k in owner[i]})
        changed[:] = False
        changed[asset.rows] = True


def _shifts(asker: Asker, assets: list[Asset], rivals_of: Callable[[Asset], list[Asset]]) -> list[Shift]:
    """Ask what is laid on every asset, and its rivals where it is much."""
    levels = asker.state.levels
    newest: dict[tuple[str, str], int] = {}
    for asset in assets:
        newest[asset.factor, asset.level_id] = max(newest.get((asset.factor, asset.level_id), 0), asset.spell)
    is_laid = [bool(np.abs(levels[a.factor][a.rows]).max() > 1e-6) for a in assets]
    asked = [
        (a, laid)
        for a, laid in zip(assets, is_laid, strict=True)
        if laid or (a.factor != "gauge" and a.spell == newest[a.factor, a.level_id])
    ]
    shifts: dict[int, Shift] = {}
    doubtful = []
    for (asset, has_own), (gain, found) in zip(
        asked, in_threads(lambda pair: asker.ask(pair[0], keep_level=False), asked, TOGETHER), strict=True
    ):
        level = levels[asset.factor][asset.rows].copy()
        if not has_own:
            # Too little to be laid on the fleet's jobs, but a slow change shows in a history where a step does not.
            level = found[asset.factor]
        lost = max(-float(level[-1]), float(level.max() - level[-1]) if asset.factor == "pump" else 0.0)
        if has_own or lost > RIVALS_BELOW:
            shift = Shift(asset.factor, asset.level_id, asset.spell, asset.rows, level, gain, [], -np.inf)
            shifts[len(shifts)] = shift
            if lost > RIVALS_BELOW:
                doubtful.append((len(shifts) - 1, asset, rivals_of(asset)))

    def rivals_too(k: int) -> None:
        number, asset, near = doubtful[k]
        rivals, constant = _told_of_rivals(asker, asset, near)
        shifts[number] = replace(shifts[number], rivals=rivals, constant=constant)

    groups = [[asset, *near] for _, asset, near in doubtful]
    side_by_side(groups, asker.state.base.shape[1], lambda k: True, rivals_too)
    return list(shifts.values())


def _told_of_rivals(asker: Asker, asset: Asset, near: list[Asset]) -> tuple[list[tuple[str, str, float]], float]:
    """What rivals would gain if an asset had no level of its own, and what it gains by one that was always the same."""
    state = asker.state
    kept = take_off(state, asset)
    theirs = [asker.gain(r) for r in near]
    constant = -np.inf
    if asset.factor == "pump":
        # It is measured against its own best, so a rival may also be right if it was never any better.
        constant, steady = asker.steady(asset)
        state.levels["pump"][asset.rows] = steady
        theirs = [max(g, constant + asker.gain(r)) for g, r in zip(theirs, near, strict=True)]
    put_back(state, asset, kept)
    return [(r.factor, r.level_id, g) for r, g in zip(near, theirs, strict=True)], constant
