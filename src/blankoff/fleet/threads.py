"""Spreading like pieces of work over the processors; what comes back never depends on how many there are."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import TypeVar

__all__ = ["in_threads"]

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
_here = threading.local()


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
    if threads <= 1 or len(items) <= together or getattr(_here, "is_one_of_many", False):
        return [work(item) for item in items]
    parts = [items[k : k + together] for k in range(0, len(items), together)]
    done = list(_pool(threads).map(lambda part: [work(item) for item in part], parts))
    return [result for part in done for result in part]


@lru_cache(maxsize=1)
def _pool(threads: int) -> ThreadPoolExecutor:
    """One pool for the whole run: some questions are put thousands of times, and a thread takes long to start."""
    return ThreadPoolExecutor(threads, initializer=_begin)


def _begin() -> None:
    """Note that this thread is one of the pool: what it would spread over others it does itself."""
    _here.is_one_of_many = True
