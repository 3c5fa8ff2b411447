"""The invented fleet, made and reviewed: nothing in it is real."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from blankoff.pipeline.exporting import writable_folder
from blankoff.pipeline.progress import Progress, silent

if TYPE_CHECKING:
    from blankoff.pipeline import Review


def run_demo(out: str | os.PathLike[str], progress: Progress = silent) -> Review:
    """Make the invented fleet in ``out/fleet`` and review it into ``out/pages``.

    Parameters
    ----------
    out
        A folder; it is made if it does not exist. A fleet that is already there is kept, so that a second run shows
        how little there is left to do.

    Returns
    -------
    Review
        As from `blankoff.review`.
    """
    from blankoff import pipeline
    from blankoff_synthetic import make_fleet

    folder = writable_folder(out)
    fleet = folder / "fleet"
    if not (fleet / "evacuations.csv").is_file():
        make_fleet("contractor", fleet, progress=lambda done, total: progress("inventing a fleet", done, total))
    return pipeline.review(fleet, folder / "fleet.duckdb", out=folder / "pages", progress=progress)
