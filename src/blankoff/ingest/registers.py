"""Register files (CSV or Parquet) to typed frames; a bad row costs the row, a bad optional field the field."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from blankoff import schemas
from blankoff.errors import FleetFolderError, LogUnreadableError
from blankoff.ingest.clock import local_to_utc
from blankoff.ingest.hours import REGISTER_HOURS
from blankoff.ingest.register_cells import Cells, read_cells
from blankoff.ingest.rejects import Rejects, frame_of, printable
from blankoff.ingest.times import parse_moments
from blankoff.ingest.tolerant import parse_numbers
from blankoff.settings import Settings

MAY_BE_BLANK = {("evacuations", "log_file")}
"""Required columns whose fields may be blank: no log was handed in."""
_NEED_COLUMN = {
    "evacuations": ("evacuation_id",),
    "technicians": ("technician_id",),
    "pumps": ("pump_id",),
    "hoses": ("hose_id",),
    "gauges": ("gauge_id",),
    "systems": ("system_id",),
    "services": ("serviced_on", "asset", "asset_id", "action"),
    "coaching": ("coached_on", "technician_id", "topic"),
}
"""Columns without which a register says nothing; any other missing column costs what needs it, not the rows."""


@dataclass(frozen=True)
class Registers:
    """All registers of a fleet folder.

    Parameters
    ----------
    frames
        Register name to its frame, by its schema in ``schemas``, with ``row`` (line in the file) behind; a missing
        register has no rows.
    quarantine
        Rows of the ``quarantine`` table; ``seen_at`` is left to the caller.
    counts
        ``register, path, rows_handed_in, rows_kept, rows_refused``: the first is the sum of the others.
    missing
        ``register, column, problem``: registers (column null) and columns that are not there.
    """

    frames: Mapping[str, pl.DataFrame]
    quarantine: pl.DataFrame
    counts: pl.DataFrame
    missing: pl.DataFrame


def read_registers(folder: str | Path, settings: Settings | None = None) -> Registers:
    """Read every register of a fleet folder.

    Parameters
    ----------
    folder
        The fleet folder.
    settings
        For the time zone in which naive times are read.

    Returns
    -------
    Registers
        Typed frames in file order, what was refused and why, and counts that add up.

    Raises
    ------
    FleetFolderError
        There is no usable ``evacuations`` register.
    """
    settings = settings or Settings()
    folder = Path(folder)
    frames: dict[str, pl.DataFrame] = {}
    rejects: list[Rejects] = []
    counts: list[tuple[str, str | None, int, int, int]] = []
    missing: list[tuple[str, str | None, str]] = []
    for name, table in schemas.REGISTERS.items():
        path, spare = _find(folder, name)
        if spare is not None and path is not None:
            beside = Rejects(spare.name)
            beside.add(None, "", f"{path.name} is there too and was used; keep one of them")
            rejects.append(beside)
        empty = table.empty().with_columns(pl.Series("row", [], dtype=pl.Int64))
        if path is None:
            if name == "evacuations":
                raise FleetFolderError(
                    f"{printable(folder, 300)}: there is no evacuations.csv (or .parquet); it is the register every run needs"
                )
            frames[name] = empty
            missing.append((name, None, f"there is no {name}.csv"))
            continue
        collected = Rejects(path.name)
        try:
            cells = read_cells(path, collected)
            _check_columns(name, cells, path.name)
        except LogUnreadableError as error:
            if name == "evacuations":
                raise FleetFolderError(f"{path.name}: {error.problem}") from None
            whole = Rejects(path.name)
            whole.add(None, error.field, error.problem)
            rejects.append(whole)
            frames[name] = empty
            missing.append((name, None, f"{path.name} cannot be used: {error.problem}"))
            counts.append((name, path.name, 1, 0, 1))
            continue
        missing += [
            (name, c.name, f"{path.name} has no column {c.name}") for c in table.columns if c.name not in cells.columns
        ]
        frame = _typed(name, table, cells, settings, collected)
        frames[name] = frame
        handed_in = len(cells.lines) + cells.refused
        counts.append((name, path.name, handed_in, frame.height, handed_in - frame.height))
        rejects.append(collected)
    return Registers(
        frames=frames,
        quarantine=frame_of(rejects),
        counts=pl.DataFrame(
            counts,
            schema={
                "register": pl.String,
                "path": pl.String,
                "rows_handed_in": pl.Int64,
                "rows_kept": pl.Int64,
                "rows_refused": pl.Int64,
            },
            orient="row",
        ),
        missing=pl.DataFrame(
            missing, schema={"register": pl.String, "column": pl.String, "problem": pl.String}, orient="row"
        ),
    )


def _find(folder: Path, name: str) -> tuple[Path | None, Path | None]:
    """Return the file of a register, CSV before Parquet, letter case aside; and the other one, where both are there."""
    try:
        by_name = {p.name.casefold(): p for p in sorted(folder.iterdir(), reverse=True) if p.is_file()}
    except OSError as error:
        raise FleetFolderError(f"{printable(folder, 300)}: the folder cannot be read ({error.strerror})") from None
    found = [by_name[f"{name}{s}"] for s in (".csv", ".parquet") if f"{name}{s}" in by_name]
    return (found[0] if found else None), (found[1] if len(found) > 1 else None)


def _check_columns(name: str, cells: Cells, shown: str) -> None:
    lacking = [c for c in _NEED_COLUMN[name] if c not in cells.columns]
    if lacking:
        raise LogUnreadableError(
            shown,
            f"this is no {name} register: its heading lacks {', '.join(lacking)}; correct the heading",
            lacking[0],
        )


# --- text to typed frames -----------------------------------------------------------------------------------------


def _typed(name: str, table: schemas.Table, cells: Cells, settings: Settings, rejects: Rejects) -> pl.DataFrame:
    """Typed frame of the rows that stay."""
    n = len(cells.lines)
    lines = np.array(cells.lines, dtype=np.int64)
    stays = np.ones(n, dtype=bool)
    typed: dict[str, pl.Series] = {}
    field_faults: list[tuple[int, str, str, object]] = []
    asked: list[tuple[int, str, str, object]] = []
    for column in table.columns:
        text = cells.columns.get(column.name)
        if text is None:
            typed[column.name] = pl.Series(column.name, [None] * n, dtype=column.dtype)
            continue
        values, problem = _convert(name, column, text, settings)
        typed[column.name] = values
        if column.dtype == schemas.TIME:
            asked += [(i, column.name, question, text[i]) for i, question in _asked_of_hours(text, values, settings)]
        blank = text.is_null().to_numpy()
        wrong = values.is_null().to_numpy() & ~blank
        needed = column.required and (name, column.name) not in MAY_BE_BLANK
        for i in np.flatnonzero(wrong | (blank if needed else False)).tolist():
            is_date = column.dtype in (pl.Date, schemas.TIME)
            if stays[i] and (needed or (wrong[i] and is_date and column.required)):
                stays[i] = False
                rejects.add(int(lines[i]), column.name, problem if wrong[i] else "a required field is blank", text[i])
            elif stays[i]:
                field_faults.append((i, column.name, problem, text[i]))
    _refuse_repeats(name, table, typed, lines, stays, rejects)
    for i, column_name, problem, value in field_faults:
        if stays[i]:
            rejects.add(int(lines[i]), column_name, f"{problem}; the field was left blank", value)
    for i, column_name, question, value in asked:
        if stays[i]:
            rejects.add(int(lines[i]), column_name, question, value)
    frame = pl.DataFrame([*typed.values(), pl.Series("row", lines)])
    return frame.filter(pl.Series(stays))


def _convert(name: str, column: schemas.Column, text: pl.Series, settings: Settings) -> tuple[pl.Series, str]:
    """Values of one column, null where blank or wrong, and what is wrong with the wrong ones."""
    choices = schemas.REGISTER_CHOICES.get((name, column.name))
    if choices is not None:
        folded = text.str.to_lowercase().str.replace_all(r"[\s-]+", "_")
        values = pl.select(pl.when(folded.is_in(choices)).then(folded)).to_series().alias(column.name)
        return values, f"not one of {', '.join(choices)}"
    if column.dtype == pl.String:
        return text.alias(column.name), ""
    if column.dtype == schemas.TIME:
        return _times(column.name, text, settings)
    if column.dtype == pl.Date:
        return _dates(column.name, text)
    numbers = parse_numbers(text, "?" if _is_decimal_comma(text) else ".")
    numbers[~np.isfinite(numbers)] = np.nan
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    with np.errstate(invalid="ignore"):
        numbers[~((numbers >= low) & (numbers <= high))] = np.nan
    return pl.Series(column.name, numbers).fill_nan(None), f"not a number from {low:g} to {high:g}"


def _is_decimal_comma(text: pl.Series) -> bool:
    """Whether a column's commas can only be decimal marks: no field would be a group of thousands."""
    with_comma = text.filter(text.str.contains(",", literal=True).fill_null(False))
    return (
        with_comma.len() > 0
        and bool(with_comma.str.contains(r"^[+-]?\d+,\d+$").all())
        and not bool(with_comma.str.contains(r"^[+-]?\d{1,3},\d{3}$").all())
    )


