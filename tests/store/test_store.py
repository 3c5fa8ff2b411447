"""The store: what goes in comes out, older and newer layouts, one writer, nothing pasted into SQL."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from blankoff import schemas
from blankoff.errors import NotInStoreError, StoreError
from blankoff.samples import SampleBatch
from blankoff.settings import Settings
from blankoff.store import STORE_VERSION, Store, open_store, queries
from blankoff.store import connection as connection_module
from blankoff.store.connection import MEMORY_MB, columns_of_all

NASTY_IDS = [
    "'; DROP TABLE result; --",
    'a"b',
    "x' OR '1'='1",
    "$evacuation_id",
    "=1+1",
    "../../x",
    "\u202eabc",
    "é" * 200,
    "",
]


def some_batch() -> SampleBatch:
    one = SampleBatch.of_one(
        "a" * 64, np.arange(5.0), np.array([np.nan, 4e3, 2e3, 1e3, 480.0]), None, [(2.0, "valve shut")]
    )
    two = SampleBatch.of_one("b" * 64, np.arange(3.0), np.array([9e3, 7e3, 5e3]), np.array([20.0, 20.5, 21.0]))
    return SampleBatch.concat([one, two])


def log_rows(*numbers: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "log_no": list(numbers),
            "path": [f"logs/{n}.csv" for n in numbers],
            "sha256": [chr(96 + n) * 64 for n in numbers],
        }
    ).with_columns(status=pl.lit("stored"))


def test_samples_come_back_as_they_went_in(tmp_path: Path) -> None:
    batch = some_batch()
    with open_store(tmp_path / "s.duckdb") as store:
        with store.transaction():
            store.insert_samples(batch, [1, 2])
            store.insert("log_file", log_rows(1, 2))
            store.insert("measure", pl.DataFrame({"evacuation_id": ["E2"], "log_no": [2]}))
        again = store.samples_of_logs(log_rows(1, 2))
        turned = store.samples_of_logs(log_rows(2, 1, 2))
        one = store.samples("E2")
    for name in ("offsets", "elapsed_s", "pressure_micron", "ambient_c"):
        np.testing.assert_array_equal(getattr(again, name), getattr(batch, name))
    assert again.marks == batch.marks
    assert again.keys == batch.keys
    assert [len(x.elapsed_s) for x in turned] == [3, 5, 3]
    assert turned.keys[1] == "a" * 64
    assert [m.text for m in turned.marks] == ["valve shut"]
    assert turned.marks[0].log == 1
    np.testing.assert_array_equal(one.pressure_micron, batch.log(1).pressure_micron)


def test_many_long_logs_come_back_in_order(tmp_path: Path) -> None:
    """A join keeps no order of its own: any choice of logs, few or many, near or far apart, must be read as written."""
    rng = np.random.default_rng(8)
    sizes = [203, 40_000, 7, 150_000, 1, 90_000, 500, 12_345, 60_000, 3]
    logs = [
        SampleBatch.of_one(f"{i:064d}", np.cumsum(rng.uniform(0.5, 2.0, n)), rng.uniform(10.0, 20_000.0, n))
        for i, n in enumerate(sizes)
    ]
    rows = pl.DataFrame({"log_no": range(1, len(sizes) + 1), "sha256": [log.keys[0] for log in logs]})
    with open_store(tmp_path / "s.duckdb") as store:
        for first in range(0, len(logs), 3):
            part = logs[first : first + 3]
            with store.transaction():
                store.insert_samples(SampleBatch.concat(part), list(range(first + 1, first + 1 + len(part))))
        for chosen in ([0], [3], [9], [0, 9], [1, 5, 8], [8, 5, 1], list(range(10))):
            batch = store.samples_of_logs(rows[chosen])
            for place, i in enumerate(chosen):
                back = batch.log(place)
                np.testing.assert_array_equal(back.elapsed_s, logs[i].elapsed_s)
                np.testing.assert_array_equal(back.pressure_micron, logs[i].pressure_micron)


@pytest.mark.parametrize("nasty", NASTY_IDS)
def test_ids_are_values_never_sql(tmp_path: Path, nasty: str) -> None:
    with open_store(tmp_path / "s.duckdb") as store:
        row = pl.DataFrame({"evacuation_id": [nasty, "other"], "month": ["2026-10", "2026-10"]})
        with store.transaction():
            store.insert("result", row)
        assert nasty in store.table("result")["evacuation_id"].to_list()
        with pytest.raises(NotInStoreError):
            store.samples(nasty)
        with store.transaction():
            store.replace("result", "evacuation_id", row.head(1).with_columns(month=pl.lit("2026-11")))
        found = dict(store.table("result").select("evacuation_id", "month").rows())
    assert found == {nasty: "2026-11", "other": "2026-10"}


def test_no_statement_is_put_together_from_data() -> None:
    """Every statement with a value in it binds that value; the makers of statements quote what they are given."""
    assert queries.quoted('a"; DROP TABLE x; --') == '"a""; DROP TABLE x; --"'
    for name, text in queries.statements().items():
        assert "{" not in text, name
        assert "%s" not in text, name


def test_contract_tables_are_there_by_name_and_type(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb") as store:
        for name, table in schemas.TABLES.items():
            frame = store.table(name)
            assert dict(frame.schema) == dict(pl.Schema(table.polars_schema))
        with pytest.raises(NotInStoreError, match="result"):
            store.table("no such table")


def test_every_type_survives(tmp_path: Path) -> None:
    row = pl.DataFrame(
        {
            "finding_id": ["f"],
            "as_of": [dt.date(2026, 10, 31)],
            "evidence": [["E1", "E'2"]],
            "probability": [0.91],
            "since": [None],
        },
        schema_overrides={"since": pl.Date},
    )
    seen = pl.DataFrame(
        {"path": ["logs/x.csv"], "row": [3], "seen_at": [dt.datetime(2026, 11, 1, 3, 4, 5, 678, tzinfo=dt.UTC)]}
    )
    with open_store(tmp_path / "s.duckdb") as store:
        with store.transaction():
            store.insert("finding", row)
            store.insert("quarantine", seen)
        assert store.table("finding").select(row.columns).equals(row)
        assert store.table("quarantine").select(seen.columns).equals(seen)


def test_a_failed_batch_leaves_nothing(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb") as store:

        def fail_late() -> None:
            with store.transaction():
                store.insert_samples(some_batch(), [1, 2])
                store.insert("brand_new", pl.DataFrame({"a": [1]}))
                raise RuntimeError

        with pytest.raises(RuntimeError):
            fail_late()
        assert store.read("size")["words"][0] == 0
        assert store.raw("brand_new").width == 0
        with store.transaction():
            store.insert("brand_new", pl.DataFrame({"a": [1]}))
        assert store.raw("brand_new").height == 1


def test_a_column_gained_later_is_added(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with open_store(path):
        pass
    with duckdb.connect(str(path)) as connection:
        connection.execute("ALTER TABLE result DROP COLUMN water_g")
    with open_store(path, read_only=True) as store:
        assert store.table("result").schema["water_g"] == pl.Float64
    with open_store(path) as store:
        assert "water_g" in columns_of_all(store._connection)["result"]


def test_a_second_writer_is_told(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    code = (
        "import sys\nfrom blankoff.store import open_store\nfrom blankoff.errors import StoreError\n"
        "try:\n    open_store(sys.argv[1])\nexcept StoreError as e:\n    print(e)"
    )
    with open_store(path):
        done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert "is in use by another program (process" in done.stdout
    assert "wait until it has finished" in done.stdout


def test_what_is_no_store_is_refused_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.duckdb"
    text.write_bytes(b"no database" * 500)
    other = tmp_path / "other.duckdb"
    with duckdb.connect(str(other)) as connection:
        connection.execute("CREATE TABLE theirs (a INTEGER)")
    cases = [
        (text, False, "is not a DuckDB file"),
        (other, False, "no store of blankoff"),
        (tmp_path, False, "is a folder"),
        (tmp_path / "none" / "s.duckdb", False, "does not exist"),
        (tmp_path / "absent.duckdb", True, "there is no store"),
    ]
    before = text.read_bytes()
    for path, read_only, says in cases:
        with pytest.raises(StoreError, match=says):
            open_store(path, read_only=read_only)
    assert text.read_bytes() == before
    with duckdb.connect(str(other)) as connection:
        assert connection.execute("SHOW TABLES").fetchall() == [("theirs",)]
    assert not (tmp_path / "absent.duckdb").exists()


def test_a_newer_store_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with open_store(path):
        pass
    with duckdb.connect(str(path)) as connection:
        connection.execute("INSERT INTO store_version VALUES (?, 'later')", [STORE_VERSION + 1])
    for read_only in (False, True):
        with pytest.raises(StoreError, match="newer version of blankoff"):
            open_store(path, read_only=read_only)


def test_reading_only_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with open_store(path):
        pass
    with (
        open_store(path, read_only=True) as store,
        pytest.raises(StoreError, match="reading only"),
        store.transaction(),
    ):
        pass


def test_settings_are_remembered(tmp_path: Path) -> None:
    settings = Settings(timezone="Etc/GMT+7", units="pa")
    with open_store(tmp_path / "s.duckdb") as store:
        assert store.settings() == Settings()
        with store.transaction():
            store.record_run("ingest", now=dt.datetime(2026, 1, 1, tzinfo=dt.UTC), settings=settings)
        assert store.settings() == settings


def older_store(path: Path, version: int) -> None:
    """Make a store as an earlier version of this program left it: its own migrations, some rows, no more."""
    with duckdb.connect(str(path)) as connection:
        connection.execute(queries.statements()["create_store_version"])
        for number, name, sql in queries.migrations():
            if number <= version:
                connection.execute(sql)
                connection.execute("INSERT INTO store_version VALUES (?, ?)", [number, name])
        connection.execute("INSERT INTO run (run_no, stage, settings_json) VALUES (7, 'ingest', '{\"units\": \"pa\"}')")
        connection.execute("INSERT INTO sample VALUES (1, 0.0, 5000.0, NULL)")


@pytest.mark.parametrize("version", range(1, STORE_VERSION))
def test_an_older_store_is_migrated_and_a_copy_kept(tmp_path: Path, version: int) -> None:
    path = tmp_path / "s.duckdb"
    older_store(path, version)
    before = path.read_bytes()
    with open_store(path) as store:
        assert store.read("store_version")["version"][0] == STORE_VERSION
        assert store.settings().units == "pa"
        back = store.samples_of_logs(log_rows(1))
        assert (back.elapsed_s.tolist(), back.pressure_micron.tolist()) == ([0.0], [5000.0])
        assert np.isnan(back.ambient_c).all()
        with store.transaction():
            store.record_run("ingest", now=dt.datetime(2026, 1, 1, tzinfo=dt.UTC), settings=Settings())
        assert store.next_run_no() == 9
    copy = tmp_path / f"s.duckdb.layout{version}"
    assert copy.read_bytes() == before
    with open_store(path):  # nothing is left to migrate: no second copy
        pass
    assert sorted(p.name for p in tmp_path.iterdir()) == ["s.duckdb", copy.name]


def test_one_copy_is_kept_however_often_a_migration_was_killed(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    older_store(path, 2)
    for _ in range(2):
        connection_module._keep_copy(path, 2)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["s.duckdb", "s.duckdb.layout2"]
    path.write_bytes(path.read_bytes() + b"other")
    connection_module._keep_copy(path, 2)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["s.duckdb", "s.duckdb.layout2", "s.duckdb.layout2.1"]


def test_an_older_store_is_read_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    older_store(path, 1)
    before = path.read_bytes()
    with open_store(path, read_only=True) as store:
        assert store.table("result").is_empty()
        assert store.samples_of_logs(log_rows(1)).pressure_micron.tolist() == [5000.0]
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_migration_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    with open_store(path):
        pass
    broken = (
        *queries.migrations(),
        (STORE_VERSION + 1, "x.sql", "CREATE TABLE half (a INTEGER); SELECT no_such_function();"),
    )
    monkeypatch.setattr(queries, "migrations", lambda: broken)
    with pytest.raises(StoreError):
        connection_module.connect(path, read_only=False)
    monkeypatch.undo()
    with open_store(path) as store:
        assert store.read("store_version")["version"][0] == STORE_VERSION
        assert "half" not in store.read("list_tables")["table_name"].to_list()


def test_the_database_holds_no_more_than_it_may(tmp_path: Path) -> None:
    """Whatever the machine has; and what does not fit is put on disk, not refused."""
    path = tmp_path / "fleet.duckdb"

    def limit(store: Store) -> float:
        told = store._connection.execute("SELECT current_setting('memory_limit')").fetchall()[0][0]
        number, unit = told.split()
        return float(number) * {"MiB": 2**20, "GiB": 2**30}[unit] / 1e6

    with open_store(path) as store:
        assert limit(store) == pytest.approx(MEMORY_MB, rel=0.01)
    with open_store(path, memory_mb=32) as store:
        assert limit(store) == pytest.approx(32, rel=0.01)
        # twice as much as that, which a sort must have whole
        store._connection.execute("CREATE TABLE many AS SELECT hash(i) AS a, hash(-i) AS b FROM range(4000000) AS t(i)")
        assert store._connection.execute("SELECT b FROM (FROM many ORDER BY a) LIMIT 1 OFFSET 2000000").fetchall()
        held = "SELECT sum(memory_usage_bytes) FROM duckdb_memory()"
        assert store._connection.execute(held).fetchall()[0][0] <= 32e6
