"""Which few exchanges of gear between vans next month would tell most apart.

A month's work of a van adds precision along one direction only, the sum of the levels that travel in it; what travels
together stays together in the data.  Exchanging one piece between two vans for the month adds two other directions.
The gain of an exchange is what it takes off the posterior variance of the open questions (levels that can't be told
from a partner), over and above the same month without it; exchanges are picked one by one, the best first.

Variances follow from the design alone, not from what will be measured, so the gain can be stated beforehand;
`simulate_month` checks it on months drawn from the posterior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.attribution import Attribution
from blankoff.fleet.attribution_measures import FACTORS
from blankoff.fleet.attribution_tables import MeasureFit

__all__ = ["PLAN_SCHEMA", "SwapPlan", "plan_swaps", "simulate_month"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOVABLE = ("pump", "hose", "gauge")
RECENT_DAYS = 90
"""Work of this long says which gear travels with whom and how much a month brings (judgement)."""
SMALLEST_PRIOR_SD = 0.03
"""Levels that hardly differ in the whole fleet are no open question (judgement)."""
SMALLEST_GAIN = 0.02
"""An exchange must take this share off all the open doubt that is left (judgement)."""
PARTNERS_TRIED = 10
"""Vans tried as the other side of an exchange, the best known of the branch first."""

PLAN_SCHEMA: dict[str, Any] = {
    "rank": pl.Int64,
    "factor": pl.String,
    "first_id": pl.String,
    "second_id": pl.String,
    "first_technician_id": pl.String,
    "second_technician_id": pl.String,
    "jobs": pl.Int64,
    "tells_apart": pl.List(pl.String),
    "open_questions": pl.Int64,
    "doubt_without": pl.Float64,
    "doubt_with": pl.Float64,
    "sentence": pl.String,
}
"""``doubt_*``: root mean square standard error (ln ratio) of the open questions it bears on, a month on."""


@dataclass(frozen=True)
class _Measure:
    """One measure's levels, all factors end to end."""

    name: str
    covariance: Floats
    prior: Floats
    noise: float
    """Variance of one evacuation's ln measure."""
    open: NDArray[np.bool_]
    pump_ln: Floats
    line_ln: Floats
    speeds: bool

    def direction(self, gear: Sequence[int], starts: Ints) -> Floats:
        """Sensitivity of one van's measure to its four levels (gear -1 counts nothing)."""
        z = np.ones(4)
        if self.speeds and gear[0] >= 0 and gear[1] >= 0:
            z[0] = 1.0 / (1.0 + np.exp(self.pump_ln[gear[0]] - self.line_ln[gear[1] - starts[1]]))
            z[1] = 1.0 - z[0]
        if self.name == "speed_viscous":
            z[2] = 0.0
        return z


@dataclass(frozen=True)
class SwapPlan:
    """A plan and what it was made from.

    Attributes
    ----------
    table : DataFrame of `PLAN_SCHEMA`, best exchange first
    vans : per van the four levels that travel in it (numbered factor after factor) and its jobs in a month
    exchanges : per exchange (factor index, van, van)
    """

    table: pl.DataFrame
    vans: tuple[tuple[tuple[int, int, int, int], float], ...]
    exchanges: tuple[tuple[int, int, int], ...]
    measures: tuple[_Measure, ...]
    starts: Ints


def plan_swaps(work: pl.DataFrame, attribution: Attribution, most: int = 5) -> SwapPlan:
    """Plan next month's exchanges.

    Parameters
    ----------
    work : DataFrame
        The work frame (later rows than the attribution's ``as_of`` are not looked at).
    attribution : Attribution
    most : int
        Exchanges at most; fewer where further ones gain little.  A van takes part in one exchange.

    Returns
    -------
    SwapPlan
        Empty table where nothing is open or nobody could exchange.
    """
    starts, names = _numbering(attribution)
    measures = tuple(_measure(fit, attribution, starts) for fit in attribution.fits.values())
    vans, branch = _vans(work, attribution, names, starts)
    nothing = SwapPlan(pl.DataFrame(schema=PLAN_SCHEMA), tuple(vans), (), measures, starts)
    if len(vans) < 2 or not any(m.open.any() for m in measures):
        return nothing
    # The month as it would go without any exchange comes first; gains count over and above it.
    current = [_after(m, _rows(m, vans, starts)) for m in measures]
    without = [m.covariance for m in current]
    taken: set[int] = set()
    chosen: list[tuple[int, int, int]] = []
    rows = []
    while len(chosen) < most:
        best = _best_exchange(current, vans, branch, starts, taken)
        if best is None or best[0] < SMALLEST_GAIN:
            break
        _, exchange = best
        current = [_after(m, _change(m, vans, exchange, starts)) for m in current]
        chosen.append(exchange)
        taken.update(exchange[1:])
        rows.append(_describe(len(chosen), exchange, vans, current, without, attribution, names))
    if not rows:
        return nothing
    return replace(nothing, table=pl.DataFrame(rows, schema=PLAN_SCHEMA, orient="row"), exchanges=tuple(chosen))


