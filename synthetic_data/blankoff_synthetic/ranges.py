"""Ranges from which circuits, wet spots, outgassing, rigs and gauges are drawn.

The field's ranges are common practice, no source (domain.md); how they are
spread within is invented. `TUNING` is what estimators may be tuned on,
`HELD_BACK` differs from it in every distribution and is for checking only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from .parts import Circuit, Gauge, Pool, Rig

Span = tuple[float, float]


@dataclass(frozen=True)
class Ranges:
    """Spans are (low, high); those marked log are drawn even in the logarithm, the others even in the value.

    Attributes
    ----------
    dry_rise_median_micron, dry_rise_spread : float
        Median of a tight, dry circuit's rise in ten minutes, and the standard deviation of its logarithm.
    dry_rise_highest_micron : float
        Draws above are drawn again.
    pools_least, pools_most : int
        Outgassing pools per circuit.
    closed_time_s : span, log
        Time constant with which a pool fills the closed circuit.
    slow_share : float
        Share of the rise that at most comes from pools slower than the hold.
    refrigerant_share : float
        Share of pools that give off refrigerant and not water.
    water_median_g, water_spread : float
        Free water of a wet circuit of ten litres, log-normal; grows with the root of the volume.
    evaporation_l_s, heat_w_per_k, metal_j_per_k : span, log
        Wet spot in the open, which boils and holds the pressure near its saturation.
    hidden_water_share, hidden_evaporation_l_s : float, and span, log
        Share of wet spots that lie under oil or behind narrow pipes, and their conductance.
    near_share, inner_bore_mm, inner_length_m : span
        Circuit's inside.
    leak_micron_per_min : span, log
        Leaks worth finding.
    drift_k_per_h, swing_k : float
        Standard deviations of the ambient's drift and swing.
    falloff_share, falloff_micron, blankoff_per_g : span
        Pump's character.
    port_bore_mm, core_bore_mm, core_length_mm : span
        Service port and the valve core left in it.
    white_percent, wander_percent, wander_time_s, lag_s : span, log
        Gauge noise and lag.
    calibration_sd, offset_sd_micron : float
        Spread of gauges.
    tops_micron, intervals_s : tuple
        From which tops of range and sampling intervals are drawn.
    on_change_share, dropout_share, frozen_share, dropout_at_isolation_share : float
        Shares of gauges (first) and of logs (others) with these troubles.
    manifold_share : float
        Share of gauges that sit on the manifold.
    slow_valve_share : float
        Share of isolations that take 5 - 15 s.
    """

    dry_rise_median_micron: float = 130.0
    dry_rise_spread: float = 0.6
    dry_rise_highest_micron: float = 350.0
    pools_least: int = 2
    pools_most: int = 4
    closed_time_s: Span = (25.0, 10000.0)
    slow_share: float = 0.4
    refrigerant_share: float = 0.35
    water_median_g: float = 3.0
    water_spread: float = 0.9
    evaporation_l_s: Span = (0.5, 25.0)
    hidden_water_share: float = 0.35
    hidden_evaporation_l_s: Span = (0.004, 0.2)
    heat_w_per_k: Span = (0.4, 4.0)
    metal_j_per_k: Span = (60.0, 600.0)
    near_share: Span = (0.15, 0.6)
    inner_bore_mm: Span = (14.0, 26.0)
    inner_length_m: Span = (1.0, 6.0)
    leak_micron_per_min: Span = (5.0, 400.0)
    drift_k_per_h: float = 1.5
    swing_k: float = 0.5
    falloff_share: Span = (0.05, 0.3)
    falloff_micron: Span = (80.0, 400.0)
    blankoff_per_g: Span = (0.0, 3.0)
    port_bore_mm: Span = (4.5, 6.5)
    core_bore_mm: Span = (2.0, 3.0)
    core_length_mm: Span = (8.0, 16.0)
    white_percent: Span = (0.3, 1.5)
    wander_percent: Span = (0.1, 0.8)
    wander_time_s: Span = (30.0, 400.0)
    lag_s: Span = (0.3, 4.0)
    calibration_sd: float = 0.03
    offset_sd_micron: float = 4.0
    tops_micron: tuple[float, ...] = (10000.0, 12000.0, 20000.0, 25000.0)
    intervals_s: tuple[float, ...] = (1.0, 2.0, 5.0, 5.0, 10.0)
    on_change_share: float = 0.15
    dropout_share: float = 0.15
    frozen_share: float = 0.05
    dropout_at_isolation_share: float = 0.02
    manifold_share: float = 0.25
    slow_valve_share: float = 0.1


TUNING = Ranges()

HELD_BACK = Ranges(
    dry_rise_median_micron=100.0,
    dry_rise_spread=0.75,
    dry_rise_highest_micron=320.0,
    pools_least=1,
    pools_most=6,
    closed_time_s=(15.0, 20000.0),
    slow_share=0.5,
    refrigerant_share=0.6,
    water_median_g=5.0,
    water_spread=1.1,
    evaporation_l_s=(0.3, 40.0),
    hidden_water_share=0.25,
    hidden_evaporation_l_s=(0.002, 0.3),
    heat_w_per_k=(0.2, 6.0),
    metal_j_per_k=(40.0, 1200.0),
    near_share=(0.1, 0.8),
    inner_bore_mm=(10.0, 28.0),
    inner_length_m=(1.0, 12.0),
    leak_micron_per_min=(5.0, 500.0),
    drift_k_per_h=2.5,
    swing_k=0.9,
    falloff_share=(0.0, 0.4),
    falloff_micron=(50.0, 700.0),
    blankoff_per_g=(0.0, 6.0),
    port_bore_mm=(4.0, 8.0),
    core_bore_mm=(2.0, 3.0),
    core_length_mm=(6.0, 20.0),
    white_percent=(0.5, 3.0),
    wander_percent=(0.2, 1.2),
    wander_time_s=(15.0, 800.0),
    lag_s=(0.1, 8.0),
    calibration_sd=0.045,
    offset_sd_micron=6.0,
    tops_micron=(10000.0, 15000.0, 19000.0, 25000.0),
    intervals_s=(1.0, 2.0, 3.0, 5.0, 10.0, 15.0),
    on_change_share=0.25,
    dropout_share=0.25,
    frozen_share=0.1,
    dropout_at_isolation_share=0.04,
    manifold_share=0.35,
    slow_valve_share=0.2,
)

FAMILIES = {"tuning": TUNING, "held_back": HELD_BACK}


def ranges_from(table: dict[str, Any], base: Ranges = TUNING) -> Ranges:
    """Build ranges from a TOML table over a base.

    Raises
    ------
    ValueError
        For a name that is no field; the message lists the known ones.
    """
    known = {f.name for f in fields(Ranges)}
    unknown = sorted(set(table) - known)
    if unknown:
        raise ValueError(f"unknown ranges {unknown}; known are {sorted(known)}")
    values = {f.name: getattr(base, f.name) for f in fields(Ranges)}
    values.update({name: tuple(v) if isinstance(v, list) else v for name, v in table.items()})
    return Ranges(**values)


def log_uniform(rng: np.random.Generator, span: Span) -> float:
    """Draw a value even in the logarithm."""
    return float(math.exp(rng.uniform(math.log(span[0]), math.log(span[1]))))


def even(rng: np.random.Generator, span: Span) -> float:
    """Draw a value even within a span."""
    return float(rng.uniform(span[0], span[1]))


LASTING_S: Span = (4.0 * 3600.0, 20.0 * 3600.0)
"""Time constant with which the richest outgassing pool empties under pumping; own judgement, no source."""


def draw_pools(
    rng: np.random.Generator, ranges: Ranges, volume_l: float, pull_s: float, rise_micron: float
) -> tuple[Pool, ...]:
    """Draw outgassing pools that together raise the closed circuit by about `rise_micron` in ten minutes.

    Parameters
    ----------
    pull_s : float
        About how long the circuit will be pumped before the hold: pools are
        stocked so that this much of a pull leaves them what the hold shows.

    Notes
    -----
    A pool with own time constant tau and holding h fills the closed volume V with
    time constant theta = tau V / (V + h). Fast ones that survive a pull hold much.
    """
    count = int(rng.integers(ranges.pools_least, ranges.pools_most + 1))
    shares = rng.dirichlet(np.ones(count))
    closed_s = np.array([log_uniform(rng, ranges.closed_time_s) for _ in range(count)])
    slow = closed_s > 600.0
    if slow.any() and not slow.all() and shares[slow].sum() > ranges.slow_share:
        cut = ranges.slow_share / shares[slow].sum()
        shares[~slow] *= (1.0 - ranges.slow_share) / shares[~slow].sum()
        shares[slow] *= cut
    elif slow.all():
        closed_s[int(rng.integers(count))] = log_uniform(rng, (ranges.closed_time_s[0], 600.0))
    pools = []
    # the richest pool outlasts any pull: oil and deep walls still give off gas after hours of pumping
    lasting = int(np.argmax(shares))
    for k, (share, theta_s) in enumerate(zip(shares, closed_s, strict=True)):
        tau_s = max(1.3 * theta_s, float(rng.uniform(0.7, 4.0)) * pull_s)
        if k == lasting:
            tau_s = max(tau_s, log_uniform(rng, LASTING_S))
        holding_l = volume_l * (tau_s / theta_s - 1.0)
        gained = rise_micron * share / (1.0 - math.exp(-600.0 / theta_s))
        amount = gained * (volume_l + holding_l) * math.exp(min(pull_s / tau_s, 3.0))
        species = "refrigerant" if rng.random() < ranges.refrigerant_share else "water"
        pools.append(Pool(float(amount), float(tau_s), float(holding_l), species))  # type: ignore[arg-type]
    return tuple(pools)


def draw_dry_rise_micron(rng: np.random.Generator, ranges: Ranges) -> float:
    """Draw the ten-minute rise of a tight, dry circuit."""
    while True:
        rise = ranges.dry_rise_median_micron * math.exp(ranges.dry_rise_spread * rng.standard_normal())
        if rise <= ranges.dry_rise_highest_micron:
            return float(rise)


def draw_circuit(
    rng: np.random.Generator,
    ranges: Ranges,
    volume_l: float,
    ambient_c: float,
    altitude_m: float,
    *,
    pull_s: float,
    water_g: float = 0.0,
    leak_micron_per_min: float = 0.0,
    rise_micron: float | None = None,
) -> Circuit:
    """Draw a circuit of a given volume, dryness and tightness; the rest comes from the ranges."""
    rise = draw_dry_rise_micron(rng, ranges) if rise_micron is None else rise_micron
    hidden = rng.random() < ranges.hidden_water_share
    evaporation = log_uniform(rng, ranges.hidden_evaporation_l_s if hidden else ranges.evaporation_l_s)
    return Circuit(
        volume_l=volume_l,
        near_share=even(rng, ranges.near_share),
        inner_bore_mm=even(rng, ranges.inner_bore_mm) * (1.0 if volume_l < 20.0 else 1.6),
        inner_length_m=even(rng, ranges.inner_length_m),
        ambient_c=ambient_c,
        drift_k_per_h=ranges.drift_k_per_h * float(rng.standard_normal()),
        swing_k=abs(ranges.swing_k * float(rng.standard_normal())),
        swing_period_s=even(rng, (900.0, 7200.0)),
        altitude_m=altitude_m,
        humidity_percent=even(rng, (25.0, 85.0)),
        free_water_g=water_g,
        evaporation_l_s=evaporation,
        evaporation_knee_g=float(max(0.02, 0.2 * water_g)),
        metal_j_per_k=log_uniform(rng, ranges.metal_j_per_k),
        heat_inflow_w_per_k=log_uniform(rng, ranges.heat_w_per_k),
        pools=draw_pools(rng, ranges, volume_l, pull_s, rise),
        pool_per_k=even(rng, (0.02, 0.08)),
        leak_micron_per_min=leak_micron_per_min,
    )


def draw_water_g(rng: np.random.Generator, ranges: Ranges, volume_l: float) -> float:
    """Draw the free water of a wet circuit."""
    typical = ranges.water_median_g * math.sqrt(volume_l / 10.0)
    return float(min(typical * math.exp(ranges.water_spread * rng.standard_normal()), 25.0 * typical))


def draw_gauge(rng: np.random.Generator, ranges: Ranges) -> Gauge:
    """Draw a gauge as it leaves the shelf; troubles of single logs are added per log."""
    coarse = float(rng.choice([10.0, 25.0, 50.0, 100.0, 250.0]))
    fine = float(rng.choice([1.0, 5.0, 10.0]))
    return Gauge(
        place="manifold" if rng.random() < ranges.manifold_share else "circuit",
        white_percent=log_uniform(rng, ranges.white_percent),
        wander_percent=log_uniform(rng, ranges.wander_percent),
        wander_time_s=log_uniform(rng, ranges.wander_time_s),
        white_micron=even(rng, (0.0, 1.0)),
        calibration_ratio=float(np.exp(ranges.calibration_sd * rng.standard_normal())),
        offset_micron=float(ranges.offset_sd_micron * rng.standard_normal()),
        top_of_range_micron=float(rng.choice(ranges.tops_micron)),
        steps=((1000.0, 1.0), (5000.0, fine), (1e9, coarse)),
        lag_s=log_uniform(rng, ranges.lag_s),
        interval_s=float(rng.choice(ranges.intervals_s)),
        on_change=bool(rng.random() < ranges.on_change_share),
        jitter_share=even(rng, (0.0, 0.06)),
        has_ambient=bool(rng.random() < 0.7),
        ambient_offset_c=0.6 * float(rng.standard_normal()),
    )


def draw_rig(rng: np.random.Generator, ranges: Ranges, free_air_l_s: float, blankoff_micron: float) -> Rig:
    """Draw a rig around a pump: hose 6 - 12 mm, 0.9 - 1.8 m, core out, valve at the port."""
    return Rig(
        free_air_l_s=free_air_l_s,
        falloff_share=even(rng, ranges.falloff_share),
        falloff_micron=even(rng, ranges.falloff_micron),
        blankoff_micron=blankoff_micron,
        blankoff_per_g=even(rng, ranges.blankoff_per_g),
        ballast_micron=float(rng.choice([0.0, 0.0, even(rng, (100.0, 500.0))])),
        ballast_below_micron=even(rng, (1500.0, 4000.0)),
        bore_mm=float(rng.choice([6.0, 8.0, 9.5, 9.5, 12.0])),
        length_m=float(rng.choice([0.9, 1.2, 1.5, 1.8])),
        upstream_share=even(rng, (0.3, 0.7)),
        port_bore_mm=even(rng, ranges.port_bore_mm),
        core_bore_mm=even(rng, ranges.core_bore_mm),
        core_length_mm=even(rng, ranges.core_length_mm),
        dead_volume_l=even(rng, (0.02, 0.15)),
    )
