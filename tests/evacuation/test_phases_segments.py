"""From turning points to phases: which stretches are weighed, and what becomes of the answer. Tag: CALC.

The rules of `segment_log` are tested on logs of one reading per block, with the weighing of a stand, its location and gas let
in answered by the test (`Answers`), which notes what was asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import plain

from blankoff.evacuation import phases_segments
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
from blankoff.evacuation.phases_locate import (
    MOMENT_EVIDENCE,
    MOMENT_GAP,
    MOMENT_J,
    MOMENT_PUMPED,
    MOMENT_RISE_LN,
    MOMENT_S,
    MOMENT_SD,
    MOMENT_SHARP,
    MOMENT_STEP,
    N_MOMENT,
)
from blankoff.evacuation.phases_rows import (
    BREAK,
    GAP,
    HOLD,
    N_PHASE,
    PUMP_DOWN,
    WHY_BEGINS,
    WHY_BENDS,
    WHY_FALLS,
    WHY_GAS,
    WHY_IN_GAP,
    WHY_MARK,
    WHY_STEP,
)
from blankoff.evacuation.phases_segments import (
    MARK_CLOSED,
    MARK_OPENED,
    _begins_held,
    _closed_within,
    _floor_from,
    _last_before,
    _shown_by_sides,
    _take_moment,
    _vapour_ln,
    _weigh_joined,
    _why_isolated,
    segment_log,
)
from blankoff.evacuation.phases_weigh import (
    ACCEPTED,
    CLIMB,
    EVIDENCE,
    IN_GAP,
    ISO_J,
    ISO_S,
    ISO_SD,
    N_RISE,
    PUMPED,
    RISE_LN,
    STEP,
    weigh_rise,
)

Array = NDArray[np.float64]
NAN = float("nan")


def some_scales(noise: float = 0.004) -> Array:
    out = np.zeros(N_SCALES)
    out[MEDIAN_DT], out[GAP_S], out[SIGMA], out[TOP_LN], out[WANDER] = 2.0, 20.0, noise, math.log(20_000.0), 1.0
    return out


def stretch(noise: float, seed: int, slope: float = 0.5) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """Blocks of one reading every ten seconds: thirty on a floor of 300 microns, sixty of a rise.

    The first are off the range of 20 000 microns, some below it follow; amid the rise readings are missing for 63 s.
    """
    rng = np.random.default_rng(seed)
    t = 10.0 * np.arange(90.0) + 5.0
    p = 300.0 + slope * np.maximum(t - 300.0, 0.0)
    y = np.log(p) + noise * rng.normal(size=90)
    y[:4] = math.log(20_000.0)
    y[4:8] = 9.2
    t[60:] += 53.0
    return t, y, np.full(90, noise**2), np.arange(91)


@pytest.mark.parametrize("noise", [0.018, 0.019, 0.022, 0.031, 0.035, 0.06])
@pytest.mark.parametrize(("dt", "slope"), [(2.0, 0.2), (2.0, 0.06), (42.0, 0.2), (12.0, 0.2)])
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
        most = min(1.3 * noise**2 / 0.012**2, 120.0 / dt)
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


@pytest.mark.parametrize(
    ("pull", "low", "end", "want"),
    [
        # joined three by three, the lowest is the twentieth: blocks 60 to 62
        *[(0, 60 + 3 * d, 89, (0, 20, 29)) for d in (-2, -1, 0, 1, 2)],
        # no further than two joined blocks from where the stand was thought to be lowest
        (0, 51, 89, (0, 19, 29)), (0, 69, 89, (0, 21, 29)),
        # and within the stand
        (63, 66, 89, (21, 21, 29)), (0, 54, 59, (0, 19, 19)),
        # four joined blocks after the first are the least
        (48, 60, 62, (16, 20, 20)), (51, 60, 62, None),
    ],
)  # fmt: skip
def test_lowest_joined_block_is_near_the_lowest_single_one(
    monkeypatch: pytest.MonkeyPatch, pull: int, low: int, end: int, want: tuple[int, int, int] | None
) -> None:
    asked: list[tuple[int, int, int]] = []

    def weigh(ct, scales, bt, by, bv, bs, pull, low, end, final, marked, out, rise) -> None:  # type: ignore[no-untyped-def]
        asked.append((int(pull), int(low), int(end)))
        rise[ACCEPTED] = 1.0

    monkeypatch.setattr(phases_segments, "weigh_rise", weigh)
    t = 10.0 * np.arange(90.0)
    y = 6.0 + 0.001 * np.abs(np.arange(90.0) - 61.0)
    v, bs, scales = np.full(90, 0.03**2), np.arange(91), some_scales()
    room = np.empty((98, N_FIT)), np.empty((3, 90)), np.empty((2, 91), dtype=np.int64), np.zeros(N_RISE)
    got = plain(_weigh_joined)(t, scales, t, y, v, bs, 90, pull, low, end, True, NAN, *room)
    assert asked == ([want] if want else [])
    assert bool(got) is (want is not None)


@pytest.mark.parametrize(("blocks", "want"), [(299, []), (300, [3]), (799, [3]), (800, [3, 8])])
def test_blocks_of_a_long_stand_are_joined_however_quiet(
    monkeypatch: pytest.MonkeyPatch, blocks: int, want: list[int]
) -> None:
    """Down to a hundred of them, as long as what is joined spans no more than two minutes: ten seconds a block here."""
    asked: list[int] = []

    def weigh(ct, scales, bt, by, bv, bs, pull, low, end, final, marked, out, rise) -> None:  # type: ignore[no-untyped-def]
        asked.append(round((bt[1] - bt[0]) / 10.0))
        rise[ACCEPTED] = 0.0

    monkeypatch.setattr(phases_segments, "weigh_rise", weigh)
    t = 10.0 * np.arange(float(blocks))
    v, bs, scales = np.full(blocks, 1e-6), np.arange(blocks + 1), some_scales()
    scales[MEDIAN_DT] = 10.0
    room = np.empty((8, N_FIT)), np.empty((3, blocks)), np.empty((2, blocks + 1), dtype=np.int64), np.zeros(N_RISE)
    y = 6.0 + 1e-6 * np.abs(np.arange(float(blocks)) - 90.0)
    assert not plain(_weigh_joined)(t, scales, t, y, v, bs, blocks, 0, 90, blocks - 1, True, NAN, *room)
    assert asked == want
    # twenty seconds a reading: six are the most
    scales[MEDIAN_DT] = 20.0
    asked.clear()
    plain(_weigh_joined)(t, scales, t, y, v, bs, blocks, 0, 90, blocks - 1, True, NAN, *room)
    assert asked == want[:1]


def test_a_located_isolation_takes_the_place_of_the_guess() -> None:
    moment = np.zeros(N_MOMENT)
    for place, value in ((MOMENT_S, 1.0), (MOMENT_SD, 2.0), (MOMENT_J, 3.0), (MOMENT_PUMPED, 4.0), (MOMENT_STEP, 5.0)):
        moment[place] = value
    rise = np.full(N_RISE, 9.0)
    _take_moment(moment, rise)
    assert rise[[ISO_S, ISO_SD, ISO_J, PUMPED, STEP, IN_GAP]].tolist() == [1.0, 2.0, 3.0, 4.0, 5.0, 0.0]
    moment[MOMENT_GAP] = 0.5
    _take_moment(moment, rise)
    assert rise[[IN_GAP, ISO_SD]].tolist() == [1.0, 0.5]


def test_what_vapour_of_the_day_can_make() -> None:
    """1.15 times saturation two degrees above the ambient: at 20 degC of 22 degC, 2 645 Pa (IAPWS; one micron 0.1333 Pa)."""
    assert math.exp(_vapour_ln(20.0)) == pytest.approx(1.15 * 2645.0 / 0.133322, rel=2e-3)
    # a number that no weather has, or none, stands for a warm day of 28 degC
    warm = _vapour_ln(28.0)
    for odd in (NAN, -30.0, 60.0, -273.0, 1e6):
        assert _vapour_ln(odd) == warm
    assert _vapour_ln(-29.9) < _vapour_ln(20.0) < warm < _vapour_ln(59.9)


def test_a_stand_ends_with_the_last_block_that_gas_does_not_reach() -> None:
    bs = np.array([0, 3, 6, 9, 12])
    assert [_last_before(bs, 4, 0, jump) for jump in (2, 5, 6, 8, 9, 11)] == [0, 0, 1, 1, 2, 2]
    # never before the stand's low
    assert [_last_before(bs, 4, 2, jump) for jump in (5, 9, 11)] == [2, 2, 2]
    assert _last_before(bs, 4, 3, 11) == 3


def test_the_last_mark_within_a_stretch_that_says_isolated() -> None:
    s = np.array([5.0, 10.0, 20.0, 25.0, 30.0])
    kinds = np.array([MARK_CLOSED, MARK_CLOSED, MARK_CLOSED, MARK_OPENED, MARK_CLOSED])
    assert _closed_within(s, kinds, 10.0, 29.0) == 20.0
    assert _closed_within(s, kinds, 10.0, 30.0) == 30.0
    assert _closed_within(s, kinds, 10.0, 19.0) == 10.0
    assert math.isnan(_closed_within(s, kinds, 21.0, 29.0))
    assert math.isnan(_closed_within(s[:0], kinds[:0], 0.0, 99.0))


def begins(low: int = 0, end: int = 6, climb: float = 101.0, rise_ln: float = 0.13, level: float = 7.0) -> Array | None:
    scales, rise = some_scales(), np.zeros(N_RISE)
    rise[CLIMB] = climb
    by = np.full(20, level)
    by[end] += rise_ln
    ct, bs = 2.0 * np.arange(60.0), 3 * np.arange(21)
    return rise if _begins_held(ct, scales, by, bs, low, end, rise) else None


def test_a_log_that_begins_with_its_hold_climbs_clearly_from_one_of_its_first_blocks() -> None:
    rise = begins(low=2, end=8)
    assert rise is not None
    # from the low's first reading on, known to one spacing
    assert rise[[ISO_J, ISO_S, ISO_SD]].tolist() == [6.0, 12.0, 2.0]
    assert rise[PUMPED] == pytest.approx(math.exp(7.0))
    assert begins() is not None
    # not after blocks of a pull; not of fewer than six blocks, by an eighth in ln p, with evidence of 100
    for words in (
        {"low": 3, "end": 9}, {"end": 5}, {"low": 2, "end": 7}, {"climb": 100.0}, {"climb": 99.0}, {"rise_ln": 0.119},
    ):  # fmt: skip
        assert begins(**words) is None  # type: ignore[arg-type]
    assert begins(rise_ln=0.121) is not None
    # nor where the gauge reads nothing
    top = math.log(20_000.0)
    assert begins(level=top) is None
    assert begins(level=top - 1e-6) is not None


def sides(lasts_s: float, rise_ln: float, evidence: float, sharp: float) -> bool:
    moment = np.zeros(N_MOMENT)
    moment[MOMENT_S], moment[MOMENT_RISE_LN], moment[MOMENT_EVIDENCE], moment[MOMENT_SHARP] = (
        40.0,
        rise_ln,
        evidence,
        sharp,
    )
    return bool(_shown_by_sides(moment, 40.0 + lasts_s))


def test_a_hold_that_only_the_two_sides_together_show() -> None:
    # rises by three per cent and says so by 25; or stands, by 40 against floors reached at once; a minute at least
    assert sides(61.0, 0.031, 25.1, 0.0)
    assert not sides(60.0, 0.031, 25.1, 0.0)
    assert not sides(61.0, 0.03, 25.1, 0.0)
    assert not sides(61.0, 0.031, 25.0, 0.0)
    assert sides(61.0, -0.0049, 0.0, 40.1)
    assert not sides(60.0, -0.0049, 0.0, 40.1)
    assert not sides(61.0, -0.005, 0.0, 40.1)
    assert not sides(61.0, -0.0049, 0.0, 40.0)
    # neither half of one and half of the other
    assert not sides(61.0, 0.031, 0.0, 39.0)
    assert not sides(61.0, 0.0, 99.0, 0.0)
    # a sag is neither
    assert not sides(600.0, -0.1, 99.0, 99.0)


def isolated(**of: float) -> Array:
    rise = np.zeros(N_RISE)
    places = {"s": ISO_S, "in_gap": IN_GAP, "evidence": EVIDENCE, "step": STEP, "pumped": PUMPED}
    for name, value in {"s": 500.0, "evidence": 50.0, "pumped": 250.0, **of}.items():
        rise[places[name]] = value
    return rise


def test_what_shows_an_isolation() -> None:
    assert _why_isolated(isolated(), NAN) == WHY_BENDS
    # a step of more than three per cent and 3 microns of what was pumped: 10.5
    for step, want in ((10.4, WHY_BENDS), (10.6, WHY_STEP), (-10.4, WHY_BENDS), (-10.6, WHY_STEP)):
        assert _why_isolated(isolated(step=step), NAN) == want
    # a mark within 90 s, where the bend alone (26) would not do
    for at, evidence, want in (
        (589.0, 25.9, WHY_MARK), (411.0, 25.9, WHY_MARK), (590.0, 25.9, WHY_BENDS), (409.0, 25.9, WHY_BENDS),
        (500.0, 26.0, WHY_BENDS), (500.0, 0.0, WHY_MARK),
    ):  # fmt: skip
        assert _why_isolated(isolated(evidence=evidence), at) == want
    # a mark goes before a step, and no readings before both
    assert _why_isolated(isolated(evidence=20.0, step=80.0), 500.0) == WHY_MARK
    assert _why_isolated(isolated(evidence=20.0, step=80.0), NAN) == WHY_STEP
    assert _why_isolated(isolated(evidence=20.0, step=80.0, in_gap=1.0), 500.0) == WHY_IN_GAP


def test_a_floor_that_explains_an_isolation_as_well() -> None:
    """Asked of an isolation that floors reached at once explain but for 5 as well, or of an hour that rose by less than a tenth;
    with ten blocks of stand behind it."""
    bs = 3 * np.arange(40)
    moment = np.zeros(N_MOMENT)
    for sharp, j, end, want in (
        (5.0, 30, 39, -1),
        (4.9, 30, 39, 11),  # block 10 begins with the isolation's reading, 11 after it
        (4.9, 29, 39, 10),
        (4.9, 31, 39, 11),
        (4.9, 29, 20, 10),
        (4.9, 29, 19, -1),
        (4.9, 200, 39, -1),
    ):
        moment[MOMENT_SHARP], moment[MOMENT_J] = sharp, j
        assert _floor_from(bs, moment, end, 600.0) == want
    moment[MOMENT_SHARP], moment[MOMENT_J] = 50.0, 30
    for stands_s, rise_ln, want in (
        (3600.0, 0.0, -1), (3601.0, 0.0, 11), (3601.0, 0.09, 11), (3601.0, -0.09, 11), (3601.0, 0.11, -1), (3601.0, -0.11, 11),
    ):  # fmt: skip
        moment[MOMENT_RISE_LN] = rise_ln
        assert _floor_from(bs, moment, 39, stands_s) == want


@dataclass
class Answers:
    """What stands in for weighing and locating; blocks are readings 10 s apart, so places are numbers of readings.

    Parameters
    ----------
    accepts, joined, located
        Lows of stands that are accepted, by single and by joined blocks; and beginnings of pulls from which an isolation is
        located, two readings after the guess.
    jumps
        Reading of a jump by the low of its stand.
    """

    accepts: set[int] = field(default_factory=set)
    joined: set[int] = field(default_factory=set)
    located: set[int] = field(default_factory=set)
    jumps: dict[int, int] = field(default_factory=dict)
    rise_ln: float = 0.5
    climb: float = 0.0
    evidence: float = 50.0
    sharp: float = 99.0
    moment_rise_ln: float = 0.5
    weighed: list[tuple[int, int, int, bool]] = field(default_factory=list)
    again: list[tuple[int, int, int, bool]] = field(default_factory=list)
    locating: list[tuple[int, int, float]] = field(default_factory=list)
    sought: list[tuple[int, int, bool]] = field(default_factory=list)
    fastest: list[float] = field(default_factory=list)
    marked: list[float] = field(default_factory=list)

    def rise(self, ct: Array, by: Array, low: int, rise: Array) -> None:
        """A hold from the reading after the low on."""
        rise[:] = 0.0
        j = min(low + 1, ct.size - 1)
        rise[ISO_J], rise[ISO_S], rise[ISO_SD] = j, ct[j] - 5.0, 3.0
        rise[RISE_LN], rise[CLIMB], rise[EVIDENCE], rise[PUMPED] = (
            self.rise_ln,
            self.climb,
            self.evidence,
            math.exp(by[low]),
        )

    def weigh(self, ct, scales, bt, by, bv, bs, pull, low, end, final, marked, out, rise) -> None:  # type: ignore[no-untyped-def]
        self.weighed.append((int(pull), int(low), int(end), bool(final)))
        self.marked.append(float(marked))
        self.rise(ct, by, int(low), rise)
        rise[ACCEPTED] = float(int(low) in self.accepts)

    def weigh_again(  # type: ignore[no-untyped-def]
        self, ct, scales, bt, by, bv, bs, nb, pull, low, end, final, marked, out, joined, joined_i, rise
    ) -> bool:
        self.again.append((int(pull), int(low), int(end), bool(final)))
        self.rise(ct, by, int(low), rise)
        return int(low) in self.joined

    def locate(self, ct, cy, scales, bt, by, bv, bs, pull, end, guess_s, moment) -> bool:  # type: ignore[no-untyped-def]
        self.locating.append((int(pull), int(end), float(guess_s)))
        if int(pull) not in self.located:
            return False
        moment[:] = 0.0
        j = math.ceil(guess_s / 10.0) + 2
        moment[MOMENT_J], moment[MOMENT_S], moment[MOMENT_SD] = j, ct[j] - 5.0, 1.5
        moment[MOMENT_SHARP], moment[MOMENT_EVIDENCE], moment[MOMENT_RISE_LN] = self.sharp, 99.0, self.moment_rise_ln
        return True

    def jump(self, ct, cy, i0, i1, fastest, vapour_ln, top_ln, final) -> int:  # type: ignore[no-untyped-def]
        self.sought.append((int(i0), int(i1), bool(final)))
        self.fastest.append(float(fastest))
        return next((at for low, at in self.jumps.items() if i0 <= low <= i1 and i0 < at <= i1), -1)


def turns(*corners: tuple[int, float]) -> Array:
    """Readings that run straight in ln p from corner to corner: ``(reading, microns)``; over-range before the first."""
    at = np.arange(corners[-1][0] + 1.0)
    y = np.interp(at, [c[0] for c in corners], np.log([c[1] for c in corners]))
    # a hair of difference, lest neighbours be one frozen reading
    p = np.exp(y + 1e-5 * (at % 2))
    p[: corners[0][0]] = NAN
    return p


def segments(
    monkeypatch: pytest.MonkeyPatch,
    answers: Answers,
    p: Array,
    t: Array | None = None,
    marks: tuple[float, ...] = (),
    room: int = 20,
) -> list[tuple[float, ...]]:
    """Rows ``kind, start_s, end_s, start_i, end_i, why, sd`` of a log."""
    monkeypatch.setattr(phases_segments, "weigh_rise", answers.weigh)
    monkeypatch.setattr(phases_segments, "_weigh_joined", answers.weigh_again)
    monkeypatch.setattr(phases_segments, "locate_isolation", answers.locate)
    monkeypatch.setattr(phases_segments, "find_jump", answers.jump)
    rows = np.full((room, N_PHASE), -1.0)
    times = 10.0 * np.arange(p.size) if t is None else t
    kinds = np.full(len(marks), MARK_CLOSED, dtype=np.int64)
    k = plain(segment_log)(times, p, 20.0, np.array(marks, dtype=np.float64), kinds, rows)
    assert (rows[k:] == -1.0).all()
    return [tuple(row[[0, 1, 2, 3, 4, 7, 8]].tolist()) for row in rows[:k]]


TWO_STANDS = turns((3, 15_000.0), (40, 300.0), (80, 800.0), (120, 250.0), (170, 600.0))
"""Off the range for three readings; lows at 40 and 120, the first stand's end at 80."""


