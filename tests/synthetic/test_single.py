"""The forward simulation: mass kept, steps small enough, physics as outside sources have it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from blankoff_synthetic import Break, Circuit, Gauge, Isolate, Pool, Procedure, Pump, Requirement, Rig, simulate
from blankoff_synthetic.flow import ambient_micron, port_pressure_micron, tube_l_s
from blankoff_synthetic.water import saturation_micron

WET = Circuit(volume_l=8.0, free_water_g=4.0, ambient_c=24.0, heat_inflow_w_per_k=1.0)
FROZEN = Circuit(volume_l=8.0, free_water_g=12.0, ambient_c=8.0, heat_inflow_w_per_k=0.2, metal_j_per_k=60.0)
LEAKY = Circuit(volume_l=12.0, leak_micron_per_min=40.0)
CLEAN_GAUGE = Gauge(
    white_percent=0.0, wander_percent=0.0, white_micron=0.0, lag_s=0.0, jitter_share=0.0,
    top_of_range_micron=1e9, steps=((1e12, 1e-6),),
)  # fmt: skip
THREE_PULLS = Procedure(
    steps=(
        Pump(1500.0, 3600.0),
        Break(120000.0),
        Pump(1000.0, 3600.0),
        Break(120000.0),
        Pump(350.0, 7200.0, 60.0),
        Isolate(900.0, 3.0),
    )
)


@pytest.mark.parametrize("circuit", [Circuit(), WET, FROZEN, LEAKY], ids=["dry", "wet", "frozen", "leaky"])
@pytest.mark.parametrize("procedure", [Procedure(), THREE_PULLS], ids=["one pull", "three pulls"])
@pytest.mark.parametrize("isolation", ["port", "manifold"])
def test_gas_books_balance(circuit: Circuit, procedure: Procedure, isolation: str) -> None:
    """CALC: what was inside plus what came in equals what is inside plus what was pumped (isothermal gas)."""
    rig = Rig(isolation_at=isolation, pump_side_leak_micron_l_s=3.0, core_left_in=isolation == "manifold")
    pull = simulate(circuit, rig, CLEAN_GAUGE, procedure, 1)
    assert abs(pull.truth["mass_error_share"]) < 1e-9
    left = pull.truth["water_boiled_g"] + pull.truth["water_left_g"]
    assert left == pytest.approx(circuit.free_water_g, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("circuit", [Circuit(), WET, FROZEN, LEAKY], ids=["dry", "wet", "frozen", "leaky"])
def test_finer_steps_change_nothing_that_matters(circuit: Circuit) -> None:
    """CALC: eight times finer tolerance moves no pressure by over 0.5 per cent and no event by over 0.5 per cent."""
    procedure = Procedure(steps=(Pump(450.0, 14400.0, 60.0), Isolate(900.0)))
    coarse = simulate(circuit, Rig(), CLEAN_GAUGE, procedure, 1)
    fine = simulate(circuit, Rig(), CLEAN_GAUGE, procedure, 1, tolerance=5e-5)
    assert coarse.truth["isolated_at_s"] == pytest.approx(fine.truth["isolated_at_s"], rel=5e-3, abs=1.0)
    for name in ("water_boiled_g", "micron_at_required_hold", "moisture_rise_micron"):
        assert coarse.truth[name] == pytest.approx(fine.truth[name], rel=5e-3, abs=1.0), name
    until_s = 0.98 * fine.truth["isolated_at_s"]
    compared = fine.elapsed_s < until_s
    at_same_time = np.exp(
        np.interp(fine.elapsed_s[compared], coarse.elapsed_s, np.log(coarse.pressure_micron)),
    )
    assert np.quantile(np.abs(np.log(at_same_time / fine.pressure_micron[compared])), 0.95) < 0.01


@pytest.mark.parametrize(
    ("temperature_c", "micron"),
    [(-40, 96.32), (-30, 285.06), (-20, 774.36), (-10, 1949.21), (-5, 3013.31),
     (5, 6544.85), (10, 9212.25), (20, 17546.33), (30, 31854.90), (40, 55391.59)],
)  # fmt: skip
def test_saturation_against_iapws(temperature_c: float, micron: float) -> None:
    """RUN: IAPWS R14-08(2011) via iapws below 0 C, IAPWS-95 via CoolProp above; formulations agree to 3.5e-4."""
    assert saturation_micron(temperature_c) == pytest.approx(micron, rel=1e-3)


def test_tube_has_the_handbook_limits() -> None:
    """MEM: 12.1 d^3/l molecular, 135 d^4 p/l viscous (cm, mbar), Leybold; CALC for the hose table at 3.8."""
    mbar = 760000.0 / 1013.25
    assert tube_l_s(5.0, 100.0, 1e-9, 1.0, 1.0) == pytest.approx(15.125, rel=1e-3)
    assert tube_l_s(1.0, 100.0, 1e5 * mbar, 1.0, 1.0) == pytest.approx(135.0 * 1e5 / 100.0, rel=1e-4)
    assert tube_l_s(0.63, 150.0, 500.0, 1.0, 1.0) == pytest.approx(0.11089, rel=2e-3)


def test_atmosphere_thins_with_altitude() -> None:
    """RUN: psychrolib standard atmosphere at 1000 and 4000 m."""
    assert ambient_micron(1000.0) == pytest.approx(674114.0, rel=1e-4)
    assert ambient_micron(4000.0) == pytest.approx(462339.0, rel=1e-3)


def test_leak_only_rise_is_the_leak() -> None:
    """CALC: V dp/dt = Q; without pools and water the hold rises by leak times time, plus nothing."""
    circuit = Circuit(volume_l=10.0, leak_micron_per_min=25.0, pools=(), humidity_percent=0.0, inner_bore_mm=40.0)
    pull = simulate(circuit, Rig(), CLEAN_GAUGE, Procedure(steps=(Pump(400.0, 3600.0, 60.0), Isolate(1200.0))), 1)
    after = pull.elapsed_s > pull.truth["isolated_at_s"] + 60.0
    slope = np.polyfit(pull.elapsed_s[after] / 60.0, pull.pressure_micron[after], 1)[0]
    assert slope == pytest.approx(25.0, rel=1e-4)
    assert pull.truth["moisture_rise_micron"] == pytest.approx(0.0, abs=0.2)
    assert pull.truth["rise_kind"] == "leak"


def test_closed_pool_saturates_where_its_equation_says() -> None:
    """CALC: closed pool ends at amount / (V + holding), with time constant tau V / (V + holding)."""
    pool = Pool(20000.0, 1200.0, 45.0, "refrigerant")
    circuit = Circuit(volume_l=5.0, pools=(pool,), humidity_percent=0.0, near_share=0.5, inner_bore_mm=40.0)
    rig = Rig(free_air_l_s=5.0, bore_mm=16.0, port_bore_mm=12.0, isolation_at="port")
    pull = simulate(circuit, rig, CLEAN_GAUGE, Procedure(steps=(Pump(0.0, 120.0), Isolate(3600.0, 0.1))), 1)
    hold = pull.elapsed_s > pull.truth["isolated_at_s"] + 1.0
    t, p = pull.elapsed_s[hold], pull.pressure_micron[hold]
    end = p[-1]
    early = t < t[0] + 240.0
    rate = -np.polyfit(t[early], np.log(end - p[early]), 1)[0]
    assert 1.0 / rate == pytest.approx(1200.0 * 5.0 / 50.0, rel=0.02)
    assert 20000.0 * math.exp(-0.1) / 50.0 < end < 20000.0 / 50.0


def test_hold_over_water_ends_at_its_saturation() -> None:
    """Domain physics with the IAPWS table (RUN): moisture alone never rises above saturation at the ambient."""
    circuit = Circuit(volume_l=2.0, free_water_g=3.0, ambient_c=20.0, heat_inflow_w_per_k=4.0, pools=())
    procedure = Procedure(steps=(Pump(0.0, 60.0), Isolate(7200.0)))
    pull = simulate(circuit, Rig(), CLEAN_GAUGE, procedure, 1)
    water_end = pull.pressure_micron[-1]
    assert water_end <= 17546.33 * 1.001 + 50.0
    assert water_end > 0.97 * 17546.33


def test_effective_speed_is_what_the_pull_shows() -> None:
    """CALC: V d ln p / dt of a dry, poolless, well mixed circuit equals the static chain's throughput over pressure."""
    circuit = Circuit(volume_l=20.0, pools=(), humidity_percent=0.0, near_share=0.5, inner_bore_mm=60.0)
    gauge = replace(CLEAN_GAUGE, interval_s=1.0)
    rig = Rig(blankoff_micron=120.0, dead_volume_l=0.0)
    pull = simulate(circuit, rig, gauge, Procedure(steps=(Pump(500.0, 3600.0), Isolate(600.0))), 1)
    for name, at in (("speed_viscous_l_s", 8000.0), ("speed_deep_l_s", 1000.0)):
        i = int(np.argmax(pull.pressure_micron < at))
        p, t = pull.pressure_micron, pull.elapsed_s
        # the line's own gas rides along: well below a per cent of 20 l
        speed = 20.0 * math.log(p[i - 2] / p[i + 2]) / (t[i + 2] - t[i - 2])
        assert speed == pytest.approx(pull.truth[name], rel=0.02), name


