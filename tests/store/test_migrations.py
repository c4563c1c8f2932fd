"""Each step of the schema works from the one before, and a store in the field survives it."""

from __future__ import annotations

import duckdb
import pytest

from healthtrack.channels import CHANNELS
from healthtrack.errors import StoreError
from healthtrack.store import Store
from healthtrack.store.columns import add_missing_columns, table_columns
from healthtrack.store.migrations import MIGRATIONS, Migration, migrate, version

# What a store of each number may hold: rows that the next step must leave as they are.
ROWS = {
    0: {},
    1: {
        "log": (
            "'abc', 'a.csv', 'otter', 'p', 'stored', NULL, NULL, 4, 99, '2025-03-28 07:00:00+00'"
        ),
        "loss": "'abc', 'ingest', NULL, 'clock_step', 2",
        "note": "'abc', 'a note'",
        "drive": (
            "'otter/1', 'otter', 'abc', '2025-03-28 07:00:00+00', '2025-03-28 07:30:00+00', 1, 2"
        ),
        "sample": "'otter/1', '2025-03-28 07:00:00+00'",
        "window": "'otter/1', '2025-03-28 07:00:00+00', 8.0, 'part_load'",
    },
    9: {"drive_part": "'otter/1', 'abc'"},
    8: {"kept": "'otter', 'fit', 'abc', 'x'::BLOB"},
    6: {"service_seen": "'otter', 3"},
    7: {"sample_file": "'otter/1', NULL", "sample_owner": "'an id'"},
    5: {
        "service_job": "'assess', '2026-11-25 06:00:00+00'",
        "service_run": (
            "'assess', '2026-11-25 06:00:00+00', '2026-11-25 06:00:00+00', NULL, 'started', ''"
        ),
        "outbox": "'k', 'owner', 'report', 's', '2026-11-25 06:00:00+00', 'x'::BLOB",
        "delivery": "'k', 'a@b.example', 'waiting', 0, 0, '2026-11-25 06:00:00+00', NULL, ''",
    },
    4: {
        "standstill": "'otter/1', '2025-03-28 07:00:00+00', 8.0, 'idle'",
        "pull": "'otter/1', '2025-03-28 07:00:00+00'",
    },
    3: {"finding": "'otter', '2026-03-31', '2026-04-01 06:00:00+00', 'normal', '{}'"},
    2: {"maintenance": "'e', 'otter', '2025-01-05', 'service', NULL, ''"},
}

LET_GO = {10: {"kept"}}
"""Tables whose rows a step lets go on purpose: they can be made again from the others."""


@pytest.fixture
def connection():
    opened = duckdb.connect()
    opened.execute("SET TimeZone = 'UTC'")
    yield opened
    opened.close()


def _schema(connection):
    return connection.execute(
        "SELECT table_name, column_name, data_type, is_nullable FROM information_schema.columns "
        "ORDER BY ALL"
    ).fetchall()


def test_numbers_run_from_one_without_a_gap():
    assert [step.number for step in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_this_file_has_rows_for_every_version_that_was_in_the_field():
    assert set(ROWS) == {step.number - 1 for step in MIGRATIONS}


@pytest.mark.parametrize("target", [step.number for step in MIGRATIONS])
def test_a_step_leaves_the_rows_of_the_version_before_it(connection, target):
    migrate(connection, MIGRATIONS[: target - 1])
    assert version(connection) == target - 1
    rows = {table: row for number in range(target) for table, row in ROWS[number].items()}
    for table, row in rows.items():
        connection.execute(f'INSERT INTO "{table}" VALUES ({row})')
    rows = {table: row for table, row in rows.items() if table not in LET_GO.get(target, ())}
    before = {t: connection.execute(f'SELECT * FROM "{t}"').fetchall() for t in rows}

    migrate(connection, MIGRATIONS[:target])

    assert version(connection) == target
    after = {t: connection.execute(f'SELECT * FROM "{t}"').fetchall() for t in rows}
    assert after == before


def test_step_by_step_or_at_once_is_the_same_schema(connection):
    for step in MIGRATIONS:
        migrate(connection, MIGRATIONS[: step.number])
    with duckdb.connect() as at_once:
        migrate(at_once)
        assert _schema(connection) == _schema(at_once)


def test_a_step_that_fails_leaves_the_version_before_it_whole(connection):
    migrate(connection)
    before = _schema(connection)
    broken = Migration(
        len(MIGRATIONS) + 1,
        "broken",
        ("CREATE TABLE half (a INT)", "INSERT INTO nowhere VALUES (1)"),
    )
    with pytest.raises(StoreError, match="nowhere"):
        migrate(connection, (*MIGRATIONS, broken))
    assert _schema(connection) == before
    assert version(connection) == len(MIGRATIONS)


def test_running_again_changes_nothing(connection):
    migrate(connection)
    migrate(connection)
    numbers = connection.execute("SELECT number FROM schema_version ORDER BY 1").fetchall()
    assert numbers == [(step.number,) for step in MIGRATIONS]


def test_a_store_of_a_newer_healthtrack_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "s.duckdb"
    with Store.open(path):
        pass
    with duckdb.connect(str(path)) as raw:
        raw.execute("INSERT INTO schema_version VALUES (999, 'from the future')")
    with pytest.raises(StoreError, match="newer healthtrack"):
        Store.open(path)


def test_a_database_of_someone_else_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "theirs.duckdb"
    with duckdb.connect(str(path)) as raw:
        raw.execute("CREATE TABLE accounts (a INT)")
    with pytest.raises(StoreError, match="'accounts'"):
        Store.open(path)
    with duckdb.connect(str(path)) as raw:
        assert {row[0] for row in _schema(raw)} == {"accounts"}


def test_a_channel_that_is_new_gets_its_columns_when_an_old_store_is_opened(connection):
    migrate(connection)
    add_missing_columns(connection)
    last = list(CHANNELS)[-1]
    connection.execute(f"ALTER TABLE sample DROP COLUMN {last}")
    connection.execute(f'ALTER TABLE "window" DROP COLUMN {last}_n')

    add_missing_columns(connection)

    assert table_columns(connection, "sample")[last] == "DOUBLE"
    assert table_columns(connection, "window")[f"{last}_n"] == "BIGINT"


def test_a_channel_that_was_given_up_keeps_its_values_but_is_not_handed_out(tmp_path, made):
    path = tmp_path / "s.duckdb"
    with Store.open(path) as store:
        made.add(store)
    with duckdb.connect(str(path)) as raw:
        raw.execute("ALTER TABLE sample ADD COLUMN given_up DOUBLE DEFAULT 7.0")
    with Store.open(path) as store:
        drive = made.read().drives["drive"][0]
        assert "given_up" not in store.samples(drive).columns
    with duckdb.connect(str(path)) as raw:
        assert raw.execute("SELECT DISTINCT given_up FROM sample").fetchall() == [(7.0,)]
