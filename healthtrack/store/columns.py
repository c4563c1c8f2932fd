"""How frames with channels become table columns, and back.

A channel added to :data:`healthtrack.channels.CHANNELS` needs no migration: its columns are added
when the store is next opened. A channel that left the nomenclature keeps its columns; nothing that
was stored is dropped.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import duckdb
import polars as pl

from healthtrack.channels import CHANNELS
from healthtrack.errors import StoreError
from healthtrack.operating import PULL_SCHEMA
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Sequence

_ROWS_AT_ONCE = 100

DRIVE_COLUMNS = ("drive", "vehicle", "log", "started", "ended", "odometer_km", "distance_km")
"""Columns of ``drive``, in the table's order."""

SAMPLE_COLUMNS: dict[str, str] = dict.fromkeys(CHANNELS, "DOUBLE")
"""Channel columns of ``sample`` and their types."""

WINDOW_COLUMNS: dict[str, str] = {
    "standing_pressure": "DOUBLE",
    **{
        column: kind
        for name in CHANNELS
        for column, kind in ((name, "DOUBLE"), (f"{name}_sd", "DOUBLE"), (f"{name}_n", "BIGINT"))
    },
}
"""Columns of ``window`` beside its keys, and their types; see :mod:`healthtrack.records`."""


PULL_COLUMNS: dict[str, str] = {
    name: "DOUBLE" for name in PULL_SCHEMA if name not in {"drive", "t"}
}
"""Columns of ``pull`` beside its keys; all are numbers."""

TABLES: dict[str, dict[str, str]] = {
    "sample": SAMPLE_COLUMNS,
    "window": WINDOW_COLUMNS,
    "standstill": WINDOW_COLUMNS,
    "pull": PULL_COLUMNS,
}
"""Tables whose columns follow the blocks that fill them."""


def add_missing_columns(connection: duckdb.DuckDBPyConnection) -> None:
    """Give the tables of frames a column for every channel or figure that they lack."""
    rows = connection.execute(
        "SELECT table_name, column_name FROM information_schema.columns "
        "WHERE table_name IN (SELECT unnest(?::VARCHAR[]))",
        [list(TABLES)],
    ).fetchall()
    present = set(rows)
    missing = [
        (table, column, kind)
        for table, columns in TABLES.items()
        for column, kind in columns.items()
        if (table, column) not in present
    ]
    if not missing:  # as at every opening but the first
        return
    with transaction(connection):
        for table, column, kind in missing:
            connection.execute(f'ALTER TABLE "{table}" ADD COLUMN "{column}" {kind}')


def table_columns(connection: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    """Return the columns of a table with their types, in order."""
    rows = connection.execute(
        "SELECT column_name, data_type FROM information_schema.columns "
        "WHERE table_name = ? ORDER BY ordinal_position",
        [table],
    ).fetchall()
    return dict(rows)


def insert(connection: duckdb.DuckDBPyConnection, table: str, *frames: pl.DataFrame) -> None:
    """Append frames to a table, column by name; columns that they lack are null.

    Raises
    ------
    StoreError
        A frame has a column that the table does not: nothing is dropped in silence.
    """
    filled = [frame for frame in frames if frame.height]
    if not filled:
        return
    frame = pl.concat(filled, how="diagonal") if len(filled) > 1 else filled[0]
    empty = [column.name for column in frame.get_columns() if column.null_count() == frame.height]
    connection.register("incoming", frame.drop(empty) if empty else frame)
    try:
        connection.execute(f'INSERT INTO "{table}" BY NAME SELECT * FROM incoming')  # noqa: S608
    except duckdb.BinderException as error:  # asking for the columns every time costs 5 ms
        raise StoreError(
            f"the {table} table cannot take a column of this log ({str(error).splitlines()[0]}). A "
            "channel must be declared in healthtrack/channels.py before it can be stored."
        ) from error
    finally:
        with suppress(duckdb.Error):  # after a failure only a rollback is answered
            connection.unregister("incoming")


def insert_rows(
    connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Sequence[object]]
) -> None:
    """Append a few rows, every column in its order; registering a frame would take 2 ms."""
    for first in range(0, len(rows), _ROWS_AT_ONCE):
        some = rows[first : first + _ROWS_AT_ONCE]
        one = f"({', '.join('?' for _ in some[0])})"
        values = [value for row in some for value in row]
        places = ", ".join([one] * len(some))
        connection.execute(f'INSERT INTO "{table}" VALUES {places}', values)  # noqa: S608
