"""Backups as Parquet: one folder per backup, readable without healthtrack, and the way back.

Samples are split by vehicle and month; a month that has not changed is the same file as in the
backup before (a hard link), so a daily backup of years costs what a day costs.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import duckdb

from healthtrack.errors import StoreError
from healthtrack.store.columns import table_columns
from healthtrack.store.migrations import MIGRATIONS, migrate
from healthtrack.store.opening import connect
from healthtrack.store.store import Store
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from datetime import date, datetime
    from pathlib import Path

MANIFEST = "manifest.json"
_FORMAT = 1


_MONTHS = """
    SELECT vehicle, strftime(started, '%Y-%m') AS month,
        string_agg(drive || log
            || if(sample_file.drive IS NOT NULL AND file IS NULL, ' let go', '')
            || if(parts IS NULL, '', ' of ' || parts),
            ',' ORDER BY drive),
        list(drive) FILTER (file IS NOT NULL), min(started), max(ended)
    FROM drive LEFT JOIN sample_file USING (drive)
        LEFT JOIN (SELECT drive, string_agg(log, ' ' ORDER BY log) AS parts FROM drive_part
            GROUP BY drive) USING (drive)
    GROUP BY ALL ORDER BY ALL"""
"""Each vehicle's months: what they hold, which drives' samples are outside the store, and when the
first drive began and the last one ended."""

_MARGIN = timedelta(days=1)
"""How far outside of its drive a sample may lie and still be looked for."""


@dataclass(frozen=True, slots=True)
class _File:
    name: str
    table: str
    query: str
    fingerprint: str
    outside: tuple[str, ...] = ()


def write_backup(store: Store, folder: Path, now: datetime) -> Path:
    """Write a backup into ``folder/YYYY-MM-DD``, whole or not at all; one of that day is replaced.

    Parameters
    ----------
    store : Store
        What is backed up, in one transaction.
    folder : Path
        Where backups are; made where it is missing.
    now : datetime
        When it is written.

    Raises
    ------
    StoreError
        It cannot be written; earlier backups stay.
    """
    target = folder / f"{now:%Y-%m-%d}"
    temporary = folder / f".{target.name}.part"
    before = _latest_before(folder)
    try:
        shutil.rmtree(temporary, ignore_errors=True)
        temporary.mkdir(parents=True)
        connection = store._connection
        with transaction(connection):
            files = [_write(store, file, temporary, before) for file in _files(connection, store)]
        manifest = {
            "format": _FORMAT,
            "schema": store.schema,
            "written": now.isoformat(),
            "files": files,
        }
        _write_synced(temporary / MANIFEST, json.dumps(manifest, indent=1).encode())
        if target.exists():
            old = folder / f".{target.name}.old"
            shutil.rmtree(old, ignore_errors=True)
            target.rename(old)
            temporary.rename(target)
            shutil.rmtree(old, ignore_errors=True)
        else:
            temporary.rename(target)
    except OSError as error:
        raise StoreError(
            f"the backup {target} cannot be written: {error.strerror}. Earlier backups are as they "
            "were. Look to the disk's space and rights, or set another `backups` under [service]."
        ) from None
    return target


def _files(connection: duckdb.DuckDBPyConnection, store: Store) -> list[_File]:
    tables = connection.execute(
        "SELECT table_name FROM information_schema.tables WHERE table_catalog = current_database() "
        "AND table_schema = 'main' AND table_name NOT IN ('sample', 'kept') ORDER BY table_name"
    ).fetchall()
    files = [
        _File(f"{table}.parquet", table, f'SELECT * FROM "{table}"', "")  # noqa: S608
        for (table,) in tables
    ]
    months = connection.execute(_MONTHS).fetchall()
    columns = ",".join(table_columns(connection, "sample"))
    for vehicle, month, drives, outside, first, last in months:
        query = (
            "SELECT sample.* FROM sample JOIN drive USING (drive) "  # noqa: S608
            f"WHERE vehicle = {_text(vehicle)} AND strftime(started, '%Y-%m') = {_text(month)} "
            # without it every month would look through all samples there are
            f"AND sample.t BETWEEN {_moment(first - _MARGIN)} AND {_moment(last + _MARGIN)} "
            "ORDER BY sample.drive, sample.t"
        )
        words = f"{store.schema} {columns} {drives}"
        fingerprint = hashlib.sha256(words.encode()).hexdigest()
        name = f"sample_{vehicle}_{month}.parquet"
        files.append(_File(name, "sample", query, fingerprint, tuple(outside or ())))
    return files


def _write(store: Store, file: _File, folder: Path, before: Path | None) -> dict[str, Any]:
    connection = store._connection
    path = folder / file.name
    same = _same_file(file, before)
    if before is not None and same is not None:
        os.link(before / file.name, path)
        return same
    query = file.query
    if file.outside:
        connection.register("outside", store.sample_catalogue.of_drives(file.outside))
        query = f"({query}) UNION ALL BY NAME SELECT * FROM outside"  # noqa: S608
    rows = connection.execute(
        f"COPY ({query}) TO {_text(str(path))} (FORMAT parquet, COMPRESSION zstd)"
    ).fetchall()[0][0]
    with path.open("rb") as stream:
        os.fsync(stream.fileno())
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    if file.outside:
        connection.unregister("outside")
    return {
        "file": file.name,
        "table": file.table,
        "rows": rows,
        "sha256": digest,
        "fingerprint": file.fingerprint,
    }


def _same_file(file: _File, before: Path | None) -> dict[str, Any] | None:
    if before is None or not file.fingerprint or not (before / file.name).is_file():
        return None
    found: dict[str, Any]
    for found in _manifest(before)["files"]:
        if found["file"] == file.name and found["fingerprint"] == file.fingerprint:
            return found
    return None


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _moment(value: datetime) -> str:
    return f"TIMESTAMPTZ '{value.isoformat()}'"


def _write_synced(path: Path, content: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def backups(folder: Path) -> tuple[Path, ...]:
    """Return the whole backups in a folder, the oldest first."""
    if not folder.is_dir():
        return ()
    return tuple(
        sorted(
            path
            for path in folder.iterdir()
            if not path.name.startswith(".") and (path / MANIFEST).is_file()
        )
    )


def _latest_before(folder: Path) -> Path | None:
    there = backups(folder)
    return there[-1] if there else None


def surplus_backups(days: tuple[date, ...], keep: int, keep_months: int) -> tuple[date, ...]:
    """Return the days whose backup may go: all but the last ones, and the first of each month.

    Parameters
    ----------
    days : tuple of datetime.date
        Of which there are backups.
    keep : int
        How many of the latest are kept.
    keep_months : int
        For how many months the first backup of each is kept beyond those.
    """
    ordered = sorted(days)
    latest = set(ordered[-keep:])
    firsts: dict[tuple[int, int], date] = {}
    for day in ordered:
        firsts.setdefault((day.year, day.month), day)
    monthly = set(sorted(firsts.values())[-keep_months:] if keep_months else ())
    return tuple(day for day in ordered if day not in latest | monthly)


def restore_backup(backup: Path, target: Path, memory_limit_mb: int) -> int:
    """Make a store from a backup, whole or not at all, and return how many rows it holds.

    Parameters
    ----------
    backup : Path
        The folder of one backup.
    target : Path
        The store's file; one that is there is first moved aside, to ``NAME.before-restore``.
    memory_limit_mb : int
        What the database may use. [MB]

    Raises
    ------
    StoreError
        The backup is not whole, or the store cannot be written. What was there is unchanged.
    """
    manifest = _checked_manifest(backup)
    temporary = target.with_name(f".{target.name}.restoring")
    _remove(temporary)
    try:
        connection = connect(temporary, memory_limit_mb)
        try:
            rows = _load(connection, backup, manifest)
        finally:
            connection.close()
        with Store.open(temporary, memory_limit_mb) as restored:  # to the newest schema
            # the samples of the backup are in the store now, wherever they were before
            restored._connection.execute("DELETE FROM sample_file WHERE file IS NOT NULL")
        _move_aside(target)
        temporary.replace(target)
    except (duckdb.Error, OSError) as error:
        raise StoreError(
            f"{backup} cannot be restored to {target}: {str(error).splitlines()[0]} What was there "
            "is unchanged. Look to the disk's space and rights."
        ) from None
    finally:
        _remove(temporary)
    return rows


def _load(connection: duckdb.DuckDBPyConnection, backup: Path, manifest: dict[str, Any]) -> int:
    migrate(connection, MIGRATIONS[: manifest["schema"]], str(backup))
    total = 0
    with transaction(connection):
        connection.execute("DELETE FROM schema_version")
        for file in manifest["files"]:
            source = f"read_parquet({_text(str(backup / file['file']))})"
            table = file["table"]
            present = table_columns(connection, table)
            described = connection.execute(f"DESCRIBE SELECT * FROM {source}").fetchall()  # noqa: S608
            for column, kind, *_ in described:
                if column not in present:
                    connection.execute(f'ALTER TABLE "{table}" ADD COLUMN "{column}" {kind}')
            connection.execute(f'INSERT INTO "{table}" BY NAME SELECT * FROM {source}')  # noqa: S608
            total += file["rows"]
    for table in {file["table"] for file in manifest["files"]}:
        expected = sum(file["rows"] for file in manifest["files"] if file["table"] == table)
        found = connection.execute(f'SELECT count(*) FROM "{table}"').fetchall()[0][0]  # noqa: S608
        if found != expected:
            raise StoreError(f"{backup} holds {expected} rows of {table}; {found} were restored.")
    return total


def _checked_manifest(backup: Path) -> dict[str, Any]:
    manifest = _manifest(backup)
    newest = MIGRATIONS[-1].number
    if manifest["format"] != _FORMAT or manifest["schema"] > newest:
        raise StoreError(
            f"{backup} was written by a newer healthtrack (schema {manifest['schema']}; this one "
            f"knows up to {newest}). Install that version or a later one."
        )
    for file in manifest["files"]:
        path = backup / file["file"]
        try:
            with path.open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            raise StoreError(
                f"{path} of the backup cannot be read: {error.strerror}. Take another backup."
            ) from None
        if digest != file["sha256"]:
            raise StoreError(f"{path} of the backup is damaged. Take another backup.")
    return manifest


def _manifest(backup: Path) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads((backup / MANIFEST).read_text(encoding="utf-8"))
        _ = found["format"], found["schema"], found["files"]
    except (OSError, ValueError, KeyError, TypeError):
        raise StoreError(
            f"{backup} is no backup: it holds no {MANIFEST} that can be read. Give a folder such "
            "as backups/2026-11-25."
        ) from None
    return found


def _move_aside(path: Path) -> None:
    """Move a store out of the way, with its write-ahead log; nothing is overwritten."""
    if not path.exists():
        return
    number = 0
    while True:
        aside = path.with_name(f"{path.name}.before-restore{f'-{number}' if number else ''}")
        if not aside.exists():
            break
        number += 1
    wal = path.with_name(f"{path.name}.wal")
    if wal.exists():
        wal.rename(aside.with_name(f"{aside.name}.wal"))
    path.rename(aside)


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    path.with_name(f"{path.name}.wal").unlink(missing_ok=True)
