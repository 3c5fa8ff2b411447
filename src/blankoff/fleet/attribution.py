"""Who and what makes a pull fast, slow, deep or shallow: crossed effects of pump, hose set, gauge and technician.

What a ratio means.  ``ratio`` compares a level with the fleet's middle *on like work*: what the measure would become
if this pump (hose, gauge, technician), as it stands at ``as_of``, took the place of the fleet's middle one on the same
circuit with the fleet's typical rig otherwise.  A pump of twice the rating is therefore legitimately faster, and shows
it less on a narrow hose.  ``ratio_to_like`` compares the same level with what its register entry promises instead:
a pump with pumps of its rating, a hose with hoses of its bore and length (its conductance, not the speed of the rig).

How it is found.  Viscous speed first, then deep speed given what the viscous one tells of the same job (a wrong volume
is common to both and cancels; a pump's own speed carries over), then the floor.  See `attribution_model` for the model
and `attribution_measures` for the physics of speeds in series.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet import attribution_measures as measures
from blankoff.fleet.attribution_measures import FACTORS, MEASURES, Rows, Shared
from blankoff.fleet.attribution_model import Problem, Solution, Target, around
from blankoff.fleet.attribution_shared import fresh_oil
from blankoff.fleet.attribution_solve import EXACT_STATES, GROUP_STATES, solve
from blankoff.fleet.attribution_states import STATIC, STRETCH_USES, FactorStates, expected_levels, factor_states
from blankoff.fleet.attribution_tables import (
    ATTRIBUTED_SCHEMA,
    MIDDLE_DRAWS,
    MeasureFit,
    attributed_frame,
    deep_parts,
    deep_sd,
    effect_frame,
)
from blankoff.fleet.separability import Doubt, entangled, meetings
from blankoff.schemas import EFFECT
from blankoff.settings import Settings

__all__ = ["Attribution", "MeasureFit", "attribute"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DOUBT_INFLATION = 1.2
"""Widens bounds for the variances being estimates themselves and the tails being heavy (set on simulated fleets)."""
LARGEST_MISS = 1.5
"""Largest miss of one job (ln) that counts in a technician's average."""
FEWEST_ROWS = 12
"""Evacuations below which nothing is said (judgement)."""
LARGE_FLEET_ROWS = 15_000
"""Evacuations from which stretches in the past are three times as long."""


@dataclass(frozen=True)
class Attribution:
    """What the fleet's history says of its levels.

    Attributes
    ----------
    effect : DataFrame
        Contract table ``effect``, and ``ratio_to_like``, ``ratio_to_like_lower``, ``ratio_to_like_upper``,
        ``doubt_left`` (share of the prior variance still there).
    attributed : DataFrame
        `ATTRIBUTED_SCHEMA`; a row per evacuation, measure and factor: the evacuation's ln ratio that is left for this
        level after all other factors, fixed effects and its system are taken off, against the factor's middle, in
        the level's own terms (a pump's speed, a hose's conductance), with ``weight`` the inverse of its noise
        variance, ``outlier_weight`` below 1 where it looks like an outlier, and ``level_now`` the smoothed level.
    fits : dict of measure to MeasureFit
    meetings : DataFrame
        Who worked with what, from `separability.meetings`.
    as_of : date
    """

    effect: pl.DataFrame
    attributed: pl.DataFrame
    fits: dict[str, MeasureFit] = field(repr=False)
    meetings: pl.DataFrame = field(repr=False)
    as_of: date


