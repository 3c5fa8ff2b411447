"""Calibration of the raw probabilities: what its formula must do, whatever its fitted slopes are. Tag: CALC.

The slopes themselves are checked on simulated holds in ``tests/recovery/test_calibration.py``.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from blankoff.evacuation import calibration
from blankoff.evacuation.calibration import calibrated

NAN = float("nan")


def one(
    leak: float = 0.5, moisture: float = 0.5, saturating: float = 100.0, straight: float = 100.0, bend: float = 100.0
) -> tuple[float, float]:
    got = calibrated(*(np.array([float(x)]) for x in (leak, moisture, saturating, straight, bend)))
    return float(got[0][0]), float(got[1][0])


def log_odds(p: float) -> float:
    return math.log(p / (1.0 - p))


@pytest.mark.parametrize("p", [0.01, 0.3, 0.5, 0.9, 0.999])
def test_a_dry_circuits_log_odds_are_a_straight_line(p: float) -> None:
    want = calibration.LEAK_SHIFT + calibration.LEAK_SLOPE * log_odds(p)
    assert log_odds(one(leak=p, saturating=150.0)[0]) == pytest.approx(want)
    slope = calibration.MOISTURE_SLOPE + calibration.BESIDE_LEAK_SLOPE * 0.3
    want = calibration.MOISTURE_SHIFT + calibration.BESIDE_LEAK_SHIFT * 0.3 + slope * log_odds(p)
    assert log_odds(one(leak=0.3, moisture=p)[1]) == pytest.approx(want)


def test_no_probability_is_believed_beyond_one_in_ten_thousand() -> None:
    for sure, nearly in ((0.0, 1e-4), (1e-9, 1e-4), (1.0, 1.0 - 1e-4)):
        assert one(leak=sure)[0] == pytest.approx(one(leak=nearly)[0])
        assert one(moisture=sure)[1] == pytest.approx(one(moisture=nearly)[1])
    assert one(leak=1.1e-4)[0] > one(leak=1e-4)[0]
    assert one(leak=1.0 - 1.1e-4)[0] < one(leak=1.0 - 1e-4)[0]


def test_what_the_wet_circuits_odds_follow() -> None:
    """Above 700 microns that saturate some of the fit's own log-odds count."""
    for raw, sat, straight, bend in ((0.01, 900.0, 250.0, 1000.0), (0.99, 700.0, 3e3, 9e2), (0.7, 5e3, 400.0, 4e3)):
        want = calibration.WET_SHIFT + calibration.WET_CERTAINTY * log_odds(raw)
        assert log_odds(one(raw, 0.5, sat, straight, bend)[0]) == pytest.approx(want)
    # parts under a micron count as one
    assert one(0.5, 0.5, 700.0, 0.1, 14.0) == one(0.5, 0.5, 700.0, 1.0, 14.0)
    assert one(0.5, 0.5, 700.0, 0.1, 14.0)[0] > one(0.5, 0.5, 700.0, 1.0, 15.0)[0]


def test_a_few_hundredths_beside_water_are_the_waters_whatever_the_fit_is_sure_of() -> None:
    """Raw log-odds count for no more than 25 ln (ratio / 0.07): all they say from a tenth on, nothing for a leak at 0.07."""
    assert (calibration.CERTAIN_FROM, calibration.CERTAIN_RISE) == (0.07, 25.0)

    def wet(ratio: float, raw: float) -> float:
        odds = log_odds(one(raw, 0.5, 2000.0, 2000.0 * ratio, 2000.0)[0])
        return (odds - calibration.WET_SHIFT) / calibration.WET_CERTAINTY

    assert wet(0.12, 0.9999) == pytest.approx(log_odds(0.9999))
    assert wet(0.08, 0.9999) == pytest.approx(25.0 * math.log(0.08 / 0.07))
    assert wet(0.08, 0.6) == pytest.approx(log_odds(0.6))
    assert wet(0.5, 0.02) == pytest.approx(log_odds(0.02))
    assert wet(0.07, 0.9999) == pytest.approx(0.0, abs=1e-9)
    assert wet(0.06, 0.9999) == pytest.approx(25.0 * math.log(0.06 / 0.07))
    # no probability is believed beyond one in ten thousand
    assert wet(0.01, 0.9999) == pytest.approx(log_odds(1e-4))
    assert wet(0.01, 1e-9) == pytest.approx(log_odds(1e-4))


def test_from_dry_to_wet_by_degrees() -> None:
    """At 150 microns all dry, at 700 all wet, between them straight in log-odds and the logarithm of what saturates."""
    assert (calibration.WET_FROM_MICRON, calibration.WET_MICRON) == (150.0, 700.0)
    dry = log_odds(one(0.9, 0.5, 150.0, 1.0, 1.0)[0])
    assert dry == pytest.approx(log_odds(one(0.9, 0.5, 90.0, 1.0, 1.0)[0]))
    wet = log_odds(one(0.9, 0.5, 700.0, 1.0, 1.0)[0])
    assert wet == pytest.approx(calibration.WET_SHIFT + calibration.WET_CERTAINTY * log_odds(0.9))
    between = math.sqrt(150.0 * 700.0)
    assert log_odds(one(0.9, 0.5, between, 1.0, 1.0)[0]) == pytest.approx(0.5 * dry + 0.5 * wet)


def test_calibration_is_cautious_and_orders_as_the_raw_ones_do() -> None:
    """Slopes below one: never surer than the fit. A leak beside makes a small saturating part less of one."""
    p = np.linspace(0.01, 0.99, 30)
    half, hundred = np.full(30, 0.5), np.full(30, 100.0)
    leak, moisture = calibrated(p, p, hundred, hundred, hundred)
    assert (np.diff(leak) > 0.0).all()
    assert (np.diff(moisture) > 0.0).all()
    for slope in (calibration.LEAK_SLOPE, calibration.MOISTURE_SLOPE):
        assert 0.4 < slope < 1.0
    assert 0.0 < calibration.WET_CERTAINTY < 1.0
    assert max(abs(calibration.LEAK_SHIFT), abs(calibration.MOISTURE_SHIFT), abs(calibration.WET_SHIFT)) < 1.0
    beside = calibrated(np.full(30, 0.99), half, hundred, hundred, hundred)[1]
    alone = calibrated(np.full(30, 0.01), half, hundred, hundred, hundred)[1]
    assert (beside < alone).all()


def test_no_hold_has_no_probability() -> None:
    got = one(NAN, NAN, NAN, NAN, NAN)
    assert math.isnan(got[0])
    assert math.isnan(got[1])
