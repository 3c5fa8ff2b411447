"""Solved measures as frames: the contract's ``effect``, and what each evacuation leaves for each level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import NormalDist
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.attribution_measures import FACTORS, Rows
from blankoff.fleet.attribution_model import Solution, Told
from blankoff.fleet.attribution_states import FactorStates
from blankoff.schemas import EFFECT

__all__ = [
    "ATTRIBUTED_SCHEMA",
    "MIDDLE_DRAWS",
    "MeasureFit",
    "attributed_frame",
    "deep_parts",
    "deep_sd",
    "effect_frame",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MIDDLE_DRAWS = 400
"""Draws from which the doubt in a factor's middle is taken."""
UNSEEN_SHARE, UNSEEN_LOSS = 0.06, (0.0, 0.9)
"""Share of hose sets that lost much of what they pass and have not shown it yet, and how much then, ln; a pump shows it on
every pull.  Of either, as many are believed to have lost what they have not (judgement)."""
TIED_SHARE = 0.5
"""How likely it is that what a level cannot be told from did what the register does not explain (judgement)."""

ATTRIBUTED_SCHEMA: dict[str, Any] = {
    "evacuation_id": pl.String,
    "started_at": pl.Datetime("us", "UTC"),
    "measure": pl.String,
    "factor": pl.String,
    "level_id": pl.String,
    "ln_ratio_after_other_factors": pl.Float64,
    "weight": pl.Float64,
    "outlier_weight": pl.Float64,
    "level_now": pl.Float64,
}
"""Columns of `Attribution.attributed`."""


@dataclass(frozen=True)
class MeasureFit:
    """One measure's rows, solution and levels, for those who ask further (swap plan, wear charts).

    Arrays per factor of `FACTORS` unless said otherwise.
    """

    measure: str
    rows: Rows
    mine: NDArray[np.bool_]
    """Which of ``rows`` are this measure's."""
    solution: Solution
    told: Told
    states: Sequence[FactorStates]
    """Of the solve, so more than four where a deviation has its own."""
    factor_parts: Sequence[tuple[int, ...]]
    """Which of ``states`` make up each factor's effect on this measure."""
    level_ln: list[Floats]
    """(levels,): ln of pump speed or line conductance, or effect, of the newest stretch."""
    level_sd: list[Floats]
    """(levels,): standard error of that less the factor's mean."""
    own_ln: list[Floats]
    """(levels,): the part of ``level_ln`` that the register doesn't explain."""


def deep_parts(fit: MeasureFit | None) -> tuple[list[Floats] | None, list[Floats] | None]:
    """What each row's, and each newest, pump, hose, gauge and technician do to ln deep speed in the typical rig."""
    if fit is None:
        return None, None
    rows, now = [], []
    for f, part in enumerate(fit.factor_parts):
        ln, codes = fit.level_ln[f], fit.states[f].level_of_row
        middle = float(np.median(ln)) if len(ln) else 0.0
        effect = np.zeros(len(codes))
        for k in part:
            state = fit.states[k].state_of_row
            effect += np.append(fit.solution.effect[k], 0.0)[np.where(state >= 0, state, fit.states[k].size)]
        # A row differs from the newest level by its stretch; what the register says is the same for both.
        then = np.append(ln - fit.own_ln[f], middle)[np.where(codes >= 0, codes, len(ln))] + effect
        rows.append(_on_like_work(fit, f, then, middle))
        now.append(_on_like_work(fit, f, ln, middle))
    return rows, now


def deep_sd(fit: MeasureFit, f: int) -> Floats:
    """Standard error of a level's part in ln deep speed in the typical rig."""
    ln, sd = fit.level_ln[f], fit.level_sd[f]
    middle = float(np.median(ln)) if len(ln) else 0.0
    up, down = (_on_like_work(fit, f, ln + k * sd, middle) for k in (1, -1))
    return np.asarray((up - down) / 2.0)


