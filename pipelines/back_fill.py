"""Once: assess every month end of a history, each with only what was known on it, and write every month's pages.

Months that were assessed on the same input are left as they are, so it can be stopped and started again.
"""

from __future__ import annotations

import calendar
import datetime as dt
import sys
from pathlib import Path

import blankoff as bo


def main(fleet: str, store: str, out: str) -> int:
    """Ingest a fleet folder, then go through its months, oldest first."""
    try:
        with bo.open_store(store, wait_s=600.0) as opened:
            print(bo.ingest(fleet, opened).text())
            for month in opened.months():
                year, number = int(month[:4]), int(month[5:])
                print(bo.assess(opened, dt.date(year, number, calendar.monthrange(year, number)[1])).text())
                print(bo.write_month(opened, month, Path(out) / month))
    except bo.BlankoffError as error:
        print(f"stopped: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit("usage: back_fill.py FLEET STORE OUT")
    sys.exit(main(*sys.argv[1:]))
