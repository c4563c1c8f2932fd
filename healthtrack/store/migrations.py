"""The schema of the store, as numbered steps that are never edited once released.

A store carries its number in ``schema_version``; opening it runs the steps that it lacks, each in
a transaction of its own, so a crash in between leaves the store at a whole number. To change the
schema, append a step and its test in ``tests/store/test_migrations.py``.

The columns that hold channels and figures (of ``sample``, ``window``, ``standstill`` and ``pull``)
are not listed here: they follow the blocks that fill them, see :mod:`healthtrack.store.columns`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.errors import StoreError
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema: its number, what it adds, and the statements that do it."""

    number: int
    title: str
    statements: tuple[str, ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        1,
        "logs, drives, samples and windows",
        (
            """
            CREATE TABLE log (
                sha256 VARCHAR PRIMARY KEY,
                name VARCHAR NOT NULL,
                vehicle VARCHAR NOT NULL,
                pipeline VARCHAR,
                state VARCHAR NOT NULL CHECK (state IN ('stored', 'quarantined')),
                reason VARCHAR,
                message VARCHAR,
                rows BIGINT,
                bytes BIGINT,
                received TIMESTAMPTZ NOT NULL
            )""",
            """
            CREATE TABLE loss (
                log VARCHAR NOT NULL,
                block VARCHAR NOT NULL,
                channel VARCHAR,
                reason VARCHAR NOT NULL,
                count BIGINT NOT NULL
            )""",
            "CREATE TABLE note (log VARCHAR NOT NULL, text VARCHAR NOT NULL)",
            """
            CREATE TABLE drive (
                drive VARCHAR PRIMARY KEY,
                vehicle VARCHAR NOT NULL,
                log VARCHAR NOT NULL,
                started TIMESTAMPTZ NOT NULL,
                ended TIMESTAMPTZ NOT NULL,
                odometer_km DOUBLE,
                distance_km DOUBLE
            )""",
            # no key and no index on the large tables: they cost four times the insert and the space
            "CREATE TABLE sample (drive VARCHAR NOT NULL, t TIMESTAMPTZ NOT NULL)",
            """
            CREATE TABLE "window" (
                drive VARCHAR NOT NULL,
                t TIMESTAMPTZ NOT NULL,
                seconds DOUBLE NOT NULL,
                region VARCHAR NOT NULL
            )""",
        ),
    ),
    Migration(
        2,
        "maintenance events",
        (
            """
            CREATE TABLE maintenance (
                event VARCHAR PRIMARY KEY,
                vehicle VARCHAR NOT NULL,
                day DATE NOT NULL,
                kind VARCHAR NOT NULL,
                odometer_km DOUBLE,
                note VARCHAR NOT NULL
            )""",
        ),
    ),
    Migration(
        3,
        "verdicts as they were given",
        (
            """
            CREATE TABLE finding (
                vehicle VARCHAR NOT NULL,
                as_of DATE NOT NULL,
                assessed TIMESTAMPTZ NOT NULL,
                state VARCHAR NOT NULL,
                document VARCHAR NOT NULL
            )""",
        ),
    ),
    Migration(
        4,
        "standstills and pulls",
        (
            """
            CREATE TABLE standstill (
                drive VARCHAR NOT NULL,
                t TIMESTAMPTZ NOT NULL,
                seconds DOUBLE NOT NULL,
                region VARCHAR NOT NULL
            )""",
            "CREATE TABLE pull (drive VARCHAR NOT NULL, t TIMESTAMPTZ NOT NULL)",
        ),
    ),
    Migration(
        5,
        "the service: jobs and their runs, outbox, alert episodes",
        (
            "CREATE TABLE service_job (job VARCHAR PRIMARY KEY, known_since TIMESTAMPTZ NOT NULL)",
            """
            CREATE TABLE service_run (
                job VARCHAR NOT NULL,
                due TIMESTAMPTZ NOT NULL,
                started TIMESTAMPTZ NOT NULL,
                ended TIMESTAMPTZ,
                state VARCHAR NOT NULL
                    CHECK (state IN ('started', 'done', 'failed', 'interrupted')),
                message VARCHAR NOT NULL
            )""",
            """
            CREATE TABLE outbox (
                key VARCHAR NOT NULL,
                recipient VARCHAR NOT NULL,
                kind VARCHAR NOT NULL,
                subject VARCHAR NOT NULL,
                created TIMESTAMPTZ NOT NULL,
                raw BLOB
            )""",
            """
            CREATE TABLE delivery (
                key VARCHAR NOT NULL,
                address VARCHAR NOT NULL,
                state VARCHAR NOT NULL CHECK (
                    state IN ('waiting', 'sending', 'sent', 'written', 'failed', 'given_up')
                ),
                attempts INTEGER NOT NULL,
                uncertain INTEGER NOT NULL,
                next_attempt TIMESTAMPTZ NOT NULL,
                last_attempt TIMESTAMPTZ,
                words VARCHAR NOT NULL
            )""",
            """
            CREATE TABLE episode (
                episode VARCHAR NOT NULL,
                vehicle VARCHAR NOT NULL,
                indicator VARCHAR NOT NULL,
                unit VARCHAR NOT NULL,
                raised_on DATE NOT NULL,
                opened TIMESTAMPTZ NOT NULL,
                state VARCHAR NOT NULL,
                worst VARCHAR NOT NULL,
                first_level DOUBLE,
                level DOUBLE,
                seen_on DATE NOT NULL,
                closed TIMESTAMPTZ,
                acknowledged TIMESTAMPTZ,
                acknowledged_by VARCHAR NOT NULL,
                escalated TIMESTAMPTZ
            )""",
        ),
    ),
    Migration(
        6,
        "when an alert was told, and which logs the service has looked at",
        (
            "ALTER TABLE episode ADD COLUMN told TIMESTAMPTZ",
            "CREATE TABLE service_seen (vehicle VARCHAR NOT NULL, logs BIGINT NOT NULL)",
        ),
    ),
    Migration(
        7,
        "samples outside the store, or let go",
        (
            # no row: in the table sample; no file: let go because of their age
            "CREATE TABLE sample_file (drive VARCHAR NOT NULL, file VARCHAR)",
            "CREATE TABLE sample_owner (id VARCHAR NOT NULL)",
        ),
    ),
    Migration(
        8,
        "what verdicts leave behind for the next ones",
        (
            """
            CREATE TABLE kept (
                vehicle VARCHAR NOT NULL,
                name VARCHAR NOT NULL,
                digest VARCHAR NOT NULL,
                content BLOB NOT NULL,
                PRIMARY KEY (vehicle, name)
            )""",
        ),
    ),
    Migration(
        9,
        "drives that several logs hold together",
        (
            # one row per drive and log, and none for a drive that one log holds alone
            "CREATE TABLE drive_part (drive VARCHAR NOT NULL, log VARCHAR NOT NULL)",
        ),
    ),
    Migration(
        10,
        "what verdicts leave behind lies in files beside the store",
        (
            # what lay here is made again by the next verdicts, from the drives
            "DROP TABLE kept",
            "CREATE TABLE kept (vehicle VARCHAR PRIMARY KEY, digest VARCHAR NOT NULL)",
        ),
    ),
)


