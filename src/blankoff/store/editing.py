"""Changes to text wherever it stands in the store, and the whole file written anew so that nothing old stays in it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from blankoff.errors import StoreError
from blankoff.store import queries

BATCH_ROWS = 200_000
"""Rows held at once while a table is copied."""


class Editor:
    """Text in any table of an open store; use it inside a transaction."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection
        rows = connection.execute(queries.statements()["list_text_columns"]).fetchall()
        self.text_columns: dict[str, list[str]] = {}
        """Every table's columns of text, and of lists of text."""
        self._is_list: set[tuple[str, str]] = set()
        for table, column, kind in rows:
            self.text_columns.setdefault(table, []).append(column)
            if str(kind).endswith("[]"):
                self._is_list.add((table, column))

    def delete_where(self, table: str, **values: str) -> int:
        """Delete the rows in which all these columns have these values; return how many there were."""
        if table not in self.text_columns:
            return 0
        done = self._connection.execute(queries.delete_where(table, list(values)), values).fetchone()
        return int(done[0]) if done else 0

    def rename(self, table: str, column: str, old: str, new: str, **only_where: str) -> None:
        """Put one value in the place of another in a column, in the rows that have these values elsewhere."""
        changes = pl.DataFrame({"old": [old], "new": [new]})
        self._change(table, column, changes, only_where)

    def blank(self, table: str, column: str, **only_where: str) -> None:
        """Empty a field in the rows that have these values."""
        self._connection.execute(queries.blank_where(table, column, list(only_where)), only_where)

    def rewrite(self, table: str, column: str, change: Callable[[str], str]) -> None:
        """Apply a function to every text of a column, in lists to every text in them."""
        old = self.distinct(table, column)
        is_list = (table, column) in self._is_list
        new: list[Any] = [[change(t) for t in v] if is_list else change(v) for v in old]
        kind: pl.DataType | type[pl.DataType] = pl.List(pl.String) if is_list else pl.String
        pairs = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
        if pairs:
            self._change(table, column, pl.DataFrame(pairs, schema={"old": kind, "new": kind}, orient="row"), {})

    def distinct(self, table: str, column: str) -> list[Any]:
        """Return every different value of a column that is not null."""
        return [row[0] for row in self._connection.execute(queries.distinct_values(table, column)).fetchall()]

    def texts(self, table: str, column: str) -> list[str]:
        """Return every different text of a column, those in lists one by one."""
        values = self.distinct(table, column)
        if (table, column) in self._is_list:
            return sorted({t for v in values for t in v if t is not None})
        return [str(v) for v in values]

    def _change(self, table: str, column: str, changes: pl.DataFrame, only_where: Mapping[str, str]) -> None:
        self._connection.register("incoming", changes.to_arrow())
        try:
            self._connection.execute(queries.update_values(table, column, list(only_where)), dict(only_where) or None)
        finally:
            self._connection.unregister("incoming")


def copy_anew(connection: duckdb.DuckDBPyConnection, target: Path) -> None:
    """Write every table of an open store into a new file, in the order of writing.

    What was deleted or changed may stay readable in a database file's free blocks; in a file written anew it can't.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    with contextlib.closing(duckdb.connect(str(target))) as fresh, _reported(target):
        fresh.execute("SET TimeZone = 'UTC'")
        for name, made_by in connection.execute(queries.statements()["list_definitions"]).fetchall():
            fresh.execute(made_by)
            rows = connection.sql(queries.select_all(name)).to_arrow_reader(BATCH_ROWS)
            fresh.register("incoming", rows)
            fresh.execute(queries.insert_incoming(name))
            fresh.unregister("incoming")
        fresh.execute("CHECKPOINT")


@contextlib.contextmanager
def _reported(target: Path) -> Iterator[None]:
    try:
        yield
    except duckdb.Error as error:
        target.unlink(missing_ok=True)
        first = str(error).splitlines()[0]
        raise StoreError(
            f"{target} cannot be written ({first}); the store is as it was; make room, run again"
        ) from None
