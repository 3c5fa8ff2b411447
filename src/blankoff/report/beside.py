"""Work done by a second process beside this one: making pages is the interpreter's own work, which threads do not share.

It is started anew and not forked, for the frames' library has threads; what it needs is handed over in a file without a
name, so that nothing is left lying about.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["done_beside", "serve"]

_ASKS_EVERY_S = 0.1


@contextmanager
def done_beside(work: Callable[..., object], *given: Any) -> Iterator[Callable[[], bool]]:
    """Have ``work(*given)`` done by a second process, for as long as the context lasts.

    Parameters
    ----------
    work
        A function of a module, which leaves its result in files.
    given
        Anything that can be pickled.

    Yields
    ------
    callable
        Waits for the end and says whether all was done; if not, do it here.
    """
    try:
        with tempfile.TemporaryFile() as handed:
            pickle.dump((work, given), handed, protocol=pickle.HIGHEST_PROTOCOL)
            handed.seek(0)
            other = subprocess.Popen(
                [sys.executable, "-c", f"from {__name__} import serve; serve({os.getpid()})"],
                stdin=handed,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
    except OSError:  # no room, or no second process to be had
        yield lambda: False
        return
    try:
        yield lambda: other.wait() == 0
    finally:
        other.kill()
        other.wait()


def serve(parent: int) -> None:
    """Do what was handed over on standard input; end when the process that asked for it does."""
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    work, given = pickle.load(sys.stdin.buffer)
    work(*given)


def _end_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(_ASKS_EVERY_S)
    os._exit(1)
