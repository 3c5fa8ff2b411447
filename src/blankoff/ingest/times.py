"""Moments out of text: ISO 8601, other orders of day and month, clock times, stated formats; and elapsed seconds.

What the text leaves open is decided by the whole column or not at all: when day and month could be either, the column
comes back with the question instead of an answer.

Calendar rules: ISO 8601 (dates, times, offsets), the IANA time zone data for daylight saving.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
Kind = Literal["aware", "naive", "clock", "plain"]

DAY_S = 86_400.0
_EPOCH = datetime(1970, 1, 1)
EARLIEST_S = 0.0
"""1970: no logger's clock means an earlier moment."""
LATEST_S = 7_258_118_400.0
"""2200-01-01."""

_TIME = (
    r"(?:(?P<h>\d{1,2})[:h](?P<mi>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
    r"\s*(?P<half>[AaPp])?(?:\.?[Mm]\.?)?"
    r"\s*(?P<zone>Z|z|UTC|GMT|[+-]\d{2}(?::?\d{2})?)?)"
)
_DATE_TIME = (
    r"^\s*(?:[A-Za-z]{3,9},?\s+)?(?P<a>\d{1,4})\s?(?P<sep>[-/._ ])\s?(?P<b>\d{1,2}|[A-Za-z]{3,9})\.?\s?[-/._, ]\s?(?P<c>\d{1,4})(?:\s*[T ,_]\s*"
    + _TIME
    + r")?\s*$"
)
_MONTH_FIRST = r"^\s*(?P<b>[A-Za-z]{3,9})\.?\s+(?P<a>\d{1,2}),?\s+(?P<c>\d{4})(?:\s*[T ,]\s*" + _TIME + r")?\s*$"
_BASIC = (
    r"^\s*(?P<a>\d{4})(?P<b>\d{2})(?P<c>\d{2})(?:[T _-]?(?P<h>\d{2}):?(?P<mi>\d{2})(?::?(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
    r"\s*(?P<zone>Z|z|[+-]\d{2}(?::?\d{2})?)?)?\s*$"
)
_CLOCK = (
    r"^\s*(?P<h>\d{1,3}):(?P<mi>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?\s*(?P<half>[AaPp])?(?:\.?[Mm]\.?)?\s*$"
)
_NUMBER = r"^\s*[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?\s*$"
_MONTHS = {
    m: i + 1 for i, m in enumerate(["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"])
}
_ORDERS = {"ymd": "year-month-day", "dmy": "day-month-year", "mdy": "month-day-year"}


@dataclass(frozen=True)
class Moments:
    """A column of moments.

    Parameters
    ----------
    kind
        ``aware``: seconds since 1970 UTC. ``naive``: the wall clock's seconds since 1970, zone unsaid. ``clock``:
        seconds of an unsaid day. ``plain``: numbers without an epoch.
    seconds
        ``(n,)``, NaN where the text is no moment.
    question
        What must be answered before the column can be used; empty if nothing.
    """

    kind: Kind
    seconds: FloatArray
    question: str = ""


def _groups(texts: pl.Series, pattern: str) -> dict[str, pl.Series]:
    """Named groups of a pattern, as text."""
    fields = texts.str.extract_groups(pattern).struct.unnest()
    return {name: fields[name] for name in fields.columns}


def _number(fields: dict[str, pl.Series], name: str, absent: float = np.nan) -> FloatArray:
    if name not in fields:
        return np.full(next(iter(fields.values())).len(), absent)
    return fields[name].cast(pl.Float64, strict=False).fill_null(absent).to_numpy().astype(np.float64)


def days_from_civil(year: FloatArray, month: FloatArray, day: FloatArray) -> FloatArray:
    """Days since 1970-01-01 of Gregorian dates; NaN for a date that does not exist."""
    bad = ~((year >= 1) & (year <= 9999) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31))
    y = np.where(bad, 2000, year).astype(np.int64)
    m = np.where(bad, 1, month).astype(np.int64)
    d = np.where(bad, 1, day).astype(np.int64)
    leap = ((y % 4 == 0) & (y % 100 != 0)) | (y % 400 == 0)
    length = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])[m - 1] + ((m == 2) & leap)
    months = (y - 1970) * 12 + (m - 1)
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return np.where(bad | (d > length), np.nan, (first + d - 1).astype(np.float64))


