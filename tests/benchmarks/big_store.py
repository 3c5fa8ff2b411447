"""A store of many evacuations without simulating them: one that is there, repeated under other names.

    python -m tests.benchmarks.big_store FLEET STORE TIMES OUT

Registers, results, samples and all that is kept by evacuation are repeated. Beside the store a fleet folder is
made whose log files are hard links, so that a nightly run on it finds nothing changed.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import duckdb
import polars as pl

from blankoff.pipeline.results import refresh_results
from blankoff.store import open_store

_IDS = {
    "register_evacuations": ("evacuation_id", "technician_id", "pump_id", "hose_id", "gauge_id", "system_id"),
    "register_technicians": ("technician_id",),
    "register_pumps": ("pump_id",),
    "register_hoses": ("hose_id",),
    "register_gauges": ("gauge_id",),
    "register_systems": ("system_id",),
    "register_services": ("asset_id",),
    "register_coaching": ("technician_id",),
    "measure": ("evacuation_id",),
    "phase": ("evacuation_id",),
    "sketch": ("evacuation_id",),
    "assigned": ("evacuation_id",),
    "copy_of": ("evacuation_id", "copy_of"),
}
_BY_LOG = ("log_file", "measure")
_SHAPES = ("hold_1", "hold_3", "hold_6", "pull_5000", "pull_2000", "pull_1000")


def _replacements(table: str, columns: list[str], logs: int) -> str:
    """Columns of a repeated row; ``k`` is how many times over it is."""
    new = {name: f"{name} || '~' || k" for name in _IDS.get(table, ()) if name in columns}
    if table in _BY_LOG:
        new["log_no"] = f"CASE WHEN log_no >= 0 THEN log_no + k * {logs} ELSE log_no END"
    if table == "measure":
        new["context"] = f"(log_no + k * {logs}) || '|' || substr(context, strpos(context, '|') + 1)"
    if table == "log_file":
        new["sha256"] = "sha256(sha256 || k)"
    if table == "sketch":
        # other circuits: as dense as before, but not the same again
        new |= {name: f"{name} + 0.731 * k" for name in _SHAPES}
    if "path" in columns and table in ("log_file", "assigned"):
        new["path"] = "'logs/again' || k || '/' || substr(path, 6)"
    if table == "register_evacuations":
        new["log_file"] = "'again' || k || '/' || log_file"
        new["started_at"] = "started_at + to_minutes(k * 7)"
    return ", ".join(f"{sql} AS {name}" for name, sql in new.items())


def grow(fleet: Path, store: Path, times: int, out: Path) -> Path:
    """Make ``out/fleet`` and ``out/fleet.duckdb``, ``times`` as large as what is given."""
    grown = out / "fleet"
    shutil.rmtree(grown, ignore_errors=True)
    (grown / "logs").mkdir(parents=True)
    path = out / "fleet.duckdb"
    shutil.copy2(store, path)
    with duckdb.connect(str(path)) as connection:
        tables = {r[0] for r in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        logs = connection.execute("SELECT max(log_no) FROM log_file").fetchall()[0][0]
        for table in sorted(tables & ({*_IDS, *_BY_LOG})):
            columns = [
                r[0]
                for r in connection.execute(
                    f"SELECT column_name FROM duckdb_columns() WHERE table_name = '{table}'"
                ).fetchall()
            ]
            new = _replacements(table, columns, logs)
            again = f"SELECT * EXCLUDE (k) REPLACE ({new}) FROM {table}, range(1, {times}) AS times(k)"
            connection.execute(f"INSERT INTO {table} BY NAME {again}")
        for k in range(1, times):  # one after another: a log's words lie together and in order
            moved = f"log_no + {k * logs} AS log_no"
            connection.execute(
                f"INSERT INTO packed BY NAME SELECT {moved}, word FROM packed WHERE log_no <= {logs} ORDER BY packed.log_no, rowid"
            )
            connection.execute(
                f"INSERT INTO mark BY NAME SELECT {moved}, elapsed_s, text FROM mark WHERE log_no <= {logs} ORDER BY mark.log_no, rowid"
            )
        registers = {
            t.removeprefix("register_"): t for t in tables if t.startswith("register_") and t != "register_file"
        }
        for name, table in registers.items():
            frame = connection.sql(f"SELECT * FROM {table}").pl()
            frame = frame.drop("row", strict=False)
            if frame.height:
                frame.with_columns(pl.col(pl.Datetime).dt.strftime("%Y-%m-%dT%H:%M:%SZ")).write_csv(
                    grown / f"{name}.csv"
                )
    with open_store(path) as kept, kept.transaction():
        refresh_results(kept, kept.settings())
    if (fleet / "fleet.toml").exists():
        shutil.copy2(fleet / "fleet.toml", grown / "fleet.toml")
    for source in sorted(p for p in (fleet / "logs").rglob("*") if p.is_file()):
        name = source.relative_to(fleet / "logs")
        for k in range(times):
            link = grown / "logs" / (f"again{k}" if k else "") / name
            link.parent.mkdir(parents=True, exist_ok=True)
            os.link(source, link)
    return grown


if __name__ == "__main__":
    print(grow(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])))
