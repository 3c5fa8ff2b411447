"""Nightly: bring what came in today into the store, and say what was refused.

Schedule it with any scheduler, such as cron: ``15 2 * * * python pipelines/nightly_ingest.py FLEET STORE``.
Exit status: 0 all was used; 1 something is in quarantine; 2 nothing was done, and why.
"""

from __future__ import annotations

import sys

import blankoff as bo


def main(fleet: str, store: str, wait_s: float = 600.0) -> int:
    """Ingest a fleet folder; wait for another program that is writing."""
    try:
        with bo.open_store(store, wait_s=wait_s) as opened:
            done = bo.ingest(fleet, opened)
    except bo.BlankoffError as error:
        print(f"nothing was done: {error}", file=sys.stderr)
        return 2
    print(done.text())
    return 1 if done.quarantined else 0


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("usage: nightly_ingest.py FLEET STORE")
    sys.exit(main(sys.argv[1], sys.argv[2]))
