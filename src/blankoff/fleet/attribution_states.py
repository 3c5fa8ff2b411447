"""Cutting each asset's history into stretches of constant level, joined by a random walk with steps at services.

A stretch ends at every service, and otherwise after a number of uses that grows from the newest use backwards, so
that the level as it stands is fresh while the past stays cheap.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.physics.compiled import kernel

__all__ = ["FactorStates", "expected_levels", "factor_states"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STRETCH_USES = {"pump": (4, 14), "hose": (4, 14), "gauge": (6, 24), "technician": (12, 48)}
"""Uses in a level's newest and longest stretch (judgement: the shortest averages noise; a change inside one blurs)."""

STATIC = (1 << 40, 1 << 40)
"""For a level that does not move: one stretch."""

WALK, OIL, REPAIR, RENEWAL = 0, 1, 2, 3
"""Kinds of joint between two stretches: time alone; an oil change (or a talk); work that brings an asset back to what
it was at first; work that makes it another one (a replacement, a calibration)."""

SERVICE_JOINTS = {
    "pump": {"oil_change": OIL, "overhaul": REPAIR, "repair": REPAIR, "replacement": RENEWAL},
    "hose": {"repair": REPAIR, "overhaul": REPAIR, "replacement": RENEWAL},
    "gauge": {"calibration": RENEWAL, "repair": RENEWAL, "replacement": RENEWAL},
    "technician": {"coaching": OIL},
}


@dataclass(frozen=True)
class FactorStates:
    """The levels of one factor and their stretches.

    Attributes
    ----------
    factor : str
    levels : list of str
        Level ids in sorted order.
    level_of_row : int64 (n,)
        Index into ``levels``; -1 where the row names none.
    state_of_row : int64 (n,)
        Index of the stretch; -1 likewise.
    level_of_state, previous : int64 (m,)
        ``previous`` is the stretch that a stretch goes on from: the one before, after a repair the first one (of this
        make), -1 for a level's first and after a renewal.  Stretches of a level are consecutive.
    joint : int64 (m,)
        How a stretch joins the one before (meaningless for the first).
    gap_years : float64 (m,)
        Time between the middles of this stretch and the one before.
    stale_years : float64 (levels,)
        Time from the middle of the newest stretch to the day the levels are stated for.
    last_state : int64 (levels,)
    uses : int64 (levels,)
    """

    factor: str
    levels: list[str]
    level_of_row: Ints
    state_of_row: Ints
    level_of_state: Ints
    previous: Ints
    joint: Ints
    gap_years: Floats
    stale_years: Floats
    last_state: Ints
    uses: Ints

    @property
    def size(self) -> int:
        """Number of stretches."""
        return len(self.level_of_state)


