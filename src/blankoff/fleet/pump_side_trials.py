"""One try: how much better a leaking line or an off gauge, from some day on, explains the floors than oil alone.

The oil of the pumps it was much on is fitted again together with the cause, for oil left as it was would have swallowed
part of it; the few uses on any other pump tell of the cause against that pump's blank-off as it stands.  A use whose
register row names no hose set or gauge tells nothing for or against one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.gauge_witness import Witness, told
from blankoff.fleet.oil_floors import floor_likelihood
from blankoff.fleet.oil_kernels import BY_HOURS, FRESH, GAUGE, LEAK, Floors, fit_pump
from blankoff.fleet.oil_model import FleetOil, fit_arguments, predicted_blankoff, prior_arrays, refit

__all__ = ["DRIFT_DAYS", "Trials", "Uses", "come_by", "usual_pump"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEAK_SD = 60.0
"""Prior s.d. of a line's leak, micron·l/s (judgement; leaks worth finding hold the floor up by tens of microns)."""
GAUGE_SD = 0.25
"""Prior s.d. of ln reading over truth of a gauge that is off (judgement)."""
DRIFT_DAYS = 240.0
"""A gauge that drifts has gone most of its way in so many days, then stays (judgement)."""
WIDE_SD = 1.0
"""Prior under which each pump says its own of a gauge; only their common error has `GAUGE_SD`."""
FARTHEST_LN = 0.6
"""A gauge further off than this, ln, is broken and seen to be; a fit that says so explains something else (judgement)."""
MAJOR_USES, MOST_MAJORS = 8, 2
"""Uses on a pump from which its oil is fitted together with the cause, and how many such pumps at most."""
ELSEWHERE_SD = 0.15
"""How far another pump's blank-off, as modelled, may be from the truth, ln (judgement)."""


@dataclass(frozen=True)
class Uses:
    """One asset's floors in one spell, in order of time."""

    factor: str
    level_id: str
    spell: int
    pump: Ints
    row: Ints
    day: Floats


def come_by(days: Floats, onset: int, drift_days: float) -> Floats:
    """How much of a cause has come at each use: none before ``onset``; then all, or more from day to day."""
    if drift_days <= 0.0:
        return np.where(np.arange(days.size) >= onset, 1.0, 0.0)
    begin = days[max(onset - 1, 0)]
    return np.asarray(np.clip((days - begin) / drift_days, 0.0, 1.0))


def usual_pump(pumps: Ints) -> int:
    """The pump most of these uses were on."""
    return int(np.bincount(pumps).argmax())


@dataclass(frozen=True)
class _Floors:
    """Floors that a cause is tried on: those of one pump, then the asset's few uses on others.

    Attributes
    ----------
    y, se, load, load_se, hours, water, base : float64 (n,)
        As `oil_kernels.fit_pump` takes them.
    fill : int64 (n,)
    speed : float64 (n,)
        That a leak of the line is drawn on with, l/s.
    use : int64 (n,)
        Which of the asset's uses each is; -1 for none of them.
    own : int
        How many are the pump's own.
    """

    y: Floats
    se: Floats
    load: Floats
    load_se: Floats
    hours: Floats
    water: Floats
    fill: Ints
    base: Floats
    speed: Floats
    use: Ints
    own: int

    def with_share(self, share: Floats, elsewhere: bool = True) -> Floors:
        """Arguments of a fit when the asset's uses have so much of the cause.

        Uses on other pumps that have nothing of it say nothing.
        """
        x = np.where(self.use >= 0, share[self.use], 0.0)
        at: slice | NDArray[np.bool_] = slice(self.own)
        if elsewhere and x.size > self.own:
            at = x > 0
            at[: self.own] = True
        floors = (self.y[at], self.se[at], self.load[at], self.load_se[at], self.hours[at], self.water[at])
        return (*floors, self.fill[at], self.base[at], x[at] / self.speed[at], x[at])