def attribute(
    work: pl.DataFrame,
    services: pl.DataFrame,
    settings: Settings,
    as_of: date,
    coaching: pl.DataFrame | None = None,
    slow_people: Mapping[str, float] | None = None,
    fallen_gear: Mapping[str, Mapping[str, tuple[Floats, Floats]]] | None = None,
) -> Attribution:
    """Attribute speeds and floors to pumps, hose sets, gauges and technicians.

    Parameters
    ----------
    work : DataFrame
        One row per evacuation, from `blankoff.fleet.work.build_work`.  Missing columns cost what needs them.
    services : DataFrame
        Register ``services``; may be empty.
    settings : Settings
        ``settings.fleet.bounds_level`` is the level of the bounds.
    as_of : date
        Nothing later is used; levels are stated for the end of this day.
    coaching : DataFrame, optional
        Register ``coaching``; lets a technician's level step at a talk.
    slow_people : mapping of id to float, optional
        Ln level that is expected of a technician before the whole fleet is weighed, from `assets.asset_causes`.  Few stand far
        from their peers; drawn to the middle like all others, they would leave the blame to what shares their van.
    fallen_gear : mapping of factor to mapping of id to (days, ln level), optional
        The same of pumps and hose sets, over time.

    Returns
    -------
    Attribution
    """
    frame, days = _known(work, as_of)
    end_day = float((as_of + timedelta(days=1) - date(1970, 1, 1)).days)
    states = _states(frame, days, services, coaching, end_day)
    codes = {f: s.level_of_row for f, s in zip(FACTORS, states, strict=True)}
    sizes = {f: len(s.levels) for f, s in zip(FACTORS, states, strict=True)}
    pairs = meetings(codes, sizes)
    if frame.height < FEWEST_ROWS:
        empty = pl.DataFrame(schema=ATTRIBUTED_SCHEMA)
        return Attribution(EFFECT.empty(), empty, {}, pairs, as_of)
    common = measures.shared(frame, days, states[0], fresh_oil(services, end_day))
    vans = _van_groups(frame, states)
    expected = [expected_levels(s, days, (fallen_gear or {}).get(s.factor, {})) for s in states]
    slow = np.array([(slow_people or {}).get(name, 0.0) for name in states[3].levels])
    expected[3] = slow[states[3].level_of_state]
    fits = _speeds(common, states, vans, frame, days, end_day, expected)
    fits.update(_floor(common, states, vans, fits.get("speed_deep")))
    rng = np.random.default_rng(settings.fleet.seed)
    effects, attributed = [], []
    for measure in MEASURES:
        if measure not in fits:
            continue
        fit = fits[measure]
        doubt = Doubt(fit.told.variance, fit.told.prior, fit.told.alone, fit.told.newest)
        tied = entangled(pairs, sizes, doubt)
        shape = (MIDDLE_DRAWS, max(sizes.values(), default=0))
        draws, chances = rng.standard_t(3, shape), rng.random(shape)
        effects.append(effect_frame(fit, tied, settings.fleet.bounds_level, as_of, draws, chances))
        attributed.append(attributed_frame(fit, frame))
    return Attribution(
        effect=_concat(effects, EFFECT.empty()),
        attributed=_concat(attributed, pl.DataFrame(schema=ATTRIBUTED_SCHEMA)),
        fits=fits,
        meetings=pairs,
        as_of=as_of,
    )


def _concat(frames: list[pl.DataFrame], empty: pl.DataFrame) -> pl.DataFrame:
    return pl.concat(frames) if frames else empty


def _known(work: pl.DataFrame, as_of: date) -> tuple[pl.DataFrame, Floats]:
    """Rows begun by ``as_of``, in an order of their own, and their times in days since 1970."""
    on = "started_on" if "started_on" in work.columns else pl.col("started_at").dt.date()
    day = pl.col(on) if isinstance(on, str) else on
    frame = work.filter(day <= as_of).sort("started_at", "evacuation_id")
    days = frame["started_at"].cast(pl.Datetime("us", "UTC")).dt.epoch("us").to_numpy().astype(np.float64)
    return frame, days / 86_400e6


def _ids(frame: pl.DataFrame, factor: str) -> pl.Series:
    name = f"{factor}_id"
    if name not in frame.columns:
        return pl.Series(name, [None] * frame.height, dtype=pl.String)
    return frame[name].cast(pl.String)


