"""Levels as they are laid on a fleet's jobs, and what one asset's jobs say of a shift while all others stand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from blankoff.fleet.wear_shifts import IN_BANDS, SHIFTS, evidence, grid_prior, hole_of, mean_level, through_hole
from blankoff.fleet.wear_speeds import FACTORS, LEVELS, SpeedTable, tried_beside
from blankoff.fleet.wear_told import Told, told_of_levels

__all__ = ["Answer", "Asker", "Asset", "State", "by_name", "lay", "likelihood_on_grid", "put_back", "take_off"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Answer = tuple[float, dict[str, Floats]]
"""Gain of a shift, and by level what it adds to each job."""

WANTED_GAIN = 1.5


@dataclass
class Asset:
    """One asset in one spell between renewing services."""

    factor: str
    level_id: str
    spell: int
    rows: Ints
    shifts: int = 0

    @property
    def name(self) -> tuple[str, str, int]:
        """What sorts assets, and tells them apart."""
        return self.factor, self.level_id, self.spell


@dataclass(frozen=True)
class State:
    """A fleet's values with constants, noise and levels.

    Attributes
    ----------
    table : SpeedTable
    constants : float64 (6,)
    shapes : three of float64 (n, 7)
        Noise of the values.
    base : float64 (7, n)
        ln level of the job's asset, in the order of `LEVELS`.
    """

    table: SpeedTable
    constants: Floats
    shapes: tuple[Floats, ...]
    base: Floats

    @cached_property
    def levels(self) -> dict[str, Floats]:
        """Rows of ``base`` by name, to be changed in place."""
        return dict(zip(LEVELS, self.base, strict=True))

    @cached_property
    def told(self) -> Told:
        """What assets are asked of."""
        value, variance = (np.vstack(parts) for parts in zip(*self.table.values(), strict=True))
        middle = self.table.middle_hole(self.constants)
        return Told(self.table.rigs, value, variance, np.stack(self.shapes), middle)


def likelihood_on_grid(state: State, factor: str, rows: Ints, grid: Floats, keep_level: bool = True) -> Floats:
    """(n, levels): ln likelihood of an asset's jobs if its level were the one laid on plus each of ``grid``.

    Parameters
    ----------
    state : State
    factor : str
    rows : int64 (n,)
    grid : float64 (levels,)
    keep_level : bool
        Whether the level laid on already counts; if not, ``grid`` is the level itself.
    """
    moved = {factor: grid} | _in_bands(state, factor, rows, grid)
    keep = np.array([1.0 if keep_level or f not in moved else 0.0 for f in LEVELS])
    t = state.told
    answer: Floats = told_of_levels(
        rows, t.of_row, t.value, t.variance, t.shape, state.base, keep, tried_beside(moved), state.constants, t.middle
    )
    return answer


def _in_bands(state: State, factor: str, rows: Ints, grid: Floats) -> dict[str, Floats]:
    """What shifts or levels of a factor do in the bands in which it has levels of their own, (levels,) each."""
    if grid is SHIFTS[factor]:
        return {band: at for band, at in IN_BANDS.items() if band.startswith(factor)}
    if factor != "technician":
        return {}
    # A level over time: through the hole that the level laid on goes through.
    now = [float(state.levels[name][rows[-1]]) for name in ("technician", "technician_viscous", "technician_above")]
    return dict(zip(("technician_viscous", "technician_above"), through_hole(grid, hole_of(*now)), strict=True))


class Asker:
    """Asks assets of one state for a shift, under the priors of their kind.

    Parameters
    ----------
    state : State
        Whose levels may change between two questions.
    """

    def __init__(self, state: State) -> None:
        self.state = state
        _ = state.told  # before threads ask for it
        self._priors = {f: grid_prior(f) for f in FACTORS}
        self._zeros = {
            f: int(np.argmin(np.abs(SHIFTS[f]) + np.abs(IN_BANDS.get(f"{f}_viscous", SHIFTS[f])))) for f in FACTORS
        }

    def like(self, asset: Asset, rows: Ints | None = None, keep_level: bool = True) -> Floats:
        """Ln likelihood of its jobs, or of some of them, under every shift; (n, shifts)."""
        at = asset.rows if rows is None else rows
        return likelihood_on_grid(self.state, asset.factor, at, SHIFTS[asset.factor], keep_level)

    def told(self, asset: Asset, like: Floats) -> tuple[float, Floats]:
        """Ln evidence of a shift over none, and the ln weight of every (onset, shift)."""
        return evidence(like, self._priors[asset.factor], self._zeros[asset.factor], asset.factor != "gauge")

    def gain(self, asset: Asset) -> float:
        """Ln evidence of a shift over none, as things stand."""
        return self.told(asset, self.like(asset))[0]

    def answer(self, asset: Asset, like: Floats) -> Answer:
        """The same as a gain, and what the shift adds to every job in the middle."""
        gain, weight = self.told(asset, like)
        tried = {asset.factor: SHIFTS[asset.factor]}
        tried |= {band: at for band, at in IN_BANDS.items() if band.startswith(asset.factor)}
        weight = np.exp(weight)
        return gain, {name: mean_level(weight, at, asset.rows.size) for name, at in tried.items()}

    def ask(self, asset: Asset, keep_level: bool = True) -> Answer:
        """Ask an asset as things stand."""
        return self.answer(asset, self.like(asset, keep_level=keep_level))

    def steady(self, asset: Asset) -> tuple[float, float]:
        """Ln evidence of a level that was always the same, over none, and that level."""
        grid, zero = SHIFTS[asset.factor], self._zeros[asset.factor]
        like = self.like(asset).sum(axis=0)
        score = like - like[zero] + self._priors[asset.factor][0]
        total = float(logsumexp(score))
        return total, float(np.exp(score - total) @ grid)


def lay(state: State, asset: Asset, answer: Answer) -> float:
    """Lay an answer on an asset's jobs if it gains enough; return what it gains."""
    gain, levels = answer
    if gain < WANTED_GAIN:
        return 0.0
    for name, laid in levels.items():
        state.levels[name][asset.rows] += laid
    asset.shifts += 1
    return gain


def take_off(state: State, asset: Asset) -> dict[str, Floats]:
    """Take an asset's level off its jobs; return what was there."""
    kept = {}
    for name in LEVELS:
        if name.startswith(asset.factor):
            kept[name] = state.levels[name][asset.rows].copy()
            state.levels[name][asset.rows] = 0.0
    return kept


def put_back(state: State, asset: Asset, levels: dict[str, Floats]) -> None:
    """Put levels in the place of those an asset's jobs have."""
    for name, laid in levels.items():
        state.levels[name][asset.rows] = laid


def by_name(assets: Iterable[Asset]) -> list[Asset]:
    """Assets in an order that depends on no other."""
    return sorted(assets, key=lambda a: a.name)
