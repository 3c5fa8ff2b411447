"""What a lumped fleet's jobs and logs go through in the field: gas let in between pulls, stands amid a pull, logs in pieces.

All shares and ranges are judgement: each mess is far commoner here than anywhere, so that a few hundred logs show what it does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.accuracy.lumped_physics import Circuit, Conduct, Floats, Rig, solve, stood

NEVER_OVER_RANGE_MICRON = 12_000.0
"""What any gauge here can read."""
MESSES = ("none", "gap_iso", "gap", "change", "late", "frozen", "repeat", "disorder")
MESS_SHARES = (0.4, 0.08, 0.1, 0.17, 0.1, 0.05, 0.05, 0.05)
FEWEST_READINGS = 20


@dataclass(frozen=True)
class Break:
    """Dry gas let in: where the pull before it ended, how long it and a stand went on, what was let in and for how long."""

    at_micron: float
    pumped_s: float
    stood_s: float
    gas_micron: float
    left_s: float


@dataclass(frozen=True)
class Course:
    """What a technician did before the hold.

    Attributes
    ----------
    breaks
        Gas let in, in order.
    interrupted
        ``(microns, s)``: shut off amid the last pull at so low a pressure, for so long; None for not.
    resumed
        ``(s, s)``: shut off when the target was reached, for so long, then pumped again for so long; None for not.
    """

    breaks: tuple[Break, ...]
    interrupted: tuple[float, float] | None
    resumed: tuple[float, float] | None

    @property
    def name(self) -> str:
        """Its parts, joined by plus."""
        told = (("break", self.breaks), ("interrupted", self.interrupted), ("resumed", self.resumed))
        return "+".join(name for name, there in told if there)


def draw_course(rng: np.random.Generator) -> Course:
    """Draw what goes before a hold."""
    breaks = tuple(
        Break(
            float(rng.uniform(900, 6000)),
            float(rng.uniform(20, 300)),
            float(rng.uniform(30, 200)) if rng.random() < 0.5 else 0.0,
            float(rng.choice([20_000, 100_000, 500_000, 740_000]) * rng.uniform(0.8, 1.0)),
            float(rng.uniform(30, 300)),
        )
        for _ in range(int(rng.choice([0, 1, 2], p=[0.6, 0.25, 0.15])))
    )
    interrupted = (float(rng.uniform(600, 3000)), float(rng.uniform(60, 400))) if rng.random() < 0.15 else None
    resumed = (float(rng.uniform(40, 260)), float(rng.uniform(60, 900))) if rng.random() < 0.12 else None
    return Course(breaks, interrupted, resumed)


def run_course(
    circuit: Circuit, rig: Rig, does: Conduct, gain: float, offset: float, every_s: float, course: Course
) -> dict[str, Any]:
    """Pump and stand as `lumped_physics.run_job` does, after all that a course puts before the hold."""
    parts: list[tuple[float, Any]] = []
    now, state = 0.0, np.array(circuit.start())

    def go(with_rig: Rig | None, for_s: float, until: float | None = None) -> Any:
        nonlocal now, state
        part = solve(circuit, with_rig, state, for_s, until)
        parts.append((now, part))
        now += float(part.t[-1])
        state = part.y[:, -1].copy()
        return part

    for gas in course.breaks:
        go(rig, does.patience_s / 2, gas.at_micron)
        go(rig, gas.pumped_s)
        if gas.stood_s:
            go(None, gas.stood_s)
        state[0] += gas.gas_micron
        go(None, gas.left_s)
    if course.interrupted:
        go(rig, does.patience_s / 2, course.interrupted[0])
        go(None, course.interrupted[1])
    go(rig, does.patience_s, (does.stop_at - offset) / gain)
    go(rig, 1.0 + (0.0 if does.stops_early else max(does.least_s - now, 0.0)))
    if course.resumed:
        go(None, course.resumed[0])
        go(rig, course.resumed[1])
    at = np.arange(0.0, now, every_s)
    seen = np.empty(at.size)
    for begun, part in parts:
        inside = at >= begun
        if inside.any():
            seen[inside] = part.sol(np.clip(at[inside] - begun, 0.0, part.t[-1]))[:2].sum(0)
    return stood(circuit, state, does, at, seen, now, every_s)


def _vented(rng: np.random.Generator, log: pl.DataFrame, every_s: float) -> pl.DataFrame:
    """The log with the circuit filled at its end: through a valve that is choked, or slowly opened."""
    n = max(2, round(float(rng.uniform(4, 180)) / every_s) + 1)
    share = np.linspace(0, 1, n)[1:]
    seen = log["pressure_micron"].drop_nulls()
    begins = float(rng.uniform(0, 1)) / (n - 1)
    let_in = 700_000.0 * np.clip(share - begins, 0.0, 1.0) ** float(rng.choice([1.0, 1.5]))
    pressure = (float(seen[-1]) if seen.len() else 1000.0) + let_in
    top = max(NEVER_OVER_RANGE_MICRON, float(seen.max() if seen.len() else 0.0))  # type: ignore[arg-type]
    more = pl.DataFrame(
        {
            "elapsed_s": log["elapsed_s"][-1] + every_s * np.arange(1, n),
            "pressure_micron": pl.Series(np.where(pressure > top, np.nan, pressure.round(-1))).fill_nan(None),
            "ambient_c": log["ambient_c"][0],
        }
    )
    return pl.concat([log, more])


def _kept(
    rng: np.random.Generator, kind: str, t: Floats, p: Floats, isolated_s: float, stands: bool
) -> NDArray[np.bool_]:
    """Which readings a mess leaves."""
    if kind == "gap_iso" and stands:
        wide = rng.uniform(20, 240)
        return np.asarray(np.abs(t - isolated_s - rng.uniform(-0.5, 0.5) * wide) > wide / 2)
    if kind == "gap":
        return np.asarray(np.abs(t - rng.uniform(0.1, 0.9) * isolated_s) > rng.uniform(30, 300))
    if kind == "late":
        return np.asarray(t >= rng.uniform(0.05, 0.7) * isolated_s)
    keep = np.ones(t.size, dtype=bool)
    if kind == "change":
        # only what differs from the last row by more than the gauge's grain or by a hundredth, every five minutes at least
        share = float(rng.choice([0.0, 0.01]))
        last = 0
        for i in range(1, t.size - 1):
            keep[i] = abs(p[i] - p[last]) > share * abs(p[last]) or t[i] - t[last] >= 300.0
            last = i if keep[i] else last
    return keep


def roughen(
    rng: np.random.Generator, log: pl.DataFrame, isolated_s: float, stands: bool, every_s: float
) -> tuple[pl.DataFrame, str, float, bool]:
    """Thin a log, vent it, take readings away or repeat them.

    Returns
    -------
    log
        From its own first reading on.
    mess : str
        What was done to it, joined by plus.
    begins_s : float
        When its first reading was taken.
    is_seen : bool
        Whether there are readings before the isolation and just after it.
    """
    thin = int(rng.choice([1, 2, 3, 6], p=[0.55, 0.2, 0.15, 0.1]))
    log, every_s = log[::thin], every_s * thin
    done = []
    if rng.random() < 0.25:
        log = _vented(rng, log, every_s)
        done.append("vent")
    kind = str(rng.choice(MESSES, p=MESS_SHARES))
    keep = _kept(
        rng, kind, log["elapsed_s"].to_numpy(), log["pressure_micron"].fill_null(-1.0).to_numpy(), isolated_s, stands
    )
    if keep.sum() >= FEWEST_READINGS:
        log = log.filter(pl.Series(keep))
    n = log.height
    if kind in ("frozen", "repeat", "disorder") and n > FEWEST_READINGS:
        a = int(rng.integers(0, n - 10))
        b = min(n - 5, a + int(rng.integers(3, max(4, min(60, 120 / every_s)))))
        if kind == "frozen" and b > a:
            shown = log["pressure_micron"].to_list()
            log = log.with_columns(pl.Series("pressure_micron", [*shown[:a], *[shown[a]] * (b - a), *shown[b:]]))
        elif kind == "repeat":
            log = pl.concat([log[:b], log[a:b], log[b:]])
        elif kind == "disorder":
            c = min(n, 2 * b - a)
            log = pl.concat([log[:a], log[b:c], log[a:b], log[c:]])
    t = log["elapsed_s"].to_numpy()
    begins_s = float(t.min())
    near_s = 3.0 * every_s
    is_seen = not stands or bool(
        ((t <= isolated_s) & (t > isolated_s - near_s)).any() and ((t > isolated_s) & (t < isolated_s + near_s)).any()
    )
    return log.with_columns(pl.col("elapsed_s") - begins_s), "+".join([*done, kind]), begins_s, is_seen