class Trials:
    """One asset's floors, made ready to be tried for a cause from any use on.

    Parameters
    ----------
    uses : Uses
    fleet : FleetOil
    leaks, gauges : list of float64 (n,)
        What is already laid on every pump's rows.
    witnesses : sequence of Witness
        Of the gauge, in these uses' spell.
    """

    def __init__(
        self,
        uses: Uses,
        fleet: FleetOil,
        leaks: list[Floats],
        gauges: list[Floats],
        witnesses: Sequence[Witness] = (),
    ) -> None:
        self.uses, self.fleet, self.leaks, self.gauges = uses, fleet, leaks, gauges
        count = np.bincount(uses.pump)
        self.majors = [int(p) for p in np.argsort(-count, kind="stable")[:MOST_MAJORS] if count[p] >= MAJOR_USES]
        self.pumps = self.majors or [usual_pump(uses.pump)]
        others = self._elsewhere()
        self.floors = {p: self._joined(p, others) for p in self.pumps}
        self.prior = {p: prior_arrays(fleet.prior, fleet.rows[p]) for p in self.pumps}
        self.flat = {p: self._without_cause(p) for p in self.pumps}
        self.witnesses = [(w, w.weights()) for w in witnesses if w.day.size]

    def _laid(self, pump: int) -> tuple[Floats, ...]:
        return fit_arguments(self.fleet.rows[pump], self.leaks[pump], self.gauges[pump])

    def _joined(self, pump: int, others: list[tuple[Floats | Ints, ...]]) -> _Floors:
        """Floors of one pump whose row says which asset it was, the uses on other pumps behind."""
        r = self.fleet.rows[pump]
        ids = r.hose_id if self.uses.factor == "hose" else r.gauge_id
        known = np.array([i is not None for i in ids], dtype=bool)
        use = np.full(r.y.size, -1, dtype=np.int64)
        mine = np.flatnonzero(self.uses.pump == pump)
        use[self.uses.row[mine]] = mine
        none = np.zeros(r.y.size)
        own = tuple(a[known] for a in (*self._laid(pump), r.hours, r.water, r.fill, none, r.speed, use))
        y, se, load, load_se, hours, water, fill, base, speed, use = (
            np.concatenate(parts) for parts in zip(own, *others, strict=True)
        )
        return _Floors(y, se, load, load_se, hours, water, fill, base, speed, use, int(known.sum()))

    def _elsewhere(self) -> list[tuple[Floats | Ints, ...]]:
        """The few uses on other pumps, whose blank-off is taken as it stands."""
        out: list[tuple[Floats | Ints, ...]] = []
        for p in np.unique(self.uses.pump):
            if p in self.pumps:
                continue
            use = np.flatnonzero(self.uses.pump == p)
            at, r = self.uses.row[use], self.fleet.rows[p]
            y, se, load, load_se = (a[at] for a in self._laid(int(p)))
            base = predicted_blankoff(r, self.fleet.fits[p].theta)[at]
            ones = np.ones(at.size)
            se = np.hypot(se, ELSEWHERE_SD)
            out.append((y, se, load, load_se, ones, ones, np.full(at.size, -1), base, r.speed[at], use))
        return out

    def _without_cause(self, pump: int) -> tuple[Floats, float, Floats]:
        """Oil of one pump alone: parameters, evidence, and the ln likelihood of each of the uses on other pumps.

        Where nothing is laid on the floors it does not matter from when on, so this is asked once.
        """
        f = self.floors[pump]
        none = np.zeros(f.use.size)
        floors = (f.y, f.se, f.load, f.load_se, f.hours, f.water, f.fill, f.base, none, none)
        own = tuple(a[: f.own] for a in floors)
        theta, _, evidence = self._fit(self.fleet.fits[pump].theta, pump, own, GAUGE, 0.0, 12)  # type: ignore[arg-type]
        held = np.maximum(f.base, 1.0)
        one = [
            floor_likelihood(f.y[i], held[i][None, :], f.load[i], f.load_se[i], f.se[i], self.fleet.prior.own_sd)[0]
            for i in np.arange(f.own, f.use.size)[:, None]
        ]
        return theta, evidence, np.array(one)

    def _flat_for(self, pump: int, share: Floats, elsewhere: bool = True) -> tuple[Floats, float]:
        """Parameters without a cause, and the evidence of just those floors that a try with it has."""
        theta, evidence, others = self.flat[pump]
        use = self.floors[pump].use[self.floors[pump].own :]
        return theta, evidence + float(others[share[use] > 0].sum()) if elsewhere and use.size else evidence

    def gain(self, onset: int, drift_days: float = 0.0) -> tuple[float, float, float]:
        """Evidence gained, size and its s.e., if the cause began at use ``onset``.

        Parameters
        ----------
        onset : int
        drift_days : float
            0 for a step.
        """
        share = come_by(self.uses.day, onset, drift_days)
        if not (share > 0).any():
            return -np.inf, 0.0, 1.0
        if self.uses.factor == "gauge":
            return self._gauge(share, self._by_witnesses(onset, drift_days))
        return max(self._leak(p, share) for p in self.pumps)

    def _fit(
        self, start: Floats, pump: int, floors: Floors, which: int, sd: float, rounds: int
    ) -> tuple[Floats, Floats, float]:
        mean, precision = self.prior[pump]
        if sd > 0:
            precision = precision.copy()
            precision[which] = 1.0 / sd**2
        found: tuple[Floats, Floats, float] = fit_pump(start, mean, precision, *floors, self.fleet.prior.own_sd, rounds)
        return found

    def _by_witnesses(self, onset: int, drift_days: float) -> list[tuple[float, float]]:
        """What witnesses say of the gauge's error if it began then: estimate and information of each."""
        out = []
        for witness, weights in self.witnesses:
            if drift_days > 0.0:
                begin = self.uses.day[max(onset - 1, 0)]
                share = np.clip((witness.day - begin) / drift_days, 0.0, 1.0)
            else:
                share = (witness.day >= self.uses.day[onset]).astype(np.float64)
            out.append(told(witness, weights, share))
        return out

    def _gauge(self, share: Floats, beside: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
        """A gauge's error, from every pump it was much on and from witnesses; each says its own, and they are brought together."""
        at, information, gain = [], [], 0.0
        for n, pump in enumerate(self.pumps):
            # The uses elsewhere speak once.
            floors = self.floors[pump].with_share(share, elsewhere=n == 0)
            if not (floors[9] > 0).any():
                continue
            flat, before = self._flat_for(pump, share, elsewhere=n == 0)
            theta, covariance, evidence = self._fit(flat, pump, floors, GAUGE, WIDE_SD, 25)
            at.append(float(theta[GAUGE]))
            information.append(1.0 / float(covariance[GAUGE, GAUGE]) - 1.0 / WIDE_SD**2)
            # A wide prior was paid for: take what it cost back, for all pumps share one error with one prior.
            gain += evidence - before + 0.5 * np.log(WIDE_SD**2 / float(covariance[GAUGE, GAUGE]))
            gain += 0.5 * (theta[GAUGE] / WIDE_SD) ** 2
        if not at:
            return -np.inf, 0.0, 1.0
        for estimate, weighs in beside:
            at.append(estimate)
            information.append(weighs)
            gain += 0.5 * weighs * estimate**2
        where, weight = np.array(at), np.maximum(np.array(information), 1e-6)
        precision = weight.sum() + 1.0 / GAUGE_SD**2
        size = float(weight @ where / precision)
        if abs(size) > FARTHEST_LN:
            return -np.inf, 0.0, 1.0
        gain -= 0.5 * float(weight @ (where - size) ** 2) + 0.5 * (size / GAUGE_SD) ** 2
        gain -= 0.5 * np.log(precision * GAUGE_SD**2)
        return float(gain), size, float(np.sqrt(1.0 / precision))

    def _leak(self, usual: int, share: Floats) -> tuple[float, float, float]:
        """A line's leak, its size found on one pump and tried on the others it was much on."""
        floors = self.floors[usual].with_share(share)
        y, load, x_add = floors[0], floors[2], floors[8]
        if not (x_add[: self.floors[usual].own] > 0).any():
            return -np.inf, 0.0, 1.0
        mean = self.prior[usual][0]
        flat, before = self._flat_for(usual, share)
        best: tuple[Floats, Floats, float] | None = None
        # From what oil alone makes of these floors, and from the fleet's usual pump with all its excess laid on the
        # cause: the first may sit in a valley of its own.
        floor = np.exp(y) - load
        excess = (floor - np.exp(mean[FRESH]) - np.exp(mean[BY_HOURS]))[x_add > 0] / x_add[x_add > 0]
        for begin in (flat, mean):
            start = begin.copy()
            start[LEAK] = max(float(np.median(excess)), 5.0)
            found = self._fit(start, usual, floors, LEAK, LEAK_SD, 25)
            if best is None or found[2] > best[2]:
                best = found
        assert best is not None
        theta, covariance, evidence = best
        # A leak is of one sign, so the half of its prior that is ruled out counts.
        gain = evidence - before + np.log(2.0)
        size = float(theta[LEAK])
        for p in self.majors:
            if p != usual:
                gain += self._gain_elsewhere(p, size, share)
        return float(gain), size, float(np.sqrt(covariance[LEAK, LEAK]))

    def _gain_elsewhere(self, pump: int, size: float, share: Floats) -> float:
        """What a leak of known size gains on another pump, whose oil is fitted again with it."""
        at = self.uses.row[(self.uses.pump == pump) & (share > 0)]
        if at.size == 0:
            return 0.0
        rows = self.fleet.rows[pump]
        leak = self.leaks[pump].copy()
        leak[at] += size / rows.speed[at]
        before = self.fleet.fits[pump]
        # A pump that took the cause for spoiled oil sits in a valley of its own: start from the fleet's usual one too.
        prior, gauge = self.fleet.prior, self.gauges[pump]
        found = max(refit(rows, prior, leak, gauge, start, 14).evidence for start in (before.theta, None))
        return float(found - before.evidence)
