"""What tight, dry circuits' rises say of a gauge: it multiplies them as it multiplies every pressure.

A gauge's gain cancels in speeds, and in floors it is entangled with the pump's oil.  But how far a tight, dry circuit rises in
its hold has nothing to do with pump or hose: on like work rises differ by a factor of two or so, and a gauge that reads a
third too high makes all of its own a third too high.  One rise says next to nothing; fifty are a witness of their own.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.gauge_witness import Witness
from blankoff.fleet.pump_side import column_of, usual_volumes

__all__ = ["gauge_rises"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_RISE_MICRON, LEAST_HOLD_MINUTES = 3.0, 3.0
"""Smaller rises are steps of the display, and in shorter holds the settling is most of it (judgement)."""
MOST_LEAK_MICRON_PER_MIN = 5.0
"""From here on the rise is the leak's (judgement)."""
FEWEST_RISES = 60
"""Rises in the fleet from which like work is known at all."""
UNIT_SD, TECHNICIAN_SD = 0.04, 0.15
"""How gauges differ from each other when sound, and how technicians' circuits rise after their way of pumping, ln."""
FREEDOM = 4.0
"""Degrees of freedom of the noise of a ln rise."""
ROUNDS = 15


def gauge_rises(work: pl.DataFrame) -> Mapping[str, Witness]:
    """Gather every gauge's rises of tight, dry circuits, against what like work predicts.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame.

    Returns
    -------
    mapping of gauge_id to Witness
        Empty where a fleet has too few.
    """
    if work.is_empty() or "gauge_id" not in work.columns:
        return {}
    rows = work.sort("started_at", "evacuation_id")
    rise = column_of(rows, "hold_end_micron") - column_of(rows, "hold_start_micron")
    used = _telling(rows, rise)
    if used.sum() < FEWEST_RISES:
        return {}
    minutes, pumped = column_of(rows, "hold_minutes"), column_of(rows, "pumped_minutes")
    ambient = column_of(rows, "ambient_c")
    x = np.column_stack(
        [
            np.ones(rows.height),
            np.log(usual_volumes(rows)),
            np.log(np.where(minutes > 0, minutes, 10.0)),
            np.log(np.where(pumped > 0, np.maximum(pumped, 0.3), 10.0)),
            np.where(np.isfinite(ambient), ambient, 15.0) / 10.0,
        ]
    )
    y = np.log(np.where(used, rise, 1.0))
    weight, residual, scale = used.astype(np.float64), y, 1.0
    for _ in range(ROUNDS):
        line = np.linalg.solve(x.T @ (weight[:, None] * x) + 1e-6 * np.eye(x.shape[1]), x.T @ (weight * y))
        residual = y - x @ line
        scale = max(1.4826 * float(np.median(np.abs(residual[used]))), 0.1)
        weight = used * (FREEDOM + 1.0) / (FREEDOM + (residual / scale) ** 2)
    variance = scale**2 * (FREEDOM + (residual / scale) ** 2) / (FREEDOM + 1.0)
    day = rows["started_at"].dt.epoch("us").cast(pl.Float64).to_numpy() / 86_400e6
    who = rows["technician_id"].to_list() if "technician_id" in rows.columns else [None] * rows.height
    found: dict[str, list[int]] = {}
    for i, gauge in enumerate(rows["gauge_id"]):
        if gauge is not None and used[i]:
            found.setdefault(gauge, []).append(i)
    return {
        gauge: Witness(
            tuple(rows["evacuation_id"][i] for i in at),
            day[at],
            residual[at],
            variance[at],
            np.ones(len(at)),
            ((UNIT_SD, (gauge,) * len(at)), (TECHNICIAN_SD, tuple(who[i] for i in at))),
        )
        for gauge, at in sorted(found.items())
    }


def _telling(rows: pl.DataFrame, rise: Floats) -> Bools:
    """Which rises are a tight, dry circuit's own."""
    leak, p_leak = column_of(rows, "leak_micron_per_min"), column_of(rows, "p_leak")
    plateau = column_of(rows, "plateau_micron")
    copied = (
        rows["reason"].eq_missing("recycled_log").to_numpy()
        if "reason" in rows.columns
        else np.zeros(rows.height, dtype=bool)
    )
    with np.errstate(invalid="ignore"):
        tight = ~(leak >= MOST_LEAK_MICRON_PER_MIN) & (p_leak < 0.5)
        return np.asarray(
            (rise > LEAST_RISE_MICRON)
            & (column_of(rows, "hold_minutes") > LEAST_HOLD_MINUTES)
            & tight
            & np.isnan(plateau)
            & ~copied
        )
