"""All stages in order, only what is new: the main job."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from blankoff.errors import FleetFolderError, NotInStoreError
from blankoff.ingest.places import is_address
from blankoff.pipeline.accounts import Intake
from blankoff.pipeline.assessing import Assessed, assess
from blankoff.pipeline.exporting import writable_folder
from blankoff.pipeline.intake import ingest
from blankoff.pipeline.known import month_end
from blankoff.pipeline.progress import Progress, silent
from blankoff.pipeline.reporting import month_book, write_month
from blankoff.pipeline.sources import check_fleet_folder
from blankoff.report.views.entry import worth_doing
from blankoff.report.words import month_name
from blankoff.store import Store, open_store

EARLIER_MONTHS = 1
"""Month ends before the one under review that are assessed too, so that "did last month's action work" has an answer."""


@dataclass(frozen=True)
class Review:
    """What a review did and found, short enough to read aloud.

    Parameters
    ----------
    month
        The month reviewed, ``YYYY-MM``.
    intake
        What was handed in, used, refused.
    assessed
        The assessment as of the month's end.
    proven, failed, unproven
        The month's evacuations by verdict.
    entry
        The entry page.
    worth_doing
        The few things most worth doing, ``(what, why)``.
    """

    month: str
    intake: Intake
    assessed: Assessed
    proven: int
    failed: int
    unproven: int
    entry: Path
    worth_doing: tuple[tuple[str, str], ...]

    @property
    def quarantined(self) -> int:
        """Rows of table ``quarantine``."""
        return self.intake.quarantined

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for JSON."""
        return {
            "month": self.month,
            "intake": self.intake.as_dict(),
            "assessment": self.assessed.as_dict(),
            "evacuations": {"passed": self.proven, "failed": self.failed, "unproven": self.unproven},
            "pages": str(self.entry),
            "worth_doing": [{"what": what, "why": why} for what, why in self.worth_doing],
        }

    def text(self) -> str:
        """Return the review in words."""
        total = self.proven + self.failed + self.unproven
        lines = [
            self.intake.text(),
            "",
            (
                f"{month_name(self.month)}: {total} evacuations, {self.proven} proven dry and tight, {self.failed} failed, "
                f"{self.unproven} without proof."
            ),
            "",
            "Most worth doing this month:" if self.worth_doing else "Nothing stands out this month.",
        ]
        for k, (what, why) in enumerate(self.worth_doing, 1):
            lines.append(f"  {k}. {what.rstrip('.')}{f' ({why})' if why else ''}.")
        lines += [
            "",
            f"The pages begin at {self.entry}",
            "Findings are evidence for a qualified person, not a release to charge.",
        ]
        return "\n".join(lines)


def review(
    fleet: str | os.PathLike[str],
    store: str | os.PathLike[str] | Store | None = None,
    *,
    month: str | None = None,
    out: str | os.PathLike[str] | None = None,
    progress: Progress = silent,
    now: dt.datetime | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    pseudonym_key: bytes | None = None,
) -> Review:
    """Do it all: bring in what is new, assess the month and the one before it, write the month's pages.

    Parameters
    ----------
    fleet
        The fleet folder, or an address that fsspec knows; for an address, ``store`` and ``out`` must be given.
    store
        An open store, or the path of one; ``fleet.duckdb`` in the fleet folder if not given.
    month
        ``YYYY-MM``; the last month with evacuations if not given.
    out
        Folder for the pages; ``pages`` in the fleet folder if not given.
    now, workers, scheduler
        As for `ingest`.
    pseudonym_key
        As for `write_month`.

    Raises
    ------
    FleetFolderError, SettingsError, StoreError, NotInStoreError, ClusterError
        See the stages.
    """
    if is_address(fleet):
        if store is None or out is None:
            raise FleetFolderError(f"{fleet} is an address: name a place for the store (--store) and the pages (--out)")
        folder = Path()
    else:
        folder = Path(fleet)
        check_fleet_folder(folder)
    if month is not None:
        month_end(month)
    pages = Path(out) if out is not None else folder / "pages"
    writable_folder(pages.parent)
    if isinstance(store, Store):
        return _review(fleet, store, month, pages, progress, now, workers, scheduler, pseudonym_key)
    with open_store(Path(store) if store is not None else folder / "fleet.duckdb") as opened:
        return _review(fleet, opened, month, pages, progress, now, workers, scheduler, pseudonym_key)


def _review(
    folder: str | os.PathLike[str],
    store: Store,
    month: str | None,
    pages: Path,
    progress: Progress,
    now: dt.datetime | None,
    workers: int | None,
    scheduler: str | None,
    pseudonym_key: bytes | None,
) -> Review:
    intake = ingest(folder, store, progress, now=now, workers=workers, scheduler=scheduler)
    months = store.months()
    if not months:
        raise NotInStoreError(
            f"{folder} has no usable row in its register of evacuations; see `blankoff check {folder}`"
        )
    month = month or months[-1]
    if month not in months:
        raise NotInStoreError(
            f"the store holds no evacuations of {month}; the last months it holds: {', '.join(months[-6:])}"
        )
    at = months.index(month)
    for earlier in months[max(at - EARLIER_MONTHS, 0) : at]:
        assess(store, month_end(earlier), progress, now=now)
    assessed = assess(store, month_end(month), progress, now=now)
    entry = write_month(store, month, pages, progress=progress, pseudonym_key=pseudonym_key)
    verdicts = store.table("result").filter(pl.col("month") == month)["verdict"]
    links = worth_doing(month_book(store, month, pseudonym_key))
    return Review(
        month,
        intake,
        assessed,
        int((verdicts == "passed").sum()),
        int((verdicts == "failed").sum()),
        int((verdicts == "unproven").sum()),
        entry,
        tuple((link.text, link.note) for link in links),
    )
