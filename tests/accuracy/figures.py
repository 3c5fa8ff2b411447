"""Figures of accuracy, as pure functions of what the store says and what is true.

Truth comes from `blankoff_synthetic`, which writes it beside a fleet. A figure is a row: what, how many it rests on, the
value, and what the project's issues ask for (None: nothing was asked). A share's own Monte Carlo error is
``sqrt(p (1 - p) / n)``; none is told that rests on fewer than one item.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl

PERSON_KINDS = ("holds_skipped", "holds_cut_short", "pumping_stopped_early", "reported_pass_rate")
GEAR_KINDS = ("pump_worn", "oil_due", "hose_leaking", "hose_restricted", "gauge_off", "slow_rigging")
# a trouble younger than this may honestly not show yet
SHOWS_AFTER_DAYS = {**dict.fromkeys(PERSON_KINDS, 60), **dict.fromkeys(GEAR_KINDS, 30)}
MATERIAL_MICRON = 50.0


@dataclass(frozen=True)
class Figure:
    """One figure: `n` items, and in words what is wanted."""

    what: str
    n: int
    value: float
    wanted: str = ""

    def line(self) -> str:
        """The figure as a line of text."""
        return f"{self.what:<58} {self.value:10.4g}   n {self.n:<6d} {self.wanted}".rstrip()


def share(what: str, hits: pl.Series | np.ndarray, wanted: str = "") -> list[Figure]:
    """The share of hits among those known; nothing where nothing is known."""
    hits = pl.Series(hits).drop_nulls()
    return [Figure(what, hits.len(), float(hits.cast(pl.Float64).mean()), wanted)] if hits.len() else []  # type: ignore[arg-type]


def median(what: str, values: pl.Series, wanted: str = "") -> list[Figure]:
    """The median of what is known."""
    known = values.fill_nan(None).drop_nulls()
    return [Figure(what, known.len(), float(known.median()), wanted)] if known.len() else []  # type: ignore[arg-type]


def calibration_error(p: np.ndarray, true: np.ndarray, bins: int = 10) -> float:
    """Mean gap between stated probability and share found true, over even bins, weighted by their items."""
    place = np.minimum((p * bins).astype(int), bins - 1)
    return float(sum(abs((p - true)[place == k].sum()) for k in range(bins)) / p.size)


def judgements(jobs: pl.DataFrame) -> list[Figure]:
    """Verdict, reason, isolation, rise and speeds of single evacuations.

    Parameters
    ----------
    jobs : frame
        One row per evacuation with a log of its own that could be read: the store's columns of ``result`` under their own
        names, the truth's with ``_true`` behind, and ``clear``.
    """
    clear = jobs.filter(pl.col("clear"))
    out = share("verdict right, clear", clear["verdict"] == clear["verdict_true"], "0.995")
    out += share("reason right, clear", clear["reason"] == clear["reason_true"], "0.995")
    return out + isolation(jobs) + rises(clear, jobs) + speeds(jobs)


def isolation(jobs: pl.DataFrame) -> list[Figure]:
    """When the hold began, against the moment the valve was shut and against its whole closing."""
    held = jobs.filter(pl.col("isolated_at_s_true").is_not_nan() & pl.col("isolated_at_s_true").is_not_null())
    ours, shut, began = pl.col("isolated_at_s"), pl.col("isolated_at_s_true"), pl.col("valve_started_s")
    off = held.select(
        (ours - shut).abs().fill_null(np.inf).fill_nan(np.inf).alias("s"),
        pl.when(ours > shut).then(ours - shut).when(ours < began).then(began - ours).otherwise(0.0).alias("closing_s"),
        (ours.is_null() | ours.is_nan()).alias("lost"),
        pl.col("sample_interval_s"),
    ).with_columns(pl.when("lost").then(np.inf).otherwise("closing_s").alias("closing_s"))
    out = share("isolation within 15 s", off["s"] <= 15.0, "0.95")
    out += share("isolation within one sample", off["s"] <= off["sample_interval_s"], "0.5 (median)")
    out += share("isolation within two samples", off["s"] <= 2.0 * off["sample_interval_s"], "0.95")
    out += share(
        "isolation within two samples of the valve's closing", off["closing_s"] <= 2.0 * off["sample_interval_s"]
    )
    out += share("holds not found", off["lost"])
    none = jobs.filter(pl.col("isolated_at_s_true").is_nan() | pl.col("isolated_at_s_true").is_null())
    return out + share(
        "holds found where none stood", none["isolated_at_s"].is_not_null() & none["isolated_at_s"].is_not_nan()
    )


def rises(clear: pl.DataFrame, jobs: pl.DataFrame) -> list[Figure]:
    """Kinds of rise, leaks and their bounds, calibration, water."""
    kinds = ("leak", "moisture", "leak_and_moisture", "flat")
    # material: each part well over or well under what counts, so that nobody could call it otherwise
    known = clear.filter(pl.col("rise_kind_true").is_in(kinds) & pl.col("isolated_at_s").is_not_null())
    out: list[Figure] = []
    recalls = []
    for kind in kinds:
        these = known.filter(pl.col("rise_kind_true") == kind)
        told = share(f"  told as {kind}", these["rise_kind"] == kind)
        recalls += [f.value for f in told]
        out += told
    if recalls:
        out.insert(0, Figure("kind of rise, balanced accuracy", known.height, float(np.mean(recalls)), "0.96"))
    leaking = jobs.filter((pl.col("leak_micron_per_min_true") > 20.0) & pl.col("leak_micron_per_min").is_not_null())
    error = (leaking["leak_micron_per_min"] / leaking["leak_micron_per_min_true"] - 1.0).abs()
    out += median("leak over 20 microns/min, error", error, "0.08")
    gap = (leaking["leak_micron_per_min"] - leaking["leak_micron_per_min_true"]).abs()
    out += share(
        "leak over 20 microns/min, in 90 % interval", gap < 1.645 * leaking["leak_micron_per_min_se"], "0.86 - 0.94"
    )
    for p, part in (("p_leak", "leak_rise_micron"), ("p_moisture", "moisture_rise_micron_true")):
        both = jobs.select(pl.col(p).fill_nan(None).alias("p"), pl.col(part).fill_nan(None).alias("true")).drop_nulls()
        if both.height:
            error_p = calibration_error(both["p"].to_numpy(), both["true"].to_numpy() >= MATERIAL_MICRON)
            out.append(Figure(f"calibration error of {p}", both.height, error_p, "0.03"))
    wet = jobs.filter((pl.col("water_boiled_g") > 1.0) & pl.col("water_g_lower").is_not_null())
    inside = (wet["water_g_lower"] <= wet["water_boiled_g"]) & (wet["water_boiled_g"] <= wet["water_g_upper"])
    return out + share("water boiled off, in 90 % bounds", inside)


def speeds(jobs: pl.DataFrame) -> list[Figure]:
    """Effective speeds where the truth's volume is what we were told, and how often any is told."""
    out: list[Figure] = []
    # a pump works on its own side of a leak; truth of a deep speed is told with and without it
    told = jobs.filter((pl.col("volume_l") / pl.col("volume_l_true") - 1.0).abs() < 0.1)
    for band, wanted in (("viscous", "0.08"), ("deep", "0.12")):
        name = f"speed_{band}_l_s"
        ratio = (told[name] / told[f"{name}_true"]).fill_nan(None)
        out += median(f"{band} speed, volume known, error", (ratio - 1.0).abs(), wanted)
        sure = (ratio.log().abs() < 1.645 * told[f"{name}_se_ln"]).filter(ratio.is_not_null())
        out += share(f"{band} speed, in 90 % interval", sure)
        out += share(f"{band} speed told", ratio.is_not_null())
    return out


