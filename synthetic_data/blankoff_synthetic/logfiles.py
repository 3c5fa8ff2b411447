"""Log files in a mix of layouts, and the ways in which the post spoils them."""

from __future__ import annotations

import datetime as dt
import gzip
import io
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import zstandard
from numpy.typing import NDArray

from .flow import MBAR_PER_MICRON
from .parts import Pull
from .water import PA_PER_MICRON

PER_MICRON = {
    "micron": 1.0,
    "mtorr": 1.0,
    "torr": 1e-3,
    "pa": PA_PER_MICRON,
    "hpa": PA_PER_MICRON * 1e-2,
    "kpa": PA_PER_MICRON * 1e-3,
    "mbar": MBAR_PER_MICRON,
}
DECIMALS = {"micron": 0, "mtorr": 0, "torr": 3, "pa": 2, "hpa": 4, "kpa": 5, "mbar": 4}


@dataclass(frozen=True)
class Layout:
    """How a logger writes.

    Attributes
    ----------
    unit : str
        Pressure unit.
    timestamp : str
        '' for elapsed seconds, 'naive' for local time, 'z' for UTC with a Z.
    over : str
        What stands in the pressure column above the range.
    ambient : str
        '', 'c' or 'f'.
    kind : str
        'csv', 'parquet' or 'house' (semicolons, decimal commas, UTF-16, three header lines).
    """

    unit: str
    timestamp: str
    over: str
    ambient: str
    kind: str


LAYOUTS: dict[str, Layout] = {
    "micron_elapsed": Layout("micron", "", "", "c", "csv"),
    "pa_timestamp": Layout("pa", "z", "inf", "", "csv"),
    "torr_elapsed": Layout("torr", "", "OVER", "f", "csv"),
    "mbar_parquet": Layout("mbar", "", "", "c", "parquet"),
    "mtorr_timestamp": Layout("mtorr", "naive", "nan", "c", "csv"),
    "hpa_house": Layout("hpa", "naive", "---", "c", "house"),
    "kpa_elapsed": Layout("kpa", "", "over range", "", "csv"),
}

HOUSE_NAME = "shed_writer"
HOUSE_FOLDER = "shed_writer"
HOUSE_LAYOUT_TOML = f"""
[log_layouts.{HOUSE_NAME}]
files = "{HOUSE_FOLDER}/**/*.txt"
delimiter = ";"
decimal = ","
encoding = "utf-16"
skip_rows = 3
time = {{ column = "Moment", format = "%d.%m.%Y %H:%M:%S" }}
pressure = {{ column = "Absolute", unit = "hpa" }}
ambient = {{ column = "Air", unit = "c" }}
"""


def log_name(layout: str, branch: str, month: str, evacuation_id: str, compression: str) -> str:
    """Path of a log under ``logs/``."""
    kind = LAYOUTS[layout].kind
    folder = branch.lower().replace(" ", "_")
    if kind == "house":
        return f"{HOUSE_FOLDER}/{month}/{evacuation_id}.txt"
    suffix = ".parquet" if kind == "parquet" else f".csv{compression}"
    return f"{folder}/{month}/{evacuation_id}{suffix}"


def log_bytes(pull: Pull, layout_name: str, started_at: dt.datetime, timezone: str, marked: bool, path: str) -> bytes:
    """Write a pull in a layout; compression follows from the path."""
    layout = LAYOUTS[layout_name]
    if layout.kind == "house":
        return _house(pull, started_at)
    frame = _frame(pull, layout, started_at, timezone, marked)
    buffer = io.BytesIO()
    if layout.kind == "parquet":
        frame.write_parquet(buffer, compression="zstd", statistics=False)
        return buffer.getvalue()
    frame.write_csv(buffer)
    return compress(buffer.getvalue(), path)


def compress(data: bytes, path: str) -> bytes:
    """Compress as the path's ending says; the same bytes on every run."""
    if path.endswith(".gz"):
        return gzip.compress(data, 6, mtime=0)
    if path.endswith(".zst"):
        return zstandard.ZstdCompressor(level=6).compress(data)
    return data


def expand(data: bytes, path: str) -> bytes:
    """Undo `compress`."""
    if path.endswith(".gz"):
        return gzip.decompress(data)
    if path.endswith(".zst"):
        return zstandard.ZstdDecompressor().decompress(data)
    return data


def _moments(pull: Pull, started_at: dt.datetime) -> NDArray[np.datetime64]:
    base = np.datetime64(started_at, "ms")
    return np.asarray(base + np.round(pull.elapsed_s * 1000.0).astype("timedelta64[ms]"))


