"""Words → settings → pipeline → exit code; the work is done elsewhere."""

from __future__ import annotations

import inspect
from typing import Any

import click

from blankoff.cli.from_folder import check, demo, ingest, review
from blankoff.cli.from_store import assess, export, forget, report, sheet
from blankoff.cli.one_log import log
from blankoff.cli.options import keep_lines
from blankoff.cli.telling import WRONG_CALL, leave_at_once


class _Commands(click.Group):
    """Runs a command; every error of ours becomes one line that names the mend, and exit status 2."""

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self.help = keep_lines(inspect.cleandoc(self.help or ""))

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name commands in the order in which a person comes to need them."""
        return list(self.commands)

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """Find the command that is meant; where there is none, name them all."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            if ctx.resilient_parsing or args[0].startswith("-"):
                raise
            told = error.format_message()
            raise click.UsageError(f"{told} The commands are {', '.join(self.commands)}.", ctx) from None

    def invoke(self, ctx: click.Context) -> Any:
        from blankoff.errors import BlankoffError

        leave_at_once()
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


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=keep_lines(
        """Exit status: 0 done; 1 done, but something was quarantined; 2 wrong call or settings, nothing changed.

For completion, put the line for your shell into its start-up file, once:
  bash:  eval "$(_BLANKOFF_COMPLETE=bash_source blankoff)"
  zsh:   eval "$(_BLANKOFF_COMPLETE=zsh_source blankoff)"
  fish:  _BLANKOFF_COMPLETE=fish_source blankoff | source"""
    ),
)
@click.version_option(package_name="blankoff", prog_name="blankoff")
def main() -> None:
    """Judge logs of evacuations, and report each month on crews, pumps, hoses and gauges.

    Start here:
      blankoff demo                 an invented fleet, reviewed
      blankoff review my_fleet      your own fleet folder
      blankoff log circuit_7.csv    one log file

    What it finds is evidence for a qualified person, not a release to charge.
    """


for _command in (demo, review, check, ingest, assess, report, sheet, log, export, forget):
    main.add_command(_command)
