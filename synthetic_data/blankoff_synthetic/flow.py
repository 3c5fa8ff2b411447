"""Gas flow for the forward simulation: hoses, valve cores, pump, and the static chain.

Throughputs are in micron l/s, conductances and speeds in l/s. Air at about
20 C; the temperature dependence of conductance (a few per cent over the
weather's range) is left out.

References
----------
Tube over all regimes after Knudsen in Leybold's form,
``135 d^4 p/l + 12.1 d^3/l (1 + 192 d p)/(1 + 237 d p)`` (cm, mbar, l/s); from
memory, its limits are the Poiseuille and the long-tube molecular conductance.
Choked orifice flow 20 l/s/cm2 and molecular 11.6 l/s/cm2 for air: handbook
constants, from memory.
"""

from __future__ import annotations

import math

from numba import njit

MBAR_PER_MICRON = 1.01325 / 760.0
SEA_LEVEL_MICRON = 760000.0
CRITICAL_RATIO = 0.528
"""Pressure ratio below which flow of a diatomic gas through a hole is choked."""

WATER_MOLECULAR_FACTOR = math.sqrt(28.96 / 18.015)
"""Water molecules are faster than air's by the root of the mass ratio."""

WATER_VISCOSITY_RATIO = 0.53
"""Viscosity of water vapour over that of air near 20 C (about 9.7 to 18.2 uPa s)."""


@njit(cache=True, nogil=True)
def ambient_micron(altitude_m: float) -> float:
    """Atmospheric pressure at an altitude, microns (ISO 2533 standard atmosphere)."""
    return float(SEA_LEVEL_MICRON * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)


@njit(cache=True, nogil=True)
def tube_l_s(
    bore_cm: float,
    length_cm: float,
    mean_micron: float,
    viscosity_ratio: float,
    molecular_factor: float,
) -> float:
    """Conductance of a long tube for one gas of a mixture, l/s.

    Parameters
    ----------
    bore_cm, length_cm : float
        Inner diameter and length.
    mean_micron : float
        Mean total pressure in the tube.
    viscosity_ratio : float
        Viscosity of the mixture over that of air.
    molecular_factor : float
        Speed of the gas's molecules over those of air.
    """
    mbar = mean_micron * MBAR_PER_MICRON
    dp = bore_cm * mbar
    cube = bore_cm**3 / length_cm
    return 135.0 * cube * dp / viscosity_ratio + 12.1 * cube * molecular_factor * (1.0 + 192.0 * dp) / (
        1.0 + 237.0 * dp
    )


