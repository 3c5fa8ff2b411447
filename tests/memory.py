"""The most memory that this process held, or that a piece of code adds in one of its own."""

from __future__ import annotations

import resource
import subprocess
import sys
import textwrap
from pathlib import Path

_STATUS = Path("/proc/self/status")


def peak_mb() -> float:
    """Most memory that this process itself held so far, MB of 2^20 bytes.

    What ``getrusage`` tells counts what its parent held when it was started, a worker of the tests for example, so that it
    depends on what ran before; it is asked only where there is no ``/proc``.
    """
    if _STATUS.exists():
        told = dict(line.split(":", 1) for line in _STATUS.read_text(encoding="ascii").splitlines() if ":" in line)
        return int(told["VmHWM"].split()[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def added_mb(code: str, before: str = "") -> float:
    """Most memory that ``code`` adds in a process of its own, MB of 2^20 bytes, beyond what ``before`` took there.

    Both are program text and may be indented; what they assert must hold.
    """
    parts = (textwrap.dedent(before), "began_mb = peak_mb()", textwrap.dedent(code), "print(peak_mb() - began_mb)")
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(("from tests.memory import peak_mb", *parts))],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        cwd=Path(__file__).parents[1],
    )
    return float(done.stdout)
