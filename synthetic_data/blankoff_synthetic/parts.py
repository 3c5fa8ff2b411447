"""What an evacuation is made of: circuit, rig, gauge, procedure; and the pull that comes out.

Every class is frozen, every unit is in the field's name. Defaults are a tight,
dry split system on a healthy rig.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Species = Literal["air", "water", "refrigerant"]


@dataclass(frozen=True)
class Pool:
    """Gas held by walls, oil or insulation that comes out with one time constant.

    Attributes
    ----------
    amount_micron_l : float
        Gas held at the start, as pressure times volume.
    time_constant_s : float
        Time constant of giving it off into vacuum (under a minute to hours).
    holding_l : float
        Volume of gas per unit of pressure that the pool holds in equilibrium.
        In a closed circuit of V litres the pressure settles at
        amount / (V + holding) with time constant tau V / (V + holding): a pool with
        a large holding saturates fast and is hardly drained by a pull.
    species : {'water', 'refrigerant', 'air'}
        What comes out.
    """

    amount_micron_l: float
    time_constant_s: float
    holding_l: float = 0.0
    species: Species = "water"


@dataclass(frozen=True)
class Circuit:
    """The refrigeration circuit and the air around it.

    Attributes
    ----------
    volume_l : float
        Inner volume.
    near_share : float
        Share of the volume beside the service port; the rest lies behind the inner pipe.
    inner_bore_mm, inner_length_m : float
        Pipe between the far and the near part: makes the gradient that evens out at isolation.
    ambient_c, drift_k_per_h, swing_k, swing_period_s : float
        Air temperature at the start, its drift, and a slow sine on top.
    altitude_m : float
        Sets the pressure of the atmosphere.
    humidity_percent : float
        Relative humidity of the air in the circuit at the start.
    free_water_g : float
        Liquid water in one wet spot.
    evaporation_l_s : float
        Conductance from the wet spot's surface to the gas, while it is fully wet.
    evaporation_knee_g : float
        Below this mass the wet surface shrinks with the mass.
    metal_j_per_k, heat_inflow_w_per_k : float
        Heat capacity that shares the water's temperature, and heat flow from ambient into it.
    pools : tuple of Pool
        Outgassing.
    pool_per_k : float
        Relative rise of outgassing with temperature, per kelvin.
    leak_micron_per_min : float
        Choked leak from the atmosphere, as rise of the circuit's own volume.
    """

    volume_l: float = 5.0
    near_share: float = 0.3
    inner_bore_mm: float = 16.0
    inner_length_m: float = 4.0
    ambient_c: float = 22.0
    drift_k_per_h: float = 0.0
    swing_k: float = 0.0
    swing_period_s: float = 1800.0
    altitude_m: float = 0.0
    humidity_percent: float = 50.0
    free_water_g: float = 0.0
    evaporation_l_s: float = 3.0
    evaporation_knee_g: float = 0.5
    metal_j_per_k: float = 150.0
    heat_inflow_w_per_k: float = 1.5
    pools: tuple[Pool, ...] = (
        Pool(4000.0, 240.0, 0.0, "water"),
        Pool(8000.0, 900.0, 40.0, "refrigerant"),
    )
    pool_per_k: float = 0.05
    leak_micron_per_min: float = 0.0


@dataclass(frozen=True)
class Rig:
    """Pump, hose, port and valve.

    Attributes
    ----------
    free_air_l_s : float
        Free-air displacement of the two-stage pump as it is today, wear included.
    falloff_share, falloff_micron : float
        Share of speed lost in deep vacuum, and the inlet pressure at which half of that is lost.
    blankoff_micron : float
        Blank-off pressure with the oil as it is today.
    blankoff_per_g : float
        Rise of the blank-off by water swallowed during this pull, microns per gram.
    ballast_micron, ballast_below_micron : float
        What open gas ballast adds to the blank-off, and the pressure below which it is shut.
    bore_mm, length_m : float
        The hose, whole way from port to pump.
    upstream_share : float
        Share of that length before the manifold (where a manifold gauge sits).
    port_bore_mm, port_length_mm : float
        The service port's bore.
    core_left_in, core_bore_mm, core_length_mm : bool, float
        A valve core left in narrows the port to a short 2 - 3 mm hole.
    dead_volume_l : float
        Manifold and fittings, beyond the hose's own volume.
    pump_side_leak_micron_l_s : float
        Air leaking in on the pump's side of the isolation valve (a bad hose).
    isolation_at : {'port', 'manifold'}
        Where the valve is. At the manifold, the upstream hose stays with the circuit.
    """

    free_air_l_s: float = 2.4
    falloff_share: float = 0.15
    falloff_micron: float = 200.0
    blankoff_micron: float = 30.0
    blankoff_per_g: float = 0.0
    ballast_micron: float = 0.0
    ballast_below_micron: float = 3000.0
    bore_mm: float = 9.5
    length_m: float = 1.5
    upstream_share: float = 0.5
    port_bore_mm: float = 5.0
    port_length_mm: float = 25.0
    core_left_in: bool = False
    core_bore_mm: float = 2.5
    core_length_mm: float = 12.0
    dead_volume_l: float = 0.05
    pump_side_leak_micron_l_s: float = 0.0
    isolation_at: Literal["port", "manifold"] = "port"


@dataclass(frozen=True)
class Gauge:
    """The gauge and its logger.

    Attributes
    ----------
    place : {'circuit', 'manifold'}
        A manifold gauge needs ``Rig.isolation_at == 'manifold'`` and reads low while pumping.
    white_percent, wander_percent, wander_time_s : float
        Reading-to-reading noise, and slower AR(1) wander with its correlation time.
    white_micron : float
        Noise that does not shrink with pressure.
    calibration_ratio, offset_micron : float
        Reading = ratio x pressure + offset.
    top_of_range_micron : float
        Above it the gauge reads nothing.
    steps : tuple of (below_micron, step_micron)
        Display steps by range, ascending.
    lag_s : float
        First-order lag.
    interval_s : float
        Time between readings.
    on_change : bool
        Log only when the shown value changes, or after `longest_silence_s`.
    jitter_share : float
        Spread of the reading times as a share of the interval.
    dropouts, dropout_s : int, float
        Number of radio gaps and their mean length.
    dropout_at_isolation : bool
        Put one of them across the judged isolation.
    frozen, frozen_s : int, float
        Number of frozen stretches and their length.
    ambient_offset_c, has_ambient : float, bool
        The logger's own thermometer.
    """

    place: Literal["circuit", "manifold"] = "circuit"
    white_percent: float = 0.5
    wander_percent: float = 0.3
    wander_time_s: float = 120.0
    white_micron: float = 0.3
    calibration_ratio: float = 1.0
    offset_micron: float = 0.0
    top_of_range_micron: float = 20000.0
    steps: tuple[tuple[float, float], ...] = ((1000.0, 1.0), (10000.0, 10.0), (1e9, 100.0))
    lag_s: float = 1.0
    interval_s: float = 5.0
    on_change: bool = False
    longest_silence_s: float = 60.0
    jitter_share: float = 0.02
    dropouts: int = 0
    dropout_s: float = 60.0
    dropout_at_isolation: bool = False
    frozen: int = 0
    frozen_s: float = 60.0
    ambient_offset_c: float = 0.0
    has_ambient: bool = True


@dataclass(frozen=True)
class Idle:
    """Log runs, pump does not."""

    seconds: float
    mark: str = ""


@dataclass(frozen=True)
class Pump:
    """Pump with the valve open until the gauge's place is at `until_micron`, `linger_s` longer, at most `longest_s`."""

    until_micron: float = 0.0
    longest_s: float = 3600.0
    linger_s: float = 0.0
    mark: str = ""


