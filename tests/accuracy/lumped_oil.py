"""What is true of the oil in a lumped fleet's pumps: when it was over the limit, and when it will be.

A pump's blank-off goes by hours run and water swallowed since its last change (`lumped_physics.Gear`).  When it will be due
is the median of what the pump's own work would bring: its own jobs, drawn again and again at its own pace.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from tests.accuracy.lumped_physics import DAYS, STARTED, Floats

LIMIT_MICRON = 150.0
"""Blank-off above which oil is due: the settings' default."""
DRAWS, FARTHEST_DAYS = 401, 731
"""Futures drawn, and how far they go."""


@dataclass(frozen=True)
class PumpTruth:
    """One pump's oil: blank-off at any hours and grams, and its uses in order of time.

    Attributes
    ----------
    fresh, life_h, first_h : float
        Fresh blank-off, microns; hours that add 180 microns; hours that its first oil had run before.
    day, hours, water_g : float64 (n,)
        Day of the fleet of each use, and what it ran and swallowed.
    changed : float64 (m,)
        Days on which fresh oil went in; a use of that day ran on fresh oil.
    """

    fresh: float
    life_h: float
    first_h: float
    day: Floats
    hours: Floats
    water_g: Floats
    changed: Floats

    def micron(self, hours: Floats, water_g: Floats) -> Floats:
        """Blank-off with oil that ran so long and swallowed so much."""
        return np.asarray(self.fresh + 180.0 * (hours / self.life_h) ** 1.5 + 3.0 * water_g)

    def after(self, day: float) -> tuple[float, float]:
        """Hours and grams on the oil as it is at the end of a day."""
        begun = max((c for c in self.changed if c <= day), default=-math.inf)
        on = (np.floor(self.day) >= begun) & (np.floor(self.day) <= day)
        return float(self.hours[on].sum()) + (self.first_h if math.isinf(begun) else 0.0), float(self.water_g[on].sum())

    def over(self) -> list[tuple[float, float]]:
        """Spells of days over the limit: from, and the day from which no more (inf: still)."""
        spells: list[tuple[float, float]] = []
        since: float | None = None
        for day in range(DAYS + 1):
            foul = day < DAYS and bool(self.micron(*(np.array(x) for x in self.after(day))) > LIMIT_MICRON)
            if foul and since is None:
                since = float(day)
            elif not foul and since is not None:
                spells.append((since, math.inf if day == DAYS else float(day)))
                since = None
        return spells

    def due_day(self, day: float, seed: int) -> float:
        """Day of the fleet on which the oil of ``day`` passes the limit, the median of drawn futures; inf if beyond."""
        hours, water = self.after(day)
        if self.micron(np.array(hours), np.array(water)) > LIMIT_MICRON:
            begun = max((c for c in self.changed if c <= day), default=0.0)
            crossed = [
                d for d in range(int(begun), int(day) + 1) if self.micron(*map(np.array, self.after(d))) > LIMIT_MICRON
            ]
            return float(crossed[0])
        if self.day.size == 0:
            return math.inf
        rng = np.random.default_rng([seed, int(day)])
        # jobs come at random at the pump's own pace; their hours and water are those of its own jobs
        uses = int(self.day.size * FARTHEST_DAYS / DAYS * 1.5) + 20
        when = np.cumsum(rng.exponential(DAYS / self.day.size, (DRAWS, uses)), axis=1)
        which = rng.integers(self.day.size, size=(DRAWS, uses))
        micron = self.micron(
            hours + np.cumsum(self.hours[which], axis=1), water + np.cumsum(self.water_g[which], axis=1)
        )
        over = (micron > LIMIT_MICRON) & (when <= FARTHEST_DAYS)
        passed = np.where(over.any(axis=1), when[np.arange(DRAWS), over.argmax(axis=1)], np.inf)
        return day + 1.0 + float(np.median(passed))


def oils_of(
    jobs: pl.DataFrame, services: pl.DataFrame, fresh: Floats, life_h: Floats, first_h: Floats
) -> list[PumpTruth]:
    """Every pump's oil.

    Parameters
    ----------
    jobs : frame
        Truth of every evacuation: ``pump_id, started_at, pumped_s, water_boiled_g``.
    services : frame
        The register's.
    fresh, life_h, first_h : float64 (pumps,)
        See `PumpTruth`.
    """
    out = []
    for i in range(fresh.size):
        name = f"PU-{i:02d}"
        mine = jobs.filter(pl.col("pump_id") == name).sort("started_at")
        day = (mine["started_at"] - STARTED).dt.total_seconds().to_numpy() / 86_400.0
        done = services.filter(pl.col("asset_id") == name)["serviced_on"].cast(pl.Date)
        changed = (done - STARTED.date()).dt.total_days().sort().to_numpy().astype(np.float64)
        hours, water = mine["pumped_s"].to_numpy() / 3600.0, mine["water_boiled_g"].to_numpy()
        out.append(PumpTruth(float(fresh[i]), float(life_h[i]), float(first_h[i]), day, hours, water, changed))
    return out


def oil_findings(oils: list[PumpTruth]) -> list[tuple[str, str, str, dt.date, dt.date | None]]:
    """Rows of the truth's ``finding``: ``oil_due``."""

    def on(day: float) -> dt.date:
        return STARTED.date() + dt.timedelta(days=int(day))

    return [
        ("oil_due", "pump", f"PU-{i:02d}", on(begin), on(end) if math.isfinite(end) else None)
        for i, oil in enumerate(oils)
        for begin, end in oil.over()
    ]


def due_dates(oils: list[PumpTruth], as_of: tuple[dt.date, ...]) -> pl.DataFrame:
    """Date on which each pump's oil is due, by day of knowledge; null beyond `FARTHEST_DAYS`."""
    rows = []
    for day in as_of:
        for i, oil in enumerate(oils):
            due = oil.due_day(float((day - STARTED.date()).days), i)
            on = STARTED.date() + dt.timedelta(days=int(due)) if math.isfinite(due) else None
            rows.append(("pump", f"PU-{i:02d}", day, on))
    schema = {"factor": pl.String, "level_id": pl.String, "as_of": pl.Date, "due_on": pl.Date}
    return pl.DataFrame(rows, schema=schema, orient="row")
