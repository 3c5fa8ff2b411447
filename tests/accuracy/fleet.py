"""Score a whole fleet: make it (or take one that is there), run the package on it, compare with its truth.

    python -m tests.accuracy.fleet SCENARIO DIR [--seed N] [--dates 2026-04-30 2026-10-31]

DIR gets ``fleet``, ``truth`` and ``store.duckdb``; what is there already is used again. The package never opens truth.
"""

from __future__ import annotations

import argparse
import datetime as dt
import shutil
from pathlib import Path

import duckdb
import polars as pl

import blankoff as bo
from blankoff_synthetic import make_fleet
from tests.accuracy import figures as fg
from tests.accuracy.lumped import make_lumped

OWN_STATES = ("read", "ok")
LUMPED, LUMPED_MESSY = "lumped", "lumped_messy"
"""Scenarios of `tests.accuracy.lumped`, by other physics than the project's simulator."""


def assessed_store(fleet: Path, store: Path, dates: list[dt.date]) -> None:
    """Ingest and assess at each date."""
    with bo.open_store(store) as opened:
        bo.ingest(fleet, opened)
        for day in dates:
            bo.assess(opened, day)


def table(store: Path, name: str) -> pl.DataFrame:
    """A table of the store."""
    with duckdb.connect(str(store), read_only=True) as connection:
        found: pl.DataFrame = connection.sql(f'select * from "{name}"').pl()
    return found


def score(store: Path, truth: Path) -> list[fg.Figure]:
    """All figures of an assessed store."""
    jobs_true, true_findings = (pl.read_parquet(truth / f"{n}.parquet") for n in ("evacuation", "finding"))
    assets, people, parted = (pl.read_parquet(truth / f"{n}.parquet") for n in ("asset", "technician", "never_parted"))
    result, found, effect = (table(store, n) for n in ("result", "finding", "effect"))
    registered = table(store, "register_systems").select("system_id", "volume_l")
    own = jobs_true.filter(pl.col("file_state").is_in(OWN_STATES))
    jobs = (
        result.join(registered, on="system_id", how="left")
        .filter(~pl.col("reason").is_in(["no_log", "unreadable_log"]))
        .join(own, on="evacuation_id", suffix="_true")
    )
    years = (jobs_true["started_at"].max() - jobs_true["started_at"].min()).days / 365.25  # type: ignore[operator, union-attr]
    levels = sum(jobs_true[f"{f}_id"].n_unique() for f in ("pump", "hose", "gauge", "technician"))
    out = fg.judgements(jobs) + fg.copies(table(store, "copy_of"), jobs_true)
    out += fg.findings(found, true_findings) + fg.false_findings(found, true_findings, levels, years)
    out += fg.effects(effect, assets, parted) + fg.oil(table(store, "oil_forecast"), assets)
    return out + fg.rates(table(store, "practice"), people)


def main(arguments: list[str] | None = None) -> int:
    """Make, judge, assess, score, print."""
    parser = argparse.ArgumentParser(
        prog="tests.accuracy.fleet", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("scenario", help=f"one of blankoff_synthetic's, {LUMPED} or {LUMPED_MESSY}")
    parser.add_argument("dir", type=Path)
    parser.add_argument("--seed", type=int)
    parser.add_argument(
        "--dates", nargs="+", type=dt.date.fromisoformat, help="default: the last four quarters' ends of the fleet"
    )
    given = parser.parse_args(arguments)
    fleet, store = given.dir / "fleet", given.dir / "store.duckdb"
    given.dir.mkdir(parents=True, exist_ok=True)
    truth = given.dir / "fleet_truth"
    if not truth.exists():
        shutil.rmtree(fleet, ignore_errors=True)
        if given.scenario in (LUMPED, LUMPED_MESSY):
            make_lumped(given.dir, given.seed or 11, messy=given.scenario == LUMPED_MESSY)
        else:
            truth = Path(make_fleet(given.scenario, fleet, given.seed, 2).truth)
    days = pl.read_parquet(truth / "asset.parquet")["as_of"].unique().sort().to_list()
    every = 1 if given.scenario in (LUMPED, LUMPED_MESSY) else 3
    assessed_store(fleet, store, given.dates or days[::-every][:4][::-1])
    for figure in score(store, truth):
        print(figure.line())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
