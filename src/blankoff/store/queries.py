"""The store's SQL, read from the package's ``.sql`` files, and the few statements made from the schemas.

Values never enter a statement's text: they are bound as parameters, and frames as the relation ``incoming``. The only
text put together here is made of table and column names of this package's own schemas, each quoted.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files

import polars as pl

from blankoff.errors import StoreError
from blankoff.schemas import PolarsType

_DUCKDB_TYPES: tuple[tuple[PolarsType, str], ...] = (
    (pl.Float64, "DOUBLE"),
    (pl.Float32, "DOUBLE"),
    (pl.Int64, "BIGINT"),
    (pl.Int32, "BIGINT"),
    (pl.Int16, "BIGINT"),
    (pl.Int8, "BIGINT"),
    (pl.UInt32, "BIGINT"),
    (pl.UInt8, "BIGINT"),
    (pl.String, "VARCHAR"),
    (pl.Boolean, "BOOLEAN"),
    (pl.Date, "DATE"),
    (pl.List(pl.String), "VARCHAR[]"),
    (pl.List(pl.Float64), "DOUBLE[]"),
    (pl.List(pl.Int64), "BIGINT[]"),
    (pl.Null, "VARCHAR"),
)


@cache
def statements() -> Mapping[str, str]:
    """Return every named statement of ``sql/statements.sql``."""
    text = files("blankoff.store").joinpath("sql", "statements.sql").read_text(encoding="utf-8")
    parts = re.split(r"^-- name: (\w+)\n", text, flags=re.MULTILINE)
    return {name: body.strip() for name, body in zip(parts[1::2], parts[2::2], strict=True)}


@cache
def migrations() -> tuple[tuple[int, str, str], ...]:
    """Return ``(version, file name, SQL)`` of every migration, ascending."""
    folder = files("blankoff.store").joinpath("sql", "migrations")
    scripts = [f for f in folder.iterdir() if f.name.endswith(".sql")]
    return tuple(sorted((int(f.name[:4]), f.name, f.read_text(encoding="utf-8")) for f in scripts))


def quoted(name: str) -> str:
    """Return an identifier of our own in SQL's double quotes."""
    return '"' + name.replace('"', '""') + '"'


def duckdb_type(dtype: PolarsType) -> str:
    """Return the DuckDB type for a Polars type.

    Raises
    ------
    StoreError
        For a type no table of this package has.
    """
    if isinstance(dtype, pl.Datetime) or dtype == pl.Datetime:
        return "TIMESTAMP WITH TIME ZONE"
    for known, name in _DUCKDB_TYPES:
        if dtype == known:
            return name
    raise StoreError(f"the store has no column type for {dtype}; cast the column before it is written")


def create_table(name: str, schema: Mapping[str, PolarsType]) -> str:
    """Return CREATE TABLE for one of this package's schemas."""
    columns = ", ".join(f"{quoted(column)} {duckdb_type(dtype)}" for column, dtype in schema.items())
    return f"CREATE TABLE IF NOT EXISTS {quoted(name)} ({columns})"


def add_column(name: str, column: str, dtype: PolarsType) -> str:
    """Return ALTER TABLE for a column that a schema gained since the store was made."""
    return f"ALTER TABLE {quoted(name)} ADD COLUMN IF NOT EXISTS {quoted(column)} {duckdb_type(dtype)}"


def insert_incoming(name: str) -> str:
    """Return the insertion of the relation ``incoming`` into a table of ours, by column name."""
    return f"INSERT INTO {quoted(name)} BY NAME SELECT * FROM incoming"


def select_all(name: str) -> str:
    """Return the whole table, in the order of writing."""
    return f"SELECT * FROM {quoted(name)}"


def select_columns(name: str, columns: Sequence[str]) -> str:
    """Return some columns of a table, in the order of writing."""
    return f"SELECT {', '.join(quoted(c) for c in columns)} FROM {quoted(name)}"


def select_between(name: str, columns: Sequence[str], key: str) -> str:
    """Return some columns of the rows whose ``key`` is ``$first``, ``$last`` or between them, in the order of writing."""
    return f"{select_columns(name, columns)} WHERE {quoted(key)} BETWEEN $first AND $last"


def delete_all(name: str) -> str:
    """Return the emptying of a table of ours."""
    return f"DELETE FROM {quoted(name)}"


def delete_matching(name: str, column: str) -> str:
    """Return the deletion of rows whose ``column`` is among those of ``incoming``."""
    key = quoted(column)
    return f"DELETE FROM {quoted(name)} WHERE {key} IN (SELECT {key} FROM incoming)"


def _where(columns: list[str]) -> str:
    """Return a condition on columns of ours, each bound to the parameter of its name; nothing for none."""
    return " AND ".join(f"{quoted(column)} = ${column}" for column in columns)


def delete_where(name: str, columns: list[str]) -> str:
    """Return the deletion of the rows in which all these columns have the values bound to their names."""
    return f"DELETE FROM {quoted(name)} WHERE {_where(columns)}"


def blank_where(name: str, column: str, columns: list[str]) -> str:
    """Return the emptying of a field in the rows in which all these columns have the values bound to their names."""
    return f"UPDATE {quoted(name)} SET {quoted(column)} = NULL WHERE {_where(columns)}"


def update_values(name: str, column: str, columns: list[str]) -> str:
    """Return the change of a column from ``incoming.old`` to ``incoming.new``, where other columns have bound values."""
    key = quoted(column)
    also = f" AND {_where(columns)}" if columns else ""
    return f"UPDATE {quoted(name)} SET {key} = incoming.new FROM incoming WHERE {key} = incoming.old{also}"


def distinct_values(name: str, column: str) -> str:
    """Return every different value of a column that is not null, in order."""
    key = quoted(column)
    return f"SELECT DISTINCT {key} FROM {quoted(name)} WHERE {key} IS NOT NULL ORDER BY {key}"
