"""DuckDB: connection, migrations, typed reads and writes; SQL in .sql files."""

from blankoff.store.connection import STORE_VERSION
from blankoff.store.store import KEPT_BEFORE, Store, open_store

__all__ = ["KEPT_BEFORE", "STORE_VERSION", "Store", "open_store"]
