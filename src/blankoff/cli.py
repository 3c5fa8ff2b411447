"""Words → settings → pipeline → exit code; the work is done elsewhere."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from blankoff.arguments import ANY, EXISTING, FILE, FOLDER, Day, Fleet, Month

if TYPE_CHECKING:
    from blankoff.pipeline.progress import Progress

DONE, QUARANTINED, WRONG_CALL = 0, 1, 2


class _Commands(click.Group):
    """Runs a command; every error of ours becomes one line that names the mend, and exit status 2."""

    def invoke(self, ctx: click.Context) -> Any:
        from blankoff.errors import BlankoffError

        try:
            return super().invoke(ctx)
        except BlankoffError as error:
            click.echo(f"Error: {error}", err=True)
            ctx.exit(WRONG_CALL)
        except OSError as error:
            if isinstance(error, BrokenPipeError):  # whoever read our output has had enough
                raise
            named = f"{error.filename}: " if error.filename else ""
            click.echo(f"Error: {named}{error.strerror or error}; mend that and run again", err=True)
            ctx.exit(WRONG_CALL)


_lenient = click.option("--lenient", is_flag=True, help="Exit 0 even if something was quarantined.")
_as_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
_pseudonyms = click.option(
    "--pseudonyms", is_flag=True, help="Name no people: keyed pseudonyms, for what leaves the house."
)
_key_file = click.option(
    "--key-file", type=EXISTING, metavar="FILE", help="Key for --pseudonyms.  [default: $BLANKOFF_PSEUDONYM_KEY]"
)
_store = click.option("--store", required=True, type=FILE, metavar="S", help="The store: one DuckDB file.")


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Shell completion: put the output of `_BLANKOFF_COMPLETE=bash_source blankoff` (or zsh_source, fish_source) "
    "into your shell's start-up file. Exit status: 0 done; 1 done, but something was quarantined; 2 wrong call or "
    "settings, nothing changed.",
)
@click.version_option(package_name="blankoff", prog_name="blankoff")
def main() -> None:
    r"""Judge logs of evacuations, and report each month on crews, pumps, hoses and gauges.

    \b
    Start here:
      blankoff demo                 an invented fleet, reviewed
      blankoff review my_fleet      your own fleet folder
      blankoff log circuit_7.csv    one log file

    What it finds is evidence for a qualified person, not a release to charge.
    """


@contextlib.contextmanager
def _progress() -> Iterator[Progress]:
    """Show a bar on stderr if that is a terminal; say nothing otherwise."""
    from blankoff.pipeline.progress import silent

    _explain_waiting()
    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bars:
        tasks: dict[str, Any] = {}

        def show(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=total)
            bars.update(tasks[stage], completed=done, total=total)

        yield show


def _explain_waiting() -> None:
    """Let the first use on a machine say why it takes so long, and use a second processor for it."""
    from blankoff.physics.compiled import before_the_first_compiles, tell_when_compiling

    def halve_it() -> None:
        from blankoff.pipeline.first_use import in_another_process

        in_another_process()

    before_the_first_compiles(halve_it)
    tell_when_compiling(
        lambda: click.echo(
            "first use on this machine: compiling, for a minute or so; later runs start at once", err=True
        )
    )


def _status(quarantined: int, lenient: bool) -> int:
    return QUARANTINED if quarantined and not lenient else DONE


def _say(text: str = "") -> None:
    """Print, whatever the terminal can show: what it can't is escaped, never an error."""
    stream = sys.stdout
    encoding = getattr(stream, "encoding", None) or "utf-8"
    click.echo(text.encode(encoding, "backslashreplace").decode(encoding))


_scheduler = click.option(
    "--scheduler", metavar="ADDRESS", help="Let the workers of a Dask scheduler (tcp://...) read and judge new logs."
)


@main.command()
@click.argument("fleet", type=Fleet())
@click.option("--store", type=FILE, metavar="S", help="The store.  [default: FLEET/fleet.duckdb]")
@click.option("--month", type=Month(), help="Which month.  [default: the last one with evacuations]")
@click.option("--out", type=ANY, metavar="DIR", help="Where the pages go.  [default: FLEET/pages]")
@_scheduler
@_pseudonyms
@_key_file
@_lenient
@_as_json
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
    r"""Do it all: read what is new, judge it, assess the fleet, write the month's pages.

    \b
    Example:
      blankoff review my_fleet --month 2026-10 --out pages
    """
    from blankoff import pipeline

    key = _key(pseudonyms, key_file)
    with _progress() as progress:
        done = pipeline.review(
            fleet, store, month=month, out=out, progress=progress, scheduler=scheduler, pseudonym_key=key
        )
    _say(json.dumps(done.as_dict(), ensure_ascii=False) if as_json else done.text())
    ctx.exit(_status(done.quarantined, lenient))


