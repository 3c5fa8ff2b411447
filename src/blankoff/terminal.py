"""A log's curve and a verdict as plain text: for terminals, pipes and 80 columns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blankoff.samples import FloatArray

_DOTS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.uint16)
_BRAILLE = 0x2800
_LABEL_WIDTH = 8


def curve(
    elapsed_s: FloatArray,
    pressure: FloatArray,
    *,
    levels: Sequence[tuple[float, str]] = (),
    moments: Sequence[tuple[float, str]] = (),
    unit: str = "micron",
    columns: int = 80,
    rows: int = 16,
    plain: bool = False,
) -> str:
    """Draw pressure over time on a log axis.

    Parameters
    ----------
    elapsed_s, pressure
        ``(N,)`` each; NaN pressure (over-range) is left blank.
    levels
        ``(pressure, name)`` of dashed lines across.
    moments
        ``(elapsed_s, name)`` of marks below the time axis.
    unit
        What the pressure is in.
    columns, rows
        Size of the drawing, axis included.
    plain
        Whether to keep to ASCII, for outputs that cannot show more.

    Returns
    -------
    str
        Lines of at most ``columns`` characters.
    """
    ok = np.isfinite(pressure) & (pressure > 0) & np.isfinite(elapsed_s)
    if int(ok.sum()) < 2:
        return "(fewer than two readings within the gauge's range: nothing to draw)"
    t, p = elapsed_s[ok], np.log10(pressure[ok])
    width = max(columns - _LABEL_WIDTH - 2, 20)
    low, high = float(p.min()), float(p.max())
    for level, _ in levels:
        low, high = min(low, np.log10(level)), max(high, np.log10(level))
    low, high = low - 0.05, high + 0.05
    end = float(elapsed_s[np.isfinite(elapsed_s)].max()) or 1.0
    fine_x = np.clip((t / end * (2 * width - 1)).astype(int), 0, 2 * width - 1)
    fine_y = np.clip(((high - p) / (high - low) * (4 * rows - 1)).astype(int), 0, 4 * rows - 1)
    cells = np.zeros((rows, width), dtype=np.uint16)
    np.bitwise_or.at(cells, (fine_y // 4, fine_x // 2), _DOTS[fine_y % 4, fine_x % 2])
    text = [[" "] * width for _ in range(rows)]
    for level, name in levels:
        row = int((high - np.log10(level)) / (high - low) * (4 * rows - 1)) // 4
        for x in range(width):
            text[row][x] = ("-" if plain else "╌") if x % 2 == 0 else " "
        shown = f" {name} "[: width - 1]
        # on the left, where the curve is still high above; on the right, where a quick one has come through there
        sides = (1, width - len(shown))
        at = next((x for x in sides if not cells[row, x : x + len(shown)].any()), 1)
        text[row][at : at + len(shown)] = list(shown)
    for y, x in zip(*np.nonzero(cells), strict=True):
        text[y][x] = "*" if plain else chr(_BRAILLE + int(cells[y, x]))
    labels = _axis_labels(low, high, rows)
    bar, corner, line = ("|", "+", "-") if plain else ("│", "└", "─")
    lines = [f"{labels.get(y, ''):>{_LABEL_WIDTH}}{bar}{''.join(text[y]).rstrip()}" for y in range(rows)]
    lines.append(" " * _LABEL_WIDTH + corner + line * width)
    minutes = end / 60
    scale = f"0{' ' * (width - 1 - len(f'{minutes:.0f} min'))}{minutes:.0f} min"
    lines.append(" " * (_LABEL_WIDTH + 1) + scale)
    if moments:
        under = [" "] * width
        for moment, name in moments:
            at = min(int(moment / end * (width - 1)), width - 1)
            word = f"^ {name}" if at + len(name) + 2 <= width else f"{name} ^"
            start = at if word.startswith("^") else max(at - len(word) + 1, 0)
            under[start : start + len(word)] = list(word)
        lines.append(" " * (_LABEL_WIDTH + 1) + "".join(under)[:width].rstrip())
    lines.insert(0, f"{unit:>{_LABEL_WIDTH}}")
    return "\n".join(lines)


def _axis_labels(low: float, high: float, rows: int) -> dict[int, str]:
    labels: dict[int, str] = {}
    for decade in range(int(np.floor(low)), int(np.ceil(high)) + 1):
        for digit in (1, 2, 5):
            value = np.log10(digit) + decade
            if low <= value <= high:
                row = int((high - value) / (high - low) * (4 * rows - 1)) // 4
                if not any(abs(row - other) < 2 for other in labels):
                    labels[row] = f"{digit * 10.0**decade:,.0f}".replace(",", " ")
    return labels
