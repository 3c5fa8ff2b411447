"""Drawings for paper, written straight as SVG: no script engine is started for a sheet, and the same data give the same text.

A `Drawing` has two axes and takes marks in their units, in the order in which they shall lie over one another.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape

from blankoff.report.fonts import FAMILY
from blankoff.report.theme import LIGHT
from blankoff.report.words import THIN

__all__ = ["Axis", "Drawing", "axis_number", "even_ticks", "log_ticks"]

Point = tuple[float, float | None]

_DIGIT_PX, _LETTER_PX = 7.7, 6.6
"""Width of a digit at 12 px and of a letter at 11 px in the sheet's font."""
_BELOW_PX, _TITLE_PX, _TICK_PX = 40.0, 18.0, 5.0


def even_ticks(low: float, high: float, about: int) -> list[float]:
    """Multiples of 1, 2 or 5 times a power of ten from `low` to `high`, some `about` of them."""
    if not high > low:
        return [low]
    raw = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = power * next(m for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * 0.75)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [float(f"{k * step:.12g}") for k in range(first, last + 1)]


def log_ticks(low: float, high: float, most: int) -> list[float]:
    """1, 2 and 5 times powers of ten from `low` to `high`, or the powers alone where those are more than `most`."""
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for digits in ((1.0, 2.0, 5.0), (1.0, 3.0), (1.0,)):
        found = [v for k in decades for d in digits if low <= (v := float(f"{d}e{k}")) <= high]
        if len(found) <= most:
            break
    return found


def axis_number(value: float) -> str:
    """A number on an axis: thousands parted by a thin blank, as in the text."""
    return f"{value:,.10g}".replace(",", THIN).replace("-", "−")


@dataclass(frozen=True)
class Axis:
    """Range of one axis, in its own unit, and what stands beside it."""

    low: float
    high: float
    title: str
    log: bool = False
    about: int = 8

    def share(self, value: float) -> float:
        """Where a value lies, from 0 at the low end to 1 at the high one."""
        low, high, at = self.low, self.high, value
        if self.log:
            low, high, at = math.log(low), math.log(high), math.log(at)
        return (at - low) / (high - low) if high > low else 0.5

    @property
    def ticks(self) -> list[float]:
        """Values that are written beside it."""
        return (log_ticks if self.log else even_ticks)(self.low, self.high, self.about)


