"""Score how copies are found: a fleet by other physics, honest twins on the very same course, and copies of every kind.

    python -m tests.accuracy.copied DIR [--seed N] [--evacuations 1500] [--each 25] [--twins 150]

Twins are two logs of one and the same true curve, each with its own gauge noise: harder than what any two honest pulls
share.  Copies are changed as a copier might, mildly and heavily; what is laid over some is more than the noise there was.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

import blankoff as bo
from tests.accuracy import lumped
from tests.accuracy.lumped import make_lumped

Floats = NDArray[np.float64]

KINDS: dict[str, tuple[str, ...]] = {
    "whole": (),
    "shifted": ("shift",),
    "trimmed": ("trim",),
    "renoised": ("noise",),
    "resampled": ("resample",),
    "requantised": ("requantise",),
    "shifted and trimmed": ("shift", "trim"),
    "trimmed and renoised": ("trim", "noise"),
    "resampled and renoised": ("resample", "noise"),
}
"""What is done to a log, in this order."""

LEAST_READINGS = 60
"""Of a log that is copied; a copy keeps half of that."""


def changed(log: pl.DataFrame, how: str, rng: np.random.Generator) -> tuple[pl.DataFrame, str]:
    """Change a log's ``elapsed_s, pressure_micron, ambient_c`` in one way, and say how much."""
    t, p = log["elapsed_s"].to_numpy().astype(float), log["pressure_micron"].cast(pl.Float64).to_numpy()
    if how == "shift":
        by = round(float(rng.uniform(20, 900)), 1)
        return log.with_columns(pl.col("elapsed_s") + by), f"{by:.0f} s later"
    if how == "trim":
        share, end = float(rng.uniform(0, 0.3)), float(rng.uniform(0, 0.1)) * int(rng.integers(0, 2))
        span = t[-1] - t[0]
        kept = log.filter(pl.Series((t > t[0] + share * span) & (t < t[-1] - end * span)))
        return kept.with_columns(pl.col("elapsed_s") - kept["elapsed_s"][0]), f"{share:.2f} off"
    if how == "noise":
        size = float(rng.choice([0.003, 0.01, 0.02]))
        noisy = p * np.exp(rng.normal(0, size, p.size)) + rng.normal(0, 1, p.size)
        return _with_pressure(log, np.maximum(np.round(noisy), 1.0)), f"noise {size:.1%}"
    if how == "requantise":
        step = float(rng.choice([2, 5, 10]))
        return _with_pressure(log, np.maximum(np.round(p / step) * step, 1.0)), f"steps of {step:.0f}"
    if rng.random() < 0.5:
        every = int(rng.choice([2, 3]))
        return log[int(rng.integers(0, every)) :: every], f"every {every}th"
    usual = float(np.median(np.diff(t)))
    step = usual * float(rng.choice([0.5, 0.7, 1.5, 2, 2.5, 3]))
    at = np.arange(t[0] + rng.uniform(0, usual), t[-1], step)
    moved = pl.DataFrame({"elapsed_s": np.round(at, 1), "ambient_c": np.interp(at, t, log["ambient_c"].to_numpy())})
    return _with_pressure(moved, np.round(np.exp(np.interp(at, t, np.log(p))))), f"every {step:.1f} s"


def _with_pressure(log: pl.DataFrame, p: Floats) -> pl.DataFrame:
    return log.with_columns(pl.Series("pressure_micron", p).fill_nan(None))


