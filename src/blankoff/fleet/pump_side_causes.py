"""Which floors are held up by a leaking line, and which are misread by a gauge: causes beside the pump's oil.

Three things raise a pumped floor beyond the circuit's load: spoiled oil follows the pump and goes with fresh oil; a leak
of the line follows the hose set across pumps, over any oil change; a gauge that reads high raises fresh and spoiled
floors by one factor, and lowers nothing.  Each hose set and each gauge is given the chance to explain its floors better
than the oil alone does: for a grid of days on which it might have begun, the usual pump's oil is fitted again together
with the cause, its uses on other pumps beside.  The gain in evidence decides, less what so many tries cost.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.oil_kernels import BY_HOURS, FRESH, GAUGE, LEAK, SPOILED_MICRON, fit_pump
from blankoff.fleet.oil_model import (
    FleetOil,
    OilPrior,
    PumpRows,
    _arguments,
    _prior_arrays,
    fit_fleet,
    predicted_blankoff,
    refit,
)

__all__ = ["Cause", "FloorCauses", "find_causes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAK_SD = 60.0
"""Prior s.d. of a line's leak, micron·l/s (judgement; leaks worth finding hold the floor up by tens of microns)."""
GAUGE_SD = 0.25
"""Prior s.d. of ln reading over truth of a gauge that is off (judgement)."""
FEWEST_USES = 5
MAJOR_USES, MOST_MAJORS = 8, 2
"""Uses on a pump from which its oil is fitted together with the cause, and how many such pumps at most."""
ONSETS = 14
"""Days tried per asset and spell."""
WANTED_GAIN = 4.0
"""Gain in ln evidence from which a cause is laid on the floors; the finding's own proof comes after (judgement)."""
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
        Leak in micron·l/s, or ln reading over truth.
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


@dataclass(frozen=True)
class FloorCauses:
    """The fleet's oils with all causes laid on, and the causes."""

    fleet: FleetOil
    causes: list[Cause]


@dataclass(frozen=True)
class _Uses:
    """One asset's floors in one spell, in order of time."""

    factor: str
    level_id: str
    spell: int
    pump: Ints
    row: Ints
    day: Floats


def _spells(
    rows: Sequence[PumpRows], factor: str, renewals: Mapping[str, list[float]], fleet: FleetOil | None = None
) -> list[_Uses]:
    """Spells of every asset between its renewals; a gauge's uses on oil spoiled beyond knowing tell nothing of it."""
    found: dict[tuple[str, int], list[tuple[float, int, int]]] = {}
    for p, r in enumerate(rows):
        telling = np.ones(r.y.size, dtype=bool)
        if factor == "gauge" and fleet is not None:
            telling = predicted_blankoff(r, fleet.fits[p].theta) < SPOILED_MICRON
        for i, level in enumerate(r.hose_id if factor == "hose" else r.gauge_id):
            if level is not None and telling[i]:
                spell = int(np.searchsorted(renewals.get(level, []), r.day[i], side="right"))
                found.setdefault((level, spell), []).append((float(r.day[i]), p, i))
    out = []
    for (level, spell), uses in sorted(found.items()):
        if len(uses) < FEWEST_USES:
            continue
        day, pump, row = zip(*sorted(uses), strict=True)
        out.append(_Uses(factor, level, spell, np.array(pump), np.array(row), np.array(day)))
    return out


def _try(
    uses: _Uses, fleet: FleetOil, leaks: list[Floats], gauges: list[Floats], onset: int, prior: OilPrior
) -> tuple[float, float, float]:
    """Evidence gained, size and s.e. if the cause began at use ``onset``: the best over the pumps it was mostly on."""
    count = np.bincount(uses.pump)
    major = [int(p) for p in np.argsort(-count, kind="stable")[:MOST_MAJORS] if count[p] >= MAJOR_USES]
    tries = [_try_on(uses, fleet, leaks, gauges, onset, prior, p, major) for p in major or [_usual(uses.pump)]]
    return max(tries)


