"""Rates in a band of pressure against weighted least squares written out. Tag: CALC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from pulls import pumped, written_out

from blankoff.evacuation.pump_down_bands import band_rate

Array = NDArray[np.float64]
NAN = float("nan")


def band(
    t: Array,
    p: Array,
    high: float = 2000.0,
    low: float = 600.0,
    centre: float = 1000.0,
    noise: float = 0.005,
    step: float = 1.0,
    bend: float = 0.5,
    bend_sd: float = 0.25,
    load: float = 1.0,
    load_sd: float = 2.0,
    i0: int = 0,
    i1: int = -1,
) -> Array:
    out = np.full(5, -1.0)
    band_rate(
        t, p, i0, t.size if i1 < 0 else i1, high, low, centre, noise, step, bend, bend_sd, load, load_sd, out
    )  # fmt: skip
    return out


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("every", [0.2, 3.0])
def test_rate_is_least_squares_with_priors(seed: int, every: float) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.6, 1.4, int(240 / every)) * every) + 5.0
    p = pumped(t, 9000.0, 0.03, 0.4, 6.0, 1000.0) * (1.0 + 0.006 * rng.normal(size=t.size))
    p[rng.choice(t.size, 6, replace=False)] = NAN
    inside = np.flatnonzero(p <= 2000.0)[0]
    under = next(i for i in range(inside, t.size) if p[i] < 600.0 and not p[i + 1] >= 600.0)
    while not p[under - 1] > 0.0:
        under -= 1
    # readings are numbered from the band's first one when some are left out
    want = written_out(t[inside:under], p[inside:under])
    np.testing.assert_allclose(band(t, p), want, rtol=1e-6)
    # another prior, noise and step
    other = {"noise": 0.02, "step": 30.0, "bend": 0.1, "bend_sd": 0.1, "load": 8.0, "load_sd": 0.5}
    np.testing.assert_allclose(band(t, p, **other), written_out(t[inside:under], p[inside:under], **other), rtol=1e-6)
    # ... and readings that scatter more than they should
    np.testing.assert_allclose(
        band(t, p, noise=0.001, step=0.0),
        written_out(t[inside:under], p[inside:under], noise=0.001, step=0.0),
        rtol=1e-5,
    )


@pytest.mark.parametrize(("k", "s", "load"), [(0.03, 0.5, 3.0), (0.01, 0.3, 2.0), (0.05, 0.7, 20.0)])
def test_rate_of_a_pull_drawn_by_the_model_is_found(k: float, s: float, load: float) -> None:
    t = np.arange(0.0, 6.0 / k, 0.05 / k)
    p = pumped(t, 5000.0, k, s, load, 1000.0)
    got = band(t, p, bend=s, load=load, load_sd=0.1 * load, noise=0.001, step=0.0)
    assert got[0] == pytest.approx(k, rel=2e-3)
    assert got[4] == pytest.approx(s, rel=0.02)
    assert abs(got[3] - np.interp(-math.log(1000.0), -np.log(p), t)) <= t[1]


def test_band_begins_and_ends_where_it_says() -> None:
    t = np.arange(0.0, 20.0)
    p = np.array(
        [3000.0, 2000.1, 2000.0, 1800.0, 1600.0, 1400.0, 1200.0, 1000.0, 999.0, 800.0, 700.0, 600.0] + [500.0] * 8
    )
    np.testing.assert_allclose(band(t, p), written_out(t[2:12], p[2:12]), rtol=1e-6)
    assert band(t, p)[3] == 7.0
    # a lone reading below the band ends nothing
    low = p.copy()
    low[9] = 500.0
    np.testing.assert_allclose(band(t, low), written_out(t[2:12], low[2:12]), rtol=1e-6)
    # nor one before a reading just at the band's edge
    low[10] = 600.0
    np.testing.assert_allclose(band(t, low), written_out(t[2:12], low[2:12]), rtol=1e-6)
    # blank after a low reading: it is not seen to come back
    low[10] = NAN
    np.testing.assert_allclose(band(t, low), written_out(t[2:9], low[2:9]), rtol=1e-6)
    # only the pull's own readings
    np.testing.assert_allclose(band(t, p, i0=4, i1=9), written_out(t[4:9], p[4:9]), rtol=1e-6)
    # blanks at the end are no part of it
    low = p.copy()
    low[9:12] = NAN
    np.testing.assert_allclose(band(t, low, i1=12), written_out(t[2:9], low[2:9]), rtol=1e-6)
    # nothing above the centre: the band's first reading is when
    np.testing.assert_allclose(band(t, p, high=900.0, low=400.0, i1=14)[3], 9.0)


def test_too_little_in_a_band_says_nothing() -> None:
    t = np.arange(0.0, 6.0)
    nothing = lambda p, **words: bool(np.isnan(band(t, np.array(p), **words)[[0, 1, 3]]).all())  # noqa: E731
    three = [3000.0, 1900.0, 1200.0, 700.0, 500.0, 500.0]
    assert not nothing(three)
    assert nothing([3000.0, 1900.0, NAN, 700.0, 500.0, 500.0])
    assert band(t, np.array([3000.0, 1900.0, NAN, 700.0, 500.0, 500.0]))[2] == 0.0
    # it must fall by fifteen per cent
    assert nothing([2000.0, 1900.0, 1800.0, 1701.0, 1701.0, 1701.0])
    assert not nothing([2000.0, 1900.0, 1800.0, 1699.0, 1699.0, 1699.0])
    assert nothing([NAN] * 6)
    assert nothing([3000.0] * 6)
    assert nothing([0.0] * 6)
    # all at one moment
    out = np.full(5, -1.0)
    band_rate(np.zeros(6), np.array(three), 0, 6, 2000.0, 600.0, 1000.0, 0.005, 1.0, 0.5, 0.25, 1.0, 2.0, out)
    assert math.isnan(out[0])


@pytest.mark.parametrize("n", [399, 400, 401])
def test_of_four_hundred_readings_every_second_is_summed(n: int) -> None:
    t = np.arange(0.0, float(n))
    p = np.geomspace(1990.0, 610.0, n) * (1.0 + 0.004 * np.sin(np.arange(n) * 2.7))
    np.testing.assert_allclose(band(t, p), written_out(t, p), rtol=1e-6)
    assert np.isfinite(band(t, p)).all()
