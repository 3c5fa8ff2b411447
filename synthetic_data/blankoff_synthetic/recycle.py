"""Logs handed in twice: whole, shifted in time, trimmed, re-noised or resampled copies of an earlier pull."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .parts import Pull

WAYS = ("whole", "shifted", "trimmed", "renoised", "resampled")


def copied_pull(pull: Pull, way: str, rng: np.random.Generator) -> Pull:
    """Return the pull as a copier would hand it in again; its truth stays that of the source."""
    elapsed, pressure, ambient = pull.elapsed_s, pull.pressure_micron, pull.ambient_c
    count = elapsed.size
    if way == "shifted":
        elapsed = elapsed + float(rng.integers(5, 3000))
    elif way == "trimmed":
        first = int(rng.uniform(0.0, 0.12) * count)
        last = count - int(rng.uniform(0.02, 0.12) * count)
        elapsed, pressure, ambient = elapsed[first:last] - elapsed[first], pressure[first:last], ambient[first:last]
    elif way == "renoised":
        noisy = pressure * np.exp(rng.uniform(0.002, 0.012) * rng.standard_normal(count))
        pressure = np.round(noisy * float(rng.uniform(0.985, 1.015)))
    elif way == "resampled":
        step = float(np.median(np.diff(elapsed))) * float(rng.choice([1.5, 2.0, 3.0]))
        times = np.arange(elapsed[0], elapsed[-1], step)
        nearest = np.clip(np.searchsorted(elapsed, times), 0, count - 1)
        elapsed, pressure, ambient = times, pressure[nearest], ambient[nearest]
    return replace(pull, elapsed_s=elapsed, pressure_micron=pressure, ambient_c=ambient, marks=())