@njit(cache=True, nogil=True)
def hole_l_s(bore_cm: float, high_micron: float, low_micron: float, molecular_factor: float) -> float:
    """Conductance of a thin hole, molecular to choked, defined by flow over pressure difference, l/s."""
    area_cm2 = 0.25 * math.pi * bore_cm * bore_cm
    high = max(high_micron, low_micron, 1e-9)
    low = min(high_micron, low_micron)
    ratio = min(max(low / high, 0.0), 0.995)
    if ratio <= CRITICAL_RATIO:
        share = 1.0
    else:
        u = (ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
        share = math.sqrt(1.0 - u * u)
    viscous = 20.0 * area_cm2 * share / (1.0 - ratio)
    molecular = 11.6 * area_cm2 * molecular_factor
    # mean free path of air times pressure is 6.65e-3 m Pa, which is 6.65e-3 cm mbar
    knudsen = 6.65e-3 / max(0.5 * (high + low) * MBAR_PER_MICRON * bore_cm, 1e-12)
    weight = 1.0 / (1.0 + 5.0 * knudsen)
    return weight * viscous + (1.0 - weight) * molecular


@njit(cache=True, nogil=True)
def port_l_s(
    core_bore_cm: float,
    core_length_cm: float,
    high_micron: float,
    low_micron: float,
    viscosity_ratio: float,
    molecular_factor: float,
) -> float:
    """Conductance of the service port: a short bore, narrowed where its valve core was left in, l/s."""
    tube = tube_l_s(
        core_bore_cm,
        core_length_cm,
        0.5 * (high_micron + low_micron),
        viscosity_ratio,
        molecular_factor,
    )
    hole = hole_l_s(core_bore_cm, high_micron, low_micron, molecular_factor)
    return tube * hole / (tube + hole)


@njit(cache=True, nogil=True)
def behind_port_micron(
    core_bore_cm: float,
    core_length_cm: float,
    hose_bore_cm: float,
    hose_length_cm: float,
    circuit_micron: float,
    middle_micron: float,
    viscosity_ratio: float,
) -> float:
    """Pressure between port and hose at which both carry the same flow, microns (Illinois method)."""
    high = max(circuit_micron, middle_micron)
    low = min(circuit_micron, middle_micron)
    if high - low < 1e-6 * high + 1e-6:
        return 0.5 * (high + low)
    # `left` and `right` bracket the root of port flow less hose flow, seen from the higher end
    left, right = low, high
    port_first = circuit_micron >= middle_micron
    f_left, f_right = math.nan, math.nan
    for k in range(14):
        if k == 0:
            middle = low + 1e-9 * (high - low)
        elif k == 1:
            middle = high - 1e-9 * (high - low)
        else:
            middle = (left * f_right - right * f_left) / (f_right - f_left)
            if not left < middle < right:
                middle = 0.5 * (left + right)
        top, bottom = (high, middle) if port_first else (middle, low)
        port = port_l_s(core_bore_cm, core_length_cm, top, bottom, viscosity_ratio, 1.0) * (top - bottom)
        top, bottom = (middle, low) if port_first else (high, middle)
        hose = tube_l_s(hose_bore_cm, hose_length_cm, 0.5 * (top + bottom), viscosity_ratio, 1.0) * (top - bottom)
        residual = port - hose if port_first else hose - port
        if k == 0:
            f_left = residual
        elif k == 1:
            f_right = residual
        elif residual > 0.0:
            left, f_left = middle, residual
            f_right *= 0.5
        else:
            right, f_right = middle, residual
            f_left *= 0.5
        if k > 1 and abs(residual) < 1e-4 * (port + hose):
            break
    return middle


@njit(cache=True, nogil=True)
def pump_speed_l_s(free_air_l_s: float, falloff_share: float, falloff_micron: float, inlet_micron: float) -> float:
    """Volume speed of the pump at an inlet pressure before blank-off is taken off, l/s.

    A two-stage rotary vane pump keeps its speed to about a millibar and then
    loses `falloff_share` of it, half of that by `falloff_micron`.
    """
    inlet = max(inlet_micron, 0.0)
    return free_air_l_s * (1.0 - falloff_share * falloff_micron / (falloff_micron + inlet))


@njit(cache=True, nogil=True)
def leak_share(inner_micron: float, outer_micron: float) -> float:
    """Leak from the atmosphere over its choked value: 1 until the inside exceeds half of the outside."""
    ratio = inner_micron / outer_micron
    if ratio <= CRITICAL_RATIO:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    u = (ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
    return math.sqrt(1.0 - u * u)


@njit(cache=True, nogil=True)
def _upstream_tube(low: float, throughput: float, bore_cm: float, length_cm: float) -> float:
    """Pressure at the inlet of a tube that carries `throughput` of dry air to `low` at its outlet."""
    high = low + throughput
    for _ in range(60):
        conductance = tube_l_s(bore_cm, length_cm, 0.5 * (high + low), 1.0, 1.0)
        high_new = low + throughput / conductance
        if abs(high_new - high) < 1e-9 * (1.0 + high):
            break
        high = 0.5 * (high + high_new)
    return high


@njit(cache=True, nogil=True)
def _upstream_port(low: float, throughput: float, bore_cm: float, length_cm: float) -> float:
    """Pressure at the inlet of the service port that carries `throughput` of dry air to `low`."""
    bottom = low
    top = low + 1.0
    while port_l_s(bore_cm, length_cm, top, low, 1.0, 1.0) * (top - low) < throughput:
        bottom = top
        top = low + 2.0 * (top - low)
    for _ in range(42):
        middle = 0.5 * (bottom + top)
        if port_l_s(bore_cm, length_cm, middle, low, 1.0, 1.0) * (middle - low) < throughput:
            bottom = middle
        else:
            top = middle
    return 0.5 * (bottom + top)


@njit(cache=True, nogil=True)
def port_pressure_micron(
    throughput: float,
    pump_side_leak: float,
    leak_at_pump: bool,
    free_air_l_s: float,
    falloff_share: float,
    falloff_micron: float,
    blankoff_micron: float,
    hose_bore_cm: float,
    upstream_length_cm: float,
    downstream_length_cm: float,
    port_bore_cm: float,
    port_length_cm: float,
) -> float:
    """Pressure at the service port's circuit side while `throughput` micron l/s of dry air flows steadily.

    The chain is solved from the pump upwards: pump inlet, downstream hose,
    middle of the line, upstream hose, port.
    """
    at_pump = throughput + pump_side_leak
    bottom = blankoff_micron
    top = blankoff_micron + 1.0
    while pump_speed_l_s(free_air_l_s, falloff_share, falloff_micron, top) * (top - blankoff_micron) < at_pump:
        bottom = top
        top = blankoff_micron + 2.0 * (top - blankoff_micron)
    for _ in range(42):
        inlet = 0.5 * (bottom + top)
        if pump_speed_l_s(free_air_l_s, falloff_share, falloff_micron, inlet) * (inlet - blankoff_micron) < at_pump:
            bottom = inlet
        else:
            top = inlet
    inlet = 0.5 * (bottom + top)
    through_hose = throughput if leak_at_pump else at_pump
    middle = _upstream_tube(inlet, through_hose, hose_bore_cm, downstream_length_cm)
    end = _upstream_tube(middle, throughput, hose_bore_cm, upstream_length_cm)
    return _upstream_port(end, throughput, port_bore_cm, port_length_cm)


@njit(cache=True, nogil=True)
def net_speed_l_s(
    at_micron: float,
    pump_side_leak: float,
    leak_at_pump: bool,
    free_air_l_s: float,
    falloff_share: float,
    falloff_micron: float,
    blankoff_micron: float,
    hose_bore_cm: float,
    upstream_length_cm: float,
    downstream_length_cm: float,
    port_bore_cm: float,
    port_length_cm: float,
) -> float:
    """Net throughput of dry air over pressure at the port's circuit side, l/s; 0 at or below the rig's floor."""
    low, high = 0.0, free_air_l_s * at_micron
    for i in range(28):
        # the first look is at no flow at all: is the rig's own floor already above?
        middle = 0.0 if i == 0 else 0.5 * (low + high)
        pressure = port_pressure_micron(
            middle,
            pump_side_leak,
            leak_at_pump,
            free_air_l_s,
            falloff_share,
            falloff_micron,
            blankoff_micron,
            hose_bore_cm,
            upstream_length_cm,
            downstream_length_cm,
            port_bore_cm,
            port_length_cm,
        )
        if pressure < at_micron:
            low = middle
        elif i == 0:
            return 0.0
        else:
            high = middle
    return 0.5 * (low + high) / at_micron