@main.command()
@click.argument("fleet", type=Fleet())
@_store
@_scheduler
@_lenient
@_as_json
@click.pass_context
def ingest(
    ctx: click.Context, fleet: Path | str, store: Path, scheduler: str | None, lenient: bool, as_json: bool
) -> None:
    r"""Read logs and registers into the store; what it already holds is not read again.

    \b
    Example:
      blankoff ingest my_fleet --store my_fleet.duckdb
    """
    from blankoff import pipeline
    from blankoff.store import open_store

    if isinstance(fleet, Path):
        pipeline.check_fleet_folder(fleet)
    with _progress() as progress, open_store(store) as opened:
        done = pipeline.ingest(fleet, opened, progress=progress, scheduler=scheduler)
    _say(json.dumps(done.as_dict(), ensure_ascii=False) if as_json else done.text())
    ctx.exit(_status(done.quarantined, lenient))


@main.command()
@click.argument("fleet", type=FOLDER)
@_lenient
@_as_json
@click.pass_context
def check(ctx: click.Context, fleet: Path, lenient: bool, as_json: bool) -> None:
    r"""Say what would be read or refused, and why, changing nothing.

    \b
    Example:
      blankoff check my_fleet
    """
    from blankoff import pipeline

    with _progress() as progress:
        found = pipeline.check(fleet, progress=progress)
    _say(json.dumps(found.as_dict(), ensure_ascii=False, default=str) if as_json else found.text())
    ctx.exit(_status(found.quarantined, lenient))


@main.command()
@_store
@click.option("--as-of", type=Day(), help="Use only what was known on this date.  [default: end of the last month]")
@_as_json
def assess(store: Path, as_of: dt.date | None, as_json: bool) -> None:
    r"""Run the fleet's models and make findings, using only what was known on a date.

    \b
    Example:
      blankoff assess --store my_fleet.duckdb --as-of 2026-10-31
    """
    from blankoff import pipeline

    with _progress() as progress, _existing_store(store) as opened:
        done = pipeline.assess(opened, as_of=as_of, progress=progress)
    _say(json.dumps(done.as_dict(), ensure_ascii=False) if as_json else done.text())


@main.command()
@_store
@click.option("--month", required=True, type=Month(), help="Which month.")
@click.option("--out", required=True, type=ANY, metavar="DIR", help="Where the pages go.")
@click.option("--every-log", is_flag=True, help="Write a page for every evacuation, not only those that matter.")
@_pseudonyms
@_key_file
def report(store: Path, month: str, out: Path, every_log: bool, pseudonyms: bool, key_file: Path | None) -> None:
    r"""Write the monthly pages from what the store holds.

    \b
    Example:
      blankoff report --store my_fleet.duckdb --month 2026-10 --out pages
    """
    from blankoff import pipeline

    key = _key(pseudonyms, key_file)
    with _progress() as progress, _existing_store(store) as opened:
        entry = pipeline.write_month(opened, month, out=out, every_log=every_log, progress=progress, pseudonym_key=key)
    _say(f"The pages of {month} begin at {entry}")


@main.command()
@_store
@click.argument("evacuation_id", required=False)
@click.option("--out", type=FILE, metavar="FILE.pdf", help="Where the sheet goes.")
@click.option("--made-on", type=Day(), help="The day printed on it.  [default: today]")
@click.option("--verify", type=EXISTING, metavar="FILE.pdf", help="Check a sheet against the store instead.")
@_pseudonyms
@_key_file
def sheet(
    store: Path,
    evacuation_id: str | None,
    out: Path | None,
    made_on: dt.date | None,
    verify: Path | None,
    pseudonyms: bool,
    key_file: Path | None,
) -> None:
    r"""Write one evacuation's evidence sheet, or check one against the store.

    \b
    Examples:
      blankoff sheet --store my_fleet.duckdb E-000123 --out E-000123.pdf
      blankoff sheet --store my_fleet.duckdb --verify E-000123.pdf
    """
    from blankoff import pipeline

    if verify is None and (evacuation_id is None or out is None):
        raise click.UsageError("name an EVACUATION_ID and --out FILE.pdf, or a sheet to check with --verify FILE.pdf")
    key = _key(pseudonyms, key_file)
    with _existing_store(store, read_only=True) as opened:
        if verify is not None:
            _say(pipeline.verify_sheet(opened, verify, pseudonym_key=key))
        elif evacuation_id is not None and out is not None:
            made = pipeline.write_sheet(opened, evacuation_id, out, made_on=made_on, pseudonym_key=key)
            _say(f"The sheet is {made}")


