"""Practice of each technician, month by month: what was owed, what was done, and the standing rates against like work."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from sklearn.linear_model import LogisticRegression

from blankoff import schemas
from blankoff.fleet.rates import UNSURE, RatePosterior, rate_prior, standing_rate
from blankoff.fleet.threads import in_threads
from blankoff.samples import FloatArray, IntArray
from blankoff.settings import FleetModels

FAULT_KINDS = {
    "skipped": "holds_skipped",
    "short": "holds_cut_short",
    "target_missed": "pumping_stopped_early",
    "log_missing": "logs_missing",
    "stopped_early": "pumping_stopped_early",
    "overclaimed": "reported_pass_rate",
}
"""Fault column → the topic under which a talk about it is recorded (a technician finding's kind, where there is one)."""
TOGETHER = 32
"""Technicians that one thread is given at a time."""
STILL_FALLING = 1.25
"""Lowest pumped pressure over the pull's floor beyond which pumping on would have helped; own judgement, no source."""
WET_MINUTES = 2.0
LEAKING_MICRON_PER_MIN = 20.0
PATIENT = 2.0
"""Times the usual pumping time of pulls that reach their target: who pumps on a floor for longer has not stopped early."""
SOON = 0.5
"""A pull that at its last pace would have needed at most half as many minutes again as it had was still falling; own
judgement, no source."""
PACED_FROM_MICRON = (1000.0, 2000.0, 5000.0, 10_000.0)
"""Pressures from which on the last pace is reckoned: the first that lies clearly above where pumping ended."""
RIG_USES = 7
"""Jobs that say what a pump or hose set reaches now; own judgement, no source."""
RIG_REACHES = 0.7
"""A boil-off, a leak or a pump's or hose set's usual floor beyond these explains a missed target; own judgement, no source."""
VOLUME_BANDS_L = (2.0, 6.0, 20.0, 60.0)
DENOMINATOR = {"log_missing": "any", "short": "stood", "overclaimed": "unproven_signed"}
_FULL_REASONS = ("held", *schemas.REASONS["failed"])
NEARLY_HELD = 0.85
"""Share of the hold's time from which a short hold may be a full one whose beginning was misread; own judgement, no source."""
WORK_BINS = ("bin_kind", "bin_volume", "bin_wet", "bin_season", "bin_hold", "bin_rig")


MORE_BINS = {"overclaimed": ("bin_verdict",)}
"""What like work is like beside the `WORK_BINS`: hardly anybody signs a failed hold as passed."""


def _bins(fault: str) -> tuple[str, ...]:
    return (*WORK_BINS, *MORE_BINS.get(fault, ()))


@dataclass(frozen=True)
class FaultRate:
    """One technician's standing rate of one fault at one date, beside what like work predicts."""

    technician_id: str
    fault: str
    posterior: RatePosterior
    peers: float
    counted: pl.DataFrame
    """All technicians' jobs that count for this fault, in time order."""
    mine: IntArray
    """Which of them are this technician's."""

    @property
    def jobs(self) -> pl.DataFrame:
        """The jobs behind it in time order: ``evacuation_id, started_on, fault`` (0 to 1)."""
        own = self.counted.select("evacuation_id", "started_on", pl.col(self.fault).alias("fault"))
        return own[self.mine]


def _band(value: pl.Expr, edges: tuple[float, ...]) -> pl.Expr:
    """Name the band between two edges that a value falls in; unknown is a band of its own."""
    band: Any = pl.when(value.is_null()).then(pl.lit("?"))
    for k, edge in enumerate(edges):
        band = band.when(value <= edge).then(pl.lit(f"b{k}"))
    named: pl.Expr = band.otherwise(pl.lit(f"b{len(edges)}"))
    return named


def _usual_floor(gear: str, floor: pl.Expr) -> pl.Expr:
    """Median floor of the latest jobs of a pump or hose set, this one with them: worn oil and leaks begin on some day."""
    return floor.rolling_median(RIG_USES, min_samples=1).over(gear, order_by=["started_at", "evacuation_id"])


def _minutes_wanting() -> pl.Expr:
    """Minutes that a pull would have needed to its target at the pace of its last stretch; null where it shows no pace."""
    lowest = pl.col("lowest_pumped_micron")
    wanting = (lowest / pl.col("required_target_micron")).log()
    minutes: Any = pl.when(pl.lit(False)).then(pl.lit(None, dtype=pl.Float64))
    for micron in PACED_FROM_MICRON:
        took = pl.col("pumped_minutes") - pl.col(f"minutes_to_{micron:.0f}")
        minutes = minutes.when(lowest < 0.95 * micron).then(wanting * took / (micron / lowest).log())
    found: pl.Expr = minutes.otherwise(None)
    return found


def fault_events(work: pl.DataFrame) -> pl.DataFrame:
    """Mark, per evacuation, what counts for practice.

    Parameters
    ----------
    work
        The fleet's work frame.

    Returns
    -------
    pl.DataFrame
        In the work frame's order: ``evacuation_id, technician_id, month, started_on``; 0/1 columns ``owed``
        (a readable log that is no copy), ``full, short, no_hold, target_missed, log_missing`` - the first four after
        ``owed`` part the owed logs without overlap, by the verdict's reason -, ``stood`` (a hold below the limit that began at the
        target: only of such a hold is it the technician's choice alone how long it stands), ``skipped`` (1 where there is no hold, but
        `UNSURE` where pressure stood still at the end for as long as the hold had to last: the pump ran on at its floor, or the
        valve was shut on a circuit so tight and dry that nothing rose), ``stopped_early`` (pumping ended above the target,
        whatever was judged of the hold, though pumping on, with this rig on this circuit, would have reached it), ``unproven_signed`` (something
        was reported on a job whose own log does not prove it; what has no log, or another job's, or may have held for all the
        log shows, says nothing against a pass), ``overclaimed`` (and what was reported is a pass), the `WORK_BINS` but for ``bin_rig``, and what that is made of.
    """
    reason = pl.col("reason")
    still_falling = pl.col("lowest_pumped_micron") > STILL_FALLING * pl.col("floor_micron")
    # else it had come to a floor of its own: the user's doing only where neither water, leak nor rig held it up
    dry_and_tight = (pl.col("plateau_minutes").fill_null(0.0) < WET_MINUTES) & (
        pl.col("leak_micron_per_min").fill_null(0.0) < LEAKING_MICRON_PER_MIN
    )
    volume = _band(pl.col("volume_l"), VOLUME_BANDS_L)
    reached = pl.col("lowest_pumped_micron") <= pl.col("required_target_micron")
    usual_minutes = pl.when(reached).then(pl.col("pumped_minutes")).median().over(volume)
    patient = (pl.col("pumped_minutes") > PATIENT * usual_minutes).fill_null(False)
    above = (pl.col("lowest_pumped_micron") > pl.col("required_target_micron")) & ~(
        # the last reading may lie a while before the valve was shut
        (pl.col("hold_start_micron") <= pl.col("required_target_micron")).fill_null(False)
    )
    falling = (_minutes_wanting() <= SOON * pl.col("pumped_minutes")).fill_null(False) & ~patient
    # what a pull that was still falling ended at is no floor of its rig's
    floor = pl.when(~(above & falling).fill_null(False)).then(pl.col("floor_micron"))
    usual_floor = pl.max_horizontal(*(_usual_floor(gear, floor) for gear in ("pump_id", "hose_id")))
    target = pl.col("required_target_micron")
    rig_reaches = usual_floor < RIG_REACHES * target
    # or came as far as it ever does
    rig_misses = ((usual_floor > target) | (pl.col("lowest_pumped_micron") <= STILL_FALLING * usual_floor)).fill_null(
        False
    )
    still = (pl.col("still_minutes") >= pl.col("required_hold_minutes")).fill_null(False)
    nearly = (pl.col("hold_minutes") >= NEARLY_HELD * pl.col("required_hold_minutes")).fill_null(False)
    doubtful = (
        pl.col("borderline").fill_null(False) | ((reason == "no_hold") & still) | ((reason == "short_hold") & nearly)
    )
    unseen = (reason == "target_missed") & pl.col("hold_minutes").is_null()
    owed = ~reason.is_in(["no_log", "unreadable_log", "recycled_log"])
    return work.sort("started_at", "evacuation_id", nulls_last=True).select(
        "evacuation_id",
        "technician_id",
        "month",
        "started_on",
        owed.cast(pl.Int64).alias("owed"),
        reason.is_in(list(_FULL_REASONS)).cast(pl.Int64).alias("full"),
        (reason == "short_hold").cast(pl.Int64).alias("short"),
        reason.is_in(["held", "short_hold"]).cast(pl.Int64).alias("stood"),
        (reason == "no_hold").cast(pl.Int64).alias("no_hold"),
        pl.when(~(unseen | (reason == "no_hold"))).then(0.0).when(still).then(UNSURE).otherwise(1.0).alias("skipped"),
        (reason == "target_missed").cast(pl.Int64).alias("target_missed"),
        (reason == "no_log").cast(pl.Int64).alias("log_missing"),
        (
            ((reason == "target_missed") & (still_falling | (dry_and_tight & rig_reaches & ~patient))).fill_null(False)
            | (owed & above & falling & ~rig_misses).fill_null(False)
        )
        .cast(pl.Int64)
        .alias("stopped_early"),
        (owed & ~doubtful & pl.col("reported").is_not_null() & (pl.col("verdict") != "passed"))
        .fill_null(False)
        .cast(pl.Int64)
        .alias("unproven_signed"),
        ((pl.col("reported") == "passed") & (pl.col("verdict") != "passed"))
        .fill_null(False)
        .cast(pl.Int64)
        .alias("overclaimed"),
        pl.col("kind").fill_null("?").alias("bin_kind"),
        volume.alias("bin_volume"),
        (pl.col("plateau_minutes").fill_null(0.0) > WET_MINUTES).cast(pl.String).alias("bin_wet"),
        pl.col("started_on").dt.quarter().cast(pl.String).alias("bin_season"),
        _band(pl.col("required_hold_minutes"), (10.5, 20.5)).alias("bin_hold"),
        pl.col("verdict").alias("bin_verdict"),
        "pump_id",
        (pl.col("floor_micron") / pl.col("required_target_micron")).alias("floor_share"),
    )


def with_rig(known: pl.DataFrame) -> pl.DataFrame:
    """Add ``bin_rig``: what the pump can reach at all, from all its work in ``known``.

    A weak pump's missed targets are not its user's.
    """
    reach = pl.col("floor_share").median().over("pump_id").fill_null(0.3)
    return known.with_columns(_band(reach, (0.5, 0.8)).alias("bin_rig"))


def counts_of(fault: str) -> list[pl.Expr]:
    """Expressions that count faults ``y``, jobs ``n`` and the ``unsure`` of them."""
    return [
        (pl.col(fault) == 1).sum().alias("y"),
        pl.len().alias("n"),
        (pl.col(fault) == UNSURE).sum().alias("unsure"),
    ]


def like_work_rates(events: pl.DataFrame, fault: str, left_out: Iterable[str] = ()) -> FloatArray:
    """Rate of a fault that each job's work predicts, from peers.

    A ridge-penalised logistic regression on the work's bins, fitted to the bins' counts, so that its cost does not
    grow with the fleet.

    Parameters
    ----------
    events
        `fault_events`, already restricted to jobs that count for this fault.
    left_out
        Technicians whose own habit must not set the standard.

    Returns
    -------
    ndarray
        ``(n,)`` probabilities, in the order of ``events``.
    """
    if events.is_empty():
        return np.empty(0)
    peers = events.filter(~pl.col("technician_id").is_in(list(left_out)))
    if peers.is_empty():
        peers = events
    bins = _bins(fault)
    counts = peers.group_by(bins).agg(pl.len().alias("n"), pl.col(fault).sum().alias("y")).sort(bins)
    n, y = int(counts["n"].sum()), float(counts["y"].sum())
    overall = (y + 0.5) / (n + 1.0)
    if y < 5 or n - y < 5:
        return np.full(events.height, overall)
    levels = {b: counts[b].unique().sort().to_list() for b in bins}
    columns = [(b, v) for b in bins for v in levels[b][1:]]
    if not columns:
        return np.full(events.height, overall)

    def design(frame: pl.DataFrame) -> FloatArray:
        return np.column_stack([(frame[b] == v).to_numpy().astype(float) for b, v in columns])

    x = design(counts)
    yes, no = counts["y"].to_numpy().astype(float), (counts["n"] - counts["y"]).to_numpy().astype(float)
    model = LogisticRegression(C=0.5, max_iter=500, tol=1e-8)
    model.fit(np.vstack([x, x]), np.repeat([1, 0], len(x)), sample_weight=np.concatenate([yes, no]))
    distinct = events.select(bins).unique().sort(bins)
    predicted = distinct.with_columns(pl.Series("p", model.predict_proba(design(distinct))[:, 1]))
    return events.select(bins).join(predicted, on=bins, how="left", maintain_order="left")["p"].to_numpy()


def fault_rates(events: pl.DataFrame, coaching: pl.DataFrame, fault: str, as_of: date) -> dict[str, FaultRate]:
    """Every technician's standing rate of one fault, from what was known on a date.

    Parameters
    ----------
    events
        `fault_events` of the whole history; later jobs are not used.
    coaching
        Register ``coaching``.
    fault
        One of `FAULT_KINDS`.
    as_of
        Last day that counts.

    Returns
    -------
    dict
        By technician, sorted.
    """
    known = events.filter((pl.col("started_on") <= as_of) & pl.col("technician_id").is_not_null())
    counted = DENOMINATOR.get(fault, "owed")
    if counted != "any":
        known = known.filter(pl.col(counted) == 1)
    if known.is_empty():
        return {}
    known = with_rig(known)
    totals = known.group_by("technician_id").agg(counts_of(fault)).sort("technician_id")
    prior = rate_prior(*(totals[name].to_numpy() for name in ("y", "n", "unsure")))
    talks = coaching.filter((pl.col("coached_on") <= as_of) & (pl.col("topic") == FAULT_KINDS[fault]))
    dates = talks.group_by("technician_id").agg("coached_on")
    talked = {str(t): on.to_numpy() for t, on in zip(dates["technician_id"], dates["coached_on"], strict=True)}
    rows = known.select("technician_id", pl.int_range(pl.len()).alias("row")).group_by("technician_id").agg("row")
    rows = rows.sort("technician_id")
    mine = {str(t): at.to_numpy() for t, at in zip(rows["technician_id"], rows["row"], strict=True)}
    days, happened = known["started_on"].to_numpy(), known[fault].to_numpy()

    def standing(technician: str) -> RatePosterior:
        at = mine[technician]
        talks_of = talked.get(technician, np.empty(0, dtype=days.dtype))
        before: IntArray = np.searchsorted(days[at], talks_of, side="left").astype(np.int64)
        return standing_rate(happened[at], prior, before)

    posteriors = dict(zip(mine, in_threads(standing, list(mine), TOGETHER), strict=True))
    standard = float(np.median([p.mean for p in posteriors.values()]))
    offenders = [t for t, p in posteriors.items() if p.above(max(2 * standard, standard + 0.05)) > 0.8]
    predicted = like_work_rates(known, fault, offenders)
    return {t: FaultRate(t, fault, p, float(predicted[mine[t]].mean()), known, mine[t]) for t, p in posteriors.items()}


def month_end(month: str) -> date:
    """Last day of ``YYYY-MM``."""
    year, number = int(month[:4]), int(month[5:7])
    following = date(year + number // 12, number % 12 + 1, 1)
    return date.fromordinal(following.toordinal() - 1)


def practice_table(
    work: pl.DataFrame, coaching: pl.DataFrame, settings: FleetModels, as_of: date, months: Iterable[str] | None = None
) -> pl.DataFrame:
    """Table ``practice`` of the contract.

    Parameters
    ----------
    work
        The fleet's work frame.
    coaching
        Register ``coaching`` (may be empty).
    as_of
        Later jobs are not used; the month of ``as_of`` counts up to that day.
    months
        Which months to give (``YYYY-MM``); all that the work shows when ``None``.

    Returns
    -------
    pl.DataFrame
        One row per technician and month in which he worked, sorted.
    """
    events = fault_events(work).filter(pl.col("started_on") <= as_of)
    if events.is_empty():
        return schemas.PRACTICE.empty()
    counted = (
        events.filter(pl.col("technician_id").is_not_null())
        .group_by("technician_id", "month")
        .agg(
            pl.len().alias("evacuations"),
            pl.col("owed").sum().alias("holds_owed"),
            pl.col("full").sum().alias("holds_full"),
            pl.col("short").sum().alias("holds_short"),
            pl.col("no_hold").sum().alias("holds_skipped"),
            pl.col("target_missed").sum().alias("targets_missed"),
            pl.col("log_missing").sum().alias("logs_missing"),
        )
    )
    tail = (1 - settings.bounds_level) / 2
    wanted = sorted(counted["month"].drop_nulls().unique()) if months is None else sorted(set(months))
    rows: list[dict[str, object]] = []
    for month in wanted:
        at = min(month_end(month), as_of)
        present = set(counted.filter(pl.col("month") == month)["technician_id"])
        known = {fault: fault_rates(events, coaching, fault, at) for fault in schemas.FAULTS}
        for technician in sorted(present):
            row: dict[str, object] = {"technician_id": technician, "month": month}
            for fault, rates in known.items():
                if technician not in rates:
                    continue
                rate = rates[technician]
                row[f"{fault}_rate"] = rate.posterior.mean
                row[f"{fault}_lower"] = rate.posterior.quantile(tail)
                row[f"{fault}_upper"] = rate.posterior.quantile(1 - tail)
                row[f"{fault}_peers"] = rate.peers
            rows.append(row)
    schema = {
        n: t
        for n, t in schemas.PRACTICE.polars_schema.items()
        if n not in counted.columns or n in ("technician_id", "month")
    }
    rates_frame = pl.DataFrame(rows, schema=schema)
    joined = counted.filter(pl.col("month").is_in(wanted)).join(rates_frame, on=["technician_id", "month"], how="left")
    return schemas.PRACTICE.conform(joined).sort("technician_id", "month")
