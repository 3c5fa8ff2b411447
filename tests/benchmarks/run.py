"""The figures of this package's speed: ours and the yardsticks, interleaved, as ratios with their spread.

    python -m tests.benchmarks.run --scratch DIR [--logs 20000] [--rounds 3] [--growth 1000 10000 100000]

Only ratios count: each round runs every job once, one after another, and a round's ratio is taken within the round.
Processor time is told beside wall time, because the machine may have other work.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import statistics
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.benchmarks.corpus import Corpus, make_corpus

_PANDAS_LOGS, _TSFRESH_LOGS = 150, 6


def run_job(name: str, *arguments: object) -> dict[str, Any]:
    """Run one job in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.jobs", name, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{name} failed:\n{done.stderr[-2000:]}")
    told: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return told


def measure(
    scratch: Path, logs: int, rounds: int, *, forms: tuple[str, ...] = ("parquet", "irregular", "messy")
) -> list[dict[str, Any]]:
    """Run every job once a round.

    Returns
    -------
    list of dict
        One per round: what each job took, by name.
    """
    csv = make_corpus(scratch, logs)
    warm = make_corpus(scratch, min(logs, 200), seed=8)
    others = {form: make_corpus(scratch, logs, form=form) for form in forms}  # type: ignore[arg-type]
    few = min(logs, _PANDAS_LOGS)
    out = []
    for _ in range(rounds):
        told = {
            "scan": run_job("scan", csv.folder, csv.pattern),
            "csv": run_job("ours", csv.folder, csv.pattern, warm.folder),
        }
        for form, corpus in others.items():
            told[form] = run_job("ours", corpus.folder, corpus.pattern, warm.folder)
        told["pandas"] = run_job("pandas", csv.folder, csv.pattern, few)
        told["group_by"] = run_job("group_by", csv.folder, csv.pattern)
        if importlib.util.find_spec("tsfresh"):
            told["tsfresh"] = run_job("tsfresh", csv.folder, csv.pattern, _TSFRESH_LOGS)
        out.append(told)
    return out


def ratios(rounds: list[dict[str, Any]], logs: int, kind: str) -> dict[str, list[float]]:
    """Ratios of each round, by figure; ``kind`` is ``wall`` or ``cpu``."""
    key = f"{kind}_s"

    def per_log(job: dict[str, Any]) -> float:
        return float(job[key]) / job.get("logs", logs)

    found: dict[str, list[float]] = {}
    for told in rounds:
        bare, csv = told["scan"][key], told["csv"][key]
        found.setdefault("whole path over the bare scan", []).append(csv / bare)
        found.setdefault("judged again from the store over the scan", []).append(told["csv"][f"again_{key}"] / bare)
        found.setdefault("looking for copies over the scan", []).append(told["csv"][f"copies_{key}"] / bare)
        for form in ("parquet", "irregular", "messy"):
            if form in told:
                found.setdefault(f"{form} over the CSV path", []).append(told[form][key] / csv)
        # one core's worth of ours against a loop on one core
        found.setdefault("per log over the pandas loop", []).append(
            told["csv"]["cpu_s"] / logs / per_log(told["pandas"])
        )
        found.setdefault("Polars group_by over the scan", []).append(told["group_by"][key] / bare)
        if "tsfresh" in told:
            found.setdefault("per log over tsfresh", []).append(told["csv"]["cpu_s"] / logs / per_log(told["tsfresh"]))
    return found


def table(rounds: list[dict[str, Any]], logs: int) -> str:
    """The ratios in words: median, lowest and highest of the rounds."""
    wall, cpu = ratios(rounds, logs, "wall"), ratios(rounds, logs, "cpu")
    lines = [
        f"{logs} logs, {os.cpu_count()} cores, {len(rounds)} rounds",
        f"{'figure':<46}{'wall':>26}{'processor':>26}",
    ]
    for name in wall:
        cells = [f"{statistics.median(x):.3g} ({min(x):.3g} - {max(x):.3g})" for x in (wall[name], cpu[name])]
        lines.append(f"{name:<46}{cells[0]:>26}{cells[1]:>26}")
    peak = statistics.median(told["csv"]["peak_mb"] for told in rounds)
    bare = statistics.median(told["scan"]["wall_s"] for told in rounds)
    lines += [
        f"peak memory {peak:.0f} MB; bare scan {bare:.2f} s; store {rounds[0]['csv']['store_bytes'] / logs:.0f} bytes a log"
    ]
    return "\n".join(lines)


def growth(scratch: Path, sizes: list[int]) -> list[dict[str, float]]:
    """What a log costs, by the size of the fleet."""
    warm = make_corpus(scratch, 200, seed=8)
    rows = []
    for logs in sizes:
        corpus: Corpus = make_corpus(scratch, logs)
        told = run_job("ours", corpus.folder, corpus.pattern, warm.folder)
        bare = run_job("scan", corpus.folder, corpus.pattern)
        rows.append(
            {
                "logs": logs,
                "cpu_us_per_log": told["cpu_s"] / logs * 1e6,
                "copies_us_per_log": told["copies_cpu_s"] / logs * 1e6,
                "scan_us_per_log": bare["cpu_s"] / logs * 1e6,
                "peak_mb": told["peak_mb"],
            }
        )
    return rows


def draw(rows: list[dict[str, float]], path: Path) -> None:
    """Cost per log against fleet size, as SVG."""
    import altair as alt
    import polars as pl

    frame = pl.DataFrame(rows).unpivot(
        ["cpu_us_per_log", "copies_us_per_log", "scan_us_per_log"], index="logs", variable_name="what", value_name="us"
    )
    chart = (
        alt.Chart(frame, title="Processor time per log against the size of the fleet")
        .mark_line(point=True)
        .encode(
            x=alt.X("logs:Q", scale=alt.Scale(type="log"), title="logs"),
            y=alt.Y("us:Q", title="microseconds a log"),
            color="what:N",
            shape="what:N",
        )
    )
    chart.save(str(path))


def main() -> None:
    """Measure and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--scratch", type=Path, required=True, help="where corpora are kept; some 2 GB for 20 000 logs")
    ask.add_argument("--logs", type=int, default=20_000)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--growth", type=int, nargs="*", default=[])
    given = ask.parse_args()
    given.scratch.mkdir(parents=True, exist_ok=True)
    if given.rounds:
        rounds = measure(given.scratch, given.logs, given.rounds)
        (given.scratch / "rounds.json").write_text(json.dumps(rounds, indent=1))
        print(table(rounds, given.logs))
    if given.growth:
        rows = growth(given.scratch, given.growth)
        (given.scratch / "growth.json").write_text(json.dumps(rows, indent=1))
        draw(rows, given.scratch / "growth.svg")
        for row in rows:
            print("  ".join(f"{name} {value:.0f}" for name, value in row.items()))


if __name__ == "__main__":
    main()
