"""Outcome groups: evacuations that went alike, with a noise class, a number chosen by stability, names by fixed rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from sklearn.cluster import HDBSCAN
from sklearn.metrics import adjusted_rand_score
from sklearn.neighbors import NearestNeighbors

from blankoff.samples import FloatArray, IntArray

FEATURES = ("ln_vacuum", "ln_pull", "wet", "ln_steady", "ln_saturating", "hold_share", "ln_floor")
"""What makes an outcome: vacuum reached over target, minutes to 1 000 microns, boil-off minutes, steady and saturating
part of the rise over the required hold, hold stood over hold required, floor over target."""

NOT_GROUPED = -1
_SHARES = (0.015, 0.025, 0.04, 0.06)
"""Smallest share of the fleet that may be a group: the candidates among which stability chooses."""
_RESAMPLES = 6
_RESAMPLED = 0.8
_STABLE_ENOUGH = 0.05
_FIT_ROWS = 4000

GROUP_SCHEMA = {"evacuation_id": pl.String, "group_id": pl.Int64, "group_name": pl.String}
SUMMARY_SCHEMA = {
    "group_id": pl.Int64,
    "group_name": pl.String,
    "evacuations": pl.Int64,
    "passed": pl.Int64,
    "failed": pl.Int64,
    "unproven": pl.Int64,
    "stability": pl.Float64,
    "unexplained": pl.Boolean,
    **dict.fromkeys(FEATURES, pl.Float64),
}


@dataclass(frozen=True)
class Grouping:
    """Outcome groups of a fleet."""

    members: pl.DataFrame
    """`GROUP_SCHEMA`, one row per evacuation; group -1 = in none."""
    summary: pl.DataFrame
    """`SUMMARY_SCHEMA`, one row per group: its centre in plain features, verdicts, and whether no verdict explains it."""


def outcome_features(work: pl.DataFrame) -> pl.DataFrame:
    """Turn results into the features of `FEATURES`, plus ``evacuation_id, verdict, reason``; null where a log shows nothing."""
    target = pl.col("required_target_micron")
    steady = pl.col("leak_micron_per_min").clip(0) * pl.col("required_hold_minutes")
    return work.select(
        "evacuation_id",
        "verdict",
        "reason",
        (pl.col("lowest_pumped_micron") / target).clip(0.01, 100).log().alias("ln_vacuum"),
        pl.coalesce("minutes_to_1000", "pumped_minutes").clip(0.5, 2000).log().alias("ln_pull"),
        (1 + pl.col("plateau_minutes").fill_null(0).clip(0, 600)).log().alias("wet"),
        (1 + steady.clip(0, 1e5) / 10).log().alias("ln_steady"),
        (1 + pl.col("moisture_rise_micron").clip(0, 1e5) / 10).log().alias("ln_saturating"),
        (pl.col("hold_minutes").fill_null(0) / pl.col("required_hold_minutes")).clip(0, 1.5).alias("hold_share"),
        (pl.col("floor_micron") / target).clip(0.01, 100).log().alias("ln_floor"),
    )


def _standardised(features: pl.DataFrame) -> FloatArray:
    x = features.select(FEATURES).to_numpy().astype(float)
    # no hold shows no rise: the column's middle keeps such a log's other features in charge
    middle = np.array([np.median(c[np.isfinite(c)]) if np.isfinite(c).any() else 0.0 for c in x.T])
    x = np.where(np.isfinite(x), x, middle)
    low, high = np.quantile(x, [0.1, 0.9], axis=0)
    scale = np.maximum((high - low) / 2.563, 0.05)
    return np.asarray(np.clip((x - middle) / scale, -6.0, 6.0))


def _fit(x: FloatArray, least: int) -> IntArray:
    found = HDBSCAN(min_cluster_size=least, min_samples=max(5, least // 3), copy=True).fit_predict(x)
    return np.asarray(found, dtype=np.int64)


def _stability(x: FloatArray, label: IntArray, share: float, seed: int) -> float:
    """Mean adjusted Rand index between the grouping of all and of resampled shares, on the resampled rows."""
    rng = np.random.default_rng(seed)
    scores = []
    for _ in range(_RESAMPLES):
        part = np.sort(rng.choice(len(x), int(_RESAMPLED * len(x)), replace=False))
        scores.append(adjusted_rand_score(label[part], _fit(x[part], max(8, int(share * part.size)))))
    return float(np.mean(scores))


def _extend(fitted: FloatArray, label: IntArray, x: FloatArray) -> IntArray:
    """Give rows that took no part in the fit the label of their nearest neighbour, if that is near enough."""
    tree = NearestNeighbors(n_neighbors=1).fit(fitted)
    distance, nearest = tree.kneighbors(x)
    own, _ = NearestNeighbors(n_neighbors=2).fit(fitted).kneighbors(fitted)
    reach = np.quantile(own[:, 1], 0.99)
    return np.where(distance[:, 0] <= reach, label[nearest[:, 0]], NOT_GROUPED).astype(np.int64)


def group_name(centre: dict[str, float], failed: float) -> str:
    """Name a group from its centre, by fixed rules in this order; ``failed`` is the share that failed."""
    steady, saturating = 10 * (np.exp(centre["ln_steady"]) - 1), 10 * (np.exp(centre["ln_saturating"]) - 1)
    words = []
    if centre["hold_share"] < 0.1:
        words.append("no hold")
    elif centre["hold_share"] < 0.95 and failed < 0.5:
        words.append("hold cut short")
    if centre["ln_vacuum"] > 0.02:
        words.append("target not reached")
    elif centre["ln_floor"] > np.log(0.8):
        words.append("floor close to the target")
    if np.exp(centre["wet"]) - 1 > 2:
        words.append("long boil-off")
    if centre["hold_share"] >= 0.1:
        if steady >= 200 and steady > saturating:
            words.append("climbs steadily")
        elif saturating >= 200:
            words.append("rises, then levels off")
        elif steady + saturating >= 120:
            words.append("small rise")
        else:
            words.append("stands flat")
    minutes = np.exp(centre["ln_pull"])
    words.append("quick pull" if minutes < 10 else "slow pull" if minutes > 45 else "usual pull")
    return ", ".join(words)


def outcome_groups(work: pl.DataFrame, seed: int) -> Grouping:
    """Group evacuations by how they went.

    Parameters
    ----------
    work
        The fleet's work frame.
    seed
        Of the resampling; the same frame in any order gives the same groups.

    Returns
    -------
    Grouping
        Density groups (HDBSCAN) on robustly standardised features; how small a group may be is chosen by how well the
        grouping survives resampling (adjusted Rand index); what lies in no dense place is in no group. Groups are
        numbered from the largest.
    """
    work = work.sort("evacuation_id")
    features = outcome_features(work)
    shown = features.filter(~pl.col("reason").is_in(["no_log", "unreadable_log"]))
    none = features.filter(pl.col("reason").is_in(["no_log", "unreadable_log"])).select(
        "evacuation_id",
        pl.lit(NOT_GROUPED, dtype=pl.Int64).alias("group_id"),
        pl.lit("nothing to go by: no readable log").alias("group_name"),
    )
    if shown.height < 30:
        few = shown.select(
            "evacuation_id",
            pl.lit(NOT_GROUPED, dtype=pl.Int64).alias("group_id"),
            pl.lit("too few evacuations to group").alias("group_name"),
        )
        return Grouping(pl.concat([few, none]).sort("evacuation_id"), pl.DataFrame(schema=SUMMARY_SCHEMA))
    x = _standardised(shown)
    fit_on = (
        x if len(x) <= _FIT_ROWS else x[np.sort(np.random.default_rng(seed).choice(len(x), _FIT_ROWS, replace=False))]
    )
    candidates = []
    for share in _SHARES:
        label = _fit(fit_on, max(10, int(share * len(fit_on))))
        score = _stability(fit_on, label, share, seed) if label.max() >= 1 else 0.0
        candidates.append((score, int(label.max()) + 1, label))
    best = max(score for score, _, _ in candidates)
    # of those about equally stable, the one that tells more groups apart
    stability, chosen, label = max((c for c in candidates if c[0] >= best - _STABLE_ENOUGH), key=lambda c: (c[1], c[0]))
    if len(x) > len(fit_on):
        label = _extend(fit_on, label, x)
    sizes = sorted((g for g in range(chosen) if (label == g).any()), key=lambda g: (-int((label == g).sum()), g))
    number = {g: k + 1 for k, g in enumerate(sizes)}
    label = np.array([number.get(int(g), NOT_GROUPED) for g in label], dtype=np.int64)
    verdict = shown["verdict"].to_numpy()
    rows: list[dict[str, object]] = []
    taken: dict[str, int] = {}
    for new in sorted(number.values()):
        mine = label == new
        middles = shown.filter(pl.Series(mine)).select(pl.col(FEATURES).median()).row(0)
        centre = {f: 0.0 if v is None else float(v) for f, v in zip(FEATURES, middles, strict=True)}
        counts = {v: int((verdict[mine] == v).sum()) for v in ("passed", "failed", "unproven")}
        name = group_name(centre, counts["failed"] / max(mine.sum(), 1))
        taken[name] = taken.get(name, 0) + 1
        if taken[name] > 1:
            name = f"{name} ({taken[name]})"
        rows.append(
            {
                "group_id": new,
                "group_name": name,
                "evacuations": int(mine.sum()),
                **counts,
                "stability": stability,
                **centre,
            }
        )
    shares = [max(r[v] for v in ("passed", "failed", "unproven")) / r["evacuations"] for r in rows]  # type: ignore[type-var,operator]
    least = int(np.argmin(shares)) if rows else -1
    for k, row in enumerate(rows):
        row["unexplained"] = k == least and shares[k] < 0.8 and len(rows) > 1
    names = {r["group_id"]: r["group_name"] for r in rows}
    members = shown.select("evacuation_id").with_columns(
        pl.Series("group_id", label, dtype=pl.Int64),
        pl.Series("group_name", [names.get(int(g), "like no other") for g in label], dtype=pl.String),
    )
    return Grouping(
        pl.concat([members, none]).sort("evacuation_id"), pl.DataFrame(rows, schema=SUMMARY_SCHEMA).sort("group_id")
    )
