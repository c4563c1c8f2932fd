"""Did the work help? The drives before it against those after it, both against one zero.

The drift starts anew after work on the vehicle; here the zero that it had *before* is kept, so that
what the work has changed can be seen. What the work undid is then evidence of what was wrong.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from healthtrack import drift
from healthtrack.diagnosis import UNDOES, score_repair
from healthtrack.drift.grid import standard_grid
from healthtrack.records import RepairChange

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from healthtrack.chain.following import Followed
    from healthtrack.config import VehicleSettings
    from healthtrack.records import MaintenanceEvent, RepairFinding

MOST = 2
"""Late works on a vehicle that are looked at: each costs as much as a verdict."""
SIDE = 12
"""Drives on a side: as many as make up 'of late' (drift.evidence)."""
FEWEST = 4
"""With fewer drives on a side nothing is said."""


class _Span(NamedTuple):
    """The event with the works before it, and the day of the next one."""

    event: MaintenanceEvent
    earlier: tuple[MaintenanceEvent, ...]
    until: date | None


class _Sides(NamedTuple):
    before: drift.Witness
    after: drift.Witness
    change: RepairChange | None


def repairs(
    followed: Sequence[Followed], events: Sequence[MaintenanceEvent], vehicle: VehicleSettings
) -> tuple[RepairFinding, ...]:
    """Say of the latest works on a vehicle whether they helped, the earliest first.

    Only work that undoes one of the causes is looked at, and only where enough drives lie on both
    sides of it, with no other such work between. Works of one day cannot be told from each other:
    each is judged as if it had been alone.

    Parameters
    ----------
    followed : sequence of Followed
        The indicators of one vehicle.
    events : sequence of MaintenanceEvent
        Of the same vehicle, up to the day of the verdict.
    vehicle : VehicleSettings
        As for the diagnosis.
    """
    found = (_repair(followed, span, vehicle) for span in _spans(events))
    return tuple(item for item in found if item is not None)


def _spans(events: Sequence[MaintenanceEvent]) -> Iterator[_Span]:
    known = sorted(
        (event for event in events if event.kind in UNDOES), key=lambda item: (item.on, item.event)
    )
    for event in known[-MOST:]:
        earlier = tuple(other for other in known if other.on < event.on)
        until = min((other.on for other in known if other.on > event.on), default=None)
        yield _Span(event, earlier, until)


def _repair(
    followed: Sequence[Followed], span: _Span, vehicle: VehicleSettings
) -> RepairFinding | None:
    sides = [side for item in followed if (side := _sides(item, span)) is not None]
    if not sides:
        return None
    alerted = any(side.before.tracked.state[-1] in {1, 2} for side in sides)
    before = replace(drift.evidence([side.before for side in sides]), alerted=alerted)
    after = replace(drift.evidence([side.after for side in sides]), alerted=alerted)
    scored = score_repair(before, after, span.event.kind, vehicle)
    if scored is None:
        return None
    whole = tuple(side.change for side in sides if side.change is not None)
    return replace(
        scored, changes=(*whole, *scored.changes), event=span.event.event, on=span.event.on
    )


def _sides(item: Followed, span: _Span) -> _Sides | None:
    """Return an indicator's drives before and after, as seen from the zero before."""
    figures = item.witness.figures
    day = pl.col("started").dt.date()
    before = figures.filter(day < span.event.on)
    after = figures.filter(day > span.event.on)
    if span.until is not None:
        after = after.filter(day < span.until)
    after = after.head(SIDE)
    if min(before.height, after.height) < FEWEST or span.event.on < item.learned.end:
        return None
    tracked = drift.track(before, item.learned, span.earlier, item.plan)
    late = before["drive"].tail(SIDE)
    kept = pl.concat([before["drive"].head(before.height - late.len()), after["drive"]])
    regions = item.witness.regions
    then = replace(
        item.witness,
        figures=before,
        tracked=tracked,
        regions=regions.filter(pl.col("drive").is_in(before["drive"].implode())),
    )
    now = replace(
        item.witness,
        figures=after,
        tracked=replace(tracked, state=np.zeros_like(tracked.state)),  # all of them are late
        regions=regions.filter(pl.col("drive").is_in(kept.implode())),
    )
    return _Sides(then, now, _change(item, before, after, tracked))


def _change(
    item: Followed, before: pl.DataFrame, after: pl.DataFrame, tracked: drift.Tracked
) -> RepairChange | None:
    """Contrast the drives' figures as a whole."""
    both = pl.concat([before, after])
    segment = drift.whole_segment(both, item.learned, drift.axis_of(both), item.plan)
    course = tracked.course
    memory = float(standard_grid().memory_days[course.best[0]])
    found = drift.contrast(
        replace(segment, carried=course.carried), before.height, course.wander_sd, memory, SIDE
    )
    if found is None:
        return None
    return RepairChange(item.witness.indicator.name, "all", found.change, found.low, found.high)