def copies(found: pl.DataFrame, jobs_true: pl.DataFrame) -> list[Figure]:
    """Copies found by how they were made, and honest logs called copies."""
    told = set(found["evacuation_id"])
    made = jobs_true.filter(pl.col("copied_how") != "").select("evacuation_id", "copied_how", "copied_from")
    ends = set(made["evacuation_id"]) | set(made["copied_from"])
    out: list[Figure] = []
    for how, these in made.group_by("copied_how", maintain_order=True):
        hits = these["evacuation_id"].is_in(list(told)) | these["copied_from"].is_in(list(told))
        out += share(f"copies found: {how[0]}", hits, "1 (re-noised, resampled: 0.98)")
    return [*out, Figure("honest logs called copies", len(told - ends), float(len(told - ends)), "0")]


def findings(found: pl.DataFrame, true: pl.DataFrame, kinds: Iterable[str] = GEAR_KINDS + PERSON_KINDS) -> list[Figure]:
    """Precision and recall over all dates of assessment; a truth younger than `SHOWS_AFTER_DAYS` is neither hit nor miss."""
    out: list[Figure] = []
    for kind in kinds:
        told, hits, misses, late = 0, 0, 0, []
        for day in found["as_of"].unique().sort():
            now = true.filter(
                (pl.col("kind") == kind)
                & (pl.col("since") <= day)
                & (pl.col("until").is_null() | (pl.col("until") > day))
            )
            old = set(
                now.filter(pl.col("since") <= pl.lit(day).dt.offset_by(f"-{SHOWS_AFTER_DAYS[kind]}d"))["subject_id"]
            )
            ours = found.filter((pl.col("as_of") == day) & (pl.col("kind") == kind))
            said = set(ours["subject_id"])
            told, hits, misses = told + len(said), hits + len(said & set(now["subject_id"])), misses + len(old - said)
            both = ours.join(now.select("subject_id", "since"), on="subject_id", suffix="_true")
            late += (both["since"] - both["since_true"]).dt.total_days().abs().to_list()
        if told:
            out.append(Figure(f"{kind}: precision", told, hits / told, "0.95"))
        if hits + misses:
            out.append(Figure(f"{kind}: recall", hits + misses, hits / (hits + misses), "0.9"))
        if late and kind in GEAR_KINDS[:1] + GEAR_KINDS[3:5]:
            out.append(Figure(f"{kind}: since within 21 days", len(late), float(np.mean(np.array(late) <= 21)), "0.8"))
    return out