def _times(name: str, text: pl.Series, settings: Settings) -> tuple[pl.Series, str]:
    seconds, question = _moments(text, settings.timezone)
    micros = pl.Series(name, np.round(seconds * 1e6)).fill_nan(None).cast(pl.Int64).cast(schemas.TIME)
    return micros, question or "an impossible date or time; write it as YYYY-MM-DDThh:mm"


def _dates(name: str, text: pl.Series) -> tuple[pl.Series, str]:
    seconds, question = _moments(text, "UTC")
    days = pl.Series(name, np.floor(seconds / 86_400.0)).fill_nan(None).cast(pl.Int32).cast(pl.Date)
    return days, question or "an impossible date; write it as YYYY-MM-DD"


def _moments(text: pl.Series, timezone: str) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], str]:
    """Seconds since 1970 UTC, aware and naive texts mixed; all NaN where the whole column leaves a question."""
    zoned = _is_zoned(text)
    out = np.full(text.len(), np.nan)
    question = ""
    for is_zoned in (False, True):
        where = np.flatnonzero((zoned == is_zoned).to_numpy())
        if where.size == 0:
            continue
        moments = parse_moments(text.gather(where), dates_of_many_jobs=True)
        if moments.kind not in ("aware", "naive"):
            continue
        seconds = moments.seconds if moments.kind == "aware" else local_to_utc(moments.seconds, timezone)[0]
        if moments.question:
            question = moments.question
            certain = text.gather(where).str.contains(r"^\s*\d{4}").fill_null(False).to_numpy()
            seconds = np.where(certain, seconds, np.nan)
        out[where] = seconds
    return out, question


