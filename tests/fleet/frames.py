"""Invented fleets drawn straight as frames: what the fleet models read, with the truth beside.

No pressure is simulated: each evacuation's measures are drawn from closed formulas of pump speed, line conductance,
blank-off and load, with noise, so that thousands of evacuations cost milliseconds.  The formulas (speeds in series,
loads over speed) are not the estimators' own, which work on logarithms.

Use::

    fleet = draw_fleet(Plan(seed=7, technicians=24, evacuations=3000))
    fleet.work        # as blankoff.fleet.work.build_work returns it
    fleet.services    # register 'services'
    fleet.truth       # factor, level_id, measure, ratio as it stands at plan.ends_on
    fleet.events      # what was put in: factor, level_id, what, on, size

The truth of a level is what the measure becomes, on the typical circuit with the typical rig, when that level
replaces the typical one, over the median of the same figure for all levels of its factor in use.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

BEGINS = datetime(2025, 5, 1, tzinfo=UTC)
KINDS = ("small_split", "multi_head", "cold_room", "rack")
KIND_VOLUME_L = (1.2, 6.0, 14.0, 80.0)
KIND_SHARE = (0.5, 0.25, 0.17, 0.08)


@dataclass(frozen=True)
class Exchange:
    """Two technicians exchange one piece of gear for good, from the day after ``after``."""

    factor: str
    first_technician: str
    second_technician: str
    after: date


@dataclass(frozen=True)
class Plan:
    """What fleet to draw; shares are probabilities."""

    seed: int = 1
    technicians: int = 24
    spare_pumps: int = 4
    months: int = 18
    evacuations: int = 2600
    branches: int = 3
    borrow_share: float = 0.08
    never_parted_share: float = 0.2
    moves: int = 3
    worn_pumps: int = 3
    stepped_pumps: int = 2
    overhaul_share: float = 0.4
    choked_hoses: int = 2
    leaking_hoses: int = 2
    gauges_off: int = 3
    core_leavers: int = 3
    volume_missing_share: float = 0.1
    volume_guessed_share: float = 0.25
    noise: float = 1.0
    outlier_share: float = 0.03
    register_gaps: bool = False
    exchanges: tuple[Exchange, ...] = ()
    effects: float = 1.0
    """Scale of all differences between levels; 0 is a fleet of equals."""

    @property
    def ends_on(self) -> date:
        """Day on which the truth is stated."""
        return (BEGINS + timedelta(days=30.44 * self.months)).date()


NO_FAULTS = {
    "worn_pumps": 0,
    "stepped_pumps": 0,
    "choked_hoses": 0,
    "leaking_hoses": 0,
    "gauges_off": 0,
    "core_leavers": 0,
}
"""Words of a `Plan` with nothing wrong."""


@dataclass(frozen=True)
class DrawnFleet:
    """One drawn fleet."""

    plan: Plan
    work: pl.DataFrame
    services: pl.DataFrame
    truth: pl.DataFrame
    events: pl.DataFrame
    vans: pl.DataFrame = field(repr=False)


def line_conductance(bore_mm: np.ndarray, length_m: np.ndarray, pressure_mbar: float) -> np.ndarray:
    """Conductance of a hose for air, l/s: laminar plus molecular part (handbook form, from memory)."""
    d, length = bore_mm / 10.0, length_m * 100.0
    return 135.0 * d**4 * pressure_mbar / length + 12.1 * d**3 / length


def _series(*speeds: np.ndarray) -> np.ndarray:
    return 1.0 / np.sum([1.0 / np.asarray(s, dtype=float) for s in speeds], axis=0)


def _measures(pump, blank, line_v, line_d, leak, rig, core, gauge, load):  # type: ignore[no-untyped-def]
    """Viscous speed, deep speed and floor of given rigs; ``core`` is the deep conductance of valve cores left in."""
    viscous = _series(pump, line_v, 1.7 * core)
    deep = _series(pump * np.clip(1 - blank / 1000.0, 0.2, 1.0), line_d * rig, core)
    # A gauge that reads high meets the deep band at a lower true pressure, where the line conducts less.
    deep = deep * gauge**-0.4
    return viscous, deep, ((load + leak) / np.maximum(deep, 1e-3) + blank) * gauge


class _Fleet:
    """Mutable state while drawing."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.rng = plan, np.random.default_rng(plan.seed)
        self.events: list[tuple[str, str, str, date, float]] = []
        self.services: list[tuple[date, str, str, str]] = []
        self.days = 30.44 * plan.months
        rng, e, k = self.rng, plan.effects, plan.technicians
        self.n_pumps = k + plan.spare_pumps
        self.rated = rng.choice([1.4, 2.4, 3.3, 4.7], self.n_pumps) if e > 0 else np.full(self.n_pumps, 2.4)
        self.pump_speed = 0.93 * self.rated * np.exp(0.07 * e * rng.normal(size=self.n_pumps))
        self.blank = 25.0 * np.exp(0.3 * e * rng.normal(size=self.n_pumps))
        self.oil_growth = 0.03 * np.exp(0.4 * e * rng.normal(size=self.n_pumps))
        self.bore = rng.choice([6.35, 7.9, 9.5, 12.0], k) if e > 0 else np.full(k, 9.5)
        self.length = rng.choice([0.9, 1.5, 1.8], k) if e > 0 else np.full(k, 1.5)
        self.line_factor = np.exp(0.1 * e * rng.normal(size=k))
        self.gauge = np.exp(0.035 * e * rng.normal(size=k))
        self.rig = np.exp(0.05 * e * rng.normal(size=k))
        leavers = rng.permutation(k)[: plan.core_leavers]
        self.core = np.full(k, 1e6)
        self.core[leavers] = 0.75
        for t in leavers:
            self.events.append(("technician", f"T{t:03d}", "cores_left_in", BEGINS.date(), 0.75))
        self._plan_pumps()
        self._plan_lines()

    def day(self, at: float) -> date:
        return (BEGINS + timedelta(days=at)).date()

    def _plan_pumps(self) -> None:
        rng, plan = self.rng, self.plan
        # A spare that hardly works shows nobody that it wears.
        some = rng.permutation(plan.technicians)
        self.wear_from = np.full(self.n_pumps, np.inf)
        self.wear_per_day = np.zeros(self.n_pumps)
        self.step_at = np.full(self.n_pumps, np.inf)
        self.step = np.ones(self.n_pumps)
        self.overhaul_at = np.full(self.n_pumps, np.inf)
        for p in some[: plan.worn_pumps]:
            self.wear_from[p] = rng.uniform(0.2, 0.6) * self.days
            self.wear_per_day[p] = rng.uniform(0.35, 0.6) / (self.days - self.wear_from[p])
            self.events.append(("pump", f"P{p:03d}", "wear", self.day(self.wear_from[p]), self.wear_per_day[p]))
        for p in some[plan.worn_pumps : plan.worn_pumps + plan.stepped_pumps]:
            self.step_at[p] = rng.uniform(0.25, 0.85) * self.days
            self.step[p] = rng.uniform(0.6, 0.75)
            self.events.append(("pump", f"P{p:03d}", "step", self.day(self.step_at[p]), self.step[p]))
            if rng.random() < plan.overhaul_share:
                self.overhaul_at[p] = rng.uniform(self.step_at[p], self.days)
                self.services.append((self.day(self.overhaul_at[p]), "pump", f"P{p:03d}", "overhaul"))
        self.oil_changes = [
            np.sort(rng.uniform(0, self.days, rng.poisson(plan.months / 4))) for _ in range(self.n_pumps)
        ]
        for p, when in enumerate(self.oil_changes):
            self.services.extend((self.day(t), "pump", f"P{p:03d}", "oil_change") for t in when)

    def _plan_lines(self) -> None:
        rng, plan, k = self.rng, self.plan, self.plan.technicians
        some = rng.permutation(k)
        self.choke_at, self.choke = np.full(k, np.inf), np.ones(k)
        self.leak_at, self.leak, self.mended_at = np.full(k, np.inf), np.zeros(k), np.full(k, np.inf)
        self.off_at, self.off = np.full(k, np.inf), np.ones(k)
        for h in some[: plan.choked_hoses]:
            self.choke_at[h], self.choke[h] = rng.uniform(0.1, 0.8) * self.days, rng.uniform(0.35, 0.5)
            self.events.append(("hose", f"H{h:03d}", "choke", self.day(self.choke_at[h]), self.choke[h]))
        for h in some[plan.choked_hoses : plan.choked_hoses + plan.leaking_hoses]:
            self.leak_at[h], self.leak[h] = rng.uniform(0.1, 0.8) * self.days, rng.uniform(150, 400)
            self.events.append(("hose", f"H{h:03d}", "leak", self.day(self.leak_at[h]), self.leak[h]))
            if rng.random() < 0.4:
                self.mended_at[h] = rng.uniform(self.leak_at[h], self.days)
                self.services.append((self.day(self.mended_at[h]), "hose", f"H{h:03d}", "repair"))
        for g in rng.permutation(k)[: plan.gauges_off]:
            self.off_at[g] = rng.uniform(-0.3, 0.7) * self.days
            self.off[g] = rng.choice([0.75, 0.8, 1.25, 1.35])
            self.events.append(("gauge", f"G{g:03d}", "off", self.day(max(self.off_at[g], 0.0)), self.off[g]))

    def pump_at(self, p: np.ndarray, t: np.ndarray) -> np.ndarray:
        worn = np.clip(1.0 - self.wear_per_day[p] * np.clip(t - self.wear_from[p], 0, None), 0.3, 1.0)
        stepped = np.where((t > self.step_at[p]) & (t < self.overhaul_at[p]), self.step[p], 1.0)
        return self.pump_speed[p] * worn * stepped

    def line_at(self, h: np.ndarray, t: np.ndarray, mbar: float) -> np.ndarray:
        choked = np.where(t > self.choke_at[h], self.choke[h], 1.0)
        return line_conductance(self.bore[h], self.length[h], mbar) * self.line_factor[h] * choked

    def leak_of(self, h: np.ndarray, t: np.ndarray) -> np.ndarray:
        return np.where((t > self.leak_at[h]) & (t < self.mended_at[h]), self.leak[h], 0.0)

    def gauge_at(self, g: np.ndarray, t: np.ndarray) -> np.ndarray:
        return self.gauge[g] * np.where(t > self.off_at[g], self.off[g], 1.0)


