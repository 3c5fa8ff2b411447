"""Many logs, judged at once: phases, pump-down, hold and verdict joined into the tables `measure` and `log_phase`."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff import schemas
from blankoff.evacuation.calibration import WATER_FROM_MICRON, calibrated
from blankoff.evacuation.hold import HoldFits, fit_holds, rise_prior
from blankoff.evacuation.middles import median_ambients, median_spacings
from blankoff.evacuation.phases import START_WHY_WORDS, PhaseTable, find_phases_batch
from blankoff.evacuation.power import more_hold_minutes
from blankoff.evacuation.pump_down import pump_down_features_batch
from blankoff.evacuation.rise_evidence import rise_evidence
from blankoff.evacuation.verdict import (
    ASSUMED_ACCURACY_PERCENT,
    RISE_WORDS,
    RiseKind,
    borderline_verdicts,
    hold_pressures,
    hold_tolerance_s,
    pressure_when_isolated,
    rise_kinds,
    verdict_words,
    verdicts,
)
from blankoff.physics.atmosphere import standard_pressure_micron
from blankoff.physics.leak import leak_at_temperature_pa_m3_s, leak_from_rise_pa_m3_s, refrigerant_loss
from blankoff.physics.saturation import saturation_temperature_c
from blankoff.samples import JobContext, SampleBatch
from blankoff.settings import Judging, Settings

__all__ = ["LEAK_REFERENCE_C", "Judged", "judge_batch"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_T = TypeVar("_T")

LEAK_REFERENCE_C = 20.0
"""Declared reference temperature of `leak_pa_m3_s`; 0 degC would give a number 7 % smaller."""

LOSS_REFRIGERANT = "R410A"
"""Refrigerant of the modelled yearly loss: a log does not say which one the circuit takes, so one is declared."""

SLOPE_ERROR = 0.015
"""Relative standard error of any slope beside what the readings' scatter and the gauge's accuracy give: gas temperature, the
gauge's linearity (this project's judgement, no source)."""

RICHER = 1.15
"""Real rises are richer than the shapes the fit knows: its own standard error of a leak is made so much larger (simulations of four
kinds, by how many leaks lie within their bounds)."""

ACCURACY_SIGMAS = 2.0
"""Standard deviations in a gauge's stated accuracy: it scales every reading, and so the leak (common practice, no source)."""

WATER_MISFIT = 0.15
"""Share of a wet circuit's saturating rise that may pass for steady, or the other way, beside what the fit allows for: water
warms, freezes and dries up as it evaporates; own simulations."""

LEAK_SIZED_FROM = 0.3
"""From this probability of a leak on, the leak told is the size of one if there is one; below, the mean over leak and none."""

MAY_BE_OPEN = (0.25, 0.80)
"""Chances of a leak between which a fleet's own shares may yet leave the rise open (the widest of simulated fleets move the
log-odds by so much)."""

_CHUNK = 256


@dataclass(frozen=True)
class Judged:
    """Tables of a judged batch.

    Attributes
    ----------
    measure
        `schemas.MEASURE`: one row per log, in the batch's order.
    phase
        `schemas.LOG_PHASE`: one row per phase.
    """

    measure: pl.DataFrame
    phase: pl.DataFrame


def _sub_batch(batch: SampleBatch, first: int, last: int) -> SampleBatch:
    """Logs ``first`` to ``last - 1``; arrays are views."""
    a, b = int(batch.offsets[first]), int(batch.offsets[last])
    marks = tuple(type(m)(m.log - first, m.elapsed_s, m.text) for m in batch.marks if first <= m.log < last)
    return SampleBatch(
        batch.keys[first:last], batch.offsets[first : last + 1] - a, batch.elapsed_s[a:b], batch.pressure_micron[a:b],
        batch.ambient_c[a:b], marks,
    )  # fmt: skip


def _sub_context(context: JobContext, first: int, last: int) -> JobContext:
    """Jobs ``first`` to ``last - 1``."""
    names = JobContext.__dataclass_fields__
    return JobContext(**{name: getattr(context, name)[first:last] for name in names})


def _spacing_s(batch: SampleBatch) -> FloatArray:
    """Median spacing of each log's readings, s."""
    out = np.full(len(batch), np.nan)
    median_spacings(batch.offsets, batch.elapsed_s, out)
    return out


def _ambient_of(batch: SampleBatch, context: JobContext, start_s: FloatArray) -> FloatArray:
    """Ambient of each job: the log's own readings from the isolation on, else the register's."""
    out = context.ambient_c.copy()
    median_ambients(batch.offsets, batch.elapsed_s, batch.ambient_c, start_s, out)
    return out


