"""A log handed in as Parquet: the same columns, already typed."""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Any

import numpy as np
import polars as pl

from blankoff.errors import LogUnreadableError
from blankoff.ingest.arrow import pa
from blankoff.ingest.dialect import Columns, clean_heading, standard_columns
from blankoff.ingest.parquet_bounded import is_nested, open_bounded, read_bounded
from blankoff.ingest.rejects import Rejects, printable
from blankoff.ingest.times import Moments, epoch_or_plain, parse_formatted, parse_moments
from blankoff.ingest.tolerant import MARK_CHARACTERS, FloatArray, RawLog, parse_numbers, parse_pressures
from blankoff.settings import LogLayout
from blankoff.units import PressureUnit, TemperatureUnit, to_celsius, to_micron

_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "ms": 1e-3}


@cache
def cannot() -> tuple[type[BaseException], ...]:
    """What the libraries say of damaged bytes."""
    return (
        pa.ArrowException,
        pl.exceptions.PolarsError,
        pl.exceptions.PanicException,
        OSError,
        ValueError,
        TypeError,
        KeyError,
        OverflowError,
        MemoryError,
    )


def read_parquet_log(data: bytes, shown: str, rejects: Rejects, layout: tuple[str, LogLayout] | None = None) -> RawLog:
    """Read one Parquet log; rows count from 1.

    Raises
    ------
    LogUnreadableError
        Not readable as Parquet, too large, or without a time and a pressure.
    """
    try:
        columns, used = _read_columns(data, shown, layout)
        return _values(columns, used, shown, rejects, layout[0] if layout else "")
    except LogUnreadableError:
        raise
    except cannot() as error:
        reason = (str(error).splitlines() or [type(error).__name__])[0]
        raise LogUnreadableError(shown, f"it cannot be read as Parquet ({printable(reason, 120)})") from None


def _read_columns(data: bytes, shown: str, layout: tuple[str, LogLayout] | None) -> tuple[Columns, dict[int, Any]]:
    """Which column is what, and the Arrow columns that are used, by position."""
    file = open_bounded(data, shown)
    names = file.schema_arrow.names
    columns = _columns(names, shown, layout)
    used = [columns.time, columns.pressure, columns.ambient, columns.mark]
    wanted = list(dict.fromkeys(names[i] for i in used if i is not None))
    nested = [name for name in wanted if is_nested(file, name)]
    if nested:
        raise LogUnreadableError(shown, "the column holds lists or structures, not values", nested[0])
    table = read_bounded(file, data, wanted, shown)
    return columns, {i: table.column(names[i]) for i in used if i is not None}


def _values(columns: Columns, used: dict[int, Any], shown: str, rejects: Rejects, layout: str) -> RawLog:
    """Readings out of Arrow columns."""
    moments = times_of(used[columns.time], columns, shown)
    pressure, problem = pressures_of(used[columns.pressure])
    n = len(pressure)
    good = np.isfinite(moments.seconds)
    for i in np.flatnonzero(~good).tolist():
        rejects.add(i + 1, columns.name_of(columns.time), "no time in the time column; the row was left out")
    for i, why in problem.items():
        if good[i]:
            rejects.add(i + 1, columns.name_of(columns.pressure), why)
            good[i] = False
    ambient = np.full(n, np.nan)
    if columns.ambient is not None:
        ambient = ambient_of(used[columns.ambient], columns)
    where = np.flatnonzero(good)
    marks: list[tuple[int, str]] = []
    if columns.mark is not None:
        texts = text_of(used[columns.mark])
        new_index = {int(w): k for k, w in enumerate(where)}
        found = np.flatnonzero((texts.str.strip_chars().str.len_chars() > 0).fill_null(False).to_numpy())
        marks = [(new_index[int(i)], texts[int(i)].strip()[:MARK_CHARACTERS]) for i in found if int(i) in new_index]
    return RawLog(
        line=where + 1,
        time_s=moments.seconds[where],
        pressure_micron=to_micron(pressure[where], columns.unit),
        ambient_c=ambient[where],
        kind=moments.kind,
        unit=columns.unit.value,
        layout=layout,
        pressure_name=columns.name_of(columns.pressure),
        time_name=columns.name_of(columns.time),
        marks=marks,
    )


def ambient_of(column: Any, columns: Columns) -> FloatArray:
    """Ambient temperatures in degrees Celsius; NaN where there is none that can be."""
    ambient = to_celsius(numbers_of(column), columns.ambient_unit)
    with np.errstate(invalid="ignore"):
        ambient[~((ambient > -60) & (ambient < 80))] = np.nan
    return ambient


