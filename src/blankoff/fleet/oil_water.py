"""How much water a pump swallowed on a job, from the time its pull spent at each pressure.

What a rig of known speed removes between two levels is speed times pressure times time; what was in the circuit as gas
is volume times the fall of pressure.  The rest boiled off or desorbed, and is counted as water: in a pull that takes
hours, it is.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.constants import GAS_CONSTANT_J_MOL_K, MICRON_PA, WATER_MOLAR_MASS_KG_MOL
from blankoff.fleet.pump_side import column_of, rig_speed_l_s, usual_volumes

__all__ = ["swallowed_water_g"]

Floats = NDArray[np.float64]

LEVELS_MICRON = (10_000.0, 5_000.0, 2_000.0, 1_000.0, 500.0)
ROOM_K = 293.15
GRAMS_PER_MICRON_L = MICRON_PA * 1e-3 / (GAS_CONSTANT_J_MOL_K * ROOM_K) * WATER_MOLAR_MASS_KG_MOL * 1e3
"""Grams of water vapour in a litre at a pressure of one micron and room temperature (ideal gas)."""


def swallowed_water_g(work: pl.DataFrame) -> Floats:
    """Water that each evacuation's pump swallowed, grams, (n,), in the order of the frame.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame: ``minutes_to_*``, ``pumped_minutes``, ``floor_micron``, ``volume_l`` and the rig's
        register columns.  Where a circuit's volume is unknown, the middle of its kind stands for it.

    Returns
    -------
    float64 (n,)
        Never below the estimate ``water_g`` that the log's own plateau gave; 0 where nothing is known.
    """
    n = work.height
    if n == 0:
        return np.empty(0)
    pumped = np.nan_to_num(column_of(work, "pumped_minutes"))
    floor = column_of(work, "floor_micron")
    lowest = column_of(work, "lowest_pumped_micron")
    floor = np.where(np.isfinite(floor), floor, np.where(np.isfinite(lowest), lowest, 200.0))
    volume = usual_volumes(work)
    total = np.zeros(n)
    above_p, above_t = np.full(n, np.nan), np.full(n, np.nan)
    for level in LEVELS_MICRON:
        reached = column_of(work, f"minutes_to_{level:.0f}")
        spent = reached - above_t
        middle = np.sqrt(np.where(np.isfinite(above_p), above_p, level) * level)
        taken = rig_speed_l_s(work, middle) * np.maximum(middle - floor, 0.0) * spent * 60.0
        gas = volume * (above_p - level)
        extra = np.where(np.isfinite(taken) & np.isfinite(gas), taken - gas, 0.0)
        total += np.maximum(extra, 0.0)
        hit = np.isfinite(reached)
        above_p, above_t = np.where(hit, level, above_p), np.where(hit, reached, above_t)
    # From the last level reached to the end of pumping.
    below = np.maximum(np.where(np.isfinite(above_p), above_p, np.nan), floor)
    middle = np.sqrt(below * np.maximum(floor, 1.0))
    spent = np.maximum(pumped - above_t, 0.0)
    taken = rig_speed_l_s(work, np.nan_to_num(middle, nan=500.0)) * np.maximum(middle - floor, 0.0) * spent * 60.0
    gas = volume * np.maximum(below - floor, 0.0)
    total += np.maximum(np.nan_to_num(taken - gas), 0.0)
    grams = total * GRAMS_PER_MICRON_L
    return np.asarray(np.maximum(grams, np.nan_to_num(column_of(work, "water_g"))))