def _numbering(attribution: Attribution) -> tuple[Ints, list[str]]:
    """First number of each factor's levels, and all names in order."""
    if not attribution.fits:
        return np.zeros(5, dtype=np.int64), []
    states = next(iter(attribution.fits.values())).states[: len(FACTORS)]
    starts = np.concatenate([[0], np.cumsum([len(s.levels) for s in states])]).astype(np.int64)
    return starts, [f"{f}:{v}" for f, s in zip(FACTORS, states, strict=True) for v in s.levels]


def _measure(fit: MeasureFit, attribution: Attribution, starts: Ints) -> _Measure:
    """Gather one measure's posterior; levels solved in different groups count as independent."""
    size = int(starts[-1])
    covariance = np.diag(fit.told.variance)
    for levels, block in fit.told.newest:
        covariance[np.ix_(levels, levels)] = block
    tied = attribution.effect.filter((pl.col("measure") == fit.measure) & ~pl.col("separable"))
    is_open = np.zeros(size, dtype=bool)
    for f, factor in enumerate(FACTORS):
        number = {v: i + starts[f] for i, v in enumerate(fit.states[f].levels)}
        for level in tied.filter(pl.col("factor") == factor)["level_id"]:
            is_open[number[level]] = True
    is_open &= fit.told.prior > SMALLEST_PRIOR_SD**2
    weight = fit.solution.row_weight[fit.mine]
    return _Measure(
        name=fit.measure,
        covariance=covariance + 1e-9 * np.eye(size),
        prior=fit.told.prior,
        noise=float(1.0 / np.median(weight)) if len(weight) else 1.0,
        open=is_open,
        pump_ln=fit.level_ln[0],
        line_ln=fit.level_ln[1],
        speeds=fit.measure != "floor",
    )


def _vans(
    work: pl.DataFrame, attribution: Attribution, names: list[str], starts: Ints
) -> tuple[list[tuple[tuple[int, int, int, int], float]], list[str]]:
    """Who travels with what now, and how many jobs a month brings."""
    on = pl.col("started_at").dt.date()
    recent: date = attribution.as_of - timedelta(days=RECENT_DAYS)
    frame = work.filter((on <= attribution.as_of) & (on > recent))
    for column in (*(f"{f}_id" for f in FACTORS), "branch"):
        if column not in frame.columns:
            frame = frame.with_columns(pl.lit(None, dtype=pl.String).alias(column))
    number = {name: i for i, name in enumerate(names)}
    usual = [pl.col(f"{f}_id").drop_nulls().mode().sort().first() for f in MOVABLE]
    crews = (
        frame.drop_nulls("technician_id")
        .group_by("technician_id")
        .agg(*usual, pl.col("branch").drop_nulls().mode().sort().first(), pl.len().alias("n"))
        .sort("technician_id")
    )
    vans, branches = [], []
    for technician, pump, hose, gauge, branch, n in crews.iter_rows():
        gear = [number.get(f"{f}:{v}", -1) for f, v in zip(FACTORS, (pump, hose, gauge, technician), strict=True)]
        if gear[3] >= 0 and gear[0] >= 0 and n >= 3:
            vans.append(((gear[0], gear[1], gear[2], gear[3]), n * 30.0 / RECENT_DAYS))
            branches.append(branch or "")
    return vans, branches


def _row(m: _Measure, gear: Sequence[int], jobs: float, starts: Ints) -> tuple[Ints, Floats, float]:
    z = m.direction(gear, starts)
    kept = [i for i in range(4) if gear[i] >= 0]
    return np.array([gear[i] for i in kept], dtype=np.int64), z[kept], jobs / m.noise


