"""A log at the time of drives that are stored already: joined to them, where they agree."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.errors import LogError

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings
    from healthtrack.jobs.reading import LogRead
    from healthtrack.records import ReadLog
    from healthtrack.store import LogEntry, Store


def join_stored(
    store: Store, entry: LogEntry, result: LogRead, vehicle: VehicleSettings
) -> tuple[ReadLog, int]:
    """Join a log to the stored drives at its time, find their operating points anew, store it all.

    Parameters
    ----------
    store : Store
        Where the drives are.
    entry, result
        What is known of the file, and what was read from it.
    vehicle : VehicleSettings
        For the operating points.

    Returns
    -------
    ReadLog, int
        What was read, with a note on what it was joined to, and the number of windows in all of
        the drives that were made anew.

    Raises
    ------
    LogError
        ``overlap``: they contradict each other, or the stored drives' samples were let go. Nothing
        is stored.
    """
    from healthtrack.ingest.overlap import Piece, joined_overlap  # noqa: PLC0415 - rarely needed
    from healthtrack.operating import find_operation  # noqa: PLC0415

    read, files = result.read, [place.file for place in result.written]
    if files:  # a worker has written the samples already
        folder = store.sample_catalogue.folder
        places = [folder.read(place.file, place.drive) for place in result.written]
        read = replace(read, samples=pl.concat(places, how="diagonal").sort("t"))
    drives, holders = store.overlap_group(entry.vehicle, read.drives)
    samples = store.samples_of_drives(drives["drive"])
    names = {one.sha256: one.name for one in store.logs(entry.vehicle)}
    others = sorted({names[log] for logs in holders.values() for log in logs})
    if samples["drive"].n_unique() != drives.height:
        raise LogError(
            "overlap",
            f"{entry.name} is of the same time as {_listed(others)}, whose samples were let go "
            "because of their age, so they cannot be joined. What is stored stays; delete this "
            "file, or move it out of the inbox.",
        )
    new = read.drives.with_columns(log=pl.lit(entry.sha256))
    parts = dict.fromkeys(new["drive"], (entry.sha256,))
    overlap = joined_overlap(
        Piece(samples, drives, holders),
        Piece(read.samples, new, parts),
        (_listed(others), entry.name),
    )
    operation = find_operation(overlap.samples, vehicle)
    adds = (
        f"it adds {', '.join(name.replace('_', ' ') for name in overlap.added)}"
        if overlap.added
        else "it adds no channel"
    )
    note = f"it is of the same drive as {_listed(others)} and was joined to it; {adds}"
    read = replace(read, notes=(*read.notes, note))
    store.join_log(entry, read, overlap, operation)
    store.sample_catalogue.remove_unnamed(files)
    return read, operation.windows.frame.height


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
