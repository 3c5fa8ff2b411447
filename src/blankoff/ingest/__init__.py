"""A log file or register becomes validated samples, or a reason in quarantine; nothing is imported before it is used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blankoff.ingest.logs import read_log

__all__ = ["read_log"]


def __getattr__(name: str) -> Any:
    if name != "read_log":
        raise AttributeError(f"module 'blankoff.ingest' has no attribute {name!r}")
    from blankoff.ingest.logs import read_log as found

    return found
