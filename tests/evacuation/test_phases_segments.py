"""From turning points to phases, rule by rule: gas let in, falls that are pumping, rows. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import plain

from blankoff.evacuation.phases_clean import (
    GAP_S,
    MEDIAN_DT,
    N_SCALES,
    SIGMA,
    TOP_LN,
    WANDER,
    block_wander,
    coarsen_blocks,
)
from blankoff.evacuation.phases_isolation import N_FIT
from blankoff.evacuation.phases_jumps import find_jump
from blankoff.evacuation.phases_locate import (
    MOMENT_GAP,
    MOMENT_J,
    MOMENT_PUMPED,
    MOMENT_S,
    MOMENT_SD,
    MOMENT_STEP,
    N_MOMENT,
)
from blankoff.evacuation.phases_segments import (
    N_PHASE,
    _fall_start,
    _falls_at,
    _is_pumped,
    _put,
    _take_moment,
    _weigh_joined,
)
from blankoff.evacuation.phases_weigh import ACCEPTED, IN_GAP, ISO_J, ISO_S, ISO_SD, N_RISE, PUMPED, STEP, weigh_rise

Array = NDArray[np.float64]
NAN = float("nan")
VAPOUR_LN = math.log(22_000.0)
"""What water of a warm day can make."""


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
    assert jump(near(20), **words) == 20
    assert jump(near(24), **words) == -1
    # never
    assert jump([*stand, *[6000.0] * 30], **words) == -1
    # while the log goes on it need not be
    assert jump(near(24), **{**words, "final": False}) == 20


def put(k: int, kind: int = 1, start_i: int = 2, end_i: int = 5) -> tuple[int, Array]:
    rows = np.full((3, N_PHASE), -1.0)
    p = np.array([9.0, 8.0, 7.0, 6.0, 5.0, 4.0])
    return int(plain(_put)(rows, k, kind, 20.0, 50.0, start_i, end_i, p, 2, 1.5)), rows


def test_rows_of_phases() -> None:
    k, rows = put(1)
    assert k == 2
    # kind, start and end in s, readings from and up to, pressures of the first and the last, why, uncertainty
    assert rows[1].tolist() == [1.0, 20.0, 50.0, 2.0, 5.0, 7.0, 5.0, 2.0, 1.5]
    assert (rows[[0, 2]] == -1.0).all()
    # no room, and no readings
    assert put(3)[0] == 3
    assert (put(3)[1] == -1.0).all()
    assert put(1, end_i=2)[0] == 1
    assert put(1, end_i=3)[0] == 2


def some_scales(noise: float = 0.004) -> Array:
    out = np.zeros(N_SCALES)
    out[MEDIAN_DT], out[GAP_S], out[SIGMA], out[TOP_LN], out[WANDER] = 2.0, 20.0, noise, math.log(20_000.0), 1.0
    return out


def test_last_reading_of_a_level_before_it_falls() -> None:
    """As long as it is within 2.5 sigmas and 0.004 of the highest since."""
    t = np.arange(8.0)
    for below, want in ((0.0139, 4), (0.0141, 3)):
        y = 6.0 - np.array([0.0, 0.0, 0.0, 0.0, below, 0.05, 0.1, 0.2])
        assert _fall_start(t, y, some_scales(), 0, 7) == want
    y = np.array([6.0, 6.2, 6.1, 6.0, 5.9, 6.3, 5.0, 4.0])
    assert _fall_start(t, y, some_scales(), 0, 4) == 1
    assert _fall_start(t, y, some_scales(), 0, 7) == 5
    assert _fall_start(t, y, some_scales(), 2, 4) == 2


def test_a_pump_lowers_the_pressure_so_fast_for_so_long() -> None:
    """7e-4 of ln p a second over 45 s, or to the next block, four sigmas off."""
    t = np.arange(0.0, 300.0, 15.0)
    v = np.full(20, 1e-6)
    sure = 4.0 * math.sqrt(2e-6)
    for rate, falls in ((7.1e-4 + sure / 45.0, True), (6.9e-4 + sure / 45.0, False)):
        y = 6.0 - np.minimum(np.maximum(t - 90.0, 0.0), 45.0) * rate
        assert _falls_at(t, y, v, 0, 19, 7e-4) is falls
    y = 6.0 - np.maximum(t - 90.0, 0.0) * 5e-3
    assert _falls_at(t, y, v, 0, 19, 3e-3)
    # not before, not after
    assert not _falls_at(t, y, v, 0, 6, 3e-3)
    # blocks a minute apart: the next one
    far = 60.0 * np.arange(20.0)
    for rate, falls in ((7.1e-4 + sure / 60.0, True), (6.9e-4 + sure / 60.0, False)):
        y = 6.0 - np.minimum(np.maximum(far - 240.0, 0.0), 60.0) * rate
        assert _falls_at(far, y, v, 0, 19, 7e-4) is falls


@pytest.mark.parametrize(
    ("rise", "fall", "pumped"),
    [
        # most of the rise, and a quarter in ln: 0.7 of 0.5
        (0.5, 0.351, True),
        (0.5, 0.349, False),
        (0.3, 0.251, True),
        (0.3, 0.249, False),
        (0.1, 0.2, False),
    ],
)
def test_a_fall_that_takes_back_most_of_a_rise_is_pumping_however_slow(rise: float, fall: float, pumped: bool) -> None:
    t = np.array([0.0, 1000.0, 5000.0])
    y = np.array([6.0, 6.0 + rise, 6.0 + rise - fall])
    assert _is_pumped(t, y, np.full(3, 1e-6), 0, 1, 2) is pumped
    # or fast
    t[2] = 1000.0 + fall / 1e-3
    assert _is_pumped(t, y, np.full(3, 1e-6), 0, 1, 2)


def stretch(noise: float, seed: int, slope: float = 0.5) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """Blocks of one reading every ten seconds: thirty on a floor of 300 microns, sixty of a rise."""
    rng = np.random.default_rng(seed)
    t = 10.0 * np.arange(90.0) + 5.0
    p = 300.0 + slope * np.maximum(t - 300.0, 0.0)
    return t, np.log(p) + noise * rng.normal(size=90), np.full(90, noise**2), np.arange(91)


@pytest.mark.parametrize("noise", [0.018, 0.022, 0.033, 0.035, 0.06])
@pytest.mark.parametrize(("dt", "slope"), [(2.0, 0.2), (2.0, 0.06), (50.0, 0.2), (12.0, 0.2), (0.5, 0.12)])
def test_noisy_stands_are_weighed_again_on_joined_blocks(noise: float, dt: float, slope: float) -> None:
    """Three at a time, then eight, as far as the noise asks for it: a block's is to come to 0.012, within two minutes."""
    for seed in range(2):
        t, y, v, bs = stretch(noise, seed, slope)
        scales = some_scales(noise)
        scales[MEDIAN_DT], scales[WANDER] = dt, 1.3
        low, end = int(y[:40].argmin()), 89
        out, rise = np.empty((98, N_FIT)), np.full(N_RISE, -7.0)
        joined, joined_i = np.empty((3, 91)), np.empty((2, 92), dtype=np.int64)
        got = _weigh_joined(
            t, scales, t, y, v, bs, 90, 0, low, end, True, NAN, out, joined, joined_i, rise
        )  # fmt: skip
        assert scales[WANDER] == 1.3
        most = min(1.3 * noise**2 / 0.012**2, 120.0 / max(dt, 1.0))
        want, accepted = np.full(N_RISE, -7.0), False
        for count in (3, 8):
            if int(most) < count or accepted:
                continue
            jt, jy, jv = np.empty(91), np.empty(91), np.empty(91)
            js, of = np.empty(92, dtype=np.int64), np.empty(92, dtype=np.int64)
            n = coarsen_blocks(t, y, v, bs, 90, count, 60.0, math.log(20_000.0) - 1e-9, jt, jy, jv, js, of)
            near = range(max(of[low] - 2, of[0]), min(of[low] + 2, of[end]) + 1)
            lowest = min(near, key=lambda k: (jy[k], k != of[low], k))
            own = scales.copy()
            own[WANDER] = block_wander(jy, jv, n, math.log(20_000.0) - 1e-9)
            weigh_rise(t, own, jt, jy, jv, js, int(of[0]), int(lowest), int(of[end]), True, NAN, out, want)
            accepted = bool(want[ACCEPTED] > 0.0)
        assert bool(got) is accepted
        np.testing.assert_allclose(rise, want)


def test_a_located_isolation_takes_the_place_of_the_guess() -> None:
    moment = np.zeros(N_MOMENT)
    for place, value in ((MOMENT_S, 1.0), (MOMENT_SD, 2.0), (MOMENT_J, 3.0), (MOMENT_PUMPED, 4.0), (MOMENT_STEP, 5.0)):
        moment[place] = value
    rise = np.full(N_RISE, 9.0)
    _take_moment(moment, rise)
    assert rise[[ISO_S, ISO_SD, ISO_J, PUMPED, STEP, IN_GAP]].tolist() == [1.0, 2.0, 3.0, 4.0, 5.0, 0.0]
    moment[MOMENT_GAP] = 77.0
    _take_moment(moment, rise)
    assert rise[[IN_GAP, ISO_SD]].tolist() == [1.0, 77.0]
