"""A thing's level month by month, against the fleet's middle or against what its register row promises."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from blankoff.report.book import Book
from blankoff.report.charts.base import Chart, table_of
from blankoff.report.charts.series import Event, Level, history_chart
from blankoff.report.views.common import capital
from blankoff.report.words import ACTION_WORDS, MEASURE_WORDS, count, month_name, plural, times

_MIDDLE = "the fleet's middle"
_WIDEST = 100.0
"""Upper over lower bound of a month's level beyond which it is not drawn: one such point would flatten all others."""
PROMISED = {
    "pump": ("what pumps of its rating give", "speed"),
    "hose": ("what hose sets of its bore and length give", "conductance"),
}
"""What speeds of gear are followed against, month by month, and as what: rating, bore and length are no merit and no fault."""


def promised(book: Book, factor: str, id_: str) -> bool:
    """Tell whether the register says what a pump or hose set should give."""
    row = book.register_of(factor).get(id_, {}) if factor in PROMISED else {}
    needed = {"pump": ("rated_l_per_s",), "hose": ("bore_mm", "length_m")}.get(factor, ())
    return bool(needed) and all(row.get(c) is not None for c in needed)


def history_words(book: Book, factor: str, id_: str, measure: str) -> tuple[str, str]:
    """What a history shows, and against what."""
    word = capital(MEASURE_WORDS[measure])
    if measure == "floor" or not promised(book, factor, id_):
        return word, _MIDDLE
    against, quantity = PROMISED[factor]
    return word.replace("Speed", capital(quantity)), against


def first_of(month: str) -> dt.date:
    """First day of ``YYYY-MM``."""
    return dt.date(int(month[:4]), int(month[5:7]), 1)


def _tells(row: Mapping[str, Any]) -> bool:
    """Tell whether a month's bounds are near enough to be worth drawing: within a factor of ten either way."""
    low, high = row["ratio_lower"], row["ratio_upper"]
    return low is None or high is None or (low > 0 and high / low <= _WIDEST)


def ratio_history(book: Book, factor: str, id_: str, measure: str) -> Chart | None:
    """Monthly level against the fleet's middle, with bounds and services; ``None`` without months."""
    rows = book.monthly_of(factor, id_, measure)
    if not rows:
        return None
    told = [r for r in rows if _tells(r)] or rows
    levels = [
        Level(
            first_of(r["month"]), r["ratio"], r["ratio_lower"], r["ratio_upper"], 1.0,
            f"{month_name(r['month'])}: {times(r['ratio'])} ({times(r['ratio_lower'])} to {times(r['ratio_upper'])}), {plural(r['n'] or 0, 'evacuation')}",
        )
        for r in told
    ]  # fmt: skip
    events = [
        Event(s["serviced_on"], ACTION_WORDS.get(s["action"], s["action"])) for s in book.services_of(factor, id_)
    ]
    last = rows[-1]
    word, against = history_words(book, factor, id_, measure)
    apart = last["ratio_lower"] is not None and not last["ratio_lower"] <= 1.0 <= last["ratio_upper"]
    stands = f"{times(last['ratio'])} of" if apart else "not clearly apart from"
    return history_chart(
        f"history-{measure}",
        f"{word}: {stands} {against} in {month_name(last['month'])}",
        f"{word} by month against {against} on like work, with 90 % bounds and services marked.",
        "ratio",
        "ratio to the fleet's middle" if against == _MIDDLE else "ratio",
        table_of(
            ("month", "ratio", "90 % bounds", "evacuations"),
            [
                (
                    month_name(r["month"]),
                    times(r["ratio"]),
                    f"{times(r['ratio_lower'])} to {times(r['ratio_upper'])}",
                    count(r["n"]),
                )
                for r in rows
            ],
        ),
        levels=levels,
        events=events,
        note=f"Line and band: this one with 90 % bounds. Dashes: {against}."
        + (" Upright lines: services." if events else "")
        + (" Months that tell it to a factor of ten at best are in the numbers only." if len(told) < len(rows) else ""),
    )
