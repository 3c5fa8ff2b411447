"""The equations of one evacuation, and the compiled integrator that marches them.

Four places hold gas: the far part of the circuit (0), its part at the service
port (1), the middle of the line or manifold (2) and the pump's inlet (3). In
each, air, water vapour and refrigerant vapour have a partial pressure of
their own. A wet spot, the outgassing pools and the circuit's leak feed place
0, dry nitrogen enters at place 1, the pump side's leak at place 2 or 3::

    V_k dp_ks/dt = sum_j C_kj,s (p_js - p_ks) + sources_ks - [k = 3] S(P_3) (p_3s - b_s)
    dn_i/dt      = -(f(T) n_i - h_i p_0s) / tau_i              (pool i, species s)
    dH/dt        = UA (T_amb - T_w) - E h_vapour(T_w),  dm/dt = -E
    E            = K(m) (p_sat(T_w) - p_0,water)

`C` and `S` depend on the total pressures (see ``flow``), `b` is the pump's
blank-off, whose water part grows with the water that its oil swallows.

Scheme: each step solves the linearly implicit Euler equations (conductances
taken at the step's start; pools and evaporation eliminated exactly), once with
the whole step and twice with half of it. The two are extrapolated to second
order, and their difference sets the next step. The scheme damps the
sub-millisecond times of short fat hoses and keeps mass to round-off.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .flow import (
    WATER_MOLECULAR_FACTOR,
    WATER_VISCOSITY_RATIO,
    behind_port_micron,
    leak_share,
    port_l_s,
    pump_speed_l_s,
    tube_l_s,
)
from .water import (
    VAPOUR_AT_0C_J_PER_G,
    VAPOUR_HEAT_J_PER_G_K,
    grams_per_micron_l,
    saturation_micron,
    wet_spot,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Layout of the state vector: 3 species x 4 places, then the scalars, then the pools' contents.
AIR, WATER, REFRIGERANT = 0, 4, 8
ENTHALPY, WATER_G, SWALLOWED_G = 12, 13, 14
CUM_PUMPED, CUM_LEAKED, CUM_PUMP_SIDE, CUM_NITROGEN, CUM_BOILED_G = 15, 16, 17, 18, 19
POOLS = 20

# Layout of the parameter vector.
(
    P_VOLUME_FAR,
    P_VOLUME_NEAR,
    P_VOLUME_MIDDLE,
    P_VOLUME_PUMP,
    P_INNER_BORE_CM,
    P_INNER_LENGTH_CM,
    P_PORT_BORE_CM,
    P_PORT_LENGTH_CM,
    P_HOSE_BORE_CM,
    P_HOSE_UP_CM,
    P_HOSE_DOWN_CM,
    P_VALVE_AT_PORT,
    P_FREE_AIR,
    P_FALLOFF_SHARE,
    P_FALLOFF_MICRON,
    P_BLANKOFF,
    P_BLANKOFF_PER_G,
    P_BALLAST_MICRON,
    P_BALLAST_BELOW,
    P_LEAK,
    P_PUMP_SIDE_LEAK,
    P_ATMOSPHERE,
    P_EVAPORATION_L_S,
    P_EVAPORATION_KNEE_G,
    P_METAL_J_K,
    P_HEAT_W_K,
    P_AMBIENT_C,
    P_DRIFT_K_PER_H,
    P_SWING_K,
    P_SWING_PERIOD_S,
    P_SWING_PHASE,
    P_POOL_PER_K,
    P_GAUGE_PLACE,
    P_TOLERANCE,
    P_LONGEST_STEP_S,
    P_SIZE,
) = range(36)

STEP_IDLE, STEP_PUMP, STEP_ISOLATE, STEP_BREAK = 0, 1, 2, 3


@njit(cache=True, nogil=True)
def ambient_at(par: Floats, time_s: float) -> float:
    """Ambient temperature at a time: a line plus one sine (sun, cloud, a compressor room), Celsius."""
    return float(
        par[P_AMBIENT_C]
        + par[P_DRIFT_K_PER_H] * time_s / 3600.0
        + par[P_SWING_K]
        * (math.sin(2.0 * math.pi * time_s / par[P_SWING_PERIOD_S] + par[P_SWING_PHASE]) - math.sin(par[P_SWING_PHASE]))
    )


@njit(cache=True, nogil=True)
def _total(y: Floats, place: int) -> float:
    return float(y[AIR + place] + y[WATER + place] + y[REFRIGERANT + place])


@njit(cache=True, nogil=True)
def _viscosity_ratio(y: Floats, place: int) -> float:
    total = _total(y, place)
    if total <= 0.0:
        return 1.0
    share = y[WATER + place] / total
    return float(1.0 - (1.0 - WATER_VISCOSITY_RATIO) * min(max(share, 0.0), 1.0))


@njit(cache=True, nogil=True)
def _solve_chain(diagonal: Floats, couple: Floats, rhs: Floats, solution: Floats, offset: int) -> None:
    """Solve the symmetric tridiagonal system of one species (4 places) into `solution[offset:offset + 4]`."""
    c0 = -couple[0] / diagonal[0]
    d0 = rhs[0] / diagonal[0]
    m1 = diagonal[1] + couple[0] * c0
    c1 = -couple[1] / m1
    d1 = (rhs[1] + couple[0] * d0) / m1
    m2 = diagonal[2] + couple[1] * c1
    c2 = -couple[2] / m2
    d2 = (rhs[2] + couple[1] * d1) / m2
    m3 = diagonal[3] + couple[2] * c2
    x3 = (rhs[3] + couple[2] * d2) / m3
    x2 = d2 - c2 * x3
    x1 = d1 - c1 * x2
    x0 = d0 - c0 * x1
    solution[offset] = x0
    solution[offset + 1] = x1
    solution[offset + 2] = x2
    solution[offset + 3] = x3


@njit(cache=True, nogil=True)
def conductances(y: Floats, par: Floats, flows: Floats) -> None:
    """Fill `flows` (species, link) with the conductances that a state's pressures give, l/s."""
    total0 = _total(y, 0)
    total1 = _total(y, 1)
    total2 = _total(y, 2)
    total3 = _total(y, 3)
    eta0 = _viscosity_ratio(y, 0)
    eta1 = _viscosity_ratio(y, 1)
    eta2 = _viscosity_ratio(y, 2)
    behind = behind_port_micron(
        par[P_PORT_BORE_CM],
        par[P_PORT_LENGTH_CM],
        par[P_HOSE_BORE_CM],
        par[P_HOSE_UP_CM],
        total1,
        total2,
        eta1,
    )
    high = max(total1, behind)
    low = min(total1, behind)
    for species in range(3):
        molecular = WATER_MOLECULAR_FACTOR if species == 1 else 1.0
        port = port_l_s(par[P_PORT_BORE_CM], par[P_PORT_LENGTH_CM], high, low, eta1, molecular)
        up = tube_l_s(par[P_HOSE_BORE_CM], par[P_HOSE_UP_CM], 0.5 * (behind + total2), eta1, molecular)
        flows[species, 0] = tube_l_s(
            par[P_INNER_BORE_CM], par[P_INNER_LENGTH_CM], 0.5 * (total0 + total1), eta0, molecular
        )
        flows[species, 1] = port * up / (port + up)
        flows[species, 2] = tube_l_s(par[P_HOSE_BORE_CM], par[P_HOSE_DOWN_CM], 0.5 * (total2 + total3), eta2, molecular)


