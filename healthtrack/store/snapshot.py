"""What readers look at while the service holds the store: a copy without the samples.

duckdb lets no other process in while one writes. So the service publishes what every reading
command needs, small and whole, beside the store; the samples, by far the most of it, stay out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb

from healthtrack.errors import StoreError
from healthtrack.store.opening import connect_for_reading
from healthtrack.store.store import Store
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

_LEFT_OUT = {"sample": "false", "kept": "false"}
"""Tables that go along empty, with the condition that empties them."""

_WITHOUT_CONTENT = {"outbox": "* REPLACE (NULL::BLOB AS raw)"}
"""Tables of which not every column goes along."""


def snapshot_path(store: Path) -> Path:
    """Return where the snapshot of a store lies."""
    return store.with_name(f"{store.stem}.snapshot{store.suffix}")


def publish_snapshot(store: Store, now: datetime) -> Path:
    """Publish a snapshot, in the place of the one before, whole or not at all.

    Raises
    ------
    StoreError
        It cannot be written; the one before stays.
    """
    target = snapshot_path(store.path)
    temporary = target.with_name(f".{target.name}.part")
    connection = store._connection
    _remove(temporary)
    try:
        quoted = str(temporary).replace("'", "''")
        connection.execute(f"ATTACH '{quoted}' AS snapshot")
        try:
            with transaction(connection):  # with a commit for each table the disk is waited for
                _fill(connection, now)
        finally:
            connection.execute("DETACH snapshot")
        temporary.replace(target)
    except (duckdb.Error, OSError, StoreError) as error:
        reason = str(error.__cause__ or error).splitlines()[0]
        raise StoreError(
            f"the snapshot {target} cannot be written: {reason} Readers see "
            "the one before. Look to the disk's space and rights."
        ) from None
    finally:
        _remove(temporary)
    return target


def _fill(connection: duckdb.DuckDBPyConnection, now: datetime) -> None:
    tables = connection.execute(
        "SELECT table_name FROM information_schema.tables WHERE table_catalog = current_database() "
        "AND table_schema = 'main' ORDER BY table_name"
    ).fetchall()
    for (table,) in tables:
        columns = _WITHOUT_CONTENT.get(table, "*")
        condition = _LEFT_OUT.get(table, "true")
        connection.execute(
            f'CREATE TABLE snapshot."{table}" AS SELECT {columns} FROM "{table}" '  # noqa: S608
            f"WHERE {condition}"
        )
    connection.execute("CREATE TABLE snapshot.published (moment TIMESTAMPTZ NOT NULL)")
    connection.execute("INSERT INTO snapshot.published VALUES (?)", [now])


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    path.with_name(f"{path.name}.wal").unlink(missing_ok=True)


def open_snapshot(store: Path, memory_limit_mb: int) -> tuple[Store, datetime]:
    """Open the snapshot of a store for reading, and say when it was published.

    Raises
    ------
    StoreError
        There is none, or it cannot be read.
    """
    path = snapshot_path(store)
    if not path.exists():
        raise StoreError(f"there is no snapshot {path} yet; the service publishes one as it works.")
    connection = connect_for_reading(path, memory_limit_mb)
    try:
        published: datetime = connection.execute("SELECT moment FROM published").fetchall()[0][0]
    except (duckdb.Error, IndexError):
        connection.close()
        raise StoreError(f"{path} is no snapshot of a store; delete it.") from None
    return Store(connection, path, read_only=True), published
