"""Several logs of one drive at the same time, made one: same readings once, others beside them.

Two loggers on one vehicle, the same recording exported twice with other columns, pieces that
overlap at their ends: the driving must count once. What two logs say of one channel at one moment
must agree; which of the logs came first makes no difference to what results.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.channels import CHANNELS
from healthtrack.errors import LogError
from healthtrack.ingest.drives import distances
from healthtrack.ingest.swapped import readings

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

_SAME = 1e-4
"""Two readings of one moment that differ by a smaller share are one, converted or rounded."""

_SAME_TIMES = 0.9
"""Where fewer of the readings have a partner at the very same time, they are two recordings."""

_FEWEST = 10
_FOLLOWS = 0.1
"""Two recordings of a channel agree if nine in ten readings lie within this share of its span."""


@dataclass(frozen=True)
class Overlap:
    """The drives that overlap, made one each, and what they were made of.

    Parameters
    ----------
    samples, drives : frame
        As :mod:`healthtrack.records` describes them; ``log`` of a drive is the content hash of the
        log that owns its earliest part.
    parts : mapping of str to tuple of str
        For each drive the content hashes of all logs that hold some of it, in order.
    added : tuple of str
        Channels, of the log that came last, that were not known in the drives that it joined.
    """

    samples: pl.DataFrame
    drives: pl.DataFrame
    parts: Mapping[str, tuple[str, ...]]
    added: tuple[str, ...]


@dataclass(frozen=True)
class Piece:
    """Drives with their samples, and which logs hold each; ``drives.log`` is a content hash."""

    samples: pl.DataFrame
    drives: pl.DataFrame
    parts: Mapping[str, tuple[str, ...]]


def joined_overlap(stored: Piece, new: Piece, names: tuple[str, str]) -> Overlap:
    """Make one drive of all that overlap in time.

    Parameters
    ----------
    stored, new : Piece
        Drives of one vehicle that are known, and those of a log that overlaps them.
    names : tuple of str
        What messages call the two.

    Raises
    ------
    LogError
        ``overlap``: the two contradict each other; the message shows where.
    """
    samples = union(stored.samples, new.samples, names)
    drives = pl.concat([stored.drives, new.drives.select(stored.drives.columns)])
    whole = _wholes(drives)
    samples = _into_drives(samples, whole)
    drives = (
        whole.group_by("whole", maintain_order=True)
        .agg(
            pl.col("vehicle", "log").first(),
            pl.col("started").min(),
            pl.col("ended").max(),
            pl.col("odometer_km").max(),
        )
        .rename({"whole": "drive"})
        .join(distances(samples), on="drive", how="left", maintain_order="left")
        .select(stored.drives.columns)
    )
    known = {name for name in stored.samples.columns if stored.samples[name].count()}
    added = tuple(
        name for name in new.samples.columns if name not in known and new.samples[name].count()
    )
    return Overlap(samples, drives, _parts(whole, stored, new), added)


def _wholes(drives: pl.DataFrame) -> pl.DataFrame:
    """Return the drives in order, with ``whole``: the id of the one that each becomes part of."""
    ordered = drives.sort("started", "drive", "log")
    apart = ordered["started"] >= ordered["ended"].cum_max().shift()
    number = apart.fill_null(value=True).cum_sum()
    return ordered.with_columns(whole=pl.col("drive").first().over(number))


def _into_drives(samples: pl.DataFrame, whole: pl.DataFrame) -> pl.DataFrame:
    starts = whole.group_by("whole", maintain_order=True).agg(t=pl.col("started").min())
    placed = samples.join_asof(starts.sort("t"), on="t", strategy="backward")
    channels = [name for name in CHANNELS if name in samples.columns]
    return placed.select(pl.col("whole").alias("drive"), "t", *channels)


def _parts(whole: pl.DataFrame, *pieces: Piece) -> dict[str, tuple[str, ...]]:
    found: dict[str, set[str]] = {}
    ids = dict(zip(whole["drive"], whole["whole"], strict=True))
    for piece in pieces:
        for drive, logs in piece.parts.items():
            found.setdefault(ids[drive], set()).update(logs)
    return {drive: tuple(sorted(logs)) for drive, logs in found.items()}


def union(first: pl.DataFrame, second: pl.DataFrame, names: tuple[str, str]) -> pl.DataFrame:
    """Return the readings of both, each once, in order of time.

    Parameters
    ----------
    first, second : frame
        ``samples`` of one vehicle.
    names : tuple of str
        What messages call the two.

    Returns
    -------
    frame
        ``t`` and the channels of both.

    Raises
    ------
    LogError
        ``overlap``: they say different things of a channel at the same time.
    """
    shared = [name for name in CHANNELS if name in first.columns and name in second.columns]
    numbered = [
        frame.drop("drive").with_columns(k=pl.int_range(pl.len()).over("t"))
        for frame in (first, second)
    ]
    both = (
        numbered[0]
        .join(numbered[1], on=["t", "k"], how="full", coalesce=True, suffix=_OTHER)
        .sort("t", "k")
    )
    for name in shared:
        _check_agreement(both, name, names)
    return both.with_columns(pl.max_horizontal(name, name + _OTHER) for name in shared).drop(
        "k", *(name + _OTHER for name in shared)
    )


_OTHER = " of the other"


def _check_agreement(both: pl.DataFrame, name: str, names: tuple[str, str]) -> None:
    """Refuse a channel of which two logs say different things."""
    one, other = both.select("t", v=name), both.select("t", v=name + _OTHER)
    meet = both.filter(pl.col(name).is_not_null() & pl.col(name + _OTHER).is_not_null())
    off = (meet[name] - meet[name + _OTHER]).abs()
    size = pl.max_horizontal(pl.col(name).abs(), pl.col(name + _OTHER).abs())
    far = meet.filter(off > _SAME * meet.select(size).to_series())
    if far.height:
        raise _contradiction(one, other, far["t"][0], name, names)
    for here, there in ((one, other), (other, one)):
        worst = _disagreement(here, there, name, meet.height)
        if worst is not None:
            raise _contradiction(one, other, worst, name, names)


def _disagreement(
    here: pl.DataFrame, there: pl.DataFrame, name: str, partners: int
) -> datetime | None:
    """Return when readings lie furthest off another recording's, if they do not follow it."""
    seconds, values = readings(here, "v")
    times, others = readings(there, "v")
    if len(times) < 2 or not len(seconds):
        return None
    inside = (seconds > times[0]) & (seconds < times[-1])
    if inside.sum() < _FEWEST or partners >= _SAME_TIMES * inside.sum():
        return None
    seconds, values = seconds[inside], values[inside]
    after = np.searchsorted(times, seconds)
    near = times[after] - times[np.maximum(after - 1, 0)] <= CHANNELS[name].longest_gap
    off = np.where(near, np.abs(values - np.interp(seconds, times, others)), 0.0)
    low, high = np.quantile(others, (0.05, 0.95))
    if near.sum() < _FEWEST or np.quantile(off[near], 0.9) <= max(_FOLLOWS * (high - low), 1e-9):
        return None
    moments = here.filter(pl.col("v").is_not_null())["t"].gather(np.flatnonzero(inside))
    found: datetime = moments[int(np.argmax(off))]
    return found


def _contradiction(
    one: pl.DataFrame, other: pl.DataFrame, moment: datetime, name: str, names: tuple[str, str]
) -> LogError:
    unit, words = CHANNELS[name].unit, name.replace("_", " ")
    shown = " and ".join(
        f"{_around(frame, moment)} {unit} in {file}"
        for frame, file in zip((one, other), names, strict=True)
    )
    return LogError(
        "overlap",
        f"{names[1]} and {names[0]} are of the same time and contradict each other: at "
        f"{moment:%Y-%m-%d %H:%M:%S} UTC the {words} (one reading before, there, one after) is "
        f"{shown}. Nothing of {names[1]} was stored. If it is another vehicle's log, put it into "
        "that vehicle's folder; if a logger's clock was wrong, correct the times; if one of the "
        "loggers reads that channel wrongly, take its column out of that log.",
    )


def _around(frame: pl.DataFrame, moment: datetime) -> str:
    known = frame.filter(pl.col("v").is_not_null())
    at = int(known["t"].search_sorted(moment, side="left"))
    return ", ".join(f"{value:g}" for value in known["v"].slice(max(at - 1, 0), 3))