def _time_of_day(fields: dict[str, pl.Series]) -> FloatArray:
    """Seconds of the day; NaN for impossible ones; midnight where no time is given."""
    h, mi, s = (_number(fields, k, 0.0) for k in ("h", "mi", "s"))
    fraction = np.zeros(h.size)
    if "f" in fields and fields["f"].null_count() < h.size:
        digits = ("0." + fields["f"].fill_null("0")).cast(pl.Float64, strict=False)
        fraction = digits.to_numpy().astype(np.float64)
    if "half" in fields and fields["half"].null_count() < h.size:
        half = fields["half"].fill_null("").str.to_lowercase()
        is_half = (half != "").to_numpy()
        wrong = is_half & ((h < 1) | (h > 12))
        h = np.where(is_half, h % 12 + 12.0 * (half == "p").to_numpy(), h)
        h = np.where(wrong, np.nan, h)
    bad = ~((mi < 60) & (s <= 60))
    return np.where(bad, np.nan, h * 3600 + mi * 60 + s + fraction)


def _offsets_s(fields: dict[str, pl.Series]) -> FloatArray:
    """Zone offsets in seconds; NaN where none is written."""
    if "zone" not in fields or fields["zone"].null_count() == fields["zone"].len():
        return np.full(next(iter(fields.values())).len(), np.nan)
    zone = fields["zone"]
    parts = zone.str.extract_groups(r"^(?P<sign>[+-])(?P<hh>\d{2}):?(?P<mm>\d{2})?$").struct.unnest()
    hh = parts["hh"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    mm = parts["mm"].cast(pl.Float64).fill_null(0.0).to_numpy()
    sign = np.where((parts["sign"] == "-").fill_null(False).to_numpy(), -1.0, 1.0)
    is_utc = zone.str.to_lowercase().is_in(["z", "utc", "gmt"]).fill_null(False).to_numpy()
    offset = sign * (hh * 3600 + mm * 60)
    return np.where(is_utc, 0.0, np.where(np.abs(offset) <= 18 * 3600, offset, np.nan))


def _full_year(year: FloatArray, digits: NDArray[np.int64]) -> FloatArray:
    """Two-digit years are this century's."""
    return np.where(digits <= 2, year + 2000, np.where(digits == 4, year, np.nan))


def _dated(fields: dict[str, pl.Series], one_job: bool) -> tuple[FloatArray, str]:
    """Days since 1970 of dates in three parts, in the one order that the whole column allows; or the question."""
    a, c = _number(fields, "a"), _number(fields, "c")
    a_digits, c_digits = (fields[k].str.len_chars().fill_null(0).to_numpy().astype(np.int64) for k in ("a", "c"))
    word = fields["b"].str.to_lowercase().str.slice(0, 3)
    named = word.replace_strict(_MONTHS, default=None, return_dtype=pl.Float64)
    b = fields["b"].cast(pl.Float64, strict=False).fill_null(named).fill_null(np.nan).to_numpy().astype(np.float64)
    is_named = named.is_not_null().to_numpy()
    year_first = a_digits == 4
    year_last = c_digits == 4
    days = {
        "ymd": days_from_civil(_full_year(a, a_digits), b, np.where(c_digits <= 2, c, np.nan)),
        "dmy": days_from_civil(_full_year(c, c_digits), b, np.where(a_digits <= 2, a, np.nan)),
        "mdy": days_from_civil(_full_year(c, c_digits), np.where(a_digits <= 2, a, np.nan), b),
    }
    days["mdy"][is_named] = np.nan
    if "sep" in fields:  # a two-digit year comes first only between hyphens, as in the older ISO 8601
        slashed = (fields["sep"] != "-").fill_null(True).to_numpy()
        days["ymd"][slashed & ~year_first] = np.nan
    days["ymd"][year_last & ~year_first] = np.nan
    chosen = days["ymd"].copy()
    open_rows = ~year_first & ((a_digits > 0) & (c_digits > 0))
    if not open_rows.any():
        return chosen, ""
    fits = {k: int(np.isfinite(v[open_rows]).sum()) for k, v in days.items()}
    left = [k for k in days if fits[k] == max(fits.values())]
    if one_job and len(left) > 1:
        left = _within_days(days, left, open_rows)
    distinct: list[str] = []
    for k in left:
        if not any(_same(days[k][open_rows], days[d][open_rows]) for d in distinct):
            distinct.append(k)
    chosen[open_rows] = days[distinct[0]][open_rows]
    if len(distinct) == 1:
        return chosen, ""
    i = int(np.flatnonzero(open_rows)[0])
    example = f"{fields['a'][i]} {fields['b'][i]} {fields['c'][i]}"
    orders = " or ".join(_ORDERS[k] for k in distinct)
    return chosen, (
        f"is the date {example} {orders}? Nothing in the file decides it; write dates as YYYY-MM-DD, or describe the "
        "layout with its time format in fleet.toml"
    )


def _same(x: FloatArray, y: FloatArray) -> bool:
    both = np.isfinite(x) & np.isfinite(y)
    return bool(np.array_equal(x[both], y[both]))


def _within_days(days: dict[str, FloatArray], names: list[str], rows: NDArray[np.bool_]) -> list[str]:
    """Orders under which one job spans days at most, when under others it would leap over weeks between two lines."""

    def span(values: FloatArray) -> float:
        finite = values[np.isfinite(values)]
        return float(np.ptp(finite)) if finite.size else np.inf

    near = [k for k in names if span(days[k][rows]) <= 3]
    return near or names


def parse_moments(texts: pl.Series, *, dates_of_many_jobs: bool = False) -> Moments:
    """Moments out of text in any of the usual spellings.

    Parameters
    ----------
    texts
        ``(n,)`` strings, null where blank.
    dates_of_many_jobs
        The column is a register's: its dates may lie years apart, so closeness decides nothing.

    Returns
    -------
    Moments
        NaN where a text is none; with a question if day and month could be either.
    """
    texts = texts.cast(pl.String)
    n = texts.len()
    result = np.full(n, np.nan)
    aware = np.zeros(n, dtype=bool)
    dated = np.zeros(n, dtype=bool)
    question = ""
    for pattern in (_BASIC, _DATE_TIME, _MONTH_FIRST):
        todo = ~dated & texts.str.contains(pattern).fill_null(False).to_numpy()
        if not todo.any():
            continue
        where = np.flatnonzero(todo)
        fields = _groups(texts.gather(where), pattern)
        days, asked = _dated(fields, one_job=not dates_of_many_jobs)
        question = question or asked
        clock = _time_of_day(fields)
        clock = np.where(clock <= DAY_S, clock, np.nan)
        offset = _offsets_s(fields)
        is_aware = fields["zone"].is_not_null().to_numpy() if "zone" in fields else np.zeros(where.size, dtype=bool)
        result[where] = days * DAY_S + clock - np.where(is_aware, offset, 0.0)
        aware[where] = is_aware
        dated[where] = True
    result[dated & ~((result >= EARLIEST_S) & (result < LATEST_S))] = np.nan
    if dated.any():
        good = dated & np.isfinite(result)
        if aware[good].sum() * 2 > good.sum():
            return Moments("aware", np.where(aware, result, np.nan), question)
        return Moments("naive", np.where(aware, np.nan, result), question)
    clocks = texts.str.contains(_CLOCK).fill_null(False).to_numpy()
    if clocks.any() and clocks.sum() * 2 > texts.str.contains(_NUMBER).fill_null(False).sum():
        where = np.flatnonzero(clocks)
        result[where] = _time_of_day(_groups(texts.gather(where), _CLOCK))
        return Moments("clock", result)
    numbers = texts.str.strip_chars().str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    plain = numbers.fill_null(np.nan).to_numpy().astype(np.float64)
    plain[~np.isfinite(plain)] = np.nan
    return epoch_or_plain(plain)


def epoch_or_plain(plain: FloatArray) -> Moments:
    """Numbers of some 10^9 are seconds since 1970, of 10^12 milliseconds; smaller ones have no epoch."""
    finite = plain[np.isfinite(plain)]
    middle = float(np.median(finite)) if finite.size else 0.0
    for scale in (1.0, 1e3, 1e6):
        if 6e8 * scale <= middle <= 5e9 * scale:
            return Moments("aware", plain / scale)
    return Moments("plain", plain)


_CHRONO = (("%S.%f", "%S%.f"), ("%S,%f", "%S,%f"), (".%f", "%.f"))


def parse_formatted(texts: pl.Series, fmt: str) -> Moments:
    """Moments by a stated strptime format, clock-only formats included.

    Raises
    ------
    ValueError
        The format itself is no strptime format.
    """
    has_date = any(c in fmt for c in ("%d", "%j", "%Y", "%y", "%m", "%b", "%B", "%x", "%c", "%D", "%F"))
    has_zone = "%z" in fmt
    kind: Kind = "aware" if has_zone else "naive" if has_date else "clock"
    fmt = fmt.replace("%F", "%Y-%m-%d").replace("%T", "%H:%M:%S").replace("%R", "%H:%M").replace("%D", "%m/%d/%y")
    fast = fmt
    for ours, theirs in _CHRONO:
        fast = fast.replace(ours, theirs)
    texts = texts.str.strip_chars()
    seconds: FloatArray | None = None
    if not has_zone and "%f" not in fast:
        seconds = _by_polars(texts, fast, has_date)
        if seconds is not None and not _agrees(texts, seconds, fmt):
            seconds = None
    if seconds is None:
        seconds = np.array([_strptime_s(t, fmt, has_zone) for t in texts], dtype=np.float64)
    if kind != "clock":
        seconds = np.where((seconds >= EARLIEST_S) & (seconds < LATEST_S), seconds, np.nan)
    else:
        seconds = seconds % DAY_S
    return Moments(kind, seconds)


def _by_polars(texts: pl.Series, fmt: str, has_date: bool) -> FloatArray | None:
    try:
        if has_date:
            micros = texts.str.to_datetime(fmt, time_unit="us", strict=False).dt.epoch("us")
        else:
            micros = texts.str.to_time(fmt, strict=False).cast(pl.Int64) // 1000
    except (pl.exceptions.PolarsError, ValueError):
        return None
    return micros.cast(pl.Float64).fill_null(np.nan).to_numpy() / 1e6


def _agrees(texts: pl.Series, seconds: FloatArray, fmt: str) -> bool:
    """Whether the fast parser and the reference parser say the same on a few lines, failures included."""
    n = len(seconds)
    sample = sorted({0, n // 2, n - 1, *np.flatnonzero(np.isnan(seconds))[:20].tolist()}) if n else []
    for i in sample:
        want = _strptime_s(texts[int(i)], fmt, False)
        got = seconds[i]
        if (
            not (np.isnan(want) and np.isnan(got))
            and not abs((want - got) % DAY_S if "%d" not in fmt else want - got) < 1e-5
        ):
            return False
    return True


def _strptime_s(text: str | None, fmt: str, has_zone: bool) -> float:
    if text is None:
        return float("nan")
    try:
        moment = datetime.strptime(text, fmt)
    except ValueError as error:
        if "format" in str(error) and "does not match" not in str(error) and "unconverted" not in str(error):
            raise
        return float("nan")
    except (OverflowError, re.error):
        return float("nan")
    if has_zone and moment.tzinfo is not None:
        return (moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    return (moment.replace(tzinfo=None) - _EPOCH).total_seconds()
