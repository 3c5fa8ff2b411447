"""Levels of all assets over time, and pumps that are worn: slower than their own best, and not for want of fresh oil."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.attribution import Attribution
from blankoff.fleet.candidates import CANDIDATE_SCHEMA
from blankoff.fleet.wear_causes import Shift, SpeedCauses, likelihood_on_grid
from blankoff.fleet.wear_days import day_number, episode_of, renewal_days, to_date
from blankoff.fleet.wear_habits import NOT_AS_USUAL, SAME_LN, SHAPE_SHARE, now_and_then, slow_elsewhere
from blankoff.fleet.wear_levels import GRID, MOVES, LevelPaths, level_paths
from blankoff.fleet.wear_ramps import passed_on
from blankoff.settings import Settings

__all__ = ["AssetLevel", "asset_levels", "lasting_loss", "pumps_worn"]

Floats = NDArray[np.float64]

MOST_EVIDENCE = 30
ASKED_BELOW = 0.08
"""Assets are looked at closely when they seem slower than their like by this, ln."""
RIVAL_MARGIN = 2.5
"""A rival is named whose explanation is worse by less than this in ln evidence."""


@dataclass(frozen=True)
class AssetLevel:
    """One asset's level over time on one measure.

    Attributes
    ----------
    level_id : str
    evacuation_id : list of str
    paths : LevelPaths
    renewals : list of float
        Days of renewing work, in days since 1970.
    blame : float
        Chance that the level is this asset's and not a rival's who was on the same jobs.
    rivals : list of str
        Who else explains these jobs about as well, such as ``technician:T07``.
    gain : float
        ln evidence for a level of its own, over being like its like, the rest of the fleet as it stands.
    signalled : bool
        Whether its control chart, under the fleet's false-alarm budget, says that it changed.
    by_shape_alone : bool
        Whether it was so from the first job on, and better than its best rival by next to nothing of what it gains.
    began_later : bool
        Whether it was not so from the first job on.
    elsewhere_too : bool
        Of a technician, whether most of his telling jobs with other hose sets than his usual one were slow too; of one who began
        later, with other pumps too.
    like : float64 (n, levels), optional
        What its uses say of every level, ln.
    """

    level_id: str
    evacuation_id: list[str]
    paths: LevelPaths
    renewals: list[float]
    blame: float
    rivals: list[str]
    gain: float = np.inf
    signalled: bool = False
    by_shape_alone: bool = False
    began_later: bool = False
    elsewhere_too: bool = True
    like: Floats | None = None

    @property
    def weight(self) -> float:
        """What its evidence weighs: a chart that signalled is a second witness with a false-alarm rate of its own."""
        return self.gain * (CHART_WEIGHS if self.signalled else 1.0)

    @property
    def weight_of_change(self) -> float:
        """The same where a level may be measured against the asset's own past: that it moved at all counts too."""
        return max(self.gain, self.paths.changed) * (CHART_WEIGHS if self.signalled else 1.0)


