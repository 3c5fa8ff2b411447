"""Invented holds with known truth, by physics apart from the package's own model and from its simulator.

Outgassing is a sum of pools with up to six time constants at once or a diffusion-like spread of forty; free water
cools as it evaporates or runs dry; the leak is a throughput through a choked hole. The gauge has lag, gain, offset,
wander of its own kind (a random walk pulled back, plus a sine), quantisation by range, frozen minutes, spikes, radio
gaps, even, jittered and on-change sampling. Everything is seeded and the worlds differ in their parameters.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blankoff.samples import SampleBatch


@dataclass(frozen=True)
class World:
    """Ranges the holds are drawn from; shares are of holds."""

    leak_share: float = 0.4
    leak_low: float = 1.0
    leak_high: float = 500.0
    wet_share: float = 0.2
    rise_median: float = 90.0
    rise_ln_sd: float = 0.7
    tau_low_s: float = 25.0
    tau_high_s: float = 4 * 3600.0
    pools_high: int = 4
    diffusion_share: float = 0.2
    noise_low: float = 0.003
    noise_high: float = 0.03
    wander_low: float = 0.001
    wander_high: float = 0.008
    start_median: float = 280.0
    stood_low: float = 0.9
    stood_high: float = 2.5
    rough_share: float = 0.3
    intervals_s: tuple[float, ...] = (1.0, 2.0, 5.0, 10.0)
    step_high: float = 80.0
    required_min: tuple[float, ...] = (10.0, 10.0, 10.0, 15.0, 20.0)
    gain_sd: float = 0.0


OTHER_WORLD = World(
    leak_share=0.5,
    leak_low=2.0,
    leak_high=300.0,
    wet_share=0.3,
    rise_median=120.0,
    rise_ln_sd=0.6,
    tau_low_s=40.0,
    tau_high_s=3 * 3600.0,
    pools_high=6,
    diffusion_share=0.4,
    noise_low=0.005,
    noise_high=0.02,
    wander_low=0.0015,
    wander_high=0.006,
    start_median=350.0,
    step_high=150.0,
    rough_share=0.4,
)


@dataclass(frozen=True)
class Holds:
    """A batch of holds (time 0 = isolation) and what is true of each; arrays are (n,)."""

    batch: SampleBatch
    required_min: np.ndarray
    leak_micron_per_min: np.ndarray
    leak_micron: np.ndarray
    saturating_micron: np.ndarray
    step_micron: np.ndarray
    noise: np.ndarray
    ambient_c: np.ndarray
    wet: np.ndarray


def _psat(t_c: float) -> float:
    """Magnus form over water, microns: deliberately not the package's own formula (from memory)."""
    return 610.94 / 0.133322 * np.exp(17.625 * t_c / (243.04 + t_c))


def _gauge(rng: np.random.Generator, t: np.ndarray, p: np.ndarray, w: World) -> tuple[np.ndarray, float]:
    """What a gauge shows of pressures `p` at even fine times `t` (1 s)."""
    lag = rng.uniform(0.0, 4.0)
    if lag > 0.3:
        out, state = np.empty_like(p), p[0]
        k = 1.0 - np.exp(-1.0 / lag)
        for i, x in enumerate(p):
            state += k * (x - state)
            out[i] = state
        p = out
    size = np.exp(rng.uniform(np.log(w.wander_low), np.log(w.wander_high)))
    memory = np.exp(rng.uniform(np.log(40.0), np.log(1500.0)))
    rho = np.exp(-1.0 / memory)
    shocks = rng.normal(size=t.size) * size * np.sqrt(1 - rho * rho)
    wander, x = np.empty(t.size), rng.normal() * size
    for i, e in enumerate(shocks):
        x = rho * x + e
        wander[i] = x
    noise = np.exp(rng.uniform(np.log(w.noise_low), np.log(w.noise_high)))
    gain = np.exp(rng.normal() * w.gain_sd)
    q = p * gain * (1.0 + wander + noise * rng.normal(size=t.size)) + rng.normal() * 2.0
    if rng.random() < w.rough_share:
        for _ in range(rng.integers(0, 4)):
            q[rng.integers(t.size)] *= rng.uniform(0.6, 1.8)
        if rng.random() < 0.5 and t.size > 200:
            a = rng.integers(30, t.size - 90)
            q[a : a + rng.integers(20, 80)] = q[a]
    coarse = rng.choice([10.0, 50.0, 100.0, 250.0])
    q = np.where(q < 1000.0, np.round(q), np.round(q / coarse) * coarse)
    return np.maximum(q, 1.0), noise


