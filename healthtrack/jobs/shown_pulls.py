"""The pulls that a vehicle's report shows: those of late, over some of the healthy days."""

from __future__ import annotations

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

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.config import VehicleSettings
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding
    from healthtrack.store import Store

PERIOD = timedelta(days=92)
"""How far back the pulls of late reach: a quarter has a few dozen drives."""

MOST_OF_PERIOD = 6
MOST_HEALTHY = 10
"""More tracks than these cover each other."""


def pulls_shown(workspace: Workspace, store: Store, finding: VehicleFinding) -> PullsShown | None:
    """Follow the pulls of the last quarter, and some of the learned period, over the map.

    None where there was no pull of late that has a flow and a pressure ratio. Without a map the
    tracks are shown on axes alone. A map that cannot be read counts as none here: ``healthtrack
    check`` says what is wrong with it.
    """
    settings = workspace.settings.vehicles[finding.vehicle]
    chart = _chart(workspace, settings)
    since = finding.as_of - PERIOD
    pulls = store.history(finding.vehicle, finding.as_of).pulls
    if pulls is None or not pulls.height:
        return None
    pulls = pulls.sort("t")
    on = pulls["t"].dt.date()
    late = pulls.filter(on > since)["drive"].unique(maintain_order=True).to_list()
    if not late:
        return None
    period = [
        pull
        for drive in late[-MOST_OF_PERIOD:]
        for pull in _followed(store, drive, settings, chart)
    ]
    base = finding.baseline
    early: list[str] = []
    if base is not None and base.end < since:
        inside = pulls.filter((on >= base.start) & (on <= base.end))
        early = inside["drive"].unique(maintain_order=True).to_list()
    healthy = [
        pull.track for drive in _spread(early) for pull in _followed(store, drive, settings, chart)
    ]
    if not period:
        return None
    return PullsShown(chart, tuple(period[-MOST_OF_PERIOD:]), tuple(healthy[:MOST_HEALTHY]), since)


def _spread(drives: Sequence[str]) -> list[str]:
    """Return at most as many drives as are shown, spread over all of them."""
    every = max(1, -(-len(drives) // MOST_HEALTHY))
    return list(drives[::every])


def _followed(
    store: Store, drive: str, settings: VehicleSettings, chart: CompressorMap | None
) -> Iterator[DatedPull]:
    samples = store.samples(drive)
    if not samples.height:  # a snapshot holds none
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
