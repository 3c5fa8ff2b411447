"""The month's frames, looked up once: what every page asks again and again."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import polars as pl

from blankoff import schemas
from blankoff.report import names
from blankoff.report.book_frames import ASSETS, PEOPLE, MonthFrames
from blankoff.report.data import (
    BACKTEST_SCHEMA,
    COVERAGE_SCHEMA,
    HOURS_LOST_SCHEMA,
    MONTHLY_SCHEMA,
    PROOF_LOST_SCHEMA,
    TALK_SCHEMA,
    EvacuationData,
    MonthData,
    conform,
)
from blankoff.report.kept import Kept
from blankoff.report.layout import Link, Verdict
from blankoff.report.layout import Row as TableRow
from blankoff.report.rows_by_id import RowsById
from blankoff.report.words import VERDICT_SIGNS, VERDICT_WORDS
from blankoff.samples import SampleBatch

EVIDENCE_SHOWN = 12
EVIDENCE_PAGED = 60
"""Of the logs behind a finding, how many its card names, and how many have pages as long as there is room for them."""
EVACUATION_PAGES = 900
"""So many pages of evacuations there are unless more are asked for: those behind findings, then the month's, then older evidence."""
_ROWS_KEPT = 8192
"""Rows of tables kept for the pages that follow."""
_Z90 = 1.6448536269514722
_NO_PHASES = schemas.PHASE.empty()
_WORK_COLUMNS: dict[str, Any] = {
    **schemas.RESULT.polars_schema,
    "log_file": pl.String,
    "started_at": schemas.TIME,
    "started_on": pl.Date,
    "branch": pl.String,
    "job_id": pl.String,
    "ambient_c": pl.Float64,
    "altitude_m": pl.Float64,
    "reported": pl.String,
    "required_target_micron": pl.Float64,
    "required_limit_micron": pl.Float64,
    "required_hold_minutes": pl.Float64,
    "kind": pl.String,
    "volume_l": pl.Float64,
    "refrigerant": pl.String,
    "system_oil": pl.String,
    "rated_l_per_s": pl.Float64,
    "rated_blankoff_micron": pl.Float64,
    "bore_mm": pl.Float64,
    "length_m": pl.Float64,
    "top_of_range_micron": pl.Float64,
    "accuracy_percent": pl.Float64,
    "calibrated_on": pl.Date,
}


def share_bounds(hits: int, of: int) -> tuple[float, float, float]:
    """Share with its 90 % Wilson score bounds; ``(nan, 0, 1)`` of none.

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209.
    """
    if of == 0:
        return math.nan, 0.0, 1.0
    p, z2 = hits / of, _Z90 * _Z90
    centre = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z90 * math.sqrt(p * (1 - p) / of + z2 / (4 * of * of)) / (1 + z2 / of)
    return p, max(centre - half, 0.0), min(centre + half, 1.0)


def verdict_of(code: str | None) -> Verdict | None:
    """A verdict as style code, sign and word."""
    return None if code not in VERDICT_WORDS else Verdict(code, VERDICT_SIGNS[code], VERDICT_WORDS[code])


def _newest(frame: pl.DataFrame, as_of: dt.date) -> pl.DataFrame:
    known = frame.filter(pl.col("as_of") <= as_of)
    return known.filter(pl.col("as_of") == pl.col("as_of").max()) if known.height else known


