"""What commands say while they run and when they are done: words or one JSON object, progress, exit status."""

from __future__ import annotations

import atexit
import contextlib
import gc
import json
import sys
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Protocol

import click

if TYPE_CHECKING:
    from blankoff.pipeline.progress import Progress

DONE, QUARANTINED, WRONG_CALL = 0, 1, 2


def status(quarantined: int, lenient: bool) -> int:
    """Exit status of a run that read input."""
    return QUARANTINED if quarantined and not lenient else DONE


def say(text: str = "") -> None:
    """Print, whatever the terminal can show: what it can't is escaped, never an error."""
    stream = sys.stdout
    encoding = getattr(stream, "encoding", None) or "utf-8"
    click.echo(text.encode(encoding, "backslashreplace").decode(encoding))


def say_json(told: Mapping[str, Any]) -> None:
    """Print one JSON object on one line; its text is ASCII, so that every terminal and pipe can take it."""
    click.echo(json.dumps(told, default=str, allow_nan=False))


class Told(Protocol):
    """What a stage did, in words and as plain values."""

    def text(self) -> str:
        """Words for a person."""

    def as_dict(self) -> Mapping[str, Any]:
        """Values for a script."""


def tell(done: Told, as_json: bool) -> None:
    """Print what was done, in words or as one JSON object."""
    if as_json:
        say_json(done.as_dict())
    else:
        say(done.text())


def leave_at_once() -> None:
    """Let the program end without a last search for garbage: all it has goes with it, and the search takes a third of a second."""
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)


@contextlib.contextmanager
def no_searching() -> Iterator[None]:
    """Look for no garbage during a short command: what it loads stays until it ends."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


@contextlib.contextmanager
def progress_bar() -> Iterator[Progress]:
    """Show a bar on stderr if that is a terminal; say nothing otherwise."""
    from blankoff.pipeline.progress import silent

    explain_waiting()
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
                for before in bars.tasks:  # a stage that says nothing at its end has ended when the next begins
                    bars.update(before.id, completed=before.total)
                tasks[stage] = bars.add_task(stage, total=total)
            bars.update(tasks[stage], completed=done, total=total)

        yield show


def explain_waiting() -> None:
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
