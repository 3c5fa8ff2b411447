"""What deep speeds say of a gauge: one that reads high meets a narrow line at a lower pressure, and shows it pass less.

A gauge's gain cancels in the rate at which pressure falls, but not in the pressure at which that is asked: what a line passes in
viscous flow goes with the true pressure in it.  A gauge that reads a third too high so loses some 15 % of its deep speed, on the
day on which it goes off, with whatever pump; hardly more than a line's own share of noise in one job, but plain in fifty.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from blankoff.fleet.gauge_witness import Witness
from blankoff.fleet.wear_noise import core_weight
from blankoff.fleet.wear_speeds import LEVELS
from blankoff.fleet.wear_state import State

__all__ = ["gauge_speeds"]

Floats = NDArray[np.float64]

STEP_LN = 0.05
"""Ln reading over truth by which the answer is asked."""
FEWEST_VALUES = 12
"""Values from which a gauge's are asked (judgement)."""
AROUND = 21
"""Values about whose median outliers are told."""
SMALL_STEP = {"hose": 0.45, "technician": 0.3}
"""Steps of a line's conductance and of rigging, ln, that a gauge's error might look like: these were laid on for want of the
gauge, and are taken off before it is asked; larger ones stay."""
OFFSET_SD = {"hose": 0.15, "technician": 0.05, "pump": 0.05}
"""How far a hose set's, a technician's and a pump's values lie from what is expected of them all along, ln."""
MODEL_SD = 0.06
"""How far what the speeds say may be off as a whole: lines of unknown law, levels of others (judgement; gauges of seven fleets
of two simulators that are sound are within 0.65 to 1.05 of the standard errors)."""


def gauge_speeds(state: State) -> Mapping[str, Witness]:
    """Gather every gauge's deep speeds against what their rigs should do.

    Parameters
    ----------
    state : State
        From `wear_causes.rough_shifts`.

    Returns
    -------
    mapping of gauge_id to Witness
    """
    table = state.table
    gauges: dict[str, list[int]] = {}
    for i in np.flatnonzero(np.isfinite(table.line)).tolist():
        gauge = table.ids["gauge"][i]
        if gauge is not None:
            gauges.setdefault(gauge, []).append(i)
    told = {g: np.array(rows, dtype=np.int64) for g, rows in sorted(gauges.items()) if len(rows) >= FEWEST_VALUES}
    if not told:
        return {}
    levels = _without_small_steps(state, told)
    expected = table.predict(state.constants, levels)[1]
    high, low = (
        replace(table, reading_ln=table.reading_ln + step).predict(state.constants, levels)[1]
        for step in (STEP_LN, -STEP_LN)
    )
    # A reading too high never makes a line look wider, and no line is narrower than one of viscous flow alone.
    answer = np.clip((high - low) / (2.0 * STEP_LN), -1.0, 0.0)
    residual = table.line - expected
    out = {}
    for gauge, rows in told.items():
        centre = median_filter(residual[rows], size=AROUND, mode="nearest")
        weight = core_weight(residual[rows] - centre, table.line_variance[rows], state.shapes[1][rows])
        at, weight = rows[weight > 0.0], weight[weight > 0.0]
        shared: list[tuple[float, tuple[Hashable, ...]]] = []
        for factor, sd in OFFSET_SD.items():
            # Where the deep speed stands alone its volume is no longer cancelled: an offset of its own.
            names = [(table.ids[factor][i], bool(table.alone[i])) for i in at]
            shared.append((sd, tuple(None if name is None else (name, alone) for name, alone in names)))
        out[gauge] = Witness(
            tuple(table.evacuation_id[i] for i in at),
            table.day[at],
            residual[at],
            1.0 / weight,
            answer[at],
            tuple(shared),
            MODEL_SD,
        )
    return out


def _without_small_steps(state: State, gauges: Mapping[str, NDArray[np.int64]]) -> dict[str, Floats]:
    """All jobs' levels, those of lines and rigging as they were on the gauge's first job with them where they changed by little."""
    levels = {name: state.levels[name].copy() for name in LEVELS}
    for rows in gauges.values():
        for factor, small in SMALL_STEP.items():
            met: dict[str | None, list[int]] = {}
            for i in rows.tolist():
                met.setdefault(state.table.ids[factor][i], []).append(i)
            for mine in met.values():
                at = np.array(mine, dtype=np.int64)
                little = at[np.abs(state.levels[factor][at] - state.levels[factor][at[0]]) < small]
                for name in LEVELS:
                    if name.startswith(factor):
                        levels[name][little] = state.levels[name][at[0]]
    return levels
