"""Everything that healthtrack keeps, in one file."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Self

import polars as pl

from healthtrack.config import DEFAULT_STORE_MEMORY_MB
from healthtrack.errors import LogError, StoreError
from healthtrack.records import Loss, MaintenanceEvent, VehicleHistory
from healthtrack.store.columns import (
    DRIVE_COLUMNS,
    TABLES,
    add_missing_columns,
    insert,
    insert_rows,
)
from healthtrack.store.entries import LogEntry, NewLog, StoredFinding
from healthtrack.store.histories import HOLDERS, histories, window_columns
from healthtrack.store.migrations import migrate, version
from healthtrack.store.opening import connect
from healthtrack.store.samples import SamplesOfDrive, is_remote, without_empty_channels
from healthtrack.store.samples_catalogue import SampleCatalogue
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date, datetime
    from pathlib import Path
    from types import TracebackType

    import duckdb

    from healthtrack.ingest.overlap import Overlap
    from healthtrack.records import Operation, ReadLog
    from healthtrack.store.samples import DriveSamples


class Store:
    """One DuckDB file: logs, drives, samples, windows, maintenance, verdicts.

    Use it as a context manager. One process can have it open; every change is one transaction.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> with Store.open(folder / "healthtrack.duckdb") as store:
    ...     store.vehicles()
    ()
    """

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        path: Path,
        samples: str = "",
        *,
        read_only: bool = False,
    ) -> None:
        self._connection = connection
        self.path = path
        self.read_only = read_only
        self.sample_catalogue = SampleCatalogue(connection, path.parent, samples)

    @classmethod
    def open(
        cls, path: Path, memory_limit_mb: int = DEFAULT_STORE_MEMORY_MB, samples: str = ""
    ) -> Self:
        """Open the store, make it where there is none, and bring its schema up to date.

        Parameters
        ----------
        path : Path
            The file.
        memory_limit_mb : int
            What the database may use before it spills to disk. [MB]
        samples : str
            Where new samples go: a folder (from the store's), ``s3://BUCKET/PREFIX``, or into the
            file itself where empty.

        Raises
        ------
        StoreLockedError
            Another process has it open; the message names it.
        StoreError
            It cannot be read, or a newer healthtrack wrote it.
        """
        connection = connect(path, memory_limit_mb)
        try:
            migrate(connection, name=str(path))
            add_missing_columns(connection)
        except BaseException:
            connection.close()
            raise
        return cls(connection, path, samples)

    def close(self) -> None:
        """Close the file; the lock is gone afterwards."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def schema(self) -> int:
        """Number of the schema."""
        return version(self._connection)

    # ------------------------------------------------------------------ logs

    def log(self, sha256: str) -> LogEntry | None:
        """Return what is known of the log with this content, or None."""
        found = self._logs("WHERE sha256 = ?", [sha256])
        return found[0] if found else None

    def logs(self, vehicle: str | None = None) -> tuple[LogEntry, ...]:
        """Return all logs, or those of one vehicle, in order of name."""
        if vehicle is None:
            return self._logs("", [])
        return self._logs("WHERE vehicle = ?", [vehicle])

    def stored_logs(self, hashes: Sequence[str]) -> dict[str, LogEntry]:
        """Return those of these contents that are stored, by their hash."""
        found = self._logs(
            "WHERE state = 'stored' AND sha256 IN (SELECT unnest(?::VARCHAR[]))", [list(hashes)]
        )
        return {entry.sha256: entry for entry in found}

    def _logs(self, condition: str, params: list[object]) -> tuple[LogEntry, ...]:
        rows = self._connection.execute(
            "SELECT sha256, name, vehicle, received, state, pipeline, reason, message, rows, "  # noqa: S608
            "bytes, (SELECT list(text) FROM note WHERE note.log = log.sha256) "
            f"FROM log {condition} ORDER BY vehicle, name, sha256",
            params,
        ).fetchall()
        return tuple(LogEntry(*(*row[:-1], tuple(row[-1] or ()))) for row in rows)

    def add_log(
        self,
        entry: LogEntry,
        read: ReadLog,
        operation: Operation,
        replaces: str | None = None,
        written: tuple[DriveSamples, ...] = (),
    ) -> None:
        """Store a log with its drives, samples and operating points, in one transaction.

        A log that was in quarantine under the same content becomes a stored one.

        Parameters
        ----------
        entry, read, operation
            What is known of the file, what was read from it, and what that shows.
        replaces : str or None
            SHA-256 of a stored log that this one takes the place of: a shorter copy of it.
        written : tuple of DriveSamples
            Where a worker has written the samples; they are not in ``read`` then.

        Raises
        ------
        LogError
            ``overlap``: a drive in it lies within the time of a drive that the vehicle has
            already; the same driving must not count twice. Nothing is stored.
        StoreError
            The content is stored already.
        """
        for other in self.overlapping(entry.vehicle, read.drives):
            if other.sha256 == entry.sha256:
                break  # the same content: refused below as such
            if other.sha256 != replaces:
                raise LogError("overlap", _overlap(entry, other))
        self._add([NewLog(entry, read, operation, written)], replaces)

    def add_logs(self, logs: Sequence[NewLog]) -> int:
        """Store logs in one transaction, from the first on, up to one that overlaps another.

        Parameters
        ----------
        logs : sequence of NewLog
            As :meth:`add_log` takes them one by one, which costs more each.

        Returns
        -------
        int
            How many were stored. The next one, if any, holds a drive in the time of one that is
            stored now; nothing of it and of those behind it was stored.

        Raises
        ------
        StoreError
            The content of one is stored already, or something of it cannot be stored. Nothing of
            any is.
        """
        free = logs[: self._first_overlap(logs)]
        if free:
            self._add(free)
        return len(free)

    def _add(self, logs: Sequence[NewLog], replaces: str | None = None) -> None:
        known = self._refuse_stored([log.entry for log in logs])
        catalogue = self.sample_catalogue
        if catalogue.outside:  # first the files: without the commit, orphans
            logs = [log if log.written else self._written(log) for log in logs]
        before: list[str] = []
        with transaction(self._connection):
            if replaces is not None:
                before = catalogue.forget_log(replaces)
                self._delete(replaces)
            for sha256 in known:
                self._delete(sha256)
            self._insert_entries([replace(log.entry, rows=log.read.rows) for log in logs])
            self._insert_drives(
                pl.concat(
                    log.read.drives.with_columns(log=pl.lit(log.entry.sha256)) for log in logs
                )
            )
            catalogue.record([place for log in logs for place in log.written])
            insert(self._connection, "sample", *(log.read.samples for log in logs))
            self._insert_told(logs)
        catalogue.remove_unnamed(before)

    def _written(self, log: NewLog) -> NewLog:
        """Write a log's samples into files outside the store."""
        read = log.read
        places = self.sample_catalogue.write_log(
            log.entry.vehicle, log.entry.sha256, read.drives, read.samples
        )
        return replace(log, read=replace(read, samples=read.samples.clear()), written=places)

    def _first_overlap(self, logs: Sequence[NewLog]) -> int:
        """Return the place of the first log with a drive in the time of a stored or earlier one."""
        drives = pl.concat(
            log.read.drives.select(
                "drive", "started", "ended", place=pl.lit(place), vehicle=pl.lit(log.entry.vehicle)
            )
            for place, log in enumerate(logs)
        )
        rows = self._connection.execute(
            "WITH new AS (SELECT unnest(?) AS place, unnest(?) AS vehicle, unnest(?) AS drive, "
            "unnest(?) AS started, unnest(?) AS ended) SELECT min(new.place) FROM new JOIN "
            "(SELECT -1 AS place, vehicle, drive, started, ended FROM drive UNION ALL FROM new) "
            "AS known ON known.vehicle = new.vehicle AND known.place < new.place "
            "AND (known.drive = new.drive "
            "OR (known.started < new.ended AND known.ended > new.started))",
            [drives[name].to_list() for name in ("place", "vehicle", "drive", "started", "ended")],
        ).fetchall()
        return len(logs) if rows[0][0] is None else int(rows[0][0])

    def join_log(
        self, entry: LogEntry, read: ReadLog, overlap: Overlap, operation: Operation
    ) -> None:
        """Store a log whose drives overlap known ones: those are made anew, in one transaction.

        Parameters
        ----------
        entry, read
            What is known of the file, and what was read from it.
        overlap
            The drives that take the place of those of :meth:`overlap_group`.
        operation
            What all of ``overlap.samples`` shows.

        Raises
        ------
        StoreError
            The content is stored already.
        """
        known = self._refuse_stored([entry])
        catalogue = self.sample_catalogue
        written: tuple[DriveSamples, ...] = ()
        if catalogue.outside:
            written = catalogue.write_log(
                entry.vehicle, entry.sha256, overlap.drives, overlap.samples
            )
        logs = sorted({log for parts in overlap.parts.values() for log in parts} - {entry.sha256})
        with transaction(self._connection):
            if known:
                self._delete(entry.sha256)
            before = catalogue.forget_drives(self._drives_of(logs))
            self._delete_drives(logs)
            self._insert_entries([replace(entry, rows=read.rows)])
            self._insert_drives(overlap.drives)
            self._insert_parts(overlap)
            catalogue.record(written)
            if not written:
                insert(self._connection, "sample", overlap.samples)
            self._insert_told([NewLog(entry, read, operation)])
        catalogue.remove_unnamed(before)

    def _insert_drives(self, drives: pl.DataFrame) -> None:
        insert_rows(self._connection, "drive", drives.select(DRIVE_COLUMNS).rows())

    def _insert_told(self, logs: Sequence[NewLog]) -> None:
        """Insert what logs' samples show, what was left out of them, and the remarks on them."""
        found = [log.operation for log in logs]
        insert(self._connection, "window", *(one.windows.frame for one in found))
        insert(self._connection, "standstill", *(one.standstills for one in found))
        insert(self._connection, "pull", *(one.pulls for one in found))
        losses = [
            (log.entry.sha256, block, loss.channel, loss.reason, loss.count)
            for log in logs
            for block, lost in (
                ("operating", log.operation.windows.losses),
                ("ingest", log.read.losses),
            )
            for loss in lost
        ]
        insert_rows(self._connection, "loss", losses)
        notes = [(log.entry.sha256, text) for log in logs for text in log.read.notes]
        insert_rows(self._connection, "note", notes)

    def _drives_of(self, logs: list[str]) -> list[str]:
        rows = self._connection.execute(
            f"SELECT DISTINCT drive FROM {HOLDERS} WHERE list_contains(?, log)",  # noqa: S608
            [logs],
        ).fetchall()
        return sorted(row[0] for row in rows)

    def _delete_drives(self, logs: list[str]) -> None:
        """Delete the drives that these logs hold, and what was found in them; the logs stay."""
        drives = self._drives_of(logs)
        self._connection.execute(  # what was kept of the vehicle rested on them
            "DELETE FROM kept WHERE vehicle IN "
            "(SELECT vehicle FROM drive WHERE list_contains(?, drive))",
            [drives],
        )
        for table in (*TABLES, "drive", "drive_part"):
            self._connection.execute(
                f'DELETE FROM "{table}" WHERE list_contains(?, drive)',  # noqa: S608
                [drives],
            )
        self._connection.execute(
            "DELETE FROM loss WHERE block = 'operating' AND list_contains(?, log)", [logs]
        )

    def _insert_parts(self, overlap: Overlap) -> None:
        for drive, logs in overlap.parts.items():
            for log in logs if len(logs) > 1 else ():
                self._connection.execute("INSERT INTO drive_part VALUES (?, ?)", [drive, log])

    def overlap_group(
        self, vehicle: str, drives: pl.DataFrame
    ) -> tuple[pl.DataFrame, dict[str, tuple[str, ...]]]:
        """Return the drives that would have to be made anew if these were joined to them.

        They are all drives of all logs that hold a drive in the time of one of these, since what a
        log shows of the engine's operation is counted for the log as a whole.

        Returns
        -------
        frame, dict
            The drives, ``log`` being a content hash, in order; and per drive all logs that hold it.
        """
        found = {entry.sha256 for entry in self.overlapping(vehicle, drives)}
        while True:
            rows = self._connection.execute(
                f"SELECT drive, log FROM {HOLDERS} WHERE drive IN "  # noqa: S608
                f"(SELECT drive FROM {HOLDERS} WHERE list_contains(?, log)) ORDER BY ALL",
                [sorted(found)],
            ).fetchall()
            more = {log for _, log in rows} - found
            if not more:
                break
            found |= more
        parts: dict[str, tuple[str, ...]] = {}
        for drive, log in rows:
            parts[drive] = (*parts.get(drive, ()), log)
        frame = self._frame(
            "SELECT drive, vehicle, log, started, ended, odometer_km, distance_km FROM drive "
            "WHERE list_contains(?, drive) ORDER BY started, drive",
            [list(parts)],
        )
        return frame, parts

    def samples_of_drives(self, drives: Iterable[str]) -> pl.DataFrame:
        """Return the samples of drives in order of drive and time; channels of none are left out.

        Raises
        ------
        StoreError
            They are outside the store, in a file that cannot be read.
        """
        return without_empty_channels(self.sample_catalogue.of_drives(list(drives)))

    def quarantine_log(self, entry: LogEntry) -> None:
        """Remember that a log could not be read, and why; a later reason replaces an earlier one.

        When it came stays as it was: it is tried again at every run.

        Raises
        ------
        StoreError
            The content is stored: a good log is never turned into a bad one.
        """
        known = self._refuse_stored([entry])
        before = self.log(entry.sha256) if known else None
        if before is not None:
            entry = replace(entry, received=before.received)
        with transaction(self._connection):
            if known:
                self._delete(entry.sha256)
            self._insert_entries([entry])

    def forget_quarantined(self, sha256: str) -> None:
        """Forget a log in quarantine, because its file was deleted; stored logs stay."""
        with transaction(self._connection):
            self._connection.execute(
                "DELETE FROM log WHERE sha256 = ? AND state = 'quarantined'", [sha256]
            )

    def overlapping(self, vehicle: str, drives: pl.DataFrame) -> tuple[LogEntry, ...]:
        """Return the stored logs with a drive of the vehicle in the time of one of these."""
        hit: dict[str, str] = {}
        for drive, started, ended in drives.select("drive", "started", "ended").iter_rows():
            hit |= self._connection.execute(
                "SELECT drive, log FROM drive WHERE vehicle = ? "
                "AND (drive = ? OR (started < ? AND ended > ?))",
                [vehicle, drive, ended, started],
            ).fetchall()
        if not hit:  # the ordinary case must not list all logs
            return ()
        joined = self._connection.execute(
            "SELECT log FROM drive_part WHERE list_contains(?, drive)", [list(hit)]
        ).fetchall()
        found = {*hit.values(), *(log for (log,) in joined)}
        return tuple(entry for entry in self.logs(vehicle) if entry.sha256 in found)

    def _refuse_stored(self, entries: Sequence[LogEntry]) -> list[str]:
        """Return which of these contents are known, as logs in quarantine."""
        names = {entry.sha256: entry.name for entry in entries}
        rows = self._connection.execute(
            "SELECT sha256, state, name FROM log WHERE sha256 IN (SELECT unnest(?))", [list(names)]
        ).fetchall()
        for sha256, state, name in rows:
            if state == "stored":
                raise StoreError(f"{names[sha256]} is stored already, as {name}.")
        return [sha256 for sha256, _, _ in rows]

    def _delete(self, log: str) -> None:
        """Delete a log and all that came from it; inside a transaction."""
        for statement in (
            *(
                f'DELETE FROM "{table}" WHERE drive IN (SELECT drive FROM drive WHERE log = ?)'  # noqa: S608
                for table in (*TABLES, "drive_part")
            ),
            # what was kept of the vehicle rested on it
            "DELETE FROM kept WHERE vehicle IN (SELECT vehicle FROM drive WHERE log = ?)",
            "DELETE FROM drive WHERE log = ?",
            "DELETE FROM loss WHERE log = ?",
            "DELETE FROM note WHERE log = ?",
            "DELETE FROM log WHERE sha256 = ?",
        ):
            self._connection.execute(statement, [log])

    def _insert_entries(self, entries: Iterable[LogEntry]) -> None:
        rows = [
            (
                entry.sha256,
                entry.name,
                entry.vehicle,
                entry.pipeline,
                entry.state,
                entry.reason,
                entry.message,
                entry.rows,
                entry.size,
                entry.received,
            )
            for entry in entries
        ]
        insert_rows(self._connection, "log", rows)

    # --------------------------------------------------------------- history

    def vehicles(self) -> tuple[str, ...]:
        """Return the vehicles of which there is at least one log, stored or not."""
        rows = self._connection.execute("SELECT DISTINCT vehicle FROM log ORDER BY 1").fetchall()
        return tuple(row[0] for row in rows)

    def last_drive_ended(self) -> datetime | None:
        """Return when the latest drive of the whole fleet ended; None without drives."""
        rows = self._connection.execute("SELECT max(ended) FROM drive").fetchall()
        ended: datetime | None = rows[0][0]
        return ended

    def history(self, vehicle: str, as_of: date, *, with_windows: bool = True) -> VehicleHistory:
        """Return all that was known of a vehicle at the end of a day.

        Parameters
        ----------
        vehicle : str
            Its id; one without logs has an empty history.
        as_of : datetime.date
            A drive counts if it had ended by the end of this day, UTC; so does a maintenance
            event up to and including this day.
        with_windows : bool
            Without, its windows have no rows: they are by far the most of it.

        Returns
        -------
        VehicleHistory
            Drives, windows, standstills and pulls in order of time; windows and standstills have a
            column for every channel. Losses are summed over the logs of these drives. A log in
            quarantine has no date of its own, so all of the vehicle's are counted.
        """
        return histories(self, [vehicle], as_of, with_windows=with_windows)[vehicle]

    def windows_of(self, drives: Sequence[str]) -> pl.DataFrame:
        """Return the windows of chosen drives, as :meth:`history` has them."""
        return self._frame(
            f'SELECT {window_columns("window")} FROM "window" JOIN drive USING (drive) '  # noqa: S608
            "WHERE drive IN (SELECT unnest(?::VARCHAR[])) "
            'ORDER BY started, drive, "window".t',
            [list(drives)],
        )

    def drive_counts(self, vehicles: Iterable[str]) -> dict[str, int]:
        """Return how many drives of each of the vehicles are stored."""
        rows = self._connection.execute(
            "SELECT asked.vehicle, count(drive.drive) FROM "
            "(SELECT unnest(?::VARCHAR[]) AS vehicle) AS asked "
            "LEFT JOIN drive USING (vehicle) GROUP BY asked.vehicle",
            [sorted(vehicles)],
        ).fetchall()
        return dict(rows)

    def recent_windows(self, vehicle: str, most: int) -> pl.DataFrame:
        """Return windows of the vehicle's latest drives: drive, t, and the two speeds.

        At most so many, and of one drive a twentieth of that: a few long drives do not stand for
        all. Which ones of a drive is as good as chance, and always the same.
        """
        return self._frame(  # all columns would cost five times as much
            'SELECT drive, t, engine_speed, vehicle_speed FROM "window" WHERE drive IN '
            "(SELECT drive FROM drive WHERE vehicle = $vehicle ORDER BY started DESC LIMIT 100) "
            "QUALIFY row_number() OVER (PARTITION BY drive ORDER BY hash(t), t) <= $most // 20 "
            "ORDER BY t DESC, drive LIMIT $most",
            {"vehicle": vehicle, "most": most},
        )

    def samples(self, drive: str) -> pl.DataFrame:
        """Return the samples of one drive in order of time; channels it lacks have no column.

        None are left of a drive whose samples were let go because of their age.

        Raises
        ------
        StoreError
            They are outside the store, in a file that cannot be read.
        """
        return without_empty_channels(self.sample_catalogue.read(drive))

    def samples_of(self, drive: str, *, remote: bool = False) -> SamplesOfDrive:
        """Return the samples of one drive for a process that has no store: by their file, if any.

        ``remote`` says that it sees no disk of this machine.
        """
        folder, file = self.sample_catalogue.folder, self.sample_catalogue.place(drive)
        if file is None or (remote and not is_remote(file)):
            return SamplesOfDrive(drive, self.samples(drive))
        return SamplesOfDrive(drive, None, file, folder)

    def losses_of_log(self, sha256: str) -> tuple[Loss, ...]:
        """Return what was left out of one log, and why."""
        rows = self._connection.execute(
            "SELECT reason, sum(count)::BIGINT, channel FROM loss WHERE log = ? "
            "GROUP BY ALL ORDER BY ALL",
            [sha256],
        ).fetchall()
        return tuple(Loss(*row) for row in rows)

    def losses_by_log(self, vehicle: str) -> dict[str, tuple[Loss, ...]]:
        """Return what was left out of each of a vehicle's logs, by the log's identity."""
        rows = self._connection.execute(
            "SELECT loss.log, loss.reason, sum(loss.count)::BIGINT, loss.channel FROM loss "
            "JOIN log ON log.sha256 = loss.log WHERE log.vehicle = ? GROUP BY ALL ORDER BY ALL",
            [vehicle],
        ).fetchall()
        found: dict[str, tuple[Loss, ...]] = {}
        for log, *loss in rows:
            found[log] = (*found.get(log, ()), Loss(*loss))
        return found

    def _frame(self, query: str, params: list[object] | dict[str, object]) -> pl.DataFrame:
        frame: pl.DataFrame = self._connection.sql(query, params=params).pl()
        return frame

    # ----------------------------------------------------------- maintenance

    def maintenance(
        self, vehicle: str | None = None, as_of: date | None = None
    ) -> tuple[MaintenanceEvent, ...]:
        """Return maintenance events in order of day, of one vehicle or all, up to a day or all."""
        rows = self._connection.execute(
            "SELECT event, vehicle, day, kind, odometer_km, note FROM maintenance "
            "WHERE vehicle = coalesce(?, vehicle) AND day <= coalesce(?, day) "
            "ORDER BY day, vehicle, event",
            [vehicle, as_of],
        ).fetchall()
        return tuple(MaintenanceEvent(*row) for row in rows)

    def add_maintenance(self, events: Iterable[MaintenanceEvent]) -> int:
        """Add events, all of them or none, and return how many were new.

        An event with the id of a known one is that one; it is left as it is.
        """
        known = {event.event for event in self.maintenance()}
        added = 0
        with transaction(self._connection):
            for event in events:
                if event.event in known:
                    continue
                known.add(event.event)
                added += 1
                self._connection.execute(
                    "INSERT INTO maintenance VALUES (?, ?, ?, ?, ?, ?)",
                    [
                        event.event,
                        event.vehicle,
                        event.on,
                        event.kind,
                        event.odometer_km,
                        event.note,
                    ],
                )
        return added

    def remove_maintenance(self, event: str) -> bool:
        """Remove an event that was entered by mistake; False where there is none with this id."""
        removed = self._connection.execute(
            "DELETE FROM maintenance WHERE event = ? RETURNING event", [event]
        ).fetchall()
        return bool(removed)

    # --------------------------------------------------------------- verdicts

    def keep_finding(self, finding: StoredFinding) -> bool:
        """Keep a verdict unless the last one for that day said the same; True if it was kept.

        A snapshot keeps none.
        """
        if self.read_only:
            return False
        last = self._findings("vehicle = ? AND as_of = ?", [finding.vehicle, finding.as_of])
        if last and last[-1].document == finding.document:
            return False
        with transaction(self._connection):
            self._connection.execute(
                "INSERT INTO finding VALUES (?, ?, ?, ?, ?)",
                [
                    finding.vehicle,
                    finding.as_of,
                    finding.assessed,
                    finding.state,
                    finding.document,
                ],
            )
        return True

    def findings(self, vehicle: str) -> tuple[StoredFinding, ...]:
        """Return every verdict that was given on a vehicle, in the order in which it was given."""
        return self._findings("vehicle = ?", [vehicle])

    def _findings(self, condition: str, params: list[object]) -> tuple[StoredFinding, ...]:
        rows = self._connection.execute(
            f"SELECT vehicle, as_of, assessed, state, document FROM finding WHERE {condition} "  # noqa: S608
            "ORDER BY assessed, as_of",
            params,
        ).fetchall()
        return tuple(StoredFinding(*row) for row in rows)


def _overlap(entry: LogEntry, other: LogEntry) -> str:
    return (
        f"{entry.name} holds a drive of {entry.vehicle} at a time for which {other.name} holds one "
        "already, and the same driving must not count twice. If it is another vehicle's log, put "
        "it into that vehicle's folder; if the logger's clock was wrong, correct the times. If it "
        "is the same drive from a second logger, or exported once more with other columns, the one "
        "that came first stays: delete this file; the next time bring all columns in one log."
    )
