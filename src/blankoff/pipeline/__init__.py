"""The stages in order, only what is new; nothing is imported before it is used."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blankoff.pipeline.accounts import Intake
    from blankoff.pipeline.assessing import Assessed, assess
    from blankoff.pipeline.checking import Checked, check
    from blankoff.pipeline.exporting import export
    from blankoff.pipeline.intake import ingest
    from blankoff.pipeline.reporting import check_sheet, verify_sheet, write_month, write_sheet
    from blankoff.pipeline.reviewing import Review, review
    from blankoff.pipeline.sources import check_fleet_folder

__all__ = [
    "Assessed",
    "Checked",
    "Intake",
    "Review",
    "assess",
    "check",
    "check_fleet_folder",
    "check_sheet",
    "export",
    "ingest",
    "review",
    "verify_sheet",
    "write_month",
    "write_sheet",
]

_HOME = {
    "Assessed": "assessing",
    "Checked": "checking",
    "Intake": "accounts",
    "Review": "reviewing",
    "assess": "assessing",
    "check": "checking",
    "check_fleet_folder": "sources",
    "check_sheet": "reporting",
    "export": "exporting",
    "ingest": "intake",
    "review": "reviewing",
    "verify_sheet": "reporting",
    "write_month": "reporting",
    "write_sheet": "reporting",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'blankoff.pipeline' has no attribute {name!r}")
    return getattr(import_module(f"blankoff.pipeline.{_HOME[name]}"), name)
