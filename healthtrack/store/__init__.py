"""The only home of duckdb: schema, migrations, queries."""

from healthtrack.store.entries import LogEntry, StoredFinding
from healthtrack.store.store import Store

__all__ = ["LogEntry", "Store", "StoredFinding"]
