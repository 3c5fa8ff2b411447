"""Whether a stretch is a hold: the evidence written out, and the stated rule on it, over families of drawn blocks. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import plain

from blankoff.evacuation.phases_bends import sharpest_bend, smooth_cost, standing_cost
from blankoff.evacuation.phases_clean import GAP_S, MEDIAN_DT, N_SCALES, SIGMA, STEP_LOW, STEP_MID, TOP_LN, WANDER
from blankoff.evacuation.phases_isolation import AFTER, BEFORE, COST, COST_BEFORE, N_FIT, SKIPPED, candidate_costs
from blankoff.evacuation.phases_weigh import (
    ACCEPTED,
    CLIMB,
    EVIDENCE,
    IN_GAP,
    ISO_J,
    ISO_S,
    ISO_SD,
    LAST_S,
    N_RISE,
    PUMPED,
    RATE_AFTER,
    RATE_BEFORE,
    RISE_LN,
    STEP,
    _evidence,
    _first_guess,
    _rises_as_a_hold,
    _shows,
    _stops_suddenly,
    weigh_rise,
)

Array = NDArray[np.float64]
NAN = float("nan")
NOISE = 0.003
PUMP_BLOCKS = 30


def scales_of(step: float = 1.0, sigma: float = 0.006, wander: float = 1.0) -> Array:
    out = np.zeros(N_SCALES)
    out[MEDIAN_DT], out[GAP_S], out[SIGMA], out[TOP_LN], out[WANDER] = 2.0, 20.0, sigma, math.log(20_000.0), wander
    out[STEP_LOW] = out[STEP_MID] = step
    return out


class Stretch:
    """Blocks every ten seconds of a pull to 300 microns, 30 of them, and of what comes after."""

    def __init__(self, after: Array, before: Array | None = None, seed: int = 0, noise: float = NOISE) -> None:
        rng = np.random.default_rng(seed)
        t = 10.0 * np.arange(PUMP_BLOCKS)
        pumped = 300.0 + 700.0 * np.exp(-t / 60.0) if before is None else before
        p = np.concatenate([pumped, after])
        self.n = p.size
        self.t = 10.0 * np.arange(self.n) + 5.0
        self.y = np.log(p) + noise * rng.normal(size=self.n)
        self.v = np.full(self.n, noise**2)
        self.s = np.arange(self.n + 1)

    def weighed(
        self,
        final: bool = True,
        marked: float = NAN,
        scales: Array | None = None,
        pull: int = 0,
        low: int | None = None,
        end: int | None = None,
    ) -> Array:
        low = int(self.y.argmin()) if low is None else low
        out, rise = np.empty((self.n + 8, N_FIT)), np.full(N_RISE, -1.0)
        weigh_rise(
            self.t, scales_of() if scales is None else scales, self.t, self.y, self.v, self.s, pull, low,
            self.n - 1 if end is None else end, final, marked, out, rise,
        )  # fmt: skip
        return rise


def rule(s: Stretch, rise: Array, final: bool, marked: float, step: float, sigma: float) -> bool:
    """What makes a hold, as the constants' docstrings have it, from the evidence that was found."""
    best, last = int(rise[ISO_J]), s.n - 1
    near_mark = abs(marked - rise[ISO_S]) < 90.0
    need = 0.35 if near_mark else 1.0
    if not rise[RATE_AFTER] > rise[RATE_BEFORE] or rise[RATE_AFTER] < 0.0:
        return False
    if not rise[LAST_S] > 15.0 or not s.y[last] > min(math.log(rise[PUMPED]), s.y[best]) - 0.4:
        return False
    p = np.exp(s.y[max(0, best - 6) :])
    if not p.max() - min(p.min(), p[min(best, 6)]) > 2.2 * step and not step < 2.0 * sigma * p.min():
        return False
    # against one smooth pumped curve; more where hardly anything rises
    if rise[EVIDENCE] > need * (26.0 if rise[RISE_LN] > 0.03 else 45.0):
        return True
    k = max(0, best - 3)
    fell = s.y[k] - s.y[best]
    sudden = rise[RATE_BEFORE] < -1.5e-3 or (fell > 0.15 and fell > 1.5e-3 * (s.t[best] - s.t[k]))
    # against standing still
    if rise[CLIMB] > 40.0 * need and rise[RISE_LN] > 0.08 and (sudden or rise[EVIDENCE] > 7.8):
        return True
    if rise[CLIMB] > 100.0 and rise[RISE_LN] > 0.2 and (sudden or rise[EVIDENCE] > 2.6):
        return True
    if not final:
        return False
    # at the log's end: by a third, or by little, but within minutes
    if rise[CLIMB] > 20.0 and rise[RISE_LN] > 0.3 and rise[RISE_LN] > 1.5e-4 * rise[LAST_S]:
        return True
    return bool(rise[CLIMB] > 60.0 and rise[RISE_LN] > max(0.03, 4e-5 * rise[LAST_S]) and rise[LAST_S] > 60.0)


