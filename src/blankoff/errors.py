"""The errors this package raises: one base, a handful of precise names.

Bad *input data* is never an exception to the caller of the fleet functions: it becomes a row of the
``quarantine`` table. These exceptions are for wrong calls, wrong settings, and a single log that cannot be read.
"""

from __future__ import annotations


class BlankoffError(Exception):
    """Base of every error this package raises on purpose; its text says what is wrong and how to mend it."""


class UnknownWordError(BlankoffError, ValueError):
    """A word (unit, kind, measure ...) that is not one of the known ones; the text lists those."""

    def __init__(self, what: str, word: str, known: list[str]) -> None:
        self.what, self.word, self.known = what, word, known
        super().__init__(f"unknown {what} {word!r}; use one of: {', '.join(known)}")


class SettingsError(BlankoffError, ValueError):
    """``fleet.toml`` or a settings value is wrong; the text names file, field, reason and mend."""


class LogUnreadableError(BlankoffError, ValueError):
    """One log file cannot be used as a whole.

    Parameters
    ----------
    path
        The file, as handed in.
    problem
        The reason and the mend, in plain words.
    field
        Column or part of the file at fault; empty when it is the whole file.
    row
        Line in the file (the header is line 1); ``None`` for a whole file.
    """

    def __init__(self, path: str, problem: str, field: str = "", row: int | None = None) -> None:
        self.path, self.problem, self.field, self.row = path, problem, field, row
        super().__init__(f"{path}{'' if row is None else f', line {row}'}{f', {field}' if field else ''}: {problem}")


class FleetFolderError(BlankoffError):
    """The fleet folder lacks what every run needs (``evacuations`` register, ``logs/``)."""


class ClusterError(BlankoffError):
    """The hosts that should share the work cannot be reached, or were lost; what was stored before is safe."""


class StoreError(BlankoffError):
    """The store cannot be opened, is newer than this program, or is being written by another one."""


class NotInStoreError(BlankoffError, LookupError):
    """An evacuation, month or table that was asked for is not in the store."""