def _rows(
    m: _Measure, vans: Sequence[tuple[tuple[int, int, int, int], float]], starts: Ints
) -> list[tuple[Ints, Floats, float]]:
    """Precision that each van's month adds: levels, sensitivities, weight."""
    return [_row(m, gear, jobs, starts) for gear, jobs in vans]


def _exchanged(
    vans: Sequence[tuple[tuple[int, int, int, int], float]], exchange: tuple[int, int, int]
) -> list[tuple[list[int], float]]:
    """Gear and jobs of the two vans after an exchange."""
    f, a, b = exchange
    gear_a, gear_b = list(vans[a][0]), list(vans[b][0])
    gear_a[f], gear_b[f] = gear_b[f], gear_a[f]
    return [(gear_a, vans[a][1]), (gear_b, vans[b][1])]


def _change(
    m: _Measure, vans: Sequence[tuple[tuple[int, int, int, int], float]], exchange: tuple[int, int, int], starts: Ints
) -> list[tuple[Ints, Floats, float]]:
    """Precision that an exchange adds, and what it takes away of the month as it would have gone."""
    away = [_row(m, *vans[v], starts) for v in exchange[1:]]
    return [_row(m, gear, jobs, starts) for gear, jobs in _exchanged(vans, exchange)] + [
        (levels, z, -weight) for levels, z, weight in away
    ]


def _update(m: _Measure, rows: Sequence[tuple[Ints, Floats, float]]) -> tuple[Floats, Floats]:
    """Columns ``B`` and kernel ``K`` such that the covariance falls by ``B K^-1 B'``."""
    columns = np.empty((len(m.covariance), len(rows)))
    for i, (levels, z, _) in enumerate(rows):
        columns[:, i] = z @ m.covariance[levels]  # rows for columns: it is symmetric, and rows lie together
    kernel = np.diag([1.0 / weight for _, _, weight in rows])
    for i, (levels, z, _) in enumerate(rows):
        kernel[i] += z @ columns[levels]
    return columns, kernel


def _after(m: _Measure, rows: Sequence[tuple[Ints, Floats, float]]) -> _Measure:
    """Give the measure with more work done."""
    columns, kernel = _update(m, rows)
    fallen = m.covariance - columns @ np.linalg.solve(kernel, columns.T)
    return replace(m, covariance=(fallen + fallen.T) / 2.0)


def _open_doubt(m: _Measure) -> float:
    return float((np.diag(m.covariance)[m.open] / m.prior[m.open]).sum())


def _best_exchange(
    measures: Sequence[_Measure],
    vans: Sequence[tuple[tuple[int, int, int, int], float]],
    branch: Sequence[str],
    starts: Ints,
    taken: set[int],
) -> tuple[float, tuple[int, int, int]] | None:
    """Exchange that takes the largest share off the open doubt; the first in order among equals."""
    total = sum(_open_doubt(m) for m in measures)
    if total <= 0.0:
        return None
    doubt = np.sum([np.where(m.open, np.diag(m.covariance) / m.prior, 0.0) for m in measures], axis=0)
    of_van = np.array([sum(doubt[g] for g in gear if g >= 0) for gear, _ in vans])
    best: tuple[float, tuple[int, int, int]] | None = None
    for a in range(len(vans)):
        if a in taken or of_van[a] <= 0.0:
            continue
        others = [b for b in range(len(vans)) if b != a and b not in taken]
        others.sort(key=lambda b: (branch[b] != branch[a], of_van[b], b))
        # Well-known vans tell most; two open vans may settle each other.
        others = others[:PARTNERS_TRIED] + sorted(others[PARTNERS_TRIED:], key=lambda b: (-of_van[b], b))[:3]
        for b in others:
            for f in range(len(MOVABLE)):
                if vans[a][0][f] < 0 or vans[b][0][f] < 0 or vans[a][0][f] == vans[b][0][f]:
                    continue
                exchange = (f, min(a, b), max(a, b))
                gain = 0.0
                for m in measures:
                    if m.open.any():
                        columns, kernel = _update(m, _change(m, vans, exchange, starts))
                        half = columns[m.open]
                        fall = np.einsum("ij,ji->i", half, np.linalg.solve(kernel, half.T))
                        gain += float((fall / m.prior[m.open]).sum())
                if best is None or gain / total > best[0] + 1e-12:
                    best = (gain / total, exchange)
    return best


