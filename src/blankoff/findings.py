"""Estimates → findings: what was found, how sure, how big, since when, on which evidence, and what to do.

Every estimator of the fleet hands over *candidates* of one shape (`fleet.candidates`); here each becomes a statement and an action in plain
words. Nothing is estimated here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from datetime import date

import polars as pl

from blankoff import schemas
from blankoff.fleet.candidates import CANDIDATE_SCHEMA

_UNIT_SHARE = "share of jobs"


def finding_id(kind: str, subject: str, subject_id: str, episode: str | None) -> str:
    """Stable name of a finding: the same kind, subject and spell give the same id in every month."""
    text = "\x1f".join((kind, subject, subject_id, episode or ""))
    return f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:12]}"


def _percent(x: object) -> str:
    return f"{100 * x:.0f} %" if isinstance(x, float) else "?"


def _bounds(row: dict[str, object], scale: float = 1.0, digits: int = 0) -> str:
    lower, upper = row["effect_lower"], row["effect_upper"]
    if not isinstance(lower, float) or not isinstance(upper, float):
        return "no bounds"
    return f"{lower * scale:.{digits}f} to {upper * scale:.{digits}f}"


def _with(row: dict[str, object], text: str) -> str:
    """Append what the subject can't be told apart from."""
    pair = row.get("entangled_with")
    if isinstance(pair, list) and pair:
        names = ", ".join(str(p).replace(":", " ") for p in pair)
        text += f" This history cannot tell it apart from {names}: exchange one of them for some jobs before acting on this alone."
    return text


def _ratio(row: dict[str, object]) -> str:
    return f"{_percent(row['effect'])} ({_bounds(row, 100)} %)"


Sentence = Callable[[dict[str, object]], str]

_STATEMENTS: dict[str, tuple[Sentence, Sentence]] = {
    "pump_worn": (
        lambda r: f"Pump {r['subject_id']} pumps at {_ratio(r)} of its own best, and fresh oil did not bring it back.",
        lambda r: "Plan an overhaul or a replacement; more oil changes will not help.",
    ),
    "oil_due": (
        lambda r: (
            f"Pump {r['subject_id']} blanks off at about {r['effect']:.0f} microns ({_bounds(r)}); fresh oil would bring it back."
        ),
        lambda r: "Change the oil, then check the blank-off pressure with the inlet closed.",
    ),
    "hose_leaking": (
        lambda r: (
            f"With hose set {r['subject_id']} the pumped pressure is held up by about {r['effect']:.0f} microns "
            f"({_bounds(r)}), and the load vanishes when the circuit is shut off: it leaks on the pump's side."
        ),
        lambda r: "Take the hose set out of use, renew its seals, and check it against a closed valve.",
    ),
    "hose_restricted": (
        lambda r: (
            f"Hose set {r['subject_id']} passes {_ratio(r)} of what hoses of its bore and length pass in deep vacuum."
        ),
        lambda r: (
            "Look for a kink, a swollen liner, or a valve core left in a fitting; replace it if nothing is found."
        ),
    ),
    "gauge_off": (
        lambda r: (
            f"Gauge {r['subject_id']} reads {_off(r['effect'], r['effect_lower'], r['effect_upper'])} against the fleet."
        ),
        lambda r: "Clean it and have it calibrated; read its recent results with that in mind.",
    ),
    "holds_skipped": (
        lambda r: (
            f"{r['subject_id']} stood no hold in {r['faults']} of {r['jobs']} jobs since this began, a standing rate of "
            f"{_percent(r['rate'])}; like work predicts {_percent(r['peers'])}."
        ),
        lambda r: (
            "Talk over why the hold matters, with two or three of these logs on the table; look at the schedule too."
        ),
    ),
    "holds_cut_short": (
        lambda r: (
            f"{r['subject_id']} cut the hold short in {r['faults']} of {r['jobs']} that stayed below the limit since this began, a "
            f"standing rate of {_percent(r['rate'])}; like work predicts {_percent(r['peers'])}."
        ),
        lambda r: "Talk over how long this work must stand and why; look at what pressed for time.",
    ),
    "pumping_stopped_early": (
        lambda r: (
            f"{r['subject_id']} stopped pumping above the target, with the pressure still falling, in {r['faults']} of "
            f"{r['jobs']} jobs since this began, a standing rate of {_percent(r['rate'])}; like work predicts {_percent(r['peers'])}."
        ),
        lambda r: "Talk over when a pull is done; a faster rig may be what is missing.",
    ),
    "slow_rigging": (
        lambda r: (
            f"{r['subject_id']}'s pulls run at {_ratio(r)} of the usual deep-vacuum speed, whatever pump and hoses are used."
        ),
        lambda r: "Look at the rig together: valve cores out, short wide hoses, no needless fittings.",
    ),
    "log_recycled": (
        lambda r: f"The log of {r['subject_id']} repeats that of {r['other_id']}, down to the gauge's noise.",
        lambda r: (
            "Look at the two curves side by side with the technician before anything else; a wrong file may have been sent."
        ),
    ),
    "signed_without_proof": (
        lambda r: f"{r['subject_id']} was signed for as passed; its log does not prove that.",
        lambda r: "Find out what was seen on site; repeat the hold if the circuit can still be isolated.",
    ),
    "reported_pass_rate": (
        lambda r: (
            f"{r['subject_id']} signed {r['faults']} of {r['jobs']} jobs that the logs do not prove as passed, a standing rate "
            f"of {_percent(r['rate'])}; like work predicts {_percent(r['peers'])}."
        ),
        lambda r: (
            "Go through some of these reports together: what proves a pass, and what to write when it is not proven."
        ),
    ),
}


