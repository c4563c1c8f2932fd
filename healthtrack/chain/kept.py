"""What a verdict leaves behind, so that the next one need not begin at the first drive.

Everything here equals, to the last bit, what the whole history would give again; where that is not
certain (a log that came late, work entered afterwards, other settings, another version) it is not
used, and the vehicle is judged from its start.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

import healthtrack
from healthtrack import indicators
from healthtrack.baseline.model import VERSION as BASELINE_VERSION
from healthtrack.indicators.drives import LEARNING_DRIVES, first_drives
from healthtrack.indicators.recirculation import with_recirculation
from healthtrack.ingest.joining import drive_names

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.chain.following import Followed
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.drift import Tracked
    from healthtrack.records import MaintenanceEvent, RepairFinding, VehicleHistory

VERSION = 6
"""Of what is kept and how it comes about; another one is not used."""


@dataclass(frozen=True)
class KeptIndicator:
    """An indicator whose healthy period is complete: its baseline, figures, and course.

    ``sisters`` is the digest of what others could have lent it by then.
    """

    learned: Baseline
    regions: pl.DataFrame
    figures: pl.DataFrame
    tracked: Tracked
    sisters: str


@dataclass(frozen=True)
class Kept:
    """What is kept of a vehicle as of a day.

    Parameters
    ----------
    basis : str
        Digest of the settings and versions that it rests on.
    as_of : datetime.date
        Drives that had ended and work that was done by the end of this day are in it.
    pieces : int
        Stored drives in it: the first so many, in order of time.
    drives, events : str
        Digests of those drives and of the work on the vehicle.
    windows : int
        Windows of those drives.
    channels : tuple of str
        Columns of windows that have ever held a value.
    head : tuple of str
        Stored drives whose windows are needed again: those from which the vehicle's fixed
        properties are told, one for each channel, those of indicators that still learn.
    indicators : dict
        By name; one that still learns is not in it.
    repairs : dict
        What late work has done, by what that rests on.
    """

    basis: str
    as_of: date
    pieces: int
    drives: str
    events: str
    windows: int
    channels: tuple[str, ...]
    head: tuple[str, ...]
    indicators: dict[str, KeptIndicator]
    repairs: dict[str, RepairFinding | None] = field(default_factory=dict)


def basis_of(vehicle: VehicleSettings, workspace: WorkspaceSettings) -> str:
    """Return the digest of all that a verdict rests on beside the history."""
    return digest(
        str(VERSION),
        str(BASELINE_VERSION),
        healthtrack.__version__,
        np.__version__,
        scipy.__version__,
        pl.__version__,
        vehicle.model_dump_json(),
        workspace.baseline.model_dump_json(),
        workspace.alerts.model_dump_json(),
    )


def misfit(kept: Kept, history: VehicleHistory, basis: str, as_of: date) -> str:
    """Say why what is kept cannot be used for a verdict; empty where it can.

    Parameters
    ----------
    kept : Kept
        Of the same vehicle.
    history : VehicleHistory
        Up to the day, as it is stored; its windows are not looked at.
    basis : str
        Of the settings as they are now.
    as_of : date
        The day of the verdict.
    """
    if kept.basis != basis:
        return "the settings or the program have changed"
    if as_of < kept.as_of:
        return "an earlier day is asked for"
    if digest_of_drives(history.drives.head(kept.pieces)) != kept.drives:
        return "drives before the last one have come, gone or changed"
    if digest_of_events(history.maintenance, kept.as_of) != kept.events:
        return "work on the vehicle before that day was entered or changed"
    names = drive_names(history.drives)
    pieces = history.drives["drive"].to_list()
    old = {names[piece] for piece in pieces[: kept.pieces]}
    if any(names[piece] in old for piece in pieces[kept.pieces :]):
        return "its last drive goes on"
    return ""


def windows_to_read(kept: Kept, history: VehicleHistory) -> tuple[str, ...]:
    """Return the stored drives whose windows a verdict needs."""
    new = history.drives["drive"].slice(kept.pieces).to_list()
    return (*kept.head, *new)


def new_drives(kept: Kept, history: VehicleHistory) -> list[str]:
    """Return the drives since then, under the names of :func:`healthtrack.ingest.joining`."""
    names = drive_names(history.drives)
    pieces = history.drives["drive"].slice(kept.pieces).to_list()
    return list(dict.fromkeys(names[piece] for piece in pieces))


def channels_of(windows: pl.DataFrame) -> tuple[str, ...]:
    """Return the columns of windows that hold a value, sorted."""
    return tuple(
        sorted(name for name in windows.columns if windows[name].null_count() < windows.height)
    )


def digest_of_drives(drives: pl.DataFrame) -> str:
    """Return the digest of stored drives in their order: names, times, distances."""
    numbers = [
        drives[name].dt.epoch("us").to_numpy().astype(np.int64).tobytes()
        for name in ("started", "ended")
    ]
    numbers += [
        drives[name].cast(pl.Float64).to_numpy().tobytes()
        for name in ("odometer_km", "distance_km")
    ]
    names = "\n".join(drives["drive"].to_list())
    return hashlib.sha256(b"|".join([names.encode(), *numbers])).hexdigest()


def digest_of_events(events: Iterable[MaintenanceEvent], as_of: date) -> str:
    """Return the digest of the work on a vehicle up to a day."""
    known = sorted(
        (event.on.isoformat(), event.event, event.kind, repr(event.odometer_km))
        for event in events
        if event.on <= as_of
    )
    return digest(json.dumps(known))


def digest_of_sisters(sisters: Sequence[Baseline], learned: Baseline) -> str:
    """Return the digest of what others could lend an indicator when it was learned."""
    could = sorted(
        repr((item.start, item.end, item.drives, [one.coefficients for one in item.regions]))
        for item in sisters
        if item.indicator == learned.indicator and item.end <= learned.end
    )
    return digest(*could)


def digest(*texts: str) -> str:
    """Return the SHA-256 of texts."""
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()


def can_be_kept(followed: Followed) -> bool:
    """Say whether later drives leave an indicator's baseline as it is.

    They do once a drive lies behind its own healthy period, and what never changes about a vehicle
    is told from drives enough.
    """
    learned, figures = followed.learned, followed.witness.figures
    if learned.sisters or figures.height < LEARNING_DRIVES:
        return False
    return bool(figures["drive"].tail(1).is_in(list(learned.drives)).not_().all())


def head_of(
    history: VehicleHistory, vehicle: VehicleSettings, learning: Sequence[str]
) -> set[str] | None:
    """Return the drives whose windows later verdicts need again; None while it is not settled.

    Parameters
    ----------
    history : VehicleHistory
        Joined; with all windows, or with those of an earlier head and of all drives since.
    vehicle : VehicleSettings
        As set.
    learning : sequence of str
        Indicators that cannot be kept yet.
    """
    windows = history.windows
    if not windows.height:
        return None
    told = first_drives(with_recirculation(windows, vehicle))
    if told["drive"].n_unique() < LEARNING_DRIVES:
        return None
    starts = windows.group_by("drive").agg(pl.col("t").min())
    last = starts.filter(pl.col("drive").is_in(told["drive"].unique().implode()))["t"].max()
    head = set(starts.filter(pl.col("t") <= last)["drive"].to_list())
    head |= _one_for_each_channel(windows, head)
    for name in learning:
        indicator = indicators.ALL[name]
        if indicator.source == "windows":
            head |= set(indicator.observe(windows, vehicle)["drive"].unique().to_list())
    return head


def _one_for_each_channel(windows: pl.DataFrame, head: set[str]) -> set[str]:
    seen = set(channels_of(windows.filter(pl.col("drive").is_in(list(head)))))
    missing = [name for name in channels_of(windows) if name not in seen]
    ordered = windows.sort("t", "drive")
    return {ordered.filter(pl.col(name).is_not_null())["drive"][0] for name in missing}
