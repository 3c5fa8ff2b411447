"""The fonts that the sheet ships, and which characters they hold."""

from __future__ import annotations

import struct
from functools import lru_cache
from importlib.resources import files

FONT_FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
FAMILY = "DejaVu Sans"


def font_folder() -> str:
    """Return the folder that holds the fonts."""
    return str(files("blankoff.report") / "assets" / "fonts")


@lru_cache(maxsize=1)
def font_data() -> tuple[bytes, ...]:
    """Return the font files' content."""
    folder = files("blankoff.report") / "assets" / "fonts"
    return tuple((folder / name).read_bytes() for name in FONT_FILES)


def covered(font: bytes) -> frozenset[int]:
    """Return the code points of a TrueType font, from the segmented-coverage (format 12) table of its ``cmap``.

    References
    ----------
    ISO/IEC 14496-22, table ``cmap``, format 12.
    """
    tables = struct.unpack_from(">H", font, 4)[0]
    for i in range(tables):
        tag, _, start, _ = struct.unpack_from(">4sIII", font, 12 + 16 * i)
        if tag == b"cmap":
            break
    else:
        return frozenset()
    points: set[int] = set()
    for i in range(struct.unpack_from(">H", font, start + 2)[0]):
        offset = start + struct.unpack_from(">HHI", font, start + 4 + 8 * i)[2]
        if struct.unpack_from(">H", font, offset)[0] != 12:
            continue
        for group in range(struct.unpack_from(">I", font, offset + 12)[0]):
            first, last, glyph = struct.unpack_from(">III", font, offset + 16 + 12 * group)
            points.update(range(first + (glyph == 0), last + 1))
    return frozenset(points)


@lru_cache(maxsize=1)
def printable() -> frozenset[int]:
    """Code points that every shipped font holds."""
    return frozenset.intersection(*(covered(f) for f in font_data()))


def show(text: str, longest: int = 120) -> str:
    """Return text as the shipped fonts can print it: other characters as their code, long words breakable, cut at a length."""
    clipped = text if len(text) <= longest else text[: longest - 1] + "…"
    have = printable()
    known = "".join(c if ord(c) in have else " " if c in "\t\n\r" else f"[U+{ord(c):04X}]" for c in clipped)
    return " ".join(
        w if len(w) <= 28 else "\u200b".join(w[i : i + 14] for i in range(0, len(w), 14)) for w in known.split(" ")
    )
