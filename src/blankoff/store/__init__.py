"""DuckDB: connection, migrations, typed reads and writes; SQL in .sql files."""

from blankoff.store.connection import STORE_VERSION
from blankoff.store.store import Store, open_store

__all__ = ["STORE_VERSION", "Store", "open_store"]
