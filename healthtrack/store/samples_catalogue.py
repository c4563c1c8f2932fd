"""Which file holds which drive's samples: the store's part of keeping them outside.

A drive without a row in ``sample_file`` has its samples in the table ``sample``; a row without a
file says that they were let go because of their age. Both layouts may stand side by side, so a move
from one to the other can be broken off anywhere and gone on with.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.channels import CHANNELS
from healthtrack.errors import StoreError
from healthtrack.store.columns import insert_rows
from healthtrack.store.samples import DriveSamples, SampleFolder

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    import duckdb


class SampleCatalogue:
    """The samples of a store, wherever they are.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The store's.
    base : Path
        The store's folder.
    location : str
        Where new samples go; in the store where empty.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, base: Path, location: str) -> None:
        self._connection = connection
        self._base = base.resolve()
        self.location = location
        self._claimed = False

    @property
    def folder(self) -> SampleFolder:
        """The location of new samples, by which also files of other locations are read."""
        return SampleFolder(self.location, self._base)

    @property
    def outside(self) -> bool:
        """Whether new samples go into files."""
        return bool(self.location)

    def claim(self) -> None:
        """See once that the location is this store's alone; see :meth:`SampleFolder.claim`."""
        if self._claimed or not self.outside:
            return
        rows = self._connection.execute("SELECT id FROM sample_owner").fetchall()
        if not rows:
            rows = self._connection.execute(
                "INSERT INTO sample_owner VALUES (uuid()::VARCHAR) RETURNING id"
            ).fetchall()
        self.folder.claim(rows[0][0])
        self._claimed = True

    def write_log(
        self, vehicle: str, sha256: str, drives: pl.DataFrame, samples: pl.DataFrame
    ) -> tuple[DriveSamples, ...]:
        """Write a log's samples into files, before the transaction that stores the log.

        Raises
        ------
        StoreError
            They cannot be written, or hold a column that no channel has.
        """
        self.claim()
        strange = set(samples.columns) - {"drive", "t", *CHANNELS}
        if strange:
            raise StoreError(
                f"samples cannot take a column of this log ({', '.join(sorted(strange))}). A "
                "channel must be declared in healthtrack/channels.py before it can be stored."
            )
        return self.folder.write_log(vehicle, sha256, drives, samples)

    def record(self, places: Iterable[DriveSamples]) -> None:
        """Note where drives' samples are; inside a transaction."""
        rows = [(place.drive, place.file) for place in places]
        insert_rows(self._connection, "sample_file", rows)

    def forget_log(self, log: str) -> list[str]:
        """Forget where a log's samples are, inside a transaction; returns the files they were in.

        The files themselves are to be removed after the commit, with :meth:`remove_unnamed`.
        """
        rows = self._connection.execute(
            "DELETE FROM sample_file WHERE drive IN (SELECT drive FROM drive WHERE log = ?) "
            "RETURNING file",
            [log],
        ).fetchall()
        return sorted({file for (file,) in rows if file is not None})

    def forget_drives(self, drives: Sequence[str]) -> list[str]:
        """Forget where drives' samples are; as :meth:`forget_log`."""
        rows = self._connection.execute(
            "DELETE FROM sample_file WHERE list_contains(?, drive) RETURNING file", [list(drives)]
        ).fetchall()
        return sorted({file for (file,) in rows if file is not None})

    def remove_unnamed(self, files: Sequence[str]) -> int:
        """Delete those of these files that hold no drive's samples any more; returns how many."""
        if not files:
            return 0
        rows = self._connection.execute(
            "SELECT DISTINCT file FROM sample_file WHERE list_contains(?, file)", [list(files)]
        ).fetchall()
        gone = sorted(set(files) - {file for (file,) in rows})
        self.folder.remove(gone)
        return len(gone)

    def read(self, drive: str) -> pl.DataFrame:
        """Return one drive's samples in order of time, with a column for every channel."""
        rows = self._connection.execute(
            "SELECT file FROM sample_file WHERE drive = ?", [drive]
        ).fetchall()
        if rows and rows[0][0] is not None:
            return self.folder.read(rows[0][0], drive)
        return self._frame("SELECT * FROM sample WHERE drive = ? ORDER BY t", [drive])

    def place(self, drive: str) -> str | None:
        """Return the file that holds a drive's samples; None where the store has them itself."""
        rows = self._connection.execute(
            "SELECT file FROM sample_file WHERE drive = ?", [drive]
        ).fetchall()
        return rows[0][0] if rows else None

    def of_drives(self, drives: Sequence[str]) -> pl.DataFrame:
        """Return the samples of drives, in order of drive and time, wherever they are."""
        rows = self._connection.execute(
            "SELECT DISTINCT file FROM sample_file WHERE file IS NOT NULL AND "
            "list_contains(?, drive) ORDER BY file",
            [list(drives)],
        ).fetchall()
        wanted = pl.Series(drives, dtype=pl.String).implode()
        frames = [self.folder.read(file).filter(pl.col("drive").is_in(wanted)) for (file,) in rows]
        here = self._frame(
            "SELECT sample.* FROM sample JOIN (SELECT unnest(?) AS drive) USING (drive)",
            [list(drives)],
        )
        both = pl.concat([here, *frames], how="diagonal") if frames else here
        return both.sort("drive", "t", maintain_order=True)

    def _frame(self, query: str, params: list[object]) -> pl.DataFrame:
        frame: pl.DataFrame = self._connection.sql(query, params=params).pl()
        return frame
