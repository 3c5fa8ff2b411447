"""How a long stage tells what it is doing, without knowing who listens."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

Progress: TypeAlias = Callable[[str, int, int], None]
"""Called with the stage's name, how much is done, and how much there is in all."""


def silent(stage: str, done: int, total: int) -> None:
    """Tell nobody."""
