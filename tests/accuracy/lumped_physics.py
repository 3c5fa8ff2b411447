"""What a lumped fleet's jobs go by: gear that ages, one volume behind pump, line and port in series, and what is true of a hold.

Sources: conductance of long tubes, air at 20 C, C = 135 d^4 / l per mbar + 12.1 d^3 / l in l/s and cm (handbook values, from
memory); saturation by Magnus' formula (WMO-No. 8, from memory).  All ranges are judgement.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

Floats = NDArray[np.float64]

STARTED = dt.datetime(2025, 1, 6)
DAYS = 547
TARGET, LIMIT, HOLD_S = 500.0, 1000.0, 600.0
MICRON_PER_MBAR = 750.06
MICRON_L_PER_G = 62_364.0 * 288.0 / 18.0
"""Ideal gas: R in micron l per mol and kelvin, at 15 C, over the molar mass of water."""


@dataclass
class Gear:
    """What is true of every pump, hose set and gauge; days count from the fleet's first."""

    n: int
    rng: np.random.Generator
    well: bool
    rated: Floats = field(init=False)
    blankoff: Floats = field(init=False)

    def __post_init__(self) -> None:
        rng, n = self.rng, self.n
        self.rated = rng.choice([1.6, 2.4, 3.1, 4.2], n)
        self.unit = np.exp(rng.normal(0, 0.05, n))
        self.blankoff, self.life_h = rng.uniform(18, 40, n), rng.uniform(12, 30, n)
        self.oil_h, self.oil_g = rng.uniform(0, 8, n), np.zeros(n)
        self.bore_cm, self.length_cm = rng.choice([0.64, 0.8, 0.95], n), rng.choice([90.0, 120.0, 150.0], n)
        self.gain, self.offset = rng.normal(0, 0.03, n), rng.normal(0, 2, n)
        self.top = rng.choice([12_000.0, 20_000.0, 25_000.0], n)
        self.worn_from, self.worn_to, self.worn_days = np.full(n, np.inf), np.ones(n), np.ones(n)
        self.choked_from, self.choked_to = np.full(n, np.inf), np.ones(n)
        self.leaks_from, self.leak = np.full(n, np.inf), np.zeros(n)
        self.off_from, self.off_by = np.full(n, np.inf), np.zeros(n)
        if self.well:
            return
        for j, i in enumerate(rng.choice(n, 6, replace=False)):
            self.worn_from[i], self.worn_to[i] = rng.uniform(0.2, 0.75) * DAYS, rng.uniform(0.45, 0.7)
            self.worn_days[i] = 150.0 if j % 2 else 1.0
        hoses = rng.choice(n, 7, replace=False)
        for i in hoses[:4]:
            self.choked_from[i], self.choked_to[i] = rng.uniform(0.15, 0.7) * DAYS, rng.uniform(0.2, 0.5)
        for i in hoses[4:]:
            self.leaks_from[i], self.leak[i] = rng.uniform(0.15, 0.7) * DAYS, rng.uniform(150, 600)
        for i in rng.choice(n, 4, replace=False):
            self.off_from[i], self.off_by[i] = rng.uniform(0.1, 0.6) * DAYS, rng.choice([-1, 1]) * rng.uniform(0.2, 0.4)

    def speed_left(self, i: int, day: float) -> float:
        """Share of a pump's own best speed that is left."""
        return float(1.0 - (1.0 - self.worn_to[i]) * np.clip((day - self.worn_from[i]) / self.worn_days[i], 0.0, 1.0))

    def blankoff_now(self, i: int) -> float:
        """Blank-off pressure with the oil as it is, microns."""
        return float(self.blankoff[i] + 180.0 * (self.oil_h[i] / self.life_h[i]) ** 1.5 + 3.0 * self.oil_g[i])

    def findings(self) -> list[tuple[str, str, str, dt.date, dt.date | None]]:
        """Rows of the truth's ``finding``; a pump is worn from the day its speed falls under three quarters."""
        rows: list[tuple[str, str, str, dt.date, dt.date | None]] = []
        worn = self.worn_from + self.worn_days * 0.25 / np.maximum(1.0 - self.worn_to, 1e-9)
        for kind, subject, prefix, begins in (
            ("pump_worn", "pump", "PU", worn),
            ("hose_restricted", "hose", "HS", self.choked_from),
            ("hose_leaking", "hose", "HS", self.leaks_from),
            ("gauge_off", "gauge", "GA", self.off_from),
        ):
            rows += [(kind, subject, f"{prefix}-{i:02d}", on_day(d), None) for i, d in enumerate(begins) if d < DAYS]
        return rows


def on_day(day: float) -> dt.date:
    """Date of a day of the fleet."""
    return (STARTED + dt.timedelta(days=float(day))).date()


@dataclass(frozen=True)
class Rig:
    """Pump, line and port of one job."""

    pump: float
    blankoff: float
    bore_cm: float
    length_cm: float
    conducts: float
    core_in: bool

    def speed(self, p: float) -> float:
        """Effective speed at the circuit, blank-off not counted, l/s, at a pressure in microns."""
        mbar = p / MICRON_PER_MBAR
        # a pair of hoses with fittings, as much as one and a half
        line = 1.6 * self.conducts * (135.0 * self.bore_cm**4 * mbar + 12.1 * self.bore_cm**3) / self.length_cm
        core = 1.0 / (0.12 + 0.45 * mbar) if self.core_in else 0.0
        return 1.0 / (1.0 / self.pump + 1.0 / line + core)


