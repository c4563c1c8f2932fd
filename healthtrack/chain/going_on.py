"""A verdict from what was kept and the drives since then: it costs what the new drives cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from healthtrack import drift, indicators
from healthtrack.chain.ahead import road_ahead
from healthtrack.chain.borrowing import follow_with
from healthtrack.chain.following import (
    Followed,
    Learning,
    Measured,
    as_then,
    followed,
    history_until,
    measured_against,
    observe,
    plan_of,
)
from healthtrack.chain.judging import Judged, judge_vehicle, say, with_repairs
from healthtrack.chain.kept import (
    Kept,
    KeptIndicator,
    basis_of,
    can_be_kept,
    channels_of,
    digest_of_drives,
    digest_of_events,
    digest_of_sisters,
    head_of,
    misfit,
    new_drives,
)
from healthtrack.chain.repairs import repairs
from healthtrack.ingest.joining import drive_names

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import VehicleFinding, VehicleHistory


@dataclass(frozen=True)
class Asked:
    """Whom a verdict is asked of, and as of when; ``sisters`` are what others can lend."""

    vehicle: VehicleSettings
    workspace: WorkspaceSettings
    as_of: date
    sisters: Sequence[Baseline] = ()


@dataclass(frozen=True)
class Assessed:
    """A verdict, and what is kept for the next one (None while there is nothing to keep)."""

    finding: VehicleFinding
    kept: Kept | None


@dataclass(frozen=True)
class Misfit:
    """What was kept cannot be used, and why: the vehicle must be judged from its start."""

    reason: str


def assess_whole(history: VehicleHistory, asked: Asked) -> Assessed:
    """Judge a vehicle from its first drive on.

    Parameters
    ----------
    history : VehicleHistory
        May hold later drives and events: they are left out.
    asked : Asked
        As of when, and with which settings.
    """
    case = _Case(history, as_then(history, asked.as_of), asked, None)
    return _assessed(case, _follow_whole(case))


def assess_on(history: VehicleHistory, asked: Asked, kept: Kept) -> Assessed | Misfit:
    """Judge a vehicle from what was kept; equal to :func:`assess_whole`, to the bit.

    Parameters
    ----------
    history : VehicleHistory
        All drives, events, standstills and pulls; of the windows those of
        :func:`healthtrack.chain.kept.windows_to_read` are enough.
    asked : Asked
        As of when, and with which settings.
    kept : Kept
        From an earlier verdict on the same vehicle.
    """
    case = _Case(history, as_then(history, asked.as_of), asked, kept)
    followed_all = _follow_since(case, kept)
    return followed_all if isinstance(followed_all, Misfit) else _assessed(case, followed_all)


def neighbours(
    history: VehicleHistory, asked: Asked, kept: Kept | None = None
) -> tuple[drift.Neighbour, ...] | Misfit:
    """Return what a vehicle can say of others of its kind, followed as for its own verdict.

    Parameters are those of :func:`assess_whole` and :func:`assess_on`.
    """
    case = _Case(history, as_then(history, asked.as_of), asked, kept)
    followed_all = _follow_whole(case) if kept is None else _follow_since(case, kept)
    if isinstance(followed_all, Misfit):
        return followed_all
    known = (item for item in followed_all.values() if isinstance(item, Followed))
    return tuple(drift.neighbour(item.witness) for item in known)


@dataclass(frozen=True)
class _Case:
    history: VehicleHistory
    then: VehicleHistory
    asked: Asked
    kept: Kept | None

    def windows(self) -> int:
        """Count the windows of all drives so far."""
        if self.kept is None:
            return self.then.windows.height
        new = new_drives(self.kept, history_until(self.history, self.asked.as_of))
        late = self.then.windows.filter(pl.col("drive").is_in(new))
        return self.kept.windows + late.height


def _follow_whole(case: _Case) -> dict[Indicator, Followed | Learning]:
    """Follow each indicator from its first drive on."""
    then, asked = case.then, case.asked
    return {
        indicator: follow_with(asked.sisters, indicator, then, asked.vehicle, asked.workspace)
        for indicator in indicators.observable(then.windows, asked.vehicle)[0]
    }


def _follow_since(case: _Case, kept: Kept) -> dict[Indicator, Followed | Learning] | Misfit:
    """Follow each indicator on from what was kept."""
    then, asked = case.then, case.asked
    until = history_until(case.history, asked.as_of)
    reason = misfit(kept, until, basis_of(asked.vehicle, asked.workspace), asked.as_of)
    if reason:
        return Misfit(reason)
    if not set(channels_of(then.windows)) <= set(kept.channels):
        return Misfit("a channel was logged for the first time")
    new = new_drives(kept, until)
    followed_all: dict[Indicator, Followed | Learning] = {}
    for indicator in indicators.observable(then.windows, asked.vehicle)[0]:
        known = kept.indicators.get(indicator.name)
        if known is None:
            followed_all[indicator] = follow_with(
                asked.sisters, indicator, then, asked.vehicle, asked.workspace
            )
        elif digest_of_sisters(asked.sisters, known.learned) != known.sisters:
            return Misfit("what vehicles of its kind lend has changed")
        else:
            followed_all[indicator] = _follow_on(indicator, then, asked, (known, new))
    return followed_all


def _follow_on(
    indicator: Indicator,
    then: VehicleHistory,
    asked: Asked,
    known_new: tuple[KeptIndicator, list[str]],
) -> Followed:
    known, new = known_new
    plan = plan_of(indicator, asked.vehicle, asked.workspace)
    regions, figures = known.regions, known.figures
    observed = observe(indicator, then, asked.vehicle)
    if observed is not None:
        late = observed.observations.filter(pl.col("drive").is_in(new))
        if late.height:
            added = measured_against(known.learned, replace(observed, observations=late), then)
            regions = pl.concat([regions, added.regions]).sort("drive", "region")
            figures = pl.concat([figures, added.figures]).sort("started", "drive")
    # an odometer that is shared out between readings may have moved
    told = then.drives.select("drive", "odometer_km")
    figures = figures.with_columns(
        figures.select("drive").join(told, on="drive", how="left", maintain_order="left")[
            "odometer_km"
        ]
    )
    events = then.maintenance
    tracked = drift.track_on(known.tracked, figures, known.learned, events, plan)
    if tracked is None:
        tracked = drift.track(figures, known.learned, events, plan)
    return followed(Measured(indicator, known.learned, regions, figures), tracked, plan)


def _assessed(case: _Case, followed_all: dict[Indicator, Followed | Learning]) -> Assessed:
    then, asked = case.then, case.asked
    _, unseen = indicators.observable(then.windows, asked.vehicle)
    road = road_ahead(then, asked.vehicle, asked.as_of)
    judged = [say(indicator, item, road) for indicator, item in followed_all.items()]
    finding = judge_vehicle(then, judged, unseen, asked.vehicle, road)
    known = {} if case.kept is None else case.kept.repairs
    followed_here = [item.followed for item in judged if item.followed is not None]
    found = repairs(followed_here, then.maintenance, asked.vehicle, known)
    finding = with_repairs(
        replace(finding, windows=case.windows()),
        tuple(item for item in found.values() if item is not None),
    )
    kept = _keep(case, judged)
    return Assessed(finding, None if kept is None else replace(kept, repairs=found))


def _keep(case: _Case, judged: Sequence[Judged]) -> Kept | None:
    """Return what is worth keeping; None while the vehicle is too young, or not settled."""
    vehicle, as_of = case.asked.vehicle, case.asked.as_of
    if vehicle.baseline_to is not None and as_of <= vehicle.baseline_to:
        return None
    items = {item.finding.indicator: item.followed for item in judged}
    whole = {name: item for name, item in items.items() if item is not None and can_be_kept(item)}
    head = head_of(case.then, vehicle, [name for name in items if name not in whole])
    if head is None or not whole:
        return None
    until = history_until(case.history, as_of)
    names = drive_names(until.drives)
    pieces = until.drives["drive"].to_list()
    channels = set(channels_of(case.then.windows))
    if case.kept is not None:
        channels |= set(case.kept.channels)
    return Kept(
        basis=basis_of(vehicle, case.asked.workspace),
        as_of=as_of,
        pieces=len(pieces),
        drives=digest_of_drives(until.drives),
        events=digest_of_events(until.maintenance, as_of),
        windows=case.windows(),
        channels=tuple(sorted(channels)),
        head=tuple(piece for piece in pieces if names[piece] in head),
        indicators={
            name: KeptIndicator(
                item.learned,
                item.witness.regions,
                item.witness.figures,
                item.witness.tracked,
                digest_of_sisters(case.asked.sisters, item.learned),
            )
            for name, item in whole.items()
        },
    )
