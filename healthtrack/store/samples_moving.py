"""Samples moved between the store and files, merged by month, and let go when they are old.

Each step writes the new files first, reads back how many rows they hold, commits which file holds
which drive, and only then deletes what nothing names any more. Broken off anywhere, the next run
goes on; no sample is ever in fewer than one place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.errors import StoreError
from healthtrack.store.columns import insert
from healthtrack.store.samples import DriveSamples, SampleFolder, months_name
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from healthtrack.store.store import Store

AT_A_TIME = 500_000
"""Samples moved in one transaction: some 100 MB of memory, and few passes over a large table."""

STEADY_ROWS_A_DRIVE = 3_600
"""Taken for a drive whose samples are in a file, to size a step: an hour at one a second."""


@dataclass(frozen=True, slots=True)
class _Drive:
    """A drive on its way: which log it is from, its vehicle and month, and how many samples."""

    drive: str
    log: str
    vehicle: str
    month: str
    rows: int


def misplaced_drives(store: Store) -> int:
    """Return how many drives' samples are not where the settings want them."""
    return len(_misplaced(store))


def move_samples(store: Store, at_a_time: int = AT_A_TIME) -> Iterator[int]:
    """Bring all samples to where the settings want new ones: into files, or into the store.

    Parameters
    ----------
    at_a_time : int
        Samples per transaction.

    Yields
    ------
    int
        How many drives were moved by each step; what was yielded is done for good.

    Raises
    ------
    StoreError
        A file cannot be read or written. What was moved before stays moved; nothing is lost.
    """
    store.sample_catalogue.claim()
    for some in _steps(_misplaced(store), at_a_time):
        yield _rewrite(store, some)


def compact_samples(store: Store, before: datetime | None = None) -> Iterator[int]:
    """Merge the files of each vehicle's month into one where there are several.

    Parameters
    ----------
    before : datetime or None
        Only drives of months that were over at this moment; None for all.

    Yields
    ------
    int
        How many files each vehicle's month had.

    Raises
    ------
    StoreError
        A file cannot be read or written; the files are as they were.
    """
    if not store.sample_catalogue.outside:
        return
    store.sample_catalogue.claim()
    here = store.sample_catalogue.folder
    months: dict[tuple[str, str], list[tuple[_Drive, str]]] = {}
    for drive, file in _in_files(store):
        if here.holds(file) and (before is None or drive.month < f"{before:%Y-%m}"):
            months.setdefault((drive.vehicle, drive.month), []).append((drive, file))
    for found in months.values():
        files = {file for _, file in found}
        if len(files) > 1:
            _rewrite(store, [drive for drive, _ in found])
            yield len(files)


def let_old_samples_go(store: Store, before: datetime) -> int:
    """Delete the samples of drives that ended before a moment; all that was derived stays.

    A file goes when the last drive in it is old enough: up to a month later where it was merged.

    Returns
    -------
    int
        Of how many drives the samples were let go.
    """
    connection = store._connection
    young = "SELECT file FROM sample_file JOIN drive USING (drive) WHERE ended >= ?"
    files = connection.execute(
        "SELECT DISTINCT file FROM sample_file WHERE file IS NOT NULL AND drive IN "  # noqa: S608
        f"(SELECT drive FROM drive WHERE ended < ?) AND file NOT IN ({young} AND file IS NOT NULL)",
        [before, before],
    ).fetchall()
    gone = sorted(file for (file,) in files)
    here = (
        "SELECT drive FROM drive WHERE ended < ? AND drive NOT IN (SELECT drive FROM sample_file)"
    )
    with transaction(connection):
        drives = len(
            connection.execute(
                "UPDATE sample_file SET file = NULL WHERE list_contains(?, file) RETURNING drive",
                [gone],
            ).fetchall()
        )
        connection.execute(f"DELETE FROM sample WHERE drive IN ({here})", [before])  # noqa: S608
        drives += len(
            connection.execute(
                f"INSERT INTO sample_file SELECT drive, NULL FROM ({here}) RETURNING drive",  # noqa: S608
                [before],
            ).fetchall()
        )
    store.sample_catalogue.remove_unnamed(gone)
    return drives