def test_each_stand_is_weighed_from_the_end_of_the_last_one(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = Answers(accepts={40, 120})
    rows = segments(monkeypatch, asked, TWO_STANDS)
    assert asked.weighed == [(0, 40, 80, False), (80, 120, 170, True)]
    assert asked.again == []
    assert rows == [
        (PUMP_DOWN, 0.0, 405.0, 0, 41, WHY_BEGINS, 0.0),
        (HOLD, 405.0, 800.0, 41, 81, WHY_BENDS, 3.0),
        (PUMP_DOWN, 800.0, 1205.0, 81, 121, WHY_FALLS, 10.0),
        (HOLD, 1205.0, 1700.0, 121, 171, WHY_BENDS, 3.0),
    ]
    # gas is looked for from the reading before the low to the stand's last; the pull falls by ln 50 over 37 readings
    assert asked.sought == [(39, 80, False), (119, 170, True)]
    assert asked.fastest == pytest.approx([math.log(50.0) / 370.0] * 2, rel=1e-3)


def test_a_stand_lasts_until_its_last_reading_at_the_top(monkeypatch: pytest.MonkeyPatch) -> None:
    """Highest at 80, and as good as that until 84."""
    asked = Answers(accepts={40})
    p = turns((3, 15_000.0), (40, 300.0), (80, 800.0), (84, 799.5), (120, 250.0))
    rows = segments(monkeypatch, asked, p)
    assert asked.sought[0] == (39, 84, False)
    assert [row[:5] for row in rows[1:]] == [(HOLD, 405.0, 840.0, 41, 85), (PUMP_DOWN, 840.0, 1200.0, 85, 121)]


def test_a_pull_goes_on_through_a_stand_that_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = Answers(accepts={120})
    rows = segments(monkeypatch, asked, TWO_STANDS)
    # the second one's pull begins where the first one's did
    assert asked.weighed == [(0, 40, 80, False), (0, 120, 170, True)]
    assert asked.again == [(0, 40, 80, False)]
    assert [row[:3] for row in rows] == [(PUMP_DOWN, 0.0, 1205.0), (HOLD, 1205.0, 1700.0)]
    # joined blocks are asked where single ones show nothing, and their word counts
    asked = Answers(joined={40, 120})
    rows = segments(monkeypatch, asked, TWO_STANDS)
    assert asked.again == [(0, 40, 80, False), (80, 120, 170, True)]
    assert [row[0] for row in rows] == [PUMP_DOWN, HOLD, PUMP_DOWN, HOLD]
    # neither: one pull to the end
    assert segments(monkeypatch, Answers(), TWO_STANDS) == [(PUMP_DOWN, 0.0, 1700.0, 0, 171, WHY_BEGINS, 0.0)]


def test_small_sags_part_no_stand_and_its_lows_are_asked_in_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sags of five per cent over 20 minutes, ten times as slow as a pump."""
    p = turns((3, 15_000.0), (40, 300.0), (80, 330.0), (200, 313.0), (240, 345.0), (360, 327.0), (400, 360.0))
    for sharp, held in ((22.1, 1), (21.9, 0)):
        monkeypatch.setattr(phases_segments, "_is_long", lambda pull, end: True)
        asked = Answers(joined={120}, located={0}, sharp=sharp)
        assert [row[0] for row in segments(monkeypatch, asked, TWO_STANDS)].count(HOLD) == held
    monkeypatch.undo()
    asked = Answers(joined={200})
    rows = segments(monkeypatch, asked, p)
    assert asked.weighed == asked.again == [(0, 40, 400, True), (0, 200, 400, True)]
    assert [row[:3] for row in rows] == [(PUMP_DOWN, 0.0, 2005.0), (HOLD, 2005.0, 4000.0)]
    asked = Answers()
    segments(monkeypatch, asked, p)
    assert [low for _, low, _, _ in asked.weighed] == [40, 200, 360]
    # a pump that comes on after it ends it
    asked = Answers(accepts={40})
    rows = segments(monkeypatch, asked, np.append(p, turns((0, 340.0), (30, 150.0))))
    assert asked.weighed[0] == (0, 40, 400, False)
    assert [row[:3] for row in rows] == [(PUMP_DOWN, 0.0, 405.0), (HOLD, 405.0, 4000.0), (PUMP_DOWN, 4000.0, 4310.0)]
    # a last sag is of the stand too
    rows = segments(monkeypatch, Answers(accepts={40}), np.append(p, turns((0, 359.0), (120, 340.0))))
    assert [row[:3] for row in rows] == [(PUMP_DOWN, 0.0, 405.0), (HOLD, 405.0, 5210.0)]
    # gas that came in at reading 300 ends the stand before the third of them
    asked = Answers(jumps={40: 300})
    segments(monkeypatch, asked, p)
    assert asked.weighed == [(0, 40, 299, True), (0, 200, 299, True)]


@pytest.mark.parametrize(("rise_ln", "readings", "held"), [(0.149, 39, False), (0.151, 39, True), (0.149, 37, True)])
def test_a_slight_rise_amid_a_log_is_a_hold_if_the_pump_surely_comes_on(
    monkeypatch: pytest.MonkeyPatch, rise_ln: float, readings: int, held: bool
) -> None:
    """From 800 to 250 microns in 39 readings: 2.98e-3 of ln p a second; in 37: 3.14e-3. Surely is over 3e-3."""
    p = turns((3, 15_000.0), (40, 300.0), (80, 800.0), (80 + readings, 250.0), (81 + readings, 250.1))
    rows = segments(monkeypatch, Answers(accepts={40}, rise_ln=rise_ln), p)
    assert [row[0] for row in rows] == ([PUMP_DOWN, HOLD, PUMP_DOWN] if held else [PUMP_DOWN])


def test_the_end_of_a_log_and_gas_need_no_pump_to_come_on(monkeypatch: pytest.MonkeyPatch) -> None:
    slow = turns((3, 15_000.0), (40, 300.0), (80, 800.0), (180, 250.0), (181, 250.1))
    assert [row[0] for row in segments(monkeypatch, Answers(accepts={40}, rise_ln=0.1), slow)] == [PUMP_DOWN]
    rows = segments(monkeypatch, Answers(accepts={40}, rise_ln=0.1, jumps={40: 70}), slow)
    assert [row[0] for row in rows] == [PUMP_DOWN, HOLD, BREAK, PUMP_DOWN]
    rows = segments(monkeypatch, Answers(accepts={40}, rise_ln=0.1), slow[:81])
    assert [row[0] for row in rows] == [PUMP_DOWN, HOLD]


def test_a_stand_wants_two_blocks_and_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    # a reading over the range, a low, one after it
    asked = Answers()
    segments(monkeypatch, asked, np.array([NAN, 300.0, 340.0]))
    assert asked.weighed == [(0, 1, 2, True)]
    for short in (np.array([NAN, 300.0]), np.append(turns((0, 2000.0), (20, 2001.0)), 300.0)):
        asked = Answers()
        segments(monkeypatch, asked, short)
        assert asked.weighed == []
    # gas that comes in at once after the low leaves it nothing but the low
    asked = Answers(jumps={40: 41})
    segments(monkeypatch, asked, TWO_STANDS)
    assert asked.weighed[0] == (0, 40, 40, False)
    # a low just below the gauge's top is one, a log off its range has none
    asked = Answers()
    segments(monkeypatch, asked, turns((3, 15_000.0), (40, 9000.0), (80, 14_000.0)))
    assert asked.weighed == [(0, 40, 80, True)]
    asked = Answers(located={0}, climb=999.0)
    assert segments(monkeypatch, asked, np.full(60, NAN)) == [(PUMP_DOWN, 0.0, 590.0, 0, 60, WHY_BEGINS, 0.0)]
    assert asked.weighed == asked.locating == []


def test_gas_let_in_ends_a_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = Answers(accepts={40, 120}, jumps={40: 70})
    rows = segments(monkeypatch, asked, TWO_STANDS)
    assert asked.weighed == [(0, 40, 69, False), (80, 120, 170, True)]
    assert rows[:4] == [
        (PUMP_DOWN, 0.0, 405.0, 0, 41, WHY_BEGINS, 0.0),
        (HOLD, 405.0, 690.0, 41, 70, WHY_BENDS, 3.0),
        (BREAK, 700.0, 800.0, 70, 81, WHY_GAS, 10.0),
        (PUMP_DOWN, 800.0, 1205.0, 81, 121, WHY_FALLS, 10.0),
    ]
    # without a stand the pull lasts until the gas
    asked = Answers(accepts={120}, jumps={40: 70})
    rows = segments(monkeypatch, asked, TWO_STANDS)
    assert asked.weighed == [(0, 40, 69, False), (80, 120, 170, True)]
    assert rows[:3] == [
        (PUMP_DOWN, 0.0, 700.0, 0, 70, WHY_BEGINS, 0.0),
        (BREAK, 700.0, 800.0, 70, 81, WHY_GAS, 10.0),
        (PUMP_DOWN, 800.0, 1205.0, 81, 121, WHY_FALLS, 10.0),
    ]
    # at the end of a log it is the last phase
    rows = segments(monkeypatch, Answers(jumps={120: 150}), TWO_STANDS)
    assert rows == [
        (PUMP_DOWN, 0.0, 1500.0, 0, 150, WHY_BEGINS, 0.0),
        (BREAK, 1500.0, 1700.0, 150, 171, WHY_GAS, 10.0),
    ]


def test_what_blocks_do_not_show_the_two_sides_may(monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked where the log ends or gas came in, of stands of five blocks or more."""
    asked = Answers(located={0})
    rows = segments(monkeypatch, asked, TWO_STANDS)
    # the first stand ends in a fall and is not asked; the second one's pull begins with the log
    assert asked.locating == [(0, 170, 1205.0)]
    assert rows == [
        (PUMP_DOWN, 0.0, 1225.0, 0, 123, WHY_BEGINS, 0.0),
        (HOLD, 1225.0, 1700.0, 123, 171, WHY_BENDS, 1.5),
    ]
    asked = Answers(located={0, 80}, jumps={40: 70})
    rows = segments(monkeypatch, asked, TWO_STANDS)
    assert asked.locating == [(0, 69, 405.0), (80, 170, 1205.0)]
    assert [row[:3] for row in rows[:3]] == [(PUMP_DOWN, 0.0, 425.0), (HOLD, 425.0, 690.0), (BREAK, 700.0, 800.0)]
    # a minute is wanted, of those that gas leaves: the isolation lies at 425 s
    for jump, held in ((48, False), (50, True)):
        rows = segments(monkeypatch, Answers(located={0}, jumps={40: jump}), TWO_STANDS)
        assert [row[0] for row in rows].count(HOLD) == held
    # nothing shown, nothing taken
    assert [row[0] for row in segments(monkeypatch, Answers(located={0}, moment_rise_ln=-1.0), TWO_STANDS)] == [
        PUMP_DOWN
    ]
    for last, count in ((125, 1), (124, 0)):
        asked = Answers(located={0})
        segments(monkeypatch, asked, TWO_STANDS[: last + 1])
        assert len(asked.locating) == count


def test_a_located_isolation_is_taken_and_a_guess_stays_where_none_is(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = Answers(accepts={40, 120}, located={80}, moment_rise_ln=-1.0)
    rows = segments(monkeypatch, asked, TWO_STANDS)
    assert asked.locating == [(0, 80, 405.0), (80, 170, 1205.0)]
    # by weight accepted: the sides need not show it once more
    assert [(row[1], row[3], row[6]) for row in rows if row[0] == HOLD] == [(405.0, 41, 3.0), (1225.0, 123, 1.5)]


def test_a_bend_after_a_floor_is_the_better_isolation(monkeypatch: pytest.MonkeyPatch) -> None:
    """Located at reading 43 where a floor reached at once explains it as well: weighed once more from there."""
    p = turns((3, 15_000.0), (40, 300.0), (60, 305.0), (70, 300.5), (120, 800.0))
    for low, evidence, located, want in (
        (70, 26.1, {0, 44}, 725.0),  # located anew, two readings after the guess
        (70, 26.1, {0}, 705.0),  # or else as guessed
        (70, 26.0, {0, 44}, 425.0),  # too little evidence, or not accepted
        (99, 26.1, {0, 44}, 425.0),
    ):
        asked = Answers(accepts={40, low}, located=located, sharp=4.0, evidence=evidence)
        rows = segments(monkeypatch, asked, p)
        # the pull then begins with the first block after the isolation, and 70 is the lowest since
        assert asked.weighed == [(0, 40, 120, True), (44, 70, 120, True)]
        assert rows[1][1] == want
    # joined blocks are asked where single ones show none
    asked = Answers(accepts={40}, joined={70}, located={0, 44}, sharp=4.0, evidence=26.1)
    assert segments(monkeypatch, asked, p)[1][1] == 725.0
    assert asked.again == [(44, 70, 120, True)]
    # of a long stand the two sides must show what only joined blocks showed
    for sharp, of_hours, want in ((22.1, True, 725.0), (21.9, True, 425.0), (21.9, False, 725.0)):
        monkeypatch.setattr(phases_segments, "_is_long", lambda pull, end, answer=of_hours: answer)
        monkeypatch.setattr(phases_segments, "_floor_from", lambda bs, moment, end, stands_s: 44)
        asked = Answers(accepts={40}, joined={70}, located={0, 44}, sharp=sharp, evidence=26.1)
        assert segments(monkeypatch, asked, p)[1][1] == want
        monkeypatch.undo()
    # well supported: nothing is asked again
    asked = Answers(accepts={40}, located={0}, sharp=6.0)
    segments(monkeypatch, asked, p)
    assert len(asked.weighed) == 1


def test_marks_of_a_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    """From its pull's beginning, the end of the stand before, to half a minute after its last reading."""
    for at, first, second in (
        (-1.0, NAN, NAN), (0.0, 0.0, NAN), (400.0, 400.0, NAN), (830.0, 830.0, 830.0), (831.0, NAN, 831.0),
        (799.0, 799.0, NAN), (800.0, 800.0, 800.0), (1730.0, NAN, 1730.0), (1731.0, NAN, NAN),
    ):  # fmt: skip
        asked = Answers(accepts={40, 120})
        segments(monkeypatch, asked, TWO_STANDS, marks=(at,))
        np.testing.assert_array_equal(asked.marked, [first, second])
    # gas ends the stand: 690 s and half a minute
    for at, want in ((720.0, 720.0), (721.0, NAN)):
        asked = Answers(accepts={40, 120}, jumps={40: 70})
        segments(monkeypatch, asked, TWO_STANDS, marks=(at,))
        np.testing.assert_array_equal(asked.marked[0], want)
    rows = segments(monkeypatch, Answers(accepts={40, 120}, evidence=20.0), TWO_STANDS, marks=(420.0,))
    assert [row[5] for row in rows] == [WHY_BEGINS, WHY_MARK, WHY_FALLS, WHY_BENDS]


def test_what_stands_before_the_first_fall(monkeypatch: pytest.MonkeyPatch) -> None:
    # a level: no phase, and the pull begins with its last reading
    level = turns((0, 2000.0), (20, 2001.0), (60, 300.0), (100, 800.0))
    asked = Answers(accepts={60})
    rows = segments(monkeypatch, asked, level)
    assert asked.weighed == [(20, 60, 100, True)]
    assert rows == [
        (PUMP_DOWN, 200.0, 605.0, 20, 61, WHY_FALLS, 10.0),
        (HOLD, 605.0, 1000.0, 61, 101, WHY_BENDS, 3.0),
    ]
    # no reading as high after the low is of it
    higher = turns((0, 2000.0), (20, 2001.0), (60, 300.0), (100, 4000.0))
    assert segments(monkeypatch, Answers(accepts={60}), higher) == rows
    # a log that falls from its first reading on was pumped when it began
    rows = segments(monkeypatch, Answers(), turns((0, 15_000.0), (40, 300.0)))
    assert rows == [(PUMP_DOWN, 0.0, 400.0, 0, 41, WHY_FALLS, 10.0)]
    # a hold, known from the log's beginning on: its last reading is its own
    monkeypatch.setattr(phases_segments, "before_first_fall", lambda *words: (20, True))
    assert segments(monkeypatch, Answers(accepts={60}), level) == [
        (HOLD, 0.0, 200.0, 0, 21, WHY_BEGINS, 0.0),
        (PUMP_DOWN, 200.0, 605.0, 21, 61, WHY_FALLS, 10.0),
        (HOLD, 605.0, 1000.0, 61, 101, WHY_BENDS, 3.0),
    ]


def test_a_log_that_begins_with_its_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    rising = turns((0, 300.0), (60, 2000.0))
    asked = Answers(climb=101.0)
    assert segments(monkeypatch, asked, rising) == [(HOLD, 0.0, 600.0, 0, 61, WHY_BENDS, 10.0)]
    assert asked.locating == [(0, 60, 0.0)]
    assert segments(monkeypatch, Answers(climb=99.0), rising) == [(PUMP_DOWN, 0.0, 600.0, 0, 61, WHY_BEGINS, 0.0)]
    # not one that gas ended, nor one after another phase
    assert HOLD not in [row[0] for row in segments(monkeypatch, Answers(climb=101.0, jumps={0: 50}), rising)]
    late = turns((0, 300.0), (60, 2000.0), (90, 300.0), (150, 2000.0))
    rows = segments(monkeypatch, Answers(climb=101.0), late)
    assert [row[:3] for row in rows] == [(HOLD, 0.0, 600.0), (PUMP_DOWN, 600.0, 1500.0)]


def test_a_standing_log_is_weighed_from_its_lowest_block(monkeypatch: pytest.MonkeyPatch) -> None:
    p = turns((0, 302.0), (25, 300.0), (60, 303.0))
    asked = Answers(accepts={25})
    rows = segments(monkeypatch, asked, p)
    assert asked.weighed == [(0, 25, 60, True)]
    assert [row[:5] for row in rows] == [(PUMP_DOWN, 0.0, 255.0, 0, 26), (HOLD, 255.0, 600.0, 26, 61)]


def test_readings_that_repeat_the_last_are_of_no_other_phase(monkeypatch: pytest.MonkeyPatch) -> None:
    """A frozen gauge at the end: the hold ends with the first of its repeats, and nothing is pumped after it."""
    rng = np.random.default_rng(2)
    p = turns((3, 15_000.0), (40, 300.0), (80, 800.0)) * np.exp(0.008 * rng.standard_normal(81))
    rows = segments(monkeypatch, Answers(accepts={40}), np.append(p, np.full(20, p[-1])))
    assert [row[0] for row in rows] == [PUMP_DOWN, HOLD]
    assert rows[1][4] == 81
    # without a hold it is all one pull
    rows = segments(monkeypatch, Answers(), np.append(p, np.full(20, p[-1])))
    assert [row[:5] for row in rows] == [(PUMP_DOWN, 0.0, 1000.0, 0, 101)]


def test_one_reading_after_a_hold_is_a_phase(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = segments(monkeypatch, Answers(accepts={40}), np.append(TWO_STANDS[:81], 250.0))
    assert [row[:5] for row in rows] == [
        (PUMP_DOWN, 0.0, 405.0, 0, 41),
        (HOLD, 405.0, 800.0, 41, 81),
        (PUMP_DOWN, 800.0, 810.0, 81, 82),
    ]


def test_gaps_are_told_after_the_phases_and_as_far_as_there_is_room(monkeypatch: pytest.MonkeyPatch) -> None:
    t = 10.0 * np.arange(171.0)
    t[60:] += 90.0
    rows = segments(monkeypatch, Answers(accepts={40, 120}), TWO_STANDS, t)
    assert [row[0] for row in rows] == [PUMP_DOWN, HOLD, PUMP_DOWN, HOLD, GAP]
    assert rows[4][1:5] == (590.0, 690.0, 60, 60)
    assert len(segments(monkeypatch, Answers(accepts={40, 120}), TWO_STANDS, t, room=3)) == 3
    # a fall across three gaps' length says nothing of how fast the pump is
    asked = Answers()
    p = turns((3, 15_000.0), (19, 9000.0), (20, 900.0), (40, 300.0), (80, 800.0))
    for more, want in ((140.0, math.log(3.0) / 200.0), (139.0, math.log(10.0) / 149.0)):
        t = 10.0 * np.arange(81.0)
        t[20:] += more
        segments(monkeypatch, asked, p, t)
        assert asked.fastest[-1] == pytest.approx(want, rel=3e-3)
    assert segments(monkeypatch, asked, np.empty(0)) == []


def test_a_log_that_never_rests_ends_in_rows_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two hundred turns, of which 64 are looked at."""
    p = turns(*[(10 * k, 300.0 if k % 2 else 3000.0) for k in range(200)])
    asked = Answers(accepts=set(range(2000)))
    rows = segments(monkeypatch, asked, p, room=96)
    assert 30 <= len(asked.weighed) <= 33
    assert rows[-1][4] == p.size