@kernel
def _cut(level: Ints, epoch: Ints, newest: int, longest: int) -> Ints:
    """Stretch number of each row; rows sorted by level, then time. Numbers ascend with the rows."""
    n = len(level)
    back = np.zeros(n, np.int64)
    number, filled, target = 0, 0, newest
    for i in range(n - 1, -1, -1):
        new_level = i == n - 1 or level[i] != level[i + 1]
        if new_level:
            target = newest
        if i < n - 1 and (new_level or epoch[i] != epoch[i + 1] or filled >= target):
            if not new_level and filled >= target:
                target = min(longest, target + max(1, target // 3))
            number += 1
            filled = 0
        back[i] = number
        filled += 1
    return number - back


def factor_states(
    factor: str,
    ids: pl.Series,
    days: Floats,
    services: pl.DataFrame,
    end_day: float,
    stretch_uses: tuple[int, int] | None = None,
    at_services: bool = True,
) -> FactorStates:
    """Cut a factor's levels into stretches.

    Parameters
    ----------
    factor : str
        ``pump``, ``hose``, ``gauge`` or ``technician``.
    ids : Series of str, n
        Level of each row, null where unknown.
    days : ndarray, shape (n,)
        Time of each row in days from any fixed origin.
    services : DataFrame
        ``asset_id``, ``action``, ``day`` (same origin) of this factor's assets only.
    end_day : float
        Day for which levels are wanted.
    stretch_uses : (int, int), optional
        Uses in the newest and in the longest stretch; default `STRETCH_USES`.
    at_services : bool
        Whether services end stretches.
    """
    present = ids.is_not_null().to_numpy()
    levels = sorted(ids.drop_nulls().unique().to_list())
    code_of = {v: i for i, v in enumerate(levels)}
    codes = np.full(len(ids), -1, dtype=np.int64)
    if levels:
        codes[present] = ids.drop_nulls().replace_strict(code_of, return_dtype=pl.Int64).to_numpy()
    rows = np.flatnonzero(codes >= 0)
    rows = rows[np.lexsort((days[rows], codes[rows]))]
    level, when = codes[rows], days[rows]
    kinds = SERVICE_JOINTS[factor] if at_services else {}
    kept = services.filter(pl.col("asset_id").is_in(levels) & pl.col("action").is_in(list(kinds))).sort(
        "asset_id", "day", "action"
    )
    service_level = np.array([code_of[v] for v in kept["asset_id"]], dtype=np.int64)
    service_day = kept["day"].to_numpy().astype(np.float64) if kept.height else np.empty(0)
    service_kind = np.array([kinds[a] for a in kept["action"]], dtype=np.int64)
    # One key orders levels first and time second, so that a single search serves all levels.
    span = float(max(end_day, when.max(initial=0.0), service_day.max(initial=0.0))) + 1e6
    epoch = np.searchsorted(service_level * span + service_day, level * span + when, side="right")
    stretch = _cut(level, epoch, *(stretch_uses or STRETCH_USES[factor]))
    count = int(stretch[-1]) + 1 if len(rows) else 0
    first_row = np.searchsorted(stretch, np.arange(count))
    size = np.bincount(stretch, minlength=count)
    level_of_state, epoch_of_state = level[first_row], epoch[first_row]
    middle = np.bincount(stretch, weights=when, minlength=count) / np.maximum(size, 1)
    # A service after an asset's last use opens a stretch of its own, still without a use.
    last = np.searchsorted(level_of_state, np.arange(len(levels)), side="right") - 1
    end_epoch = np.searchsorted(service_level * span + service_day, np.arange(len(levels)) * span + end_day, "right")
    serviced_since = np.flatnonzero(end_epoch > epoch_of_state[last]) if count else np.empty(0, dtype=np.int64)
    level_of_state = np.concatenate([level_of_state, serviced_since])
    epoch_of_state = np.concatenate([epoch_of_state, end_epoch[serviced_since]])
    middle = np.concatenate([middle, np.full(len(serviced_since), end_day)])
    order = np.argsort(level_of_state, kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    level_of_state, epoch_of_state, middle = level_of_state[order], epoch_of_state[order], middle[order]
    state_of_row = np.full(len(ids), -1, dtype=np.int64)
    state_of_row[rows] = rank[stretch]
    previous = np.arange(len(order)) - 1
    starts = np.r_[True, level_of_state[1:] != level_of_state[:-1]] if len(order) else np.empty(0, dtype=bool)
    previous[starts] = -1
    joint = np.full(len(order), WALK, dtype=np.int64)
    origin = 0
    for k in range(len(order)):
        if starts[k]:
            origin = k
            continue
        between = service_kind[epoch_of_state[k - 1] : epoch_of_state[k]]
        joint[k] = between.max(initial=WALK)
        if joint[k] == RENEWAL:
            previous[k], origin = -1, k
        elif joint[k] == REPAIR:
            previous[k] = origin
    gap = np.where(previous < 0, 0.0, middle - middle[previous]) / 365.25
    last = np.searchsorted(level_of_state, np.arange(len(levels)), side="right") - 1
    return FactorStates(
        factor=factor,
        levels=levels,
        level_of_row=codes,
        state_of_row=state_of_row,
        level_of_state=level_of_state,
        previous=previous,
        joint=joint,
        gap_years=np.maximum(gap, 1.0 / 365.25),
        stale_years=np.maximum(end_day - middle[last], 0.0) / 365.25 if len(levels) else np.empty(0),
        last_state=last,
        uses=np.bincount(level, minlength=len(levels)).astype(np.int64),
    )


def expected_levels(states: FactorStates, days: Floats, known: Mapping[str, tuple[Floats, Floats]]) -> Floats:
    """Ln level expected of every stretch, (states,): the mean over its jobs of what was known last before each.

    A stretch that no job has shown yet is as what was known last of all.
    """
    level, newest = np.zeros(len(days)), np.zeros(states.size)
    for k, name in enumerate(states.levels):
        if name in known:
            mine = np.flatnonzero(states.level_of_row == k)
            at, ln = known[name]
            level[mine] = ln[np.maximum(np.searchsorted(at, days[mine], side="right") - 1, 0)]
            newest[states.level_of_state == k] = ln[-1]
    here = states.state_of_row >= 0
    uses = np.bincount(states.state_of_row[here], minlength=states.size)
    mean = np.bincount(states.state_of_row[here], level[here], states.size) / np.maximum(uses, 1)
    return np.asarray(np.where(uses > 0, mean, newest))
