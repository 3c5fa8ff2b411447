"""Arrow, untyped: its stubs export almost nothing, so that its modules are named here once and used as ``Any``."""

from functools import cache
from importlib import import_module
from typing import Any


class _WhenUsed:
    """A module that is loaded when something of it is first used: one log read line by line needs nothing of Arrow."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:
        found = getattr(import_module(self._name), name)
        setattr(self, name, found)
        return found


pa: Any = _WhenUsed("pyarrow")
pa_csv: Any = _WhenUsed("pyarrow.csv")
pa_compute: Any = _WhenUsed("pyarrow.compute")


@cache
def parquet() -> Any:
    """``pyarrow.parquet``, loaded when the first log comes as Parquet."""
    return import_module("pyarrow.parquet")
