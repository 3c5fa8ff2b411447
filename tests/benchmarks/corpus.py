"""A fleet folder of any size, drawn quickly: enough physics that every kernel has its work, no truth kept.

The curves are integrated for some hundred logs at once and are no substitute for `blankoff_synthetic`; they are for
timing. The same arguments always give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

Form = Literal["csv", "parquet", "irregular", "messy"]
_TOGETHER = 250
_TOP_MICRON = 20_000.0
_FIRST_DAY = dt.datetime(2025, 1, 2, 7, tzinfo=dt.UTC)


@dataclass(frozen=True)
class Corpus:
    """What was drawn."""

    folder: Path
    logs: int
    readings: int
    log_bytes: int
    pattern: str
    """Of its log files, for a scan."""


def make_corpus(folder: Path, logs: int, *, form: Form = "csv", readings: int = 1500, seed: int = 7) -> Corpus:
    """Draw a fleet folder, unless it is there already.

    Parameters
    ----------
    folder
        Where corpora are kept; this one gets a folder of its own in it.
    logs
        How many.
    form
        ``csv`` and ``parquet``: clean, even grid. ``irregular``: CSV with jittered times. ``messy``: CSV in layouts that
        are legal and tiresome: time stamps, quoted words for over-range, CRLF, semicolon and decimal comma, blank lines.
    readings
        Rows of a log in the mean; a log has 0.6 to 1.4 times as many.
    seed
        Of everything drawn.
    """
    place = folder / f"{form}_{logs}_{readings}_{seed}"
    note = place / "corpus.json"
    pattern = str(place / "logs" / "*" / ("*.parquet" if form == "parquet" else "*.csv"))
    if note.is_file():
        known = json.loads(note.read_text())
        return Corpus(place, known["logs"], known["readings"], known["log_bytes"], pattern)
    total = size = 0
    for first in range(0, logs, _TOGETHER):
        rng = np.random.default_rng([seed, first])
        n = min(_TOGETHER, logs - first)
        rows = rng.integers(int(0.6 * readings), int(1.4 * readings) + 1, n)
        numbers = np.arange(first, first + n)
        frame = _curves(rng, rows, numbers, jitter=form == "irregular")
        total += frame.height
        size += _write(place, frame, rows, numbers, form)
    _registers(place, logs, seed, ".parquet" if form == "parquet" else ".csv")
    note.write_text(json.dumps({"logs": logs, "readings": total, "log_bytes": size}))
    return Corpus(place, logs, total, size, pattern)


def _curves(rng: np.random.Generator, rows: np.ndarray, numbers: np.ndarray, *, jitter: bool) -> pl.DataFrame:
    """Elapsed time, pressure, ambient of some logs, one after another."""
    n, most = rows.size, int(rows.max())
    dt_s = rng.choice([1.0, 1.0, 2.0, 2.0, 3.0], n)
    span_s = dt_s * rows
    volume_l = rng.uniform(4.0, 20.0, n)
    # so sized that the target is reached a good way before the log ends
    speed_l_s = volume_l * 9.0 / (rng.uniform(0.3, 0.6, n) * span_s)
    knee_micron = rng.uniform(100.0, 600.0, n)
    gas = rng.lognormal(np.log(0.3), 0.8, n) * volume_l / 60.0 * rng.choice([1.0, 1.0, 1.0, 40.0], n)
    water_l_micron = np.where(rng.random(n) < 0.25, rng.uniform(2e4, 2e5, n) * volume_l / 20.0, 0.0)
    outgassing = rng.choice([0.0, 60.0, 200.0, 600.0], n)
    tau_s = rng.uniform(80.0, 500.0, n)
    isolated_s = span_s * rng.uniform(0.62, 0.8, n)
    isolated_s[rng.random(n) < 0.05] = np.inf
    ambient_c = rng.uniform(5.0, 32.0, n)
    saturation_micron = 4600.0 * np.exp(0.067 * ambient_c)
    boil = 0.002 * rng.uniform(0.5, 2.0, n)
    p = np.full(n, 6.3e5)
    pressure = np.empty((most, n))
    for k in range(most):
        pressure[k] = p
        pumping = k * dt_s < isolated_s
        rate = np.where(pumping, speed_l_s / volume_l * p / (p + knee_micron), 0.0)
        wet = np.where(water_l_micron > 0.0, boil, 0.0)
        since_s = np.maximum(k * dt_s - isolated_s, 0.0)
        source = gas / volume_l + np.where(pumping, 0.0, outgassing / tau_s * np.exp(-since_s / tau_s))
        total = rate + wet + 1e-12
        level = (source + wet * saturation_micron) / total
        water_l_micron = water_l_micron - wet * np.maximum(saturation_micron - p, 0.0) * volume_l * dt_s
        p = level + (p - level) * np.exp(-total * dt_s)
    pressure *= 1.0 + rng.uniform(0.001, 0.006, n) * rng.standard_normal(pressure.shape)
    here = np.arange(most)[:, None] < rows
    at = np.repeat(np.arange(n), rows)
    index = np.concatenate([np.arange(r) for r in rows])
    values = pressure.T[here.T]
    elapsed = index * dt_s[at]
    if jitter:
        elapsed = np.where(index == 0, 0.0, elapsed + rng.uniform(-0.4, 0.4, at.size) * dt_s[at])
    ambient = ambient_c[at] + 0.5 * np.sin(elapsed / 900.0)
    return pl.DataFrame(
        {
            "number": numbers[at],
            "elapsed_s": np.round(elapsed, 1),
            "pressure_micron": pl.Series(np.where(values > _TOP_MICRON, np.nan, np.round(values, 1)), nan_to_null=True),
            "ambient_c": np.round(ambient, 1),
        }
    )


def _name(number: int, suffix: str) -> str:
    return f"d{number // 1000:04d}/E{number:07d}{suffix}"


def _write(place: Path, frame: pl.DataFrame, rows: np.ndarray, numbers: np.ndarray, form: Form) -> int:
    suffix = ".parquet" if form == "parquet" else ".csv"
    paths = [place / "logs" / _name(int(k), suffix) for k in numbers]
    for parent in {p.parent for p in paths}:
        parent.mkdir(parents=True, exist_ok=True)
    bounds = np.concatenate([[0], np.cumsum(rows)])
    if form == "parquet":
        for path, a, b in zip(paths, bounds[:-1], bounds[1:], strict=True):
            frame[int(a) : int(b)].drop("number").write_parquet(path, compression="zstd")
    elif form == "messy":
        for number, path, a, b in zip(numbers, paths, bounds[:-1], bounds[1:], strict=True):
            path.write_bytes(_messy(frame[int(a) : int(b)], int(number)))
    else:
        # one call writes all; the files are cut from it at line ends
        text = frame.drop("number").write_csv(include_header=False).encode()
        ends = np.concatenate([[0], np.flatnonzero(np.frombuffer(text, dtype=np.uint8) == 10) + 1])[bounds]
        for path, a, b in zip(paths, ends[:-1], ends[1:], strict=True):
            path.write_bytes(b"elapsed_s,pressure_micron,ambient_c\n" + text[a:b])
    return sum(p.stat().st_size for p in paths)


def _messy(log: pl.DataFrame, number: int) -> bytes:
    """Six ways of writing the same thing, by turns."""
    way = number % 6
    stamp = (pl.lit(_FIRST_DAY) + pl.duration(milliseconds=pl.col("elapsed_s") * 1000)).alias("timestamp")
    if way == 0:
        frame = log.select(stamp.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"), "pressure_micron", "ambient_c")
        return frame.write_csv().encode()
    if way == 1:
        mark = pl.when(pl.int_range(pl.len()) == 40).then(pl.lit("opened, slowly")).otherwise(pl.lit("")).alias("mark")
        return log.select("elapsed_s", pl.col("pressure_micron").alias("pressure_mtorr"), mark).write_csv().encode()
    if way == 2:
        return log.select("elapsed_s", "pressure_micron", "ambient_c").write_csv(line_terminator="\r\n").encode()
    if way == 3:
        text = log.select("elapsed_s", "pressure_micron").write_csv(null_value="OL")
        return (text + "\n" + "\n").encode()
    if way == 4:
        frame = log.select("elapsed_s", (pl.col("pressure_micron") * 1.3332236842e-3).alias("pressure_mbar"))
        return frame.write_csv(separator=";", decimal_comma=True, float_precision=6).encode()
    frame = log.select(
        stamp.dt.strftime("%Y-%m-%d %H:%M:%S%.3f"), (pl.col("pressure_micron") * 0.13332236842).alias("p")
    )
    return frame.rename({"p": "pressure_pa"}).write_csv(float_precision=4).encode("utf-8-sig")


def _registers(place: Path, logs: int, seed: int, suffix: str) -> None:
    """Registers of a fleet in proportion: a technician, a pump and a hose for some 200 evacuations each."""
    rng = np.random.default_rng([seed, 10**9])
    technicians, pumps = max(logs // 200, 4), max(logs // 170, 4)
    number = np.arange(logs)
    who = rng.integers(0, technicians, logs)
    pump = (who + rng.integers(0, 3, logs)) % pumps
    start = [_FIRST_DAY + dt.timedelta(minutes=float(m)) for m in number * (60 * 24 * 365 / max(logs, 2000))]
    pl.DataFrame(
        {
            "evacuation_id": [f"E{k:07d}" for k in number],
            "log_file": [_name(int(k), suffix) for k in number],
            "started_at": [s.strftime("%Y-%m-%dT%H:%M:%SZ") for s in start],
            "technician_id": [f"T{k:03d}" for k in who],
            "pump_id": [f"P{k:03d}" for k in pump],
            "hose_id": [f"H{k:03d}" for k in (who * 2 + rng.integers(0, 2, logs)) % (2 * technicians)],
            "gauge_id": [f"G{k:03d}" for k in who],
            "system_id": [f"S{k:05d}" for k in rng.integers(0, max(logs // 3, 1), logs)],
            "reported": np.where(rng.random(logs) < 0.9, "passed", "failed"),
        }
    ).write_csv(place / "evacuations.csv")
    systems = np.arange(max(logs // 3, 1))
    pl.DataFrame(
        {
            "system_id": [f"S{k:05d}" for k in systems],
            "kind": "split",
            "volume_l": rng.uniform(4, 20, systems.size).round(1),
        }
    ).write_csv(place / "systems.csv")
    pl.DataFrame({"pump_id": [f"P{k:03d}" for k in range(pumps)], "rated_l_per_s": 2.0}).write_csv(place / "pumps.csv")
    pl.DataFrame({"technician_id": [f"T{k:03d}" for k in range(technicians)]}).write_csv(place / "technicians.csv")
    pl.DataFrame(
        {
            "gauge_id": [f"G{k:03d}" for k in range(technicians)],
            "top_of_range_micron": _TOP_MICRON,
            "accuracy_percent": 5.0,
        }
    ).write_csv(place / "gauges.csv")


def describe(corpus: Corpus) -> dict[str, object]:
    """Return a corpus as plain values."""
    return {k: str(v) if isinstance(v, Path) else v for k, v in asdict(corpus).items()}