def version(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the number of the last step that this store has seen; 0 for an empty file."""
    found = connection.execute(
        "SELECT count(*) FROM information_schema.tables WHERE table_name = 'schema_version'"
    ).fetchall()[0][0]
    if not found:
        return 0
    rows = connection.execute("SELECT coalesce(max(number), 0) FROM schema_version").fetchall()
    return int(rows[0][0])


def migrate(
    connection: duckdb.DuckDBPyConnection,
    steps: tuple[Migration, ...] = MIGRATIONS,
    name: str = "the store",
) -> int:
    """Run the steps that the store lacks, each in one transaction, and return its number.

    Raises
    ------
    StoreError
        The store was written by a newer healthtrack, or holds tables that are not ours.
    """
    present = version(connection)
    newest = steps[-1].number if steps else 0
    if present > newest:
        raise StoreError(
            f"{name} was written by a newer healthtrack (schema {present}; this one knows up to "
            f"{newest}). Nothing was changed. Install that version or a later one."
        )
    if present == 0:
        _refuse_foreign(connection, name)
    missing = [step for step in steps if step.number > present]
    for step in missing:
        _apply(connection, step)
    return version(connection) if missing else present


def _refuse_foreign(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    tables = connection.execute(
        "SELECT table_name FROM information_schema.tables ORDER BY table_name"
    ).fetchall()
    if tables:
        raise StoreError(
            f"{name} is a database, but not one of healthtrack (it holds the table "
            f"{tables[0][0]!r}). Nothing was changed. Give another file as `store` in "
            "healthtrack.toml."
        )


def _apply(connection: duckdb.DuckDBPyConnection, step: Migration) -> None:
    with transaction(connection):
        connection.execute(
            "CREATE TABLE IF NOT EXISTS schema_version (number INTEGER NOT NULL, title VARCHAR)"
        )
        for statement in step.statements:
            connection.execute(statement)
        connection.execute("INSERT INTO schema_version VALUES (?, ?)", [step.number, step.title])
