"""The pulls that a vehicle's report shows: those of late, over some of the healthy days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from healthtrack.airpath.map_file import read_map
from healthtrack.errors import MapError
from healthtrack.operating.pull_reading import read_pull
from healthtrack.operating.pull_track import track
from healthtrack.operating.pulls import candidates, pull_grid, why_not
from healthtrack.report.pulls import DatedPull, PullsShown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    import polars as pl

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.config import VehicleSettings
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding
    from healthtrack.store import SamplesOfDrive, Store

PERIOD = timedelta(days=92)
"""How far back the pulls of late reach: a quarter has a few dozen drives."""

MOST_OF_PERIOD = 6
MOST_HEALTHY = 10
"""More tracks than these cover each other."""


@dataclass(frozen=True)
class PullsToShow:
    """The drives whose pulls a report shows, with their samples or where those are.

    All that any process needs to follow the pulls: looking drives up takes the store, following
    them takes a tenth of a second each.
    """

    settings: VehicleSettings
    chart: CompressorMap | None
    since: date
    late: tuple[SamplesOfDrive, ...]
    early: tuple[SamplesOfDrive, ...]


def pulls_to_show(
    workspace: Workspace, store: Store, finding: VehicleFinding, *, remote: bool = False
) -> PullsToShow | None:
    """Look up the drives with pulls of the last quarter, and some of the learned period.

    None where there was no pull of late. A map that cannot be read counts as none here:
    ``healthtrack check`` says what is wrong with it. ``remote`` is for workers on other machines.
    """
    settings = workspace.settings.vehicles[finding.vehicle]
    since = finding.as_of - PERIOD
    pulls = store.history(finding.vehicle, finding.as_of).pulls
    if pulls is None or not pulls.height:
        return None
    pulls = pulls.sort("t")
    on = pulls["t"].dt.date()
    late = pulls.filter(on > since)["drive"].unique(maintain_order=True).to_list()
    if not late:
        return None
    base = finding.baseline
    early: list[str] = []
    if base is not None and base.end < since:
        inside = pulls.filter((on >= base.start) & (on <= base.end))
        early = inside["drive"].unique(maintain_order=True).to_list()
    return PullsToShow(
        settings,
        _chart(workspace, settings),
        since,
        tuple(store.samples_of(drive, remote=remote) for drive in late[-MOST_OF_PERIOD:]),
        tuple(store.samples_of(drive, remote=remote) for drive in _spread(early)),
    )


def follow_pulls(chosen: PullsToShow) -> PullsShown | None:
    """Follow the pulls of drives over the map; pure, in any process.

    None where no pull of late has a flow and a pressure ratio. Without a map the tracks are shown
    on axes alone.
    """
    settings, chart = chosen.settings, chosen.chart
    period = [
        pull for one in chosen.late for pull in _followed(one.drive, one.read(), settings, chart)
    ]
    healthy = [
        pull.track
        for one in chosen.early
        for pull in _followed(one.drive, one.read(), settings, chart)
    ]
    if not period:
        return None
    return PullsShown(
        chart, tuple(period[-MOST_OF_PERIOD:]), tuple(healthy[:MOST_HEALTHY]), chosen.since
    )


def pulls_shown(workspace: Workspace, store: Store, finding: VehicleFinding) -> PullsShown | None:
    """Look up and follow the pulls that a vehicle's report shows, in this process."""
    chosen = pulls_to_show(workspace, store, finding)
    return None if chosen is None else follow_pulls(chosen)


def pulls_of_drive(
    workspace: Workspace, store: Store, vehicle: str, drive: str
) -> tuple[DatedPull, ...]:
    """Follow the pulls of one drive over the vehicle's map; none where its samples are not there.

    A map that cannot be read counts as none here.
    """
    settings = workspace.settings.vehicles[vehicle]
    return tuple(_followed(drive, store.samples(drive), settings, _chart(workspace, settings)))


def _spread(drives: Sequence[str]) -> list[str]:
    """Return at most as many drives as are shown, spread over all of them."""
    every = max(1, -(-len(drives) // MOST_HEALTHY))
    return list(drives[::every])


def _followed(
    drive: str, samples: pl.DataFrame, settings: VehicleSettings, chart: CompressorMap | None
) -> Iterator[DatedPull]:
    if not samples.height:  # let go, or a snapshot
        return
    grid = pull_grid(drive, samples.drop_nulls("t"))
    for found in candidates(grid):
        if why_not(grid, found) is None:
            followed = track(grid, found.first, found.last, settings, chart)
            known = followed.frame.drop_nulls(["corrected_flow", "pressure_ratio"])
            if known.height > 1:
                yield DatedPull(grid.moment(found.first), followed, read_pull(followed, chart))


def _chart(workspace: Workspace, settings: VehicleSettings) -> CompressorMap | None:
    if not settings.compressor_map:
        return None
    try:
        return read_map(workspace.root / settings.compressor_map)
    except MapError:
        return None
