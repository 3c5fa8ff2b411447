"""What a pump-down says: times, speeds by pressure band, plateau and water, floor; one row per log.

Speeds are *net effective speeds for air at the circuit's service port*: the throughput of air drawn from the circuit,
divided by the pressure there. Blank-off and hose are included; the circuit's own gas load is taken out. Without a
volume the same is given over the volume, as a rate per second.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from blankoff.constants import (
    ATMOSPHERE_EXPONENT,
    ATMOSPHERE_LAPSE_PER_M,
    MICRON_PA,
    STANDARD_ATMOSPHERE_PA,
    ZERO_CELSIUS_K,
)
from blankoff.evacuation.middles import mean_ambients
from blankoff.evacuation.phases import PhaseTable
from blankoff.evacuation.phases_clean import MEDIAN_DT, N_SCALES, SIGMA, measure_scales
from blankoff.evacuation.plateau import (
    GRAM_PER_MICRON_L_K,
    VAPOUR_POWER,
    VAPOUR_SPEED,
    WATER_SE_LN,
    find_plateau,
    speed_for_water,
    vapour_ceiling,
    water_grams,
)
from blankoff.evacuation.pump_down_levels import (
    LEVELS_MICRON,
    early_rise_rate,
    first_below,
    last_steady,
    level_when_shut,
    lowest_reading,
    pumped_floor,
    still_at_end,
)
from blankoff.evacuation.pump_down_speeds import (
    ALONE_SE_LN,
    at_port,
    deep_rate,
    doubt_by_water,
    gauge_aside_ln,
    hung_back,
    keep_seen,
    time_over_range,
    viscous_rate,
    weigh_time_over_range,
    widen,
)
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray, IntArray, JobContext, SampleBatch, some_pressure
from blankoff.settings import Judging

COLUMNS = (
    "pumped_minutes",
    "isolated_at_s",
    "final_vacuum_micron",
    "minutes_to_10000",
    "minutes_to_5000",
    "minutes_to_2000",
    "minutes_to_1000",
    "minutes_to_500",
    "viscous_rate_per_s",
    "viscous_rate_se_ln",
    "deep_rate_per_s",
    "deep_rate_se_ln",
    "plateau_micron",
    "plateau_minutes",
    "water_g",
    "water_g_lower",
    "water_g_upper",
    "floor_micron",
    "floor_se_micron",
    "lowest_pumped_micron",
    "noise_percent",
    "sample_interval_s",
    "readings",
    "over_range_readings",
    "still_minutes",
    "viscous_seen_per_s",
    "viscous_seen_se_ln",
    "deep_seen_per_s",
    "deep_seen_se_ln",
    "gauge_aside_ln",
    "over_range_rate_per_s",
    "over_range_rate_se_ln",
)
"""Columns that the kernel fills, in its order."""

_WIDEST_SE_LN = 0.4
"""A speed known no better than this (factor 1.5) is not reported."""


@kernel
def _features_of(
    t: FloatArray,
    p: FloatArray,
    kind: IntArray,
    start_s: FloatArray,
    end_s: FloatArray,
    start_i: IntArray,
    end_i: IntArray,
    hold: int,
    pull: int,
    ambient_c: float,
    altitude_m: float,
    volume_l: float,
    out: FloatArray,
) -> None:
    """Features of one log into `out`, in the order of `COLUMNS`; `hold` and `pull` are rows of its phases or -1."""
    out[:] = math.nan
    n = t.size
    scales = np.zeros(N_SCALES)
    over = 0
    for i in range(n):
        if math.isnan(p[i]):
            over += 1
    out[22] = n
    out[23] = over
    if n < 2:
        return
    measure_scales(t, p, scales)
    noise = scales[SIGMA]
    out[20] = 100.0 * noise
    out[21] = scales[MEDIAN_DT]
    if hold < 0 and pull >= 0:
        out[24] = still_at_end(t, p, start_i[pull], end_i[pull]) / 60.0

    pumped = 0.0
    for r in range(kind.size):
        if kind[r] == 0:
            pumped += end_s[r] - start_s[r]
    out[0] = pumped / 60.0
    for q in range(LEVELS_MICRON.size):
        before = 0.0
        for r in range(kind.size):
            if kind[r] != 0:
                continue
            at = first_below(t, p, start_i[r], end_i[r], LEVELS_MICRON[q])
            if not math.isnan(at):
                out[3 + q] = max(at - start_s[r] + before, 0.0) / 60.0
                break
            if not math.isnan(p[start_i[r]]) and p[start_i[r]] <= LEVELS_MICRON[q] and before == 0.0:
                break
            before += end_s[r] - start_s[r]

    rise = np.full(2, math.nan)
    if hold >= 0:
        out[1] = start_s[hold]
        early_rise_rate(t, p, start_i[hold], end_i[hold], rise)
    if pull < 0:
        return
    i0, i1 = start_i[pull], end_i[pull]
    out[2] = last_steady(t, p, i0, i1)
    if hold >= 0:
        out[2] = level_when_shut(t, p, i0, i1, start_i[hold], end_i[hold], out[2], scales[MEDIAN_DT])
    out[19] = lowest_reading(p, i0, i1)
    if out[2] < out[19] or math.isnan(out[19]):
        out[19] = out[2]
    two = np.empty(2)
    pumped_floor(t, p, i0, i1, noise, two)
    out[17] = two[0]
    out[18] = two[1]
    final = out[2]

    aside = gauge_aside_ln(t, p, start_i, end_i, start_s, hold, final, rise[0])
    out[29] = aside
    plateaus = np.full((kind.size, 5), math.nan)
    for r in range(kind.size):
        if kind[r] == 0:
            find_plateau(t, p, start_i[r], end_i[r], ambient_c, max(40.0, 4.0 * scales[MEDIAN_DT]), plateaus[r])

    # speeds: the best known of all pulls; water that boils in one makes what it says of air doubtful
    deep = np.empty(7)
    viscous = np.empty(5)
    atmosphere = STANDARD_ATMOSPHERE_PA / MICRON_PA
    if not math.isnan(altitude_m):
        atmosphere *= (1.0 - ATMOSPHERE_LAPSE_PER_M * altitude_m) ** ATMOSPHERE_EXPONENT
    for r in range(kind.size):
        if kind[r] != 0 or math.isnan(last_steady(t, p, start_i[r], end_i[r])):
            continue
        wet_deep, wet_viscous = doubt_by_water(plateaus[r, 0])
        seen_rise = rise[0] if r == pull else math.nan
        deep_rate(t, p, start_i[r], end_i[r], scales, seen_rise, rise[1], deep)
        if not math.isnan(deep[0]):
            keep_seen(deep, wet_deep, out[27:29])
            deep[1] = widen(deep[0], deep[1], wet_deep)
            if math.isnan(out[11]) or deep[1] < out[11]:
                out[10] = deep[0]
                out[11] = deep[1]
        viscous_rate(t, p, start_i[r], end_i[r], scales, deep[5], deep[6], viscous)
        if not math.isnan(viscous[0]):
            keep_seen(viscous, wet_viscous, out[25:27])
            if r == 0 and start_i[r] == 0:
                weigh_time_over_range(t, p, end_i[r], atmosphere, viscous)
            # a gauge that lags does so over its range's top as well
            alone = ALONE_SE_LN if math.isnan(deep[0]) else 0.0
            viscous[1] = widen(viscous[0], viscous[1], wet_viscous + alone)
            if math.isnan(out[9]) or viscous[1] < out[9]:
                out[8] = viscous[0]
                out[9] = viscous[1]

    if hung_back(out[8], out[10]):
        out[8] = out[9] = math.nan
    out[8], out[9] = at_port(out[8], out[9], aside, False)
    out[10], out[11] = at_port(out[10], out[11], aside, True)
    if kind[0] == 0 and math.isnan(plateaus[0, 0]):
        time_over_range(t, p, end_i[0], start_s[0], atmosphere, out[30:32])

    # plateau: the longest of all pulls; water of all of them
    water = 0.0
    ceiling = 0.0
    gas_c = 20.0 if math.isnan(ambient_c) else ambient_c
    speed, speed_se_ln = speed_for_water(out[8], out[9], volume_l)
    for r in range(kind.size):
        if kind[r] != 0:
            continue
        ceiling += vapour_ceiling(t, p, start_i[r], end_i[r], ambient_c)
        if math.isnan(plateaus[r, 0]):
            continue
        level = plateaus[r, 0]
        if math.isnan(out[13]) or plateaus[r, 1] / 60.0 > out[13]:
            out[12] = level
            out[13] = plateaus[r, 1] / 60.0
        rate = VAPOUR_SPEED * speed / volume_l * (level / 8000.0) ** VAPOUR_POWER
        water += water_grams(t, p, start_i[r], end_i[r], level, rate, volume_l, gas_c)
    if not math.isnan(volume_l):
        # all that was drawn once it could be vapour bounds the water from above, whether it shows as a plateau or not
        most = VAPOUR_SPEED * speed * ceiling * GRAM_PER_MICRON_L_K / (gas_c + ZERO_CELSIUS_K)
        out[14] = water
        out[15] = water * math.exp(-1.645 * math.hypot(WATER_SE_LN, speed_se_ln))
        out[16] = max(most * math.exp(1.645 * speed_se_ln), water)
    for q in (8, 10):
        if out[q + 1] > _WIDEST_SE_LN:
            out[q] = out[q + 1] = math.nan


@kernel
def _features_all(
    offsets: IntArray,
    t: FloatArray,
    p: FloatArray,
    phase_offsets: IntArray,
    kind: IntArray,
    start_s: FloatArray,
    end_s: FloatArray,
    start_i: IntArray,
    end_i: IntArray,
    hold: IntArray,
    pull: IntArray,
    ambient_c: FloatArray,
    altitude_m: FloatArray,
    volume_l: FloatArray,
    out: FloatArray,
) -> None:
    for i in range(offsets.size - 1):
        a, b = offsets[i], offsets[i + 1]
        c, d = phase_offsets[i], phase_offsets[i + 1]
        _features_of(
            t[a:b],
            p[a:b],
            kind[c:d],
            start_s[c:d],
            end_s[c:d],
            start_i[c:d],
            end_i[c:d],
            hold[i] - c if hold[i] >= 0 else -1,
            pull[i] - c if pull[i] >= 0 else -1,
            ambient_c[i],
            altitude_m[i],
            volume_l[i],
            out[i],
        )


def mean_ambient_c(batch: SampleBatch) -> FloatArray:
    """Mean ambient temperature in each log, °C; NaN where no reading has one."""
    out = np.full(len(batch), np.nan)
    mean_ambients(batch.offsets, batch.ambient_c, out)
    return out


def pump_down_features_batch(
    batch: SampleBatch, phases: PhaseTable, context: JobContext, settings: Judging
) -> dict[str, NDArray[np.float64]]:
    """Pump-down columns of `schemas.MEASURE` for every log of a batch.

    Parameters
    ----------
    batch, phases
        Readings and their phases from `phases.find_phases_batch`.
    context
        Volume, altitude and ambient per log; a log's own ambient readings win over the register's.
    settings
        Thresholds.

    Returns
    -------
    dict
        Column name to ``(n,)`` float64, NaN for null: `COLUMNS`, and ``speed_viscous_l_s``, ``speed_deep_l_s`` with
        ``_se_ln``, which need the volume.
    """
    n = len(batch)
    out = np.full((n, len(COLUMNS)), np.nan)
    own = mean_ambient_c(batch)
    ambient = np.where(np.isfinite(own), own, context.ambient_c)
    if n:
        _features_all(
            batch.offsets,
            batch.elapsed_s,
            some_pressure(batch.pressure_micron),
            phases.offsets,
            phases.kind,
            phases.start_s,
            phases.end_s,
            phases.start_i,
            phases.end_i,
            phases.judged_hold,
            phases.judged_pull,
            ambient,
            context.altitude_m,
            context.volume_l,
            out,
        )
    columns: dict[str, NDArray[np.float64]] = {name: out[:, i].copy() for i, name in enumerate(COLUMNS)}
    known = np.isfinite(context.volume_l)
    for band in ("viscous", "deep"):
        columns[f"speed_{band}_l_s"] = columns[f"{band}_rate_per_s"] * context.volume_l
        columns[f"speed_{band}_l_s_se_ln"] = np.where(known, columns[f"{band}_rate_se_ln"], np.nan)
    return columns


def effective_speed_l_s(
    elapsed_s: FloatArray,
    pressure_micron: FloatArray,
    volume_l: float,
    low_micron: float,
    high_micron: float,
    floor_micron: float = 0.0,
) -> float:
    """Mean effective speed in a band of pressure: ``V d ln(p - floor) / dt``, by a straight line through its readings.

    Parameters
    ----------
    elapsed_s, pressure_micron
        ``(n,)`` one pull-down; NaN readings are left out.
    volume_l
        Volume, l.
    low_micron, high_micron
        The band. Readings from the first one below `high_micron` up to the first one below `low_micron` count.
    floor_micron
        Pressure that the pull tends to, taken out.

    Returns
    -------
    float
        Speed in l/s; NaN with fewer than three readings in the band.
    """
    t = np.asarray(elapsed_s, dtype=np.float64)
    p = np.asarray(pressure_micron, dtype=np.float64)
    below_high = np.flatnonzero(p <= high_micron)
    if below_high.size == 0:
        return math.nan
    below_low = np.flatnonzero(p < low_micron)
    later = below_low[below_low > below_high[0]]
    stop = int(later[0]) if later.size else p.size
    part = slice(int(below_high[0]), stop)
    tt, pp = t[part], p[part] - floor_micron
    keep = np.isfinite(pp) & (pp > 0)
    if keep.sum() < 3 or np.ptp(tt[keep]) <= 0:
        return math.nan
    return float(-np.polyfit(tt[keep] - tt[keep][0], np.log(pp[keep]), 1)[0] * volume_l)
