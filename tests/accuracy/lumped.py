"""A fleet by other physics than `blankoff_synthetic`'s: one lumped volume, solved by an outside solver, plain gear and habits.

    python -m tests.accuracy.lumped DIR [--seed N] [--evacuations N] [--well] [--messy]

What is said of fleets must not hang on one simulator's ways.  Here a circuit is one volume of air and vapour behind pump,
line and port in series, the line's conductance taken at the circuit's own pressure by the handbook's sum of viscous and
molecular flow (no flow along it is solved, nothing chokes), water boils at a rate of its own and stays as warm as the day,
two outgassing pools empty exponentially; valves close at once, gauges answer within a second or so.  DIR gets ``fleet`` and
``fleet_truth``, as `tests.accuracy.fleet` wants them.  All ranges are judgement within `domain.md`'s; nobody and nothing in
it exists.
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from scipy.signal import lfilter

from tests.accuracy.lumped_mess import Course, draw_course, roughen, run_course
from tests.accuracy.lumped_oil import due_dates, oil_findings, oils_of
from tests.accuracy.lumped_physics import (
    DAYS,
    HOLD_S,
    LIMIT,
    STARTED,
    TARGET,
    Circuit,
    Conduct,
    Floats,
    Gear,
    Rig,
    on_day,
    run_job,
    true_verdict,
)

AS_OF = (dt.date(2025, 9, 30), dt.date(2025, 12, 31), dt.date(2026, 3, 31), dt.date(2026, 6, 30))
KINDS = (("split", 0.5, (0.8, 4.0)), ("multi", 0.3, (4.0, 20.0)), ("rack", 0.2, (20.0, 90.0)))
HABITS = ("holds_skipped", "holds_cut_short", "pumping_stopped_early", "slow_rigging", "reported_pass_rate")
USUAL = dict(zip(HABITS, (0.02, 0.03, 0.02, 0.05, 0.1), strict=True))
HABITUAL = dict(zip(HABITS, (0.35, 0.35, 0.35, 0.9, 0.8), strict=True))
NO_LOG = 0.02
SERVICES = {"serviced_on": pl.Date, "asset": pl.String, "asset_id": pl.String, "action": pl.String}
MATERIAL = 50.0
SPARES = 4
"""Pumps, hose sets and gauges of nobody's van."""
BORROWED = 0.08
SEALED = 2
"""Vans whose gear nobody else ever uses, nor they others'."""