def asset_levels(
    causes: SpeedCauses,
    services: pl.DataFrame,
    settings: Settings,
    factor: str,
    as_of: date,
    charts: pl.DataFrame | None = None,
) -> list[AssetLevel]:
    """Draw the histories of those assets of a factor whose jobs say that they are now slower than their like.

    Parameters
    ----------
    causes : SpeedCauses
        From `wear_causes.find_shifts`.
    services : DataFrame
        Register ``services``.
    settings : Settings
    factor : {'pump', 'hose', 'technician'}
    as_of : date
    charts : DataFrame, optional
        From `asset_charts.asset_charts`.

    Returns
    -------
    list of AssetLevel
        Sorted by id. Levels are ln ratios to what the registers promise.
    """
    table = causes.table
    renewals = renewal_days(services, factor, as_of)
    signalled: set[str] = set()
    if charts is not None:
        told = charts.filter((pl.col("factor") == factor) & pl.col("signalled_on").is_not_null())
        signalled = set(told["level_id"])
    newest: dict[str, Shift] = {}
    for shift in causes.shifts:
        if shift.factor == factor and (shift.level_id not in newest or shift.spell > newest[shift.level_id].spell):
            newest[shift.level_id] = shift
    rows_of: dict[str | None, list[int]] = {}
    for i in np.flatnonzero(table.known()).tolist():
        rows_of.setdefault(table.ids[factor][i], []).append(i)
    out = []
    for name, shift in sorted(newest.items()):
        mine = renewals.get(name, [])
        # A pump is measured against its own best: it may have lost much and still be as its like.
        fallen = float(shift.level.max() - shift.level[-1]) if factor == "pump" else 0.0
        if shift.spell < len(mine) or max(-float(shift.level[-1]), fallen) < ASKED_BELOW:
            continue
        rows = np.array(rows_of[name], dtype=np.int64)
        like = likelihood_on_grid(causes, factor, rows, np.asarray(GRID, dtype=np.float64), keep_level=False)
        elsewhere = True
        if factor == "technician":
            like = now_and_then(like)
            # A habit is there from the first job as a rule: what begins on some day was as likely the gear of that day.
            beside = ("hose",) if np.ptp(shift.level) < SAME_LN else ("hose", "pump")
            met = ([table.ids[f][i] for i in rows] for f in beside)
            elsewhere = all(slow_elsewhere(like, ids, float(shift.level[-1])) for ids in met)
        paths = level_paths(
            f"{factor}:{name}",
            table.day[rows],
            like,
            MOVES[factor],
            mine,
            day_number(as_of) + 1.0,
            settings.fleet.seed,
        )
        own = max(shift.gain, shift.constant + paths.changed)
        rivals = [(g, who, gain) for g, who, gain in shift.rivals if gain > own - RIVAL_MARGIN]
        lead = own - max((gain for _, _, gain in shift.rivals), default=-np.inf)
        out.append(
            AssetLevel(
                name,
                [table.evacuation_id[i] for i in rows],
                paths,
                mine,
                float(1.0 / (1.0 + np.exp(-np.clip(lead, -30.0, 30.0)))),
                [f"{g}:{who}" for g, who, _ in rivals],
                shift.gain,
                name in signalled,
                bool(np.ptp(shift.level) < SAME_LN and lead < SHAPE_SHARE * own),
                bool(np.ptp(shift.level) >= SAME_LN),
                elsewhere,
                like,
            )
        )
    return out


def since_bounds(days: Floats, fallback: float) -> tuple[date, date, date]:
    """Median and 90 % bounds of a day that histories disagree on."""
    if days.size == 0:
        return (to_date(fallback),) * 3
    low, mid, high = np.quantile(days, [0.05, 0.5, 0.95])
    return to_date(mid), to_date(low), to_date(high)


def _best(draws: Floats, days: Floats, renewals: list[float]) -> Floats:
    """Each history's own best before and at each use, (draws, n): the best a fifth of a dozen uses agree on.

    A single high use of a drawn history is no best; renewing work does not lower what a pump once did.
    """
    width = min(8, draws.shape[1])
    kernel = np.cumsum(draws, axis=1)
    mean = (
        kernel[:, width - 1 :] - np.concatenate([np.zeros((draws.shape[0], 1)), kernel[:, :-width]], axis=1)
    ) / width
    running = np.maximum.accumulate(mean, axis=1)
    return np.concatenate([np.repeat(running[:, :1], width - 1, axis=1), running], axis=1)


