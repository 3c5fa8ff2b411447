"""A pump behind a line: against pressures found by bisection, and against what is known of either end."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from blankoff.fleet.wear_flow import DEEP_LINE_MICRON, VISCOUS_LINE_MICRON, halving_hole, line_law, speed_through
from blankoff.physics.conductance import knudsen_tube_l_s


def by_bisection(
    pump: float, viscous: float, molecular: float, hole: float, port_micron: float, blankoff: float
) -> float:
    """Speed at the port from the one pressure at the pump at which line and pump pass the same (CALC)."""

    def surplus(at_pump: float) -> float:
        flow = pump * (at_pump - blankoff)
        begin = port_micron - hole * flow
        return (0.5 * viscous * (begin + at_pump) + molecular) * (begin - at_pump) - flow

    # No line passes anything once its two ends are at one pressure.
    even = (port_micron + hole * pump * blankoff) / (1.0 + hole * pump)
    at_pump = brentq(surplus, blankoff, even, xtol=1e-10)
    return pump * (at_pump - blankoff) / port_micron


@pytest.mark.parametrize("pump", [0.7, 2.5, 5.0])
@pytest.mark.parametrize(("viscous", "molecular"), [(2e-5, 0.02), (5e-4, 0.15), (3e-3, 0.6)])
@pytest.mark.parametrize("hole", [0.01, 0.2, 1.0, 3.0])
@pytest.mark.parametrize(("port", "blankoff"), [(8000.0, 0.0), (1000.0, 40.0), (1000.0, 400.0)])
def test_against_bisection(
    pump: float, viscous: float, molecular: float, hole: float, port: float, blankoff: float
) -> None:
    got = speed_through(*(np.float64(x) for x in (pump, viscous, molecular, hole)), port, np.float64(blankoff))
    assert float(got) == pytest.approx(by_bisection(pump, viscous, molecular, hole, port, blankoff), rel=1e-9)


def test_in_molecular_flow_speeds_are_in_series() -> None:
    got = speed_through(np.float64(2.0), np.float64(1e-12), np.float64(0.5), np.float64(0.25), 1000.0, 0.0)
    assert float(got) == pytest.approx(1.0 / (1 / 2.0 + 1 / 0.5 + 0.25), rel=1e-6)


def test_a_weak_pump_behind_a_narrow_line_costs_less_than_in_series() -> None:
    """The line passes more when the pressure at its end rises; a narrower line lowers it and loses more than its share."""
    slope, rest = line_law(np.log(1.2), np.log(0.25))

    def speed(pump: float, width: float) -> float:
        return float(speed_through(np.float64(pump), slope * width, rest * width, np.float64(0.05), 8000.0, 0.0))

    line = 1.0 / (1.0 / speed(4.0, 1.0) - 1.0 / 4.0)
    in_series = (1.0 / (1.0 / 2.0 + 1.0 / line)) / speed(4.0, 1.0)
    assert speed(2.0, 1.0) / speed(4.0, 1.0) > in_series + 0.02
    narrower = (1.0 / (1.0 / 4.0 + 2.0 / line)) / speed(4.0, 1.0)
    assert speed(4.0, 0.5) / speed(4.0, 1.0) < narrower - 0.01


def test_a_tubes_law_is_all_but_straight_in_pressure() -> None:
    high, low = (float(knudsen_tube_l_s(0.008, 1.5, p)) for p in (VISCOUS_LINE_MICRON, DEEP_LINE_MICRON))
    slope, rest = line_law(np.log(high), np.log(low))
    for pressure in (300.0, 2000.0, 7000.0):
        assert slope * pressure + rest == pytest.approx(float(knudsen_tube_l_s(0.008, 1.5, pressure)), rel=0.02)


def test_a_hole_that_halves() -> None:
    one = np.float64
    more = halving_hole(2.5, 4e-4, 0.2, 0.3, 1000.0)
    sound = speed_through(one(2.5), one(4e-4), one(0.2), one(0.3), 1000.0, 0.0)
    assert float(speed_through(one(2.5), one(4e-4), one(0.2), one(0.3 + more), 1000.0, 0.0)) == pytest.approx(
        0.5 * sound
    )
