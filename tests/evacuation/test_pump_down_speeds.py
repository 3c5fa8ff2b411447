"""Rates about 1 000 and 8 000 microns, and what makes them doubtful. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from pulls import pumped, written_out

from blankoff.evacuation.phases_clean import N_SCALES, SIGMA, STEP_HIGH, STEP_LOW, STEP_MID
from blankoff.evacuation.pump_down_levels import last_steady
from blankoff.evacuation.pump_down_speeds import (
    at_port,
    deep_rate,
    doubt_by_water,
    gauge_aside_ln,
    hung_back,
    keep_seen,
    time_over_range,
    viscous_rate,
    weigh_time_over_range,
    widen,
)

Array = NDArray[np.float64]
NAN = float("nan")


def test_doubts_add_up_as_squares() -> None:
    """Form of the curve 5 %, a gauge that lags by 3 s, others."""
    assert widen(0.0, 0.0, 0.0) == pytest.approx(0.05)
    assert widen(0.1, 0.3, 0.4) == pytest.approx(math.sqrt(0.05**2 + 0.3**2 + 0.3**2 + 0.4**2))


def test_the_better_known_rate_is_kept() -> None:
    out = np.full(2, NAN)
    rate = np.array([0.02, 0.12, 9.0, 9.0, 9.0])
    keep_seen(rate, 0.0, out)
    assert out == pytest.approx([0.02, 0.13])
    keep_seen(np.array([0.03, 0.12]), 0.1, out)
    assert out[0] == 0.02
    keep_seen(np.array([0.04, 0.0]), 0.12, out)
    assert out[0] == 0.02
    keep_seen(np.array([0.03, 0.0]), 0.1, out)
    assert out == pytest.approx([0.03, math.hypot(0.05, 0.1)])


def over_range(p: list[float], t: list[float] | None = None, begun: float = 0.0, i1: int = -1) -> Array:
    out = np.full(2, NAN)
    times = np.arange(len(p)) * 10.0 if t is None else np.array(t)
    time_over_range(times, np.array(p), len(p) if i1 < 0 else i1, begun, 760_000.0, out)
    return out


def test_mean_rate_from_atmosphere() -> None:
    """760 000 to 7 600 microns is ln 100; the start is not known better than 0.3 of a spacing."""
    got = over_range([NAN, NAN, NAN, NAN, 7600.0, 700.0])
    assert got == pytest.approx([math.log(100.0) / 40.0, math.hypot(0.05, 0.3 * 10.0 / 40.0)])
    got = over_range([NAN, NAN, NAN, 7600.0], t=[0.0, 20.0, 35.0, 41.0], begun=21.0)
    assert got == pytest.approx([math.log(100.0) / 20.0, math.hypot(0.05, 0.3 * 6.0 / 20.0)])
    assert math.isfinite(over_range([NAN, NAN, 7600.0])[0])
    # half a second of it, or half a unit of ln p, is enough; and half a micron is a pressure
    for odd in (
        over_range([NAN, NAN, 7600.0], begun=19.5), over_range([NAN, NAN, 460_000.0]), over_range([NAN, NAN, 0.5]),
    ):  # fmt: skip
        assert np.isfinite(odd).all()
    for unknown in (
        over_range([NAN, 7600.0, 700.0]),
        over_range([NAN, NAN, NAN]),
        over_range([NAN, NAN, 0.0, 100.0]),
        over_range([NAN, NAN, 760_000.0]),
        over_range([NAN, NAN, 7600.0], begun=20.0),
        over_range([NAN, NAN, 7600.0], i1=2),
    ):
        assert np.isnan(unknown).all()


@pytest.mark.parametrize(
    ("plateau", "want"),
    [
        (NAN, (0.0, 0.0)), (1500.0, (0.6, 0.1)), (2000.0, (0.6, 0.1)), (2001.0, (0.6, 0.3)), (3000.0, (0.6, 0.3)),
        (3001.0, (0.6, 0.6)),
    ],
)  # fmt: skip
def test_doubt_by_water(plateau: float, want: tuple[float, float]) -> None:
    assert doubt_by_water(plateau) == want


def aside(p_after: float, final: float = 300.0, rate: float = 0.0, hold: int = 0, end: int = 40) -> float:
    t = np.arange(0.0, 80.0, 2.0)
    p = np.where(t > 32.0, p_after, 1.0)
    return float(
        gauge_aside_ln(t, p, np.array([10]), np.array([end]), np.array([20.0]), hold, final, rate)
    )  # fmt: skip


def test_a_gauge_on_the_pumps_side_is_doubted_by_the_step() -> None:
    """First reading later than 12 s after the isolation, the rise since then taken off; a tenth is none, half is most."""
    assert aside(300.0 * math.exp(0.3)) == pytest.approx(0.2)
    assert aside(300.0 * math.exp(0.3) + 20.0, rate=2.0) == pytest.approx(0.2)
    assert aside(300.0 * math.exp(0.09)) == 0.0
    assert aside(300.0 * math.exp(2.0)) == 0.5
    assert aside(600.0, rate=1000.0) == 0.0
    for unknown in (aside(600.0, hold=-1), aside(600.0, final=NAN), aside(600.0, final=0.0), aside(600.0, rate=NAN)):
        assert unknown == 0.0
    assert aside(NAN) == 0.0
    # the reading at 12 s itself is too early, the next one, at 14 s, is it
    t, early = np.arange(0.0, 80.0, 2.0), np.full(40, 300.0)
    early[17:] = 600.0
    got = gauge_aside_ln(t, early, np.array([10]), np.array([40]), np.array([20.0]), 0, 300.0, 0.0)
    assert got == pytest.approx(0.5)
    early[17], early[18:] = 400.0, 900.0
    got = gauge_aside_ln(t, early, np.array([10]), np.array([40]), np.array([20.9]), 0, 300.0, 0.0)
    assert got == pytest.approx(math.log(4.0 / 3.0) - 0.1)
    # a hold that ends before: its first reading
    assert aside(600.0, final=0.5, end=15) == pytest.approx(min(math.log(2.0) - 0.1, 0.5))
    assert aside(600.0, final=0.8, end=15) == pytest.approx(math.log(1.0 / 0.8) - 0.1)


@pytest.mark.parametrize(("deep", "share", "sd"), [(True, 0.8, 0.2), (False, 0.35, 0.1)])
def test_a_step_above_what_a_gauge_at_the_circuit_shows_puts_the_rate_right(
    deep: bool, share: float, sd: float
) -> None:
    """From 0.05 beyond the usual tenth on; below that it is a doubt only."""
    rate, se = at_port(0.02, 0.1, 0.0501, deep)
    assert (rate, se) == pytest.approx((0.02 * math.exp(-share * 0.1501), math.hypot(0.1, sd)))
    assert at_port(0.02, 0.1, 0.05, deep) == pytest.approx((0.02, math.hypot(0.1, 0.05)))
    assert math.isnan(at_port(0.02, 0.1, NAN, deep)[1])


@pytest.mark.parametrize(
    ("viscous", "apart", "hung"),
    [
        (0.05, -0.151, True), (0.05, -0.149, False), (0.121, 0.199, True), (0.121, 0.201, False), (0.119, 0.199, False),
    ],
)  # fmt: skip
def test_a_viscous_rate_too_low_beside_the_deep_one(viscous: float, apart: float, hung: bool) -> None:
    assert hung_back(viscous, viscous * math.exp(-apart)) is hung


def test_time_over_range_is_weighed_in_where_it_agrees() -> None:
    t = np.arange(0.0, 100.0, 10.0)
    p = np.array([NAN] * 4 + [7600.0] + [1000.0] * 5)
    mean = math.log(100.0) / 35.0
    sd = math.hypot(0.35, 0.5 * 10.0 / 40.0)
    for seen in (0.08, 0.2):
        rate = np.array([seen, 0.2])
        weigh_time_over_range(t, p, 10, 760_000.0, rate)
        w0, w1 = 1.0 / 0.2**2, 1.0 / sd**2
        want = math.exp((w0 * math.log(seen) + w1 * math.log(mean)) / (w0 + w1))
        assert rate == pytest.approx([want, (w0 + w1) ** -0.5])
    # twice the joint error apart it says something else
    limit = 2.0 * math.hypot(sd, 0.2)
    for times, changed in ((0.98, True), (1.02, False)):
        rate = np.array([mean * math.exp(-limit * times), 0.2])
        before = rate.copy()
        weigh_time_over_range(t, p, 10, 760_000.0, rate)
        assert (rate != before).all() == changed
    # too little of it, or none, changes nothing
    for few in ([NAN, NAN, 7600.0], [NAN] * 5, [7600.0] * 5):
        rate = np.array([mean, 0.2])
        weigh_time_over_range(t, np.array(few), len(few), 760_000.0, rate)
        assert rate.tolist() == [mean, 0.2]
    rate = np.array([mean, 0.2])
    weigh_time_over_range(t, np.array([NAN] * 3 + [7600.0]), 4, 760_000.0, rate)
    assert rate[1] < 0.2
    # tenths of a second are as good
    rate = np.array([math.log(100.0) / 0.35, 0.2])
    weigh_time_over_range(t / 100.0, p, 10, 760_000.0, rate)
    assert rate == pytest.approx([math.log(100.0) / 0.35, (1.0 / 0.2**2 + 1.0 / sd**2) ** -0.5])
    rate = np.array([mean, 0.2])
    weigh_time_over_range(t - 40.0, p, 10, 760_000.0, rate)
    assert rate.tolist() == [mean, 0.2]


def scales(noise: float = 0.002, low: float = 1.0, mid: float = 10.0, high: float = 50.0) -> Array:
    out = np.zeros(N_SCALES)
    out[SIGMA], out[STEP_LOW], out[STEP_MID], out[STEP_HIGH] = noise, low, mid, high
    return out


def deep(t: Array, p: Array, rise: float = NAN, rise_se: float = 0.0, i0: int = 0, i1: int = -1) -> Array:
    out = np.full(7, -1.0)
    deep_rate(t, p, i0, t.size if i1 < 0 else i1, scales(), rise, rise_se, out)
    return out


@pytest.mark.parametrize(("k", "s", "load"), [(0.02, 0.5, 2.0), (0.03, 0.6, 6.0), (0.008, 0.4, 0.5)])
@pytest.mark.parametrize("seen", [True, False])
def test_deep_rate_of_a_pull_drawn_by_the_model(k: float, s: float, load: float, seen: bool) -> None:
    """Rate within 3 %, or 8 % where no hold shows the gas load; the truth is given by the drawing."""
    t = np.arange(0.0, 14.0 / k, 2.0)
    p = pumped(t, 20_000.0, k, s, load, 1000.0)
    got = deep(t, p, load if seen else NAN, 0.05 * load)
    assert got[0] == pytest.approx(k, rel=0.03 if seen else 0.08)
    assert got[4] == pytest.approx(s, abs=0.12)
    assert got[5] == pytest.approx(load, rel=0.25 if seen else 0.6)
    assert abs(math.log(got[0] / k)) < 3.0 * math.hypot(got[1], 0.05)


def load_by_the_rule(t: Array, p: Array, got: Array, rise: float, rise_se: float) -> tuple[float, float]:
    """Gas load from where the curve settles four time constants on, and from the hold's first rise, written out.

    Speed falls with pressure to the power that was found; what the circuit gives off at the isolation is seen there.
    Uncertain by a third of what is inferred, and where the pull ends too early by 0.3 of what it settled at.
    """
    last = float(last_steady(t, p, 0, t.size))
    want = got[3] + 4.0 / got[0]
    later = np.flatnonzero(t >= want)
    settled = last
    if later.size and math.isfinite(p[later[0]]):
        settled = float(last_steady(t, p, 0, int(later[0]) + 1))
    settled = min(settled, 990.0)
    early = want > t[-1]
    stay = 0.7 * settled if early else settled
    carried = got[0] * max((max(stay, 1.0) / 1000.0) ** got[4], 0.1)
    extra = 0.3 * got[0] * settled if early else 0.0
    if math.isnan(rise):
        more = carried * max(stay - 0.5 * last, 0.0)
        return more, 0.3 * carried * last + 0.35 * more + 1e-6 + extra
    more = carried * max(stay - last, 0.0)
    return rise + more, rise_se + 0.35 * more + 0.03 * carried * last + 1e-6 + extra


@pytest.mark.parametrize("length", [3.6, 5.0, 8.0, 14.0])
@pytest.mark.parametrize("rise", [NAN, 1.5])
def test_gas_load_of_a_deep_rate_follows_its_rule(length: float, rise: float) -> None:
    t = np.arange(0.0, length / 0.02, 2.0)
    p = pumped(t, 9000.0, 0.02, 0.5, 3.0, 1000.0) + 60.0 * np.exp(-t / 400.0)
    got = deep(t, p, rise, 0.2)
    assert math.isfinite(got[0])
    assert got[5:] == pytest.approx(load_by_the_rule(t, p, got, rise, 0.2), rel=1e-9)
    # a floor of a few microns: a tenth of the rate is the least that hoses leave
    low = pumped(t, 9000.0, 0.02, 0.5, 0.004, 1000.0)
    got = deep(t, low, rise, 0.2)
    assert got[5:] == pytest.approx(load_by_the_rule(t, low, got, rise, 0.2), rel=1e-9)
    if length == 14.0:
        # a blank where it should have settled: the last reading stands in
        p[int(np.flatnonzero(t >= got[3] + 4.0 / got[0])[0])] = NAN
        got = deep(t, p, rise, 0.2)
        assert got[5:] == pytest.approx(load_by_the_rule(t, p, got, rise, 0.2), rel=1e-9)


@pytest.mark.parametrize("rise", [NAN, 1.5])
def test_deep_rate_is_that_of_its_band_in_three_rounds(rise: float) -> None:
    """First with next to nothing known of the load, then with the load that the round before gave.

    Between 2 000 and 550 microns; speed falls with pressure to a power of 0.5, give or take 0.25.
    """
    t = np.arange(0.0, 400.0, 4.0)
    p = pumped(t, 9000.0, 0.02, 0.7, 3.0, 1000.0) * np.exp(0.004 * np.random.default_rng(3).normal(size=t.size))
    inside = (p <= 2000.0) & (p >= 550.0)
    load, sd = 0.0, 50.0
    for _ in range(3):
        want = written_out(t[inside], p[inside], noise=0.002, step=10.0, load=load, load_sd=sd)
        load, sd = load_by_the_rule(t, p, want, rise, 0.2)
    np.testing.assert_allclose(deep(t, p, rise, 0.2), [*want, load, sd], rtol=1e-6)


def test_deep_band_follows_the_floor_and_widens_where_it_must() -> None:
    """From 2 000 down to 550 microns, or 1.2 times the last reading; else from 4 000 to 1.1 times; none above 950."""
    t = np.arange(0.0, 900.0, 2.0)
    for floor, want in ((300.0, 550.0), (600.0, 720.0)):
        p = floor + 30_000.0 * np.exp(-t / 50.0)
        got = deep(t, p)
        inside = (p <= 2000.0) & (p >= want)
        assert got[2] == inside.sum()
    # 1.2 x 800 is above 950
    got = deep(t, 800.0 + 30_000.0 * np.exp(-t / 50.0))
    assert np.isnan(got[:5]).all()
    # of the load nothing is known then: 0, give or take 50 microns per second
    assert got[5:].tolist() == [0.0, 50.0]
    assert math.isfinite(deep(t, 780.0 + 30_000.0 * np.exp(-t / 50.0))[0])
    # two readings between 2 000 and 550, five between 4 000 and 300
    few_t = np.arange(0.0, 300.0, 20.0)
    few = np.maximum(50_000.0 * 0.55 ** np.arange(15.0), 60.0)
    assert ((few <= 2000.0) & (few >= 550.0)).sum() == 2
    got = deep(few_t, few)
    assert got[2] == ((few <= 4000.0) & (few >= 300.0)).sum()
    # and from a floor of 500, down to 550
    few = 500.0 + 50_000.0 * 0.3 ** np.arange(15.0)
    got = deep(few_t, few)
    assert got[2] == ((few <= 4000.0) & (few >= 550.0)).sum()
    # readings at 4 200 and, above a floor of 500, at 580: outside and inside the wide band
    few = np.maximum(50_000.0 * 0.5383 ** np.arange(15.0), 60.0)
    assert ((few <= 4400.0) & (few > 4000.0)).sum() == 1
    assert deep(few_t, few)[2] == ((few <= 4000.0) & (few >= 300.0)).sum()
    few = 500.0 + 50_000.0 * 0.276 ** np.arange(15.0)
    assert ((few >= 550.0) & (few < 605.0)).sum() == 1
    assert deep(few_t, few)[2] == ((few <= 4000.0) & (few >= 550.0)).sum() == 3
    # a pull that is over before
    assert np.isnan(deep(t, np.full(t.size, 1500.0))[:5]).any()


def viscous(t: Array, p: Array, load: float = 5.0, load_sd: float = 2.0, i0: int = 0, i1: int = -1) -> Array:
    out = np.full(5, -1.0)
    viscous_rate(t, p, i0, t.size if i1 < 0 else i1, scales(), load, load_sd, out)
    return out


@pytest.mark.parametrize("k", [0.01, 0.04])
def test_viscous_rate_of_a_pull_drawn_by_the_model(k: float) -> None:
    t = np.arange(0.0, 8.0 / k, 2.0)
    p = pumped(t, 25_000.0, k, 0.15, 10.0, 8000.0)
    got = viscous(t, p, 10.0 / 1.3, 1.0)
    assert got[0] == pytest.approx(k, rel=0.01)
    # 13 000 to 5 000 microns, steps of the gauge about 8 000 (10), load 1.3 times that found about 1 000
    inside = (p <= 13_000.0) & (p >= 5000.0)
    want = written_out(
        t[inside], p[inside], centre=8000.0, noise=0.002, step=10.0, bend=0.15, bend_sd=0.12, load=10.0,
        load_sd=10.0 / 1.3 + 1.0 + 1e-6,
    )  # fmt: skip
    np.testing.assert_allclose(got, want, rtol=1e-6)


def test_viscous_band_widens_where_little_is_seen_of_it() -> None:
    """Fewer than five readings, or worse than a tenth: 30 000 to 2 500 microns, if that is better."""
    t = np.arange(0.0, 100.0, 10.0)
    p = 54_000.0 * 0.6 ** np.arange(10.0)
    assert ((p <= 13_000.0) & (p >= 5000.0)).sum() == 2
    wide = (p <= 30_000.0) & (p >= 2500.0)
    got = viscous(t, p)
    want = written_out(
        t[wide], p[wide], centre=8000.0, noise=0.002, step=10.0, bend=0.15, bend_sd=0.1, load=6.5, load_sd=7.0 + 1e-6
    )
    np.testing.assert_allclose(got, want, rtol=1e-6)
    # five readings are enough
    fine = 13_000.0 * 0.8 ** np.arange(-2.0, 12.0)
    t = np.arange(0.0, 14.0)
    assert ((fine <= 13_000.0) & (fine >= 5000.0)).sum() == 5
    assert viscous(t, fine)[2] == 5.0
    # four are not, and the wide band is better known
    fine = 12_000.0 * 0.75 ** np.arange(-2.0, 8.0)
    assert ((fine <= 13_000.0) & (fine >= 5000.0)).sum() == 4
    assert viscous(np.arange(10.0), fine)[2] == ((fine <= 30_000.0) & (fine >= 2500.0)).sum()
    # unless what lies beyond makes it worse: readings off by a third to either side
    spoilt = fine * np.where((fine > 13_000.0) | (fine < 5000.0), 1.0 - 0.3 * (-1.0) ** np.arange(10.0), 1.0)
    assert ((spoilt <= 13_000.0) & (spoilt >= 5000.0)).sum() == 4
    assert viscous(np.arange(10.0), spoilt)[2] == 4.0
    assert np.isnan(viscous(t, np.full(14, 40_000.0))[0])
    # so many readings, but each of them off by a third: the wide band knows no better or is taken
    rng = np.random.default_rng(1)
    rough = pumped(np.arange(0.0, 200.0, 5.0), 25_000.0, 0.02, 0.15, 10.0, 8000.0) * np.exp(0.3 * rng.normal(size=40))
    narrow = (rough <= 13_000.0) & (rough >= 5000.0)
    assert viscous(np.arange(0.0, 200.0, 5.0), rough)[2] > narrow.sum()
