"""Invented logs for the readers' tests: a pull with a hold, as arrays and as text."""

from __future__ import annotations

import numpy as np


def pull_micron(n: int = 400, step_s: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """Times and pressures of an invented pull from the open to 300 microns, isolated at three quarters."""
    t = np.arange(n) * step_s
    isolated = t[3 * n // 4]
    p = 760_000 * np.exp(-t / 40.0) + 300 + 40 * np.exp(-t / 300.0)
    after = t > isolated
    p[after] = p[after] + 60 * (1 - np.exp(-(t[after] - isolated) / 60.0))
    return t, np.round(p, 1)


def as_text(t: np.ndarray, p: np.ndarray, heading: str = "elapsed_s,pressure_micron", over_range: str = "OL") -> str:
    """A log in the contract's layout; what lies above 25 000 microns is over-range."""
    rows = [f"{a:g},{b:.1f}" if b <= 25_000 else f"{a:g},{over_range}" for a, b in zip(t, p, strict=True)]
    return "\n".join([heading, *rows]) + "\n"