def _judged_holds(phases: PhaseTable, n: int) -> tuple[FloatArray, FloatArray]:
    """Start and end of each log's judged hold, s; NaN where there is none."""
    start, end = np.full(n, np.nan), np.full(n, np.nan)
    has = phases.judged_hold >= 0
    start[has] = phases.start_s[phases.judged_hold[has]]
    end[has] = phases.end_s[phases.judged_hold[has]]
    return start, end


def _judge_chunk(
    batch: SampleBatch, context: JobContext, settings: Settings, gauge_ratio: FloatArray | None
) -> tuple[dict[str, Any], PhaseTable]:
    phases = find_phases_batch(batch, settings.judging)
    return judge_phases(batch, phases, context, settings, gauge_ratio), phases


def judge_phases(
    batch: SampleBatch,
    phases: PhaseTable,
    context: JobContext,
    settings: Settings,
    gauge_ratio: FloatArray | None = None,
) -> dict[str, Any]:
    """Judge logs whose phases are known: columns of `measure` as arrays, ``_reason`` and ``_kind`` as codes."""
    judging = settings.judging
    n = len(batch)
    features: dict[str, Any] = dict(pump_down_features_batch(batch, phases, context, judging))
    start_s, end_s = _judged_holds(phases, n)
    interval_s = _spacing_s(batch)
    required_s = context.hold_minutes * 60.0
    tolerance_s = hold_tolerance_s(context.hold_minutes, interval_s)
    pressures = np.full((n, 6), np.nan)
    hold_pressures(
        batch.offsets, batch.elapsed_s, batch.pressure_micron, start_s, end_s, required_s, tolerance_s, pressures
    )
    ambient = _ambient_of(batch, context, start_s)
    atmosphere = standard_pressure_micron(np.nan_to_num(context.altitude_m, nan=0.0))
    atmosphere = np.where(np.isfinite(atmosphere), atmosphere, float(standard_pressure_micron(0.0)))
    fits = fit_holds(
        batch.offsets, batch.elapsed_s, batch.pressure_micron, batch.ambient_c, start_s, end_s, context.hold_minutes,
        ambient, atmosphere, judging, context.top_of_range_micron,
    )  # fmt: skip
    measure = {**features, **_hold_columns(fits, context, judging, start_s, end_s, ambient, pressures, interval_s)}
    rise = measure["_kind"]
    final_micron = _floats(features.get("final_vacuum_micron"), n)
    isolated = pressure_when_isolated(final_micron, fits["p0_micron"], pressures[:, 3], pressures[:, 4])
    isolated = np.where(np.isfinite(start_s), isolated, np.nan)
    lowest = np.fmax(_floats(features.get("lowest_pumped_micron"), n), pressures[:, 5])
    criterion = (
        isolated, pressures[:, 2], lowest, end_s - start_s, rise,
        context.target_micron, context.hold_limit_micron, required_s, tolerance_s, judging.shortest_hold_min * 60.0,
    )  # fmt: skip
    still_s = 60.0 * _floats(features.get("still_minutes"), n)
    reasons = verdicts(*criterion, still_s=still_s)
    measure["_reason"] = reasons
    measure["borderline"] = borderline_verdicts(*criterion, context.accuracy_percent, gauge_ratio, still_s)
    measure.setdefault("sample_interval_s", interval_s)
    measure.setdefault("readings", np.diff(batch.offsets))
    over = np.isnan(batch.pressure_micron)
    measure.setdefault(
        "over_range_readings",
        np.add.reduceat(np.append(over, False).astype(np.int64), batch.offsets[:-1]) * (np.diff(batch.offsets) > 0),
    )
    return measure


def _floats(values: Any, n: int) -> FloatArray:
    return np.full(n, np.nan) if values is None else np.asarray(values, dtype=np.float64)


