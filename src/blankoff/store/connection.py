"""Opening the store: one DuckDB file, its lock, its version, its migrations."""

from __future__ import annotations

import contextlib
import filecmp
import re
import shutil
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import duckdb
import polars as pl

from blankoff import schemas
from blankoff.errors import StoreError
from blankoff.store import queries
from blankoff.store.samples import packed_older

STORE_VERSION = queries.migrations()[-1][0]
"""Version of the store's layout that this program writes."""

_PACKED_FROM = 4
"""Version of the layout from which on readings are packed."""
_MOVED_TOGETHER = 500
"""Logs of an older store whose readings are packed at a time."""

_INTERNAL: Mapping[str, Mapping[str, schemas.PolarsType]] = {
    # what one log gave under one criterion; `context` tells whether it must be judged again
    "measure": {
        "evacuation_id": pl.String,
        "log_no": pl.Int64,
        "context": pl.String,
        **{k: v for k, v in schemas.MEASURE.polars_schema.items() if k != "log_key"},
    },
    # which log file each evacuation has
    "assigned": {"evacuation_id": pl.String, "path": pl.String},
    "outcome_group": {
        "as_of": pl.Date,
        "evacuation_id": pl.String,
        "group_id": pl.Int64,
        "group_name": pl.String,
    },
}

MEMORY_MB = 512
"""What the database may hold of a store at a time, in megabytes; what does not fit it puts on disk, beside the store.  Left to
itself it takes four fifths of the machine (judgement: a batch of samples and the joins of copies fit several times over)."""
_Config = dict[str, str | bool | int | float | list[str]]
_CONFIG: _Config = {
    # Never reach for the network: what is not built in is not used.
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "preserve_insertion_order": "true",
}


