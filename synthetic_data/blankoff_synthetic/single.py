"""One evacuation, simulated forward: `simulate`."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from . import kernel as k
from .flow import ambient_micron, net_speed_l_s, port_pressure_micron
from .parts import Break, Circuit, Gauge, Idle, Isolate, Procedure, Pull, Pump, Rig
from .reading import freeze, kept, lagged, noisy_reading_micron, sample_times_s
from .truth import Hold, judge_truth, split_rise
from .water import PA_PER_MICRON, grams_per_micron_l, saturation_micron, wet_spot, wet_spot_enthalpy_j

Floats = NDArray[np.float64]

TOLERANCE = 1e-3
"""Largest relative difference of a step from its two halves; halved in tests."""

LONGEST_STEP_S = 20.0
PUMP_INLET_L = 0.03
"""Volume of a pump's inlet port and fittings; no source."""

SPECIES = {"air": 0, "water": 1, "refrigerant": 2}


def simulate(
    circuit: Circuit,
    rig: Rig,
    gauge: Gauge,
    procedure: Procedure,
    seed: int,
    tolerance: float = TOLERANCE,
) -> Pull:
    """Run one evacuation.

    Parameters
    ----------
    circuit, rig, gauge, procedure
        See `blankoff_synthetic.parts`.
    seed : int
        Seeds the gauge's noise and gaps; the physics has no chance in it.
    tolerance : float
        Error control of the integrator.

    Returns
    -------
    Pull
        ``truth`` holds

        - ``phases``: list of dicts kind, start_s, end_s (from the log's first reading);
        - ``isolated_at_s`` when the judged hold's valve was shut (NaN without a hold), ``valve_started_s``;
        - ``leak_micron_per_min`` as rise of the volume left behind the valve, ``leak_pa_m3_s``;
        - ``rise_micron``, ``leak_rise_micron``, ``moisture_rise_micron``, ``settling_step_micron`` over the
          required hold, from a shadow run that always stands that long;
        - ``micron_at_required_hold`` (true, gauge's place, shadow run);
        - ``verdict``, ``reason``, ``rise_kind`` on true pressures, ``verdict_as_read``, ``reason_as_read`` on those
          times the gauge's ratio plus its offset; ``clear`` (no gauge or threshold within
          reach turns it);
        - ``speed_viscous_l_s``, ``speed_deep_l_s``: net throughput of dry air over pressure at the port's
          circuit side at 8000 and 1000 microns, blank-off included and the pump side's leak not;
          ``speed_deep_with_leak_l_s`` with it;
        - ``floor_micron`` (port pressure that the last pumping second's gas load would hold steady),
          ``blankoff_micron`` (water in the oil included);
        - ``water_boiled_g``, ``water_left_g``, ``lowest_pumped_micron``, ``final_vacuum_micron``,
          ``circuit_load_micron_l_s``, ``pump_side_load_micron_l_s``, ``mass_error_share``.

    Raises
    ------
    ValueError
        If a manifold gauge is combined with isolation at the port, or the procedure has no steps.
    """
    if gauge.place == "manifold" and rig.isolation_at != "manifold":
        raise ValueError("a manifold gauge sees the hold only with isolation_at='manifold'")
    if not procedure.steps:
        raise ValueError("a procedure needs at least one step")
    rng = np.random.default_rng(seed)
    par = parameters(circuit, rig, gauge, tolerance)
    pools = pool_table(circuit)
    steps = step_table(procedure, par)
    total_s = float(steps[:, 2].sum())
    times = sample_times_s(gauge, min(total_s, procedure.log_ends_s), rng)
    state = first_state(circuit, par, pools)
    first = state.copy()
    recorded = np.full((times.size, 3), np.nan)
    step_times = np.zeros((len(steps), 4))
    at_start = np.zeros((len(steps), state.size))
    count = k.march(state, par, pools, steps, times, 0.0, recorded, step_times, at_start)
    times, recorded = times[:count], recorded[:count]

    seen = (times >= procedure.log_starts_s) & (times <= procedure.log_ends_s)
    if not seen.any():
        seen[-1:] = True
    times, recorded = times[seen], recorded[seen]
    reading = noisy_reading_micron(gauge, times, lagged(times, recorded[:, 0], gauge.lag_s), rng)
    reading = freeze(gauge, times, reading, rng)
    hold = _judged_hold(procedure, step_times, float(times[-1]))
    isolated_s = hold.shut_s if hold else math.nan
    keep = kept(gauge, times, reading, isolated_s, rng)
    times, recorded, reading = times[keep], recorded[keep], reading[keep]
    # a radio gap may have swallowed the log's end: what is true of a hold is what the log saw of it
    hold = _judged_hold(procedure, step_times, float(times[-1]))
    unseen_s = _unseen_s(hold, times) if hold else 0.0
    zero_s = float(times[0])
    ambient = np.full(times.size, np.nan)
    if gauge.has_ambient:
        ambient = np.round(recorded[:, 2] + gauge.ambient_offset_c + rng.normal(0.0, 0.05, times.size), 1)
    marks = tuple(
        (round(float(step_times[i, 0]) - zero_s, 1), step.mark)
        for i, step in enumerate(procedure.steps)
        if step.mark and zero_s <= step_times[i, 0] <= times[-1]
    )
    truth = _truth(circuit, rig, procedure, par, pools, first, state, steps, step_times, at_start, hold, zero_s)
    truth.update(judge_truth(procedure, gauge, hold, truth, times, recorded[:, 0], unseen_s))
    return Pull(np.round(times - zero_s, 3), reading, ambient, marks, truth)