def twins(
    ran: dict[str, Any], gain: float, offset: float, rng: np.random.Generator
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Two logs of one true curve, apart in the gauge's noise alone."""
    step = float(rng.uniform(0, 60)) if rng.random() < 0.6 else 0.0
    shown = np.r_[ran["pumped"], ran["held"] + step * -np.expm1(-ran["since_s"] / 4.0)] * gain + offset
    size = rng.uniform(0.002, 0.012)
    logs = []
    for _ in range(2):
        p = shown * np.exp(rng.normal(0, size, shown.size))
        grain = np.where(p < 1000, 1.0, np.where(p < 10_000, 10.0, 50.0))
        p = np.round(p / grain) * grain
        frame = pl.DataFrame({"elapsed_s": ran["t"], "ambient_c": 20.0})
        logs.append(_with_pressure(frame, np.where(p > 20_000, np.nan, p)))
    return logs[0], logs[1]


def make_copied(folder: Path, seed: int, evacuations: int, each: int, pairs: int) -> pl.DataFrame:
    """Write the fleet, and return ``evacuation_id, kind, copied_from, how`` of what was copied.

    Parameters
    ----------
    folder : path
        Gets ``fleet`` and ``fleet_truth``.
    seed, evacuations : int
    each, pairs : int
        Copies of every kind, and pairs of honest twins.
    """
    ran: list[tuple[dict[str, Any], float, float]] = []
    run_job = lumped.run_job

    def kept(circuit: Any, rig: Any, does: Any, gain: float, offset: float, every_s: float) -> dict[str, Any]:
        out = run_job(circuit, rig, does, gain, offset, every_s)
        ran.append((out, gain, offset))
        return out

    lumped.run_job = kept
    try:
        make_lumped(folder, seed=seed, evacuations=evacuations)
    finally:
        lumped.run_job = run_job
    rng = np.random.default_rng([seed, 1])
    fleet = folder / "fleet"
    register = pl.read_csv(fleet / "evacuations.csv", infer_schema=False)
    rows: list[dict[str, Any]] = []
    truth: list[dict[str, str]] = []

    def add(name: str, log: pl.DataFrame, like: dict[str, Any]) -> None:
        path = fleet / "logs" / "added" / f"{name}.csv"
        path.parent.mkdir(exist_ok=True)
        log.select("elapsed_s", "pressure_micron", "ambient_c").write_csv(path)
        rows.append({**like, "evacuation_id": name, "log_file": f"added/{name}.csv"})

    for n, k in enumerate(rng.permutation(len(ran))[:pairs].tolist()):
        for side, log in zip("AB", twins(*ran[k], rng), strict=True):
            add(f"TWIN-{n:03d}{side}", log, register.row(k, named=True))
    jobs = pl.concat([register, pl.DataFrame(rows, schema=register.schema)]).filter(pl.col("log_file") != "")
    order = iter(rng.permutation(jobs.height).tolist())
    for kind, ways in KINDS.items():
        n = 0
        while n < each:
            original = jobs.row(next(order), named=True)
            log = pl.read_csv(fleet / "logs" / original["log_file"], schema_overrides={"pressure_micron": pl.Float64})
            if log.height < LEAST_READINGS:
                continue
            how: list[str] = []
            for way in ways:
                log, told = changed(log, way, rng)
                how.append(told)
            if log.height < LEAST_READINGS // 2:
                continue
            later = pl.Series([original["started_at"]]).str.to_datetime() + pl.duration(days=float(rng.uniform(1, 60)))
            name = f"COPY-{len(truth):03d}"
            add(name, log, {**original, "started_at": pl.select(later).item().isoformat()})
            truth.append(
                {"evacuation_id": name, "kind": kind, "copied_from": original["evacuation_id"], "how": ", ".join(how)}
            )
            n += 1
    pl.concat([register, pl.DataFrame(rows, schema=register.schema)]).write_csv(fleet / "evacuations.csv")
    return pl.DataFrame(truth)


def found_of_each(truth: pl.DataFrame, copy_of: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """Count, by kind, the copies found and those named after the right log; and list the honest logs called copies."""
    joined = truth.join(copy_of.select("evacuation_id", "copy_of"), on="evacuation_id", how="left")
    counts = joined.group_by("kind", maintain_order=True).agg(
        n=pl.len(),
        found=pl.col("copy_of").is_not_null().sum(),
        rightly=(pl.col("copy_of") == pl.col("copied_from")).sum(),
    )
    return counts, copy_of.join(truth, on="evacuation_id", how="anti")["evacuation_id"].sort().to_list()


def main(arguments: list[str] | None = None) -> int:
    """Make, ingest and count."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("dir", type=Path)
    for name, usual in (("seed", 101), ("evacuations", 1500), ("each", 25), ("twins", 150)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    told = parser.parse_args(arguments)
    truth = make_copied(told.dir, told.seed, told.evacuations, told.each, told.twins)
    store = told.dir / "store.duckdb"
    store.unlink(missing_ok=True)
    with bo.open_store(store) as opened:
        bo.ingest(told.dir / "fleet", opened)
    with duckdb.connect(str(store), read_only=True) as connection:
        copy_of: pl.DataFrame = connection.sql("select * from copy_of").pl()
    counts, honest = found_of_each(truth, copy_of)
    for kind, n, found, rightly in counts.iter_rows():
        print(f"{kind:24s} {found:3d} of {n}, {rightly} named after the right log")
    print(f"honest logs called copies: {', '.join(honest) or 'none'}")
    missed = truth.join(copy_of, on="evacuation_id", how="anti")
    for name, kind, original, how in missed.iter_rows():
        print(f"missed: {name} of {original}, {kind}: {how or 'as it was'}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