@contextlib.contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn the database's own errors into one that says what to do.

    Raises
    ------
    StoreError
        The file is damaged, or cannot be read or written any more.
    """
    try:
        yield
    except (duckdb.Error, UnicodeDecodeError) as error:
        first = (str(error).splitlines() or [type(error).__name__])[0][:200]
        if isinstance(error, duckdb.IOException) and any(w in first for w in ("write", "space", "sync", "truncate")):
            raise StoreError(f"{path} cannot be written ({first}); make room and run again") from error
        raise StoreError(
            f"{path} is damaged or not as blankoff left it ({first}); put a copy in its place, or make it anew from the "
            "fleet folder with `blankoff ingest FLEET --store NEW`"
        ) from error


def connect(
    path: Path, *, read_only: bool, wait_s: float = 0.0, memory_mb: int | None = None
) -> duckdb.DuckDBPyConnection:
    """Open a store, make it if it is new, bring an older one up to date.

    Parameters
    ----------
    path
        The file. It is made if it does not exist, unless ``read_only``.
    read_only
        Whether nothing shall be written; an older store is then read as it is.
    wait_s
        How long to wait for another program that is writing, in seconds.
    memory_mb
        What the database may hold at a time; `MEMORY_MB` if not given.

    Raises
    ------
    StoreError
        Not there, not a store, being written by another program, or made by a newer version; the text names the mend.
    """
    if read_only and not path.is_file():
        raise StoreError(f"there is no store at {path}; make it with `blankoff ingest FLEET --store {path}`")
    if path.is_dir():
        raise StoreError(f"{path} is a folder; name a file for the store, such as {path / 'fleet.duckdb'}")
    if not read_only and not path.parent.is_dir():
        raise StoreError(f"the folder {path.parent} does not exist; make it, or name another place for the store")
    config = _CONFIG | {"memory_limit": f"{memory_mb or MEMORY_MB}MB"}
    connection = _open(path, read_only, wait_s, config)
    try:
        with told(path):
            return _made_ready(connection, path, read_only=read_only, wait_s=wait_s, config=config)
    except BaseException:
        with contextlib.suppress(duckdb.Error):
            connection.close()
        raise


def _made_ready(
    connection: duckdb.DuckDBPyConnection, path: Path, *, read_only: bool, wait_s: float, config: _Config
) -> duckdb.DuckDBPyConnection:
    """Look at what was opened, and bring it up to date."""
    connection.execute("SET TimeZone = 'UTC'")
    version = stored_version(connection, path)
    if version is not None and version > STORE_VERSION:
        raise StoreError(
            f"{path} was written by a newer version of blankoff (layout {version}, "
            f"this one knows {STORE_VERSION}); update blankoff, or name another store"
        )
    if read_only:
        if version is None:
            raise StoreError(f"{path} is empty; fill it with `blankoff ingest FLEET --store {path}`")
        return connection
    if version is not None and version < STORE_VERSION:
        connection.close()
        _keep_copy(path, version)
        connection = _open(path, read_only, wait_s, config)
        connection.execute("SET TimeZone = 'UTC'")
    try:
        _migrate(connection, version or 0)
        _ensure_schemas(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _open(path: Path, read_only: bool, wait_s: float, config: _Config) -> duckdb.DuckDBPyConnection:
    give_up_at = time.monotonic() + wait_s
    is_new = not path.exists()
    while True:
        try:
            return duckdb.connect(str(path), read_only=read_only, config=config)
        except duckdb.Error as error:
            text = str(error)
            if "lock" in text.lower():
                if time.monotonic() < give_up_at:
                    time.sleep(0.1)
                    continue
                process = re.search(r"PID (\d+)", text)
                who = f" (process {process.group(1)})" if process else ""
                raise StoreError(
                    f"{path} is in use by another program{who}; wait until it has finished, then run this again"
                ) from None
            if "ould not write" in text or "No space" in text:
                if is_new:  # a beginning of a file that no one could open
                    path.unlink(missing_ok=True)
                raise StoreError(
                    f"{path} cannot be written ({text.splitlines()[0]}); make room and run again"
                ) from None
            if "valid DuckDB" in text:
                raise StoreError(f"{path} is not a DuckDB file; name another file for the store") from None
            raise StoreError(f"{path} cannot be opened as a store: {text.splitlines()[0]}") from None


def stored_version(connection: duckdb.DuckDBPyConnection, path: Path) -> int | None:
    """Return the version of a store's layout, ``None`` for an empty file.

    Raises
    ------
    StoreError
        It is a database, but none of ours.
    """
    tables = {row[0] for row in connection.execute(queries.statements()["list_tables"]).fetchall()}
    if not tables:
        return None
    if "store_version" not in tables:
        raise StoreError(f"{path} is no store of blankoff; name another file for the store")
    # all rows are fetched: an unfinished result would bar the connection from its next statement
    rows = connection.execute(queries.statements()["store_version"]).fetchall()
    return int(rows[0][0]) if rows and rows[0][0] is not None else 0


def _keep_copy(path: Path, version: int) -> None:
    copy = path.with_name(f"{path.name}.layout{version}")
    number = 1
    while copy.exists():
        if filecmp.cmp(
            copy, path, shallow=False
        ):  # kept by a run that was killed before it had brought the store up to date
            return
        copy = path.with_name(f"{path.name}.layout{version}.{number}")
        number += 1
    aside = copy.with_name(copy.name + ".part")
    shutil.copy2(path, aside)
    aside.replace(copy)


def _migrate(connection: duckdb.DuckDBPyConnection, version: int) -> None:
    pending = [m for m in queries.migrations() if m[0] > version]
    if not pending:
        return
    with transaction(connection):
        if version == 0:
            connection.execute(queries.statements()["create_store_version"])
        for number, name, sql in pending:
            connection.execute(sql)
            if number == _PACKED_FROM:
                _pack_older_samples(connection)
            connection.execute(queries.statements()["set_store_version"], {"version": number, "applied": name})


def _pack_older_samples(connection: duckdb.DuckDBPyConnection) -> None:
    """Move what the table ``sample`` of older stores holds to ``packed``, some logs at a time."""
    numbers = [n for (n,) in connection.execute(queries.statements()["older_log_nos"]).fetchall()]
    for k in range(0, len(numbers), _MOVED_TOGETHER):
        part = numbers[k : k + _MOVED_TOGETHER]
        span = {"first": part[0], "last": part[-1]}
        rows = connection.sql(queries.statements()["older_samples_between"], params=span).to_arrow_table()
        connection.register("incoming", packed_older(rows).to_arrow())
        connection.execute(queries.statements()["insert_packed"])
        connection.unregister("incoming")
    connection.execute(queries.statements()["drop_older_samples"])


def _ensure_schemas(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the tables of the contract, and add the columns that they gained since this store was made."""
    wanted: dict[str, Mapping[str, schemas.PolarsType]] = {
        table.name: table.polars_schema for table in schemas.TABLES.values()
    }
    wanted |= {
        # where each row stood in its file, beside what it says
        f"register_{table.name}": {**table.polars_schema, "row": pl.Int64}
        for table in schemas.REGISTERS.values()
    }
    wanted["quarantine"] = {**schemas.QUARANTINE.polars_schema, "origin": pl.String}
    wanted |= _INTERNAL
    with transaction(connection):
        for name, schema in wanted.items():
            connection.execute(queries.create_table(name, schema))
        columns = columns_of_all(connection)
        for name, schema in wanted.items():
            present = columns[name]
            for column, dtype in schema.items():
                if column not in present:
                    connection.execute(queries.add_column(name, column, dtype))


def columns_of_all(connection: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    """Return the column names of every table, in order."""
    found: dict[str, list[str]] = {}
    for table, column in connection.execute(queries.statements()["list_all_columns"]).fetchall():
        found.setdefault(table, []).append(column)
    return found


@contextlib.contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Do all that is inside, or nothing of it."""
    connection.begin()
    try:
        yield
    except BaseException:
        with contextlib.suppress(duckdb.Error):  # the first error counts, not that of undoing
            connection.rollback()
        raise
    connection.commit()
