"""Judges logs of refrigeration-circuit evacuations and reports each month on a whole fleet.

The public names are loaded when they are first asked for, so that ``import blankoff`` costs next to nothing.

Examples
--------
>>> import blankoff as bo
>>> bo.Acceptance(target_micron=300, hold_minutes=20).hold_limit_micron
1000.0
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blankoff.errors import BlankoffError
    from blankoff.evacuation.single import judge
    from blankoff.ingest import read_log
    from blankoff.pipeline import (
        assess,
        check,
        export,
        ingest,
        review,
        verify_sheet,
        write_month,
        write_sheet,
    )
    from blankoff.settings import Acceptance, Settings, read_settings
    from blankoff.store import forget, open_store

__all__ = [
    "Acceptance",
    "BlankoffError",
    "Settings",
    "assess",
    "check",
    "export",
    "forget",
    "ingest",
    "judge",
    "open_store",
    "read_log",
    "read_settings",
    "review",
    "verify_sheet",
    "write_month",
    "write_sheet",
]

_HOME = {
    "Acceptance": "blankoff.settings",
    "BlankoffError": "blankoff.errors",
    "Settings": "blankoff.settings",
    "assess": "blankoff.pipeline",
    "check": "blankoff.pipeline",
    "export": "blankoff.pipeline",
    "forget": "blankoff.store",
    "judge": "blankoff.evacuation.single",
    "open_store": "blankoff.store",
    "read_log": "blankoff.ingest",
    "read_settings": "blankoff.settings",
    "review": "blankoff.pipeline",
    "verify_sheet": "blankoff.pipeline",
    "write_month": "blankoff.pipeline",
    "write_sheet": "blankoff.pipeline",
}


class _CallableFolder(ModuleType):
    """``blankoff.ingest`` is a folder of modules and the name of a stage: calling it runs the stage."""

    def __call__(self, *args: Any, **named: Any) -> Any:
        """Run `blankoff.pipeline.ingest`."""
        return importlib.import_module("blankoff.pipeline").ingest(*args, **named)


class _Face(ModuleType):
    def __setattr__(self, name: str, value: Any) -> None:
        if name == "ingest" and isinstance(value, ModuleType):
            value.__class__ = _CallableFolder
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Face


def __getattr__(name: str) -> Any:
    if name == "ingest":
        return importlib.import_module("blankoff.ingest")
    if name == "__version__":
        from importlib.metadata import version

        return version("blankoff")
    if name not in _HOME:
        raise AttributeError(f"module 'blankoff' has no attribute {name!r}; its public names are {', '.join(__all__)}")
    value = getattr(importlib.import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
