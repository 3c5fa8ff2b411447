"""A drawing with its data put in, and the JSON of it: what is the same for many is written once.

Drawings are grammar that does not change from page to page; their data are numbers by the thousand. So the grammar's text is
kept, and numbers are written a column at a time.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, TypeAlias, overload

import numpy as np
from numpy.typing import NDArray

Records: TypeAlias = list[dict[str, Any]]
Spec: TypeAlias = dict[str, Any]
Numbers: TypeAlias = NDArray[np.float64]
_MOST_DRAWINGS = 256


def safe_json(value: Any) -> str:
    """Dump as JSON with sorted keys that can't end a script element, nor break one."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


_FIGURES = [f".{digits}g" for digits in range(18)]


def figures(x: float | None, digits: int = 5) -> float | None:
    """Round to some figures for drawing; ``None`` where it isn't finite."""
    if x is None or not math.isfinite(x):
        return None
    return float(format(x, _FIGURES[digits]))


def figures_text(values: Numbers, digits: int = 5) -> list[str]:
    """Return numbers as JSON, rounded as `figures` does; ``null`` where one isn't finite."""
    if not values.size:
        return []
    texts = (f"%.{digits}g " * values.size % tuple(values.tolist())).split()
    if np.isfinite(values).all():
        return texts
    return [text if math.isfinite(x) else "null" for text, x in zip(texts, values.tolist(), strict=True)]


@lru_cache(maxsize=1024)
def _word(text: str) -> str:
    return safe_json(text)


class Columns(Sequence[dict[str, Any]]):
    """Records of a drawing held by column: arrays of numbers, drawn to five figures, or texts, one for all or one each."""

    def __init__(self, **columns: Numbers | str | Sequence[str]) -> None:
        self._columns = dict(sorted(columns.items()))
        self._length = max(len(c) for c in columns.values() if not isinstance(c, str))

    def __len__(self) -> int:
        return self._length

    @overload
    def __getitem__(self, at: int) -> dict[str, Any]: ...
    @overload
    def __getitem__(self, at: slice) -> Records: ...
    def __getitem__(self, at: int | slice) -> dict[str, Any] | Records:
        if isinstance(at, slice):
            return [self[k] for k in range(*at.indices(self._length))]
        if not -self._length <= at < self._length:
            raise IndexError(at)
        return {name: self._value(column, at) for name, column in self._columns.items()}

    def __iter__(self) -> Iterator[dict[str, Any]]:
        return (self[k] for k in range(self._length))

    def ends(self, name: str) -> list[float]:
        """Return the least and the greatest number of a column, as they are drawn; nothing where it has none."""
        column = np.asarray(self._columns[name])
        known = column[np.isfinite(column)]
        drawn = [figures(float(x)) for x in (known.min(), known.max())] if known.size else []
        return [x for x in drawn if x is not None]

    @staticmethod
    def _value(column: Numbers | str | Sequence[str], at: int) -> float | str | None:
        if isinstance(column, str):
            return column
        return figures(float(column[at])) if isinstance(column, np.ndarray) else column[at]

    @property
    def json(self) -> str:
        """The records as JSON, safe inside a script element; as `safe_json` of them, but that 12.0 is 12."""
        texts: list[list[str]] = []
        pattern: list[str] = []
        for name, column in self._columns.items():
            if isinstance(column, str):
                pattern.append(f"{_word(name)}:{_word(column)}".replace("%", "%%"))
                continue
            pattern.append(f"{_word(name)}:%s")
            texts.append(figures_text(column) if isinstance(column, np.ndarray) else [_word(t) for t in column])
        row = f"{{{','.join(pattern)}}}"
        return f"[{','.join([row % values for values in zip(*texts, strict=True)])}]"


class Written(Sequence[dict[str, Any]]):
    """Records of a drawing that were written before, each by itself."""

    def __init__(self, texts: Sequence[str]) -> None:
        self._texts = texts

    def __len__(self) -> int:
        return len(self._texts)

    @overload
    def __getitem__(self, at: int) -> dict[str, Any]: ...
    @overload
    def __getitem__(self, at: slice) -> Records: ...
    def __getitem__(self, at: int | slice) -> dict[str, Any] | Records:
        if isinstance(at, slice):
            return [json.loads(text) for text in self._texts[at]]
        record: dict[str, Any] = json.loads(self._texts[at])
        return record

    @property
    def json(self) -> str:
        """The records as JSON, safe inside a script element."""
        return f"[{','.join(self._texts)}]"


Data: TypeAlias = Mapping[str, Records | Columns | Written]


@dataclass(frozen=True)
class Filled:
    """A drawing with its named data put in.

    Parameters
    ----------
    drawing
        From `charts.base.build`; layers whose data is empty are left out: they would only make the drawing warn of axes
        without extent.
    data
        Records by name.
    changes
        Top-level entries in the place of the drawing's own.
    """

    drawing: Spec
    data: Data
    changes: Mapping[str, Any] = field(default_factory=dict)

    def top(self, name: str, default: Any = None) -> Any:
        """Return a top-level entry other than layers and data."""
        return self.changes.get(name, self.drawing.get(name, default))

    def _kept(self) -> list[int]:
        """Which layers have something to draw."""
        return [
            k
            for k, layer in enumerate(self.drawing.get("layer", []))
            if "data" not in layer or self.data.get(layer["data"].get("name", ""), True)
        ]

    def spec(self) -> Spec:
        """Return it as plain values."""
        kept = self._kept()
        layers = {"layer": [self.drawing["layer"][k] for k in kept]} if kept else {}
        data = {k: [dict(r) for r in v] for k, v in self.data.items() if v or not kept}
        return {**self.drawing, **layers, **self.changes, "datasets": data}

    def json(self) -> str:
        """Return it as JSON that is safe inside a script element."""
        kept, (layers, others) = self._kept(), _texts(self.drawing)
        parts = dict(others)
        if kept:
            parts["layer"] = f"[{','.join([layers[k] for k in kept])}]"
        parts |= {name: safe_json(value) for name, value in self.changes.items()}
        data = sorted((name, rows) for name, rows in self.data.items() if rows or not kept)
        texts = [f"{_word(n)}:{safe_json(r) if isinstance(r, list) else r.json}" for n, r in data]
        parts["datasets"] = f"{{{','.join(texts)}}}"
        return f"{{{','.join([f'{_word(name)}:{parts[name]}' for name in sorted(parts)])}}}"


_TEXTS: dict[int, tuple[Spec, list[str], dict[str, str]]] = {}


def _texts(drawing: Spec) -> tuple[list[str], dict[str, str]]:
    """Return the JSON of a drawing's layers and of its other entries, kept for the next time."""
    kept = _TEXTS.get(id(drawing))
    if kept is None:
        if len(_TEXTS) >= _MOST_DRAWINGS:
            _TEXTS.clear()
        others = {name: safe_json(value) for name, value in drawing.items()}
        # with the drawing itself, so that no other takes its place in memory
        kept = _TEXTS[id(drawing)] = (drawing, [safe_json(part) for part in drawing.get("layer", [])], others)
    return kept[1:]