def _states(
    frame: pl.DataFrame, days: Floats, services: pl.DataFrame, coaching: pl.DataFrame | None, end_day: float
) -> list[FactorStates]:
    """Cut every factor's levels into stretches."""
    day = pl.col("serviced_on").cast(pl.Date).dt.epoch("d").cast(pl.Float64).alias("day")
    done = services.select("asset", "asset_id", "action", day).filter(pl.col("day") < end_day)
    out = []
    for factor in FACTORS:
        mine = done.filter(pl.col("asset") == factor).select("asset_id", "action", "day")
        if factor == "technician" and coaching is not None and coaching.height:
            mine = coaching.select(
                pl.col("technician_id").alias("asset_id"),
                pl.lit("coaching").alias("action"),
                pl.col("coached_on").cast(pl.Date).dt.epoch("d").cast(pl.Float64).alias("day"),
            ).filter(pl.col("day") < end_day)
        newest, longest = STRETCH_USES[factor]
        # In a long history only the past gets coarser.
        uses = (newest, longest * 3 if frame.height > LARGE_FLEET_ROWS else longest)
        out.append(factor_states(factor, _ids(frame, factor), days, mine.drop_nulls(), end_day, uses))
    return out


def _van_groups(frame: pl.DataFrame, states: Sequence[FactorStates]) -> Ints:
    """Number vans so that those of one number can be solved in one dense system.

    Technicians of one branch, and of one usual pump, stand together.
    """
    total = sum(s.size for s in states)
    technician = states[-1]
    row_level = technician.level_of_row
    if total <= EXACT_STATES or not len(technician.levels):
        return np.zeros(frame.height, dtype=np.int64)
    branch = (frame["branch"] if "branch" in frame.columns else pl.Series([""] * frame.height)).fill_null("")
    pump = states[0].level_of_row
    usual = (
        pl.DataFrame({"t": row_level, "pump": pump, "branch": branch})
        .filter(pl.col("t") >= 0)
        .group_by("t")
        .agg(pl.col("branch").sort().mode().sort().first(), pl.col("pump").mode().sort().first(), pl.len().alias("n"))
        .sort("branch", "pump", "t")
    )
    # Stretches follow uses, so equal shares of the rows are about equal shares of the stretches.
    share = usual["n"].cum_sum().to_numpy() / usual["n"].sum()
    count = int(np.ceil(total / GROUP_STATES))
    group = np.zeros(len(technician.levels), dtype=np.int64)
    group[usual["t"].to_numpy()] = np.minimum((share * count - 1e-9).astype(np.int64), count - 1)
    out = np.where(row_level >= 0, group[row_level], 0)
    return np.unique(out, return_inverse=True)[1].astype(np.int64)