def false_findings(found: pl.DataFrame, true: pl.DataFrame, levels: int, years: float) -> list[Figure]:
    """Findings of gear and people that nothing stands behind, first seen, by asset-year."""
    known = set(zip(true["kind"], true["subject_id"], strict=True))
    kinds = [k for k in GEAR_KINDS + PERSON_KINDS if k != "oil_due"]
    said = found.filter(pl.col("kind").is_in(kinds)).select("kind", "subject_id").unique()
    wrong = sum((k, s) not in known for k, s in said.iter_rows())
    return [Figure("false findings an asset-year (oil apart)", wrong, wrong / (levels * years), "0.03")]


def effects(effect: pl.DataFrame, true: pl.DataFrame, never_parted: pl.DataFrame) -> list[Figure]:
    """Effect ratios of separable levels, and what is said to be inseparable."""
    long = true.unpivot(
        on=["speed_viscous_ratio", "speed_deep_ratio", "floor_ratio"], index=["factor", "level_id", "as_of", "used"],
        variable_name="measure", value_name="ratio_true",
    ).with_columns(pl.col("measure").str.strip_suffix("_ratio"))  # fmt: skip
    both = effect.join(long.filter("used"), on=["factor", "level_id", "as_of", "measure"]).drop_nulls("ratio_true")
    out: list[Figure] = []
    for (factor, measure), these in both.filter("separable").group_by("factor", "measure", maintain_order=True):
        inside = (these["ratio_lower"] <= these["ratio_true"]) & (these["ratio_true"] <= these["ratio_upper"])
        out += share(f"effect of {factor} on {measure}, in 90 % bounds", inside, "0.85 - 0.95")
        if these["ratio_true"].n_unique() > 2:
            rank = these.select(pl.corr("ratio", "ratio_true", method="spearman")).item()
            out.append(Figure(f"effect of {factor} on {measure}, rank correlation", these.height, float(rank), "0.9"))
    last = effect.filter(pl.col("as_of") == pl.col("as_of").max())
    pairs = {
        frozenset((f"{row['factor']}:{row['level_id']}", other))
        for row in last.select("factor", "level_id", "entangled_with").unique().iter_rows(named=True)
        for other in row["entangled_with"] or []
    }
    parted = {frozenset((f"{fa}:{a}", f"{fb}:{b}")) for fa, a, fb, b in never_parted.iter_rows()}
    if parted:
        out.append(Figure("pairs that never parted, named", len(parted), len(pairs & parted) / len(parted), "1"))
    return out


def oil(forecast: pl.DataFrame, true: pl.DataFrame) -> list[Figure]:
    """Due dates up to a year ahead, their 80 % bounds, and pumps that are overdue."""
    pumps = true.filter((pl.col("factor") == "pump") & pl.col("used") & pl.col("due_on").is_not_null())
    both = forecast.join(
        pumps.select(pl.col("level_id").alias("pump_id"), "as_of", pl.col("due_on").alias("true_on")),
        on=["pump_id", "as_of"],
    )
    ahead = both.filter(
        (pl.col("true_on") > pl.col("as_of")) & (pl.col("true_on") <= pl.col("as_of").dt.offset_by("365d"))
    )
    ahead = ahead.drop_nulls("due_on")
    out = median(
        "oil due date, error in days", (ahead["due_on"] - ahead["true_on"]).dt.total_days().abs().cast(pl.Float64), "10"
    )
    inside = (ahead["due_lower"] <= ahead["true_on"]) & (ahead["true_on"] <= ahead["due_upper"])
    out += share("oil due date, in 80 % bounds", inside, "0.72 - 0.88")
    over = both.filter(pl.col("true_on") <= pl.col("as_of"))
    return out + share("overdue pumps recognised", over["due_on"] <= over["as_of"], "0.95")


def rates(practice: pl.DataFrame, true: pl.DataFrame) -> list[Figure]:
    """Technicians' standing rates in the last month, 90 % bounds."""
    last = practice.filter(pl.col("month") == pl.col("month").max())
    truth = true.with_columns(pl.col("as_of").dt.strftime("%Y-%m").alias("month")).drop(
        "as_of", "evacuations", "logs_missing"
    )
    both = last.join(truth, on=["technician_id", "month"], suffix="_true")
    out: list[Figure] = []
    for fault, habit in (("skipped", "skipped_rate"), ("short", "short_rate"), ("log_missing", "log_missing_rate")):
        t = both[f"{habit}_true"] if f"{habit}_true" in both.columns else both[habit]
        inside = (both[f"{fault}_lower"] <= t) & (t <= both[f"{fault}_upper"])
        out += share(f"technicians' rate {fault}, in 90 % bounds", inside, "0.85 - 0.95")
    inside = (both["target_missed_lower"] <= both["stopped_early_rate"]) & (
        both["stopped_early_rate"] <= both["target_missed_upper"]
    )
    return out + share("technicians' rate target_missed, in 90 % bounds (habit)", inside)
