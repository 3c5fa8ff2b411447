"""One try: how much better a leaking line or an off gauge, from some day on, explains the floors than oil alone.

The oil of the pumps it was much on is fitted again together with the cause, for oil left as it was would have swallowed
part of it; the few uses on any other pump tell of the cause against that pump's blank-off as it stands.  A use whose
register row names no hose set or gauge tells nothing for or against one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.oil_kernels import BY_HOURS, FRESH, GAUGE, LEAK, fit_pump
from blankoff.fleet.oil_model import FleetOil, fit_arguments, predicted_blankoff, prior_arrays, refit

__all__ = ["DRIFT_DAYS", "Uses", "come_by", "try_cause", "usual_pump"]

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


def try_cause(
    uses: Uses, fleet: FleetOil, leaks: list[Floats], gauges: list[Floats], onset: int, drift_days: float = 0.0
) -> tuple[float, float, float]:
    """Evidence gained, size and its s.e., if the cause began at use ``onset``.

    Parameters
    ----------
    uses : Uses
    fleet : FleetOil
    leaks, gauges : list of float64 (n,)
        What is already laid on every pump's rows.
    onset : int
    drift_days : float
        0 for a step.
    """
    count = np.bincount(uses.pump)
    major = [int(p) for p in np.argsort(-count, kind="stable")[:MOST_MAJORS] if count[p] >= MAJOR_USES]
    share = come_by(uses.day, onset, drift_days)
    if not (share > 0).any():
        return -np.inf, 0.0, 1.0
    trial = _Trial(uses, share, fleet, leaks, gauges)
    if uses.factor == "gauge":
        return trial.gauge(major or [usual_pump(uses.pump)])
    return max(trial.leak(p, major) for p in major or [usual_pump(uses.pump)])


@dataclass(frozen=True)
class _Trial:
    uses: Uses
    share: Floats
    fleet: FleetOil
    leaks: list[Floats]
    gauges: list[Floats]

    def _on(self, pump: int) -> tuple[Floats, Bools]:
        """What of the cause each row of a pump has, and whether the row says which asset it was."""
        rows = self.fleet.rows[pump]
        x = np.zeros(rows.y.size)
        mine = self.uses.pump == pump
        x[self.uses.row[mine]] = self.share[mine]
        ids = rows.hose_id if self.uses.factor == "hose" else rows.gauge_id
        return x, np.array([i is not None for i in ids], dtype=bool)

    def _own(self, pump: int) -> list[Floats]:
        """Arguments of a fit of one pump's oil with the cause beside: twelve arrays."""
        r = self.fleet.rows[pump]
        x, known = self._on(pump)
        y, se, load, load_se = fit_arguments(r, self.leaks[pump], self.gauges[pump])
        parts = [y, se, load, load_se, r.hours, r.water, r.fill.astype(np.float64), np.zeros(y.size), x / r.speed, x]
        return [np.asarray(part[known]) for part in parts]

    def _elsewhere(self, but: list[int]) -> list[list[Floats]]:
        """The same of the few uses on other pumps, whose blank-off is taken as it stands."""
        out = []
        for p in np.unique(self.uses.pump):
            at = self.uses.row[(self.uses.pump == p) & (self.share > 0)]
            if p in but or at.size == 0:
                continue
            x, _ = self._on(int(p))
            r = self.fleet.rows[p]
            y, se, load, load_se = fit_arguments(r, self.leaks[p], self.gauges[p])
            base = predicted_blankoff(r, self.fleet.fits[p].theta)
            ones = np.ones(at.size)
            se = np.hypot(se[at], ELSEWHERE_SD)
            out.append([y[at], se, load[at], load_se[at], ones, ones, -ones, base[at], (x / r.speed)[at], x[at]])
        return out

    def _fit(
        self, start: Floats, pump: int, parts: list[list[Floats]], which: int, sd: float, rounds: int
    ) -> tuple[Floats, Floats, float]:
        prior = self.fleet.prior
        mean, precision = prior_arrays(prior, self.fleet.rows[pump])
        if sd > 0:
            precision[which] = 1.0 / sd**2
        a = [np.concatenate([part[j] for part in parts]) for j in range(10)]
        fill = a[6].astype(np.int64)
        floors = (a[0], a[1], a[2], a[3], a[4], a[5], fill, a[7], a[8], a[9])
        found: tuple[Floats, Floats, float] = fit_pump(start, mean, precision, *floors, prior.own_sd, rounds)
        return found

    def gauge(self, majors: list[int]) -> tuple[float, float, float]:
        """A gauge's error, from every pump it was much on; each says its own, and they are brought together."""
        at, information, gain = [], [], 0.0
        for n, pump in enumerate(majors):
            parts = [self._own(pump)] + (self._elsewhere(majors) if n == 0 else [])
            if not (np.concatenate([part[9] for part in parts]) > 0).any():
                continue
            flat = self._fit(self.fleet.fits[pump].theta, pump, parts, GAUGE, 0.0, 12)
            theta, covariance, evidence = self._fit(flat[0], pump, parts, GAUGE, WIDE_SD, 25)
            at.append(float(theta[GAUGE]))
            information.append(1.0 / float(covariance[GAUGE, GAUGE]) - 1.0 / WIDE_SD**2)
            # A wide prior was paid for: take what it cost back, for all pumps share one error with one prior.
            gain += evidence - flat[2] + 0.5 * np.log(WIDE_SD**2 / float(covariance[GAUGE, GAUGE]))
            gain += 0.5 * (theta[GAUGE] / WIDE_SD) ** 2
        if not at:
            return -np.inf, 0.0, 1.0
        where, weight = np.array(at), np.maximum(np.array(information), 1e-6)
        precision = weight.sum() + 1.0 / GAUGE_SD**2
        size = float(weight @ where / precision)
        if abs(size) > FARTHEST_LN:
            return -np.inf, 0.0, 1.0
        gain -= 0.5 * float(weight @ (where - size) ** 2) + 0.5 * (size / GAUGE_SD) ** 2
        gain -= 0.5 * np.log(precision * GAUGE_SD**2)
        return float(gain), size, float(np.sqrt(1.0 / precision))

    def leak(self, usual: int, majors: list[int]) -> tuple[float, float, float]:
        """A line's leak, its size found on one pump and tried on the others it was much on."""
        parts = [self._own(usual), *self._elsewhere([usual, *majors])]
        x_add = np.concatenate([part[8] for part in parts])
        if not (parts[0][8] > 0).any():
            return -np.inf, 0.0, 1.0
        mean, _ = prior_arrays(self.fleet.prior, self.fleet.rows[usual])
        flat = self._fit(self.fleet.fits[usual].theta, usual, parts, LEAK, 0.0, 12)
        best: tuple[Floats, Floats, float] | None = None
        # From what oil alone makes of these floors, and from the fleet's usual pump with all its excess laid on the
        # cause: the first may sit in a valley of its own.
        floor = np.exp(np.concatenate([part[0] for part in parts])) - np.concatenate([part[2] for part in parts])
        excess = (floor - np.exp(mean[FRESH]) - np.exp(mean[BY_HOURS]))[x_add > 0] / x_add[x_add > 0]
        for begin in (flat[0], mean):
            start = begin.copy()
            start[LEAK] = max(float(np.median(excess)), 5.0)
            found = self._fit(start, usual, parts, LEAK, LEAK_SD, 25)
            if best is None or found[2] > best[2]:
                best = found
        assert best is not None
        theta, covariance, evidence = best
        # A leak is of one sign, so the half of its prior that is ruled out counts.
        gain = evidence - flat[2] + np.log(2.0)
        size = float(theta[LEAK])
        for p in majors:
            if p != usual:
                gain += self._gain_elsewhere(p, size)
        return float(gain), size, float(np.sqrt(covariance[LEAK, LEAK]))

    def _gain_elsewhere(self, pump: int, size: float) -> float:
        """What a leak of known size gains on another pump, whose oil is fitted again with it."""
        at = self.uses.row[(self.uses.pump == pump) & (self.share > 0)]
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