@dataclass(frozen=True)
class Circuit:
    """One circuit on one day; loads in micron l/s."""

    volume_l: float
    ambient_c: float
    leak: float
    hose_leak: float
    water_g: float
    damp: float
    pools: tuple[float, float]
    taus_s: tuple[float, float]
    boil_per_s: float

    @property
    def saturation(self) -> float:
        """Water's saturation pressure at the ambient, microns (Magnus)."""
        return 6.1094 * math.exp(17.625 * self.ambient_c / (self.ambient_c + 243.04)) * MICRON_PER_MBAR

    def start(self) -> list[float]:
        """Air, vapour (microns), water (g) and both pools (micron l) before pumping."""
        vapour = 0.5 * self.saturation if self.water_g else self.damp
        return [760_000.0, vapour, self.water_g, self.pools[0] * self.taus_s[0], self.pools[1] * self.taus_s[1]]

    def rates(self, state: Floats, rig: Rig | None) -> list[float]:
        """Change of the state per second; without a rig the circuit is shut off."""
        air, vapour, water, one, two = state
        p = max(air + vapour, 1e-6)
        boils = 0.0
        if water > 0.0:
            boils = self.boil_per_s * max(self.saturation - vapour, 0.0) * self.volume_l * min(1.0, water / 0.05)
        gives = one / self.taus_s[0] + two / self.taus_s[1]
        drawn = rig.speed(max(p, 1.0)) * max(p - rig.blankoff, 0.0) if rig else 0.0
        enters = self.leak + (self.hose_leak if rig else 0.0) + gives
        return [
            (enters - drawn * air / p) / self.volume_l,
            (boils - drawn * vapour / p) / self.volume_l,
            -boils / MICRON_L_PER_G,
            -one / self.taus_s[0],
            -two / self.taus_s[1],
        ]


def solve(
    circuit: Circuit, rig: Rig | None, state: list[float] | Floats, end_s: float, until: float | None = None
) -> Any:
    """Run a circuit; with ``until`` it stops where the pressure falls below it."""

    def reached(_: float, y: Floats) -> float:
        return float(y[0] + y[1] - (until or 0.0))

    reached.terminal, reached.direction = True, -1  # type: ignore[attr-defined]
    return solve_ivp(
        lambda _, y: circuit.rates(y, rig), (0.0, end_s), state, method="LSODA", dense_output=True, max_step=120.0,
        rtol=1e-5, atol=[0.05, 0.05, 1e-6, 1.0, 1.0], events=reached if until else None,
    )  # fmt: skip


@dataclass(frozen=True)
class Conduct:
    """What a technician does on one job."""

    stops_early: bool
    skips: bool
    cuts_short: bool
    stop_at: float
    patience_s: float
    least_s: float
    stays_s: float


def run_job(circuit: Circuit, rig: Rig, does: Conduct, gain: float, offset: float, every_s: float) -> dict[str, Any]:
    """Pump and stand; true pressures at every reading, and what is true of the hold."""
    pulled = solve(circuit, rig, circuit.start(), does.patience_s, (does.stop_at - offset) / gain)
    shut = float(pulled.t[-1])
    more = 0.0 if does.stops_early else max(does.least_s - shut, 0.0)
    then = solve(circuit, rig, pulled.y[:, -1], more + 1.0)
    isolated = shut + more
    at = np.arange(0.0, isolated, every_s)
    seen = np.where(
        at <= shut, pulled.sol(np.minimum(at, shut))[:2].sum(0), then.sol(np.maximum(at - shut, 0.0))[:2].sum(0)
    )
    return stood(circuit, then.sol(more), does, at, seen, isolated, every_s)


def stood(
    circuit: Circuit, state: Floats, does: Conduct, at: Floats, seen: Floats, isolated: float, every_s: float
) -> dict[str, Any]:
    """Let a circuit stand from a state on; what was read, before (``seen`` at ``at``) and since, and what is true of the hold."""
    shut_off = solve(circuit, None, state, max(does.stays_s, HOLD_S))
    pressure = state[0] + state[1]
    leak_rise = circuit.leak / circuit.volume_l * HOLD_S
    during = np.arange(at[-1] + every_s, isolated + does.stays_s, every_s) - isolated
    return {
        "t": np.r_[at, during + isolated],
        "pumped": seen,
        "held": shut_off.sol(during)[:2].sum(0) if during.size else np.empty(0),
        "since_s": during,
        "isolated_at_s": isolated,
        "lowest": float(pressure),
        "leak_rise_micron": leak_rise,
        "moisture_rise_micron": float(shut_off.sol(HOLD_S)[:2].sum() - pressure - leak_rise),
        "water_boiled_g": circuit.water_g - float(state[2]),
    }


def true_verdict(read: Floats, lowest: float, since_s: Floats, parts: tuple[bool, bool]) -> tuple[str, str]:
    """Verdict and reason by the contract's order, of a hold as the gauge would read it without noise.

    Parameters
    ----------
    read : float64 (n,)
        The hold; empty where there is none.
    lowest : float
        Where pumping ended.
    since_s : float64 (n,)
    parts : whether leak and saturating part are material
    """
    if read.size == 0 or since_s[-1] < 60.0:
        return "unproven", "no_hold"
    if lowest > LIMIT:
        return "unproven", "target_missed"
    if (read[since_s <= HOLD_S] > LIMIT).any():
        reasons = {(True, True): "leak_and_moisture", (True, False): "leak", (False, True): "moisture"}
        return "failed", reasons.get(parts, "rise_unexplained")
    if lowest > TARGET:
        return "unproven", "target_missed"
    return ("passed", "held") if since_s[-1] >= HOLD_S - 1.0 else ("unproven", "short_hold")
