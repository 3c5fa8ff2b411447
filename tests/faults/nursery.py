"""Children of the program in processes of their own, at the price of a fork each: to be killed, starved or damaged."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from types import TracebackType
from typing import Any, Self

ROOT = Path(__file__).resolve().parents[2]


class Nursery:
    """Makes children; use it in a ``with`` statement."""

    def __init__(self, scratch: Path) -> None:
        self.complaints, self.output = scratch / "complaints.txt", scratch / "output.txt"
        with self.complaints.open("w") as stream:
            self._process = subprocess.Popen(
                [sys.executable, "-W", "error", "-m", "tests.faults.nursery_child"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=stream,
                text=True,
                cwd=ROOT,
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End it; a child that still runs is waited for."""
        self._process.communicate()

    def run_and_kill(self, fleet: Path, store: Path, pages: Path, after_s: float) -> tuple[str, bool]:
        """Kill a review so long after it began; return what it was at, and whether it had finished before."""
        at, code = self._serve({"review": [str(fleet), str(store), str(pages)]}, after_s)
        assert code in (0, -signal.SIGKILL), f"exit {code}: {self.complaints.read_text()}"
        return at, code == 0

    def command(self, *words: object, longest_s: float = 120.0, **faults: Any) -> tuple[int, str]:
        """Run the command line in a child; return its exit code (or minus the signal) and all it printed."""
        job = {"words": [str(w) for w in words], "output": str(self.output), **faults}
        _, code = self._serve(job, longest_s)
        return code, self.output.read_text(encoding="utf-8", errors="replace")

    def _serve(self, job: dict[str, Any], after_s: float) -> tuple[str, int]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(json.dumps(job), file=self._process.stdin, flush=True)
        at, killer = "opening the store, reading the registers", None
        for line in self._process.stdout:
            words = line.split()
            if words[0] == "pid":
                killer = threading.Timer(after_s, _kill, [int(words[1])])
                killer.start()
            elif words[0] == "exit":
                assert killer is not None
                killer.cancel()
                killer.join()
                return at, int(words[1])
            else:
                at = line.strip()
        raise AssertionError(f"the nursery ended: {self.complaints.read_text()}")


def _kill(pid: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