def leak_in_hold(fits: HoldFits, p_leak: FloatArray, accuracy_percent: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Leak within the required hold and its standard error, microns.

    A leak that is not ruled out is told by its size if there is one: the mean over leak and no leak would be the size of
    neither. The error is the fit's, the gauge's stated accuracy, and what the model leaves out.

    Parameters
    ----------
    fits
        Of ``n`` holds.
    p_leak : (n,) float64
        Calibrated.
    accuracy_percent : (n,) float64
        Of the gauge; NaN = not stated.
    """
    sized = (p_leak >= LEAK_SIZED_FROM) & np.isfinite(fits["material_leak_micron"])
    leak = np.where(sized, fits["material_leak_micron"], fits["leak_micron"])
    fitted = np.where(sized, fits["material_leak_se"], fits["leak_se"])
    accuracy = np.where(np.isfinite(accuracy_percent), accuracy_percent, ASSUMED_ACCURACY_PERCENT) / 100.0
    water = np.where(fits["saturating_micron"] > WATER_FROM_MICRON, WATER_MISFIT * fits["saturating_micron"], 0.0)
    gauge = np.hypot(SLOPE_ERROR, np.clip(accuracy, 0.0, 0.9) / ACCURACY_SIGMAS)
    return leak, np.sqrt((RICHER * fitted) ** 2 + (gauge * leak) ** 2 + water**2)


def _hold_columns(
    fits: HoldFits, context: JobContext, judging: Judging, start_s: FloatArray, end_s: FloatArray, ambient_c: FloatArray,
    pressures: FloatArray, interval_s: FloatArray,
) -> dict[str, Any]:  # fmt: skip
    """Columns of `measure` that the hold gives, plus ``_kind`` codes of the rise."""
    p_leak, p_moisture = calibrated(
        fits["p_leak_raw"], fits["p_moisture_raw"], fits["saturating_micron"], fits["best_straight_micron"],
        fits["best_bend_micron"],
    )  # fmt: skip
    rise = rise_kinds(p_leak, p_moisture, judging.proof_probability)
    leak, leak_se = leak_in_hold(fits, p_leak, context.accuracy_percent)
    leak = leak / context.hold_minutes
    stood_s = end_s - start_s
    throughput = leak_at_temperature_pa_m3_s(
        leak_from_rise_pa_m3_s(context.volume_l, leak), np.where(np.isfinite(ambient_c), ambient_c, LEAK_REFERENCE_C),
        LEAK_REFERENCE_C,
    )  # fmt: skip
    end_micron = pressures[:, 0]
    boiling_c = saturation_temperature_c(np.where(end_micron > 0.0, end_micron, np.nan))
    # the fleet may yet leave open what this log alone tells, unless it is as good as sure
    more = more_hold_minutes(
        stood_s, context.hold_minutes * 60.0, fits["straight_micron"], end_micron, fits["noise"], interval_s,
        fits["wander"], fits["wander_memory_s"], (p_leak > MAY_BE_OPEN[0]) & (p_leak < MAY_BE_OPEN[1]),
        judging.proof_probability, judging.evidence_power,
    )  # fmt: skip
    bends = fits["saturating_micron"] > 2.0 * fits["saturating_se"]
    return {
        "_kind": rise,
        "rise_evidence": rise_evidence(fits, rise_prior(judging).shares()),
        "p_leak": p_leak,
        "p_moisture": p_moisture,
        "isolated_at_s": start_s,
        "hold_minutes": stood_s / 60.0,
        "hold_start_micron": np.where(
            np.isfinite(fits["p0_micron"]), np.maximum(fits["p0_micron"], 0.0), pressures[:, 3]
        ),
        "hold_end_micron": end_micron,
        "hold_at_limit_micron": pressures[:, 1],
        "leak_micron_per_min": leak,
        "leak_micron_per_min_se": leak_se / context.hold_minutes,
        "leak_pa_m3_s": throughput,
        "leak_mass_g_per_year": np.where(
            np.isfinite(throughput), refrigerant_loss(np.nan_to_num(throughput), LOSS_REFRIGERANT).g_per_year, np.nan
        ),
        "moisture_rise_micron": fits["saturating_micron"],
        "moisture_rise_micron_se": fits["saturating_se"],
        "rise_time_constant_min": np.where(bends, fits["tau_s"] / 60.0, np.nan),
        "more_hold_minutes": np.where(rise == RiseKind.UNDETERMINED, more, 0.0 * more),
        "more_hold_if_open_minutes": more,
        "saturation_c": boiling_c,
        "dryness_margin_k": ambient_c - boiling_c,
        "settling_step_micron": -fits["step_micron"],
        "noise_percent": fits["noise"] * 100.0,
    }


def _in_threads(work: Callable[[int], _T], count: int, threads: int) -> list[_T]:
    """Results of ``work(0)`` to ``work(count - 1)`` in order; the split never depends on the number of threads."""
    if threads <= 1 or count <= 1:
        return [work(k) for k in range(count)]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, range(count)))


def judge_batch(
    batch: SampleBatch,
    context: JobContext,
    settings: Settings | None = None,
    *,
    threads: int | None = None,
    gauge_ratio: FloatArray | None = None,
) -> Judged:
    """Judge many logs.

    Parameters
    ----------
    batch
        Readings of ``n`` logs.
    context
        What is known of the ``n`` jobs.
    settings
        Thresholds; the defaults if not given.
    threads
        Worker threads; by default one per processor. Results are the same for any number.
    gauge_ratio : (n,) float64, optional
        The fleet's estimate of how each gauge reads against the others; widens `borderline` only.

    Returns
    -------
    Judged

    Raises
    ------
    ValueError
        If `batch` and `context` differ in length.
    """
    if len(batch) != len(context):
        raise ValueError(f"{len(batch)} logs but {len(context)} jobs: pass one job per log")
    settings = settings or Settings()
    n = len(batch)
    if n == 0:
        return Judged(schemas.MEASURE.empty(), schemas.LOG_PHASE.empty())
    edges = [*range(0, n, _CHUNK), n]

    def work(k: int) -> tuple[dict[str, Any], PhaseTable]:
        a, b = edges[k], edges[k + 1]
        ratio = None if gauge_ratio is None else gauge_ratio[a:b]
        return _judge_chunk(_sub_batch(batch, a, b), _sub_context(context, a, b), settings, ratio)

    parts = _in_threads(work, len(edges) - 1, threads or os.cpu_count() or 1)
    columns = {name: np.concatenate([np.asarray(m[name]) for m, _ in parts]) for name in parts[0][0]}
    return Judged(
        _measure_frame(batch.keys, columns), _phase_frame(batch.keys, PhaseTable.concat([p for _, p in parts]))
    )


def _measure_frame(keys: tuple[str, ...], columns: dict[str, NDArray[Any]]) -> pl.DataFrame:
    """Columns as a frame of `schemas.MEASURE`; NaN becomes null."""
    verdict, reason = verdict_words(columns.pop("_reason"))
    words = {
        "log_key": pl.Series("log_key", list(keys), dtype=pl.String),
        "verdict": pl.Series("verdict", verdict, dtype=pl.String),
        "reason": pl.Series("reason", reason, dtype=pl.String),
        "rise_kind": _rise_words(columns),
    }
    # column by column: a query that casts sixty of them costs four times as much for a batch
    series = []
    for column in schemas.MEASURE.columns:
        if column.name in words:
            found = words[column.name]
        elif column.name in columns:
            found = _series(column.name, columns[column.name])
        else:
            found = pl.repeat(None, len(keys), dtype=column.dtype, eager=True).alias(column.name)
        series.append(found if found.dtype == column.dtype else found.cast(column.dtype))
    return pl.DataFrame(series)


def _series(name: str, values: NDArray[Any]) -> pl.Series:
    """A column; NaN becomes null, and so does a row of several numbers with a NaN among them."""
    if values.ndim == 1:
        return pl.Series(name, values, nan_to_null=values.dtype.kind == "f")
    known = pl.Series(np.isfinite(values).all(axis=1))
    rows = pl.Series(name, values).cast(pl.List(pl.Float64))
    return pl.select(pl.when(known).then(rows).alias(name)).to_series()


def _rise_words(columns: dict[str, NDArray[Any]]) -> pl.Series:
    """Take ``_kind`` codes out of the columns and give their words, null for none."""
    words = [RISE_WORDS[RiseKind(k)] for k in columns.pop("_kind").tolist()]
    return pl.Series("rise_kind", words, dtype=pl.String)


def _phase_frame(keys: tuple[str, ...], phases: PhaseTable) -> pl.DataFrame:
    """Phases as a frame of `schemas.LOG_PHASE`."""
    number = np.arange(len(phases)) - phases.offsets[phases.log] + 1
    frame = pl.DataFrame(
        {
            "log_key": [keys[k] for k in phases.log.tolist()],
            "phase_no": number,
            "kind": [schemas.PHASE_KINDS[k] for k in phases.kind.tolist()],
            "start_s": phases.start_s,
            "end_s": phases.end_s,
            "start_micron": pl.Series(phases.start_micron, nan_to_null=True),
            "end_micron": pl.Series(phases.end_micron, nan_to_null=True),
            "start_why": [START_WHY_WORDS[k] for k in phases.start_why.tolist()],
            "start_uncertainty_s": pl.Series(phases.start_uncertainty_s, nan_to_null=True),
        },
    )
    return schemas.LOG_PHASE.conform(frame)