def remove_orphans(store: Store) -> int:
    """Delete the files at the location that hold no drive's samples; returns how many.

    They are left behind where a process ended between writing a file and the commit, or between a
    commit and the deletion of what it replaced.

    Raises
    ------
    StoreError
        The location belongs to another store, or cannot be listed.
    """
    catalogue = store.sample_catalogue
    if not catalogue.outside:
        return 0
    catalogue.claim()
    return catalogue.remove_unnamed([file for file, _ in catalogue.folder.files()])


def _misplaced(store: Store) -> list[_Drive]:
    catalogue = store.sample_catalogue
    found = [drive for drive, file in _in_files(store) if not _at_home(catalogue.folder, file)]
    if catalogue.outside:
        rows = store._connection.execute(
            "WITH counted AS (SELECT drive, count(*) AS rows FROM sample GROUP BY drive) "
            "SELECT drive, log, vehicle, strftime(started, '%Y-%m'), rows FROM drive "
            "JOIN counted USING (drive) WHERE drive NOT IN (SELECT drive FROM sample_file)"
        ).fetchall()
        found += [_Drive(*row) for row in rows]
    return sorted(found, key=lambda drive: (drive.vehicle, drive.month, drive.drive))


def _at_home(folder: SampleFolder, file: str) -> bool:
    return bool(folder.location) and folder.holds(file)


def _in_files(store: Store) -> list[tuple[_Drive, str]]:
    rows = store._connection.execute(
        "SELECT drive, log, vehicle, strftime(started, '%Y-%m'), file FROM drive "
        "JOIN sample_file USING (drive) WHERE file IS NOT NULL ORDER BY vehicle, started, drive"
    ).fetchall()
    return [
        (_Drive(drive, log, vehicle, month, STEADY_ROWS_A_DRIVE), file)
        for drive, log, vehicle, month, file in rows
    ]


def _steps(drives: Sequence[_Drive], most: int) -> Iterator[list[_Drive]]:
    """Cut drives, in order of vehicle and month, into steps of whole months."""
    step: list[_Drive] = []
    for drive in drives:
        full = sum(one.rows for one in step) >= most
        if full and (drive.vehicle, drive.month) != (step[-1].vehicle, step[-1].month):
            yield step
            step = []
        step.append(drive)
    if step:
        yield step


def _rewrite(store: Store, drives: Sequence[_Drive]) -> int:
    """Put the samples of drives where new ones go, a file per vehicle and month."""
    catalogue = store.sample_catalogue
    samples = catalogue.of_drives([one.drive for one in drives])
    if samples["drive"].n_unique() != len(drives):
        lacking = sorted({one.drive for one in drives} - set(samples["drive"]))
        raise StoreError(
            f"the samples of {lacking[0]} are not in the file that should hold them. Nothing was "
            "moved in this step. Restore that file, or read the log again."
        )
    places = _written(catalogue.folder, drives, samples) if catalogue.outside else []
    names = [one.drive for one in drives]
    connection = store._connection
    with transaction(connection):
        old = connection.execute(
            "DELETE FROM sample_file WHERE list_contains(?, drive) RETURNING file", [names]
        ).fetchall()
        if catalogue.outside:
            connection.execute(
                "DELETE FROM sample WHERE drive IN (SELECT unnest(?))",
                [names],
            )
            catalogue.record(places)
        else:
            insert(connection, "sample", samples)
    catalogue.remove_unnamed(sorted({file for (file,) in old if file is not None}))
    return len(drives)


def _written(
    folder: SampleFolder, drives: Sequence[_Drive], samples: pl.DataFrame
) -> list[DriveSamples]:
    """Write a file per vehicle and month, and see that each holds what was put in."""
    months: dict[tuple[str, str], list[_Drive]] = {}
    for one in drives:
        months.setdefault((one.vehicle, one.month), []).append(one)
    places: list[DriveSamples] = []
    for (vehicle, month), some in months.items():
        wanted = pl.Series([one.drive for one in some]).implode()
        frame = samples.filter(pl.col("drive").is_in(wanted))
        file = folder.file(vehicle, month, months_name((one.drive, one.log) for one in some))
        folder.write(file, frame)
        if (found := folder.rows(file)) != frame.height:
            raise StoreError(
                f"{file} holds {found} samples where {frame.height} were written. Nothing was "
                "moved in this step. Look to the storage."
            )
        places += [DriveSamples(one.drive, file) for one in some]
    return places
