"""Samples outside the store's file: Parquet by vehicle and month, on disk or S3-compatible storage.

A file lies at ``LOCATION/vehicle=ID/month=YYYY-MM/NAME.parquet`` (Hive partitions, zstd), so any
tool that reads such a table can read it. Which file holds a drive's samples is told by the store's
table ``sample_file`` alone; what no row names is an orphan. A file is whole or not there at all:
on disk it is renamed into place, on S3-compatible storage an object appears when it is complete.

Credentials and the address of the storage come from the environment (``AWS_ACCESS_KEY_ID``,
``AWS_SECRET_ACCESS_KEY``, ``AWS_REGION``, ``AWS_ENDPOINT_URL``), never from the settings.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import polars as pl

from healthtrack.channels import CHANNELS
from healthtrack.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

OWNER = ".owner.json"
"""What is added to a location's name for the file that says whose it is; inside, it would stand in
the way of other readers of the table."""

REMOTE = "s3://"
"""How the location on S3-compatible storage begins."""


@dataclass(frozen=True, slots=True)
class DriveSamples:
    """Where the samples of one drive were written."""

    drive: str
    file: str


@dataclass(frozen=True, slots=True)
class SampleFolder:
    """Where samples are kept outside the store; small, so that it travels to other processes.

    Parameters
    ----------
    location : str
        A path, or ``s3://BUCKET/PREFIX``.
    base : Path
        The folder of the store; a relative path counts from there.
    """

    location: str
    base: Path

    @property
    def anywhere(self) -> bool:
        """Whether workers on other machines reach it too."""
        return is_remote(self.location)

    # ------------------------------------------------------------------ names

    def file(self, vehicle: str, month: str, name: str) -> str:
        """Return the name under which the catalogue knows a file; the vehicle's id is quoted."""
        folder = f"vehicle={quote(vehicle, safe='')}/month={month}"
        return f"{self.location.rstrip('/')}/{folder}/{name}.parquet"

    def holds(self, file: str) -> bool:
        """Tell whether a file of the catalogue lies at this location."""
        return file.startswith(f"{self.location.rstrip('/')}/vehicle=")

    # ------------------------------------------------------------------ one file

    def write_log(
        self, vehicle: str, sha256: str, drives: pl.DataFrame, samples: pl.DataFrame
    ) -> tuple[DriveSamples, ...]:
        """Write the samples of a log, one file per month, each named after the log's content.

        Writing a log once more puts the same files in the same places.

        Returns
        -------
        tuple of DriveSamples
            Which file holds which drive: what the catalogue must be told.
        """
        places: list[DriveSamples] = []
        months = drives.select("drive", month=pl.col("started").dt.strftime("%Y-%m"))
        for (month,), some in months.group_by("month", maintain_order=True):
            chosen = samples.filter(pl.col("drive").is_in(some["drive"].implode()))
            file = self.file(vehicle, str(month), sha256)
            self.write(file, chosen)
            places += [DriveSamples(drive, file) for drive in some["drive"]]
        return tuple(places)

    def write(self, file: str, samples: pl.DataFrame) -> None:
        """Write a file, whole or not at all, in the place of one of that name.

        Raises
        ------
        StoreError
            It cannot be written.
        """
        empty = [c.name for c in samples.get_columns() if c.null_count() == samples.height]
        channels = [name for name in samples.columns if name in CHANNELS and name not in empty]
        frame = samples.drop(empty).with_columns(pl.col(channels).cast(pl.Float64))
        try:
            if is_remote(file):
                frame.write_parquet(file, compression="zstd", storage_options=_storage())
            else:
                _write_local(self.base / file, frame)
        except (OSError, pl.exceptions.PolarsError) as error:
            raise StoreError(
                f"samples cannot be written to {file}: {_first_line(error)} Nothing was stored of "
                f"this log. {_remedy(file)}"
            ) from None

    def read(self, file: str, drive: str | None = None) -> pl.DataFrame:
        """Return the samples of a file, or of one drive in it, with a column for every channel.

        Raises
        ------
        StoreError
            The file is not there or cannot be read.
        """
        place, options = self._opened(file)
        try:
            frame = pl.read_parquet(
                place, storage_options=options, hive_partitioning=False, glob=False
            )
        except (OSError, pl.exceptions.PolarsError) as error:
            raise StoreError(
                f"the samples in {file} cannot be read: {_first_line(error)} Verdicts do not need "
                f"them; what shows single drives does. {_remedy(file)}"
            ) from None
        if drive is not None:
            frame = frame.filter(pl.col("drive") == drive)
        missing = [name for name in CHANNELS if name not in frame.columns]
        nothing = [pl.lit(None, dtype=pl.Float64).alias(name) for name in missing]
        return frame.with_columns(nothing).sort("drive", "t", maintain_order=True)

    def rows(self, file: str) -> int:
        """Return how many samples a file holds, from its end alone."""
        place, options = self._opened(file)
        try:
            counted = pl.scan_parquet(
                place, storage_options=options, hive_partitioning=False, glob=False
            )
            return int(counted.select(pl.len()).collect().item())
        except (OSError, pl.exceptions.PolarsError) as error:
            raise StoreError(f"{file} cannot be read back: {_first_line(error)}") from None

    def _opened(self, file: str) -> tuple[str, dict[str, str] | None]:
        """Return a file and the options as polars wants them."""
        return (file, _storage()) if is_remote(file) else (str(self.base / file), None)

    def remove(self, files: Iterable[str]) -> None:
        """Delete files; one that is gone already is no fault, and one that stays is an orphan."""
        for file in files:
            with suppress(OSError):
                if is_remote(file):
                    _remote().rm_file(file)
                else:
                    (self.base / file).unlink(missing_ok=True)

    # ------------------------------------------------------------------ the whole location

    def files(self) -> Iterator[tuple[str, int]]:
        """Yield every file of samples at this location with its size in bytes.

        Raises
        ------
        StoreError
            The location cannot be listed.
        """
        top = self.location.rstrip("/")
        try:
            if is_remote(top):
                found: Mapping[str, Any] = _remote().find(top, detail=True)
                for key, facts in sorted(found.items()):
                    file = f"{REMOTE}{key}"
                    if self.holds(file) and file.endswith(".parquet"):
                        yield file, int(facts["size"])
            else:
                folder = self.base / top
                for path in sorted(folder.glob("vehicle=*/month=*/*.parquet")):
                    yield f"{top}/{path.relative_to(folder).as_posix()}", path.stat().st_size
        except OSError as error:
            raise StoreError(
                f"{top} cannot be listed: {_first_line(error)} {_remedy(top)}"
            ) from None

    def claim(self, store_id: str) -> None:
        """See that this location is that of one store alone, and say so there.

        Raises
        ------
        StoreError
            Another store keeps its samples there: either would take the other's for orphans.
        """
        place = f"{self.location.rstrip('/')}{OWNER}"
        try:
            owner = self._owner(place)
            if owner is None:
                self._put(place, json.dumps({"store": store_id}).encode())
                return
        except OSError as error:
            raise StoreError(
                f"{place} cannot be read or written: {_first_line(error)} {_remedy(place)}"
            ) from None
        if owner != store_id:
            raise StoreError(
                f"{self.location} holds the samples of another workspace. Nothing was changed. "
                "Give this workspace a place of its own as `samples` in healthtrack.toml."
            )

    def _owner(self, place: str) -> str | None:
        try:
            if is_remote(place):
                content = _remote().cat_file(place)
            else:
                content = (self.base / place).read_bytes()
        except FileNotFoundError:
            return None
        try:
            return str(json.loads(content)["store"])
        except (ValueError, KeyError, TypeError):
            return "?"

    def _put(self, place: str, content: bytes) -> None:
        if is_remote(place):
            _remote().pipe_file(place, content)
        else:
            path = self.base / place
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)