def _frame(pull: Pull, layout: Layout, started_at: dt.datetime, timezone: str, marked: bool) -> pl.DataFrame:
    columns: dict[str, pl.Series] = {}
    if layout.timestamp:
        moment = started_at
        form = "%Y-%m-%dT%H:%M:%S%.3f"
        if layout.timestamp == "z":
            moment = started_at.replace(tzinfo=ZoneInfo(timezone)).astimezone(dt.UTC).replace(tzinfo=None)
            form += "Z"
        columns["timestamp"] = pl.Series(_moments(pull, moment)).dt.strftime(form)
    else:
        columns["elapsed_s"] = pl.Series(np.round(pull.elapsed_s, 1))
    value = pull.pressure_micron * PER_MICRON[layout.unit]
    number = pl.Series(value).fill_nan(None).round(DECIMALS[layout.unit])
    if DECIMALS[layout.unit] == 0:
        number = number.cast(pl.Int64)
    if layout.kind != "parquet":
        number = number.cast(pl.String).fill_null(layout.over)
    columns[f"pressure_{layout.unit}"] = number
    if layout.ambient and np.isfinite(pull.ambient_c).any():
        ambient = pull.ambient_c if layout.ambient == "c" else pull.ambient_c * 1.8 + 32.0
        columns[f"ambient_{layout.ambient}"] = pl.Series(np.round(ambient, 1))
    if marked and pull.marks:
        texts = [""] * pull.elapsed_s.size
        for at_s, text in pull.marks:
            texts[min(int(np.searchsorted(pull.elapsed_s, at_s)), len(texts) - 1)] = text
        columns["mark"] = pl.Series(texts)
    return pl.DataFrame(columns)


def _house(pull: Pull, started_at: dt.datetime) -> bytes:
    moments = pl.Series(_moments(pull, started_at)).dt.strftime("%d.%m.%Y %H:%M:%S").to_list()
    hpa = pull.pressure_micron * PER_MICRON["hpa"]
    lines = ["shed writer 3", f"readings;{len(moments)}", "", "Moment;Absolute;Air"]
    for moment, value, air in zip(moments, hpa, pull.ambient_c, strict=True):
        pressure = "---" if np.isnan(value) else f"{value:.4f}".replace(".", ",")
        warmth = "" if np.isnan(air) else f"{air:.1f}".replace(".", ",")
        lines.append(f"{moment};{pressure};{warmth}")
    return ("\r\n".join(lines) + "\r\n").encode("utf-16")


def mess_up(text: str, rng: np.random.Generator) -> tuple[str, list[str]]:
    """Spoil a CSV text a little: what it names costs at most the line it is in.

    Returns
    -------
    text : str
    troubles : list of str
        What was done.
    """
    lines = text.split("\n")
    header, body = lines[0], [line for line in lines[1:] if line]
    troubles = []
    if len(body) > 40:
        place = int(rng.integers(10, len(body) - 10))
        choice = str(rng.choice(["header", "nul", "negative", "half", "blank", "word", "crlf"]))
        fields = body[place].split(",")
        if choice == "header":
            body.insert(place, header)
        elif choice == "nul":
            body.insert(place, "\x00" * 12)
        elif choice == "negative":
            fields[1] = "-" + (fields[1] if fields[1].replace(".", "").isdigit() else "5")
            body.insert(place, ",".join(fields))
        elif choice == "half":
            body[-1] = body[-1][: max(1, body[-1].find(",") - 1)]
        elif choice == "blank":
            body.insert(place, "")
            body.insert(place, "")
        elif choice == "word":
            body.insert(place, ",".join(["lost", *fields[1:]]))
        else:
            body = [line + "\r" for line in body]
        troubles.append(choice)
    return "\n".join([header, *body]) + "\n", troubles


def disorder(text: str, rng: np.random.Generator) -> str:
    """Send one block of a CSV's lines twice and another one late."""
    lines = text.split("\n")
    header, body = lines[0], [line for line in lines[1:] if line]
    if len(body) < 60:
        return text
    start = int(rng.integers(0, len(body) - 40))
    block = body[start : start + 15]
    late = int(rng.integers(0, len(body) - 30))
    moved = body[late : late + 8]
    body = body[:late] + body[late + 8 :] + []
    body[late + 10 : late + 10] = moved
    body.extend(block)
    return "\n".join([header, *body]) + "\n"


def broken_bytes(kind: int, good: bytes, path: str) -> tuple[bytes, str]:
    """Make a file that cannot be used: bytes and what is wrong with it."""
    choice = ("not what its name says", "glued", "thousandfold", "no readings", "cut parquet or unknown unit")[kind % 5]
    if choice == "not what its name says":
        return b"\x1f\x8b\x08\x00broken" + bytes(range(200)), choice
    if choice == "glued" or path.endswith((".parquet", ".txt")):
        return ", ".join(f"{i}, 2026_03_20 {i}, {900 - i}.01" for i in range(200)).encode(), "glued"
    if choice == "thousandfold":
        rows = "\n".join(f"{5 * i},{0.76 * 0.97**i:.6f}" for i in range(200))
        return compress(f"elapsed_s,pressure_micron\n{rows}\n".encode(), path), choice
    if choice == "no readings":
        return compress(b"elapsed_s,pressure_micron\n", path), choice
    rows = "\n".join(f"{5 * i},{760 * 0.97**i:.3f}" for i in range(200))
    return compress(f"elapsed_s,pressure_furlong\n{rows}\n".encode(), path), choice


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file, its folders made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