def _px(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _style(colour: str, width: float, dash: Sequence[float] = ()) -> str:
    dashes = f' stroke-dasharray="{",".join(map(_px, dash))}"' if dash else ""
    return f'fill="none" stroke="{LIGHT[colour]}" stroke-width="{_px(width)}"{dashes}'


@dataclass
class Drawing:
    """Marks on two axes; colours are roles of the light palette.

    Parameters
    ----------
    width, height
        Of the plane between the axes' ends and of all, px: `width` is of all, `height` of the plane alone.
    x, y
        The axes.
    legend
        ``(name, colour)`` of what is told above the plane.
    """

    width: float
    height: float
    x: Axis
    y: Axis
    legend: Sequence[tuple[str, str]] = ()
    _marks: list[str] = field(default_factory=list)

    @cached_property
    def left(self) -> float:
        """Where the plane begins, px."""
        return _TITLE_PX + _TICK_PX + 6.0 + _DIGIT_PX * max((len(axis_number(t)) for t in self.y.ticks), default=1)

    @property
    def top(self) -> float:
        """Where the plane begins, px."""
        return 26.0 if self.legend else 8.0

    @property
    def plane_width(self) -> float:
        """Width of the plane, px; half the last number beside it stays free."""
        return self.width - self.left - 14.0

    def _x(self, value: float) -> float:
        return self.left + self.plane_width * self.x.share(value)

    def _y(self, value: float) -> float:
        return self.top + self.height * (1.0 - self.y.share(value))

    def shade(self, start: float, end: float, colour: str, opacity: float = 1.0, high: float | None = None) -> None:
        """Shade from `start` to `end`, over the whole height or the first `high` px of it."""
        a, b = self._x(start), self._x(end)
        self._marks.append(
            f'<rect x="{_px(a)}" y="{_px(self.top)}" width="{_px(max(b - a, 0.5))}" '
            f'height="{_px(self.height if high is None else high)}" fill="{LIGHT[colour]}" opacity="{_px(opacity)}"/>'
        )

    def name_below(self, start: float, end: float, name: str, colour: str) -> None:
        """Write a name at the foot of a stretch that is wide enough for it."""
        if self._x(end) - self._x(start) > _LETTER_PX * len(name) + 6.0:
            self._text(self._x((start + end) / 2), self.top + self.height - 8.0, name, "middle", colour)

    def level(self, value: float, colour: str, dash: Sequence[float], label: str, *, right: bool) -> None:
        """Draw a line across at a value, named at its right or left end."""
        y = self._y(value)
        a, b = self.left, self.left + self.plane_width
        self._marks.append(f'<path d="M{_px(a)},{_px(y)}H{_px(b)}" {_style(colour, 1.4, dash)}/>')
        self._text(b - 4.0 if right else a + 4.0, y - 4.0, label, "end" if right else "start", colour, halo=True)

    def upright(self, value: float, colour: str, dash: Sequence[float], label: str = "") -> None:
        """Draw a line up and down at a value, named at its upper end."""
        x = self._x(value)
        self._marks.append(f'<path d="M{_px(x)},{_px(self.top)}v{_px(self.height)}" {_style(colour, 1.0, dash)}/>')
        if label:
            fits = x - self.left > _LETTER_PX * len(label)
            self._text(x - 4.0 if fits else x + 4.0, self.top + 11.0, label, "end" if fits else "start", colour)

    def line(self, points: Iterable[Point], colour: str, width: float, dash: Sequence[float] = ()) -> None:
        """Draw a line through points; it breaks where there is no value."""
        path, pen = [], "M"
        for x, y in points:
            if y is None:
                pen = "M"
                continue
            path.append(f"{pen}{_px(self._x(x))},{_px(self._y(y))}")
            pen = "L"
        self._marks.append(f'<path d="{"".join(path)}" stroke-linejoin="round" {_style(colour, width, dash)}/>')

    def area(self, edge: Sequence[tuple[float, float, float]], colour: str, opacity: float) -> None:
        """Fill between ``(x, upper, lower)``."""
        upper = [f"{_px(self._x(x))},{_px(self._y(y))}" for x, y, _ in edge]
        lower = [f"{_px(self._x(x))},{_px(self._y(y))}" for x, _, y in reversed(edge)]
        self._marks.append(
            f'<path d="M{"L".join(upper + lower)}Z" fill="{LIGHT[colour]}" fill-opacity="{_px(opacity)}"/>'
        )

    def dots(self, points: Iterable[tuple[float, float]], colour: str, radius: float = 1.6) -> None:
        """Draw a dot at each point."""
        discs = "".join(f'<circle cx="{_px(self._x(x))}" cy="{_px(self._y(y))}" r="{_px(radius)}"/>' for x, y in points)
        self._marks.append(f'<g fill="{LIGHT[colour]}" fill-opacity="0.75">{discs}</g>')

    def _text(self, x: float, y: float, text: str, anchor: str, colour: str, *, halo: bool = False) -> None:
        place = f'<text x="{_px(x)}" y="{_px(y)}" text-anchor="{anchor}" font-size="11"'
        if halo:  # first in the paper's colour, so that marks under it do not make it unreadable
            paper = LIGHT["paper"]
            self._marks.append(
                f'{place} fill="{paper}" stroke="{paper}" stroke-width="4" opacity="0.85">{escape(text)}</text>'
            )
        self._marks.append(f'{place} fill="{LIGHT[colour]}">{escape(text)}</text>')

    def _axes(self) -> tuple[list[str], list[str]]:
        """Lines that lie below the marks, and numbers and titles."""
        ink, muted = LIGHT["ink"], LIGHT["muted"]
        right, foot = self.left + self.plane_width, self.top + self.height
        below, beside = (
            [],
            [f'<path d="M{_px(self.left)},{_px(self.top)}V{_px(foot)}H{_px(right)}" {_style("muted", 1.0)}/>'],
        )
        for value in self.y.ticks:
            y = self._y(value)
            below.append(f'<path d="M{_px(self.left)},{_px(y)}H{_px(right)}" {_style("rule", 1.0)}/>')
            beside.append(f'<path d="M{_px(self.left - _TICK_PX)},{_px(y)}H{_px(self.left)}" {_style("muted", 1.0)}/>')
            beside.append(
                f'<text x="{_px(self.left - _TICK_PX - 3.0)}" y="{_px(y + 4.0)}" text-anchor="end" fill="{ink}">{axis_number(value)}</text>'
            )
        for value in self.x.ticks:
            x = self._x(value)
            beside.append(f'<path d="M{_px(x)},{_px(foot)}v{_px(_TICK_PX)}" {_style("muted", 1.0)}/>')
            beside.append(
                f'<text x="{_px(x)}" y="{_px(foot + 17.0)}" text-anchor="middle" fill="{ink}">{axis_number(value)}</text>'
            )
        middle = self.top + self.height / 2
        beside.append(
            f'<text x="{_px(self.left + self.plane_width / 2)}" y="{_px(foot + 34.0)}" text-anchor="middle" fill="{muted}">{escape(self.x.title)}</text>'
        )
        beside.append(
            f'<text transform="translate(12,{_px(middle)}) rotate(-90)" text-anchor="middle" fill="{muted}">{escape(self.y.title)}</text>'
        )
        return below, beside

    def svg(self) -> str:
        """Return the drawing."""
        below, beside = self._axes()
        told, at = [], self.left
        for name, colour in self.legend:
            told.append(f'<rect x="{_px(at)}" y="4" width="10" height="10" fill="{LIGHT[colour]}" fill-opacity="0.6"/>')
            told.append(f'<text x="{_px(at + 15.0)}" y="13" fill="{LIGHT["ink"]}">{escape(name)}</text>')
            at += 15.0 + 1.15 * _LETTER_PX * len(name) + 14.0
        high = _px(self.top + self.height + _BELOW_PX)
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{_px(self.width)}" height="{high}" '
            f'viewBox="0 0 {_px(self.width)} {high}" font-family="{FAMILY}" font-size="12">'
        )
        return "".join([head, *below, *self._marks, *beside, *told, "</svg>"])