@dataclass(frozen=True)
class Isolate:
    """Shut the valve over `valve_s` seconds and let the circuit stand for `hold_s` in all."""

    hold_s: float = 900.0
    valve_s: float = 1.0
    mark: str = ""


@dataclass(frozen=True)
class Break:
    """Shut the valve, let dry nitrogen in to about `to_micron` over `fill_s`, wait `dwell_s`."""

    to_micron: float = 100000.0
    fill_s: float = 20.0
    dwell_s: float = 60.0
    mark: str = ""


Step = Idle | Pump | Isolate | Break


@dataclass(frozen=True)
class Requirement:
    """What the hold must show; the defaults are common practice, no source."""

    target_micron: float = 500.0
    hold_limit_micron: float = 1000.0
    hold_minutes: float = 10.0


@dataclass(frozen=True)
class Procedure:
    """What the technician does, and which part of it the log has.

    Attributes
    ----------
    steps : tuple of Idle, Pump, Isolate, Break
        In order.
    log_starts_s : float
        Readings before this time are missing.
    log_ends_s : float
        Readings after this time are missing.
    requirement : Requirement
        Against which the truth is judged.
    """

    steps: tuple[Step, ...] = (Pump(400.0, 5400.0, 120.0), Isolate(900.0))
    log_starts_s: float = 0.0
    log_ends_s: float = float("inf")
    requirement: Requirement = field(default_factory=Requirement)


@dataclass(frozen=True)
class Pull:
    """One evacuation as the logger wrote it, and what really happened.

    Attributes
    ----------
    elapsed_s : array, shape (n,)
        Ascending, 0 at the first reading.
    pressure_micron : array, shape (n,)
        NaN where the gauge was over its range.
    ambient_c : array, shape (n,)
        NaN without a thermometer.
    marks : tuple of (elapsed_s, text)
        Marks the technician set.
    truth : mapping
        See `blankoff_synthetic.single.simulate`.
    """

    elapsed_s: NDArray[np.float64]
    pressure_micron: NDArray[np.float64]
    ambient_c: NDArray[np.float64]
    marks: tuple[tuple[float, str], ...]
    truth: Mapping[str, object]
