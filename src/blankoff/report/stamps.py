"""A number for each page of a single thing, of all that it shows: the same number, the same page.

What a page takes from the month's frames is named here once more, by row: whatever a page shows and this leaves out would stay on
it unchanged when it changes (`tests/report/test_stamps.py` changes every column of every frame and compares pages). What is
named and not shown costs only that the page is written again. Sums of the rows' hashes are taken, for rows have no order of
their own; those that the pages order by are among them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

import polars as pl

from blankoff import schemas
from blankoff.report.book import Book
from blankoff.report.book_frames import ASSETS, OWN_WORK_COLUMNS, PEOPLE
from blankoff.report.names import page_path

__all__ = ["page_stamps"]

_NOT_SHOWN = ("group_id", "group_name")
"""Of an evacuation: outcome groups are told of on the operations page alone."""
_NO_SUM = pl.DataFrame(schema={"key": pl.String, "sum": pl.UInt64})


def page_stamps(book: Book, base: str) -> dict[str, str]:
    """Return path → number for the pages of evacuations, technicians, pumps, hose sets and gauges.

    Parameters
    ----------
    book
        The month.
    base
        What all pages hang on beside its rows: the program, the settings, names, registers of gear.
    """
    paged = pl.col("evacuation_id").is_in(list(book.paged["evacuation"]))
    work = book.work.drop(_NOT_SHOWN, strict=False).with_columns(has_page=paged)
    shown = _rows(work, "evacuation_id").join(
        _total(
            _named(book.data.phase, "evacuation_id"),
            _named(book.data.log_keys, "evacuation_id"),
        ),
        on="key",
        how="left",
    ).select("key", sum=_plus("sum", "sum_right"))  # fmt: skip
    of_findings = _findings(book, work, shown)
    stamps: dict[str, str] = {}
    registers = book.data.registers.get("evacuations", schemas.EVACUATIONS.empty())
    refused = book.data.quarantine
    by_log = work.filter(pl.col("log_file").is_not_null()).select(
        "evacuation_id", path=pl.concat_str(pl.lit("logs/"), "log_file")
    )
    on_logs = by_log.join(refused, on="path", how="inner")
    _put(
        stamps, base, "evacuation", book.paged["evacuation"],
        [shown, _named(registers, "evacuation_id"), _named(on_logs, "evacuation_id"), of_findings["evacuation"]],
    )  # fmt: skip
    narrow = work.select(c for c in (*OWN_WORK_COLUMNS, "has_page") if c in work.columns)
    services = _until(book.data.registers.get("services", schemas.SERVICES.empty()), "serviced_on", book)
    coaching = _until(book.data.registers.get("coaching", schemas.COACHING.empty()), "coached_on", book)
    month = book.hours.filter(pl.col("month") == book.month)
    for factor in (*ASSETS, PEOPLE):
        column = f"{factor}_id"
        levels = [
            _named(frame.filter(pl.col("factor") == factor), "level_id") for frame in (book.effect, book.monthly, month)
        ]
        parts = [_named(narrow, column), of_findings[factor], *levels]
        if factor == PEOPLE:
            whose = work.select("evacuation_id", column).join(
                shown, left_on="evacuation_id", right_on="key", how="inner"
            )
            parts += [_named(frame, column) for frame in (whose, book.practice, coaching, book.talks)]
        else:
            parts.append(_named(services.filter(pl.col("asset") == factor), "asset_id"))
        if factor == "pump":
            parts.append(_named(book.oil, "pump_id"))
        _put(stamps, base, factor, book.paged[factor], parts)
    return stamps


def _until(frame: pl.DataFrame, column: str, book: Book) -> pl.DataFrame:
    return frame.filter(pl.col(column) <= book.data.as_of) if column in frame.columns else frame


def _rows(frame: pl.DataFrame, key: str) -> pl.DataFrame:
    """Each row's key and hash."""
    return frame.select(pl.col(key).alias("key"), pl.Series("sum", frame.hash_rows(seed=0), dtype=pl.UInt64))


def _named(frame: pl.DataFrame, key: str) -> pl.DataFrame:
    """Sum of the rows' hashes by key; rows without one are nobody's."""
    if key not in frame.columns or not frame.height:
        return _NO_SUM
    return _total(_rows(frame, key))


def _total(*sums: pl.DataFrame) -> pl.DataFrame:
    both = pl.concat([s.select("key", "sum") for s in sums]).filter(pl.col("key").is_not_null())
    return both.group_by("key").agg(pl.col("sum").sum())


def _plus(one: str, other: str) -> pl.Expr:
    return pl.col(one).fill_null(0) + pl.col(other).fill_null(0)


def _findings(book: Book, work: pl.DataFrame, shown: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """By subject, and for evacuations by all that a finding names: sums of findings with what their cards say of logs."""
    finding = book.finding.with_columns(no=pl.int_range(pl.len()))
    hashes = pl.Series("sum", book.finding.hash_rows(seed=0), dtype=pl.UInt64)
    told = finding.select("no", "kind", "subject", "subject_id", hashes)
    about = pl.col("subject") == "evacuation"
    logs = pl.concat(
        [
            finding.select("no", "kind", evacuation_id="evidence").explode("evacuation_id"),
            finding.filter(about).select("no", "kind", evacuation_id="subject_id"),
        ]
    ).filter(pl.col("evacuation_id").is_not_null())
    logs = logs.unique()
    cards = logs.join(work.select("evacuation_id", "month", "has_page"), on="evacuation_id", how="inner")
    twins = logs.filter(pl.col("kind") == "log_recycled").join(
        shown, left_on="evacuation_id", right_on="key", how="inner"
    )
    named = pl.concat(
        [
            told.select("no", "sum"),
            cards.select("no", pl.Series("sum", cards.select("evacuation_id", "month", "has_page").hash_rows(seed=0))),
            twins.select("no", pl.Series("sum", twins.select("evacuation_id", "sum").hash_rows(seed=1))),
        ]
    )
    told = told.drop("sum").join(named.group_by("no").agg(pl.col("sum").sum()), on="no", how="left")
    out = {
        factor: _total(told.filter(pl.col("subject") == factor).select("sum", key="subject_id"))
        for factor in (*ASSETS, PEOPLE)
    }
    out["evacuation"] = _total(logs.join(told.select("no", "sum"), on="no").select("sum", key="evacuation_id"))
    return out


def _put(stamps: dict[str, str], base: str, kind: str, ids: Iterable[str], parts: Sequence[pl.DataFrame]) -> None:
    sums = [dict(part.select("key", "sum").iter_rows()) for part in parts]
    for id_ in ids:
        text = " ".join([base, kind, id_, *(f"{s.get(id_, 0):x}" for s in sums)])
        stamps[page_path(kind, id_)] = hashlib.blake2b(
            text.encode("utf-8", "surrogatepass"), digest_size=16
        ).hexdigest()
