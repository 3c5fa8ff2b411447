"""The open store: typed reads and writes with frames; one transaction per batch."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import polars as pl

from blankoff import schemas
from blankoff.errors import NotInStoreError, StoreError
from blankoff.samples import SampleBatch
from blankoff.settings import Settings
from blankoff.store import queries
from blankoff.store.beliefs import ANSWERED, KEYS, SORT_KEYS, as_it_stood, new_keys
from blankoff.store.connection import columns_of_all, connect, told, transaction
from blankoff.store.editing import Editor, copy_anew
from blankoff.store.forgetting import Forgotten
from blankoff.store.samples import (
    ArrowTable,
    PackedSamples,
    arrow_to_packed,
    lies_together,
    packed_older,
    packed_to_frames,
    unpacked,
)
from blankoff.store.spool import Spool

_WORDS_AT_ONCE = 200_000
"""Of packed samples, handed on at a time while all are laid out: of some thousand logs."""
_MOST_OF = 0.8
"""Share of the logs in a range from which the whole range is read."""
KEPT_BEFORE = tuple(KEYS)
"""Tables whose replaced rows are kept, so that a disputed month can be reproduced."""


def open_store(
    path: str | os.PathLike[str], read_only: bool = False, wait_s: float = 0.0, memory_mb: int | None = None
) -> Store:
    """Open a store; use it in a ``with`` statement.

    Parameters
    ----------
    path
        The DuckDB file; it is made if it does not exist and ``read_only`` is false.
    read_only
        Whether nothing shall be written.
    wait_s
        How long to wait for another program that is writing, in seconds.
    memory_mb
        What the database may hold in memory at a time, in megabytes; `connection.MEMORY_MB` if not given.

    Raises
    ------
    StoreError
        See `blankoff.store.connection.connect`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "fleet.duckdb") as store:
    ...     store.table("result").height
    0
    """
    path = Path(path)
    return Store(path, connect(path, read_only=read_only, wait_s=wait_s, memory_mb=memory_mb), read_only)


class Store:
    """One open store; get it from `open_store`."""

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection, read_only: bool) -> None:
        self.path, self.read_only = path, read_only
        self._connection = connection
        self._present: dict[str, list[str]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; nothing can be read or written afterwards."""
        with contextlib.suppress(duckdb.Error):  # what could not be put away stands in the file's journal
            self._connection.close()

    # --- plain access, by named statement ---------------------------------------------------------------------------

    def read(self, statement: str, incoming: pl.DataFrame | None = None, **values: Any) -> pl.DataFrame:
        """Return the rows of a statement of ``sql/statements.sql``."""
        return _to_polars(self._rows(queries.statements()[statement], incoming, values))

    def change(self, statement: str, incoming: pl.DataFrame | ArrowTable | None = None, **values: Any) -> None:
        """Run a statement of ``sql/statements.sql`` that returns nothing."""
        with self._incoming(incoming):
            self._connection.execute(queries.statements()[statement], values or None)

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """Write all that is inside the ``with`` block, or nothing of it.

        Raises
        ------
        StoreError
            The disk is full, the file has become unwritable, or another program changed the same rows.
        """
        if self.read_only:
            raise StoreError(f"{self.path} was opened for reading only; open it with read_only=False to write")
        try:
            with transaction(self._connection):
                yield
        except BaseException as error:
            self._present.clear()  # tables made inside are gone again
            if not isinstance(error, duckdb.Error):
                raise
            first = str(error).splitlines()[0]
            raise StoreError(
                f"{self.path}: nothing of this batch was written ({first}); mend it and run again"
            ) from error

    def insert(self, name: str, frame: pl.DataFrame) -> None:
        """Append a frame to a table, which is made, or gains columns, as the frame needs."""
        if not frame.width:
            return
        self._ensure(name, frame.schema)
        if frame.height:
            with self._incoming(frame):
                self._connection.execute(queries.insert_incoming(name))

    def insert_samples(self, batch: SampleBatch, log_nos: Sequence[int]) -> None:
        """Append a batch's samples and marks, in log order."""
        self.insert_packed([(PackedSamples.of(batch), log_nos)])

    def insert_packed(self, batches: Sequence[tuple[PackedSamples, Sequence[int]]]) -> None:
        """Append the samples and marks of batches, each with the numbers of its logs, in log order."""
        samples, marks = zip(*(packed_to_frames(*batch) for batch in batches), strict=True)
        self.change("insert_packed", pl.concat(samples))
        self.insert("mark", pl.concat(marks))

    def delete(self, name: str, column: str, keys: pl.DataFrame) -> None:
        """Delete the rows whose ``column`` is among that of ``keys``."""
        if keys.height and self._columns(name):
            with self._incoming(keys.select(column)):
                self._connection.execute(queries.delete_matching(name, column))

    def replace(self, name: str, column: str, frame: pl.DataFrame, keys: pl.DataFrame | None = None) -> None:
        """Put a frame in the place of the rows that have its values (or those of ``keys``) in ``column``."""
        self.delete(name, column, frame.select(column).unique() if keys is None else keys)
        self.insert(name, frame)

    def replace_all(self, name: str, frame: pl.DataFrame) -> None:
        """Put a frame in the place of all rows of a table."""
        if self._columns(name):
            self._connection.execute(queries.delete_all(name))
        self.insert(name, frame)

    def replace_all_if_changed(self, name: str, frame: pl.DataFrame) -> bool:
        """Put a frame in the place of all rows of a table, unless it holds just these; return whether it was done."""
        before = self.raw(name)
        if before.width and set(frame.columns) <= set(before.columns) and before.select(frame.columns).equals(frame):
            return False
        self.replace_all(name, frame)
        return True

    def raw(self, name: str, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Return one of the store's own tables as it is, in the order of writing; empty if it was never written.

        Of ``columns``, where they are given, those that it has.
        """
        wanted = self._columns(name) if columns is None else [c for c in columns if c in self._columns(name)]
        return _to_polars(self._rows(queries.select_columns(name, wanted), None, {})) if wanted else pl.DataFrame()

    def raw_between(
        self, name: str, key: str, first: str, last: str, columns: Sequence[str] | None = None
    ) -> pl.DataFrame:
        """Return the rows of a table whose ``key`` is ``first``, ``last`` or, byte by byte, between them; as `raw`."""
        wanted = [c for c in (self._columns(name) if columns is None else columns) if c in self._columns(name)]
        if not wanted:
            return pl.DataFrame()
        return _to_polars(self._rows(queries.select_between(name, wanted, key), None, {"first": first, "last": last}))

    # --- what others ask for ----------------------------------------------------------------------------------------

    def table(self, name: str) -> pl.DataFrame:
        """Return a table of the contract, or a register, sorted by its key.

        Parameters
        ----------
        name
            ``result``, ``phase``, ``finding``, ``effect``, ``oil_forecast``, ``practice``, ``quarantine``, or a
            register's name.

        Raises
        ------
        NotInStoreError
            There is no such table; the text lists those there are.
        """
        known = schemas.TABLES.get(name) or schemas.REGISTERS.get(name)
        if known is None:
            names = ", ".join([*schemas.TABLES, *schemas.REGISTERS])
            raise NotInStoreError(f"the store has no table {name!r}; it has: {names}")
        frame = self.raw(name if name in schemas.TABLES else f"register_{name}")
        frame = known.conform(frame) if frame.width else known.empty()
        if name == "quarantine":
            if "origin" in frame.columns:
                frame = frame.filter(pl.col("origin").ne_missing(ANSWERED))
            frame = frame.drop("origin", strict=False)
        return frame.sort(SORT_KEYS.get(name, list(known.key)), nulls_last=True, maintain_order=True)

    def registers(self) -> dict[str, pl.DataFrame]:
        """Return every register that was handed in, by name, without the line numbers."""
        there = set(self.raw("register_file")["name"].to_list())
        return {
            name: self.raw(f"register_{name}").select(table.names)
            for name, table in schemas.REGISTERS.items()
            if name in there
        }

    def samples(self, evacuation_id: str) -> SampleBatch:
        """Return one evacuation's readings: a batch of one log, its key the log's SHA-256.

        Raises
        ------
        NotInStoreError
            No such evacuation, or it has no readable log.
        """
        found = self.read("log_of_evacuation", evacuation_id=evacuation_id)
        if found.height == 0:
            known = self.read("evacuation_exists", evacuation_id=evacuation_id).height > 0
            why = "has no readable log" if known else "is not in the store; see the table `result` for those that are"
            raise NotInStoreError(f"evacuation {evacuation_id!r} {why}")
        return self.samples_of_logs(found.head(1))

    def samples_of_logs(self, logs: pl.DataFrame) -> SampleBatch:
        """Return the logs with ``log_no`` and ``sha256`` of a frame, in its order."""
        return self.packed_of_logs(logs).unpacked()

    def packed_of_logs(self, logs: pl.DataFrame) -> PackedSamples:
        """Return the logs with ``log_no`` and ``sha256`` of a frame, in its order, as they are stored."""
        numbers = logs["log_no"].to_list()
        keys = logs["sha256"].to_list()
        if not numbers:
            return PackedSamples.of(SampleBatch.concat([]))
        wanted = logs.select(pl.col("log_no").cast(pl.Int32)).unique().sort("log_no")
        span = {"first": int(min(numbers)), "last": int(max(numbers))}
        marks = self.read("marks_of", wanted, **span)
        if not self._columns("packed"):  # an older store, opened for reading only
            older = self._rows(queries.statements()["older_samples_of"], wanted, span)
            return arrow_to_packed(packed_older(older), marks, numbers, keys)
        rows = None
        if wanted.height >= _MOST_OF * (span["last"] - span["first"] + 1):
            # Nearly all that lie there: they are read as they lie, which spares a join and a sort.
            rows = self._rows(queries.statements()["packed_between"], None, span)
        if rows is None or not lies_together(rows):
            rows = self._rows(queries.statements()["packed_of"], wanted, span)
        return arrow_to_packed(rows, marks, numbers, keys)

    @contextlib.contextmanager
    def laid_out(self) -> Iterator[Spool]:
        """Lay out all samples beside the store, for a ``with`` block that asks for many logs here and there.

        Raises
        ------
        OSError
            There is no room for them.
        """
        with told(self.path):
            rows = self._connection.sql(queries.statements()["packed_in_order"])
            parts = rows.to_arrow_reader(_WORDS_AT_ONCE)
        with contextlib.closing(Spool(self.path.parent, unpacked(parts))) as spool:
            yield spool

    def settings(self) -> Settings:
        """Return the settings of the last ingest; the defaults for a store that has seen none."""
        last = self.read("last_run_of_stage", stage="ingest")
        return Settings.model_validate_json(last["settings_json"][0]) if last.height else Settings()

    def months(self) -> list[str]:
        """Return the months that have evacuations, ascending."""
        return [m for m in self.read("months")["month"].to_list() if m is not None]

    def next_run_no(self) -> int:
        """Return the number that the next recorded run will have."""
        return int(self.read("last_run_no")["run_no"][0]) + 1

    def set_aside(self, name: str, rows: pl.DataFrame) -> int:
        """Keep rows that are about to be replaced, with the number of the run that replaces them; return how many."""
        if rows.height:
            self.insert(
                f"{name}_before", rows.with_columns(superseded_by_run=pl.lit(self.next_run_no(), dtype=pl.Int64))
            )
        return rows.height

    def earlier_beliefs(self, name: str) -> pl.DataFrame:
        """Return what a table held before corrections: its columns and ``superseded_by_run``, oldest first.

        Parameters
        ----------
        name
            One of `KEPT_BEFORE`.

        Raises
        ------
        NotInStoreError
            Earlier content of that table is not kept.
        """
        if name not in KEPT_BEFORE:
            raise NotInStoreError(f"no earlier content is kept of {name!r}; it is of: {', '.join(KEPT_BEFORE)}")
        frame = self.raw(f"{name}_before")
        if not frame.width:
            frame = schemas.TABLES[name].empty().with_columns(superseded_by_run=pl.lit(None, dtype=pl.Int64))
        keys = [k for k in SORT_KEYS[name] if k in frame.columns]
        return frame.sort("superseded_by_run", *keys, nulls_last=True, maintain_order=True)

    def note_new(self, name: str, now: pl.DataFrame, before: pl.DataFrame) -> None:
        """Note which rows of a table a run brings, so that it can be told what there was before it."""
        fresh = new_keys(name, now, before)
        if fresh.height:
            self.insert(f"{name}_appeared", fresh.with_columns(run_no=pl.lit(self.next_run_no(), dtype=pl.Int64)))

    def believed(self, name: str, after_run: int) -> pl.DataFrame:
        """Return a table as it was after a run, later corrections and later evacuations undone, sorted by its key.

        Outcome groups in ``result`` are those of the last assessment all the same: they are laid over anew each time.

        Parameters
        ----------
        name
            One of `KEPT_BEFORE`.
        after_run
            Number of the run, as in table ``run``.

        Raises
        ------
        NotInStoreError
            Earlier content of that table is not kept.
        """
        before, current = self.earlier_beliefs(name), self.table(name)
        before = schemas.TABLES[name].conform(before).select(*current.columns, "superseded_by_run")
        appeared = self.raw(f"{name}_appeared")
        if not appeared.width:
            appeared = current.select(KEYS[name]).clear().with_columns(run_no=pl.lit(None, dtype=pl.Int64))
        stood = as_it_stood(current, before, appeared, KEYS[name], after_run)
        return stood.sort(SORT_KEYS[name], nulls_last=True, maintain_order=True)

    def last_run_on(self, day: dt.date) -> int:
        """Return the number of the last run made on a day or before it (in UTC), 0 if there is none."""
        return int(self.read("last_run_before", moment=dt.datetime.combine(day, dt.time.max, dt.UTC))["run_no"][0])

    def record_run(
        self,
        stage: str,
        *,
        now: dt.datetime,
        settings: Settings,
        as_of: dt.date | None = None,
        month: str | None = None,
        input_sha256: str = "",
        versions_json: str = "{}",
        counts_json: str = "{}",
        rows_superseded: int = 0,
    ) -> None:
        """Note that a stage was run, on what and with which settings."""
        row = {
            "run_no": self.next_run_no(),
            "stage": stage,
            "as_of": as_of,
            "month": month,
            "ran_at": now,
            "settings_sha256": settings.fingerprint,
            "settings_json": settings.model_dump_json(),
            "input_sha256": input_sha256,
            "versions_json": versions_json,
            "counts_json": counts_json,
            "rows_superseded": rows_superseded,
        }
        self.insert(
            "run", pl.DataFrame([row], schema_overrides={"as_of": pl.Date, "month": pl.String, "ran_at": schemas.TIME})
        )

    # --- people ---------------------------------------------------------------------------------------------------

    def forgotten(self) -> Forgotten:
        """Return who was forgotten: enough to know them again, not to name them."""
        rows = self.raw("forgotten")
        return Forgotten.from_rows(rows, self.raw("forgotten_key")) if rows.height else Forgotten()

    def editor(self) -> Editor:
        """Return what changes text wherever it stands; use it inside a transaction."""
        return Editor(self._connection)

    def write_anew(self, target: Path) -> None:
        """Write a copy of the whole store that holds nothing but what its tables hold now.

        Raises
        ------
        StoreError
            The copy cannot be written.
        """
        copy_anew(self._connection, target)

    # --- inner workings ---------------------------------------------------------------------------------------------

    def _rows(self, sql: str, incoming: pl.DataFrame | None, values: Mapping[str, Any]) -> ArrowTable:
        with told(self.path), self._incoming(incoming):
            return self._connection.sql(sql, params=dict(values) or None).to_arrow_table()

    @contextlib.contextmanager
    def _incoming(self, frame: pl.DataFrame | ArrowTable | None) -> Iterator[None]:
        if frame is None:
            yield
            return
        self._connection.register("incoming", frame.to_arrow() if isinstance(frame, pl.DataFrame) else frame)
        try:
            yield
        finally:
            self._connection.unregister("incoming")

    def _columns(self, name: str) -> list[str]:
        if not self._present:
            self._present = columns_of_all(self._connection)
        return self._present.get(name, [])

    def _ensure(self, name: str, schema: Mapping[str, schemas.PolarsType]) -> None:
        present = self._columns(name)
        if not present:
            self._connection.execute(queries.create_table(name, schema))
        missing = [column for column in schema if column not in present]
        for column in missing if present else []:
            self._connection.execute(queries.add_column(name, column, schema[column]))
        self._present[name] = [*present, *missing]


def _to_polars(rows: ArrowTable) -> pl.DataFrame:
    frame = pl.from_arrow(rows)
    if not isinstance(frame, pl.DataFrame):
        raise StoreError("the store gave no table")
    return frame
