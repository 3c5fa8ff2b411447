"""Which floors are held up by a leaking line, and which are misread by a gauge: causes beside the pump's oil.

Three things raise a pumped floor beyond the circuit's load: spoiled oil follows the pump and goes with fresh oil; a leak
of the line follows the hose set across pumps, over any oil change; a gauge that reads high raises fresh and spoiled
floors by one factor, and lowers nothing.  Each hose set and each gauge is given the chance to explain its floors better
than the oil alone does: for a grid of days on which it might have begun, the usual pump's oil is fitted again together
with the cause, its uses on other pumps beside.  The gain in evidence decides, less what so many tries cost.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.gauge_witness import Witness
from blankoff.fleet.oil_floors import SPOILED_MICRON
from blankoff.fleet.oil_model import FleetOil, PumpRows, fit_fleet, predicted_blankoff
from blankoff.fleet.pump_side import LEAK_MATTERS_MICRON
from blankoff.fleet.pump_side_trials import DRIFT_DAYS, Trials, Uses, come_by, usual_pump
from blankoff.fleet.threads import in_threads

__all__ = ["Cause", "FloorCauses", "find_causes", "misreadings"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST_USES = 5
ONSETS = 11
"""Days tried per asset and spell."""
WANTED_GAIN = 4.0
"""Gain in ln evidence from which a cause is laid on the floors; the finding's own proof comes after (judgement)."""
LEAK_FIRST = 6.0
"""A leak and a gauge that reads far too high raise the floors of one van much alike; leaks of that size are met, gauges of
that error are seen at once (judgement, ln odds)."""
STEP_FIRST = 1.1
"""How much likelier a gauge goes off on a day than drifts by the month, ln odds (judgement): one that fell, or met oil or a
wrong setting, is commoner than one that is soaked slowly."""
MOST_CAUSES = 3
"""Rounds: a cause found changes the oils, which changes the next."""


@dataclass(frozen=True)
class Cause:
    """One leaking hose set or off gauge.

    Attributes
    ----------
    factor : {'hose', 'gauge'}
    level_id : str
    spell : int
        Number of the spell between renewing services.
    since_day, since_lower, since_upper : float
    size, size_se : float
        Leak in micron·l/s, or ln reading over truth, as it stood at the newest use.
    share : tuple of float
        How much of the size had come by each use; less than 1 while a gauge drifts.
    gain : float
        In ln evidence, summed over the days tried.
    rows : list of (pump index, row index)
        Its uses since.
    """

    factor: str
    level_id: str
    spell: int
    since_day: float
    since_lower: float
    since_upper: float
    size: float
    size_se: float
    gain: float
    rows: list[tuple[int, int]]
    share: tuple[float, ...]


@dataclass(frozen=True)
class FloorCauses:
    """The fleet's oils with all causes laid on, and the causes."""

    fleet: FleetOil
    causes: list[Cause]


def _spells(
    rows: Sequence[PumpRows], factor: str, renewals: Mapping[str, list[float]], fleet: FleetOil | None = None
) -> list[Uses]:
    """Spells of every asset between its renewals; a gauge's uses on oil spoiled beyond knowing tell nothing of it."""
    found: dict[tuple[str, int], list[tuple[float, int, int]]] = {}
    for p, r in enumerate(rows):
        telling = np.ones(r.y.size, dtype=bool)
        if factor == "gauge" and fleet is not None:
            telling = predicted_blankoff(r, fleet.fits[p].theta) < SPOILED_MICRON
        for i, level in enumerate(r.hose_id if factor == "hose" else r.gauge_id):
            if level is not None and telling[i]:
                spell = bisect_right(renewals.get(level, ()), r.day[i])
                found.setdefault((level, spell), []).append((float(r.day[i]), p, i))
    out = []
    for (level, spell), uses in sorted(found.items()):
        if len(uses) < FEWEST_USES:
            continue
        day, pump, row = zip(*sorted(uses), strict=True)
        out.append(Uses(factor, level, spell, np.array(pump), np.array(row), np.array(day)))
    return out


