"""Did the work help? The drives before it against those after it, both against one zero.

The drift starts anew after work on the vehicle; here the zero that it had *before* is kept, so that
what the work has changed can be seen. What the work undid is then evidence of what was wrong.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from healthtrack import drift
from healthtrack.diagnosis import UNDOES, score_repair
from healthtrack.records import RepairChange

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date

    from healthtrack.chain.following import Followed
    from healthtrack.config import VehicleSettings
    from healthtrack.records import MaintenanceEvent, RepairFinding

MOST = 2
"""Late works on a vehicle that are looked at: each costs as much as a verdict."""
SIDE = 12
"""Drives on a side: as many as make up 'of late' (drift.evidence)."""
ALL = "all"
"""Region that stands for the drives' figures as a whole."""
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
    changes: tuple[RepairChange, ...]


def repairs(
    followed: Sequence[Followed],
    events: Sequence[MaintenanceEvent],
    vehicle: VehicleSettings,
    known: Mapping[str, RepairFinding | None] | None = None,
) -> dict[str, RepairFinding | None]:
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
    known : mapping
        What was said before, under the same settings: work whose drives on both sides are the same
        is not looked at again.

    Returns
    -------
    dict
        By what each rests on; None where nothing can be said.
    """
    found: dict[str, RepairFinding | None] = {}
    for span in _spans(events):
        sides = [(item, *_drives(item, span)) for item in followed]
        key = _key(span, sides)
        if known is not None and key in known:
            found[key] = known[key]
        else:
            found[key] = _repair(sides, span, vehicle)
    return found


def _drives(item: Followed, span: _Span) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the figures before the work, and the first ones after it."""
    figures = item.witness.figures
    day = pl.col("started").dt.date()
    after = figures.filter(day > span.event.on)
    if span.until is not None:
        after = after.filter(day < span.until)
    return figures.filter(day < span.event.on), after.head(SIDE)


def _key(span: _Span, sides: Sequence[tuple[Followed, pl.DataFrame, pl.DataFrame]]) -> str:
    """Return a digest of all that a repair's finding rests on, beside the settings."""
    seen = hashlib.sha256(repr(span).encode())
    for item, before, after in sides:
        learned = item.learned
        seen.update(repr((learned.indicator, learned.start, learned.end, learned.drives)).encode())
        for side in (before, after):
            seen.update("\n".join(side["drive"]).encode())
            for name in ("value", "se", "odometer_km"):
                seen.update(side[name].cast(pl.Float64).to_numpy().tobytes())
    return seen.hexdigest()


def _spans(events: Sequence[MaintenanceEvent]) -> Iterator[_Span]:
    known = sorted(
        (event for event in events if event.kind in UNDOES), key=lambda item: (item.on, item.event)
    )
    for event in known[-MOST:]:
        earlier = tuple(other for other in known if other.on < event.on)
        until = min((other.on for other in known if other.on > event.on), default=None)
        yield _Span(event, earlier, until)


def _repair(
    drives: Sequence[tuple[Followed, pl.DataFrame, pl.DataFrame]],
    span: _Span,
    vehicle: VehicleSettings,
) -> RepairFinding | None:
    found = (_sides(item, span, before, after) for item, before, after in drives)
    sides = [side for side in found if side is not None]
    if not sides:
        return None
    alerted = any(side.before.tracked.state[-1] in {1, 2} for side in sides)
    before = replace(drift.evidence([side.before for side in sides]), alerted=alerted)
    after = replace(drift.evidence([side.after for side in sides]), alerted=alerted)
    scored = score_repair(before, after, span.event.kind, vehicle)
    if scored is None:
        return None
    contrasted = {
        (change.indicator, change.region): change for side in sides for change in side.changes
    }
    whole = tuple(change for change in contrasted.values() if change.region == ALL)
    # where too few drives hold a region for a contrast, its late levels are all that is known
    regions = tuple(
        contrasted.get((change.indicator, change.region), change) for change in scored.changes
    )
    return replace(scored, changes=(*whole, *regions), event=span.event.event, on=span.event.on)


def _sides(item: Followed, span: _Span, before: pl.DataFrame, after: pl.DataFrame) -> _Sides | None:
    """Return an indicator's drives before and after, as seen from the zero before."""
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
    parts = [(ALL, before, after), *_by_region(item, before, after)]
    changes = (_change(item, part, tracked) for part in parts)
    return _Sides(then, now, tuple(change for change in changes if change is not None))


def _by_region(
    item: Followed, before: pl.DataFrame, after: pl.DataFrame
) -> Iterator[tuple[str, pl.DataFrame, pl.DataFrame]]:
    """Yield each region with its figures of the drives on both sides."""
    regions = item.witness.regions
    if item.witness.indicator.scale == "log_percent":
        ratio = ((pl.col("value") / 100.0).exp() - 1.0) * 100.0
        regions = regions.with_columns(value=ratio)
    for name in regions["region"].unique().sort().to_list():
        here = regions.filter(pl.col("region") == name)
        sides = (
            side.select("drive", "started", "odometer_km").join(
                here, on="drive", maintain_order="left"
            )
            for side in (before, after)
        )
        yield (name, *sides)


def _change(
    item: Followed, part: tuple[str, pl.DataFrame, pl.DataFrame], tracked: drift.Tracked
) -> RepairChange | None:
    """Contrast the drives before with those after; what both share drops out of the band."""
    region, before, after = part
    if not before.height or not after.height:
        return None
    both = pl.concat([before, after])
    segment = drift.whole_segment(both, item.learned, drift.axis_of(both), item.plan)
    course = tracked.course
    found = drift.contrast(
        replace(segment, carried=course.carried),
        before.height,
        course.wander_sd,
        drift.memory_of(course),
        SIDE,
    )
    if found is None:
        return None
    return RepairChange(item.witness.indicator.name, region, found.change, found.low, found.high)