def effect_frame(
    fit: MeasureFit,
    tied: dict[str, list[list[tuple[str, int]]]],
    level: float,
    as_of: date,
    draws: Floats,
    chances: Floats,
) -> pl.DataFrame:
    """Contract table ``effect`` of one measure.

    ``draws`` and ``chances``, (draws, levels), are t-distributed and even: see `_middle`.
    """
    quantile = NormalDist().inv_cdf(0.5 + level / 2.0)
    names = {f: s.levels for f, s in zip(FACTORS, fit.states, strict=False)}
    index = fit.rows.index[fit.mine]
    frames = []
    for f, factor in enumerate(FACTORS):
        s = fit.states[f]
        codes = s.level_of_row[index]
        uses = np.bincount(codes[codes >= 0], minlength=len(s.levels))
        here = np.flatnonzero(uses > 0)
        if not len(here):
            continue
        # The middle is that of all the fleet uses: those whose jobs never showed this measure are no less part of it.
        plausible = fit.level_ln[f] + fit.level_sd[f] * draws[:, : len(s.levels)]
        if f < len(UNSEEN_LOSS) and fit.measure != "floor":
            plausible += _unseen(fit.own_ln[f], [bool(tie) for tie in tied[factor]], chances, UNSEEN_LOSS[f])
        middle, middle_sd = _middle(plausible)
        ln, sd, own = fit.level_ln[f][here], np.hypot(fit.level_sd[f][here], middle_sd), fit.own_ln[f][here]
        own_middle, _ = _middle(own + sd * draws[:, : len(here)])
        low, mid, high = (_on_like_work(fit, f, ln + k * quantile * sd, middle) for k in (-1, 0, 1))
        if fit.measure != "floor" and f < 2:
            bend = quantile * _bend_sd(fit, f, ln, middle)
            low, high = mid - np.hypot(mid - low, bend), mid + np.hypot(high - mid, bend)
        ties = [tied[factor][i] for i in here]
        at = np.flatnonzero(np.repeat(np.arange(len(FACTORS)), [len(v) for v in fit.level_ln]) == f)[here]
        frames.append(
            pl.DataFrame(
                {
                    "as_of": [as_of] * len(here),
                    "factor": [factor] * len(here),
                    "level_id": [s.levels[i] for i in here],
                    "measure": [fit.measure] * len(here),
                    "ratio": np.exp(mid),
                    "ratio_lower": np.exp(low),
                    "ratio_upper": np.exp(high),
                    "n": uses[here].astype(np.int64),
                    "separable": [not tie for tie in ties],
                    "entangled_with": pl.Series(
                        [[f"{g}:{names[g][i]}" for g, i in tie] for tie in ties], dtype=pl.List(pl.String)
                    ),
                    "ratio_to_like": np.exp(own - own_middle),
                    "ratio_to_like_lower": np.exp(own - own_middle - quantile * sd),
                    "ratio_to_like_upper": np.exp(own - own_middle + quantile * sd),
                    "doubt_left": np.minimum(fit.told.variance[at] / fit.told.prior[at], 1.0),
                }
            )
        )
    return EFFECT.conform(pl.concat(frames)) if frames else EFFECT.empty()


def _middle(plausible: Floats) -> tuple[float, float]:
    """Median of levels that are known with doubt, and what that doubt adds to a ratio to it.

    The median of estimates jumps where levels are sparse; the mean over plausible levels, (draws, levels), doesn't.
    """
    medians = np.median(plausible, axis=1)
    return float(medians.mean()), float(medians.std())


def _unseen(own: Floats, tied: Sequence[bool], chances: Floats, loss: float) -> Floats:
    """What levels may be off by beyond their standard errors, (draws, levels): who lost much unseen, and who wrongly got blame.

    Where the middle falls between wide hose sets and narrow ones, one set in the wrong place moves it from one to the other.
    """
    chance = chances[:, : len(own)]
    cleared = chance > 1.0 - np.where(tied, TIED_SHARE, UNSEEN_SHARE)
    return np.asarray(np.where(cleared, -own, 0.0) - np.where(chance < UNSEEN_SHARE, loss, 0.0))


def _bend_sd(fit: MeasureFit, f: int, ln: Floats, middle: float) -> Floats:
    """Doubt in a ln ratio because the share of pump and line in the typical rig is itself in doubt."""
    other = float(np.median(fit.level_ln[1 - f])) if len(fit.level_ln[1 - f]) else 0.0
    share, share_middle = 1.0 / (1.0 + np.exp(ln - other)), 1.0 / (1.0 + np.exp(middle - other))
    return np.asarray(np.abs(share - share_middle) * np.sqrt(fit.told.gap_variance))


def _on_like_work(fit: MeasureFit, f: int, ln: Floats, middle: float) -> Floats:
    """Give the ln ratio of the measure when a level replaces the middle one in the typical rig."""
    if fit.measure == "floor" or f > 1 or not len(fit.level_ln[1 - f]):
        return np.asarray(ln - middle)
    other = float(np.median(fit.level_ln[1 - f]))
    return np.asarray(np.logaddexp(-middle, -other) - np.logaddexp(-ln, -other))


def attributed_frame(fit: MeasureFit, frame: pl.DataFrame) -> pl.DataFrame:
    """What each evacuation leaves for each factor's level."""
    s = fit.solution
    at = np.flatnonzero(fit.mine)
    index = fit.rows.index[at]
    z = np.ones((len(fit.rows.index), len(fit.states)))
    if fit.rows.linearise is not None:
        z = fit.rows.linearise(s.fixed, np.concatenate(s.effect))[2]
    ids = frame["evacuation_id"].gather(index)
    started = frame["started_at"].gather(index).cast(pl.Datetime("us", "UTC"))
    out = []
    for f, (factor, part) in enumerate(zip(FACTORS, fit.factor_parts, strict=True)):
        codes = fit.states[f].level_of_row[index]
        rows = np.flatnonzero(codes >= 0)
        if not len(rows):
            continue
        level = np.zeros(len(rows))
        for k in part:
            level += s.effect[k][fit.rows.state_of_row[at[rows], k]]
        level -= np.median(fit.own_ln[f])
        share = np.maximum(z[at[rows], part[0]], 0.05)
        out.append(
            pl.DataFrame(
                {
                    "evacuation_id": ids.gather(rows),
                    "started_at": started.gather(rows),
                    "measure": pl.Series([fit.measure]).new_from_index(0, len(rows)),
                    "factor": pl.Series([factor]).new_from_index(0, len(rows)),
                    "level_id": pl.Series(fit.states[f].levels, dtype=pl.String).gather(codes[rows]),
                    "ln_ratio_after_other_factors": level + s.residual[at[rows]] / share,
                    "weight": share**2 * s.row_weight[at[rows]],
                    "outlier_weight": np.minimum(s.outlier_weight[at[rows]], 1.0),
                    "level_now": level,
                }
            )
        )
    return pl.concat(out) if out else pl.DataFrame(schema=ATTRIBUTED_SCHEMA)
