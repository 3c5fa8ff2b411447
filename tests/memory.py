"""The most memory that this process held."""

from __future__ import annotations

import resource
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