def make_lumped(
    folder: Path,
    seed: int = 11,
    evacuations: int = 3000,
    technicians: int = 24,
    well: bool = False,
    messy: bool = False,
) -> Path:
    """Write a fleet and its truth.

    Parameters
    ----------
    folder : path
        Gets ``fleet`` and ``fleet_truth``.
    seed, evacuations, technicians : int
    well : bool
        Whether nothing is wrong with anything or anybody.
    messy : bool
        Whether gas is let in between pulls, stands are broken off, and logs are in pieces, as `lumped_mess` says.

    Returns
    -------
    path
        Of the truth.
    """
    rng = np.random.default_rng(seed)
    fleet, truth = folder / "fleet", folder / "fleet_truth"
    gear = Gear(technicians + SPARES, rng, well)
    ran_before = gear.oil_h.copy()
    order = rng.permutation(technicians)
    habit = {} if well else {int(order[k]): HABITS[k // 3] for k in range(min(3 * len(HABITS), technicians))}
    systems = []
    for k in range(int(0.85 * evacuations)):
        kind, _, volumes = KINDS[rng.choice(len(KINDS), p=[share for _, share, _ in KINDS])]
        systems.append((f"SY-{k:05d}", kind, float(np.exp(rng.uniform(*np.log(volumes))))))
    rows, jobs, services = [], [], []
    for k, day in enumerate(np.sort(rng.uniform(0, DAYS, evacuations))):
        who = int(rng.integers(technicians))
        used = [who] * 3
        if who >= SEALED:
            used = [int(rng.integers(SEALED, gear.n)) if rng.random() < BORROWED else who for _ in range(3)]
        row, job, log = _one_job(rng, k, float(day), who, used, gear, habit.get(who), systems, messy)
        rows.append(row)
        jobs.append(job)
        if log is not None:
            (fleet / "logs" / row["log_file"]).parent.mkdir(parents=True, exist_ok=True)
            log.write_csv(fleet / "logs" / row["log_file"])
        pump = used[0]
        gear.oil_h[pump] += job["pumped_s"] / 3600.0
        gear.oil_g[pump] += job["water_boiled_g"]
        if gear.blankoff_now(pump) > 150.0 and rng.random() < 0.25:
            gear.oil_h[pump] = gear.oil_g[pump] = 0.0
            day_after = on_day(day) + dt.timedelta(days=1)
            services.append(
                {"serviced_on": day_after, "asset": "pump", "asset_id": f"PU-{pump:02d}", "action": "oil_change"}
            )
    _write_registers(fleet, rng, rows, services, systems, gear, technicians)
    _write_truth(truth, jobs, services, gear, ran_before, habit, technicians)
    return truth


def _one_job(
    rng: np.random.Generator, k: int, day: float, who: int, used: list[int], gear: Gear, habit: str | None,
    systems: list[tuple[str, str, float]], messy: bool,
) -> tuple[dict[str, Any], dict[str, Any], pl.DataFrame | None]:  # fmt: skip
    """Row of the register, row of the truth, and the log, None where none was handed in."""

    def does(name: str) -> bool:
        return bool(rng.random() < (HABITUAL if habit == name else USUAL)[name])

    pump, hose, gauge = used
    system, _, volume = systems[k if k < len(systems) else int(rng.integers(len(systems)))]
    ambient = 15.0 + 10.0 * math.sin(2 * math.pi * (day / 365.0 - 0.3)) + float(rng.normal(0, 4))
    rig = Rig(
        float(gear.rated[pump] * gear.unit[pump] * gear.speed_left(pump, day)), gear.blankoff_now(pump),
        float(gear.bore_cm[hose]), float(gear.length_cm[hose]),
        float(gear.choked_to[hose]) if day >= gear.choked_from[hose] else 1.0, does("slow_rigging"),
    )  # fmt: skip
    load = float(rng.uniform(5, 40)) * volume**0.7 / 60.0 * 0.9
    pools = load * np.exp(rng.normal(0, 0.3, 2))
    taus = np.exp(rng.uniform(np.log(60), np.log(8000), 2))
    wet = rng.random() < 0.12
    circuit = Circuit(
        volume, ambient,
        leak=float(np.exp(rng.uniform(np.log(5), np.log(300)))) / 60.0 * volume if rng.random() < 0.14 else 0.0,
        hose_leak=float(gear.leak[hose]) if day >= gear.leaks_from[hose] else 0.0,
        water_g=float(rng.uniform(1, 12)) if wet else 0.0,
        damp=float(rng.uniform(50, 500)) if rng.random() < 0.12 else 0.0,
        pools=(float(pools[0]), float(pools[1])), taus_s=(float(taus[0]), float(taus[1])),
        boil_per_s=1.0 / float(rng.uniform(60, 400)),
    )  # fmt: skip
    early, skips = does("pumping_stopped_early"), does("holds_skipped")
    short = does("holds_cut_short") and not skips
    stays = 0.0 if skips else float(rng.uniform(120, 480) if short else HOLD_S + rng.uniform(10, 400))
    stop = TARGET * float(rng.uniform(1.1, 1.8) if early else rng.uniform(0.5, 0.95))
    conduct = Conduct(early, skips, short, stop, float(rng.uniform(4, 9)) * 3600, float(rng.uniform(200, 900)), stays)
    gain = 1.0 + float(gear.gain[gauge] + (gear.off_by[gauge] if day >= gear.off_from[gauge] else 0.0))
    offset = float(gear.offset[gauge])
    every = float(rng.choice([1, 2, 5, 10], p=[0.35, 0.25, 0.3, 0.1]))
    course = draw_course(rng) if messy else Course((), None, None)
    if messy:
        ran = run_course(circuit, rig, conduct, gain, offset, every, course)
    else:
        ran = run_job(circuit, rig, conduct, gain, offset, every)
    step = float(rng.uniform(0, 60)) if rng.random() < 0.6 else 0.0
    held = ran["held"] + step * -np.expm1(-ran["since_s"] / 4.0)
    shown = np.r_[ran["pumped"], held] * gain + offset
    log, mess, begins_s, is_seen = None, "", 0.0, True
    has_log = rng.random() >= NO_LOG
    if has_log:
        lag = float(rng.uniform(0.3, 1.5))
        keep = math.exp(-every / lag)
        lagged = lfilter([1 - keep], [1, -keep], shown, zi=[keep * shown[0]])[0]
        noisy = lagged * np.exp(rng.normal(0, rng.uniform(0.002, 0.012), shown.size))
        grain = np.where(noisy < 1000, 1.0, np.where(noisy < 10_000, 10.0, 50.0))
        readings = pl.Series("pressure_micron", np.round(noisy / grain) * grain)
        log = pl.DataFrame({"elapsed_s": ran["t"], "pressure_micron": readings, "ambient_c": round(ambient, 1)})
        over = pl.col("pressure_micron") > gear.top[gauge]
        log = log.with_columns(pl.when(over).then(None).otherwise("pressure_micron").alias("pressure_micron"))
        if messy:
            log, mess, begins_s, is_seen = roughen(rng, log, ran["isolated_at_s"], bool(ran["since_s"].size), every)
    leaks, soaks = ran["leak_rise_micron"] >= MATERIAL, ran["moisture_rise_micron"] >= MATERIAL
    lowest, read = ran["lowest"] * gain + offset, shown[ran["pumped"].size :]
    verdict, reason = true_verdict(read, lowest, ran["since_s"], (leaks, soaks)) if has_log else ("unproven", "no_log")
    held_s = float(ran["since_s"][-1]) if ran["since_s"].size else 0.0
    parts_clear = all(not 30.0 < ran[part] < 80.0 for part in ("leak_rise_micron", "moisture_rise_micron"))
    near = [abs(lowest / level - 1.0) for level in (TARGET, LIMIT)]
    near += [abs(float(read[ran["since_s"] <= HOLD_S].max()) / LIMIT - 1.0)] if held_s >= 60.0 else []
    clear = has_log and is_seen and min(near) > 0.07 and (parts_clear or verdict != "failed")
    names = {
        (True, True): "leak_and_moisture",
        (True, False): "leak",
        (False, True): "moisture",
        (False, False): "flat",
    }
    begun = STARTED + dt.timedelta(days=math.floor(day), hours=8 + 9 * (day % 1))
    identity = {
        "evacuation_id": f"JOB-{k:05d}", "technician_id": f"TE-{who:02d}", "pump_id": f"PU-{pump:02d}",
        "hose_id": f"HS-{hose:02d}", "gauge_id": f"GA-{gauge:02d}", "system_id": system,
    }  # fmt: skip
    signs = verdict == "passed" or does("reported_pass_rate")
    row = identity | {
        "log_file": f"{begun:%Y-%m}/JOB-{k:05d}.csv" if has_log else "", "started_at": begun.isoformat(),
        "branch": f"Branch {who % 3}", "ambient_c": round(ambient, 1), "reported": "passed" if signs else "failed",
    }  # fmt: skip
    stands = held_s >= 60.0
    told = {name: ran[name] if stands else math.nan for name in ("leak_rise_micron", "moisture_rise_micron")}
    net = {p: rig.speed(p) * (1.0 - rig.blankoff / p) for p in (8000.0, 1000.0)}
    job = identity | told | {
        "started_at": begun, "file_state": "ok" if has_log else "missing", "copied_how": "", "copied_from": "",
        "verdict": verdict, "reason": reason, "clear": clear, "volume_l": volume,
        "rise_kind": names[leaks, soaks] if stands and parts_clear else None,
        "isolated_at_s": ran["isolated_at_s"] - begins_s if stands else math.nan,
        "valve_started_s": ran["isolated_at_s"] - begins_s, "course": course.name, "mess": mess,
        "isolated_s": ran["isolated_at_s"] - begins_s, "pumped_s": ran["isolated_at_s"], "hold_minutes": held_s / 60.0,
        "leak_micron_per_min": circuit.leak / volume * 60.0, "water_boiled_g": ran["water_boiled_g"],
        "speed_viscous_l_s": net[8000.0], "speed_deep_l_s": net[1000.0], "pump_blankoff_micron": rig.blankoff,
    }  # fmt: skip
    return row, job, log


def _write_registers(
    fleet: Path, rng: np.random.Generator, rows: list[dict[str, Any]], services: list[dict[str, Any]],
    systems: list[tuple[str, str, float]], gear: Gear, technicians: int,
) -> None:  # fmt: skip
    """The fleet folder beside its logs; a quarter of volumes are unknown, as many are guessed some 30 % off."""
    told = []
    for name, kind, volume in systems:
        guess = volume * math.exp(rng.normal(0, 0.3)) if rng.random() < 0.3 else volume
        told.append({"system_id": name, "kind": kind, "volume_l": None if rng.random() < 0.25 else round(guess, 2)})
    each = range(gear.n)
    frames = {
        "evacuations": pl.DataFrame(rows),
        "technicians": pl.DataFrame(
            [
                {"technician_id": f"TE-{i:02d}", "name": f"Person {i}", "branch": f"Branch {i % 3}"}
                for i in range(technicians)
            ]
        ),
        "pumps": pl.DataFrame(
            {"pump_id": [f"PU-{i:02d}" for i in each], "rated_l_per_s": gear.rated, "rated_blankoff_micron": 25.0}
        ),
        "hoses": pl.DataFrame(
            {"hose_id": [f"HS-{i:02d}" for i in each], "bore_mm": 10 * gear.bore_cm, "length_m": gear.length_cm / 100}
        ),
        "gauges": pl.DataFrame(
            {"gauge_id": [f"GA-{i:02d}" for i in each], "top_of_range_micron": gear.top, "accuracy_percent": 10.0}
        ),
        "systems": pl.DataFrame(told),
        "services": pl.DataFrame(services, schema=SERVICES),
    }
    fleet.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        frame.write_csv(fleet / f"{name}.csv")
    (fleet / "fleet.toml").write_text('timezone = "UTC"\n')


def _write_truth(
    truth: Path, jobs: list[dict[str, Any]], services: list[dict[str, Any]], gear: Gear, ran_before: Floats,
    habit: dict[int, str], technicians: int,
) -> None:  # fmt: skip
    """Tables as `blankoff_synthetic` writes them, as far as a lumped fleet knows them."""
    truth.mkdir(parents=True, exist_ok=True)
    done = pl.DataFrame(jobs)
    done.write_parquet(truth / "evacuation.parquet")
    changes = pl.DataFrame(services, schema=SERVICES)
    oils = oils_of(done, changes, gear.blankoff, gear.life_h, ran_before)
    found = gear.findings() + oil_findings(oils)
    found += [(h, "technician", f"TE-{t:02d}", STARTED.date(), None) for t, h in habit.items()]
    schema = {"kind": pl.String, "subject": pl.String, "subject_id": pl.String, "since": pl.Date, "until": pl.Date}
    pl.DataFrame(found, schema=schema, orient="row").write_parquet(truth / "finding.parquet")
    assets: list[tuple[str, str, dt.date, float, float]] = []
    people: list[tuple[dt.date, str, float, float, float, float]] = []
    middle = Rig(2.75, 0.0, 0.8, 120.0, 1.0, False)
    for day in AS_OF:
        age = float((day - STARTED.date()).days)
        for i in range(gear.n):
            pump = Rig(float(gear.rated[i] * gear.unit[i] * gear.speed_left(i, age)), 0.0, 0.8, 120.0, 1.0, False)
            choked = float(gear.choked_to[i]) if age >= gear.choked_from[i] else 1.0
            hose = Rig(2.75, 0.0, float(gear.bore_cm[i]), float(gear.length_cm[i]), choked, False)
            for factor, name, rig in (("pump", "PU", pump), ("hose", "HS", hose)):
                assets.append((factor, f"{name}-{i:02d}", day, rig.speed(8000.0), rig.speed(1000.0)))
        for t in range(technicians):
            rates = {h: (HABITUAL if habit.get(t) == h else USUAL)[h] for h in HABITS}
            people.append((day, f"TE-{t:02d}", rates[HABITS[0]], rates[HABITS[1]], rates[HABITS[2]], NO_LOG))
            core = rates["slow_rigging"]
            cored = Rig(2.75, 0.0, 0.8, 120.0, 1.0, True)
            mean = [
                math.exp((1 - core) * math.log(middle.speed(p)) + core * math.log(cored.speed(p))) for p in (8e3, 1e3)
            ]
            assets.append(("technician", f"TE-{t:02d}", day, mean[0], mean[1]))
    columns = ["factor", "level_id", "as_of", "speed_viscous", "speed_deep"]
    frame = pl.DataFrame(assets, schema=columns, orient="row")
    frame.with_columns(
        *((pl.col(c) / pl.col(c).median().over("factor", "as_of")).alias(f"{c}_ratio") for c in columns[3:]),
        pl.lit(True).alias("used"), pl.lit(None, dtype=pl.Float64).alias("floor_ratio"),
    ).join(due_dates(oils, AS_OF), on=["factor", "level_id", "as_of"], how="left").write_parquet(truth / "asset.parquet")  # fmt: skip
    names = ["as_of", "technician_id", "skipped_rate", "short_rate", "stopped_early_rate", "log_missing_rate"]
    told = pl.DataFrame(people, schema=names, orient="row")
    told.with_columns(pl.lit(0).alias("evacuations"), pl.lit(0).alias("logs_missing")).write_parquet(
        truth / "technician.parquet"
    )
    pairs = []
    factors = ("technician", "pump", "hose", "gauge")
    for a in range(4):
        for b in range(a + 1, 4):
            fa, fb = f"{factors[a]}_id", f"{factors[b]}_id"
            alone = done.filter((pl.col(fb).n_unique().over(fa) == 1) & (pl.col(fa).n_unique().over(fb) == 1))
            pairs += [(factors[a], x, factors[b], y) for x, y in alone.select(fa, fb).unique().sort(fa).iter_rows()]
    names = ["factor_a", "level_a", "factor_b", "level_b"]
    pl.DataFrame(pairs, schema=names, orient="row").write_parquet(truth / "never_parted.parquet")


def main(arguments: list[str] | None = None) -> int:
    """Make one."""
    parser = argparse.ArgumentParser(
        prog="tests.accuracy.lumped", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("dir", type=Path)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--evacuations", type=int, default=3000)
    parser.add_argument("--well", action="store_true", help="nothing is wrong")
    parser.add_argument(
        "--messy", action="store_true", help="gas let in between pulls, stands broken off, logs in pieces"
    )
    given = parser.parse_args(arguments)
    print(make_lumped(given.dir, given.seed, given.evacuations, well=given.well, messy=given.messy))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
