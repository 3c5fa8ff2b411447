"""The stages in order, only what is new."""

from blankoff.pipeline.accounts import Intake
from blankoff.pipeline.exporting import export
from blankoff.pipeline.intake import ingest
from blankoff.pipeline.sources import check_fleet_folder

__all__ = ["Intake", "check_fleet_folder", "export", "ingest"]