def candidate_frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Candidates in the shape that findings are made from."""
    full = [dict.fromkeys(CANDIDATE_SCHEMA) | row for row in rows]
    return pl.DataFrame(full, schema=CANDIDATE_SCHEMA)


def ties(attribution: Attribution, factor: str, measure: str) -> dict[str, list[str]]:
    """What each level of a factor cannot be told from, on one measure."""
    rows = attribution.effect.filter((pl.col("factor") == factor) & (pl.col("measure") == measure))
    return {k: list(v or []) for k, v in rows.select("level_id", "entangled_with").iter_rows()}


SURE = 0.9
"""How sure it must be that something was lost at all, before the size of the loss is asked (see `lasting_loss`)."""
LIKELY = 0.55
BEGAN_SHARE = 0.7
"""How much of the way to the limit, ln, a level had come on the day from which on it is said to be there: a slow wear has begun
long before it is beyond, and a sudden one is dated the same by any share (judgement)."""
LEAST_PROBABILITY = 0.5
"""How probable it must be that the loss is beyond the limit and this asset's; of people the settings want more."""
LEAST_BLAME = 0.7
"""How probable it must be that it is this asset's at all."""
LEAST_GAIN = {"pump": 4.0, "hose": 6.0, "technician": 9.0}
"""Gain in ln evidence below which no level is believed.  The odds of a level of its own before any data are counted in it;
of some thirty hose sets one in four hundred may be believed wrongly, which is e^-6.  People are judged by the same figure of
everybody's work, and noise leans their way (judgement, checked on fleets with nothing wrong); a pump's own history guards
it too."""
BESIDE_A_LINE = 0.5
"""What is left of the probability that a loss is a person's who cannot be told from a hose set by who met whom, or the set's
that was so from the first (judgement)."""
CHART_WEIGHS = 2.0
"""Less evidence is wanted, by this factor, where the asset's chart has signalled too (judgement)."""
FEWEST_SINCE = 5
"""Uses since it began below which a loss is not called lasting: as many as a shift is asked from (judgement)."""


def lasting_loss(now: Floats, limit_ln: float) -> tuple[float, bool]:
    """Whether a level lies beyond a limit: its probability, and whether a finding is made of it.

    Two questions in one would be slow: a pump at 70 % is hardly told from one at 75 %, but at once from a sound one.
    So a finding wants it sure that the level is at least half-way to the limit, and likely that it is beyond.

    Parameters
    ----------
    now : float64 (draws,)
        ln level now over what it should be.
    limit_ln : float
        ln of the limit, below zero.
    """
    beyond = float(np.mean(now < limit_ln))
    halfway = float(np.mean(now < 0.5 * limit_ln))
    return beyond, beyond >= LIKELY and halfway >= SURE


def _blamed(level: AssetLevel, probability: float, least: float) -> bool:
    """Whether a loss is this asset's rather than a rival's, and probably beyond the limit."""
    return level.blame >= LEAST_BLAME and probability >= least


def pumps_worn(levels: list[AssetLevel], attribution: Attribution, settings: Settings) -> pl.DataFrame:
    """Candidates ``pump_worn``: viscous speed lastingly below a share of the pump's own best.

    Spoiled oil raises the floor and costs deep speed; viscous speed it leaves alone.  So a loss of viscous speed is not
    for want of fresh oil.

    Parameters
    ----------
    levels : list of AssetLevel
        Of pumps, ``speed_viscous``.
    attribution : Attribution
        For what each pump cannot be told from.
    settings : Settings
        ``fleet.worn_speed_ratio``.

    Returns
    -------
    DataFrame
        `findings.CANDIDATE_SCHEMA`; ``effect`` is the share of its best that is left.
    """
    limit = float(np.log(settings.fleet.worn_speed_ratio))
    tied = ties(attribution, "pump", "speed_viscous")
    rows: list[dict[str, object]] = []
    for level in levels:
        paths = level.paths
        best = _best(paths.draws, paths.days, level.renewals)
        loss = paths.now - best[:, -1]
        probability, found = lasting_loss(loss, limit)
        probability *= level.blame
        if (
            not found
            or not _blamed(level, probability, LEAST_PROBABILITY)
            or level.weight_of_change < LEAST_GAIN["pump"]
        ):
            continue
        beyond = (paths.draws - best) < BEGAN_SHARE * limit
        since, low, _ = since_bounds(paths.crossing_days(beyond), float(paths.days[-1]))
        since, low = _passed(level, float(np.median(best[:, -1])), limit) or (since, low)
        if (paths.days >= day_number(since)).sum() < FEWEST_SINCE:
            continue
        rows.append(
            asset_candidate("pump_worn", level, loss, probability, since, "share of its own best speed", tied, low)
        )
    return candidate_frame(rows)