T = 10.0 * np.arange(40.0) + 10.0
FAMILIES = {
    "line": lambda a: Stretch(300.0 + a * T),
    "bend": lambda a: Stretch(300.0 + 300.0 * a * (1.0 - np.exp(-T / 60.0))),
    "flat": lambda a: Stretch(np.full(40, 300.0), 300.0 + a * 10.0 * np.arange(30.0)[::-1]),
    "from a floor": lambda a: Stretch(300.0 + a * T, np.full(30, 300.0)),
    "drifting floor": lambda a: Stretch(330.0 + a * T, 300.0 + np.arange(30.0)),
    "steep": lambda a: Stretch(300.0 + a * T, 300.0 * np.exp(0.02 * 10.0 * np.arange(30.0)[::-1])),
    "short": lambda a: Stretch(300.0 + 5.0 * a * T[:6]),
    "slow": lambda a: Stretch(300.0 * np.exp(2.0 * a * T / 400.0), np.full(30, 300.0)),
    "settling": lambda a: Stretch(300.0 + 400.0 * a * (1.0 - np.exp(-T / 8.0))),
    "noisy": lambda a: Stretch(300.0 * np.exp((0.3 + 0.5 * a) * T / 400.0), np.full(30, 300.0), noise=0.06),
    "quick and noisy": lambda a: Stretch(
        300.0 * np.exp((0.2 + 0.2 * a) * np.minimum(T / 100.0, 1.0)), np.full(30, 300.0), noise=0.09
    ),
    "sagging": lambda a: Stretch(300.0 + 200.0 * a * np.exp(-T / 300.0), 300.0 + 0.3 * 10.0 * np.arange(30.0)[::-1]),
}


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize(("final", "marked"), [(True, NAN), (False, 310.0)])
def test_a_hold_is_accepted_by_the_stated_rule(family: str, final: bool, marked: float) -> None:
    """From no rise to a plain one, finely enough that the evidence passes every bound of the rule closely."""
    verdicts = []
    for a in np.concatenate([[0.0], np.geomspace(0.004, 1.0, 11)]):
        s = FAMILIES[family](float(a))
        rise = s.weighed(final, marked)
        verdicts.append(bool(rise[ACCEPTED] == 1.0))
        assert verdicts[-1] == rule(s, rise, final, marked, 1.0, 0.006), a
        assert rise[ACCEPTED] in (0.0, 1.0)
        # what a rise amounts to: from the fitted start to its highest block, or the thirtieth after the lowest
        low, top = int(s.y.argmin()), int(s.y.argmin()) + int(s.y[int(s.y.argmin()) :].argmax())
        end = max(top, min(s.n - 1, low + 30))
        assert rise[RISE_LN] == pytest.approx(s.y[end] - math.log(rise[PUMPED] + rise[STEP]), abs=1e-9)
    # nothing of it is no hold of a settled pull; all of it is one
    if family not in ("flat", "drifting floor", "steep", "sagging", "noisy", "quick and noisy"):
        assert not verdicts[0]
    if "noisy" not in family and (family != "slow" or final):
        assert verdicts[-1]


