"""A month of an invented fleet, made straight as tables: what the pages are tested on without the pipeline.

Not a simulation of physics; the numbers only have to be possible, and every table to have all its columns.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from blankoff import schemas
from blankoff.fleet.work import build_work
from blankoff.physics.saturation import saturation_temperature_c
from blankoff.report.data import HOURS_LOST_SCHEMA, MONTHLY_SCHEMA, PROOF_LOST_SCHEMA, TALK_SCHEMA, MonthData, conform
from blankoff.report.words import months_up_to
from blankoff.samples import SampleBatch
from blankoff.settings import Settings

KINDS = ("split, small", "multi-head", "cold room", "rack")
BRANCHES = ("Fenmoor", "Low Quay", "Tarrick")
FIRST = (
    "Ardo",
    "Belis",
    "Corvan",
    "Demke",
    "Elsin",
    "Fennt",
    "Garrow",
    "Hessel",
    "Ilvo",
    "Jorrin",
    "Keldi",
    "Lurra",
    "Mosk",
    "Nerith",
)
WILD_NAMES = (
    "<script>alert(1)</script>",
    '=HYPERLINK("x","y")',
    "../../x",
    "مرحبا بالعالم",
    "x" * 200,
    "漢字",
    "-- a&b \"c\" 'd'",
    "@SUM(A1)",
)
"""Ids and names that must come through as plain text: markup, formulas, paths, right-to-left, very long, other scripts."""
LAST = ("Quill", "Rannock", "Sedge", "Tolver", "Umber", "Vance-Orr", "Wicken")


@dataclass(frozen=True)
class Plan:
    """Size and oddities of an invented fleet."""

    technicians: int = 14
    pumps: int = 16
    per_month: int = 90
    months: int = 14
    month: str = "2026-10"
    units: str = "micron"
    registers: bool = True
    names: tuple[str, ...] = ()
    """Ids to use in place of the first technicians, pumps, hoses, gauges, circuits and evacuations."""
    seed: int = 7


def _ids(letter: str, n: int, odd: tuple[str, ...]) -> list[str]:
    plain = [f"{letter}{i:02d}" for i in range(1, n + 1)]
    return [*(f"{o}" for o in odd[:n]), *plain[len(odd[:n]) :]]


def curve(row: dict[str, object]) -> SampleBatch:
    """Make a log that looks like its result: pull, boil-off, deep stage, hold."""
    seed = int.from_bytes(
        hashlib.sha256(str(row["evacuation_id"]).encode("utf-8", "surrogatepass")).digest()[:8], "big"
    )
    rng = np.random.default_rng(seed)
    step = 5.0
    pumped = 60.0 * float(row["pumped_minutes"] or 20.0)
    t = np.arange(0.0, pumped, step)
    floor = float(row["final_vacuum_micron"] or 400.0)
    fast = 760_000.0 * np.exp(-t / (pumped / 22))
    wet = 12_000.0 / (1 + np.exp((t - 0.45 * pumped) / (0.02 * pumped))) * (t > 0)
    slow = 4_000.0 * np.exp(-t / (pumped / 6))
    p = fast + wet + slow + floor
    if row["isolated_at_s"] is not None:
        m = np.arange(0.0, 60.0 * float(row["hold_minutes"] or 0.0), step) / 60.0
        tau = float(row["rise_time_constant_min"] or 3.0)
        rise = float(row["leak_micron_per_min"] or 0.0) * m + float(row["moisture_rise_micron"] or 0.0) * (
            1 - np.exp(-m / tau)
        )
        t = np.concatenate([t, pumped + 60.0 * m])
        p = np.concatenate([p, floor * 1.04 + rise])
    p = p * np.exp(rng.normal(0.0, 0.01, p.size))
    p[p > 20_000.0] = np.nan
    key = hashlib.sha256(p.tobytes()).hexdigest()
    return SampleBatch.of_one(key, t, p, np.full(t.size, 21.0 + rng.normal()))


def invented_month(plan: Plan | None = None) -> MonthData:
    """Make all frames of one month."""
    plan = plan or Plan()
    rng = np.random.default_rng(plan.seed)
    odd = plan.names
    technicians, pumps = _ids("T", plan.technicians, odd), _ids("P", plan.pumps, odd)
    hoses, gauges, systems = _ids("H", plan.pumps, odd), _ids("G", plan.pumps, odd), _ids("S", 80, odd)
    months = months_up_to(plan.month, plan.months)
    evacuations, results, phases = [], [], []
    skip_rate = {t: (0.35 if i == 1 else 0.04) for i, t in enumerate(technicians)}
    n_all = plan.per_month * plan.months
    ids = _ids("E", n_all, odd)
    at = 0
    for m, month in enumerate(months):
        days = np.sort(rng.integers(1, 28, plan.per_month))
        for d in days:
            e = ids[at]
            at += 1
            i = int(rng.integers(plan.technicians))
            van = i % plan.pumps if rng.random() > 0.1 else int(rng.integers(plan.pumps))
            t = technicians[i]
            s = int(rng.integers(len(systems)))
            started = dt.datetime(int(month[:4]), int(month[5:]), int(d), 8 + int(rng.integers(8)), tzinfo=dt.UTC)
            u = rng.random()
            skipped, short, missed, nolog = u < skip_rate[t], 0.4 < u < 0.44, 0.5 < u < 0.55, 0.6 < u < 0.63
            leak, wet = 0.7 < u < 0.73, 0.8 < u < 0.85
            worn = 0.6 if van == 2 and m > plan.months // 2 else 1.0
            pumped = float(rng.lognormal(3.2, 0.5)) / worn
            vacuum = float(rng.lognormal(5.7, 0.25)) / (worn if van == 2 else 1.0)
            slope = float(rng.lognormal(4.3, 0.3)) if leak else float(abs(rng.normal(2, 2)))
            moist = float(rng.lognormal(6.9, 0.2)) if wet else float(rng.lognormal(4.0, 0.5))
            verdict, reason = "passed", "held"
            if nolog:
                verdict, reason = "unproven", "no_log"
            elif missed:
                verdict, reason, vacuum = "unproven", "target_missed", 900.0
            elif skipped:
                verdict, reason = "unproven", "no_hold"
            elif leak:
                verdict, reason = "failed", "leak"
            elif wet:
                verdict, reason = "failed", "moisture"
            elif short:
                verdict, reason = "unproven", "short_hold"
            held = None if nolog or skipped else 4.0 if short else 11.0
            isolated = None if held is None else 60.0 * pumped
            end = None if held is None else vacuum * 1.04 + slope * held + moist * (1 - np.exp(-held / 3.0))
            saturation = None if end is None else float(saturation_temperature_c(end))
            evacuations.append(
                {"evacuation_id": e, "log_file": "" if nolog else f"{month}/{at}.csv", "started_at": started, "technician_id": t,
                     "pump_id": pumps[van], "hose_id": hoses[van], "gauge_id": gauges[van], "system_id": systems[s], "branch": BRANCHES[i % 3],
                     "job_id": f"J{at}", "ambient_c": 21.0, "altitude_m": 120.0, "target_micron": 300.0 if s % 9 == 0 else None,
                     "hold_limit_micron": None, "hold_minutes": None, "reported": "passed" if verdict == "passed" or rng.random() < 0.5 else "failed"}
            )  # fmt: skip
            known = not nolog
            results.append(
                {"evacuation_id": e, "month": month, "technician_id": t, "pump_id": pumps[van], "hose_id": hoses[van], "gauge_id": gauges[van],
                     "system_id": systems[s], "verdict": verdict, "reason": reason, "borderline": bool(rng.random() < 0.03) and known,
                     "rise_kind": None if held is None else "leak" if leak else "moisture" if wet else "undetermined" if rng.random() < 0.2 else "flat",
                     "p_leak": None if held is None else 0.97 if leak else 0.05, "p_moisture": None if held is None else 0.96 if wet else 0.2,
                     "pumped_minutes": pumped if known else None, "isolated_at_s": isolated, "final_vacuum_micron": vacuum if known else None,
                     "minutes_to_2000": 0.5 * pumped if known else None, "minutes_to_1000": 0.7 * pumped if known else None,
                     "minutes_to_500": 0.9 * pumped if known and vacuum < 500 else None,
                     "speed_viscous_l_s": float(rng.lognormal(0.7, 0.2)) * worn if known else None,
                     "speed_deep_l_s": float(rng.lognormal(-0.7, 0.3)) * worn if known else None,
                     "floor_micron": 0.9 * vacuum if known else None, "lowest_pumped_micron": 0.98 * vacuum if known else None,
                     "plateau_micron": 12_000.0 if known and s % 3 == 0 else None, "plateau_minutes": 0.2 * pumped if known and s % 3 == 0 else None,
                     "water_g": 3.0 if known and s % 3 == 0 else None, "water_g_lower": 1.5 if known and s % 3 == 0 else None,
                     "water_g_upper": 5.0 if known and s % 3 == 0 else None,
                     "hold_minutes": held, "hold_start_micron": None if held is None else vacuum * 1.04, "hold_end_micron": end, "hold_at_limit_micron": end if held and held > 10 else None,
                     "leak_micron_per_min": None if held is None else slope, "leak_micron_per_min_se": None if held is None else 0.8,
                     "moisture_rise_micron": None if held is None else moist, "rise_time_constant_min": None if held is None else 3.0,
                     "more_hold_minutes": None if held is None else 14.0, "saturation_c": saturation, "dryness_margin_k": None if saturation is None else 21.0 - saturation,
                     "group_id": None if nolog else int(skipped) + 2 * int(wet or leak), "group_name": None if nolog else ("no hold" if skipped else "climbs steadily, usual pull" if leak or wet else "stands flat, usual pull")}
            )  # fmt: skip
            if known:
                phases.append(
                    {
                        "evacuation_id": e,
                        "phase_no": 1,
                        "kind": "pump_down",
                        "start_s": 0.0,
                        "end_s": 60 * pumped,
                        "start_micron": None,
                        "end_micron": vacuum,
                    }
                )
                if held:
                    phases.append(
                        {
                            "evacuation_id": e,
                            "phase_no": 2,
                            "kind": "hold",
                            "start_s": 60 * pumped,
                            "end_s": 60 * (pumped + held),
                            "start_micron": vacuum,
                            "end_micron": end,
                        }
                    )
    settings = Settings(units=plan.units)  # type: ignore[arg-type]
    register = schemas.EVACUATIONS.conform(pl.DataFrame(evacuations, infer_schema_length=None))
    registers = {"evacuations": register}
    last = dt.date(int(plan.month[:4]), int(plan.month[5:]), 28) + dt.timedelta(days=4)
    as_of = last - dt.timedelta(days=last.day)
    if plan.registers:
        registers |= {
            "technicians": schemas.TECHNICIANS.conform(pl.DataFrame([{"technician_id": t, "name": t if t in odd else f"{FIRST[i % 14]} {LAST[i % 7]}{'' if i < 14 else f' {i}'}", "branch": BRANCHES[i % 3], "hired_on": dt.date(2020, 1, 1)} for i, t in enumerate(technicians)])),
            "pumps": schemas.PUMPS.conform(pl.DataFrame([{"pump_id": p, "rated_l_per_s": 2.8, "rated_blankoff_micron": 20.0, "in_service_on": dt.date(2022, 5, 1), "branch": BRANCHES[i % 3]} for i, p in enumerate(pumps)])),
            "hoses": schemas.HOSES.conform(pl.DataFrame([{"hose_id": h, "bore_mm": 9.5, "length_m": 1.5, "in_service_on": dt.date(2024, 5, 1)} for h in hoses])),
            "gauges": schemas.GAUGES.conform(pl.DataFrame([{"gauge_id": g, "top_of_range_micron": 20_000.0, "accuracy_percent": 10.0, "calibrated_on": dt.date(2026, 2, 3)} for g in gauges])),
            "systems": schemas.SYSTEMS.conform(pl.DataFrame([{"system_id": s, "kind": KINDS[i % 4], "volume_l": 4.0 + i % 9, "refrigerant": "R-32", "oil": "ester"} for i, s in enumerate(systems)])),
            "services": schemas.SERVICES.conform(pl.DataFrame([{"serviced_on": dt.date(2026, 3, 4), "asset": "pump", "asset_id": pumps[0], "action": "oil_change"}, {"serviced_on": dt.date(2026, 7, 9), "asset": "pump", "asset_id": pumps[min(2, len(pumps) - 1)], "action": "oil_change"}, {"serviced_on": dt.date(2026, 2, 3), "asset": "gauge", "asset_id": gauges[0], "action": "calibration"}])),
            "coaching": schemas.COACHING.conform(pl.DataFrame([{"coached_on": dt.date(2026, 6, 12), "technician_id": technicians[min(1, len(technicians) - 1)], "topic": "holds_skipped"}])),
        }  # fmt: skip
    result = schemas.RESULT.conform(pl.DataFrame(results, infer_schema_length=None))
    work = build_work(result, registers, settings)
    logs = {r["evacuation_id"]: r for r in results if r["reason"] != "no_log"}

    def load_log(evacuation_id: str) -> SampleBatch:
        return curve(logs[evacuation_id])

    data = MonthData(
        plan.month, as_of, settings, work,
        phase=schemas.PHASE.conform(pl.DataFrame(phases, infer_schema_length=None)),
        registers=registers, load_log=load_log,
    )  # fmt: skip
    if not plan.registers:
        return replace(
            data,
            finding=_findings(plan, work, as_of, technicians, pumps, hoses, gauges),
            not_made=(
                ("hose_restricted", "register hoses is missing: bore and length are unknown"),
                ("oil_due", "register services is missing"),
            ),
        )
    return _with_estimates(data, plan, rng, technicians, pumps, hoses, gauges)


def _backtest(as_of: dt.date, pumps: list[str], rng: np.random.Generator) -> list[dict[str, object]]:
    """Past oil forecasts: most come, some left open by a change, some bounds missed."""
    rows: list[dict[str, object]] = []
    for back in (120, 90, 60):
        origin = as_of - dt.timedelta(days=back)
        for i, pump in enumerate(pumps):
            ahead, error = int(rng.integers(10, 100)), int(rng.normal(0, 12))
            due = origin + dt.timedelta(days=ahead)
            came = None if i % 5 == 4 else due - dt.timedelta(days=error)
            rows.append(
                {
                    "origin": origin,
                    "pump_id": pump,
                    "limit_micron": 150.0,
                    "due_on": due,
                    "due_lower": due - dt.timedelta(days=15),
                    "due_upper": due + dt.timedelta(days=15),
                    "came_on": came,
                    "changed_on": due if came is None else None,
                    "days_ahead": ahead,
                    "error_days": None if came is None else error,
                    "covered": None if came is None else abs(error) <= 15,
                }
            )
    return rows


def _findings(
    plan: Plan,
    work: pl.DataFrame,
    as_of: dt.date,
    technicians: list[str],
    pumps: list[str],
    hoses: list[str],
    gauges: list[str],
) -> pl.DataFrame:
    def evidence(**on: str) -> list[str]:
        frame = work
        for k, v in on.items():
            frame = frame.filter(pl.col(k) == v)
        return frame.tail(15)["evacuation_id"].to_list()

    def one(
        kind: str,
        id_: str,
        p: float,
        effect: float,
        unit: str,
        statement: str,
        action: str,
        found: list[str],
        on: dt.date = as_of,
    ) -> dict[str, object]:
        return {"finding_id": f"{kind}:{id_}", "as_of": on, "kind": kind, "subject": schemas.FINDING_SUBJECTS[kind], "subject_id": id_, "since": as_of - dt.timedelta(days=70), "probability": p, "effect": effect, "effect_lower": effect * 0.8, "effect_upper": effect * 1.2, "unit": unit, "statement": statement, "action": action, "evidence": found}  # fmt: skip

    third = min(2, len(pumps) - 1)
    rows = [
        one("pump_worn", pumps[third], 0.98, 0.62, "ratio", f"Pump {pumps[third]} pumps at 0.62 of its own best, and fresh oil on 9 Jul 2026 did not bring it back.", "Overhaul or replace it.", evidence(pump_id=pumps[third])),
        one("oil_due", pumps[0], 0.93, 230.0, "micron", f"Pump {pumps[0]} stops at about 230 microns.", "Change its oil.", evidence(pump_id=pumps[0])),
        one("hose_leaking", hoses[-1], 0.95, 180.0, "micron", f"Hose set {hoses[-1]} holds the floor up by 180 microns while holds stand.", "Take it out of use and find the leak.", evidence(hose_id=hoses[-1])),
        one("gauge_off", gauges[-1], 0.91, 1.22, "ratio", f"Gauge {gauges[-1]} reads 22 % high against the fleet.", "Compare with a second gauge; calibrate.", evidence(gauge_id=gauges[-1])),
        one("holds_skipped", technicians[min(1, len(technicians) - 1)], 0.99, 0.28, "share", "Skips the hold in about every third job; like work predicts one in twenty.", "Talk about the hold, with two logs on the table.", work.filter((pl.col("technician_id") == technicians[min(1, len(technicians) - 1)]) & (pl.col("reason") == "no_hold")).tail(12)["evacuation_id"].to_list()),
        one("pump_worn", pumps[-1], 0.95, 0.7, "ratio", "Was worn.", "Overhaul.", [], as_of - dt.timedelta(days=31)),
    ]  # fmt: skip
    rows.append({**rows[1], "as_of": as_of - dt.timedelta(days=31)})
    now = work.filter(pl.col("month") == plan.month)
    for r in now.filter((pl.col("reported") == "passed") & (pl.col("verdict") != "passed")).iter_rows(named=True):
        rows.append(
            one(
                "signed_without_proof",
                r["evacuation_id"],
                1.0,
                1.0,
                "",
                f"Signed as passed; {r['reason']}.",
                "Ask for the proof.",
                [r["evacuation_id"]],
            )
        )
    with_log = now.filter(pl.col("reason") == "held")["evacuation_id"].to_list()
    if len(with_log) > 1:
        rows.append(
            one(
                "log_recycled",
                with_log[-1],
                0.999,
                1.0,
                "share",
                f"The log is the same as that of {with_log[0]}.",
                "Look at both curves.",
                [with_log[-1], with_log[0]],
            )
        )
    return schemas.FINDING.conform(pl.DataFrame(rows, infer_schema_length=None))


def _with_estimates(
    data: MonthData,
    plan: Plan,
    rng: np.random.Generator,
    technicians: list[str],
    pumps: list[str],
    hoses: list[str],
    gauges: list[str],
) -> MonthData:
    months = months_up_to(plan.month, plan.months)
    effects, monthly, hours, practice, oil = [], [], [], [], []
    for factor, ids in (("pump", pumps), ("hose", hoses), ("gauge", gauges), ("technician", technicians)):
        for i, id_ in enumerate(ids):
            for measure in schemas.MEASURES:
                base = float(np.exp(rng.normal(0, 0.08))) * (
                    0.62 if factor == "pump" and i == 2 and measure != "floor" else 1.0
                )
                separable = i % 4 != 3
                effects.append(
                    {
                        "as_of": data.as_of,
                        "factor": factor,
                        "level_id": id_,
                        "measure": measure,
                        "ratio": base,
                        "ratio_lower": base * 0.86,
                        "ratio_upper": base * 1.16,
                        **(
                            {
                                "ratio_to_like": base * 1.05,
                                "ratio_to_like_lower": base * 0.8,
                                "ratio_to_like_upper": base * 1.37,
                            }
                            if factor in ("pump", "hose")
                            else {}
                        ),
                        "n": 30 + i,
                        "separable": separable,
                        "entangled_with": [] if separable else [f"technician:{technicians[i % len(technicians)]}"],
                    }
                )
                for k, m in enumerate(months):
                    r = (
                        base
                        * float(np.exp(rng.normal(0, 0.06)))
                        * (1.0 if not (factor == "pump" and i == 2) else 1.5 - 0.5 * k / len(months))
                    )
                    monthly.append(
                        {
                            "factor": factor,
                            "level_id": id_,
                            "month": m,
                            "measure": measure,
                            "ratio": r,
                            "ratio_lower": r * 0.8,
                            "ratio_upper": r * 1.25,
                            "n": 6,
                        }
                    )
            if factor != "gauge":
                lost = float(rng.normal(0, 2)) + (9.0 if factor == "pump" and i == 2 else 0.0)
                hours.append(
                    {
                        "month": plan.month,
                        "factor": factor,
                        "level_id": id_,
                        "evacuations": 6,
                        "pumped_hours": 20.0,
                        "hours_lost": lost,
                        "hours_lower": lost - 1.5,
                        "hours_upper": lost + 1.8,
                        "cost": 95 * lost,
                        "separable": True,
                    }
                )
    for p in pumps:
        due = data.as_of + dt.timedelta(days=int(rng.integers(-5, 150)))
        oil.append(
            {
                "as_of": data.as_of,
                "pump_id": p,
                "oil_hours": float(rng.uniform(1, 20)),
                "blankoff_micron": float(rng.uniform(30, 160)),
                "due_on": due,
                "due_lower": due - dt.timedelta(days=12),
                "due_upper": due + dt.timedelta(days=20),
                "reason": "rising with hours run and water swallowed",
                "cost_of_waiting_per_week": 1.7 + 6.3 * len(oil),
                "least_cost_on": max(due - dt.timedelta(days=9), data.as_of),
            }
        )
    for t in technicians:
        done = data.work.filter(pl.col("technician_id") == t)
        for m in months:
            own = done.filter(pl.col("month") == m)
            tell = {
                k: own.filter(pl.col("reason") == k).height
                for k in ("no_hold", "short_hold", "target_missed", "no_log")
            }
            row = {
                "technician_id": t,
                "month": m,
                "evacuations": own.height,
                "holds_owed": own.height - tell["no_log"],
                "holds_full": own.height - sum(tell.values()),
                "holds_short": tell["short_hold"],
                "holds_skipped": tell["no_hold"],
                "targets_missed": tell["target_missed"],
                "logs_missing": tell["no_log"],
            }
            upto = done.filter(pl.col("month") <= m)
            for fault, reason in (
                ("skipped", "no_hold"),
                ("short", "short_hold"),
                ("target_missed", "target_missed"),
                ("log_missing", "no_log"),
            ):
                rate = (upto.filter(pl.col("reason") == reason).height + 1) / (upto.height + 20)
                row |= {
                    f"{fault}_rate": rate,
                    f"{fault}_lower": max(rate - 0.05, 0.0),
                    f"{fault}_upper": min(rate + 0.07, 1.0),
                    f"{fault}_peers": 0.05,
                }
            practice.append(row)
    talk = {
        "coached_on": dt.date(2026, 6, 12),
        "technician_id": technicians[min(1, len(technicians) - 1)],
        "topic": "holds_skipped",
        "jobs_before": 40,
        "jobs_after": 22,
        "rate_before": 0.41,
        "rate_after": 0.22,
        "change": -0.19,
        "change_lower": -0.33,
        "change_upper": -0.05,
        "peers_change": -0.01,
        "p_improved": 0.96,
    }
    coverage = pl.DataFrame(
        [
            {"item": "log files", "handed_in": 1300, "used": 1291, "refused": 9},
            {"item": "evacuations", "handed_in": 1262, "used": 1260, "refused": 2},
            {"item": "pumps", "handed_in": 16, "used": 16, "refused": 0},
        ]
    )
    quarantine = schemas.QUARANTINE.conform(
        pl.DataFrame(
            [
                {
                    "path": "logs/x/half.csv",
                    "row": None,
                    "field": "",
                    "problem": "nothing in it can be a time and a pressure; hand in the logger's own file",
                    "seen_at": None,
                },
                {
                    "path": "evacuations.csv",
                    "row": 17,
                    "field": "evacuation_id",
                    "problem": "given twice; the first row stands",
                    "seen_at": None,
                },
            ],
            infer_schema_length=None,
        )
    )
    lost = pl.DataFrame(
        [
            {
                "month": plan.month,
                "technician_id": technicians[0],
                "habit": "hold skipped",
                "evacuations": 3,
                "pumped_hours": 2.4,
            }
        ]
    )
    return replace(
        data,
        finding=_findings(plan, data.work, data.as_of, technicians, pumps, hoses, gauges),
        effect=schemas.EFFECT.conform(pl.DataFrame(effects, infer_schema_length=None)),
        oil_forecast=schemas.OIL_FORECAST.conform(pl.DataFrame(oil)),
        practice=schemas.PRACTICE.conform(pl.DataFrame(practice)),
        monthly=conform(pl.DataFrame(monthly), MONTHLY_SCHEMA),
        hours_lost=conform(pl.DataFrame(hours), HOURS_LOST_SCHEMA),
        proof_lost=conform(lost, PROOF_LOST_SCHEMA),
        talks=conform(pl.DataFrame([talk]), TALK_SCHEMA),
        coverage=coverage,
        quarantine=quarantine,
        backtest=pl.DataFrame(_backtest(data.as_of, pumps, np.random.default_rng(plan.seed + 1)), infer_schema_length=None),
        swap_plan=("Lend pump P04 to van 9 for a week: it would tell pump P04 and technician T04 apart.",),
    )  # fmt: skip
