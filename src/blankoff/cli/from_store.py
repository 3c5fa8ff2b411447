"""Commands that start from a store: assess, report, sheet, export, forget."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from pathlib import Path

import click

from blankoff.cli import arguments
from blankoff.cli.options import (
    Command,
    as_json_option,
    existing_store,
    key_file_option,
    pseudonym_key,
    pseudonyms_option,
    store_option,
)
from blankoff.cli.telling import no_searching, progress_bar, say, say_json, tell


@click.command(cls=Command)
@store_option
@click.option(
    "--as-of", type=arguments.Day(), help="Use only what was known on this date.  [default: end of the last month]"
)
@as_json_option
def assess(store: Path, as_of: dt.date | None, as_json: bool) -> None:
    """Run the fleet's models and make findings, as of a date.

    Only what was known on that date is used.

    Example:
      blankoff assess --store my_fleet.duckdb --as-of 2026-10-31
    """
    from blankoff import pipeline

    with progress_bar() as progress, existing_store(store) as opened:
        done = pipeline.assess(opened, as_of=as_of, progress=progress)
    tell(done, as_json)


@click.command(cls=Command)
@store_option
@click.option("--month", required=True, type=arguments.Month(), help="Which month.")
@click.option("--out", required=True, type=arguments.ANY, metavar="DIR", help="Where the pages go.")
@click.option(
    "--every-log",
    is_flag=True,
    help="Write a page for every evacuation on record, not only for the month's and those behind findings.",
)
@pseudonyms_option
@key_file_option
@as_json_option
def report(
    store: Path, month: str, out: Path, every_log: bool, pseudonyms: bool, key_file: Path | None, as_json: bool
) -> None:
    """Write the monthly pages from what the store holds.

    Example:
      blankoff report --store my_fleet.duckdb --month 2026-10 --out pages
    """
    from blankoff import pipeline

    key = pseudonym_key(pseudonyms, key_file)
    with progress_bar() as progress, existing_store(store) as opened:
        entry = pipeline.write_month(opened, month, out=out, every_log=every_log, progress=progress, pseudonym_key=key)
        verdicts = opened.table("result").filter(month=month)["verdict"].to_list()
    if as_json:
        files = {kind: entry.with_name(f"maintenance.{kind}") for kind in ("csv", "xlsx", "ics")}
        counts = {verdict: verdicts.count(verdict) for verdict in ("passed", "failed", "unproven")}
        say_json({"month": month, "evacuations": counts, "pages": entry, "work_list": files})
    else:
        say(f"The pages of {month} begin at {entry}")


@click.command(cls=Command)
@store_option
@click.argument("evacuation_id", required=False)
@click.option("--out", type=arguments.FILE, metavar="FILE.pdf", help="Where the sheet goes.")
@click.option("--made-on", type=arguments.Day(), help="The day printed on it.  [default: today]")
@click.option("--verify", type=arguments.EXISTING, metavar="FILE.pdf", help="Check a sheet against the store instead.")
@pseudonyms_option
@key_file_option
@as_json_option
@no_searching()
def sheet(
    store: Path,
    evacuation_id: str | None,
    out: Path | None,
    made_on: dt.date | None,
    verify: Path | None,
    pseudonyms: bool,
    key_file: Path | None,
    as_json: bool,
) -> None:
    """Write one evacuation's evidence sheet, or check one.

    Example:
      blankoff sheet --store my_fleet.duckdb E-000123 --out E-000123.pdf
      blankoff sheet --store my_fleet.duckdb --verify E-000123.pdf
    """
    from blankoff import pipeline

    if verify is None and (evacuation_id is None or out is None):
        raise click.UsageError("name an EVACUATION_ID and --out FILE.pdf, or a sheet to check with --verify FILE.pdf")
    if verify is not None and (evacuation_id is not None or out is not None or made_on is not None):
        raise click.UsageError(
            "--verify reads evacuation and day off the sheet; leave out EVACUATION_ID, --out, --made-on"
        )
    key = pseudonym_key(pseudonyms, key_file)
    with existing_store(store, read_only=True) as opened:
        if verify is not None:
            tell(pipeline.check_sheet(opened, verify, pseudonym_key=key), as_json)
        elif evacuation_id is not None and out is not None:
            made = pipeline.write_sheet(opened, evacuation_id, out, made_on=made_on, pseudonym_key=key)
            if as_json:
                say_json(_sheet_told(made))
            else:
                say(f"The sheet is {made}")


def _sheet_told(path: Path) -> dict[str, object]:
    """What the marks of a new sheet say."""
    from blankoff.report.sheet import read_mark

    mark = read_mark(path.read_bytes())
    return {"sheet": path} | ({} if mark is None else dataclasses.asdict(mark))


@click.command(cls=Command)
@store_option
@click.option("--out", required=True, type=arguments.ANY, metavar="DIR", help="Where the files go.")
@click.option("--csv", is_flag=True, help="Write CSV files too.")
@click.option("--believed-on", type=arguments.Day(), help="What the store held on that day, later corrections undone.")
@pseudonyms_option
@key_file_option
@as_json_option
def export(
    store: Path,
    out: Path,
    csv: bool,
    believed_on: dt.date | None,
    pseudonyms: bool,
    key_file: Path | None,
    as_json: bool,
) -> None:
    """Write the tables as Parquet files, and as CSV on request.

    Example:
      blankoff export --store my_fleet.duckdb --out tables --csv
    """
    from blankoff import pipeline

    key = pseudonym_key(pseudonyms, key_file)
    with existing_store(store, read_only=True) as opened:
        written = pipeline.export(opened, out, csv=csv, pseudonym_key=key, believed_on=believed_on)
    if as_json:
        tables: dict[str, dict[str, Path]] = {}
        for path in written:
            tables.setdefault(path.stem, {})[path.suffix.removeprefix(".")] = path
        say_json({"tables": tables})
        return
    for path in written:
        say(str(path))


@click.command(cls=Command)
@store_option
@click.argument("technician", metavar="TECHNICIAN")
@click.option("--yes", is_flag=True, help="Do not ask; it cannot be undone.")
@as_json_option
def forget(store: Path, technician: str, yes: bool, as_json: bool) -> None:
    """Take a person out of the store; evacuations and all totals stay.

    TECHNICIAN is a technician_id of the register, or the whole name. A later review does not bring the person back
    from the folder, though its files still name them: those are yours to change.

    Example:
      blankoff forget --store my_fleet.duckdb T07
    """
    from blankoff import store as stores

    with existing_store(store) as opened:
        if not yes:
            if not sys.stdin.isatty():
                raise click.UsageError("this cannot be undone; say --yes to do it")
            click.confirm(f"Take {technician} out of {store} for ever?", abort=True)
        done = stores.forget(opened, technician)
    if as_json:
        say_json(dataclasses.asdict(done))
    else:
        say(done.text())
