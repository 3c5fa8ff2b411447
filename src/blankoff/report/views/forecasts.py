"""How good the oil forecasts were: those of past months against what then came."""

from __future__ import annotations

import statistics
from typing import Any

from blankoff.report.book import Book
from blankoff.report.charts.base import Chart, table_of
from blankoff.report.charts.forecasts import PastForecast, forecasts_chart
from blankoff.report.words import NONE, count, day, percent, plural

SPANS = ((0, 30), (30, 90), (90, 180), (180, 365))
FEWEST = 5


def _span(rows: list[dict[str, Any]], low: int, high: int) -> tuple[str, ...] | None:
    mine = [r for r in rows if low < r["days_ahead"] <= high or (low == 0 and r["days_ahead"] <= 0)]
    if not mine:
        return None
    out = [abs(r["error_days"]) for r in mine if r["error_days"] is not None]
    told = [r["covered"] for r in mine if r["covered"] is not None]
    return (
        f"up to {high} days" if low == 0 else f"{low} to {high} days",
        count(len(mine)),
        count(len(out)),
        NONE if not out else f"{count(round(statistics.median(out)))} days",
        NONE if not told else f"{percent(sum(told) / len(told))} of {count(len(told))}",
    )


def past_forecasts(book: Book) -> Chart | None:
    """Draw past forecasts that came true or did not; ``None`` when fewer than five can be told."""
    frame = book.backtest.sort("origin", "pump_id", "limit_micron")
    rows = list(frame.iter_rows(named=True))
    come = [r for r in rows if r["error_days"] is not None and r["covered"] is not None]
    told = [r["covered"] for r in rows if r["covered"] is not None]
    if len(come) < FEWEST:
        return None
    middle = statistics.median(abs(r["error_days"]) for r in come)
    past = [
        PastForecast(
            r["days_ahead"],
            -r["error_days"],
            r["covered"],
            f"{r['pump_id']}, forecast of {day(r['origin'])} for {book.pressure.text(r['limit_micron'])}\n"
            f"due {day(r['due_on'])} ({day(r['due_lower'])} to {day(r['due_upper'])}); came {day(r['came_on'])}",
            book.href("pump", r["pump_id"]),
        )
        for r in come
    ]
    spans = [s for s in (_span(rows, low, high) for low, high in SPANS) if s is not None]
    first, last = frame["origin"].min(), frame["origin"].max()
    return forecasts_chart(
        "past-forecasts",
        f"Past forecasts of oil were {plural(round(middle), 'day')} out in the middle; their bounds held in {percent(sum(told) / len(told))} of {count(len(told))}",
        "Past oil forecasts by how many days ahead they looked and how many days they were out, with whether their bounds held.",
        past,
        table_of(("looked ahead", "forecasts", "day known by now", "out by (middle)", "80 % bounds held"), spans),
        f"Forecasts made again as of each month's end from {day(first)} to {day(last)}, from what was known then, for the oil's limit and for "  # type: ignore[arg-type]
        "shares of it, and compared with what came. Oil changed before its day leaves that day open. Circle: the 80 % bounds held; triangle: they did not. A mark opens its pump.",
    )
