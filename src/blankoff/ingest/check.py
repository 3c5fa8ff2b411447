"""What a fleet folder would give: read everything, keep nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from blankoff.ingest.folder import LogMatch, match_logs, scan_fleet
from blankoff.ingest.hours import answered
from blankoff.ingest.logs import plan_batches, read_logs
from blankoff.ingest.registers import Registers, read_registers
from blankoff.settings import Settings


@dataclass(frozen=True)
class FleetCheck:
    """What would be ingested and what refused.

    Parameters
    ----------
    registers
        ``register, path, rows_handed_in, rows_kept, rows_refused``.
    logs
        One row per log file that a register row names, as ``LogReadout.info``.
    files_handed_in
        Files under ``logs/``.
    quarantine
        Every row that would go to the ``quarantine`` table; ``seen_at`` is null.
    missing
        ``register, column, problem``: what is not there.
    """

    registers: pl.DataFrame
    logs: pl.DataFrame
    files_handed_in: int
    quarantine: pl.DataFrame
    missing: pl.DataFrame

    @property
    def is_clean(self) -> bool:
        """Whether nothing would be refused."""
        return self.quarantine.is_empty()

    def summary(self) -> str:
        """Counts in plain words, a line each."""
        used = self.logs.filter("readable")
        lines = [
            f"{r}: {handed_in} rows handed in, {kept} usable, {refused} refused"
            for r, _, handed_in, kept, refused in self.registers.iter_rows()
        ]
        lines.append(
            f"logs: {self.files_handed_in} files handed in, {used.height} usable, {self.files_handed_in - used.height} "
            f"refused; {int(used['rows'].sum())} readings usable, {int(used['bad_rows'].sum())} lines refused"
        )
        lines += [f"not there: {problem}" for problem in self.missing["problem"].to_list()]
        return "\n".join(lines)


def check_fleet(
    folder: str | Path,
    settings: Settings | None = None,
    threads: int = 2,
    progress: Callable[[int], None] | None = None,
) -> FleetCheck:
    """Read a fleet folder as ingest would, and change nothing.

    Parameters
    ----------
    folder
        The fleet folder.
    settings
        Of the fleet.
    threads
        Files read at once.
    progress
        Called with the number of files just read.

    Raises
    ------
    FleetFolderError
        The folder lacks what every run needs.
    """
    settings = settings or Settings()
    registers = read_registers(folder, settings)
    scan = scan_fleet(folder, settings)
    match = match_logs(registers, scan)
    named = {f for f in match.assigned["log_file"].to_list() if f is not None}
    infos: list[pl.DataFrame] = []
    quarantine = [registers.quarantine, scan.quarantine, match.quarantine]
    for batch in plan_batches(scan.files.filter(pl.col("log_file").is_in(named))):
        readout = read_logs(batch, folder, settings, threads)
        infos.append(readout.info)
        quarantine.append(readout.quarantine)
        if progress is not None:
            progress(len(batch))
    logs = pl.concat(infos) if infos else read_logs([], folder, settings).info
    return FleetCheck(
        registers=registers.counts,
        logs=logs,
        files_handed_in=scan.files_handed_in,
        quarantine=_still_asked(pl.concat(quarantine), match, registers),
        missing=registers.missing,
    )


def _still_asked(quarantine: pl.DataFrame, match: LogMatch, registers: Registers) -> pl.DataFrame:
    """Quarantine without what logs ask and registers answer."""
    jobs = match.assigned.select("evacuation_id", path="logs/" + pl.col("log_file")).join(
        registers.frames["evacuations"].select("evacuation_id", "started_at", "row"), on="evacuation_id"
    )
    settled = answered(quarantine, jobs, registers.quarantine.filter(pl.col("field") == "started_at"))
    return quarantine.join(settled, on=["path", "row", "field", "problem"], how="anti", nulls_equal=True)
