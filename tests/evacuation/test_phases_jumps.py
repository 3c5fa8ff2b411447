"""Dry gas let in: jumps that nothing else can make. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from blankoff.evacuation.phases_jumps import find_jump

Array = NDArray[np.float64]


def jump(
    p: list[float] | Array,
    every: float = 2.0,
    fastest: float = 0.05,
    vapour: float = 22_000.0,
    top: float = 60_000.0,
    final: bool = False,
    t: Array | None = None,
    i0: int = 0,
    i1: int = -1,
) -> int:
    y = np.log(np.array(p, dtype=np.float64))
    times = every * np.arange(y.size) if t is None else t
    return int(find_jump(times, y, i0, y.size - 1 if i1 < 0 else i1, fastest, math.log(vapour), math.log(top), final))


def test_gas_let_in_passes_what_vapour_can_make_within_seconds() -> None:
    stand = [300.0] * 20
    # seen to be 20 000 microns within 15 s: the jump begins where it has passed 0.15 of that in ln p, 563 microns
    for last, at in ((560.0, 24), (566.0, 23)):
        assert jump([*stand, 366.0, 447.0, 545.0, last, 20_000.0, *[40_000.0] * 5]) == at
    # and what rose by a fifth (in ln p) from one reading to the next was no stand any more: 310 to 378.6 microns
    for second, at in ((378.0, 22), (379.0, 21)):
        assert jump([*stand, 310.0, second, 20_000.0, *[40_000.0] * 5]) == at
    # a slow rise of thousands is no jump: a leak of 500 microns a minute
    slow = [300.0 + 500.0 * k / 30.0 for k in range(400)]
    assert jump(slow) == -1
    # vapour may come that far, though fast
    wet = [*stand, 2000.0, 6000.0, 10_000.0, *[10_000.0] * 5]
    assert jump(wet, final=True, vapour=22_000.0) == -1


def test_a_jump_is_more_than_the_pump_carried_away() -> None:
    """At once after the isolation the rise is at most ``fastest * p``: twice that is gas, in a log's last stretch five times.

    From 2 000 microns by 30 000 in 10 s: 3 000 microns a second, 1.5 of what there was.
    """
    t = np.array([0.0, 10.0, 20.0, 30.0])
    p = [2000.0, 32_000.0, 32_000.0, 32_000.0]
    for final, times in ((False, 2.0), (True, 5.0)):
        limit = 1.5 / times
        assert jump(p, t=t, fastest=limit * 0.99, final=final) == 1
        assert jump(p, t=t, fastest=limit * 1.01, final=final) == -1
    # a log that shows no fall is judged as by a pump that lowers ln p by a tenth a second
    low = [2000.0, 5999.0, 30_000.0, 30_000.0]
    assert jump(low, t=np.array([0.0, 20.0, 40.0, 60.0]), fastest=0.0) >= 0
    assert jump([20_000.0, 59_000.0, 59_000.0], t=np.array([0.0, 14.0, 28.0]), fastest=0.0, top=90_000.0) == -1


def test_a_sudden_jump_after_a_quiet_stand() -> None:
    """After 25 s and three readings a rise ten times as fast as all before, over 100 microns a second, is sudden."""
    quiet = [300.0] * 14
    # from 300 to 3 300 in 14 s, 214 microns a second: far under what vapour can make, and the log goes on
    leap = [3300.0] * 20
    assert jump(quiet + leap, fastest=2.0) == 14
    # a stand of 24 s is too short to say so
    assert jump(quiet[:13] + leap, fastest=2.0) == -1
    # slower than 100 microns a second: 1 501 in 15 s and a bit
    ramp = [300.0 + 98.0 * 2.0 * (k + 1) for k in range(8)]
    assert jump(quiet + ramp + [ramp[-1]] * 10, fastest=2.0) == -1
    # not sudden beside a stand that rose as fast as a tenth of it: 22 microns a second
    rising = [300.0 + 44.0 * k for k in range(14)]
    assert jump(rising + [rising[-1] + 3000.0] * 20, fastest=2.0) == -1
    calm = [300.0 + 20.0 * k for k in range(14)]
    assert jump(calm + [calm[-1] + 3000.0] * 20, fastest=2.0) == 14
    # in the last stretch of a log only if it then passes vapour
    assert jump(quiet + leap, fastest=2.0, final=True) == -1
    assert jump(quiet + leap + [25_000.0], fastest=2.0, final=True) == 14


@pytest.mark.parametrize(
    ("before", "after", "found"),
    [
        (1000.0, 2501.0, True),  # 1 501 microns
        (1000.0, 2499.0, False),
        (4000.0, 7300.0, True),  # 0.602 in ln
        (4000.0, 7280.0, False),  # 0.599
    ],
)
def test_least_jump(before: float, after: float, found: bool) -> None:
    assert (jump([before] * 20 + [after] * 20, fastest=50.0) == 20) is found


def test_a_jump_takes_fifteen_seconds_at_most_or_one_spacing() -> None:
    stand, high = [300.0] * 20, [40_000.0] * 5
    # readings further apart than that: the next one counts
    assert jump(stand + high, every=30.0, fastest=0.01) == 20
    # within 15 s 1 400 microns, within 16 s more
    climb = [300.0 + 1300.0 * k / 7.0 for k in range(1, 8)]
    assert jump([*stand, *climb, *[climb[-1]] * 20], fastest=3.0) == -1
    quick = [300.0 + 1700.0 * k / 7.0 for k in range(1, 8)]
    assert jump([*stand, *quick, *[quick[-1]] * 20], fastest=3.0) >= 20
    # only between the readings asked for
    assert jump(stand + high, fastest=0.01, i1=18) == -1
    assert jump(stand + high, fastest=0.01, i0=21) == -1


def test_water_takes_a_gauge_off_its_range_too_but_not_as_quickly() -> None:
    """A gauge whose range ends below what vapour makes: gas is off it within 45 s, in the log's last stretch."""
    stand = [300.0] * 20
    words = {"top": 12_000.0, "vapour": 22_000.0, "final": True, "fastest": 0.05}
    assert jump([*stand, 6000.0, 12_000.0, 12_000.0], **words) == 20
    # 6 700 microns at once, but then slower: 44 s to the top, 46 s
    near = lambda readings: [*stand, *[7000.0] * readings, *[12_000.0] * 3]  # noqa: E731
    assert jump(near(21), **words) == 20
    assert jump(near(22), **words) == -1
    # never
    assert jump([*stand, *[6000.0] * 30], **words) == -1
    # while the log goes on it need not be
    assert jump(near(22), **{**words, "final": False}) == 20
