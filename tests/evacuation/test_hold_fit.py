"""The fit of one hold's blocks against dense generalised least squares and posterior sums done anew. Tag: CALC.

Shared with the code: the prior's tables, one shape's share of the posterior and the wander beside a curve, each of which
has its own tests. Everything else, library, nuisances, projection, free water, best shape, is written out here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray
from oracle import covariance, plain

from blankoff.evacuation.hold_fit import OUT, WET_RISE_MICRON, fit_blocks
from blankoff.evacuation.hold_posterior import ORDINARY, QUICK, STATE_SUMS, SUMS, WET, accumulate, best_parts
from blankoff.evacuation.hold_prior import RisePrior, split_table
from blankoff.evacuation.hold_wet import wet_shape, wet_shapes
from blankoff.evacuation.noise import DESIGN, wander_beside

WET_SHAPES = wet_shapes()

Array = NDArray[np.float64]
PRIOR = RisePrior()
BELIEF = PRIOR.vector(50.0)
TABLES = tuple(
    split_table(PRIOR, 10.0, 50.0, s)
    for s in (PRIOR.slow_of_ordinary(), PRIOR.slow_of_quick(), PRIOR.slow_scale_micron)
)
STACK = np.stack([x.values for x in TABLES])
POOLS_S = (30.0, 130.0, 550.0)


@dataclass
class Hold:
    """Blocks of a hold and what is known of it."""

    t: Array
    p: Array
    var: Array
    required_s: float = 600.0
    saturation: float = 17_000.0
    drift_sd: float = 1.3
    pumped: float = float("nan")
    warming: Array = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        if self.warming.size == 0:
            self.warming = 2e-6 * self.t

    def fitted(self) -> Array:
        out = np.full(OUT, -1.0)
        fit_blocks(
            self.t, self.p, self.var, self.warming, self.t.size, self.required_s, self.saturation, self.drift_sd, self.pumped, STACK,
            TABLES[0].scale, TABLES[0].step, WET_SHAPES, BELIEF, out,
        )  # fmt: skip
        return out

    @property
    def taus(self) -> Array:
        """Time constants from four holds down to 28 s by the root of two, six at least."""
        all_of_them = 4.0 * max(self.t[-1], self.required_s) / 2.0 ** (0.5 * np.arange(20))
        return np.array([x for k, x in enumerate(all_of_them) if x >= 28.0 or k <= 5])

    @property
    def rising(self) -> bool:
        high = max(self.p[-1], self.p[self.t.size // 2])
        return bool(high - min(self.p[0], self.p[1]) > 120.0 and self.saturation > 120.0)

    @property
    def slack(self) -> float:
        high = max(self.p[-1], self.p[self.t.size // 2])
        return max(0.04 * (high - self.p[0]) * self.required_s / self.t[-1], 1.0)


def scaled(h: Hold, tau: float, at: float | None = None) -> Array:
    """Exponential approach, 1 at the required hold."""
    return (1.0 - np.exp(-h.t / tau)) / (1.0 - math.exp(-h.required_s / tau))


class Dense:
    """Everything of one sweep, for one size and memory of the wander."""

    def __init__(self, h: Hold, size: float, memory_s: float, water: str) -> None:
        self.h = h
        self.inverse = np.linalg.inv(covariance(h.t, h.p, h.var, size, memory_s))
        one = np.ones_like(h.t)
        self.nuisance = np.column_stack([one, np.exp(-h.t / 7.0), np.exp(-h.t / 14.0), h.p * h.warming])
        half = h.p.size // 2
        # four seconds of the later half's steady rise
        flow = 4.0 * max(h.p[-1] - h.p[half], 0.0) / (h.t[-1] - h.t[half])
        evening = PRIOR.evening_least_micron + PRIOR.evening_share * h.p[0] + flow
        step = 30.0 + 0.3 * h.p[0] + flow
        self.precision = np.diag([1e-12, 1.0 / step**2, 1.0 / evening**2, 1.0 / h.drift_sd**2])
        self.mean = np.array([0.0, 0.0, 0.0, 1.0])
        self.line, self.y = h.t / h.required_s, h.p - h.p[0]
        self.project, self.rest = self._projector(self.nuisance, self.precision, self.mean)
        self.shapes = [((k, -1), 1.0) for k in range(h.taus.size)]
        even = range(0, h.taus.size, 2)
        self.shapes += [((i, j), s) for i in even for j in even if j > i for s in (0.3, 0.7)]
        self.best_dry()
        self.wet_gain = -1e300
        if h.rising and water:
            self.free_water(water == "all")

    def _projector(self, nuisance: Array, precision: Array, mean: Array) -> tuple[Array, Array]:
        normal = nuisance.T @ self.inverse @ nuisance + precision
        self.normal = normal
        inner = self.inverse - self.inverse @ nuisance @ np.linalg.solve(normal, nuisance.T @ self.inverse)
        return inner, self.y - nuisance @ mean

    def terms(self, shape: Array, project: Array, rest: Array) -> tuple[float, float, float, float, float]:
        a, b = project @ shape, project @ self.line
        return float(shape @ a), float(self.line @ a), float(rest @ a), float(self.line @ b), float(rest @ b)

    def dry_shape(self, places: tuple[int, int], share: float) -> tuple[Array, float]:
        """Shape and its rise at infinite time."""
        i, j = places
        tau = self.h.taus
        ends = lambda k: 1.0 / (1.0 - math.exp(-self.h.required_s / tau[k]))  # noqa: E731
        shape, full = share * scaled(self.h, tau[i]), share * ends(i)
        if j >= 0:
            shape, full = shape + (1.0 - share) * scaled(self.h, tau[j]), full + (1.0 - share) * ends(j)
        return shape, full

    def best_dry(self) -> None:
        self.dry_gain = -1e300
        for places, share in self.shapes:
            shape, full = self.dry_shape(places, share)
            c, straight, gain = best_parts(*self.terms(shape, self.project, self.rest), self.h.saturation / full)
            if gain > self.dry_gain + 1e-9:
                self.dry_gain, self.best = gain, (places, share, c, straight)

    def start(self) -> tuple[float, float]:
        """Pressure at isolation and step beside the best dry shape."""
        places, share, c, straight = self.best
        left = self.rest - c * self.dry_shape(places, share)[0] - straight * self.line
        normal = self.nuisance.T @ self.inverse @ self.nuisance + self.precision
        x = self.mean + np.linalg.solve(normal, self.nuisance.T @ self.inverse @ left)
        return float(self.h.p[0] + x[0]), float(x[1] + x[2])

    def free_water(self, every: bool) -> None:
        """Wet shapes beside three pools and a little slack along the line."""
        h = self.h
        nearest = [int(np.abs(np.log(h.taus / s)).argmin()) for s in POOLS_S]
        assert len(set(nearest)) == 3
        self.pool = nearest[1]
        columns = [scaled(h, h.taus[k]) for k in nearest]
        wide = np.column_stack([self.nuisance, *columns, self.line])
        sds = np.array([40.0, 40.0, 40.0, h.slack])
        precision = np.zeros((8, 8))
        precision[:4, :4] = self.precision
        precision[4:, 4:] = np.diag(1.0 / sds**2)
        mean = np.concatenate([self.mean, [25.0, 25.0, 25.0, 0.0]])
        project, rest = self._projector(wide, precision, mean)
        # evidence of pools and slack over what they were believed
        narrow = self.nuisance.T @ self.inverse @ self.nuisance + self.precision
        ln = np.linalg.slogdet(self.normal)[1] - np.linalg.slogdet(narrow)[1]
        self.ln_pools = float(-0.5 * (ln + 2.0 * np.log(sds).sum()))
        self.wide, self.wide_normal, self.wide_mean, self.wide_rest = wide, self.normal, mean, rest
        base = 0.5 * float(self.rest @ self.project @ self.rest - rest @ project @ rest)
        self.base = base
        self.found: list[tuple[tuple[float, float, float, float, float], float, float, float]] = []

        def look(kind: int, tau: float, weight: float) -> tuple[float, float, float, float, int, Array]:
            end = wet_shape(WET_SHAPES, kind, h.required_s / tau)
            shape = np.array([wet_shape(WET_SHAPES, kind, s / tau) for s in h.t]) / end
            # a hundred millionth of what the shape was before projection keeps it from ending as nothing
            gss, *others = self.terms(shape, project, rest)
            terms = (gss + 1e-8 * float(shape @ self.inverse @ shape), *others)
            c, straight, gain = best_parts(*terms, 1.12 * h.saturation * end)
            self.found.append((terms, 1.0 / end, tau, weight))
            return gain + base, tau, c, straight, kind, shape

        kinds = range(3) if every else range(1)
        grid = 12.0 * 2.0 ** (0.5 * np.arange(0, 20, 1 if every else 2))
        tried = [look(kind, float(tau), 1.0) for kind in kinds for tau in grid]
        at = max(range(len(tried)), key=lambda k: tried[k][0])
        best = tried[at]
        if every:
            terms, full, tau, _ = self.found[at]
            self.found[at] = (terms, full, tau, 0.2)
            near = [look(best[4], best[1] * 2.0**f, 0.2) for f in (-0.25, -0.125, 0.125, 0.25)]
            better = max(near, key=lambda one: one[0])
            best = better if better[0] > best[0] else best
        self.wet_gain, self.wet_best = best[0], best[1:]

    def wet_start(self) -> tuple[float, float]:
        _, c, straight, _, shape = self.wet_best
        left = self.wide_rest - c * shape - straight * self.line
        x = self.wide_mean + np.linalg.solve(self.wide_normal, self.wide.T @ self.inverse @ left)
        return float(self.h.p[0] + x[0]), float(x[1] + x[2])


def wander(h: Hold) -> tuple[float, float]:
    """Size and memory beside the curve that a first guess of both (0.3 per cent, 150 s) likes best."""
    first = Dense(h, 0.003, 150.0, "some")
    design = np.zeros((h.t.size, DESIGN))
    design[:, 0], design[:, 1], design[:, 2] = 1.0, h.t / h.required_s, np.exp(-h.t / 7.0)
    (i, j), _, _, _ = first.best
    wetter = h.rising and first.wet_gain + first.ln_pools > first.dry_gain
    second = h.taus[first.pool] if wetter or (j < 0 and h.rising) else h.taus[j] if j >= 0 else h.taus[0]
    design[:, 3] = first.wet_best[4] if wetter else 1.0 - np.exp(-h.t / h.taus[i])
    design[:, 4] = 1.0 - np.exp(-h.t / second)
    return wander_beside(h.t, design, 5 if wetter or j >= 0 else 4, h.p, h.p, h.var)


def sums(d: Dense) -> tuple[Array, float]:
    """Posterior sums over all shapes, and what of the weight is dry."""
    h = d.h
    offset = max(d.dry_gain, d.wet_gain + d.ln_pools) if h.rising else d.dry_gain
    pairs = len(d.shapes) - h.taus.size
    out = np.zeros(SUMS)
    for (i, j), share in d.shapes:
        shape, full = d.dry_shape((i, j), share)
        terms = d.terms(shape, d.project, d.rest)
        ln_tau = share * math.log(h.taus[i]) + ((1.0 - share) * math.log(h.taus[j]) if j >= 0 else 0.0)
        prior = math.log((1.0 - PRIOR.pair_share) / h.taus.size if j < 0 else PRIOR.pair_share / pairs)
        stretch = 1.0 + 1.5 * h.required_s / h.taus[i]
        for state, part, slow in (
            (ORDINARY, 1.0 - PRIOR.quick_share, PRIOR.slow_of_ordinary()),
            (QUICK, PRIOR.quick_share, PRIOR.slow_of_quick()),
        ):
            plain(accumulate)(
                out, state, *terms, h.saturation / full, full, prior + math.log((1.0 - PRIOR.wet_share) * part) - offset,
                share, slow * stretch, 0.0, h.saturation, ln_tau, STACK[state], TABLES[0].scale, TABLES[0].step, BELIEF,
            )  # fmt: skip
    dry = float(out[0])
    if h.rising:
        for terms, full, tau, weight in d.found:
            # log-normal about four minutes, half an octave a step, three kinds of warming
            z = math.log(tau / 240.0) / 1.3
            prior = 0.5 * math.log(2.0) / (1.3 * math.sqrt(2.0 * math.pi)) * math.exp(-0.5 * z * z) * weight / 3.0
            plain(accumulate)(
                out, WET, *terms, 1.12 * h.saturation / full, full,
                math.log(PRIOR.wet_share * prior) + d.ln_pools + d.base - offset, 1.0, 1.0, 50.0, h.saturation,
                math.log(tau), STACK[WET], TABLES[0].scale, TABLES[0].step, BELIEF,
            )  # fmt: skip
    return out, dry


def drawn(seed: int, rise: object, n: int = 16, end: float = 700.0, noise: float = 1.0, **known: float) -> Hold:
    rng = np.random.default_rng(seed)
    t = 3.0 + (end - 3.0) * np.linspace(0.0, 1.0, n) ** 1.5
    assert callable(rise)
    p = 300.0 + rise(t) - 40.0 * np.exp(-t / 7.0) + noise * rng.normal(size=n)
    return Hold(t, p, np.full(n, noise**2), **known)


HOLDS = {
    "outgassing": drawn(1, lambda t: 60.0 * (1.0 - np.exp(-t / 200.0))),
    "leak": drawn(2, lambda t: 0.1 * t),
    "two pools": drawn(3, lambda t: 40.0 * (1.0 - np.exp(-t / 40.0)) + 40.0 * (1.0 - np.exp(-t / 900.0))),
    "flat": drawn(4, lambda t: 0.0 * t),
    "falling": drawn(5, lambda t: -0.02 * t),
    "short": drawn(6, lambda t: 60.0 * (1.0 - np.exp(-t / 90.0)), n=9, end=200.0),
    "long": drawn(7, lambda t: 0.03 * t, end=1500.0, required_s=300.0),
    "noisy": drawn(8, lambda t: 0.05 * t + 30.0 * (1.0 - np.exp(-t / 100.0)), noise=12.0),
    "cold": drawn(9, lambda t: 90.0 * (1.0 - np.exp(-t / 200.0)), saturation=70.0),
    "few": drawn(10, lambda t: 0.05 * t, n=5, end=90.0),
    "leak over": drawn(11, lambda t: 0.9 * t),
    "water": drawn(12, lambda t: 1500.0 * (1.0 - np.exp(-t / 150.0))),
    "warming": drawn(
        13, lambda t: 2400.0 * np.array([wet_shape(WET_SHAPES, 2, s / 300.0) for s in t]), saturation=2500.0
    ),
    "water and leak": drawn(14, lambda t: 0.8 * t + 900.0 * (1.0 - np.exp(-t / 60.0)), saturation=1000.0),
    "sagging": drawn(15, lambda t: 200.0 * (1.0 - np.exp(-t / 60.0)) - 0.2 * t),
}
RISING = {"leak over", "water", "warming", "water and leak", "sagging"}


@pytest.mark.parametrize(
    "name",
    ["outgassing", "few", "warming", *(pytest.param(name, marks=pytest.mark.scheduled) for name in HOLDS)],
)
def test_fit_is_that_of_dense_algebra(name: str) -> None:
    h = HOLDS[name]
    out = h.fitted()
    assert h.rising is (name in RISING)
    assert out[9:11] == pytest.approx(wander(h), rel=1e-6)
    d = Dense(h, out[9], out[10], "all")
    (i, j), share, c, straight = d.best
    assert out[13] == pytest.approx(h.taus[i])
    assert (math.isnan(out[14]) and j < 0) or out[14] == pytest.approx(h.taus[j])
    assert out[15] == share
    assert out[16:18] == pytest.approx([c, straight], rel=1e-3, abs=1e-3)
    wetter = h.rising and d.wet_gain + d.ln_pools > d.dry_gain
    assert out[7:9] == pytest.approx(d.wet_start() if wetter else d.start(), rel=1e-3, abs=0.02)
    yy = float(d.rest @ d.project @ d.rest)
    assert out[18] == pytest.approx(max(yy - 2.0 * max(d.dry_gain, d.wet_gain), 0.0) / h.t.size, rel=1e-3, abs=1e-4)
    s, dry = sums(d)
    mean = s / s[0]
    want = {
        0: mean[1], 1: math.sqrt(max(mean[2] - mean[1] ** 2, 0.0)), 2: mean[3],
        3: math.sqrt(max(mean[4] - mean[3] ** 2, 0.0)), 4: mean[7], 5: mean[8], 6: math.exp(s[9] / s[10]), 11: mean[5],
        12: math.sqrt(max(mean[6] - mean[5] ** 2, 0.0)), 19: 1.0 - dry / s[0],
    }  # fmt: skip
    if s[7] > 0.0:
        # the leak if there is a material one
        want |= {20: s[11] / s[7], 21: math.sqrt(max(s[12] / s[7] - (s[11] / s[7]) ** 2, 0.0))}
    else:
        assert np.isnan(out[20:22]).all()
    # shares of the states, without and with a leak, and of material parts among them
    want |= {22 + k: float(x) for k, x in enumerate(mean[STATE_SUMS:])}
    assert OUT == 22 + SUMS - STATE_SUMS
    for place, value in want.items():
        # of a leak that is all but ruled out only nodes about as unlikely as what is left out are summed
        within = 5e-3 + (1e-4 / out[4] if place in (20, 21) else 0.0)
        assert out[place] == pytest.approx(value, rel=within, abs=2e-3), place


def test_truth_of_drawn_holds_is_found() -> None:
    """What the drawings were made of, within two standard errors and a few microns."""
    leak = HOLDS["leak"].fitted()
    assert leak[11] == pytest.approx(60.0, abs=2.0 * leak[12] + 5.0)
    water = HOLDS["water"].fitted()
    assert water[19] > 0.9
    assert water[2] == pytest.approx(1500.0, rel=0.1)
    warming = HOLDS["warming"].fitted()
    assert warming[19] > 0.9
    assert warming[2] > 1500.0
    assert warming[4] < 0.9
    flat = HOLDS["flat"].fitted()
    assert flat[4] < 0.2
    assert flat[5] < 0.2
    for name in ("outgassing", "leak", "flat"):
        out = HOLDS[name].fitted()
        assert out[7] == pytest.approx(300.0, abs=8.0)
        assert out[8] == pytest.approx(-40.0, abs=25.0)
    assert WET_RISE_MICRON == 120.0
