"""Spreading like pieces of work over the processors; what comes back never depends on how many there are."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["in_threads"]

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def in_threads(work: Callable[[_Item], _Result], items: Sequence[_Item], together: int = 1) -> list[_Result]:
    """Results of ``work`` on every item, in the order of the items.

    Parameters
    ----------
    work : callable
        Must depend on its item alone, and spend its time in compiled code that lets go of the interpreter.
    items : sequence
    together : int
        Items handed to a thread at once; more where each is little work.
    """
    threads = os.cpu_count() or 1
    if threads <= 1 or len(items) <= together:
        return [work(item) for item in items]
    parts = [items[k : k + together] for k in range(0, len(items), together)]
    with ThreadPoolExecutor(threads) as pool:
        done = list(pool.map(lambda part: [work(item) for item in part], parts))
    return [result for part in done for result in part]
