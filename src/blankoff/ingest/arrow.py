"""Arrow, untyped: its stubs export almost nothing, so that its modules are named here once and used as ``Any``."""

from functools import cache
from importlib import import_module
from typing import Any

pa: Any = import_module("pyarrow")
pa_csv: Any = import_module("pyarrow.csv")


@cache
def parquet() -> Any:
    """``pyarrow.parquet``, loaded when the first log comes as Parquet."""
    return import_module("pyarrow.parquet")
