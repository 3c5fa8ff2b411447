"""How soon findings of gear come: a fleet assessed every few days, from its store and its truth.

    python -m tests.accuracy.delay DIR [--every 7]

DIR as `tests.accuracy.fleet` left it; its store is copied, not changed.  Told per trouble: days and the asset's own uses from
its true beginning to the first finding.
"""

from __future__ import annotations

import argparse
import datetime as dt
import shutil
import tempfile
from pathlib import Path

import polars as pl

import blankoff as bo
from tests.accuracy.figures import GEAR_KINDS
from tests.accuracy.fleet import table

KINDS = tuple(kind for kind in GEAR_KINDS if kind not in ("oil_due", "slow_rigging"))


def delays(store: Path, truth: Path) -> pl.DataFrame:
    """Days and uses from each trouble's beginning to its first finding; null where none came.

    Returns
    -------
    DataFrame
        ``kind, subject_id, since, first, days, uses, all_uses``.
    """
    jobs, true = (pl.read_parquet(truth / f"{name}.parquet") for name in ("evacuation", "finding"))
    found = table(store, "finding").group_by("kind", "subject_id").agg(pl.col("as_of").min().alias("first"))
    rows = []
    for kind, subject, name, since in true.select("kind", "subject", "subject_id", "since").iter_rows():
        if kind not in KINDS:
            continue
        seen = found.filter((pl.col("kind") == kind) & (pl.col("subject_id") == name))
        first = seen["first"][0] if seen.height else None
        on = jobs.filter(pl.col(f"{subject}_id") == name)["started_at"].dt.date()
        uses = int(((on >= since) & (on < first)).sum()) if first else None
        rows.append((kind, name, since, first, (first - since).days if first else None, uses, on.len()))
    columns = ["kind", "subject_id", "since", "first", "days", "uses", "all_uses"]
    return pl.DataFrame(rows, schema=columns, orient="row").sort("kind", "subject_id")


def main(arguments: list[str] | None = None) -> int:
    """Assess again and again, and print."""
    parser = argparse.ArgumentParser(
        prog="tests.accuracy.delay", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("dir", type=Path)
    parser.add_argument("--every", type=int, default=7, help="days from one assessment to the next")
    given = parser.parse_args(arguments)
    truth = given.dir / "fleet_truth"
    days = pl.read_parquet(truth / "evacuation.parquet")["started_at"].dt.date().sort()
    with tempfile.TemporaryDirectory() as folder:
        store = Path(shutil.copy(given.dir / "store.duckdb", folder))
        with bo.open_store(store) as opened:
            day = days[0] + dt.timedelta(days=84)
            while day <= days[-1]:
                bo.assess(opened, day)
                day += dt.timedelta(days=given.every)
        with pl.Config(tbl_rows=-1):
            print(delays(store, truth))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