def _describe(
    rank: int,
    exchange: tuple[int, int, int],
    vans: Sequence[tuple[tuple[int, int, int, int], float]],
    measures: Sequence[_Measure],
    without: Sequence[Floats],
    attribution: Attribution,
    names: list[str],
) -> tuple[object, ...]:
    """One row of the plan."""
    f, a, b = exchange
    gear = sorted({g for v in (a, b) for g in vans[v][0] if g >= 0})
    before: list[float] = []
    after: list[float] = []
    questions = 0
    for m, start in zip(measures, without, strict=True):
        mine = [g for g in gear if m.open[g]]
        questions += len(mine)
        before.extend(start[g, g] for g in mine)
        after.extend(m.covariance[g, g] for g in mine)
    tied = attribution.effect.filter(~pl.col("separable"))
    pairs = set()
    for level in (vans[a][0][f], vans[b][0][f]):
        factor, _, name = names[level].partition(":")
        rows = tied.filter((pl.col("factor") == factor) & (pl.col("level_id") == name))
        for partner in rows["entangled_with"].explode().drop_nulls().unique().sort():
            pairs.add(f"{names[level]} from {partner}")
    first, second = names[vans[a][0][f]].partition(":")[2], names[vans[b][0][f]].partition(":")[2]
    crew = [names[vans[v][0][3]].partition(":")[2] for v in (a, b)]
    doubt = [float(np.sqrt(np.mean(v))) if v else 0.0 for v in (before, after)]
    what = {"pump": "pumps", "hose": "hose sets", "gauge": "gauges"}[MOVABLE[f]]
    sentence = (
        f"Exchange {what} {first} (with {crew[0]}) and {second} (with {crew[1]}) for the month: "
        f"{questions} levels that cannot be told apart today would be known to within {100 * np.expm1(doubt[1]):.0f} % "
        f"instead of {100 * np.expm1(doubt[0]):.0f} %."
    )
    jobs = round(vans[a][1] + vans[b][1])
    return (rank, MOVABLE[f], first, second, *crew, jobs, sorted(pairs), questions, *doubt, sentence)


def simulate_month(plan: SwapPlan, seed: int, draws: int = 400) -> pl.DataFrame:
    """Simulate the month with and without the plan's exchanges.

    Levels are drawn from today's posterior, a month of evacuations is measured in each world, and levels are estimated
    again from it.

    Parameters
    ----------
    plan : SwapPlan
    seed : int
        Of the draws; both worlds see the same levels.
    draws : int

    Returns
    -------
    DataFrame
        ``measure, open_questions, error_today, error_without, error_with``: root mean square errors (ln ratio) over
        the measure's open questions.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for m in plan.measures:
        if not m.open.any():
            continue
        eigenvalues, vectors = np.linalg.eigh(m.covariance)
        root = vectors * np.sqrt(np.maximum(eigenvalues, 0.0))
        truth = root @ rng.standard_normal((len(root), draws))
        worlds = []
        for exchanges in ((), plan.exchanges):
            done = [(list(gear), jobs) for gear, jobs in plan.vans]
            for exchange in exchanges:
                for v, van in zip(exchange[1:], _exchanged(plan.vans, exchange), strict=True):
                    done[v] = van
            estimate, now = np.zeros_like(truth), m
            for gear, jobs in done:
                for _ in range(max(round(jobs), 1)):
                    levels, z, precision = _row(m, gear, 1.0, plan.starts)
                    seen = z @ truth[levels] + rng.standard_normal(draws) / np.sqrt(precision)
                    columns, kernel = _update(now, [(levels, z, precision)])
                    estimate = estimate + (columns / kernel) @ (seen - z @ estimate[levels])[None, :]
                    now = replace(now, covariance=now.covariance - columns @ columns.T / kernel)
            worlds.append(float(np.sqrt(np.mean((estimate - truth)[m.open] ** 2))))
        today = float(np.sqrt(np.mean(truth[m.open] ** 2)))
        rows.append((m.name, int(m.open.sum()), today, *worlds))
    schema = ["measure", "open_questions", "error_today", "error_without", "error_with"]
    return pl.DataFrame(rows, schema=schema, orient="row")
