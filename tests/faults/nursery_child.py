"""Run as a process of its own: loads the program once, then makes one child a job, which may be killed or starved.

Reads a JSON job a line; prints what the review is at, then ``exit CODE`` (negative: the signal that ended it).
"""

from __future__ import annotations

import errno
import json
import os
import resource
import signal
import sys
import traceback
from typing import Any, NoReturn

import blankoff.evacuation.judge
import blankoff.fleet.assessment  # noqa: F401
from blankoff import pipeline
from blankoff.cli import main as command_line
from blankoff.pipeline import new_logs, reporting, swapping
from blankoff.report import pages


def say(stage: str, done: int, total: int) -> None:
    """Print what the review is at, in one piece: killed between its words and the line's end, it would spoil the next line."""
    print(f"{stage}\n", end="", flush=True)


def die(*_: Any, **__: Any) -> NoReturn:
    """End like a process that is killed: nothing is put away."""
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError


def disk_full(*_: Any, **__: Any) -> NoReturn:
    """Fail as a full disk does."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "index.html")


def patch(name: str) -> None:
    """Arrange for a fault."""
    if name == "killed before the swap":
        reporting.swap_in = die
    elif name == "killed between two renames":
        swapping._exchange = lambda *_: False
        rename, seen = swapping.Path.rename, []

        def second(self: Any, target: Any) -> Any:
            seen.append(self)
            return rename(self, target) if len(seen) == 1 else die()

        swapping.Path.rename = second  # type: ignore[method-assign, assignment]
    elif name == "disk full while pages are written":
        pages.write_handover = disk_full
    else:
        raise ValueError(name)


def run(job: dict[str, Any]) -> int:
    """Do one job; return the exit code."""
    new_logs.BATCH_FILES = new_logs.STORED_FILES = (
        3  # small batches, so that there are many moments between two transactions
    )
    if "file_bytes" in job:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (job["file_bytes"], job["file_bytes"]))
    if "patch" in job:
        patch(job["patch"])
    if "review" in job:
        fleet, store, out = job["review"]
        pipeline.review(fleet, store, out=out, progress=say)
        return 0
    try:
        command_line(job["words"], standalone_mode=True)
    except SystemExit as done:
        return int(done.code or 0)
    return 0


def main() -> None:
    """Serve jobs until there are no more."""
    for line in sys.stdin:
        job = json.loads(line)
        child = os.fork()
        if child == 0:
            code = 99
            try:
                if "output" in job:
                    target = os.open(job["output"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                    os.dup2(target, 1)
                    os.dup2(target, 2)
                code = run(job)
            except BaseException:
                traceback.print_exc()
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
        print("pid", child, flush=True)
        print("exit", os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


if __name__ == "__main__":
    main()
