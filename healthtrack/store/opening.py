"""How the store's file is opened, and what to tell a person when it cannot be."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

import duckdb

from healthtrack.errors import StoreError, StoreLockedError, StoreLogError

if TYPE_CHECKING:
    from pathlib import Path

MB_PER_THREAD = 125
"""What duckdb needs at least for each of its threads (its documentation, *Environment*). [MB]"""

_LOCK = re.compile(r"lock is held in (?P<program>.+?) \(PID (?P<pid>\d+)\)")


def connect(path: Path, memory_limit_mb: int) -> duckdb.DuckDBPyConnection:
    """Open the file, made where there is none, with the session settings that we rely on.

    Raises
    ------
    StoreLockedError
        Another process has it open.
    StoreError
        It is no DuckDB file, was written by another format, or its folder cannot be written.
    """
    try:
        connection = duckdb.connect(str(path), config=_bounds(memory_limit_mb))
        _settle(connection)
    except duckdb.Error as error:
        raise _explained(path, str(error)) from None
    return connection


def connect_for_reading(path: Path, memory_limit_mb: int) -> duckdb.DuckDBPyConnection:
    """Open a file that nobody writes; many processes may have it open like this.

    Raises
    ------
    StoreError
        As for :func:`connect`.
    """
    try:
        connection = duckdb.connect(str(path), read_only=True, config=_bounds(memory_limit_mb))
        _settle(connection)
    except duckdb.Error as error:
        raise _explained(path, str(error)) from None
    return connection


def _bounds(memory_limit_mb: int) -> dict[str, str | bool | int | float | list[str]]:
    """Return what bounds the database: by default it takes 80 % of the memory, and all processors.

    What does not fit is spilled to ``NAME.tmp`` beside the file, to at most 90 % of the
    free disk; what a killed process leaves there is deleted by the next that spills.
    """
    threads = max(1, min(os.cpu_count() or 1, memory_limit_mb // MB_PER_THREAD))
    return {"memory_limit": f"{memory_limit_mb}MB", "threads": threads}


def _settle(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute("SET enable_progress_bar = false")  # it would go to standard output
    connection.execute("SET TimeZone = 'UTC'")


def put_log_aside(path: Path) -> Path:
    """Rename a store's damaged write-ahead log, so that the store opens without it.

    Returns
    -------
    Path
        Where it is now; nothing is deleted.
    """
    log = path.with_name(f"{path.name}.wal")
    number = 1
    while (aside := log.with_name(f"{log.name}.damaged-{number}")).exists():
        number += 1
    return log.rename(aside)


def _explained(path: Path, text: str) -> StoreError:
    lock = _LOCK.search(text)
    if lock:
        return StoreLockedError(
            f"the store {path} is held by process {lock['pid']} ({lock['program']}); only one "
            "process can have it open at a time. Nothing was changed. Wait until that one is "
            "done, or end it (a service: stop it in the ordinary way), then run this again."
        )
    if "Could not set lock" in text:
        return StoreLockedError(
            f"the store {path} is held by another process, or its disk does not support locks. "
            "Nothing was changed. End the other process, or put the store on a local disk."
        )
    if "replaying WAL" in text or "Corrupt WAL" in text:
        return StoreLogError(
            f"the last changes to the store {path} are damaged ({path.name}.wal does not match its "
            "checksums); all that was stored before them is safe. Rename that file (do not delete "
            "it), then run this again: logs that were in it are taken from the inbox anew."
        )
    if "not a valid DuckDB database" in text or "version number" in text:
        return StoreError(
            f"{path} is not a store that this healthtrack can read ({_first_line(text)}). Nothing "
            "was changed. Give the right file as `store` in healthtrack.toml, or move this one "
            "away and run `healthtrack ingest` to build it anew from the logs."
        )
    return StoreError(
        f"the store {path} cannot be opened: {_first_line(text)}. Check that its folder exists "
        "and that you may write there."
    )


def _first_line(text: str) -> str:
    return text.strip().splitlines()[0].rstrip(".")