@main.command()
@click.argument("file", type=EXISTING)
@click.option("--target", type=click.FloatRange(min=0, min_open=True), help="Required vacuum, microns.  [default: 500]")
@click.option(
    "--limit", type=click.FloatRange(min=0, min_open=True), help="Limit for the hold, microns.  [default: 1000]"
)
@click.option("--hold", type=click.FloatRange(min=0, min_open=True), help="Required hold, minutes.  [default: 10]")
@click.option("--volume", type=click.FloatRange(min=0, min_open=True), help="Circuit volume, litres.")
@click.option("--settings", "settings_file", type=EXISTING, help="A fleet.toml with layouts and criteria.")
@_as_json
def log(file: Path, as_json: bool, settings_file: Path | None, **given: float | None) -> None:
    r"""Judge a single log file: verdict in words and the curve, no store.

    \b
    Example:
      blankoff log circuit_7.csv --target 300 --hold 20 --volume 9.5
    """
    from blankoff.pipeline import single

    _explain_waiting()
    criterion = {"target_micron": given["target"], "hold_limit_micron": given["limit"], "hold_minutes": given["hold"]}
    shown = single.judge_file(file, settings_file, criterion, given["volume"])
    if as_json:
        _say(json.dumps(shown.as_dict(), ensure_ascii=False, default=str))
    else:
        encoding = (getattr(sys.stdout, "encoding", None) or "ascii").lower().replace("-", "")
        _say(shown.text(plain=not encoding.startswith("utf")))


@main.command()
@_store
@click.option("--out", required=True, type=ANY, metavar="DIR", help="Where the files go.")
@click.option("--csv", is_flag=True, help="Write CSV files too.")
@click.option("--believed-on", type=Day(), help="What the store held on that day, later corrections undone.")
@_pseudonyms
@_key_file
def export(
    store: Path, out: Path, csv: bool, believed_on: dt.date | None, pseudonyms: bool, key_file: Path | None
) -> None:
    r"""Write the tables as Parquet files, and as CSV on request.

    \b
    Example:
      blankoff export --store my_fleet.duckdb --out tables --csv
    """
    from blankoff import pipeline

    key = _key(pseudonyms, key_file)
    with _existing_store(store, read_only=True) as opened:
        written = pipeline.export(opened, out, csv=csv, pseudonym_key=key, believed_on=believed_on)
    for path in written:
        _say(str(path))


@main.command()
@_store
@click.argument("technician", metavar="TECHNICIAN")
@click.option("--yes", is_flag=True, help="Do not ask; it cannot be undone.")
def forget(store: Path, technician: str, yes: bool) -> None:
    r"""Take a person out of the store; evacuations and all totals stay.

    TECHNICIAN is a technician_id of the register, or the whole name. A later review does not bring the person back
    from the folder, though its files still name them: those are yours to change.

    \b
    Example:
      blankoff forget --store my_fleet.duckdb T07
    """
    from blankoff import store as stores

    with _existing_store(store) as opened:
        if not yes:
            if not sys.stdin.isatty():
                raise click.UsageError("this cannot be undone; say --yes to do it")
            click.confirm(f"Take {technician} out of {store} for ever?", abort=True)
        done = stores.forget(opened, technician)
    _say(done.text())


@main.command()
@click.option(
    "--out", type=ANY, default=Path("blankoff_demo"), metavar="DIR", show_default=True, help="Where it all goes."
)
@_as_json
def demo(out: Path, as_json: bool) -> None:
    r"""Make the invented fleet and review it.

    \b
    Example:
      blankoff demo --out try_it
    """
    from blankoff.demo import run_demo

    with _progress() as progress:
        done = run_demo(out, progress=progress)
    _say(json.dumps(done.as_dict(), ensure_ascii=False) if as_json else done.text())


def _key(pseudonyms: bool, key_file: Path | None) -> bytes | None:
    """Return the key for pseudonyms, if they are wanted."""
    if not pseudonyms:
        if key_file is not None:
            raise click.UsageError("--key-file is the key for --pseudonyms; say --pseudonyms too")
        return None
    from blankoff.pipeline.pseudonyms import read_key

    return read_key(key_file)


def _existing_store(path: Path, read_only: bool = False) -> Any:
    """Open a store that must be there already."""
    from blankoff.errors import StoreError
    from blankoff.store import open_store

    if not path.is_file():
        raise StoreError(f"there is no store at {path}; make it with `blankoff ingest FLEET --store {path}`")
    return open_store(path, read_only=read_only)