def _who_with_what(f: _Fleet, technician: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gear of each evacuation: own van's, now and then somebody else's; a few gear moves for good."""
    rng, plan, k = f.rng, f.plan, f.plan.technicians
    branch = np.arange(k) % plan.branches
    closed = np.zeros(k, dtype=bool)
    closed[rng.permutation(k)[: round(plan.never_parted_share * k)]] = True
    own = np.arange(k)
    pump, hose, gauge = own[technician].copy(), own[technician].copy(), own[technician].copy()
    for _ in range(plan.moves):
        open_vans = np.flatnonzero(~closed)
        if len(open_vans) < 2:
            break
        a, b = rng.choice(open_vans, 2, replace=False)
        since = rng.uniform(0.3, 0.9) * f.days
        gear = (pump, hose, gauge)[rng.integers(3)]
        at_a, at_b = (technician == a) & (t > since), (technician == b) & (t > since)
        gear[at_a], gear[at_b] = b, a
    for i in np.flatnonzero(rng.random(len(t)) < plan.borrow_share):
        mates = np.flatnonzero((branch == branch[technician[i]]) & ~closed & (own != technician[i]))
        if closed[technician[i]] or len(mates) == 0:
            continue
        gear = (pump, hose, gauge)[rng.integers(3)]
        spare = k + rng.integers(plan.spare_pumps) if plan.spare_pumps and gear is pump and rng.random() < 0.5 else -1
        gear[i] = spare if spare >= 0 else rng.choice(mates)
    for e in plan.exchanges:
        gear = {"pump": pump, "hose": hose, "gauge": gauge}[e.factor]
        a, b = int(e.first_technician[1:]), int(e.second_technician[1:])
        late = t >= (e.after - BEGINS.date()).days + 1
        usual = [np.bincount(gear[(technician == v) & ~late]).argmax() for v in (a, b)]
        for v, own_gear, other in ((a, *usual), (b, *usual[::-1])):
            gear[(technician == v) & late & (gear == own_gear)] = other
    return pump, hose, gauge


def draw_fleet(plan: Plan) -> DrawnFleet:
    """Draw a fleet; the same plan gives the same fleet."""
    f = _Fleet(plan)
    rng, n, k = f.rng, plan.evacuations, plan.technicians
    t = np.sort(rng.uniform(0, f.days, n))
    busy = rng.dirichlet(np.full(k, 8.0))
    technician = rng.choice(k, n, p=busy)
    pump, hose, gauge = _who_with_what(f, technician, t)
    kind = rng.choice(len(KINDS), n, p=KIND_SHARE)
    volume = np.array(KIND_VOLUME_L)[kind] * np.exp(0.5 * rng.normal(size=n))
    system = np.arange(n)
    for i in np.flatnonzero(rng.random(n) < 0.3):
        if i:
            system[i] = system[rng.integers(max(0, i - 400), i)]
    kind, volume = kind[system], volume[system]
    season = np.cos(2 * np.pi * (t - 80) / 365.25)
    ambient = 16 - 10 * season + 4 * rng.normal(size=n)
    wet = rng.random(n) < 0.15
    water = np.where(wet, np.exp(1.0 + 0.8 * rng.normal(size=n)), 0.0)
    pumped = 15 + 6 * volume**0.7 + 8 * water
    oil_hours = np.zeros(n)
    for p in range(f.n_pumps):
        mine = np.flatnonzero(pump == p)
        run = np.cumsum(pumped[mine] / 60.0)
        before = np.searchsorted(f.oil_changes[p], t[mine])
        base = np.array([0.0, *np.interp(f.oil_changes[p], t[mine], run)]) if len(mine) else np.zeros(1)
        oil_hours[mine] = np.maximum(run - base[np.minimum(before, len(base) - 1)], 0.0)
    blank = f.blank[pump] * np.exp(np.minimum(f.oil_growth[pump] * oil_hours, 2.5))
    load = 60.0 * np.exp(0.35 * rng.normal(size=n)) * (volume / 3.0) ** 0.4 * np.exp(0.02 * (ambient - 16)) + 20 * water
    viscous, deep, floor = _measures(
        f.pump_at(pump, t),
        blank,
        f.line_at(hose, t, 10.7),
        f.line_at(hose, t, 1.33),
        f.leak_of(hose, t),
        f.rig[technician],
        f.core[technician],
        f.gauge_at(gauge, t),
        load,
    )
    se_v = np.exp(np.log(0.04) + 0.5 * rng.normal(size=n)) * plan.noise
    se_d = np.exp(np.log(0.06) + 0.5 * rng.normal(size=n)) * plan.noise

    def jitter(se: np.ndarray, own: float) -> np.ndarray:
        wild = np.where(rng.random(n) < plan.outlier_share, 6.0, 1.0)
        return wild * (se * rng.normal(size=n) + own * plan.noise * rng.normal(size=n))

    rate_v = viscous / volume * np.exp(jitter(se_v, 0.05))
    rate_d = deep / volume * np.exp(jitter(se_d, 0.08))
    guess = np.where(rng.random(n) < plan.volume_guessed_share, rng.choice([-1, 1], n) * rng.uniform(0.1, 0.45, n), 0)
    stated = np.where(rng.random(n) < plan.volume_missing_share, np.nan, volume * np.exp(guess))[system]
    blind = rng.random(n) < 0.08

    def text(prefix: str, codes: np.ndarray) -> list[str]:
        return [f"{prefix}{c:03d}" for c in codes]

    gaps = plan.register_gaps

    def known(values: np.ndarray, share: float = 0.3) -> np.ndarray:
        return np.where(rng.random(len(values)) < share, np.nan, values) if gaps else values

    rated, bore, length = known(f.rated), known(f.bore), known(f.length)
    work = pl.DataFrame(
        {
            "evacuation_id": [f"E{i:06d}" for i in range(n)],
            "started_at": [BEGINS + timedelta(days=float(v)) for v in t],
            "technician_id": text("T", technician),
            "pump_id": text("P", pump),
            "hose_id": text("H", hose),
            "gauge_id": text("G", gauge),
            "system_id": text("S", system),
            "branch": [f"branch {b}" for b in technician % plan.branches],
            "kind": [KINDS[c] for c in kind],
            "volume_l": stated,
            "rated_l_per_s": rated[pump],
            "rated_blankoff_micron": np.full(n, 25.0),
            "bore_mm": bore[hose],
            "length_m": length[hose],
            "ambient_c": np.where(rng.random(n) < 0.1, np.nan, ambient),
            "altitude_m": np.array([200.0, 900.0, 1700.0])[(technician % plan.branches) % 3],
            "water_g": water,
            "pumped_minutes": pumped,
            "viscous_rate_per_s": np.where(blind, np.nan, rate_v),
            "deep_rate_per_s": rate_d,
            "viscous_rate_se_ln": np.where(blind, np.nan, se_v),
            "deep_rate_se_ln": se_d,
            "speed_viscous_l_s": np.where(blind, np.nan, rate_v * stated),
            "speed_deep_l_s": rate_d * stated,
            "speed_viscous_l_s_se_ln": np.where(blind, np.nan, se_v),
            "speed_deep_l_s_se_ln": se_d,
            "floor_micron": floor * np.exp(jitter(np.full(n, 0.05), 0.05)),
            "floor_se_micron": 0.05 * floor,
        }
    ).with_columns(
        pl.col(pl.Float64).fill_nan(None),
        pl.col("started_at").cast(pl.Datetime("us", "UTC")),
        pl.col("started_at").dt.date().alias("started_on"),
    )
    services = (
        pl.DataFrame(sorted(f.services), schema=["serviced_on", "asset", "asset_id", "action"], orient="row")
        if f.services
        else pl.DataFrame(
            schema={"serviced_on": pl.Date, "asset": pl.String, "asset_id": pl.String, "action": pl.String}
        )
    )
    events = pl.DataFrame(
        f.events,
        schema={"factor": pl.String, "level_id": pl.String, "what": pl.String, "on": pl.Date, "size": pl.Float64},
        orient="row",
    )
    vans = pl.DataFrame({"technician_id": text("T", np.arange(k))})
    return DrawnFleet(plan, work, services, _truth(f, blank, pump, t, work), events, vans)


def _truth(f: _Fleet, blank: np.ndarray, pump: np.ndarray, t: np.ndarray, work: pl.DataFrame) -> pl.DataFrame:
    """Ratios as they stand at the end, level by level put into the typical rig."""
    k, end = f.plan.technicians, np.array(f.days)
    now_blank = np.array([blank[pump == p][-1] if (pump == p).any() else f.blank[p] for p in range(f.n_pumps)])
    every_pump, every_line = np.arange(f.n_pumps), np.arange(k)
    used = {name: set(work[f"{name}_id"].to_list()) for name in ("pump", "hose", "gauge", "technician")}
    typical = {
        "pump": np.median(f.pump_at(every_pump, end)),
        "blank": np.median(now_blank),
        "line_v": np.median(f.line_at(every_line, end, 10.7)),
        "line_d": np.median(f.line_at(every_line, end, 1.33)),
        "leak": 0.0,
        "rig": np.median(f.rig),
        "core": 1e6,
        "gauge": np.median(f.gauge_at(every_line, end)),
        "load": 85.0,
    }
    swaps = {
        "pump": {"pump": f.pump_at(every_pump, end), "blank": now_blank},
        "hose": {
            "line_v": f.line_at(every_line, end, 10.7),
            "line_d": f.line_at(every_line, end, 1.33),
            "leak": f.leak_of(every_line, end),
        },
        "gauge": {"gauge": f.gauge_at(every_line, end)},
        "technician": {"rig": f.rig, "core": f.core},
    }
    parts = []
    for factor, put in swaps.items():
        size = len(next(iter(put.values())))
        ids = [f"{factor[0].upper()}{i:03d}" for i in range(size)]
        keep = np.array([i in used[factor] for i in ids])
        rig = {name: np.broadcast_to(value, size) for name, value in {**typical, **put}.items()}
        for measure, values in zip(("speed_viscous", "speed_deep", "floor"), _measures(**rig), strict=True):
            ratio = values / np.median(values[keep])
            parts.append(
                pl.DataFrame({"factor": factor, "level_id": ids, "measure": measure, "ratio": ratio}).filter(keep)
            )
    return pl.concat(parts)
