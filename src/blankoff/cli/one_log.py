"""The command that needs neither folder nor store: one log file, judged and drawn."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from blankoff.cli import arguments
from blankoff.cli.options import Command, as_json_option
from blankoff.cli.telling import explain_waiting, no_searching, say, say_json

POSITIVE = arguments.Positive()


@click.command(cls=Command)
@click.argument("file", type=arguments.EXISTING)
@click.option("--target", type=POSITIVE, metavar="MICRONS", help="Required vacuum.  [default: 500]")
@click.option("--limit", type=POSITIVE, metavar="MICRONS", help="Limit for the hold.  [default: 1000]")
@click.option("--hold", type=POSITIVE, metavar="MINUTES", help="Required hold.  [default: 10]")
@click.option("--volume", type=POSITIVE, metavar="LITRES", help="Circuit volume.")
@click.option("--settings", "settings_file", type=arguments.EXISTING, help="A fleet.toml with layouts and criteria.")
@as_json_option
@no_searching()
def log(file: Path, as_json: bool, settings_file: Path | None, **given: float | None) -> None:
    """Judge a single log file: verdict in words and the curve, no store.

    Example:
      blankoff log circuit_7.csv --target 300 --hold 20 --volume 9.5
    """
    from blankoff.errors import BlankoffError, LogUnreadableError
    from blankoff.pipeline import single

    explain_waiting()
    criterion = {"target_micron": given["target"], "hold_limit_micron": given["limit"], "hold_minutes": given["hold"]}
    try:
        shown = single.judge_file(file, settings_file, criterion, given["volume"])
    except LogUnreadableError as error:
        if settings_file is None and "fleet.toml" in str(error):
            raise BlankoffError(f"{error}, and name that with --settings fleet.toml") from None
        raise
    if as_json:
        say_json(shown.as_dict())
    else:
        encoding = (getattr(sys.stdout, "encoding", None) or "ascii").lower().replace("-", "")
        say(shown.text(plain=not encoding.startswith("utf")))