def parameters(circuit: Circuit, rig: Rig, gauge: Gauge, tolerance: float = TOLERANCE) -> Floats:
    """Parameter vector of the compiled integrator."""
    par = np.zeros(k.P_SIZE)
    hose_l = 0.25 * math.pi * (0.1 * rig.bore_mm) ** 2 * rig.length_m * 100.0 * 1e-3
    par[k.P_VOLUME_FAR] = circuit.volume_l * (1.0 - circuit.near_share)
    par[k.P_VOLUME_NEAR] = circuit.volume_l * circuit.near_share
    par[k.P_VOLUME_MIDDLE] = hose_l * rig.upstream_share + rig.dead_volume_l
    par[k.P_VOLUME_PUMP] = hose_l * (1.0 - rig.upstream_share) + PUMP_INLET_L
    par[k.P_INNER_BORE_CM] = 0.1 * circuit.inner_bore_mm
    par[k.P_INNER_LENGTH_CM] = 100.0 * circuit.inner_length_m
    par[k.P_PORT_BORE_CM] = 0.1 * (rig.core_bore_mm if rig.core_left_in else rig.port_bore_mm)
    par[k.P_PORT_LENGTH_CM] = 0.1 * (rig.core_length_mm if rig.core_left_in else rig.port_length_mm)
    par[k.P_HOSE_BORE_CM] = 0.1 * rig.bore_mm
    par[k.P_HOSE_UP_CM] = 100.0 * rig.length_m * rig.upstream_share
    par[k.P_HOSE_DOWN_CM] = 100.0 * rig.length_m * (1.0 - rig.upstream_share)
    par[k.P_VALVE_AT_PORT] = 1.0 if rig.isolation_at == "port" else 0.0
    par[k.P_FREE_AIR] = rig.free_air_l_s
    par[k.P_FALLOFF_SHARE] = rig.falloff_share
    par[k.P_FALLOFF_MICRON] = rig.falloff_micron
    par[k.P_BLANKOFF] = rig.blankoff_micron
    par[k.P_BLANKOFF_PER_G] = rig.blankoff_per_g
    par[k.P_BALLAST_MICRON] = rig.ballast_micron
    par[k.P_BALLAST_BELOW] = rig.ballast_below_micron
    par[k.P_LEAK] = circuit.leak_micron_per_min * circuit.volume_l / 60.0
    par[k.P_PUMP_SIDE_LEAK] = rig.pump_side_leak_micron_l_s
    par[k.P_ATMOSPHERE] = ambient_micron(circuit.altitude_m)
    par[k.P_EVAPORATION_L_S] = circuit.evaporation_l_s
    par[k.P_EVAPORATION_KNEE_G] = circuit.evaporation_knee_g
    par[k.P_METAL_J_K] = circuit.metal_j_per_k
    par[k.P_HEAT_W_K] = circuit.heat_inflow_w_per_k
    par[k.P_AMBIENT_C] = circuit.ambient_c
    par[k.P_DRIFT_K_PER_H] = circuit.drift_k_per_h
    par[k.P_SWING_K] = circuit.swing_k
    par[k.P_SWING_PERIOD_S] = circuit.swing_period_s
    par[k.P_POOL_PER_K] = circuit.pool_per_k
    par[k.P_GAUGE_PLACE] = 1.0 if gauge.place == "circuit" else 2.0
    par[k.P_TOLERANCE] = tolerance
    par[k.P_LONGEST_STEP_S] = LONGEST_STEP_S
    return par


