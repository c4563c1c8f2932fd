"""The only home of duckdb: schema, migrations, queries."""

from healthtrack.store.store import LogEntry, Store, StoredFinding

__all__ = ["LogEntry", "Store", "StoredFinding"]
