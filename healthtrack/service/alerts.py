"""Alert episodes: one per symptom, from the day it is raised until it is cleared. Pure.

An episode is told when it begins, and once more when it gets worse (alert to alarm); never again,
however often the vehicle is assessed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from healthtrack.store import Episode

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime, timedelta

    from healthtrack.records import IndicatorFinding, VehicleFinding

_DEGREE = {"alert": 1, "alarm": 2}


@dataclass(frozen=True, slots=True)
class Advance:
    """What an assessment does to a vehicle's episodes.

    ``changed`` are those to be kept, ``told`` those among them that the recipients hear of,
    ``cleared`` those that ended.
    """

    changed: tuple[Episode, ...]
    told: tuple[Episode, ...]
    cleared: tuple[Episode, ...]


def advance(episodes: Sequence[Episode], finding: VehicleFinding, now: datetime) -> Advance:
    """Return what a finding does to the vehicle's episodes.

    Parameters
    ----------
    episodes : sequence of Episode
        All of the vehicle, closed ones too.
    finding : VehicleFinding
        The latest.
    now : datetime
        When it was given.
    """
    changed: list[Episode] = []
    told: list[Episode] = []
    cleared: list[Episode] = []
    for item in finding.indicators:
        current = next(
            (one for one in episodes if one.indicator == item.indicator and one.closed is None),
            None,
        )
        if item.state not in _DEGREE:
            newest = current is not None and finding.as_of >= current.seen_on
            if current is not None and newest and item.state == "normal":
                cleared.append(replace(current, closed=now, seen_on=finding.as_of))
            continue
        after, news = _raised(episodes, current, item, finding, now)
        if current is not None and after.episode != current.episode:
            cleared.append(replace(current, closed=now))
        changed.append(after)
        told += [after] if news else []
    return Advance((*changed, *cleared), tuple(told), tuple(cleared))


def _raised(
    episodes: Sequence[Episode],
    current: Episode | None,
    item: IndicatorFinding,
    finding: VehicleFinding,
    now: datetime,
) -> tuple[Episode, bool]:
    raised_on = item.raised_on or finding.as_of
    if current is None or raised_on > current.seen_on:  # cleared and raised again in between
        current = _before(episodes, item.indicator, raised_on)
    if current is None:
        return _new(item, finding, raised_on, now), True
    worse = _DEGREE[item.state] > _DEGREE[current.worst]
    after = replace(
        current,
        state=item.state,
        worst=item.state if worse else current.worst,
        level=item.level,
        seen_on=max(current.seen_on, finding.as_of),
        closed=None,
        # an acknowledged alert that becomes an alarm wants acknowledging again
        acknowledged=None if worse else current.acknowledged,
        acknowledged_by="" if worse else current.acknowledged_by,
        escalated=None if worse else current.escalated,
        told=now if worse else current.told,
    )
    return after, worse


def _before(episodes: Sequence[Episode], indicator: str, raised_on: date) -> Episode | None:
    """Return the same episode where it was closed by mistake: one raised on that very day."""
    same = [one for one in episodes if one.indicator == indicator and one.raised_on == raised_on]
    return same[-1] if same else None


def _new(
    item: IndicatorFinding, finding: VehicleFinding, raised_on: date, now: datetime
) -> Episode:
    return Episode(
        episode=f"{finding.vehicle}/{item.indicator}/{raised_on:%Y-%m-%d}",
        vehicle=finding.vehicle,
        indicator=item.indicator,
        unit=item.unit,
        raised_on=raised_on,
        opened=now,
        state=item.state,
        worst=item.state,
        first_level=item.level,
        level=item.level,
        seen_on=finding.as_of,
        told=now,
    )


def to_escalate(
    episodes: Sequence[Episode], after: timedelta, now: datetime
) -> tuple[Episode, ...]:
    """Return the alarms that nobody has acknowledged in time, each once."""
    return tuple(
        one
        for one in episodes
        if one.closed is None
        and one.worst == "alarm"
        and one.acknowledged is None
        and one.escalated is None
        and now - (one.told or one.opened) >= after
    )
