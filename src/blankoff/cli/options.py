"""Options that several commands share, and what they stand for."""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import Any

import click

from blankoff.cli import arguments

_AS_WRITTEN = re.compile(r"(?m)^(?=(?:Example|Start here|[^\n]+, once):$)")


def keep_lines(text: str) -> str:
    """Mark the lists of commands in a help text, so that their lines are not run together."""
    return _AS_WRITTEN.sub("\b\n", text)


class Command(click.Command):
    """A command whose examples stand in its help as they are written in its docstring."""

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self.help = keep_lines(inspect.cleandoc(self.help or ""))

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Understand the words; where that fails, show how they are written."""
        try:
            return super().parse_args(ctx, args)
        except click.UsageError as error:
            raise click.UsageError(f"{error.format_message()}\nFor example: {self._example()}", ctx) from None

    def _example(self) -> str:
        lines = [line.strip() for line in (self.help or "").splitlines()]
        return lines[lines.index("Example:") + 1]


lenient_option = click.option("--lenient", is_flag=True, help="Exit 0 even if something was quarantined.")
as_json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
pseudonyms_option = click.option(
    "--pseudonyms", is_flag=True, help="Name no people: keyed pseudonyms, for what leaves the house."
)
key_file_option = click.option(
    "--key-file",
    type=arguments.EXISTING,
    metavar="FILE",
    help="Key for --pseudonyms.  [default: $BLANKOFF_PSEUDONYM_KEY]",
)
store_option = click.option(
    "--store", required=True, type=arguments.FILE, metavar="S", help="The store: one DuckDB file."
)
scheduler_option = click.option(
    "--scheduler",
    type=arguments.Address(),
    metavar="ADDRESS",
    help="Let the workers of a Dask scheduler (tcp://...) read and judge new logs.",
)


def pseudonym_key(pseudonyms: bool, key_file: Path | None) -> bytes | None:
    """Return the key for pseudonyms, if they are wanted."""
    if not pseudonyms:
        if key_file is not None:
            raise click.UsageError("--key-file is the key for --pseudonyms; say --pseudonyms too")
        return None
    from blankoff.pipeline.pseudonyms import read_key

    return read_key(key_file)


def existing_store(path: Path, read_only: bool = False) -> Any:
    """Open a store that must be there already."""
    from blankoff.errors import StoreError
    from blankoff.store import open_store

    if not path.is_file():
        raise StoreError(f"there is no store at {path}; make it with `blankoff ingest FLEET --store {path}`")
    return open_store(path, read_only=read_only)