def searched(s: Stretch, inflate: float = 1.0) -> tuple[int, float, float, float]:
    """Likeliest block, spread of the candidates, and evidence, searched as the comments say, without shortcuts.

    Candidates lie about the lowest block, within its noise before it and within two fifths of the rise after it; the rise
    is weighed by its first part. Where the fall stops, or a rise begins, most suddenly there may be a better one.
    """
    low = int(s.y.argmin())
    end = max(low + int(s.y[low:].argmax()), min(s.n - 1, low + 30))
    near = 2.5 * math.sqrt(s.v[low] * inflate) + 0.03
    far = max(near, min(0.3, 0.4 * (s.y[end] - s.y[low])))
    lo = hi = low
    while lo > 1 and s.y[lo - 1] < s.y[low] + near:
        lo -= 1
    while hi < end and s.y[hi + 1] < s.y[low] + far:
        hi += 1
    lo, hi = max(lo - 2, 1), min(hi + 2, end - 1)
    if hi < lo:
        hi = lo = min(max(low, 1), end)

    def first_part(k: int, blocks: int, level: float) -> int:
        while k < end and (k < start_of_part + blocks or s.y[k] < level + 0.35):
            k += 1
        return k

    taus = np.array([10.0, 40.0, 160.0, 640.0])
    start_of_part = hi
    part_end = first_part(hi, 8, s.y[low])
    first = max(0, lo - 12)
    stride = max(1, (hi - lo + 1) // 40)
    out, row = np.empty((hi - lo + 1, N_FIT)), np.empty((1, N_FIT))
    plain(candidate_costs)(s.t, s.y, s.v, first, part_end, lo, hi, 24, stride, taus, out)
    tried = np.arange(lo, hi + 1, stride)
    costs = out[tried - lo, COST]
    best = int(tried[costs.argmin()])
    bend, climb, spread = _evidence(s.t, s.y, s.v, first, part_end, best, taus, inflate, row)
    w = np.exp(np.maximum(-0.5 * (costs - costs.min()) / spread, -700.0))
    mean = (w * s.t[tried]).sum() / w.sum()
    coarse = math.sqrt((w * (s.t[tried] - mean) ** 2).sum() / w.sum())
    if stride > 1:
        beside = np.arange(max(best - stride, lo), min(best + stride, hi) + 1)
        plain(candidate_costs)(s.t, s.y, s.v, first, part_end, beside[0], beside[-1], 24, 1, taus, out)
        best = int(beside[out[: beside.size, COST].argmin()])
        bend, climb, spread = _evidence(s.t, s.y, s.v, first, part_end, best, taus, inflate, row)
    for n, rising in ((5, False), (14, False), (4, True)):
        k = sharpest_bend(s.t, s.y, s.v, max(0, lo - 40), end, n, lo, rising)
        if 0 < k < end and abs(k - best) > 1:
            start_of_part = k
            k_end = first_part(k, 12, s.y[k])
            found = _evidence(s.t, s.y, s.v, max(0, k - 108), k_end, k, taus, inflate, row)
            if found[0] * found[2] > bend * spread and found[0] > bend:
                best, coarse, part_end = k, 0.0, k_end
                bend, climb, spread = found
    bend, climb, _ = _evidence(s.t, s.y, s.v, max(0, best - 108), part_end, best, taus, inflate, row)
    return best, coarse, bend, climb


LONG = {
    "long floor": lambda a: Stretch(300.0 + a * T, np.full(70, 300.0), seed=1),
    "longer floor": lambda a: Stretch(300.0 + a * T, np.full(110, 300.0), seed=2),
    "slow from a floor": lambda a: Stretch(300.0 + 0.1 * a * T, np.full(90, 300.0), seed=3),
    "stop before a rise": lambda a: Stretch(
        300.0 + a * T, 300.0 * np.exp(0.01 * 10.0 * np.maximum(np.arange(60.0)[::-1] - 25.0, 0.0)), seed=4
    ),
    "quick": lambda a: Stretch(300.0 * np.exp(0.05 * T * a), 300.0 * np.exp(0.01 * 10.0 * np.arange(20.0)[::-1])),
    "stop close by": lambda a: Stretch(
        300.0 + 3.0 * a * np.maximum(T - 30.0, 0.0), 300.0 * np.exp(0.01 * 10.0 * np.arange(30.0)[::-1]), seed=5
    ),
    "at once": lambda a: Stretch(300.0 + a * T, np.array([300.0])),
}


@pytest.mark.parametrize("family", [*FAMILIES, *LONG])
@pytest.mark.parametrize(("size", "inflate"), [(0.05, 1.0), (0.6, 1.0), (0.6, 3.0)])
def test_the_likeliest_block_is_that_of_a_plain_search(family: str, size: float, inflate: float) -> None:
    s = {**FAMILIES, **LONG}[family](size)
    rise = s.weighed(scales=scales_of(wander=inflate))
    best, coarse, bend, climb = searched(s, inflate)
    assert int(rise[ISO_J]) == max(best, 1)
    assert rise[[EVIDENCE, CLIMB]] == pytest.approx([bend, climb], rel=1e-9)
    # a block here is one reading, ten seconds after the one before
    assert rise[ISO_SD] == pytest.approx(math.hypot(coarse, 10.0))


@pytest.mark.parametrize("family", ["line", "bend", "steep", "short", "settling"])
def test_the_first_guess_lies_at_the_drawn_isolation(family: str) -> None:
    rise = FAMILIES[family](1.0).weighed()
    # pumping ended with the block at 295 s, the next one is at 305 s
    assert rise[ISO_S] == pytest.approx(300.0, abs=10.1)
    assert rise[PUMPED] == pytest.approx(300.0, rel=0.05)
    assert rise[RATE_AFTER] > 0.0
    assert rise[LAST_S] == pytest.approx(FAMILIES[family](1.0).t[-1] - rise[ISO_S])


def test_what_stays_within_two_steps_of_the_gauge_is_not_shown() -> None:
    s = FAMILIES["bend"](0.5)
    span = math.exp(s.y[24:].max()) - math.exp(s.y[24:].min())
    for share, shown in ((0.999, True), (1.001, False)):
        rise = s.weighed(scales=scales_of(step=share * span / 2.2, sigma=1e-4))
        assert bool(rise[ACCEPTED]) is shown
    # but where noise is no smaller than half a step, it is
    assert s.weighed(scales=scales_of(step=span / 2.0, sigma=span / 2.0 / (1.99 * 300.0)))[ACCEPTED] == 1.0


def test_a_mark_halves_what_is_needed_within_a_minute_and_a_half() -> None:
    """Some stretch that is no hold by itself is one beside a mark 89 s from its bend, and none beside one 91 s off."""
    found = 0
    for a in np.geomspace(0.02, 0.2, 12):
        s = FAMILIES["line"](float(a))
        # of a log's last stretch less is asked anyway
        plain = s.weighed(False)
        near = s.weighed(False, marked=float(plain[ISO_S]) + 89.9)
        far = s.weighed(False, marked=float(plain[ISO_S]) - 90.1)
        assert far[ACCEPTED] == plain[ACCEPTED] <= near[ACCEPTED]
        found += int(near[ACCEPTED] > plain[ACCEPTED])
    assert found >= 2


def test_a_hold_lasts_longer_than_a_quarter_of_a_minute() -> None:
    """One block, two, three and four of a plain rise after a steep fall: counted from the isolation found."""
    lengths = []
    for blocks in (1, 2, 3, 4):
        s = Stretch(300.0 + 60.0 * T[:blocks], 300.0 * np.exp(0.02 * 10.0 * np.arange(30.0)[::-1]))
        rise = s.weighed()
        lengths.append(float(rise[LAST_S]))
        assert bool(rise[ACCEPTED]) is (lengths[-1] > 15.0)
    assert lengths[0] <= 15.0 < lengths[-1]


def evidence_by_hand(s: Stretch, first: int, end: int, k: int, inflate: float) -> tuple[float, float, float]:
    taus = np.array([10.0, 40.0, 160.0, 640.0])
    row = np.empty((1, N_FIT))
    best: tuple[float, float, float] | None = None
    for window, described in ((96, 1.3), (24, 2.0), (6, 2.0)):
        plain(candidate_costs)(s.t, s.y, s.v, first, end, k, k, window, 1, taus, row)
        start = first + int(row[0, SKIPPED])
        fitted = row[0, COST] - row[0, SKIPPED]
        spread = max(inflate, fitted / max(end - start + 1 - 6, 1))
        if best is None or spread < 0.7 * best[2]:
            bend = (smooth_cost(s.t, s.y, s.v, start, end) - fitted) / spread
            climb = (standing_cost(s.y, s.v, k, end) - (row[0, COST] - row[0, COST_BEFORE])) / spread
            best = (bend, climb, spread)
        if best[2] < described:
            break
    assert best is not None
    return best


@pytest.mark.parametrize("family", ["line", "bend", "steep", "settling", "drifting floor"])
@pytest.mark.parametrize(("k", "inflate"), [(30, 1.0), (28, 1.0), (36, 2.5)])
def test_evidence_is_what_a_smooth_curve_and_standing_still_misfit_more(family: str, k: int, inflate: float) -> None:
    """In units of the noise, inflated by what the fit itself leaves over; over a shorter window if that fits far better."""
    s = FAMILIES[family](0.6)
    row = np.empty((1, N_FIT))
    got = _evidence(s.t, s.y, s.v, 2, 60, k, np.array([10.0, 40.0, 160.0, 640.0]), inflate, row)
    assert got == pytest.approx(evidence_by_hand(s, 2, 60, k, inflate), rel=1e-9)


def test_place_of_the_first_guess() -> None:
    """Between the last reading before the best block and its first; as unsure as the block and its spacing are long."""
    ct = np.array([0.0, 2.0, 4.0, 10.0, 12.0, 14.0, 16.0, 40.0, 42.0])
    bs = np.array([0, 3, 7, 9])
    found, rise = np.zeros(N_FIT), np.zeros(N_RISE)
    found[BEFORE], found[AFTER] = 300.0, 320.0
    _first_guess(ct, scales_of(), bs, 2, 1, 3.0, found, rise)
    assert rise[[ISO_S, ISO_J, PUMPED, STEP, IN_GAP]].tolist() == [7.0, 3.0, 300.0, 20.0, 0.0]
    assert rise[ISO_SD] == pytest.approx(math.hypot(3.0, (16.0 - 10.0) + 6.0))
    assert rise[LAST_S] == 42.0 - 7.0
    # across a gap it is as unsure as the gap
    _first_guess(ct, scales_of(), bs, 2, 2, 3.0, found, rise)
    assert rise[[ISO_S, ISO_SD, ISO_J, IN_GAP]].tolist() == [28.0, 24.0, 7.0, 1.0]
    # a log's first reading has none before it
    _first_guess(ct, scales_of(), bs, 2, 0, 3.0, found, rise)
    assert rise[[ISO_S, ISO_J]].tolist() == [1.0, 1.0]


def up(x: float) -> float:
    """The least number above."""
    return math.nextafter(x, math.inf)


def held(
    bend: float = 0.0,
    climb: float = 0.0,
    grown: float = 1.0,
    lasts: float = 600.0,
    before: float = -1e-4,
    after: float = 1e-4,
    sudden: bool = False,
    marked: float = NAN,
    final: bool = False,
) -> bool:
    rise = np.zeros(N_RISE)
    rise[[EVIDENCE, CLIMB, RISE_LN, LAST_S, RATE_BEFORE, RATE_AFTER]] = bend, climb, grown, lasts, before, after
    rise[ISO_S] = 1000.0
    return bool(_rises_as_a_hold(rise, sudden, marked, final))


BOUNDS: dict[str, tuple[dict[str, float | bool], str, float]] = {
    # what else holds, which number decides, and the bound that it must pass
    "a bend": ({}, "bend", 26.0),
    "a bend beside a mark": ({"marked": 950.0}, "bend", 0.35 * 26.0),
    "a bend without a rise": ({"grown": 0.0}, "bend", 45.0),
    "a bend without a rise beside a mark": ({"grown": 0.0, "marked": 950.0}, "bend", 0.35 * 45.0),
    "a rise that makes less of a bend enough": ({"bend": 30.0}, "grown", 0.03),
    "a sudden rise": ({"sudden": True, "grown": 0.1}, "climb", 40.0),
    "a sudden rise beside a mark": ({"sudden": True, "marked": 950.0, "grown": 0.1}, "climb", 0.35 * 40.0),
    "how far a sudden rise goes": ({"sudden": True, "climb": 50.0}, "grown", 0.08),
    "a bend beside a rise": ({"climb": 50.0, "grown": 0.1}, "bend", 0.3 * 26.0),
    "a bend beside a plain rise": ({"climb": 101.0}, "bend", 0.1 * 26.0),
    "a plain rise": ({"bend": 5.0}, "climb", 2.5 * 40.0),
    "how far a plain rise goes": ({"bend": 5.0, "climb": 101.0}, "grown", 2.5 * 0.08),
    "a fast rise to the end": ({"final": True, "grown": 0.4}, "climb", 0.5 * 40.0),
    "how far a fast rise goes": ({"final": True, "climb": 21.0}, "grown", 0.3),
    "how fast a long one is": ({"final": True, "climb": 21.0, "lasts": 4000.0}, "grown", 1.5e-4 * 4000.0),
    "a slight rise to the end": ({"final": True, "grown": 0.1}, "climb", 60.0),
    "how far a slight one goes": ({"final": True, "climb": 61.0}, "grown", 0.03),
    "how fast a slight one is": ({"final": True, "climb": 61.0, "lasts": 4000.0}, "grown", 4e-5 * 4000.0),
    "how long a slight one lasts": ({"final": True, "climb": 61.0, "grown": 0.1}, "lasts", 60.0),
    "how long any lasts": ({"bend": 100.0}, "lasts", 15.0),
    "rising more than before": ({"bend": 100.0, "before": 2e-4}, "after", 2e-4),
    "not falling": ({"bend": 100.0}, "after", math.nextafter(0.0, -1.0)),
    "a mark not too early": ({"bend": 20.0}, "marked", 910.0),
}


@pytest.mark.parametrize("what", BOUNDS)
def test_what_makes_a_hold_passes_each_bound_and_no_less(what: str) -> None:
    rest, name, bound = BOUNDS[what]
    assert not held(**{**rest, name: bound})
    assert held(**{**rest, name: up(bound)})


def test_what_does_not_make_a_hold() -> None:
    assert held(bend=20.0, marked=math.nextafter(1090.0, 0.0))
    assert not held(bend=20.0, marked=1090.0), "a mark too late"
    for lacking in ({"climb": 1e9, "grown": 0.15}, {"climb": 1e9, "bend": 2.0}, {"final": True, "climb": 19.0}):
        assert not held(**lacking)
    assert held(climb=1e9, grown=0.15, bend=8.0)
    assert held(climb=1e9, grown=0.15, sudden=True)
    assert held(climb=101.0, sudden=True)
    assert not held(climb=61.0, grown=0.1), "only at the log's end"
    assert not held(final=True, climb=30.0, grown=0.1)


def test_a_fall_that_ends_suddenly() -> None:
    """Faster than 0.15 per cent a second by the fit, or by three blocks that fall by more than 0.15, and so fast."""
    t = np.array([0.0, 50.0, 60.0, 70.0, 80.0])
    y = np.array([9.0, 0.5, 0.3, 0.25, 0.25])
    sudden = lambda y, pull=0, best=4, rate=0.0, t=t: bool(_stops_suddenly(t, y, pull, best, rate))  # noqa: E731
    assert sudden(y), "by 0.25 in 30 s"
    assert not sudden(y, pull=2), "by 0.05 since pumping began"
    assert sudden(y, rate=-0.0016, pull=2)
    assert not sudden(y, rate=-0.0015, pull=2)
    assert not sudden(y, best=0), "before the first block there is none"
    assert sudden(y, best=2), "with fewer than three before it, those that are there"
    assert not sudden(np.array([9.0, 0.15, 0.1, 0.1, 0.0])), "by just 0.15"
    assert sudden(np.array([9.0, up(0.15), 0.1, 0.1, 0.0]))
    slow = np.array([0.0, 1.0, 100.0, 150.0, 201.0])
    assert not sudden(np.array([9.0, 0.3, 0.2, 0.1, 0.0]), t=slow), "0.3 in 200 s: just that fast"
    assert sudden(np.array([9.0, up(0.3), 0.2, 0.1, 0.0]), t=slow)


def test_what_moves_by_no_more_than_two_steps_of_the_gauge_shows_nothing() -> None:
    y = np.log(np.array([900.0, 300.0, 310.0, 322.0, 50.0]))
    shows = lambda step, first=1, best=1, last=3, sigma=0.0: bool(  # noqa: E731
        _shows(y, first, best, last, scales_of(step, sigma))
    )
    assert shows(9.9)
    assert not shows(10.1), "22 microns are 2.2 steps"
    assert shows(10.1, first=0)
    assert shows(10.1, last=4)
    assert shows(20.0, best=0), "the block itself counts"
    # a step that noise hides is none: twice 0.02 of 300 microns
    assert shows(11.9, sigma=0.02)
    assert not shows(12.1, sigma=0.02)
