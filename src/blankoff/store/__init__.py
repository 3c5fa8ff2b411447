"""DuckDB: connection, migrations, typed reads and writes; SQL in .sql files."""

from blankoff.store.beliefs import ANSWERED
from blankoff.store.connection import STORE_VERSION
from blankoff.store.forgetting import Forgotten, Removal, forget
from blankoff.store.samples import PackedSamples
from blankoff.store.spool import Spool
from blankoff.store.store import KEPT_BEFORE, Store, open_store

__all__ = [
    "ANSWERED",
    "KEPT_BEFORE",
    "STORE_VERSION",
    "Forgotten",
    "PackedSamples",
    "Removal",
    "Spool",
    "Store",
    "forget",
    "open_store",
]