def _off(ratio: object, low: object, high: object) -> str:
    """How far a reading is high or low, with its bounds by size: ``32 % low (26 to 37 %)``."""
    if not (isinstance(ratio, float) and isinstance(low, float) and isinstance(high, float)):
        return "off"
    ends = sorted(100 * (x - 1) * (1 if ratio >= 1 else -1) for x in (low, high))
    return f"{100 * abs(ratio - 1):.0f} % {'high' if ratio >= 1 else 'low'} ({ends[0]:.0f} to {ends[1]:.0f} %)"


def make_findings(candidates: Iterable[pl.DataFrame], as_of: date) -> pl.DataFrame:
    """Turn candidates into table ``finding`` of the contract.

    Parameters
    ----------
    candidates
        Frames with (some of) the columns of `CANDIDATE_SCHEMA`; only what is both sure and material.
    as_of
        The day of knowledge.

    Returns
    -------
    pl.DataFrame
        Sorted by kind, subject; one row per finding.
    """
    rows: dict[str, dict[str, object]] = {}
    for frame in candidates:
        for row in frame.iter_rows(named=True):
            full: dict[str, object] = dict.fromkeys(CANDIDATE_SCHEMA) | row
            kind, subject_id = str(full["kind"]), str(full["subject_id"])
            subject = schemas.FINDING_SUBJECTS[kind]
            statement, action = _STATEMENTS[kind]
            name = finding_id(kind, subject, subject_id, full["episode"] if isinstance(full["episode"], str) else None)
            rows[name] = {
                **{c: full.get(c) for c in schemas.FINDING.names},
                "finding_id": name,
                "as_of": as_of,
                "subject": subject,
                "statement": _with(full, statement(full)),
                "action": action(full),
            }
    frame = pl.DataFrame(list(rows.values()), schema=schemas.FINDING.polars_schema)
    return frame.sort("kind", "subject", "subject_id", "finding_id")


def from_habits(habits: pl.DataFrame) -> pl.DataFrame:
    """Candidates from `fleet.people.habits`: what was found there, its excess as the effect."""
    return habits.filter("found").select(
        "kind",
        pl.col("technician_id").alias("subject_id"),
        "since",
        "probability",
        pl.col("excess").alias("effect"),
        pl.col("excess_lower").alias("effect_lower"),
        pl.col("excess_upper").alias("effect_upper"),
        pl.lit(_UNIT_SHARE).alias("unit"),
        "evidence",
        "rate",
        "peers",
        "jobs",
        "faults",
    )


def from_copies(copies: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """Candidates ``log_recycled``: the later job of each pair, its original as evidence; effect = share of noise repeated."""
    dated = copies.join(work.select("evacuation_id", "started_on"), on="evacuation_id", how="left")
    return dated.select(
        pl.lit("log_recycled").alias("kind"),
        pl.col("evacuation_id").alias("subject_id"),
        pl.col("started_on").alias("since"),
        "probability",
        pl.col("correlation").alias("effect"),
        (pl.col("correlation") - 1.645 * (1 - pl.col("correlation") ** 2) / pl.col("points").sqrt()).alias(
            "effect_lower"
        ),
        (pl.col("correlation") + 1.645 * (1 - pl.col("correlation") ** 2) / pl.col("points").sqrt()).alias(
            "effect_upper"
        ),
        pl.lit("correlation of the gauges' noise").alias("unit"),
        pl.concat_list("evacuation_id", "copy_of").alias("evidence"),
        pl.col("copy_of").alias("other_id"),
    )


def from_reports(work: pl.DataFrame) -> pl.DataFrame:
    """Candidates ``signed_without_proof``: reported passed, verdict is not.

    The probability is that the verdict itself is right: certain but for a borderline one, where the gauge's stated
    accuracy alone could have turned it.
    """
    signed = work.filter((pl.col("reported") == "passed") & (pl.col("verdict") != "passed"))
    return signed.select(
        pl.lit("signed_without_proof").alias("kind"),
        pl.col("evacuation_id").alias("subject_id"),
        pl.col("started_on").alias("since"),
        pl.when(pl.col("borderline").fill_null(False)).then(0.7).otherwise(0.99).alias("probability"),
        pl.lit(1.0).alias("effect"),
        pl.lit(1.0).alias("effect_lower"),
        pl.lit(1.0).alias("effect_upper"),
        pl.lit("evacuation").alias("unit"),
        pl.concat_list("evacuation_id").alias("evidence"),
    )
