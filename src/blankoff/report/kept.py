"""What was made for one page and is wanted on others: the latest of it."""

from __future__ import annotations

from typing import Generic, TypeVar

__all__ = ["Kept"]

V = TypeVar("V")


class Kept(Generic[V]):
    """The latest things made, by name; the oldest is forgotten where there are too many."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._made: dict[str, V] = {}

    def get(self, name: str) -> V | None:
        """Return what was made under a name, if it is still here."""
        return self._made.get(name)

    def keep(self, name: str, made: V) -> V:
        """Keep something and return it."""
        if len(self._made) >= self._most:
            del self._made[next(iter(self._made))]
        self._made[name] = made
        return made
