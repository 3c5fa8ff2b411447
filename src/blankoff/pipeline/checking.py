"""What a fleet folder would give, in words and as plain values, changing nothing."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blankoff.ingest.check import FleetCheck, check_fleet
from blankoff.pipeline.progress import Progress, silent
from blankoff.pipeline.sources import check_fleet_folder
from blankoff.settings import read_settings

MOST_SHOWN = 40


@dataclass(frozen=True)
class Checked:
    """What would be read and what refused."""

    found: FleetCheck

    @property
    def quarantined(self) -> int:
        """How many rows would go to quarantine."""
        return self.found.quarantine.height

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for JSON."""
        return {
            "registers": self.found.registers.to_dicts(),
            "files_handed_in": self.found.files_handed_in,
            "files_usable": self.found.logs.filter("readable").height,
            "not_there": self.found.missing.to_dicts(),
            "quarantine": self.found.quarantine.drop("seen_at").to_dicts(),
        }

    def text(self) -> str:
        """Return it in words, with the first refusals one a line."""
        lines = [self.found.summary()]
        rows = self.found.quarantine.sort("path", "row", nulls_last=True).to_dicts()
        if rows:
            lines.append("would be refused:")
        for row in rows[:MOST_SHOWN]:
            line = "" if row["row"] is None else f", line {row['row']}"
            part = f", {row['field']}" if row["field"] else ""
            lines.append(f"  {row['path']}{line}{part}: {row['problem']}")
        if len(rows) > MOST_SHOWN:
            lines.append(f"  and {len(rows) - MOST_SHOWN} more; see them all with --json")
        return "\n".join(lines)


def check(fleet: str | os.PathLike[str], progress: Progress = silent) -> Checked:
    """Say what would be read or refused, and why, changing nothing.

    Raises
    ------
    FleetFolderError, SettingsError
        The folder cannot be a fleet.
    """
    folder = Path(fleet)
    check_fleet_folder(folder)
    done = 0

    def told(count: int) -> None:
        nonlocal done
        done += count
        progress("reading logs", done, done)

    return Checked(check_fleet(folder, read_settings(folder / "fleet.toml"), progress=told))
