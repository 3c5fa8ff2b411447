"""``python -m blankoff_synthetic SCENARIO OUT [--seed N]``."""

from __future__ import annotations

import argparse
import sys

from .fleet import make_fleet
from .scenario import shipped_scenarios


def main(arguments: list[str] | None = None) -> int:
    """Make a fleet from the command line; 0 when done, 2 for a wrong call."""
    parser = argparse.ArgumentParser(
        prog="blankoff_synthetic", description="Write an invented fleet folder, and its truth beside it."
    )
    parser.add_argument("scenario", help=f"a TOML file, or one of: {', '.join(shipped_scenarios())}")
    parser.add_argument("out", help="the fleet folder to write; must not exist or be empty")
    parser.add_argument("--seed", type=int, help="instead of the scenario's own")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args(arguments)

    def progress(done: int, total: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{done} of {total} evacuations", end="", file=sys.stderr, flush=True)

    try:
        summary = make_fleet(given.scenario, given.out, given.seed, given.workers, progress)
    except (OSError, ValueError) as error:
        print(f"cannot make the fleet: {error}", file=sys.stderr)
        return 2
    if sys.stderr.isatty():
        print(file=sys.stderr)
    print(f"{summary.evacuations} evacuations, {summary.log_files} log files in {summary.fleet}")
    print(f"truth in {summary.truth}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