@dataclass(frozen=True, slots=True)
class SamplesOfDrive:
    """One drive's samples on their way to a process without the store: themselves, or their file.

    Parameters
    ----------
    drive : str
        Whose they are.
    here : polars.DataFrame or None
        The samples; None where they are read from the file when they are needed.
    file : str
        Where they are, if they are not here.
    folder : SampleFolder or None
        Which reads that file.
    """

    drive: str
    here: pl.DataFrame | None
    file: str = ""
    folder: SampleFolder | None = None

    def read(self) -> pl.DataFrame:
        """Return the samples in order of time; channels that the drive lacks have no column.

        Raises
        ------
        StoreError
            Their file cannot be read.
        """
        if self.here is not None:
            return self.here
        assert self.folder is not None
        return without_empty_channels(self.folder.read(self.file, self.drive))


def without_empty_channels(samples: pl.DataFrame) -> pl.DataFrame:
    """Drop the channels of which there is no value, and columns that no channel has any more."""
    kept = [name for name in CHANNELS if samples[name].count() > 0]
    return samples.select("drive", "t", *kept)


def months_name(drives: Iterable[tuple[str, str]]) -> str:
    """Return the name of a file that holds several logs' drives: of (drive, log) pairs.

    The same drives give the same name, so that a move that was broken off writes the same files.
    """
    words = "\n".join(f"{drive} {log}" for drive, log in sorted(drives))
    return hashlib.sha256(words.encode()).hexdigest()


def is_remote(file: str) -> bool:
    """Tell whether a file or location is on S3-compatible storage."""
    return file.startswith(REMOTE)


def _write_local(path: Path, frame: pl.DataFrame) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        frame.write_parquet(part, compression="zstd")
        with part.open("rb") as stream:
            os.fsync(stream.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _storage() -> dict[str, str]:
    """Return what polars must be told beyond the environment that it reads itself."""
    plain = os.environ.get("AWS_ENDPOINT_URL", "").startswith("http://")
    return {"aws_allow_http": "true"} if plain else {}


def _remote() -> Any:  # noqa: ANN401 - fsspec is untyped and an optional dependency
    try:
        import fsspec  # noqa: PLC0415 - an optional dependency
        import s3fs  # noqa: F401, PLC0415 - the same
    except ImportError:
        raise StoreError(
            "samples on S3-compatible storage need the packages fsspec and s3fs, which are not "
            "installed. Install them with: pip install 'healthtrack[cluster]'"
        ) from None
    return fsspec.filesystem("s3", use_listings_cache=False)


def _first_line(error: BaseException) -> str:
    told = str(error).strip() or type(error).__name__
    return told.splitlines()[0].split(" (path:")[0].rstrip(".") + "."


def _remedy(file: str) -> str:
    if is_remote(file):
        return (
            "Check the bucket, and AWS_ENDPOINT_URL, AWS_REGION and the credentials in the "
            "environment."
        )
    return "Look to the disk's space and rights."
