"""A whole invented fleet: `make_fleet` writes the folder of the contract, and its truth beside it."""

from __future__ import annotations

import dataclasses
import math
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .chain import Outcome, PumpLife, Service, run_pump
from .fleet_truth import (
    asset_truth,
    evacuation_truth,
    finding_truth,
    never_parted,
    phase_truth,
    technician_truth,
    write_truth,
)
from .logfiles import (
    LAYOUTS,
    broken_bytes,
    compress,
    disorder,
    expand,
    log_bytes,
    log_name,
    mess_up,
    write_bytes,
)
from .plan import Job, Plan, make_plan
from .recycle import WAYS, copied_pull
from .registers import add_slips, asset_services, evacuation_rows, month_of, write_registers
from .scenario import Scenario, load_scenario

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class FleetSummary:
    """What was written.

    Attributes
    ----------
    fleet, truth : Path
        The fleet folder, and the folder of its truth beside it.
    evacuations, log_files : int
        Evacuations planned (rows of slips not counted), and files under ``logs/``.
    counts : dict
        Rows, files and faults, as written to ``counts.json``.
    """

    fleet: Path
    truth: Path
    evacuations: int
    log_files: int
    counts: dict[str, Any]


def make_fleet(
    scenario: str | Path | Scenario,
    out: str | Path,
    seed: int | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> FleetSummary:
    """Simulate a fleet and write it.

    Parameters
    ----------
    scenario : str, Path or Scenario
        Name of a shipped scenario, path of a TOML file, or a scenario.
    out : path
        The fleet folder; must not exist or be empty. The truth goes to
        ``<out>_truth`` beside it.
    seed : int, optional
        Instead of the scenario's own.
    workers : int
        Threads; the result does not depend on their number.
    progress : callable, optional
        Called with evacuations done and evacuations in all.

    Raises
    ------
    FileExistsError
        If the folder has something in it.
    """
    out = Path(out)
    truth_folder = out.parent / f"{out.name}_truth"
    for folder in (out, truth_folder):
        if folder.exists() and any(folder.iterdir()):
            raise FileExistsError(f"{folder} is not empty")
    if not isinstance(scenario, Scenario):
        scenario = load_scenario(scenario)
    if seed is not None:
        scenario = dataclasses.replace(scenario, seed=seed)
    plan = make_plan(scenario)
    (out / "logs").mkdir(parents=True, exist_ok=True)
    outcomes, services, files = _run(plan, out, workers, progress)
    services += asset_services(plan)
    counts: dict[str, Any] = {"evacuations": len(plan.jobs)}
    _recycle(plan, out, outcomes, files)
    _break(plan, out, files, counts)
    rows = evacuation_rows(
        plan,
        {number: file["path"] for number, file in files.items() if file["path"]},
        {number: file["reported"] for number, file in files.items()},
    )
    rows, slips = add_slips(plan, rows)
    counts["slips"] = slips
    write_registers(plan, out, rows, services, counts)
    counts["log_files"] = sum(1 for path in (out / "logs").rglob("*") if path.is_file())
    _write_truth(plan, truth_folder, outcomes, services, files, counts)
    return FleetSummary(out, truth_folder, len(plan.jobs), counts["log_files"], counts)


def remove_fleet(out: str | Path) -> None:
    """Delete a fleet folder and its truth."""
    out = Path(out)
    for folder in (out, out.parent / f"{out.name}_truth"):
        shutil.rmtree(folder, ignore_errors=True)


def _run(
    plan: Plan, out: Path, workers: int, progress: Progress | None
) -> tuple[list[Outcome], list[Service], dict[int, dict[str, Any]]]:
    """Run every pump's chain and write its logs."""
    chains: dict[int, list[Job]] = {}
    for job in plan.jobs:
        chains.setdefault(job.pump, []).append(job)
    done = 0

    def work(pump: int) -> tuple[PumpLife, dict[int, dict[str, Any]]]:
        life = run_pump(plan, pump, chains[pump])
        return life, {o.job.number: _write_log(plan, out, o) for o in life.outcomes}

    outcomes: list[Outcome] = []
    services: list[Service] = []
    files: dict[int, dict[str, Any]] = {}
    # the longest chains first, so that no worker is left with one at the end
    order = sorted(chains, key=lambda pump: (-len(chains[pump]), pump))
    with ThreadPoolExecutor(max_workers=max(workers, 1)) as pool:
        for life, written in pool.map(work, order):
            outcomes.extend(life.outcomes)
            services.extend(life.services)
            files.update(written)
            done += len(life.outcomes)
            if progress is not None:
                progress(done, len(plan.jobs))
    outcomes.sort(key=lambda o: o.job.number)
    services.sort(key=lambda s: (s.day, s.asset, s.asset_id))
    return outcomes, services, files


def _write_log(plan: Plan, out: Path, outcome: Outcome) -> dict[str, Any]:
    """Write a job's own log, messy now and then; say what became of it."""
    job, scenario = outcome.job, plan.scenario
    file: dict[str, Any] = {
        "state": "none", "path": "", "pull": outcome.pull, "source": "", "how": "", "troubles": [],
        "reported": outcome.reported, "compression": "",
    }  # fmt: skip
    if outcome.pull is None or not job.hands_in:
        return file
    rng = np.random.default_rng([scenario.seed, 8, job.number])
    layout = plan.gauges[job.gauge].layout
    compression = ""
    if rng.random() < scenario.logs.compressed_share:
        compression = ".gz" if rng.random() < 0.6 else ".zst"
    branch = scenario.branches[plan.systems[job.system].branch].name
    path = log_name(layout, branch, month_of(job), job.evacuation_id, compression)
    data = log_bytes(outcome.pull, layout, job.started_at, scenario.timezone, outcome.marked, path)
    if LAYOUTS[layout].kind == "csv":
        spoil = rng.random(2)
        if spoil[0] < scenario.logs.messy_share:
            text, file["troubles"] = mess_up(expand(data, path).decode(), rng)
            data = compress(text.encode(), path)
        elif spoil[1] < scenario.logs.disordered_share:
            file["troubles"] = ["disordered"]
            data = compress(disorder(expand(data, path).decode(), rng).encode(), path)
    write_bytes(out / "logs" / path, data)
    file.update(state="read", path=path)
    return file


def _recycle(plan: Plan, out: Path, outcomes: list[Outcome], files: dict[int, dict[str, Any]]) -> None:
    """Hand in earlier logs for the jobs that were not done."""
    scenario = plan.scenario
    number_of_copies = 0
    for outcome in outcomes:
        job = outcome.job
        if not job.recycles:
            continue
        rng = np.random.default_rng([scenario.seed, 9, job.number])
        sources = [
            o
            for o in outcomes[: job.number]
            if o.job.technician == job.technician
            and o.pull is not None
            and files[o.job.number]["state"] == "read"
            and o.pull.truth["verdict_as_read"] == "passed"
            and o.job.started_at < job.started_at
        ]
        if not sources:
            continue
        source = sources[int(rng.integers(max(0, len(sources) - 25), len(sources)))]
        how = WAYS[number_of_copies % len(WAYS)]
        number_of_copies += 1
        old = files[source.job.number]
        layout = plan.gauges[source.job.gauge].layout
        branch = scenario.branches[plan.systems[job.system].branch].name
        suffix = "".join(Path(old["path"]).suffixes[1:]) if old["path"].endswith((".gz", ".zst")) else ""
        path = log_name(layout, branch, month_of(job), job.evacuation_id, suffix)
        if how == "whole":
            data = (out / "logs" / old["path"]).read_bytes()
        else:
            assert source.pull is not None
            data = log_bytes(copied_pull(source.pull, how, rng), layout, job.started_at, scenario.timezone, False, path)
        write_bytes(out / "logs" / path, data)
        files[job.number].update(
            state="recycled", path=path, source=source.job.evacuation_id, how=how, reported="passed"
        )


def _break(plan: Plan, out: Path, files: dict[int, dict[str, Any]], counts: dict[str, Any]) -> None:
    """Spoil some files beyond use, lose some, and leave some that no row names."""
    rng = np.random.default_rng([plan.scenario.seed, 10])
    logs = plan.scenario.logs
    copied = {file["source"] for file in files.values()}
    usable = [
        job.number for job in plan.jobs if files[job.number]["state"] == "read" and job.evacuation_id not in copied
    ]
    chosen = [usable[int(i)] for i in rng.permutation(len(usable))[: logs.broken + logs.missing]]
    broken: list[dict[str, str]] = []
    for i, number in enumerate(chosen[: logs.broken]):
        path = files[number]["path"]
        data, what = broken_bytes(i, (out / "logs" / path).read_bytes(), path)
        write_bytes(out / "logs" / path, data)
        files[number].update(state="broken", troubles=[what])
        broken.append({"path": f"logs/{path}", "problem": what})
    missing = []
    for number in chosen[logs.broken :]:
        (out / "logs" / files[number]["path"]).unlink()
        files[number]["state"] = "missing"
        missing.append(f"logs/{files[number]['path']}")
    orphans = []
    for i in range(logs.orphans):
        path = f"unclaimed/loose_{i + 1}.csv"
        times = 5.0 * np.arange(300)
        # a bench exercise nobody wrote down: a plain pump-down that stops
        pressure = np.round(200.0 + 18000.0 * np.exp(-times / (150.0 + 40.0 * i)))
        body = "\n".join(f"{t:g},{p:g}" for t, p in zip(times, pressure, strict=True))
        write_bytes(out / "logs" / path, f"elapsed_s,pressure_micron\n{body}\n".encode())
        orphans.append(f"logs/{path}")
    counts.update(broken=broken, missing=missing, orphans=orphans)


def _write_truth(
    plan: Plan,
    folder: Path,
    outcomes: list[Outcome],
    services: list[Service],
    files: dict[int, dict[str, Any]],
    counts: dict[str, Any],
) -> None:
    evacuations = evacuation_truth(plan, outcomes, files)
    counts["file_states"] = {
        state: int(evacuations.filter(file_state=state).height)
        for state in ("read", "none", "missing", "broken", "recycled")
    }
    counts["seed"] = plan.scenario.seed
    counts["scenario"] = plan.scenario.name
    counts["water_g"] = round(math.fsum(job.water_g for job in plan.jobs), 1)
    frames = {
        "evacuation": evacuations,
        "phase": phase_truth(outcomes, files),
        "asset": asset_truth(plan, outcomes, services),
        "technician": technician_truth(plan, outcomes, files),
        "finding": finding_truth(plan, outcomes, services, evacuations),
        "never_parted": never_parted(evacuations),
    }
    write_truth(folder, frames, counts)
