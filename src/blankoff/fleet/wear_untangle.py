"""Assets of one van asked again and together, vans that share no job side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.threads import in_threads
from blankoff.fleet.wear_state import (
    WANTED_GAIN,
    Asker,
    Asset,
    by_name,
    lay,
    put_back,
    take_off,
)

__all__ = ["RIVALS_BELOW", "ask_again", "side_by_side", "untangle"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Rivals = Callable[[Asset], list[Asset]]

RIVALS_BELOW = 0.1
"""Rivals are asked where a level is lower than this."""
MOST_LAID = 4
"""Shifts laid on the assets of one van together, after the first."""


def side_by_side(
    groups: Sequence[Sequence[Asset]], jobs: int, wanted: Callable[[int], bool], work: Callable[[int], None]
) -> None:
    """Do ``work`` on groups of assets as if one after the other, on those that have no job in common in threads.

    Parameters
    ----------
    groups : sequence of sequence of Asset
    jobs : int
        How many the fleet has.
    wanted : callable
        Whether a group, by its number, is to be worked on; asked when all before it that share a job with it are done.
    work : callable
        May read and change only what lies on the group's own jobs.
    """
    rows = [np.unique(np.concatenate([a.rows for a in group])) for group in groups]
    pending = list(range(len(groups)))
    while pending:
        taken, now, later = np.zeros(jobs, dtype=bool), [], []
        for k in pending:
            if taken[rows[k]].any():
                later.append(k)
            elif wanted(k):
                now.append(k)
            else:
                continue
            taken[rows[k]] = True
        in_threads(work, now)
        pending = later


def ask_again(asker: Asker, assets: list[Asset], rivals_of: Rivals) -> None:
    """Take every asset's level off and ask it and its rivals anew, now that all others have theirs.

    An early guess may prove needless, or a rival's the better one.
    """
    state = asker.state
    groups = [[asset, *rivals_of(asset)] for asset in by_name(assets)]

    def anew(k: int) -> None:
        asset, *rivals = groups[k]
        take_off(state, asset)
        asset.shifts = 0
        best, answer = asset, asker.ask(asset)
        for rival in rivals:
            theirs = asker.ask(rival)
            if theirs[0] > answer[0] + 0.5:
                best, answer = rival, theirs
        lay(state, best, answer)

    side_by_side(groups, state.base.shape[1], lambda k: groups[k][0].shifts > 0, anew)


def untangle(asker: Asker, assets: list[Asset], rivals_of: Rivals) -> None:
    """Ask every changed or slow asset and all who were much on its jobs together, whoever is believed first, and keep the best.

    Two or three of one van may each have taken a part of what only one of them did, or one of them what two did; asked one
    by one, none lets go of it.
    """
    state = asker.state
    firsts = [asset for asset in by_name(assets) if asset.factor != "gauge"]
    groups = [by_name([asset, *rivals_of(asset)]) for asset in firsts]
    done: set[frozenset[tuple[str, str, int]]] = set()

    def wanted(k: int) -> bool:
        level = state.levels[firsts[k].factor][firsts[k].rows]
        names = frozenset(a.name for a in groups[k])
        if max(-float(level[-1]), float(level.max() - level[-1])) < RIVALS_BELOW or names in done:
            return False
        done.add(names)
        return True

    side_by_side(groups, state.base.shape[1], wanted, lambda k: _keep_best(asker, groups[k]))


def _keep_best(asker: Asker, group: list[Asset]) -> None:
    """Begin with each asset of a group in turn, and keep the levels that gain most."""
    state = asker.state
    for one in group:
        take_off(state, one)
        one.shifts = 0
    likes = [asker.like(one) for one in group]
    # on which of its own jobs each met each other
    met = [[np.isin(one.rows, other.rows) for other in group] for one in group]
    ends = []
    for first in range(len(group)):
        gain = _lay_best(asker, group, first, likes, met)
        ends.append((gain, [(one, take_off(state, one), one.shifts) for one in group]))
        for one in group:
            one.shifts = 0
    for one, levels, shifts in max(ends, key=lambda e: e[0])[1]:
        put_back(state, one, levels)
        one.shifts = shifts


def _lay_best(
    asker: Asker, group: list[Asset], first: int, likes: list[Floats], met: list[list[NDArray[np.bool_]]]
) -> float:
    """Lay levels on a group's jobs, the first asset's first and then whichever gains most; return what all gain."""
    total = lay(asker.state, group[first], asker.answer(group[first], likes[first]))
    if total == 0.0:
        return 0.0
    now: dict[int, Floats] = {}
    changed = [met[k][first].copy() for k in range(len(group))]
    last = first
    for _ in range(MOST_LAID):
        gains = {}
        for k, one in enumerate(group):
            if k == last and len(group) > 1:
                continue
            if k not in now:
                now[k] = likes[k].copy()
            again = np.flatnonzero(changed[k])
            if again.size:
                # only on the jobs whose levels are others since
                now[k][again] = asker.like(one, one.rows[again])
                changed[k][:] = False
            gains[k] = asker.told(one, now[k])[0]
        best = max(gains, key=lambda k: gains[k])
        gain = (
            lay(asker.state, group[best], asker.answer(group[best], now[best])) if gains[best] >= WANTED_GAIN else 0.0
        )
        if gain == 0.0:
            break
        for k in range(len(group)):
            changed[k] |= met[k][best]
        total, last = total + gain, best
    return total
