"""Shifts that may explain an asset's jobs: how large, how likely before any data, and what the jobs say of each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.vector_math import exp
from blankoff.fleet.wear_flow import LINE_ABOVE
from blankoff.physics.compiled import vector_kernel

__all__ = ["FEWEST_USES", "IN_BANDS", "SHIFTS", "evidence", "grid_prior", "hole_of", "mean_level", "through_hole"]

Floats = NDArray[np.float64]

FEWEST_USES = 5
"""Jobs from which an asset is asked, and that a shift must have lasted."""
_PLACE = np.array(
    [(d, d * v) for d in np.arange(1, 9) * 0.1 for v in (0.2, 0.6, 1.0)] + [(d, 0.3 * d) for d in (-0.2, -0.1, 0.0)]
)
"""What a gauge does to either band's speed: on the manifold it sits nearer the pump and shows a faster fall, in deep vacuum at
the least as much as in the viscous band, where less pressure is lost along a line; one that reads high meets either band
at a lower pressure, where a line passes less, in deep vacuum above all."""
RIGGING = np.arange(-16, 4) * 0.1
HOLES = np.array([(1.7, 1.0), (2.4, 1.0), (3.3, 1.0), (5.0, LINE_ABOVE), (8.0, LINE_ABOVE)])
"""How much better what is left in a port conducts in the viscous band than in the deep one, and the share of its resistance
there that it has from atmosphere down to the gauge's top.  A hole passes some 20 l/s per cm2 in choked flow and 11.6 in
molecular flow (handbook values, from memory), and no more the higher the pressure; a core is longer than a hole, and gains
with pressure; a long narrow passage gains as a tube does, at any pressure."""
USUAL_HOLE = HOLES[1]
SHIFTS = {
    "pump": np.arange(-24, 9) * 0.05,
    "hose": np.arange(-20, 9) * 0.1,
    "technician": np.tile(RIGGING, len(HOLES)),
    "gauge": _PLACE[:, 0],
}
"""ln shifts tried: of a pump's speed, a line's conductance, the middle rig's deep speed as rigged, what a gauge's place adds to it."""


def through_hole(deep: Floats, hole: Floats) -> tuple[Floats, Floats]:
    """What rigging that shifts ln deep speed by so much does in the viscous band and above it, by its smaller resistance there.

    Parameters
    ----------
    deep : float64 (k,)
        ln shift of the middle rig's deep speed.
    hole : float64 (2,) or (k, 2)
        As a row of `HOLES`.
    """
    viscous = np.expm1(-deep) / hole[..., 0]
    return -np.log1p(viscous), -np.log1p(viscous * hole[..., 1])


def hole_of(deep: float, viscous: float, above: float) -> Floats:
    """What kind of hole, as a row of `HOLES`, levels of a technician speak of; the usual one where there is next to none."""
    if deep > -SMALL_RIGGING or viscous > -0.1 * SMALL_RIGGING:
        return np.asarray(USUAL_HOLE)
    more = np.expm1(-viscous)
    return np.array([max(np.expm1(-deep) / more, 1.0), np.clip(np.expm1(-above) / more, 0.0, 1.0)])


SMALL_RIGGING = 0.05
"""A shift of rigging too small to say through what, ln."""
_RIGGED = through_hole(SHIFTS["technician"], np.repeat(HOLES, RIGGING.size, axis=0))
IN_BANDS = {
    "technician_viscous": _RIGGED[0],
    "technician_above": _RIGGED[1],
    "gauge_viscous": _PLACE[:, 1],
}
"""What each shift does in other bands: of rigging, by a smaller resistance there; of a gauge, by its place."""
SMALL_SD = {"pump": 0.10, "hose": 0.12, "technician": 0.08, "gauge": 0.08}
LARGE_SHARE = {"pump": 0.25, "hose": 0.15, "technician": 0.15, "gauge": 0.3}
LARGE_SCALE = {"pump": 0.4, "hose": 4.0, "technician": 4.0, "gauge": 4.0}
"""How fast large shifts become rare with their size, ln: a pump that lost two thirds of its speed is no pump (judgement)."""
FROM_THE_FIRST = {"pump": 0.05, "hose": 0.3, "technician": 0.9, "gauge": 1.0}
"""Shifts are either small, as units differ, or anywhere on the grid.  A habit or a gauge's place is there from the first
job as a rule; a pump that never did what its plate says is rare: it wears later (judgement)."""


SMALL_LATER = {"pump": 0.3, "hose": 0.3, "technician": 0.03, "gauge": 0.3}
"""How likely a small shift is to begin later, over from the first job: gear ages a little, a way of rigging is what it is
(judgement)."""


def grid_prior(factor: str) -> tuple[Floats, Floats]:
    """Ln prior of each shift: from the first job on, and from a later one on."""
    grid = SHIFTS[factor]
    small = np.exp(-0.5 * (grid / SMALL_SD[factor]) ** 2)
    small, large = small / small.sum(), np.exp(-np.abs(grid) / LARGE_SCALE[factor])
    large = large / large.sum()
    share, first = LARGE_SHARE[factor], FROM_THE_FIRST[factor]
    begin = (1 - share) * small + share * first * large
    later = SMALL_LATER[factor] * (1 - share) * small + share * (1 - first) * large
    if factor == "technician":
        # A line that chokes looks the same, and that is what begins on some day.
        later = np.where(np.repeat(HOLES[:, 1], RIGGING.size) < 1.0, 0.0, later)
    return np.log(begin), np.log(np.maximum(later, 1e-12))


def evidence(like: Floats, prior: tuple[Floats, Floats], zero: int, later: bool) -> tuple[float, Floats]:
    """Ln evidence of one shift from some job on, over none; and the ln weight of every (onset, shift).

    Parameters
    ----------
    like : float64 (n, shifts)
        ln likelihood of an asset's jobs under every shift.
    prior : two of float64 (shifts,)
        From `grid_prior`.
    zero : int
        Index of no shift.
    later : bool
        Whether it may have begun after the first job.
    """
    last = max(like.shape[0] - FEWEST_USES, 0) + 1 if later else 1
    score, total = _scores(like, prior[0], prior[1], zero, last)
    return float(total), score - total


@vector_kernel
def _scores(like: Floats, begin: Floats, later: Floats, zero: int, last: int) -> tuple[Floats, float]:
    """Ln evidence of every (onset, shift), for onsets at the first ``last`` jobs; and that of all together."""
    n, m = like.shape
    score, tail, part = np.empty((last, m)), np.zeros(m), np.empty(m)
    tries = np.log(max(last - 1, 1))
    for i in range(n - 1, -1, -1):
        for j in range(m):
            tail[j] += like[i, j] - like[i, zero]
        if i < last:
            for j in range(m):
                score[i, j] = tail[j] + later[j] - tries
    for j in range(m):
        score[0, j] = tail[j] + begin[j]
    top, total = score.max(), 0.0
    for i in range(last):
        for j in range(m):
            part[j] = exp(score[i, j] - top)
        for j in range(m):
            total += part[j]
    return score, top + np.log(total)


def mean_level(weight: Floats, grid: Floats, n: int) -> Floats:
    """Mean level of every job under the weights of (onset, shift)."""
    by_onset = weight @ grid
    out = np.full(n, by_onset.sum())
    out[: by_onset.size] = np.cumsum(by_onset)
    return out