def _try_on(
    uses: _Uses,
    fleet: FleetOil,
    leaks: list[Floats],
    gauges: list[Floats],
    onset: int,
    prior: OilPrior,
    usual: int,
    major: list[int],
) -> tuple[float, float, float]:
    """The same, with the size found on one pump.

    That pump's oil is free; other pumps that it was much on are fitted again with the cause of that size; the few uses
    on any further pump tell of the cause against that pump's blank-off as it stands.
    """
    r, f = fleet.rows[usual], fleet.fits[usual]
    active = uses.row[(uses.pump == usual) & (np.arange(uses.pump.size) >= onset)]
    if active.size == 0:
        return -np.inf, 0.0, 1.0
    x = np.zeros(r.y.size)
    x[active] = 1.0
    y, se, load, load_se = _arguments(r, leaks[usual], gauges[usual])
    parts = [(y, se, load, load_se, r.hours, r.water, r.fill, np.zeros(r.y.size), x / r.speed, x)]
    for p in np.unique(uses.pump):
        if p == usual or p in major:
            continue
        other, fit = fleet.rows[p], fleet.fits[p]
        at = uses.row[(uses.pump == p) & (np.arange(uses.pump.size) >= onset)]
        if at.size == 0:
            continue
        oy, ose, oload, oload_se = _arguments(other, leaks[p], gauges[p])
        base = predicted_blankoff(other, fit.theta)
        ones = np.ones(at.size)
        # Another pump's blank-off is itself a model's word.
        ose = np.hypot(ose[at], 0.15)
        parts.append(
            (
                oy[at],
                ose,
                oload[at],
                oload_se[at],
                ones,
                ones,
                np.full(at.size, -1),
                base[at],
                1.0 / other.speed[at],
                ones,
            )
        )
    y, se, load, load_se, hours, water, fill, base, x_add, x_mul = (
        np.concatenate([part[j] for part in parts]) for j in range(10)
    )
    fill = fill.astype(np.int64)
    mean, precision = _prior_arrays(prior, r.oil.fillings)
    flat = fit_pump(
        f.theta, mean, precision, y, se, load, load_se, hours, water, fill, base, x_add, x_mul, prior.own_sd, 12
    )
    which = LEAK if uses.factor == "hose" else GAUGE
    precision = precision.copy()
    precision[which] = 1.0 / (LEAK_SD if which == LEAK else GAUGE_SD) ** 2
    best: tuple[Floats, Floats, float] | None = None
    # From what oil alone makes of these floors, and from the fleet's usual pump with all its excess laid on the cause:
    # the first may sit in a valley of its own.
    for begin in (flat[0], mean):
        start = begin.copy()
        if which == LEAK:
            usual_micron = np.exp(mean[FRESH]) + np.exp(mean[BY_HOURS])
            excess = (np.exp(y) - load - usual_micron)[x_add > 0] / x_add[x_add > 0]
            start[which] = max(float(np.median(excess)), 5.0)
        else:
            start[which] = 0.05
        found = fit_pump(
            start, mean, precision, y, se, load, load_se, hours, water, fill, base, x_add, x_mul, prior.own_sd, 25
        )
        if best is None or found[2] > best[2]:
            best = found
        if which == GAUGE:
            break
    assert best is not None
    theta, covariance, evidence = best
    # A leak is of one sign, so the half of its prior that is ruled out counts.
    gain = evidence - flat[2] + (np.log(2.0) if which == LEAK else 0.0)
    size = float(theta[which])
    for p in major:
        if p != usual:
            gain += _gain_elsewhere(uses, fleet, leaks, gauges, onset, prior, p, size)
    return float(gain), size, float(np.sqrt(covariance[which, which]))


def _gain_elsewhere(
    uses: _Uses,
    fleet: FleetOil,
    leaks: list[Floats],
    gauges: list[Floats],
    onset: int,
    prior: OilPrior,
    pump: int,
    size: float,
) -> float:
    """What a cause of known size gains on another pump, whose oil is fitted again with it."""
    at = uses.row[(uses.pump == pump) & (np.arange(uses.pump.size) >= onset)]
    if at.size == 0:
        return 0.0
    rows = fleet.rows[pump]
    leak, gauge = leaks[pump].copy(), gauges[pump].copy()
    if uses.factor == "hose":
        leak[at] += size / rows.speed[at]
    else:
        gauge[at] += size
    before = fleet.fits[pump]
    # A pump that took the cause for spoiled oil sits in a valley of its own: start from the fleet's usual one too.
    found = max(refit(rows, prior, leak, gauge, start, 14).evidence for start in (before.theta, None))
    return float(found - before.evidence)