def test_core_left_in_costs_deep_speed_most() -> None:
    """CP: a core left in is a 2 - 3 mm hole and can cost most of the deep speed (domain.md)."""
    free = simulate(Circuit(), Rig(bore_mm=12.0), Gauge(), Procedure(), 1).truth
    core = simulate(Circuit(), Rig(bore_mm=12.0, core_left_in=True), Gauge(), Procedure(), 1).truth
    deep = core["speed_deep_l_s"] / free["speed_deep_l_s"]
    assert deep < 0.5
    assert deep < core["speed_viscous_l_s"] / free["speed_viscous_l_s"]


def test_manifold_gauge_reads_low_and_steps_up() -> None:
    """Domain.md: a gauge on the pump's side reads low while pumping and steps up at isolation."""
    circuit = Circuit(volume_l=6.0, leak_micron_per_min=60.0, pools=(), humidity_percent=0.0)
    rig = Rig(isolation_at="manifold", core_left_in=True)
    pull = simulate(circuit, rig, replace(CLEAN_GAUGE, place="manifold"), Procedure(), 1)
    assert pull.truth["settling_step_micron"] > 30.0


def test_pump_side_leak_lifts_the_floor_but_not_the_hold() -> None:
    """CALC: the load that enters beyond the valve is gone in the hold."""
    circuit = Circuit(volume_l=10.0, pools=(), humidity_percent=0.0)
    procedure = Procedure(steps=(Pump(0.0, 1800.0), Isolate(900.0)), requirement=Requirement())
    bad = simulate(circuit, Rig(pump_side_leak_micron_l_s=60.0), CLEAN_GAUGE, procedure, 1)
    good = simulate(circuit, Rig(), CLEAN_GAUGE, procedure, 1)
    assert bad.truth["final_vacuum_micron"] > good.truth["final_vacuum_micron"] + 40.0
    assert bad.truth["floor_micron"] == pytest.approx(bad.truth["final_vacuum_micron"], rel=0.03)
    assert abs(bad.truth["rise_micron"]) < 2.0


