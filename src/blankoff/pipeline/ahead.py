"""Work done in threads, some pieces ahead of the one that reads and writes the store, and handed on in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from typing import TypeVar, TypeVarTuple

__all__ = ["in_order"]

_Given = TypeVarTuple("_Given")
_Done = TypeVar("_Done")


def in_order(work: Callable[[*_Given], _Done], pieces: Iterator[tuple[*_Given]], workers: int) -> Iterator[_Done]:
    """Do ``work(*piece)`` for every piece.

    Parameters
    ----------
    work
        Called in the threads; releases the interpreter lock for most of its time.
    pieces
        Taken here, as there is room for them.
    workers
        Threads; 1 is none beside this one.

    Yields
    ------
    object
        What comes of each piece, in the order of the pieces.
    """
    if workers == 1:
        yield from (work(*piece) for piece in pieces)
        return
    with ThreadPoolExecutor(workers, thread_name_prefix="blankoff") as pool:
        waiting: list[Future[_Done]] = [pool.submit(work, *piece) for piece in islice(pieces, 2 * workers + 1)]
        try:
            while waiting:
                done = waiting.pop(0).result()
                waiting.extend(pool.submit(work, *piece) for piece in islice(pieces, 1))
                yield done
        finally:
            for future in waiting:
                future.cancel()
