"""A folder that was written aside takes the place of the one before, in one step where the system can."""

from __future__ import annotations

import ctypes
import os
import shutil
from pathlib import Path

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
"""Linux, ``renameat2(2)``."""


def _names(folder: Path) -> tuple[Path, Path]:
    return folder.with_name(f".{folder.name}.part"), folder.with_name(f".{folder.name}.old")


def make_ready(folder: Path) -> Path:
    """Clear away what an interrupted run left beside a folder, and return where to write its successor.

    Where only half of a swap was done, the folder that was there before is put back first.
    """
    aside, old = _names(folder)
    if old.exists() and not folder.exists():
        old.rename(folder)
    for left_over in (aside, old):
        shutil.rmtree(left_over, ignore_errors=True)
    return aside


def swap_in(folder: Path) -> None:
    """Put what was written aside in the place of a folder; whoever looks sees the one or the other, whole.

    On systems that cannot exchange two folders in one step there is a moment between two renames without either; a run
    interrupted just then leaves the earlier folder beside, and `make_ready` puts it back.

    Raises
    ------
    OSError
        It could not be done; the folder is as it was.
    """
    aside, old = _names(folder)
    if folder.exists() and not _exchange(aside, folder):
        folder.rename(old)
        try:
            aside.rename(folder)
        except OSError:
            old.rename(folder)
            raise
    elif not folder.exists():
        aside.rename(folder)
    shutil.rmtree(aside, ignore_errors=True)
    shutil.rmtree(old, ignore_errors=True)


def _exchange(one: Path, other: Path) -> bool:
    """Exchange the names of two folders in one step; return whether the system could."""
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    names = os.fsencode(one), os.fsencode(other)
    return bool(rename(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _RENAME_EXCHANGE) == 0)