def pool_table(circuit: Circuit) -> Floats:
    """Pools as rows of time constant s, holding l, start micron l, species."""
    table = np.zeros((len(circuit.pools), 4))
    for i, pool in enumerate(circuit.pools):
        table[i] = pool.time_constant_s, pool.holding_l, pool.amount_micron_l, SPECIES[pool.species]
    return table


def step_table(procedure: Procedure, par: Floats) -> Floats:
    """Procedure as rows of kind, until micron, longest s, linger s, value."""
    volume = float(par[k.P_VOLUME_FAR] + par[k.P_VOLUME_NEAR])
    if par[k.P_VALVE_AT_PORT] < 0.5:
        volume += float(par[k.P_VOLUME_MIDDLE])
    rows = []
    for step in procedure.steps:
        if isinstance(step, Idle):
            rows.append((k.STEP_IDLE, 0.0, step.seconds, 0.0, 0.0))
        elif isinstance(step, Pump):
            rows.append((k.STEP_PUMP, step.until_micron, step.longest_s, step.linger_s, 0.0))
        elif isinstance(step, Isolate):
            rows.append((k.STEP_ISOLATE, 0.0, step.hold_s, 0.0, step.valve_s))
        else:
            inflow = step.to_micron * volume / step.fill_s
            rows.append((k.STEP_BREAK, 0.0, step.fill_s + step.dwell_s, step.fill_s, inflow))
    return np.array(rows, dtype=np.float64)


def first_state(circuit: Circuit, par: Floats, pools: Floats) -> Floats:
    """State at the start: humid air at the pressure of the atmosphere everywhere."""
    state = np.zeros(k.POOLS + len(pools))
    atmosphere = float(par[k.P_ATMOSPHERE])
    vapour = 0.01 * circuit.humidity_percent * float(saturation_micron(circuit.ambient_c))
    state[k.AIR : k.AIR + 4] = atmosphere - vapour
    state[k.WATER : k.WATER + 4] = vapour
    state[k.WATER_G] = circuit.free_water_g
    state[k.ENTHALPY] = wet_spot_enthalpy_j(circuit.ambient_c, circuit.free_water_g, circuit.metal_j_per_k)
    state[k.POOLS :] = pools[:, 2]
    return state


def effective_speed_l_s(rig: Rig, at_micron: float, blankoff_micron: float, with_leak: bool = False) -> float:
    """Net throughput of dry air over pressure at the port's circuit side, l/s (0 at or below the rig's floor)."""
    return float(
        net_speed_l_s(
            at_micron,
            rig.pump_side_leak_micron_l_s if with_leak else 0.0,
            rig.isolation_at == "manifold",
            rig.free_air_l_s,
            rig.falloff_share,
            rig.falloff_micron,
            blankoff_micron,
            0.1 * rig.bore_mm,
            100.0 * rig.length_m * rig.upstream_share,
            100.0 * rig.length_m * (1.0 - rig.upstream_share),
            0.1 * (rig.core_bore_mm if rig.core_left_in else rig.port_bore_mm),
            0.1 * (rig.core_length_mm if rig.core_left_in else rig.port_length_mm),
        )
    )