def _asked_of_hours(text: pl.Series, values: pl.Series, settings: Settings) -> list[tuple[int, str]]:
    """Rows whose time was shown twice in the fleet's zone, or never, and what is asked of them."""
    # near a change of the clocks only: elsewhere a day before has the same offset as a day after
    known = values.drop_nulls().dt.truncate("1h").unique()
    offsets = (
        (known + dt.timedelta(days=days)).dt.convert_time_zone(settings.timezone).dt.base_utc_offset()
        + (known + dt.timedelta(days=days)).dt.convert_time_zone(settings.timezone).dt.dst_offset()
        for days in (-1, 1)
    )
    near = known.filter(next(offsets) != next(offsets))
    where = np.flatnonzero(
        (values.dt.truncate("1h").is_in(near.implode()).fill_null(False) & ~_is_zoned(text)).to_numpy()
    )
    if where.size == 0:
        return []
    moments = parse_moments(text.gather(where), dates_of_many_jobs=True)
    if moments.kind != "naive":
        return []
    _, times = local_to_utc(moments.seconds, settings.timezone)
    return [(int(where[i]), REGISTER_HOURS[int(times[i])]) for i in np.flatnonzero(times != 1).tolist()]


def _is_zoned(text: pl.Series) -> pl.Series:
    """Whether a text says in which zone its time is."""
    return text.str.contains(r"(?i)(?:Z|UTC|GMT|\d[+-]\d{2}(?::?\d{2})?)\s*$").fill_null(False) & text.str.contains(
        ":", literal=True
    ).fill_null(False)


def _refuse_repeats(
    name: str,
    table: schemas.Table,
    typed: dict[str, pl.Series],
    lines: np.ndarray[tuple[int], np.dtype[np.int64]],
    stays: np.ndarray[tuple[int], np.dtype[np.bool_]],
    rejects: Rejects,
) -> None:
    """Of rows with the same key, the first stands."""
    seen: dict[tuple[object, ...], int] = {}
    keys = zip(*(typed[k].to_list() for k in table.key), strict=True)
    for i, key in enumerate(keys):
        if not stays[i]:
            continue
        if key in seen:
            stays[i] = False
            what = f"{table.key[0]} {key[0]}" if len(key) == 1 else "the same entry"
            rejects.add(int(lines[i]), table.key[0], f"given twice; line {seen[key]} stands", what)
        else:
            seen[key] = int(lines[i])


def clean_log_path(text: str) -> str | None:
    """A register's ``log_file`` as a plain path under ``logs/``; None if it leaves ``logs/``.

    Backslashes count as slashes; a leading ``./`` or ``logs/`` may be there (the latter is tried both ways by the
    caller).
    """
    path = text.strip().replace("\\", "/")
    if "\0" in path or path.startswith("/") or re.match(r"^[A-Za-z]:", path):
        return None
    parts = [p for p in path.split("/") if p not in ("", ".")]
    return None if ".." in parts or not parts else "/".join(parts)