@njit(cache=True, nogil=True)
def euler_step(
    y: Floats,
    out: Floats,
    dt_s: float,
    time_s: float,
    par: Floats,
    pools: Floats,
    openness: float,
    pumping: bool,
    nitrogen: float,
    flows: Floats,
    work: Floats,
) -> None:
    """Take one linearly implicit Euler step of `dt_s` from `y` into `out`."""
    ambient = ambient_at(par, time_s + dt_s)
    warm = (ambient + 273.15) / (ambient_at(par, time_s) + 273.15)
    n_pools = pools.shape[0]
    pool_rate = math.exp(par[P_POOL_PER_K] * (ambient - par[P_AMBIENT_C]))
    diagonal = work[0]
    couple = work[1]
    rhs = work[2]

    total0 = _total(y, 0)
    total1 = _total(y, 1)
    total2 = _total(y, 2)
    total3 = _total(y, 3)
    valve_port = openness if par[P_VALVE_AT_PORT] > 0.5 else 1.0
    valve_middle = openness if par[P_VALVE_AT_PORT] < 0.5 else 1.0
    speed = 0.0
    if pumping:
        speed = pump_speed_l_s(par[P_FREE_AIR], par[P_FALLOFF_SHARE], par[P_FALLOFF_MICRON], total3)
    ballast = 0.0
    if total1 > par[P_BALLAST_BELOW]:
        ballast = par[P_BALLAST_MICRON]
    leak = par[P_LEAK] * leak_share(total0, par[P_ATMOSPHERE])
    pump_side = par[P_PUMP_SIDE_LEAK]
    if par[P_VALVE_AT_PORT] > 0.5:
        pump_side *= leak_share(total2, par[P_ATMOSPHERE])
    else:
        pump_side *= leak_share(total3, par[P_ATMOSPHERE])

    for i in range(out.size):
        out[i] = y[i]

    # Evaporation: the wet spot's temperature is eliminated, so that boiling stays stable on long steps.
    water_g = y[WATER_G]
    evaporation = 0.0
    saturation = 0.0
    spot_c = ambient
    heat_j_k = 1.0
    vapour_j_g = VAPOUR_AT_0C_J_PER_G
    g_per_unit = grams_per_micron_l(ambient)
    if water_g > 1e-9:
        spot_c, heat, _ = wet_spot(y[ENTHALPY], water_g, par[P_METAL_J_K])
        saturation = saturation_micron(spot_c)
        vapour_j_g += VAPOUR_HEAT_J_PER_G_K * spot_c
        evaporation = par[P_EVAPORATION_L_S] * min(1.0, water_g / par[P_EVAPORATION_KNEE_G])
        if not math.isinf(heat):
            slope = (saturation_micron(spot_c + 0.01) - saturation_micron(spot_c - 0.01)) / 0.02
            heat_j_k = heat + dt_s * par[P_HEAT_W_K]
            saturation += slope * dt_s * par[P_HEAT_W_K] * (ambient - spot_c) / heat_j_k
            evaporation /= 1.0 + evaporation * slope * dt_s * vapour_j_g * g_per_unit / heat_j_k
    fixed_source = 0.0

    for species in range(3):
        base = 4 * species
        couple[0] = flows[species, 0]
        couple[1] = valve_port * flows[species, 1]
        couple[2] = valve_middle * flows[species, 2]
        diagonal[0] = par[P_VOLUME_FAR] / dt_s + couple[0]
        diagonal[1] = par[P_VOLUME_NEAR] / dt_s + couple[0] + couple[1]
        diagonal[2] = par[P_VOLUME_MIDDLE] / dt_s + couple[1] + couple[2]
        diagonal[3] = par[P_VOLUME_PUMP] / dt_s + couple[2] + speed
        rhs[0] = par[P_VOLUME_FAR] / dt_s * y[base] * warm
        rhs[1] = par[P_VOLUME_NEAR] / dt_s * y[base + 1] * warm
        rhs[2] = par[P_VOLUME_MIDDLE] / dt_s * y[base + 2] * warm
        rhs[3] = par[P_VOLUME_PUMP] / dt_s * y[base + 3] * warm
        backing = 0.0
        if species == 0:
            rhs[0] += leak
            rhs[1] += nitrogen
            if par[P_VALVE_AT_PORT] > 0.5:
                rhs[2] += pump_side
            else:
                rhs[3] += pump_side
            backing = par[P_BLANKOFF] + ballast
        elif species == 1:
            backing = par[P_BLANKOFF_PER_G] * y[SWALLOWED_G]
        rhs[3] += speed * backing
        for i in range(n_pools):
            if int(pools[i, 3]) != species:
                continue
            damp = 1.0 + dt_s * pool_rate / pools[i, 0]
            holding = pools[i, 1]
            content = y[POOLS + i]
            if holding > 0.0 and y[base] * holding > pools[i, 2] * pool_rate:
                # above the pool's own equilibrium: it refills towards its start, no further
                rhs[0] += pool_rate * (content - pools[i, 2]) / pools[i, 0] / damp
            else:
                rhs[0] += pool_rate * content / pools[i, 0] / damp
                diagonal[0] += holding / pools[i, 0] / damp
        if species == 1 and water_g > 1e-9:
            kept_diagonal = diagonal[0]
            kept_rhs = rhs[0]
            diagonal[0] += evaporation
            rhs[0] += evaporation * saturation
            _solve_chain(diagonal, couple, rhs, out, base)
            lost_g = evaporation * (saturation - out[base]) * dt_s * g_per_unit
            if lost_g > water_g:
                fixed_source = water_g / (dt_s * g_per_unit)
                diagonal[0] = kept_diagonal
                rhs[0] = kept_rhs + fixed_source
                _solve_chain(diagonal, couple, rhs, out, base)
                lost_g = water_g
            out[WATER_G] = water_g - lost_g
            out[CUM_BOILED_G] = y[CUM_BOILED_G] + lost_g
            out[ENTHALPY] = y[ENTHALPY] - lost_g * vapour_j_g
            heat_in = par[P_HEAT_W_K] * (ambient - spot_c)
            if heat_j_k > 1.0:
                drop = (dt_s * heat_in - lost_g * vapour_j_g) / heat_j_k
                heat_in -= par[P_HEAT_W_K] * drop
            out[ENTHALPY] += heat_in * dt_s
        else:
            _solve_chain(diagonal, couple, rhs, out, base)
        pumped = speed * (out[base + 3] - backing) * dt_s
        out[CUM_PUMPED] += pumped
        if species == 1:
            out[SWALLOWED_G] = max(0.0, y[SWALLOWED_G] + pumped * g_per_unit)
        for i in range(n_pools):
            if int(pools[i, 3]) != species:
                continue
            damp = 1.0 + dt_s * pool_rate / pools[i, 0]
            holding = pools[i, 1]
            content = y[POOLS + i]
            if holding > 0.0 and y[base] * holding > pools[i, 2] * pool_rate:
                out[POOLS + i] = content - dt_s * pool_rate * (content - pools[i, 2]) / pools[i, 0] / damp
            else:
                out[POOLS + i] = (content + dt_s / pools[i, 0] * holding * out[base]) / damp
    out[CUM_LEAKED] = y[CUM_LEAKED] + leak * dt_s
    out[CUM_PUMP_SIDE] = y[CUM_PUMP_SIDE] + pump_side * dt_s
    out[CUM_NITROGEN] = y[CUM_NITROGEN] + nitrogen * dt_s


