"""How fast a fall each gauge can show: its lag, found from its own logs of pulls that were over before it noticed.

A gauge that lags by tau seconds passes a pull that falls as exp(-k t) on as exp(-t / tau) where k tau is above one: what is
then read off the log is the gauge and not the pump.  A rate near 1 / tau is no slow pump, and says little of any.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from blankoff.fleet.wear_noise import USUAL, row_likelihood
from blankoff.fleet.wear_seen import lagging, late
from blankoff.fleet.wear_speeds import UNKNOWN_VOLUME_SD, SpeedTable, classed, predicted

__all__ = ["with_lags"]

Floats = NDArray[np.float64]

FASTEST_LN = np.arange(-9, 13) * 0.25
"""ln of the fastest rates tried, 1/s: lags of a twentieth of a second to ten (common practice: seconds at most)."""
EXPECTED_LN, EXPECTED_SD = np.log(0.6), 1.2
"""Where they are expected: lags of half a second to five (judgement)."""

OWN_SE = 0.1
"""Standard error of ln speed while lags are looked for (judgement)."""


def with_lags(table: SpeedTable, constants: Floats, levels: Mapping[str, Floats]) -> SpeedTable:
    """Find each gauge's fastest rate from its viscous values, under given constants and levels.

    Parameters
    ----------
    table : SpeedTable
    constants, levels
        As `wear_speeds.predicted` takes them, levels (n,).

    Returns
    -------
    SpeedTable
        With ``cap_ln`` and the classes of noise that follow from it.
    """
    n = table.day.size
    every = np.arange(n)
    free = replace(table, cap_ln=np.full(n, np.inf))
    one = {k: v[:, None] for k, v in levels.items()}
    rig, _, fall = (
        p[:, 0] for p in predicted(replace(free, above_alone=np.ones(n, dtype=bool)), constants, every, one)
    )
    rate = np.full(n, EXPECTED_LN)
    # Water that boils holds the pressure up: no gauge's doing.
    viscous = np.where(table.wet, np.nan, table.viscous)
    above = np.where(table.wet, np.nan, table.above + np.where(table.above_alone, 0.0, table.viscous))
    prior = -0.5 * ((FASTEST_LN - EXPECTED_LN) / EXPECTED_SD) ** 2
    gauges: dict[str | None, list[int]] = {}
    for i, gauge in enumerate(table.ids["gauge"]):
        gauges.setdefault(gauge, []).append(i)
    for mine in gauges.values():
        at = np.array(mine, dtype=np.int64)
        cap = FASTEST_LN[None, :] + table.ln_volume[at][:, None]
        shape = np.tile(USUAL.as_row(), (at.size, 1))
        spread = np.where(table.guessed[at], UNKNOWN_VOLUME_SD**2, 0.0) + OWN_SE**2
        like = row_likelihood(viscous[at], lagging(rig[at][:, None], cap), spread, shape)
        like = like + row_likelihood(above[at], late(fall[at][:, None], cap), spread, shape)
        weight = like.sum(axis=0) + prior
        rate[at] = float(np.exp(weight - logsumexp(weight)) @ FASTEST_LN)
    return classed(replace(table, cap_ln=rate + table.ln_volume), rig)