def _speeds(
    common: Shared, states: Sequence[FactorStates], vans: Ints, frame: pl.DataFrame, days: Floats, end_day: float,
    expected_gear: Sequence[Floats],
) -> dict[str, MeasureFit]:  # fmt: skip
    """Solve both speeds together; a job's wrong volume is common to both and can't be taken for either."""
    none = pl.DataFrame(schema={"asset_id": pl.String, "action": pl.String, "day": pl.Float64})

    def again(factor: str, uses: tuple[int, int]) -> FactorStates:
        return factor_states(factor, _ids(frame, factor), days, none, end_day, uses, at_services=False)

    every = [
        *states,
        again("pump", measures.PUMP_DEEP_USES),
        again("hose", measures.DEVIATION_USES),
        *(again(f, STATIC) for f in ("gauge", "technician")),
    ]
    rows = measures.speed_rows(common, every)
    if len(rows.index) <= rows.x.shape[1] + 2:
        return {}
    extra = [np.zeros(len(s.levels)) for s in every]
    for f, known, sd in ((0, common.rated_known, 0.4), (1, common.hose_known, 0.9)):
        codes = states[f].level_of_row
        extra[f][np.unique(codes[~known & (codes >= 0)])] = sd**2
    systems, system = np.unique(common.system[rows.index], return_inverse=True)
    spread = np.zeros(len(systems))
    spread[system] = common.volume_spread[rows.index] ** 2
    parts = {"speed_viscous": ((0,), (1, 5), (6,), (7,)), "speed_deep": ((0, 4), (1,), (2,), (3,))}
    targets = {m: _target(every, parts[m], rows.level_x[m]) for m in parts}
    problem = Problem(
        y=rows.y,
        x=rows.x,
        z=np.ones((len(rows.index), len(every))),
        own_variance=rows.own_variance,
        noise_class=rows.noise_class,
        system=system.astype(np.int64),
        system_variance=spread,
        system_weight=np.ones(len(systems)),
        states=every,
        state_of_row=rows.state_of_row,
        asset=measures.SPEED_ASSETS,
        first_extra=extra,
        priors=measures.SPEED_PRIORS,
        targets=targets,
        x_sd=rows.x_sd,
        noise_prior=np.tile(measures.SPEED_NOISE, 2),
        system_prior=measures.WRONG_VOLUME_SD,
    )
    expected = [*expected_gear, *(np.zeros(f.size) for f in every[len(states) :])]
    groups = np.unique(vans[rows.index], return_inverse=True)[1].astype(np.int64)
    solution = solve(problem, around(rows.linearise, expected, rows.state_of_row), groups)
    solution = solution.moved(expected, problem.targets)
    fits = {
        m: _measure_fit(m, rows, rows.band == i, solution, every, parts[m], targets[m]) for i, m in enumerate(parts)
    }
    _carry_technicians(fits["speed_viscous"], fits["speed_deep"])
    for fit in fits.values():
        _average_technicians(fit)
    return {m: fit for m, fit in fits.items() if fit.mine.any()}


def _average_technicians(fit: MeasureFit) -> None:
    """State technicians' levels for their average job instead of their usual one.

    Who leaves valve cores in on some jobs has outliers, which the robust fit rightly keeps from the gear; they are his
    all the same.  What a technician's jobs miss the fit by on average, against the others' average and shrunken by the
    spread between technicians, is added to his level.
    """
    at = np.flatnonzero(fit.mine)
    codes = fit.states[3].level_of_row[fit.rows.index[at]]
    known = codes >= 0
    codes, count = codes[known], len(fit.states[3].levels)
    left = np.clip(fit.solution.residual[at][known], -LARGEST_MISS, LARGEST_MISS)
    weight = fit.solution.row_weight[at][known]
    total = np.bincount(codes, weight, count)
    if (total > 0).sum() < 3:
        return
    safe = np.maximum(total, 1e-12)
    mean = np.bincount(codes, weight * left, count) / safe
    spread = np.bincount(codes, weight**2 * (left - mean[codes]) ** 2, count) / safe**2
    here = total > 0
    between = max(float(np.var(mean[here])) - float(np.mean(spread[here])), 0.0)
    share = np.where(here, between / (between + np.maximum(spread, 1e-12)), 0.0)
    shift = share * (mean - float(np.average(mean[here], weights=np.sqrt(total[here]))))
    fit.level_ln[3] += shift
    fit.own_ln[3] += shift
    fit.level_sd[3][:] = np.hypot(fit.level_sd[3], np.sqrt(share * spread))


def _carry_technicians(viscous: MeasureFit, deep: MeasureFit) -> None:
    """Add to technicians' viscous levels what their resistance in the deep band still is in the viscous one."""
    typical = []
    for fit in (viscous, deep):
        pump, line = (float(np.median(v)) if len(v) else np.inf for v in fit.level_ln[:2])
        typical.append(-np.logaddexp(-pump, -line))
    gain = np.exp(typical[0] - typical[1]) if np.isfinite(typical).all() else 1.0
    share = float(np.clip(measures.VISCOUS_SHARE + viscous.solution.fixed[8], 0.0, 1.0))

    def carried(way: Floats) -> Floats:
        return np.asarray(-np.log1p(share * np.expm1(-np.minimum(way, 0.0)) * gain))

    way, sd = deep.level_ln[3], deep.level_sd[3]
    viscous.level_ln[3] += carried(way)
    viscous.own_ln[3] += carried(way)
    viscous.level_sd[3][:] = np.hypot(viscous.level_sd[3], (carried(way + sd) - carried(way - sd)) / 2.0)


