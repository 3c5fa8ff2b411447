"""The second stage: the fleet's models and findings as of one day, kept beside what was believed on other days."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from importlib.metadata import version

import polars as pl

from blankoff import schemas
from blankoff.errors import NotInStoreError
from blankoff.findings import from_copies, from_habits, from_reports, make_findings
from blankoff.fleet.assessment import Assessment, assess_fleet
from blankoff.pipeline.known import as_date, fingerprint, month_end
from blankoff.pipeline.known_work import known_work
from blankoff.pipeline.progress import Progress, silent
from blankoff.pipeline.results import refresh_results
from blankoff.pipeline.stated import stated
from blankoff.store import KEPT_BEFORE, Store

ASSESSED_BY = "24"
"""Raised whenever assessing the same input changes its tables, so that a day is assessed again."""

DATED_TABLES = (
    "monthly",
    "hours_lost",
    "proof_lost",
    "talk_effect",
    "group_summary",
    "not_made",
    "swap_plan",
    "asset_chart",
    "oil_backtest",
    "oil_backtest_summary",
)
"""Tables of the store's own that serve the pages; each row carries the day of knowledge, ``as_of``."""


@dataclass(frozen=True)
class Assessed:
    """What an assessment gave, in counts.

    Parameters
    ----------
    as_of
        The day of knowledge.
    evacuations
        How many were known on it.
    findings
        Kind of finding and how many, the commonest first.
    reused
        Whether nothing had changed since the same day was last assessed.
    """

    as_of: dt.date
    evacuations: int
    findings: tuple[tuple[str, int], ...]
    reused: bool

    def as_dict(self) -> dict[str, object]:
        """Return plain values, for JSON."""
        return {
            "as_of": self.as_of.isoformat(),
            "evacuations": self.evacuations,
            "findings": dict(self.findings),
            "reused": self.reused,
        }

    def text(self) -> str:
        """Return the counts in words."""
        found = ", ".join(f"{n} {kind}" for kind, n in self.findings) or "none"
        again = "; nothing had changed since it was last assessed" if self.reused else ""
        return f"as of {self.as_of}: {self.evacuations} evacuations known{again}\nfindings: {found}"


def assess(
    store: Store,
    as_of: dt.date | str | None = None,
    progress: Progress = silent,
    *,
    now: dt.datetime | None = None,
) -> Assessed:
    """Assess the fleet as of a day, using only what was known on it.

    Parameters
    ----------
    store
        A store opened for writing.
    as_of
        Last day that counts, in the fleet's time zone; the end of the last month with evacuations if not given.
    progress
        Told what is being done.
    now
        The moment to note in the list of runs; the clock's if not given. No other value depends on it.

    Raises
    ------
    NotInStoreError
        The store holds no evacuations yet, or none by that day.
    """
    months = store.months()
    if not months:
        raise NotInStoreError(
            f"{store.path} holds no evacuations yet; run `blankoff ingest FLEET --store {store.path}`"
        )
    day = month_end(months[-1]) if as_of is None else as_date(as_of)
    settings = store.settings()
    work, registers, copies = known_work(store, settings, day)
    if work.is_empty():
        raise NotInStoreError(f"no evacuation began by {day}; the first month with any is {months[0]}")
    state = fingerprint([ASSESSED_BY, settings.fingerprint, work, *(registers[n] for n in sorted(registers)), copies])
    last = store.read("last_run", stage="assess", as_of=day)
    if last.height and last["input_sha256"][0] == state:
        return _counted(store, day, work.height, reused=True)
    assessment = assess_fleet(work, registers, settings, day, lambda stage: progress(stage, 0, 1))
    finding = make_findings(
        [
            from_copies(copies, work),
            from_reports(work),
            from_habits(assessment.habits),
            assessment.candidates,
        ],
        day,
    )
    nobody = pl.col("subject_id").is_in(store.forgotten().everyone)  # nobody can be talked to
    finding = finding.filter(~((pl.col("subject") == "technician") & nobody))
    with store.transaction():
        superseded = _keep(store, assessment, finding) + refresh_results(store, settings)
        store.record_run(
            "assess",
            now=now or dt.datetime.now(dt.UTC),
            settings=settings,
            as_of=day,
            input_sha256=state,
            versions_json=json.dumps({"blankoff": version("blankoff")}),
            rows_superseded=superseded,
        )
    return _counted(store, day, work.height, reused=False)


def _keep(store: Store, assessment: Assessment, finding: pl.DataFrame) -> int:
    """Put what is believed as of the day in the place of what was; return how many rows of the contract it set aside."""
    day = pl.DataFrame({"as_of": [assessment.as_of]})
    dated = {
        "effect": assessment.effect,
        "oil_forecast": assessment.oil_forecast,
        "finding": finding,
        "outcome_group": assessment.groups,
        "monthly": assessment.monthly,
        "hours_lost": assessment.hours_lost,
        "proof_lost": assessment.proof_lost,
        "talk_effect": assessment.talks,
        "group_summary": assessment.group_summary,
        "not_made": assessment.not_made,
        "swap_plan": assessment.swap_plan,
        "asset_chart": assessment.asset_chart,
        "oil_backtest": assessment.oil_backtest,
        "oil_backtest_summary": assessment.oil_backtest_summary,
    }
    superseded = 0
    for name, frame in dated.items():
        with_day = frame if "as_of" in frame.columns else frame.with_columns(as_of=pl.lit(assessment.as_of))
        with_day = stated(with_day)
        if name in KEPT_BEFORE:
            before = store.table(name).filter(pl.col("as_of") == assessment.as_of)
            superseded += _set_aside(store, name, before, with_day)
        store.replace(name, "as_of", with_day, keys=day)
    practice = stated(assessment.practice)
    months = pl.DataFrame({"month": [m for m in store.months() if m <= assessment.as_of.strftime("%Y-%m")]})
    before = store.table("practice").join(months, on="month", how="semi")
    superseded += _set_aside(store, "practice", before, practice)
    store.replace("practice", "month", practice, keys=months)
    return superseded


def _set_aside(store: Store, name: str, before: pl.DataFrame, frame: pl.DataFrame) -> int:
    """Keep the rows that a frame replaces by others or takes away; return how many."""
    now = schemas.TABLES[name].conform(frame)
    shared = [c for c in now.columns if c in before.columns]
    store.note_new(name, now, before)
    return store.set_aside(name, before.join(now, on=shared, how="anti", nulls_equal=True))


def _counted(store: Store, day: dt.date, evacuations: int, *, reused: bool) -> Assessed:
    kinds = (
        store.table("finding")
        .filter(pl.col("as_of") == day)
        .group_by("kind")
        .len("n")
        .sort("n", "kind", descending=[True, False])
    )
    return Assessed(day, evacuations, tuple((k, int(n)) for k, n in kinds.iter_rows()), reused)
