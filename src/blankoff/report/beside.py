"""Work shared with other processes: making pages is the interpreter's own work, which threads do not share.

They are started anew and not forked, for the frames' library has threads. What is to be done is handed out piece by piece, so that
nobody waits for another, and what a process did not bring to its end is done here.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any, Generic, TypeVar

__all__ = ["Shared", "serve", "shared_out"]

_ASKS_EVERY_S = 0.1
Piece = TypeVar("Piece")
Worker = Callable[..., Any]


class Shared(Generic[Piece]):
    """Pieces of work of which everybody takes the next; ``done`` gathers what came of those done elsewhere."""

    def __init__(self, pieces: Sequence[Piece]) -> None:
        self.done: list[Any] = []
        self._left = deque(pieces)
        self._threads: list[threading.Thread] = []
        self._others: list[subprocess.Popen[bytes]] = []

    def __iter__(self) -> Iterator[Piece]:
        """Yield the pieces that are to be done here; at the end those too that others left undone."""
        while True:
            try:
                yield self._left.popleft()
            except IndexError:
                for thread in self._threads:
                    thread.join()
                if not self._left:
                    return

    def begin(self, make: Callable[..., Worker], given: Sequence[Any], hand: Callable[[Piece], Sequence[Any]]) -> None:
        """Start another process and, in a thread, hand it what it asks for."""
        try:
            other = subprocess.Popen(
                [sys.executable, "-c", f"from {__name__} import serve; serve({os.getpid()})"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        except OSError:  # no second process to be had
            return
        self._others.append(other)
        self._threads.append(threading.Thread(target=self._hand_out, args=(other, make, given, hand), daemon=True))
        self._threads[-1].start()

    def _hand_out(
        self,
        other: subprocess.Popen[bytes],
        make: Callable[..., Worker],
        given: Sequence[Any],
        hand: Callable[[Piece], Sequence[Any]],
    ) -> None:
        assert other.stdin is not None
        assert other.stdout is not None
        try:
            pickle.dump((make, tuple(given)), other.stdin, protocol=pickle.HIGHEST_PROTOCOL)
            other.stdin.flush()
            pickle.load(other.stdout)  # it is ready
            while True:
                try:
                    piece = self._left.popleft()
                except IndexError:
                    return
                try:
                    pickle.dump(tuple(hand(piece)), other.stdin, protocol=pickle.HIGHEST_PROTOCOL)
                    other.stdin.flush()
                    self.done.append(pickle.load(other.stdout))
                except BaseException:
                    self._left.append(piece)
                    raise
        except Exception:  # it is dead, or cannot be given this: who waits for the piece does it, and meets the reason
            other.kill()

    def end(self) -> None:
        """Let nobody go on."""
        self._left.clear()
        for other in self._others:
            other.kill()
            other.wait()
        for thread in self._threads:
            thread.join()
        for other in self._others:
            for pipe in (other.stdin, other.stdout):
                if pipe is not None:
                    with suppress(OSError):  # of what was not handed over any more
                        pipe.close()


@contextmanager
def shared_out(
    pieces: Sequence[Piece],
    others: int,
    make: Callable[..., Worker],
    given: Sequence[Any],
    hand: Callable[[Piece], Sequence[Any]],
) -> Iterator[Shared[Piece]]:
    """Share pieces of work with other processes, for as long as the context lasts.

    Parameters
    ----------
    pieces
        What is to be done.
    others
        How many processes to start beside this one.
    make, given
        A function of a module that makes of ``given``, which can be pickled, what does a piece there.
    hand
        What it is called with for a piece; asked in a thread.

    Yields
    ------
    Shared
        To be gone through: pieces that are to be done here.
    """
    shared = Shared(pieces)
    try:
        for _ in range(others):
            shared.begin(make, given, hand)
        yield shared
    finally:
        shared.end()


def serve(parent: int) -> None:
    """Do what is handed over on standard input, one piece after another; end when the process that asks does."""
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    answers, sys.stdout = sys.stdout.buffer, sys.stderr
    make, given = pickle.load(sys.stdin.buffer)
    worker = make(*given)
    answer: Any = None
    while True:
        pickle.dump(answer, answers, protocol=pickle.HIGHEST_PROTOCOL)
        answers.flush()
        try:
            piece = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        answer = worker(*piece)


def _end_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(_ASKS_EVERY_S)
    os._exit(1)