def _passed(level: AssetLevel, best: float, limit: float) -> tuple[date, date] | None:
    """Day on which a pump passed the limit, and the earliest (5 %), by falls since the last renewing work; None where none does."""
    days = level.paths.days
    at = slice(int(np.searchsorted(days, max(level.renewals, default=-np.inf), side="left")), None)
    if level.like is None or days[at].size < 2 * FEWEST_SINCE:
        return None
    when, weight = passed_on(days[at], level.like[at], best, float(np.median(level.paths.now)), limit)
    if when.size == 0:
        return None
    order = np.argsort(when, kind="stable")
    share = np.cumsum(weight[order])
    low, middle = (float(when[order][min(int(np.searchsorted(share, q)), when.size - 1)]) for q in (0.05, 0.5))
    return to_date(middle), to_date(low)


def asset_candidate(
    kind: str,
    level: AssetLevel,
    loss: Floats,
    probability: float,
    since: date,
    unit: str,
    tied: dict[str, list[str]],
    evidence_from: date,
) -> dict[str, object]:
    """One candidate from drawn levels."""
    lower, middle, upper = np.exp(np.quantile(loss, [0.05, 0.5, 0.95]))
    first = day_number(evidence_from)
    used = [e for e, d in zip(level.evacuation_id, level.paths.days, strict=True) if d >= first]
    return {
        "kind": kind,
        "subject_id": level.level_id,
        "episode": episode_of(level.renewals, day_number(since)),
        "since": since,
        "probability": probability,
        "effect": float(middle),
        "effect_lower": float(lower),
        "effect_upper": float(upper),
        "unit": unit,
        "evidence": used[-MOST_EVIDENCE:],
        "entangled_with": sorted({*tied.get(level.level_id, []), *level.rivals}),
    }


def losing_candidates(
    levels: list[AssetLevel],
    attribution: Attribution,
    kind: str,
    factor: str,
    lasting_below: float,
    unit: str,
    least: float = LEAST_PROBABILITY,
) -> pl.DataFrame:
    """Candidates for levels whose deep-vacuum speed or conductance is lastingly below a share of the usual.

    Parameters
    ----------
    levels : list of AssetLevel
        Of one factor, ``speed_deep``.
    lasting_below : float
        The share.
    unit : str
        What ``effect`` is a share of.
    least : float
        How probable it must be.
    """
    limit = float(np.log(lasting_below))
    tied = ties(attribution, factor, "speed_deep")
    rows = []
    other = {"technician": "hose:", "hose": "technician:"}[factor]
    # A habit's level is that of the jobs on which it shows; what they lose on average is less.
    kept_to = 1.0 - NOT_AS_USUAL if factor == "technician" else 1.0
    for level in levels:
        now = kept_to * level.paths.now
        probability, found = lasting_loss(now, limit)
        probability *= level.blame
        if factor == "technician":
            # Only the shape of the loss over pressure parts a port from a line then: too little to name a person by.
            beside = (level.by_shape_alone or level.began_later) and not level.elsewhere_too
            beside = beside or any(name.startswith(other) for name in (*tied.get(level.level_id, []), *level.rivals))
        else:
            # And no more to name his line where that was so from the first.
            beside = level.by_shape_alone and any(name.startswith(other) for name in tied.get(level.level_id, []))
        if beside:
            probability *= BESIDE_A_LINE
        if not found or not _blamed(level, probability, least) or level.weight < LEAST_GAIN[factor]:
            continue
        since, low, _ = since_bounds(
            level.paths.crossing_days(kept_to * level.paths.draws < BEGAN_SHARE * limit), level.paths.days[-1]
        )
        if (level.paths.days >= day_number(since)).sum() < FEWEST_SINCE:
            continue
        rows.append(asset_candidate(kind, level, now, probability, since, unit, tied, low))
    return candidate_frame(rows)
