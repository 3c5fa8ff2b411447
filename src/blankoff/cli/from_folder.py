"""Commands that start from a fleet folder: review, ingest, check, and the demo that makes one."""

from __future__ import annotations

from pathlib import Path

import click

from blankoff.cli import arguments
from blankoff.cli.options import (
    Command,
    as_json_option,
    key_file_option,
    lenient_option,
    pseudonym_key,
    pseudonyms_option,
    scheduler_option,
    store_option,
)
from blankoff.cli.telling import progress_bar, status, tell


@click.command(cls=Command)
@click.argument("fleet", type=arguments.Fleet())
@click.option("--store", type=arguments.FILE, metavar="S", help="The store.  [default: FLEET/fleet.duckdb]")
@click.option("--month", type=arguments.Month(), help="Which month.  [default: the last one with evacuations]")
@click.option("--out", type=arguments.ANY, metavar="DIR", help="Where the pages go.  [default: FLEET/pages]")
@scheduler_option
@pseudonyms_option
@key_file_option
@lenient_option
@as_json_option
@click.pass_context
def review(
    ctx: click.Context,
    fleet: Path | str,
    store: Path | None,
    month: str | None,
    out: Path | None,
    scheduler: str | None,
    pseudonyms: bool,
    key_file: Path | None,
    lenient: bool,
    as_json: bool,
) -> None:
    """Do it all: read what is new, judge, assess, write the pages.

    Example:
      blankoff review my_fleet --month 2026-10 --out pages
    """
    from blankoff import pipeline

    key = pseudonym_key(pseudonyms, key_file)
    with progress_bar() as progress:
        done = pipeline.review(
            fleet, store, month=month, out=out, progress=progress, scheduler=scheduler, pseudonym_key=key
        )
    tell(done, as_json)
    ctx.exit(status(done.quarantined, lenient))


@click.command(cls=Command)
@click.argument("fleet", type=arguments.Fleet())
@store_option
@scheduler_option
@lenient_option
@as_json_option
@click.pass_context
def ingest(
    ctx: click.Context, fleet: Path | str, store: Path, scheduler: str | None, lenient: bool, as_json: bool
) -> None:
    """Read what is new in logs and registers into the store.

    Example:
      blankoff ingest my_fleet --store my_fleet.duckdb
    """
    from blankoff import pipeline
    from blankoff.store import open_store

    if isinstance(fleet, Path):
        pipeline.check_fleet_folder(fleet)
    with progress_bar() as progress, open_store(store) as opened:
        done = pipeline.ingest(fleet, opened, progress=progress, scheduler=scheduler)
    tell(done, as_json)
    ctx.exit(status(done.quarantined, lenient))


@click.command(cls=Command)
@click.argument("fleet", type=arguments.FOLDER)
@lenient_option
@as_json_option
@click.pass_context
def check(ctx: click.Context, fleet: Path, lenient: bool, as_json: bool) -> None:
    """Say what would be read or refused, and why, changing nothing.

    Example:
      blankoff check my_fleet
    """
    from blankoff import pipeline

    with progress_bar() as progress:
        found = pipeline.check(fleet, progress=progress)
    tell(found, as_json)
    ctx.exit(status(found.quarantined, lenient))


@click.command(cls=Command)
@click.option(
    "--out",
    type=arguments.ANY,
    default=Path("blankoff_demo"),
    metavar="DIR",
    show_default=True,
    help="Where it all goes.",
)
@as_json_option
def demo(out: Path, as_json: bool) -> None:
    """Make the invented fleet and review it.

    Example:
      blankoff demo --out try_it
    """
    from blankoff.demo import run_demo

    with progress_bar() as progress:
        done = run_demo(out, progress=progress)
    tell(done, as_json)