def _usual(pumps: Ints) -> int:
    """The pump most of these uses were on."""
    return int(np.bincount(pumps).argmax())


def _scan(uses: _Uses, fleet: FleetOil, leaks: list[Floats], gauges: list[Floats]) -> Cause | None:
    """Try a cause from a grid of days on, then finely about the best."""
    prior = fleet.prior
    n = uses.day.size
    step = max(2, n // ONSETS)
    onsets = np.arange(0, n - FEWEST_USES + 1, step)
    if onsets.size == 0:
        return None
    tried = [_try(uses, fleet, leaks, gauges, int(k), prior) for k in onsets]
    gain = np.array([g for g, _, _ in tried])
    best = int(gain.argmax())
    near = range(max(0, int(onsets[best]) - step + 1), min(n - FEWEST_USES, int(onsets[best]) + step - 1) + 1)
    fine = [k for k in near if k not in set(onsets.tolist())]
    if gain[best] > WANTED_GAIN - 3.0 and fine:
        more = [_try(uses, fleet, leaks, gauges, k, prior) for k in fine]
        onsets = np.concatenate([onsets, fine])
        tried += more
        gain = np.array([g for g, _, _ in tried])
        best = int(gain.argmax())
    total = float(gain[best] + np.log(np.exp(gain - gain[best]).sum() / n))
    weight = np.exp(gain - gain[best])
    days = 0.5 * (uses.day[onsets] + uses.day[np.maximum(onsets - 1, 0)])
    order = np.argsort(days)
    share = np.cumsum(weight[order]) / weight.sum()
    low, middle, high = (float(days[order][np.searchsorted(share, q)]) for q in (0.05, 0.5, 0.95))
    k = int(onsets[best])
    where = list(zip(uses.pump[k:].tolist(), uses.row[k:].tolist(), strict=True))
    return Cause(
        uses.factor, uses.level_id, uses.spell, middle, low, high, tried[best][1], tried[best][2], total, where
    )


def find_causes(
    rows: list[PumpRows], hose_renewals: Mapping[str, list[float]], gauge_renewals: Mapping[str, list[float]]
) -> FloorCauses:
    """Fit the oils, then lay on the causes that explain most, one after another.

    Parameters
    ----------
    rows : list of PumpRows
    hose_renewals, gauge_renewals : mapping of id to days
        Services that end a spell.

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
        for k in stale:
            answers[k] = _scan(spells[k], fleet, leaks, gauges)
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
        for cause in sorted(found, key=lambda c: (-c.gain, c.factor, c.level_id)):
            usual = _usual(np.array([p for p, _ in cause.rows]))
            if usual in met:
                # Two causes of one van explain the same floors: the better one first, then look again.
                continue
            met.add(usual)
            accepted.append(cause)
            for p, i in cause.rows:
                touched.add(p)
                if cause.factor == "hose":
                    leaks[p][i] += cause.size / fleet.rows[p].speed[i]
                else:
                    gauges[p][i] += cause.size
        fleet = fit_fleet(rows, leaks, gauges, fleet.prior, rounds=2, free_fillings=False)
        # Only those whose usual pump's floors look different now need be asked again.
        stale = [k for k, u in enumerate(spells) if _usual(u.pump) in touched]
    return FloorCauses(fit_fleet(rows, leaks, gauges, fleet.prior, rounds=3), accepted)


def floor_rows_for(rows: Sequence[PumpRows], cause: Cause) -> list[str]:
    """Ids of a cause's uses, oldest first."""
    uses = sorted((rows[p].day[i], rows[p].evacuation_id[i]) for p, i in cause.rows)
    return [e for _, e in uses]