def one_hold(rng: np.random.Generator, w: World) -> tuple[np.ndarray, np.ndarray, dict[str, float]]:
    """One hold: seconds, microns, truth."""
    required = float(rng.choice(w.required_min))
    stood = required * 60.0 * rng.uniform(w.stood_low, w.stood_high)
    if rng.random() < 0.15:
        stood = required * 60.0 * rng.uniform(0.15, 1.0)
    t = np.arange(0.0, max(stood, 75.0) + 1.0)
    start = float(np.clip(np.exp(np.log(w.start_median) + 0.5 * rng.normal()), 30.0, 900.0))
    ambient = rng.uniform(2.0, 38.0)
    span = required * 60.0
    grid = np.append(t, span)
    # outgassing: within ten minutes it adds rise_median microns or so, all pools together
    pools = rng.integers(1, w.pools_high + 1)
    if rng.random() < w.diffusion_share:
        centre = np.exp(rng.uniform(np.log(w.tau_low_s * 2), np.log(w.tau_high_s / 2)))
        taus = centre * np.exp(rng.normal(size=40) * 1.2)
        share = rng.dirichlet(np.full(40, 2.0))
    else:
        taus = np.exp(rng.uniform(np.log(w.tau_low_s), np.log(w.tau_high_s), size=pools))
        share = rng.dirichlet(np.full(pools, 1.5))
    rise = np.exp(np.log(w.rise_median) + w.rise_ln_sd * rng.normal())
    in_ten = 1.0 - np.exp(-600.0 / taus)
    # a slow pool can hold much, but within a hold it adds tens, seldom hundreds
    part = rise * share * np.where(taus > 1500.0, 0.6, 1.0)
    amp = part / in_ten
    sat = ((1.0 - np.exp(-grid[:, None] / taus[None, :])) * amp).sum(axis=1)
    wet = rng.random() < w.wet_share
    if wet:
        tau_w = np.exp(rng.uniform(np.log(60.0), np.log(5400.0)))
        water_c = ambient - abs(rng.normal()) * 8.0
        ceiling = _psat(max(water_c, -25.0)) * rng.uniform(0.5, 1.0)
        ceiling = max(ceiling, start + 150.0)
        gain_w = (ceiling - start) * (1.0 - np.exp(-grid / tau_w))
        if rng.random() < 0.5:
            # the water runs dry: only so much of it is there
            lot = np.exp(rng.uniform(np.log(60.0), np.log(3000.0)))
            gain_w = lot * (1.0 - np.exp(-gain_w / lot))
        sat = sat + gain_w
    leak = 0.0
    if rng.random() < w.leak_share:
        leak = float(np.exp(rng.uniform(np.log(w.leak_low), np.log(w.leak_high))))
    step = float(rng.choice([0.0, rng.uniform(-5, w.step_high)]))
    tau_step = rng.uniform(1.0, 7.0)
    p = start + sat[:-1] + leak * t / 60.0 + step * (1.0 - np.exp(-t / tau_step))
    kelvin = ambient + 273.15
    p = p * (1.0 + rng.normal() * 0.7 * t / 1800.0 / kelvin)
    shown, noise = _gauge(rng, t, p, w)
    keep = np.ones(t.size, dtype=bool)
    dt = float(rng.choice(w.intervals_s))
    keep = np.zeros(t.size, dtype=bool)
    idx = np.arange(rng.integers(0, int(dt)), t.size, dt).astype(int)
    keep[idx] = True
    if rng.random() < w.rough_share:
        keep &= rng.random(t.size) > 0.1
        if rng.random() < 0.4 and t.size > 240:
            a = rng.integers(40, t.size - 60)
            keep[a : a + rng.integers(20, 120)] = False
    if rng.random() < 0.1:
        keep[1:] &= shown[1:] != shown[:-1]
    top = rng.choice([10000.0, 20000.0, 25000.0])
    shown = np.where(shown > top, np.nan, shown)
    truth = {
        "required": required,
        "leak": leak,
        "leak_micron": leak * required,
        "sat": float(sat[-1]),
        "step": step,
        "noise": noise,
        "ambient": ambient,
        "wet": float(wet),
    }
    return t[keep], shown[keep], truth


def make_holds(n: int, seed: int, world: World = World()) -> Holds:
    """`n` holds of a world, the same for the same seed."""
    rng = np.random.default_rng(seed)
    logs, rows = [], []
    while len(logs) < n:
        t, p, truth = one_hold(rng, world)
        if np.isfinite(p).sum() < 8:
            continue
        logs.append(SampleBatch.of_one(f"hold-{len(logs)}", t, p))
        rows.append(truth)
    get = lambda k: np.array([r[k] for r in rows])  # noqa: E731
    return Holds(
        SampleBatch.concat(logs),
        get("required"),
        get("leak"),
        get("leak_micron"),
        get("sat"),
        get("step"),
        get("noise"),
        get("ambient"),
        get("wet") > 0,
    )


DRY_WORLD = replace(World(), wet_share=0.0, leak_share=0.3)