@dataclass(frozen=True)
class Book(MonthFrames):
    """Everything the pages look up; made once by `open_book`."""

    @cached_property
    def now(self) -> pl.DataFrame:
        """Evacuations of the month under review."""
        return self.work.filter(pl.col("month") == self.data.month)

    @cached_property
    def year(self) -> pl.DataFrame:
        """The evacuations of the twelve months before."""
        return self.work.filter(pl.col("month").is_in(self.months[:-1]))

    @cached_property
    def people_names(self) -> dict[str, str]:
        """Technician id → name for people."""
        register = self.data.registers.get("technicians", schemas.TECHNICIANS.empty())
        return {r["technician_id"]: (r.get("name") or r["technician_id"]) for r in register.iter_rows(named=True)}

    def name_of(self, kind: str, id_: str) -> str:
        """Return the name people use: a technician's name, else the id."""
        return self.people_names.get(id_, id_) if kind == PEOPLE else id_

    def link(self, kind: str, id_: str | None, note: str = "") -> Link:
        """Link to a thing's page, or its bare name where it has none."""
        if id_ is None:
            return Link("–")
        return Link(self.name_of(kind, id_), self.href(kind, id_), note)

    def href(self, kind: str, id_: str) -> str:
        """Path of a thing's page, empty where there is none."""
        key = kind, id_
        path = self._paths.get(key)
        if path is None:
            path = names.page_path(kind, id_) if id_ in self.paged.get(kind, frozenset()) else ""
            self._paths[key] = path
        return path

    @cached_property
    def _paths(self) -> dict[tuple[str, str], str]:
        return {}

    @cached_property
    def findings(self) -> list[dict[str, Any]]:
        """Current findings, the surest first; ties by id."""
        rows = list(self.finding.iter_rows(named=True))
        return sorted(rows, key=lambda f: (-(f["probability"] or 0.0), f["finding_id"]))

    def card_of(self, finding: Mapping[str, Any], make: Callable[[Book, Mapping[str, Any]], Any]) -> Any:
        """A finding as ``make`` shows it, made once: the pages of all logs behind it bear it."""
        made = self._cards.get(id(finding))
        if made is None:
            # with the finding itself, so that no other takes its place in memory
            made = self._cards[id(finding)] = (make(self, finding), finding)
        return made[0]

    @cached_property
    def _cards(self) -> dict[int, tuple[Any, Any]]:
        return {}

    @cached_property
    def rows_made(self) -> Kept[TableRow]:
        """Evacuations as rows of tables: the same on the pages of all that was used."""
        return Kept(_ROWS_KEPT)

    @cached_property
    def chosen_logs(self) -> Kept[list[tuple[str, str]]]:
        """The logs chosen for a talk with each technician: asked for when they are fetched and when they are shown."""
        return Kept(_ROWS_KEPT)

    def findings_on(self, subject: str, id_: str) -> list[dict[str, Any]]:
        """Current findings on one thing."""
        return self._findings_by_subject.get((subject, id_), [])

    @cached_property
    def _findings_by_subject(self) -> dict[tuple[str, str], list[dict[str, Any]]]:
        out: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for f in self.findings:
            out.setdefault((f["subject"], f["subject_id"]), []).append(f)
        return out

    @cached_property
    def _findings_by_evacuation(self) -> dict[str, list[dict[str, Any]]]:
        out: dict[str, list[dict[str, Any]]] = {}
        for f in self.findings:
            involved = set(f["evidence"] or ())
            if f["subject"] == "evacuation":
                involved.add(f["subject_id"])
            for e in involved:
                out.setdefault(e, []).append(f)
        return out

    @cached_property
    def rows(self) -> Mapping[str, dict[str, Any]]:
        """Evacuation id → its row of the work frame."""
        return RowsById(self.work)

    @cached_property
    def month_of(self) -> dict[str, str]:
        """Evacuation id → its month, empty where that is unknown."""
        return {e: m or "" for e, m in self.work.select("evacuation_id", "month").iter_rows()}

    def refused_of(self, evacuation_id: str) -> list[dict[str, Any]]:
        """What of an evacuation's log could not be used: rows of the table ``quarantine``, by line."""
        log_file = self.rows[evacuation_id]["log_file"]
        return self._refused_by_path.get(f"logs/{log_file}", []) if log_file else []

    @cached_property
    def _refused_by_path(self) -> dict[str, list[dict[str, Any]]]:
        out: dict[str, list[dict[str, Any]]] = {}
        logs = self.data.quarantine.filter(pl.col("path").str.starts_with("logs/"))
        for refused in logs.sort("path", "row", "field", nulls_last=False).iter_rows(named=True):
            out.setdefault(refused["path"], []).append(refused)
        return out

    @cached_property
    def _register_rows(self) -> Mapping[str, dict[str, Any]]:
        return RowsById(self.data.registers.get("evacuations", schemas.EVACUATIONS.empty()))

    @cached_property
    def _phases(self) -> dict[str, pl.DataFrame]:
        wanted = self.data.phase.filter(pl.col("evacuation_id").is_in(list(self.paged["evacuation"])))
        return {str(k[0]): v for k, v in wanted.partition_by("evacuation_id", as_dict=True).items()}

    def _phase_of(self, evacuation_id: str) -> pl.DataFrame:
        if evacuation_id in self.paged["evacuation"]:
            return self._phases.get(evacuation_id, _NO_PHASES)
        return self.data.phase.filter(pl.col("evacuation_id") == evacuation_id)

    def log_of(self, evacuation_id: str) -> SampleBatch:
        """Readings of one evacuation; an empty batch when there are none."""
        try:
            return self.data.load_log(evacuation_id)
        except LookupError:
            return SampleBatch.concat([])

    def evacuation(self, evacuation_id: str, with_copies: bool = True) -> EvacuationData:
        """Everything about one evacuation for its page and sheet."""
        findings = tuple(self._findings_by_evacuation.get(evacuation_id, []))
        twins = self.twins_of(evacuation_id) if with_copies else []
        return EvacuationData(
            evacuation_id,
            self.rows[evacuation_id],
            self._phase_of(evacuation_id),
            self.log_of(evacuation_id),
            self.data.settings,
            self._register_rows.get(evacuation_id, {}),
            self.people_names,
            findings,
            tuple((e, self.log_of(e), self.rows.get(e, {}).get("isolated_at_s")) for e in twins),
        )

    def twins_of(self, evacuation_id: str) -> list[str]:
        """Evacuations whose logs are copies of this one's, or it of theirs."""
        twins = [
            e
            for f in self._findings_by_evacuation.get(evacuation_id, [])
            if f["kind"] == "log_recycled"
            for e in (f["subject_id"], *(f["evidence"] or ()))
            if e != evacuation_id
        ]
        return list(dict.fromkeys(twins))

    @cached_property
    def in_company(self) -> list[tuple[str, str]]:
        """Pumps, hose sets and gauges that have pages, ``(factor, id)``: what was mostly used with one pump together."""
        out: list[tuple[str, str, str]] = []
        for factor in ASSETS:
            used = self.work.select("pump_id", thing=f"{factor}_id").drop_nulls().group_by("thing", "pump_id").len()
            used = used.sort("thing", "len", "pump_id", descending=[False, True, False])
            pump_of = dict(used.unique("thing", keep="first").select("thing", "pump_id").iter_rows())
            out += [(pump_of.get(id_, ""), factor, id_) for id_ in self.paged[factor]]
        return [(factor, id_) for _, factor, id_ in sorted(out)]


