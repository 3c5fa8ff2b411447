"""Monthly: the pages, the tables as files, and the summary to read aloud.

Exit status: 0 all was used; 1 something is in quarantine; 2 nothing was done, and why.
"""

from __future__ import annotations

import sys
from pathlib import Path

import blankoff as bo


def main(fleet: str, store: str, out: str, month: str | None = None) -> int:
    """Review a fleet folder's month (the last one if not given) into ``out/YYYY-MM`` and ``out/tables``."""
    try:
        with bo.open_store(store, wait_s=600.0) as opened:
            intake = bo.ingest(fleet, opened)
            month = month or opened.months()[-1]
            review = bo.review(fleet, opened, month=month, out=Path(out) / month)
            bo.export(opened, Path(out) / "tables", csv=True)
    except (bo.BlankoffError, IndexError) as error:
        print(f"the review was not made: {error}", file=sys.stderr)
        return 2
    print(review.text())
    return 1 if intake.quarantined else 0


if __name__ == "__main__":
    if len(sys.argv) not in (4, 5):
        sys.exit("usage: monthly_review.py FLEET STORE OUT [YYYY-MM]")
    sys.exit(main(*sys.argv[1:]))