@lru_cache(maxsize=256)
def usual_columns(names: tuple[str, ...]) -> Columns | None:
    """Columns by headings that are in order; None where something must be said of the file."""
    try:
        return standard_columns(names, "", 0)
    except LogUnreadableError:
        return None


def _columns(names: list[str], shown: str, layout: tuple[str, LogLayout] | None) -> Columns:
    if layout is None:
        columns = usual_columns(tuple(names)) or standard_columns(names, shown, 0)
        if columns is None:
            raise LogUnreadableError(
                shown, "nothing in it can be a time and a pressure: no columns elapsed_s or timestamp, pressure_<unit>"
            )
        return columns
    name, known = layout
    folded = [clean_heading(n) for n in names]

    def place(column: str | int, what: str) -> int:
        if isinstance(column, int) and 1 <= column <= len(names):
            return column - 1
        if clean_heading(str(column)) in folded:
            return folded.index(clean_heading(str(column)))
        raise LogUnreadableError(shown, f"layout {name!r}: there is no column {column!r}", what)

    return Columns(
        time=place(known.time.column, "time"),
        time_style="stamp",
        pressure=place(known.pressure.column, "pressure"),
        unit=PressureUnit.coerce(known.pressure.unit),
        ambient=place(known.ambient.column, "ambient") if known.ambient else None,
        ambient_unit=TemperatureUnit.coerce(known.ambient.unit) if known.ambient else TemperatureUnit.C,
        mark=place(known.mark.column, "mark") if known.mark else None,
        time_format=known.time.format,
        time_scale_s=_SECONDS[known.time.unit],
        names=tuple(names),
    )


def _series(column: Any) -> pl.Series:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    result = pl.from_arrow(column)
    return result if isinstance(result, pl.Series) else pl.Series([], dtype=pl.String)


def text_of(column: Any) -> pl.Series:
    """Values as texts."""
    series = _series(column)
    return series if series.dtype == pl.String else series.cast(pl.String, strict=False)


def numbers_of(column: Any) -> FloatArray:
    """Values as numbers; NaN where there is none."""
    if pa.types.is_floating(column.type):
        return np.array(column.to_numpy(zero_copy_only=False), dtype=np.float64)
    series = _series(column)
    if series.dtype.is_numeric():
        return series.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(np.float64)
    if series.dtype in (pl.String, pl.Categorical):
        return parse_numbers(series.cast(pl.String), "?")
    return np.full(series.len(), np.nan)


def pressures_of(column: Any) -> tuple[FloatArray, dict[int, str]]:
    """Values as pressures in the column's unit, NaN over range; and by row why a value is none."""
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        values = numbers_of(column)
        values[values == np.inf] = np.nan
        return values, {
            int(i): "a negative absolute pressure is impossible; the row was left out"
            for i in np.flatnonzero(values == -np.inf)
        }
    series = _series(column)
    if series.dtype == pl.String:
        return parse_pressures(series, "?")
    return np.full(series.len(), np.nan), dict.fromkeys(
        range(series.len()), "no pressure in the pressure column; the row was left out"
    )


def times_of(column: Any, columns: Columns, shown: str) -> Moments:
    """Values as moments.

    Raises
    ------
    LogUnreadableError
        Dates can be read in more than one way.
    """
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        seconds = numbers_of(column)
        seconds[~np.isfinite(seconds)] = np.nan
        if columns.time_style == "stamp":
            moments = epoch_or_plain(seconds)
            if moments.kind == "aware":
                return moments
        return Moments("plain", seconds * columns.time_scale_s)
    series = _series(column)
    dtype: Any = series.dtype
    if isinstance(dtype, pl.Datetime):
        micros = series.cast(pl.Datetime("us", dtype.time_zone)).dt.epoch("us").cast(pl.Float64)
        seconds = micros.fill_null(np.nan).to_numpy() / 1e6
        return Moments("aware" if dtype.time_zone else "naive", seconds)
    if isinstance(dtype, pl.Duration):
        return Moments("plain", series.dt.total_microseconds().cast(pl.Float64).fill_null(np.nan).to_numpy() / 1e6)
    if dtype == pl.Time:
        return Moments("clock", (series.cast(pl.Int64).cast(pl.Float64) / 1e9).fill_null(np.nan).to_numpy())
    if dtype == pl.String:
        moments = parse_formatted(series, columns.time_format) if columns.time_format else parse_moments(series)
        if moments.question:
            raise LogUnreadableError(shown, moments.question, columns.name_of(columns.time))
        if moments.kind == "plain":
            return Moments("plain", moments.seconds * columns.time_scale_s)
        return moments
    return Moments("plain", np.full(series.len(), np.nan))
