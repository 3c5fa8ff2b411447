"""Pumping: times, speeds, floors, and the rig's speed behind a hose against a plain root finder."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from blankoff.physics.conductance import hose_l_s
from blankoff.physics.pumping import (
    effective_speed_l_s,
    floor_micron,
    pressure_after_micron,
    pump_down_time_s,
    pump_speed_l_s,
    rig_speed_l_s,
    speed_from_two_pressures_l_s,
)

VOLUME = st.floats(min_value=0.5, max_value=200.0)
SPEED = st.floats(min_value=0.01, max_value=5.0)


def test_effective_speed() -> None:
    assert float(effective_speed_l_s(2.0, 2.0)) == pytest.approx(1.0)
    assert float(effective_speed_l_s(2.0, math.inf)) == 2.0
    assert float(effective_speed_l_s(0.0, 3.0)) == 0.0
    assert float(effective_speed_l_s(3.0, 0.0)) == 0.0
    np.testing.assert_allclose(effective_speed_l_s([1.0, 3.0], 1.5), [0.6, 1.0])


def test_pump_speed_ends_at_blank_off() -> None:
    np.testing.assert_allclose(
        pump_speed_l_s([1e9, 100.0, 50.0, 40.0, 0.0], 2.0, 50.0), [2.0, 1.0, 0.0, 0.0, 0.0], atol=1e-6
    )
    assert np.isnan(pump_speed_l_s(math.nan, 2.0, 50.0))


def test_floor() -> None:
    assert float(floor_micron(30.0, 10.0, 0.5)) == pytest.approx(50.0)
    assert float(floor_micron(30.0, 0.0, 0.0)) == 30.0
    assert math.isinf(float(floor_micron(30.0, 1.0, 0.0)))


@given(VOLUME, SPEED, st.floats(min_value=0.0, max_value=400.0), st.floats(min_value=0.0, max_value=50.0))
def test_time_and_pressure_undo_one_another(volume: float, speed: float, ultimate: float, load: float) -> None:
    floor = float(floor_micron(ultimate, load, speed))
    assume(floor < 5e5)
    end = floor + 0.01 * (760000.0 - floor)
    time = pump_down_time_s(volume, speed, 760000.0, end, ultimate, load)
    back = float(pressure_after_micron(time, volume, speed, 760000.0, ultimate, load))
    assert back == pytest.approx(end, rel=1e-9)
    assert float(time) == pytest.approx(volume / speed * math.log(100.0), rel=1e-9)


def test_pump_down_against_the_differential_equation() -> None:
    """RUN scipy solve_ivp: V dp/dt = q - S (p - pu)."""
    volume, speed, ultimate, load = 7.0, 0.3, 40.0, 12.0
    found = solve_ivp(
        lambda _, p: (load - speed * (p - ultimate)) / volume, (0.0, 100.0), [9000.0], rtol=1e-10, atol=1e-8
    )
    ours = float(pressure_after_micron(100.0, volume, speed, 9000.0, ultimate, load))
    assert ours == pytest.approx(float(found.y[0, -1]), rel=1e-7)


def test_pump_down_edges() -> None:
    times = pump_down_time_s(10.0, 0.5, 1000.0, [100.0, 99.0, 1000.0, 2000.0, math.nan, 101.0], 50.0, 25.0)
    assert list(np.isinf(times)) == [True, True, False, False, False, False]
    assert times[2] == times[3] == 0.0
    assert np.isnan(times[4])
    assert times[5] == pytest.approx(20.0 * math.log(900.0), rel=1e-12)
    assert math.isinf(float(pump_down_time_s(10.0, 0.0, 1000.0, 500.0)))
    assert np.isnan(pump_down_time_s(math.nan, 0.5, 1000.0, 500.0))


def test_two_pressures_with_a_floor() -> None:
    p = pressure_after_micron([0.0, 20.0], 10.0, 0.5, 3000.0, 80.0)
    assert float(speed_from_two_pressures_l_s(10.0, 20.0, p[0], p[1], 80.0)) == pytest.approx(0.5, rel=1e-12)
    # without the floor the speed comes out low
    assert float(speed_from_two_pressures_l_s(10.0, 20.0, p[0], p[1])) < 0.5
    assert np.isnan(speed_from_two_pressures_l_s(10.0, 20.0, [500.0, 70.0], [80.0, 60.0], 80.0)).all()


@given(
    st.floats(min_value=60.0, max_value=2e5),
    st.floats(min_value=0.5, max_value=5.0),
    st.floats(min_value=0.0, max_value=50.0),
    st.floats(min_value=0.004, max_value=0.012),
    st.floats(min_value=0.3, max_value=3.0),
    st.sampled_from([0.0, 0.002, 0.003]),
)
def test_rig_speed_against_a_root_finder(
    circuit: float, rated: float, blankoff: float, bore: float, length: float, core: float
) -> None:
    """RUN scipy brentq: friction and inertia of what the pump takes use up the pressure difference."""
    areas = [math.pi * w**2 / 4.0 for w in (bore, core) if w > 0.0]

    def surplus(inlet: float) -> float:
        taken = rated * (inlet - blankoff)
        mean = 0.5 * (inlet + circuit)
        friction = taken / float(hose_l_s(bore, length, mean, core))
        density = mean * 0.133322368421 * 28.9647e-3 / (8.314462618 * 293.15)
        inertia = sum(0.75 * density * (taken * 1e-3 / mean / a) ** 2 for a in areas) / 0.133322368421
        return circuit - inlet - friction - inertia

    inlet = brentq(surplus, blankoff, circuit, xtol=1e-12, rtol=1e-14)
    expected = rated * (inlet - blankoff) / circuit
    assert float(rig_speed_l_s(circuit, rated, blankoff, bore, length, core)) == pytest.approx(expected, rel=1e-7)


def test_rig_speed_limits() -> None:
    wide = float(rig_speed_l_s(8000.0, 2.0, 30.0, 0.1, 0.1))
    assert wide == pytest.approx(float(pump_speed_l_s(8000.0, 2.0, 30.0)), rel=1e-4)
    narrow = float(rig_speed_l_s(100.0, 50.0, 0.0, 0.004, 3.0))
    assert narrow == pytest.approx(float(hose_l_s(0.004, 3.0, 50.0)), rel=0.01)


def test_rig_speed_edges_and_shapes() -> None:
    out = rig_speed_l_s([[1000.0], [20.0]], [2.0, math.nan], 30.0, 0.0063, 1.5, math.nan)
    assert out.shape == (2, 2)
    assert out[0, 0] > 0.0
    assert out[1, 0] == 0.0
    assert np.isnan(out[:, 1]).all()
    assert float(rig_speed_l_s(30.0, 2.0, 30.0, 0.0063, 1.5)) == 0.0
    assert np.isnan(rig_speed_l_s(math.nan, 2.0, 30.0, 0.0063, 1.5))


def test_hose_hardly_matters_in_viscous_flow() -> None:
    """Domain: high up the pump decides, deep down the bore does."""
    shallow = rig_speed_l_s(1e5, 2.0, 30.0, [0.0063, 0.0095], 1.5)
    deep = rig_speed_l_s(500.0, 2.0, 30.0, [0.0063, 0.0095], 1.5)
    assert shallow[1] / shallow[0] < 1.15
    assert deep[1] / deep[0] > 2.5