def test_floor_without_load_is_the_static_chain() -> None:
    """CALC: with no load at all the port sits at the pump's blank-off."""
    nothing = port_pressure_micron(0.0, 0.0, False, 2.0, 0.2, 200.0, 35.0, 0.9, 75.0, 75.0, 0.5, 2.5)
    assert nothing == pytest.approx(35.0, rel=1e-6)


def test_verdicts_follow_the_contracts_order() -> None:
    """Contract, 'How a log is judged': each branch from a pull made to take it."""
    cases = {
        ("passed", "held"): (Circuit(pools=()), (Pump(300.0, 3600.0), Isolate(900.0))),
        ("failed", "leak"): (LEAKY, (Pump(300.0, 3600.0, 1800.0), Isolate(1500.0))),
        ("unproven", "no_hold"): (Circuit(), (Pump(300.0, 3600.0),)),
        ("unproven", "short_hold"): (Circuit(pools=()), (Pump(300.0, 3600.0), Isolate(300.0))),
        ("unproven", "target_missed"): (Circuit(pools=()), (Pump(700.0, 3600.0), Isolate(900.0))),
    }
    quick = replace(LEAKY, leak_micron_per_min=120.0, pools=())
    cases["failed", "leak"] = (quick, (Pump(300.0, 3600.0), Isolate(900.0)))
    cases["failed", "moisture"] = (
        Circuit(volume_l=3.0, pools=(Pool(60000.0, 900.0, 35.0),)),
        (Pump(450.0, 3600.0), Isolate(900.0)),
    )
    for want, (circuit, steps) in cases.items():
        truth = simulate(circuit, Rig(), Gauge(), Procedure(steps=steps), 3).truth
        assert (truth["verdict"], truth["reason"]) == want


def test_same_seed_same_log() -> None:
    """Chance is in the gauge alone, and seeded."""
    one, two, three = (simulate(WET, Rig(), Gauge(dropouts=2, frozen=1), Procedure(), seed) for seed in (5, 5, 6))
    np.testing.assert_array_equal(one.pressure_micron, two.pressure_micron)
    np.testing.assert_array_equal(one.elapsed_s, two.elapsed_s)
    assert one.truth["isolated_at_s"] == two.truth["isolated_at_s"]
    assert not np.array_equal(one.pressure_micron[:50], three.pressure_micron[:50], equal_nan=True) or (
        one.elapsed_s.size != three.elapsed_s.size
    )


def test_a_manifold_gauge_needs_its_valve() -> None:
    """A gauge on the pump's side of the shut valve would never see the hold."""
    with pytest.raises(ValueError, match="isolation_at"):
        simulate(Circuit(), Rig(), Gauge(place="manifold"), Procedure(), 1)