@njit(cache=True, nogil=True)
def march(
    y: Floats,
    par: Floats,
    pools: Floats,
    steps: Floats,
    sample_s: Floats,
    start_s: float,
    recorded: Floats,
    step_times: Floats,
    at_start: Floats,
) -> int:
    """March the state through a procedure, recording at the sample times.

    Parameters
    ----------
    y : array, changed in place
        State at `start_s`.
    par, pools : arrays
        Parameters; pools (n, 4) of time constant s, holding l, start micron l, species.
    steps : array, shape (m, 5)
        kind, until micron (0: no condition), longest s, linger s, value (valve s or nitrogen micron l/s).
    sample_s : array
        Ascending times at which to record.
    recorded : array, shape (>= len(sample_s), 3), filled
        Pressure at the gauge, mean of the isolated volume, ambient; linear between the integrator's steps.
    step_times : array, shape (m, 4), filled
        Start, end, lowest true pressure at the gauge, reached (1) or not (0).
    at_start : array, shape (m, len(y)), filled
        State at the start of each step.

    Returns
    -------
    int
        Number of samples recorded before the procedure ended.
    """
    size = y.size
    full = np.empty(size)
    half = np.empty(size)
    two = np.empty(size)
    work = np.empty((3, 4))
    flows = np.empty((3, 3))
    place = int(par[P_GAUGE_PLACE])
    time_s = start_s
    sample = 0
    dt_s = 0.01
    longest = par[P_LONGEST_STEP_S]
    for k in range(steps.shape[0]):
        kind = int(steps[k, 0])
        begun = time_s
        end = time_s + steps[k, 2]
        reached = steps[k, 1] <= 0.0
        lowest = math.inf
        step_times[k, 0] = begun
        for i in range(size):
            at_start[k, i] = y[i]
        dt_s = min(dt_s, 0.02)
        while time_s < end - 1e-9:
            remaining = end - time_s
            dt = min(dt_s, longest, remaining)
            openness = 1.0
            pumping = True
            nitrogen = 0.0
            if kind == STEP_IDLE:
                pumping = False
            elif kind == STEP_ISOLATE:
                closed = (time_s - begun + 0.5 * dt) / max(steps[k, 4], 1e-6)
                openness = 0.0 if closed >= 1.0 else (1.0 - closed) ** 2
                if time_s - begun < steps[k, 4]:
                    dt = min(dt, max(0.1 * steps[k, 4], 1e-3))
            elif kind == STEP_BREAK:
                openness = 0.0
                if time_s - begun < steps[k, 3]:
                    nitrogen = steps[k, 4]
                    dt = min(dt, max(steps[k, 3] - (time_s - begun), 1e-6))
            conductances(y, par, flows)
            euler_step(y, full, dt, time_s, par, pools, openness, pumping, nitrogen, flows, work)
            euler_step(y, half, 0.5 * dt, time_s, par, pools, openness, pumping, nitrogen, flows, work)
            conductances(half, par, flows)
            euler_step(half, two, 0.5 * dt, time_s + 0.5 * dt, par, pools, openness, pumping, nitrogen, flows, work)
            error = 0.0
            for j in range(4):
                whole = _total(two, j)
                gap = abs(whole - _total(full, j)) / (whole + 2.0)
                error = max(error, gap)
            if y[WATER_G] > 1e-9:
                error = max(error, abs(two[WATER_G] - full[WATER_G]) / (y[WATER_G] + 0.002))
            grow = 0.9 * math.sqrt(par[P_TOLERANCE] / max(error, 1e-12))
            if error > par[P_TOLERANCE] and dt > 1e-5:
                dt_s = dt * max(0.2, grow)
                continue
            was = _total(y, place)
            was_mean = isolated_mean(y, par)
            for i in range(size):
                # enthalpy may be negative; all else falls back to the stable half steps if it would turn so
                better = 2.0 * two[i] - full[i]
                if better < 0.0 and i != ENTHALPY and i != CUM_PUMPED:
                    better = two[i]
                y[i] = better
            time_s += dt
            if dt >= 0.999 * dt_s or grow < 1.0:
                dt_s = dt * min(2.5, max(0.3, grow))
            now = _total(y, place)
            now_mean = isolated_mean(y, par)
            while sample < sample_s.size and sample_s[sample] <= time_s:
                share = 1.0 - (time_s - sample_s[sample]) / dt
                recorded[sample, 0] = was + share * (now - was)
                recorded[sample, 1] = was_mean + share * (now_mean - was_mean)
                recorded[sample, 2] = ambient_at(par, sample_s[sample])
                sample += 1
            lowest = min(lowest, now)
            if kind == STEP_PUMP and not reached and now <= steps[k, 1]:
                reached = True
                end = min(end, time_s + steps[k, 3])
        step_times[k, 1] = time_s
        step_times[k, 2] = lowest
        step_times[k, 3] = 1.0 if reached else 0.0
    return sample


@njit(cache=True, nogil=True)
def isolated_mean(y: Floats, par: Floats) -> float:
    """Volume mean of the total pressure over what stays connected behind the closed valve, microns."""
    volume = par[P_VOLUME_FAR] + par[P_VOLUME_NEAR]
    content = par[P_VOLUME_FAR] * _total(y, 0) + par[P_VOLUME_NEAR] * _total(y, 1)
    if par[P_VALVE_AT_PORT] < 0.5:
        volume += par[P_VOLUME_MIDDLE]
        content += par[P_VOLUME_MIDDLE] * _total(y, 2)
    return float(content / volume)
