"""What people write behind a command: months, days, files and folders, with a word on the mend where it is none."""

from __future__ import annotations

import datetime as dt
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    _TextType = click.ParamType[str]
    _DateType = click.ParamType[dt.date]
    _NumberType = click.ParamType[float]
    _AnyType = click.ParamType[Any]
else:  # older versions of click have no parameter there
    _TextType = _DateType = _NumberType = _AnyType = click.ParamType


class Month(_TextType):
    """A month such as ``2026-10``."""

    name = "YYYY-MM"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return it, or fail with what to write instead."""
        if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", str(value), flags=re.ASCII):
            self.fail(f"{value!r} is no month; write year and month such as 2026-10", param, ctx)
        return str(value)


class Day(_DateType):
    """A day such as ``2026-10-31``."""

    name = "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dt.date:
        """Return it, or fail with what to write instead."""
        if isinstance(value, dt.date):
            return value
        try:
            if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", str(value), flags=re.ASCII):
                raise ValueError
            return dt.date.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r} is no date; write it such as 2026-10-31", param, ctx)


FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)
FILE = click.Path(dir_okay=False, path_type=Path)


class Fleet(_AnyType):
    """A fleet folder that is there, or an address such as ``s3://bucket/fleet``."""

    name = "fleet"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return it, or fail with what to write instead."""
        return value if isinstance(value, str) and "://" in value else FOLDER.convert(value, param, ctx)


class Address(_TextType):
    """Where a scheduler listens, such as ``tcp://10.0.0.5:8786``."""

    name = "address"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return it, or fail with what to write instead."""
        if not re.fullmatch(r"\w+://\S+:\d{1,5}", str(value), flags=re.ASCII):
            self.fail(f"{value!r} is no address of a scheduler; write it such as tcp://10.0.0.5:8786", param, ctx)
        return str(value)


class Positive(_NumberType):
    """A finite number above zero."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return it, or fail with what to write instead."""
        try:
            number = float(value)
        except ValueError:
            self.fail(f"{value!r} is no number; write one above 0", param, ctx)
        if not (math.isfinite(number) and number > 0):
            self.fail(f"{value} is out of range; write a number above 0", param, ctx)
        return number


EXISTING = click.Path(exists=True, dir_okay=False, path_type=Path)
ANY = click.Path(path_type=Path)
