"""Score holds drawn by plain closed forms, physics apart from both the package's model and its simulator.

    python -m tests.accuracy.plain [--seed 21] [--count 1200] [--as-they-fall]

Pressure after isolation is what was there, a step that settles within seconds, a constant leak, and what saturates: one
exponential or evaporation towards water's saturation, and outgassing by a power law of time or two or three exponentials. The
pull before it is an exponential with a floor. Gauge: gain, white and correlated noise, steps, range; readings every 1 - 60 s or
on change. The ranges are this project's invention around the field's (domain), and count every kind of rise alike unless
``--as-they-fall``. The whole log goes the public way.
"""

from __future__ import annotations

import argparse
import math
from typing import Any

import numpy as np
import polars as pl
from scipy.signal import lfilter

from blankoff.evacuation.judge import judge_batch
from blankoff.samples import JobContext, SampleBatch
from tests.accuracy import figures as fg

KINDS = ("flat", "leak", "moisture", "leak_and_moisture")
MATERIAL = 50.0

Array = np.ndarray
Log = tuple[Array, Array, Array]


def _even_ln(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _saturation_micron(ambient_c: float) -> float:
    """Magnus form over water: deliberately not the package's own formula (from memory)."""
    return 610.94 / 0.133322 * math.exp(17.625 * ambient_c / (243.04 + ambient_c))


def _saturating(
    rng: np.random.Generator, kind: str, required_s: float, pumped_s: float, first: float, ambient_c: float
) -> Any:
    """Draw what saturates, as a function of seconds since isolation."""
    dry = kind in ("flat", "leak")
    water = "none" if dry else str(rng.choice(["single", "evaporation", "none"], p=[0.45, 0.25, 0.3]))
    if not kind:
        water = str(rng.choice(["single", "evaporation", "none"], p=[0.25, 0.15, 0.6]))
    gas = str(rng.choice(["power", "exponentials", "none"], p=[0.4, 0.4, 0.2]))
    rise = _even_ln(rng, 3.0, 40.0) if dry else _even_ln(rng, 10.0, 300.0)
    # a rate falling as t^-0.5 .. t^-1 since pumping began, or since what was let in last
    alpha, begun_s = rng.uniform(0.5, 0.99), rng.uniform(0.02, 1.0) * pumped_s
    taus = np.exp(rng.uniform(math.log(30.0), math.log(7200.0), size=int(rng.integers(2, 4))))
    shares = rng.dirichlet(np.ones(taus.size))
    tau, size = _even_ln(rng, 30.0, 1800.0), _even_ln(rng, 60.0, 2500.0)
    evaporation_s = _even_ln(rng, 240.0, 14_400.0)
    room = max(_saturation_micron(ambient_c - 2.0 * abs(rng.normal())) - first, 0.0)

    def power(t: Array) -> Array:
        return np.asarray((1.0 + t / begun_s) ** (1.0 - alpha) - 1.0)

    def added(t: Array) -> Array:
        y = np.zeros_like(t)
        if gas == "power":
            y += rise * power(t) / power(np.array([required_s]))
        elif gas == "exponentials":
            part = shares / (1.0 - np.exp(-required_s / taus))
            y += rise * ((1.0 - np.exp(-t[:, None] / taus)) * part).sum(axis=1)
        if water == "single":
            y += size * (1.0 - np.exp(-t / tau))
        elif water == "evaporation":
            y += room * (1.0 - np.exp(-t / evaporation_s))
        return y

    return added


def _read(rng: np.random.Generator, true: Array, top: float) -> tuple[Array, float]:
    """Readings at every second, and the spacing at which the gauge logs them (negative: on change)."""
    noise = _even_ln(rng, 0.002, 0.02)
    wander, memory_s = (_even_ln(rng, 0.0005, 0.006) if rng.random() < 0.7 else 0.0), _even_ln(rng, 8.0, 600.0)
    rho = math.exp(-1.0 / memory_s)
    slow = lfilter([wander * math.sqrt(1.0 - rho * rho)], [1.0, -rho], rng.normal(size=true.size))
    shown = true * (1.0 + slow + noise * rng.normal(size=true.size)) * math.exp(0.03 * rng.normal())
    step = float(rng.choice([1.0, 1.0, 5.0, 10.0, 25.0]))
    shown = np.maximum(np.round(shown / step) * step, step)
    every = float(rng.choice([1.0, 2.0, 5.0, 10.0, 30.0, 60.0], p=[0.2, 0.2, 0.25, 0.2, 0.1, 0.05]))
    return np.where(shown > top, np.nan, shown), -every if rng.random() < 0.1 else every


def _kept(rng: np.random.Generator, shown: Array, every: float) -> Array:
    """Places of the seconds that are logged."""
    step = int(abs(every))
    at = np.arange(int(rng.integers(0, step)), shown.size, step)
    if every > 0.0:
        return at
    value = np.nan_to_num(shown[at], nan=-1.0)
    return at[np.append(True, value[1:] != value[:-1])]


def draw_hold(rng: np.random.Generator, kind: str) -> tuple[Log, dict[str, Any]]:
    """One log and its truth; `kind` is only aimed at, and empty for a hold as it falls."""
    required = float(rng.choice([5.0, 10.0, 10.0, 10.0, 15.0, 20.0, 30.0]))
    required_s = 60.0 * required
    stood_s = required_s * rng.uniform(1.0, 1.6) + rng.uniform(15.0, 60.0)
    ambient_c, first = rng.uniform(2.0, 38.0), _even_ln(rng, 60.0, 400.0)
    pumped_s = 60.0 * _even_ln(rng, 6.0, 120.0)
    leak = 0.0
    if kind in ("leak", "leak_and_moisture"):
        leak = _even_ln(rng, max(2.0, 55.0 / required), 200.0)
    elif not kind and rng.random() < 0.4:
        leak = _even_ln(rng, 2.0, 200.0)
    added = _saturating(rng, kind, required_s, pumped_s, first, ambient_c)
    step, step_s = (_even_ln(rng, 1.0, 150.0) if rng.random() < 0.7 else 0.0), rng.uniform(2.0, 20.0)
    t = np.arange(0.0, stood_s + 1.0)
    warming = rng.normal() * math.sqrt(required / 10.0) * np.minimum(t, required_s) / required_s
    hold = first + step * (1.0 - np.exp(-t / step_s)) + leak * t / 60.0 + added(t)
    hold *= 1.0 + warming / (ambient_c + 273.15)
    up = np.arange(0.0, pumped_s)
    fall_s = pumped_s / math.log(760_000.0 / first) / rng.uniform(1.05, 2.0)
    tail_s = _even_ln(rng, pumped_s / 12.0, pumped_s / 3.0)
    tail = rng.uniform(0.0, 0.6) * first * (np.exp(-up / tail_s) - math.exp(-pumped_s / tail_s))
    pull = first + (760_000.0 - first) * np.exp(-up / fall_s) + tail
    top = float(rng.choice([10_000.0, 20_000.0, 25_000.0]))
    shown, every = _read(rng, np.concatenate([pull, hold]), top)
    at = _kept(rng, shown, every)
    ambient = np.full(shown.size, np.nan)
    if rng.random() < 0.5:
        ambient = ambient_c + np.concatenate([np.zeros(up.size), warming])
    leak_rise, rise = leak * required, float(added(np.array([required_s]))[0])
    ends = added(np.array([stood_s - 1.0, stood_s]))
    still = float(ends[1] - ends[0]) * required_s
    truth = {
        "rise_kind": KINDS[(leak_rise >= MATERIAL) + 2 * (rise >= MATERIAL)], "leak_micron_per_min": leak,
        "leak_rise_micron": leak_rise, "moisture_rise_micron": rise, "isolated_at_s": float(up.size), "step": step,
        "step_s": step_s, "water_boiled_g": 0.0, "required": required, "ambient_c": ambient_c, "top": top,
        # what the saturating part would still add at its last rate looks like a leak to any eye
        "bent": still < 25.0 or (leak_rise > 80.0 and still < 0.2 * leak_rise),
    }  # fmt: skip
    return (at.astype(float), shown[at], ambient[at]), truth


def judged_holds(seed: int, count: int, as_they_fall: bool = False) -> pl.DataFrame:
    """Draw and judge; the truth's columns have ``_true`` behind where ours are called the same.

    ``clear`` are holds whose parts lie outside 30 - 80 microns and of which the saturating one has bent off.
    """
    rng = np.random.default_rng(seed)
    logs: list[SampleBatch] = []
    rows: list[dict[str, Any]] = []
    while len(rows) < count:
        wanted = "" if as_they_fall else KINDS[len(rows) % 4]
        (t, p, ambient), truth = draw_hold(rng, wanted)
        if np.isfinite(p[t > truth["isolated_at_s"]]).sum() < 8 or (wanted and truth["rise_kind"] != wanted):
            continue
        logs.append(SampleBatch.of_one(str(len(rows)), t, p, ambient))
        rows.append(truth)
    true = pl.DataFrame(rows)
    outside = ~pl.col("leak_rise_micron").is_between(30, 80) & ~pl.col("moisture_rise_micron").is_between(30, 80)
    true = true.with_columns(clear=pl.col("bent") & outside)
    n = true.height
    context = JobContext(
        np.full(n, 500.0), np.full(n, 1000.0), true["required"].to_numpy(), true["ambient_c"].to_numpy(), np.zeros(n),
        np.full(n, 10.0), true["top"].to_numpy(), np.full(n, 5.0),
    )  # fmt: skip
    ours = judge_batch(SampleBatch.concat(logs), context).measure
    both = [c if c not in ours.columns else f"{c}_true" for c in true.columns]
    return ours.hstack(true.rename(dict(zip(true.columns, both, strict=True))))


def main(arguments: list[str] | None = None) -> int:
    """Draw, judge, score, print."""
    parser = argparse.ArgumentParser(
        prog="tests.accuracy.plain", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--count", type=int, default=1200)
    parser.add_argument("--as-they-fall", action="store_true", help="kinds as they fall, not each alike")
    given = parser.parse_args(arguments)
    holds = judged_holds(given.seed, given.count, given.as_they_fall)
    print(f"\nplain holds, seed {given.seed}, {holds.height}; not found: {holds['isolated_at_s'].null_count()}")
    for figure in fg.rises(holds.filter("clear"), holds):
        print(figure.line())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
