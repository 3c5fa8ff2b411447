"""Rows of a frame by evacuation, as pages ask for them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

__all__ = ["RowsById"]


class RowsById(Mapping[str, dict[str, Any]]):
    """Rows of a frame by evacuation id, each made when it is first asked for: a large fleet's are too many to hold."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame
        self._place = {e: i for i, e in enumerate(frame["evacuation_id"].to_list())}
        self._made: dict[str, dict[str, Any]] = {}

    def __getitem__(self, key: str) -> dict[str, Any]:
        made = self._made.get(key)
        if made is None:
            made = self._made[key] = self._frame.row(self._place[key], named=True)
        return made

    def __contains__(self, key: object) -> bool:
        return key in self._place

    def __iter__(self) -> Iterator[str]:
        return iter(self._place)

    def __len__(self) -> int:
        return len(self._place)