def _judged_hold(procedure: Procedure, step_times: Floats, last_seen_s: float) -> Hold | None:
    """Find the last hold of a minute or more, seen in the log, that follows pumping."""
    found = None
    pumped_from: float | None = None
    lowest = math.inf
    for i, step in enumerate(procedure.steps):
        start, end = float(step_times[i, 0]), float(step_times[i, 1])
        if isinstance(step, Pump):
            if pumped_from is None:
                pumped_from, lowest = start, math.inf
            lowest = min(lowest, float(step_times[i, 2]))
        elif isinstance(step, Isolate):
            seen_end = min(end, last_seen_s)
            shut = start + step.valve_s
            if pumped_from is not None and seen_end - shut >= 60.0 and shut >= procedure.log_starts_s:
                found = Hold(i, start, shut, seen_end, pumped_from, lowest)
            pumped_from = None
        elif isinstance(step, Break):
            pumped_from = None
    return found


def _unseen_s(hold: Hold, times_s: Floats) -> float:
    """Longest that the isolation may lie from where it is, as far as the log's readings on either side of it tell."""
    after = int(np.searchsorted(times_s, hold.shut_s))
    before_s = float(times_s[after - 1]) if after else hold.shut_s
    after_s = float(times_s[after]) if after < times_s.size else hold.shut_s
    return max(hold.shut_s - before_s, after_s - hold.shut_s)


def _phases(procedure: Procedure, step_times: Floats, zero_s: float) -> list[dict[str, object]]:
    kinds = {Idle: "idle", Pump: "pump_down", Isolate: "hold", Break: "break"}
    out: list[dict[str, object]] = []
    for i, step in enumerate(procedure.steps):
        kind = kinds[type(step)]
        start, end = float(step_times[i, 0]) - zero_s, float(step_times[i, 1]) - zero_s
        if out and out[-1]["kind"] == kind == "pump_down":
            out[-1]["end_s"] = end
        else:
            out.append({"kind": kind, "start_s": start, "end_s": end})
    return out


def _truth(
    circuit: Circuit,
    rig: Rig,
    procedure: Procedure,
    par: Floats,
    pools: Floats,
    first: Floats,
    last: Floats,
    steps: Floats,
    step_times: Floats,
    at_start: Floats,
    hold: Hold | None,
    zero_s: float,
) -> dict[str, object]:
    """Collect the truth of a finished run."""
    pump_steps = [i for i, step in enumerate(procedure.steps) if isinstance(step, Pump)]
    truth: dict[str, object] = {
        "phases": _phases(procedure, step_times, zero_s),
        "isolated_at_s": math.nan,
        "valve_started_s": math.nan,
        "hold_minutes": 0.0,
        "lowest_pumped_micron": math.nan,
        "final_vacuum_micron": math.nan,
    }
    held = at_start[hold.step] if hold else last
    blankoff = rig.blankoff_micron + rig.blankoff_per_g * float(held[k.SWALLOWED_G])
    volume = _connected_l(par)
    leak_micron_l_s = float(par[k.P_LEAK])
    truth["leak_micron_per_min"] = leak_micron_l_s / volume * 60.0
    truth["leak_pa_m3_s"] = leak_micron_l_s * PA_PER_MICRON * 1e-3
    truth["speed_viscous_l_s"] = effective_speed_l_s(rig, 8000.0, blankoff)
    truth["speed_deep_l_s"] = effective_speed_l_s(rig, 1000.0, blankoff)
    truth["speed_deep_with_leak_l_s"] = effective_speed_l_s(rig, 1000.0, blankoff, with_leak=True)
    truth["blankoff_micron"] = blankoff
    truth["water_boiled_g"] = float(held[k.CUM_BOILED_G])
    truth["water_left_g"] = float(held[k.WATER_G])
    truth["pumped_s"] = float(sum(step_times[i, 1] - step_times[i, 0] for i in pump_steps))
    truth["pump_started_s"] = float(step_times[pump_steps[0], 0]) - zero_s if pump_steps else math.nan
    truth["mass_error_share"] = _mass_error_share(par, pools, first, last)
    load = _circuit_load(circuit, par, pools, held, float(step_times[hold.step, 0]) if hold else 0.0)
    truth["circuit_load_micron_l_s"] = load
    truth["pump_side_load_micron_l_s"] = rig.pump_side_leak_micron_l_s
    truth["floor_micron"] = float(
        port_pressure_micron(
            max(load, 0.0), rig.pump_side_leak_micron_l_s, rig.isolation_at == "manifold",
            rig.free_air_l_s, rig.falloff_share, rig.falloff_micron, blankoff,
            *(float(par[i]) for i in (k.P_HOSE_BORE_CM, k.P_HOSE_UP_CM, k.P_HOSE_DOWN_CM,
                                      k.P_PORT_BORE_CM, k.P_PORT_LENGTH_CM)),
        )
    )  # fmt: skip
    if hold is None:
        lows = [float(step_times[i, 2]) for i in pump_steps]
        truth["lowest_pumped_micron"] = min(lows) if lows else math.nan
        truth.update(split_rise(None, procedure, par, pools, steps, at_start))
    else:
        truth["isolated_at_s"] = hold.shut_s - zero_s
        truth["valve_started_s"] = hold.start_s - zero_s
        truth["hold_minutes"] = (hold.end_s - hold.shut_s) / 60.0
        truth["lowest_pumped_micron"] = hold.lowest_pumped_micron
        place = int(par[k.P_GAUGE_PLACE])
        truth["final_vacuum_micron"] = float(held[place] + held[4 + place] + held[8 + place])
        truth.update(split_rise(hold, procedure, par, pools, steps, at_start))
    return truth


