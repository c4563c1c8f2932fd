"""All or nothing."""

from __future__ import annotations

from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import duckdb

from healthtrack.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Commit what is done inside, or, whatever goes wrong there, leave the store as it was.

    duckdb's COMMIT after a failed statement raises nothing and keeps nothing, so a failure must
    never be swallowed inside the block.

    Raises
    ------
    StoreError
        The database could not do it (a full disk, a broken constraint).
    """
    try:
        connection.begin()
        yield
        connection.commit()
    except BaseException as error:
        _roll_back(connection)
        if isinstance(error, duckdb.Error):
            raise StoreError(
                f"the store cannot be written: {str(error).splitlines()[0]} What was under way was "
                "undone; all that was stored before is safe. Look to the disk's space and rights."
            ) from error
        raise


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    # a failed COMMIT has rolled back already, and a fatal error has closed the database
    with suppress(duckdb.Error):
        connection.rollback()