def _floor(
    common: Shared, states: Sequence[FactorStates], vans: Ints, deep: MeasureFit | None
) -> dict[str, MeasureFit]:
    """Solve the floor, given what rig and gauge did to deep speed."""
    rows = measures.floor_rows(common, states, *deep_parts(deep))
    if len(rows.index) <= rows.x.shape[1] + 2:
        return {}
    systems, system = np.unique(common.system[rows.index], return_inverse=True)
    parts = ((0,), (1,), (2,), (3,))
    target = _target(states, parts, rows.level_x["floor"])
    problem = Problem(
        y=rows.y,
        x=rows.x,
        z=np.ones((len(rows.index), len(states))),
        own_variance=rows.own_variance,
        noise_class=rows.noise_class,
        system=system.astype(np.int64),
        system_variance=np.zeros(len(systems)),
        system_weight=np.ones(len(systems)),
        states=states,
        state_of_row=rows.state_of_row,
        asset=(0, 1, 2, 3),
        first_extra=[np.zeros(len(s.levels)) for s in states],
        priors=measures.FLOOR_PRIORS,
        targets={"floor": target},
        x_sd=rows.x_sd,
        noise_prior=np.array(measures.FLOOR_NOISE),
        system_prior=0.2,
    )
    solution = solve(problem, None, np.unique(vans[rows.index], return_inverse=True)[1].astype(np.int64))
    fit = _measure_fit("floor", rows, np.ones(len(rows.index), dtype=bool), solution, states, parts, target)
    _average_technicians(fit)
    if deep is not None:
        for f in range(len(FACTORS)):
            passed_on = solution.fixed[4 if f == 2 else 3] * deep_sd(deep, f)
            fit.level_sd[f][:] = np.hypot(fit.level_sd[f], passed_on)
    return {"floor": fit}


def _target(states: Sequence[FactorStates], parts: Sequence[tuple[int, ...]], level_x: list[Floats]) -> Target:
    """Ask for the newest level of every asset on one measure."""
    offsets = np.concatenate([[0], np.cumsum([s.size for s in states])])
    width = max(len(part) for part in parts)
    picked, stale = [], []
    for part in parts:
        columns = [states[f].last_state + offsets[f] for f in part]
        levels = len(states[part[0]].levels)
        columns += [np.full(levels, -1, dtype=np.int64)] * (width - len(part))
        picked.append(np.column_stack(columns))
        stale.append(states[part[0]].stale_years)
    sizes = [len(states[part[0]].levels) for part in parts]
    return Target(
        asset=np.repeat(np.arange(len(parts)), sizes),
        states=np.concatenate(picked).astype(np.int64),
        x=np.concatenate(level_x),
        stale=np.concatenate(stale),
    )


def _measure_fit(
    measure: str,
    rows: Rows,
    mine: NDArray[np.bool_],
    solution: Solution,
    states: Sequence[FactorStates],
    parts: Sequence[tuple[int, ...]],
    target: Target,
) -> MeasureFit:
    told = solution.told[measure]
    ln, sd, own = [], [], []
    for f, part in enumerate(parts):
        at = target.asset == f
        ln.append(rows.base[measure][f] + told.value[at])
        sd.append(DOUBT_INFLATION * np.sqrt(told.variance[at]))
        own.append(np.sum([solution.effect[k][states[k].last_state] for k in part], axis=0))
    return MeasureFit(measure, rows, mine, solution, told, states, parts, ln, sd, own)
