"""All or nothing."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    import duckdb


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Commit what is done inside, or, whatever goes wrong there, leave the store as it was.

    duckdb's COMMIT after a failed statement raises nothing and keeps nothing, so a failure must
    never be swallowed inside the block.
    """
    connection.begin()
    try:
        yield
    except BaseException:
        connection.rollback()
        raise
    connection.commit()