def _ids(frame: pl.DataFrame, column: str) -> set[str]:
    return set(frame.get_column(column).drop_nulls().to_list()) if column in frame.columns else set()


def _evacuations_with_pages(
    work: pl.DataFrame, finding: pl.DataFrame, month: str, extra: Iterable[str], everything: bool
) -> frozenset[str]:
    if everything:
        return frozenset(work.get_column("evacuation_id").to_list())
    when = dict(zip(work.get_column("evacuation_id").to_list(), work.get_column("month").to_list(), strict=True))
    first: list[str] = list(extra)
    later: list[str] = []
    more: list[str] = []
    for f in finding.sort("finding_id").iter_rows(named=True):
        evidence = [e for e in (f["evidence"] or []) if e in when]
        if f["subject"] == "evacuation":
            mine = [e for e in (f["subject_id"], *evidence) if e in when]
            (first if when.get(f["subject_id"]) == month else later).extend(mine[:EVIDENCE_SHOWN])
        else:
            newest = sorted(evidence, key=lambda e: (when[e] or "", e), reverse=True)
            first.extend(newest[:EVIDENCE_SHOWN])
            more.extend(newest[EVIDENCE_SHOWN:EVIDENCE_PAGED])
    for rest in (later, more):
        rest.sort(key=lambda e: (when[e] or "", e), reverse=True)
    this_month = sorted(e for e, m in when.items() if m == month)
    chosen = dict.fromkeys(e for e in (*first, *this_month, *later, *more) if e in when)
    return frozenset(list(chosen)[: max(EVACUATION_PAGES, len(set(first)))])


def open_book(data: MonthData, *, all_evacuations: bool = False, extra: Iterable[str] = ()) -> Book:
    """Look everything up once.

    Parameters
    ----------
    data
        The month's frames.
    all_evacuations
        Give every evacuation its page, not only the month's and those that findings name.
    extra
        More evacuations that get a page.
    """
    work = conform(data.work, _WORK_COLUMNS).sort("started_at", "evacuation_id", nulls_last=True)
    finding = _newest(schemas.FINDING.conform(data.finding), data.as_of)
    first_of_month = dt.date(int(data.month[:4]), int(data.month[5:7]), 1)
    before = schemas.FINDING.conform(data.finding).filter(pl.col("as_of") < first_of_month)
    earlier = _newest(before, data.as_of)
    paged: dict[str, frozenset[str]] = {}
    for factor in (*ASSETS, PEOPLE):
        on = finding.filter(pl.col("subject") == factor)
        paged[factor] = frozenset(_ids(work, f"{factor}_id") | _ids(on, "subject_id"))
    paged["evacuation"] = _evacuations_with_pages(work, finding, data.month, extra, all_evacuations)
    return Book(
        data,
        work,
        finding,
        earlier,
        _newest(schemas.EFFECT.conform(data.effect), data.as_of),
        _newest(schemas.OIL_FORECAST.conform(data.oil_forecast), data.as_of),
        schemas.PRACTICE.conform(data.practice).filter(pl.col("month") <= data.month),
        conform(data.monthly, MONTHLY_SCHEMA).filter(pl.col("month") <= data.month),
        conform(data.hours_lost, HOURS_LOST_SCHEMA).filter(pl.col("month") <= data.month),
        conform(data.proof_lost, PROOF_LOST_SCHEMA).filter(pl.col("month") <= data.month),
        conform(data.talks, TALK_SCHEMA).filter(pl.col("coached_on") <= data.as_of),
        conform(data.coverage, COVERAGE_SCHEMA),
        conform(data.backtest, BACKTEST_SCHEMA),
        paged,
    )
