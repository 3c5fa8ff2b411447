"""Hold fits of many logs at once: readings and the judged holds in, what their rise is made of out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blankoff.constants import ZERO_CELSIUS_K
from blankoff.evacuation.hold_fit import OUT, fit_blocks
from blankoff.evacuation.hold_posterior import STATE_PARTS, STATES
from blankoff.evacuation.hold_prior import RisePrior, SplitTable, split_table
from blankoff.evacuation.hold_wet import wet_shapes
from blankoff.evacuation.noise import BLOCKS, block_means
from blankoff.physics.compiled import kernel
from blankoff.physics.saturation import saturation_pressure_micron
from blankoff.samples import some_pressure
from blankoff.settings import Judging

__all__ = ["HoldFits", "fit_holds"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

CHOKED_SHARE = 0.45
"""A leak from the atmosphere is choked, hence straight, while the circuit is below about half the ambient pressure:
critical ratio of air 0.528 (ideal diatomic gas, calculated), with some room."""

_UNKNOWN_AMBIENT_C = 30.0
"""Where nobody noted the ambient, saturation is bounded as on a warm day: a bound too high is the safe side."""

_DRIFT_K_PER_S = 0.3 / 600.0
"""Ambient drift to allow for where it was not logged: 0.3 K in ten minutes (this project's judgement)."""

_ANCHOR_S = 20.0
_LAST_PUMPED = 5
_LONGEST_TIMES = 8.0
_LEAST_BLOCKS = 5
_LEAST_SPAN_S = 20.0

COLUMNS = (
    "leak_micron", "leak_se", "saturating_micron", "saturating_se", "p_leak_raw", "p_moisture_raw", "tau_s", "p0_micron",
    "step_micron", "wander", "wander_memory_s", "straight_micron", "straight_se", "tau_1_s", "tau_2_s", "share_1",
    "best_bend_micron", "best_straight_micron", "misfit", "p_wet", "material_leak_micron", "material_leak_se",
    *(f"{state}_{part}" for state in STATES for part in STATE_PARTS), "noise", "used", "last_s", "blocks",
)  # fmt: skip


@dataclass(frozen=True)
class HoldFits:
    """Raw fits of ``n`` holds; NaN where there is no hold or too little of one.

    ``values`` is ``(n, len(COLUMNS))`` float64; every column is reached by its name: ``fits["leak_micron"]``.
    Rises are microns within the required hold; probabilities are not yet calibrated (`calibration`).
    """

    values: FloatArray

    def __getitem__(self, name: str) -> FloatArray:
        return self.values[:, COLUMNS.index(name)]


@kernel
def _anchor(
    t: FloatArray, p: FloatArray, start_s: float, n: int, bt: FloatArray, bp: FloatArray, bv: FloatArray
) -> int:
    """Put the last pumped pressure before the blocks, as the pressure at the moment of isolation.

    Its variance allows for an isolation found a little early or late. Nothing is put where the last reading before the
    isolation is too old to speak for it.
    """
    k = np.searchsorted(t, start_s, side="right") - 1
    last, before = -1.0, -1.0
    while k >= 0 and before < 0.0 and t[k] > start_s - _ANCHOR_S:
        if p[k] > 0.0:
            if last < 0.0:
                last = p[k]
            else:
                before = p[k]
        k -= 1
    if last < 0.0 or n == 0:
        return n
    # pumping may still have been pulling it down: then the pressure at the moment itself is that much less sure
    fall = abs(last - before) if before > 0.0 else 0.1 * last
    level = last
    for j in range(n, 0, -1):
        bt[j], bp[j], bv[j] = bt[j - 1], bp[j - 1], bv[j - 1]
    bt[0], bp[0] = 0.0, level
    bv[0] = (10.0 + 0.03 * level + 2.0 * fall) ** 2
    return n + 1


@kernel
def _last_pumped(t: FloatArray, p: FloatArray, start_s: float, first_s: float) -> float:
    """Lowest of the last few readings before the isolation, however long before; NaN where there is none.

    Asked for only where the hold's own readings begin late: where they do not, they say best where it began.
    """
    if first_s < _ANCHOR_S:
        return np.nan
    k = np.searchsorted(t, start_s, side="right") - 1
    lowest = np.nan
    seen = 0
    while k >= 0 and seen < _LAST_PUMPED:
        if p[k] > 0.0:
            lowest = p[k] if not lowest <= p[k] else lowest
            seen += 1
        k -= 1
    return lowest


@kernel
def _fit_all(
    offsets: IntArray, elapsed: FloatArray, pressure: FloatArray, ambient: FloatArray, starts: FloatArray, ends: FloatArray,
    required_s: FloatArray, saturation: FloatArray, ceiling: FloatArray, which: IntArray, tables: FloatArray,
    table_scale: float, table_step: float, wet_table: FloatArray, belief: FloatArray, drift_per_s: float, zero_k: float, first: int, last: int, out: FloatArray,
) -> None:  # fmt: skip
    """Fit logs ``first`` to ``last - 1``; each writes its own row only, so any split over threads gives the same."""
    bt, bp, bv, bw = np.empty(BLOCKS + 1), np.empty(BLOCKS + 1), np.empty(BLOCKS + 1), np.empty(BLOCKS + 1)
    row = np.empty(OUT)
    for i in range(first, last):
        if not ends[i] > starts[i]:
            continue
        a, b = offsets[i], offsets[i + 1]
        n, noise, used, last_s = block_means(elapsed[a:b], pressure[a:b], starts[i], ends[i], ceiling[i], bt, bp, bv)
        n = _anchor(elapsed[a:b], pressure[a:b], starts[i], n, bt, bp, bv)
        out[i, OUT], out[i, OUT + 1], out[i, OUT + 2], out[i, OUT + 3] = noise, used, last_s, n
        if n < _LEAST_BLOCKS or last_s < _LEAST_SPAN_S:
            continue
        # ambient drift, as a fraction of absolute temperature; a stated allowance where it was not logged
        known = False
        k = a
        t0 = np.nan
        for j in range(n):
            while k < b - 1 and elapsed[k] - starts[i] < bt[j]:
                k += 1
            x = ambient[k]
            if np.isfinite(x):
                if not np.isfinite(t0):
                    t0 = x
                bw[j] = (x - t0) / (x + zero_k)
                if x != t0:
                    known = True
            else:
                bw[j] = bw[j - 1] if j > 0 else 0.0
        if not known:
            for j in range(n):
                bw[j] = drift_per_s * bt[j] / 293.15
        wet = min(1.0, bp[n - 1] / saturation[i])
        drift_sd = 1.0 + 17.0 * wet
        fit_blocks(
            bt, bp, bv, bw, n, required_s[i], max(saturation[i] - bp[0], 1.0), drift_sd,
            _last_pumped(elapsed[a:b], pressure[a:b], starts[i], bt[0]), tables[which[i]], table_scale, table_step, wet_table,
            belief, row,
        )  # fmt: skip
        for j in range(OUT):
            out[i, j] = row[j]


@lru_cache(maxsize=4096)
def _table(prior: RisePrior, minutes: float, times: float, material: float) -> tuple[FloatArray, SplitTable]:
    """Tables of one kind of hold: required minutes, and how many times as long it stood."""
    scales = (prior.slow_of_ordinary(), prior.slow_of_quick(), prior.slow_scale_micron)
    ordinary, quick, wet = (split_table(prior, minutes, material, scale / times) for scale in scales)
    return np.stack([ordinary.values, quick.values, wet.values]), ordinary


def rise_prior(judging: Judging) -> RisePrior:
    """The prior with the fleet's own setting of slow outgassing."""
    return RisePrior(slow_scale_micron=max(judging.slow_outgassing_micron, 0.5))


def fit_holds(
    offsets: IntArray,
    elapsed_s: FloatArray,
    pressure_micron: FloatArray,
    ambient_c: FloatArray,
    start_s: FloatArray,
    end_s: FloatArray,
    required_min: FloatArray,
    job_ambient_c: FloatArray,
    atmosphere_micron: FloatArray,
    judging: Judging,
    top_micron: FloatArray | None = None,
    prior: RisePrior | None = None,
) -> HoldFits:
    """Fit the judged hold of every log.

    Parameters
    ----------
    offsets, elapsed_s, pressure_micron, ambient_c
        As in `samples.SampleBatch`.
    start_s, end_s : (n,)
        The judged hold, seconds from the log's first reading; NaN = none.
    required_min, job_ambient_c, atmosphere_micron : (n,)
        Required hold, ambient where known, atmospheric pressure.
    judging
        Thresholds.
    top_micron
        Top of the gauge's range where known.
    prior
        Belief about the rise; by default the standing one with the settings' slow outgassing.

    Returns
    -------
    HoldFits
    """
    n = start_s.size
    belief = prior or rise_prior(judging)
    # what stood longer than required and still did not bend is slower still, so less of it: by half octaves
    longer = np.nan_to_num((end_s - start_s) / (60.0 * required_min), nan=1.0)
    octaves = np.floor(2.0 * np.log2(np.clip(longer, 1.0, _LONGEST_TIMES))) / 2.0
    kinds, which = np.unique(
        np.column_stack([np.clip(required_min, 0.1, 10_000.0), octaves]), axis=0, return_inverse=True
    )
    by_kind = [_table(belief, float(m), float(2.0**k), judging.material_rise_micron) for m, k in kinds]
    tables, first = np.stack([values for values, _ in by_kind]), by_kind[0][1]
    warm = np.where(np.isfinite(job_ambient_c), job_ambient_c, _UNKNOWN_AMBIENT_C)
    saturation = np.asarray(saturation_pressure_micron(np.clip(warm, -60.0, 80.0)))
    ceiling = CHOKED_SHARE * atmosphere_micron
    if top_micron is not None:
        ceiling = np.where(np.isfinite(top_micron), np.minimum(ceiling, top_micron), ceiling)
    out = np.full((n, len(COLUMNS)), np.nan)
    _fit_all(
        offsets, elapsed_s, some_pressure(pressure_micron), ambient_c, np.nan_to_num(start_s, nan=0.0), np.nan_to_num(end_s, nan=-1.0),
        required_min * 60.0, saturation, ceiling, which.reshape(-1).astype(np.int64), tables, first.scale, first.step,
        wet_shapes(), belief.vector(judging.material_rise_micron), _DRIFT_K_PER_S, ZERO_CELSIUS_K, 0, n, out,
    )  # fmt: skip
    return HoldFits(out)