def _connected_l(par: Floats) -> float:
    """Volume left behind the shut valve, l."""
    volume = float(par[k.P_VOLUME_FAR] + par[k.P_VOLUME_NEAR])
    return volume + (float(par[k.P_VOLUME_MIDDLE]) if par[k.P_VALVE_AT_PORT] < 0.5 else 0.0)


def _circuit_load(circuit: Circuit, par: Floats, pools: Floats, state: Floats, time_s: float) -> float:
    """Gas the circuit gives off in a state, micron l/s: leak, pools and evaporation."""
    load = float(par[k.P_LEAK])
    rate = math.exp(circuit.pool_per_k * (float(k.ambient_at(par, time_s)) - circuit.ambient_c))
    for i, pool in enumerate(pools):
        load += (rate * float(state[k.POOLS + i]) - pool[1] * float(state[4 * int(pool[3])])) / pool[0]
    if state[k.WATER_G] > 1e-9:
        spot_c = float(wet_spot(state[k.ENTHALPY], state[k.WATER_G], circuit.metal_j_per_k)[0])
        wet = circuit.evaporation_l_s * min(1.0, float(state[k.WATER_G]) / circuit.evaporation_knee_g)
        load += wet * (float(saturation_micron(spot_c)) - float(state[k.WATER]))
    return float(load)


def _mass_error_share(par: Floats, pools: Floats, first: Floats, last: Floats) -> float:
    """Gas that the books lost or invented over all that was there or came in (meaningful at constant ambient)."""
    volumes = par[[k.P_VOLUME_FAR, k.P_VOLUME_NEAR, k.P_VOLUME_MIDDLE, k.P_VOLUME_PUMP]]

    def inside(state: Floats) -> float:
        gas = sum(float(volumes @ state[base : base + 4]) for base in (k.AIR, k.WATER, k.REFRIGERANT))
        return gas + float(state[k.POOLS :].sum())

    boiled = float(last[k.CUM_BOILED_G]) / float(grams_per_micron_l(par[k.P_AMBIENT_C]))
    came = float(last[k.CUM_LEAKED] + last[k.CUM_PUMP_SIDE] + last[k.CUM_NITROGEN]) + boiled
    lost = inside(first) + came - inside(last) - float(last[k.CUM_PUMPED])
    return lost / (inside(first) + came)