def _scan(
    uses: Uses,
    fleet: FleetOil,
    leaks: list[Floats],
    gauges: list[Floats],
    witnesses: Mapping[str, Sequence[Witness]],
    leaky: Container[str],
) -> Cause | None:
    """Try a cause from a grid of days on, then finely about the best; a gauge may also drift from then on."""
    n = uses.day.size
    step = max(2, n // ONSETS)
    coarse = [int(k) for k in range(0, n - FEWEST_USES + 1, step)]
    if not coarse:
        return None
    drifts = (0.0, DRIFT_DAYS) if uses.factor == "gauge" else (0.0,)
    heard = witnesses.get(uses.level_id, ()) if uses.factor == "gauge" else ()
    spell = float(uses.day[0]), float(uses.day[-1])
    trials = Trials(uses, fleet, leaks, gauges, [w.between(*spell, leaky) for w in heard])
    unlikely = {0.0: 0.0, DRIFT_DAYS: STEP_FIRST} if len(drifts) > 1 else dict.fromkeys(drifts, 0.0)

    def ask(onset: int, days: float) -> tuple[float, float, float]:
        gain, *rest = trials.gain(onset, days)
        return gain - unlikely[days], *rest  # type: ignore[return-value]

    tried = {(k, d): ask(k, d) for d in drifts for k in coarse}
    best = max(tried, key=lambda key: (tried[key][0], key))
    if tried[best][0] > WANTED_GAIN - 3.0:
        near = range(max(0, best[0] - step + 1), min(n - FEWEST_USES, best[0] + step - 1) + 1)
        tried |= {(k, best[1]): ask(k, best[1]) for k in near if (k, best[1]) not in tried}
        best = max(tried, key=lambda key: (tried[key][0], key))
    top, size, size_se = tried[best]
    if not np.isfinite(top):
        # a gauge so far off whatever the day that the floors speak of something else
        return None
    gain = np.array([g for g, _, _ in tried.values()])
    # A coarse try stands for all the days up to the next, but for those that were tried themselves.
    stands = np.array([min((q for q, e in tried if e == d and q > k), default=n) - k for k, d in tried])
    total = float(top + np.log(stands @ np.exp(gain - top) / (n * len(drifts))))
    same = sorted(k for k, d in tried if d == best[1])
    weight = np.exp(np.array([tried[k, best[1]][0] for k in same]) - top)
    days = np.array([0.5 * (uses.day[k] + uses.day[max(k - 1, 0)]) for k in same])
    share = np.cumsum(weight) / weight.sum()
    low, middle, high = (float(days[np.searchsorted(share, q)]) for q in (0.05, 0.5, 0.95))
    k = best[0]
    come = come_by(uses.day, k, best[1])[k:]
    where = list(zip(uses.pump[k:].tolist(), uses.row[k:].tolist(), strict=True))
    now = float(come[-1])
    return Cause(
        uses.factor,
        uses.level_id,
        uses.spell,
        middle,
        low,
        high,
        size * now,
        size_se * now,
        total,
        where,
        tuple((come / now).tolist()),
    )


def _precedence(cause: Cause) -> float:
    """Order in which causes are laid on: by gain; a line that clearly leaks comes before a gauge it hardly differs from."""
    return cause.gain + (LEAK_FIRST if cause.factor == "hose" and cause.gain >= 2.0 * WANTED_GAIN else 0.0)


def find_causes(
    rows: list[PumpRows],
    hose_renewals: Mapping[str, list[float]],
    gauge_renewals: Mapping[str, list[float]],
    witnesses: Mapping[str, Sequence[Witness]] | None = None,
) -> FloorCauses:
    """Fit the oils, then lay on the causes that explain most, one after another.

    Parameters
    ----------
    rows : list of PumpRows
    hose_renewals, gauge_renewals : mapping of id to days
        Services that end a spell.
    witnesses : mapping of gauge_id to sequence of Witness, optional
        From `gauge_rises.gauge_rises` and `gauge_speeds.gauge_speeds`.

    Returns
    -------
    FloorCauses
    """
    fleet = fit_fleet(rows, free_fillings=False)
    leaks = [np.zeros(r.y.size) for r in rows]
    gauges = [np.zeros(r.y.size) for r in rows]
    spells = _spells(rows, "hose", hose_renewals) + _spells(rows, "gauge", gauge_renewals, fleet)
    accepted: list[Cause] = []
    answers: list[Cause | None] = [None] * len(spells)
    stale = list(range(len(spells)))
    for _ in range(MOST_CAUSES):
        # What a leaking line lets in spoils rises and speeds alike.
        leaky = {
            r.evacuation_id[i]
            for r, leak in zip(rows, leaks, strict=True)
            for i in np.flatnonzero(leak > LEAK_MATTERS_MICRON).tolist()
        }
        asked = in_threads(
            partial(_scan, fleet=fleet, leaks=leaks, gauges=gauges, witnesses=witnesses or {}, leaky=leaky),
            [spells[k] for k in stale],
        )
        for k, answer in zip(stale, asked, strict=True):
            answers[k] = answer
        taken = {(c.factor, c.level_id, c.spell) for c in accepted}
        found = [
            c
            for c in answers
            if c is not None and c.gain >= WANTED_GAIN and (c.factor, c.level_id, c.spell) not in taken
        ]
        if not found:
            break
        met: set[int] = set()
        touched: set[int] = set()
        for cause in sorted(found, key=lambda c: (-_precedence(c), c.factor, c.level_id)):
            usual = usual_pump(np.array([p for p, _ in cause.rows]))
            if usual in met:
                # Two causes of one van explain the same floors: the better one first, then look again.
                continue
            met.add(usual)
            accepted.append(cause)
            for (p, i), come in zip(cause.rows, cause.share, strict=True):
                touched.add(p)
                if cause.factor == "hose":
                    leaks[p][i] += cause.size / fleet.rows[p].speed[i]
                else:
                    gauges[p][i] += cause.size * come
        fleet = fit_fleet(rows, leaks, gauges, fleet.prior, rounds=2, free_fillings=False)
        # Only those whose usual pump's floors look different now need be asked again.
        stale = [k for k, u in enumerate(spells) if usual_pump(u.pump) in touched]
    return FloorCauses(fit_fleet(rows, leaks, gauges, fleet.prior, rounds=3), accepted)


def misreadings(found: FloorCauses, work: pl.DataFrame, renewals: Mapping[str, Sequence[float]]) -> dict[str, float]:
    """Ln reading over truth of every job whose gauge is off, as laid on, by evacuation_id; jobs without a floor too.

    Parameters
    ----------
    found : FloorCauses
    work : DataFrame
        The fleet's work frame.
    renewals : mapping of gauge_id to days
        Services that end a spell.
    """
    out: dict[str, float] = {}
    if "gauge_id" not in work.columns:
        return out
    day = work["started_at"].dt.epoch("us").cast(pl.Float64) / 86_400e6
    jobs = work.select("evacuation_id", "gauge_id", day.alias("day"))
    for cause in found.causes:
        if cause.factor != "gauge":
            continue
        done = renewals.get(cause.level_id, ())
        days, share = zip(
            *sorted((found.fleet.rows[p].day[i], come) for (p, i), come in zip(cause.rows, cause.share, strict=True)),
            strict=True,
        )
        mine = jobs.filter((pl.col("gauge_id") == cause.level_id) & (pl.col("day") >= cause.since_day))
        for name, when in mine.select("evacuation_id", "day").iter_rows():
            if bisect_right(done, when) == cause.spell:
                out[name] = cause.size * float(np.interp(when, days, share))
    return out


def floor_rows_for(rows: Sequence[PumpRows], cause: Cause) -> list[str]:
    """Ids of a cause's uses, oldest first."""
    uses = sorted((rows[p].day[i], rows[p].evacuation_id[i]) for p, i in cause.rows)
    return [e for _, e in uses]
