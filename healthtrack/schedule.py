"""When something is due: calendars in a time zone, as pure functions.

A calendar is a line of five fields, as in POSIX ``crontab`` (IEEE Std 1003.1-2017): minute, hour,
day of the month, month, weekday (0 or 7 is Sunday; names may be used). ``last`` as the day is the
month's last. Where both the day and the weekday are restricted, either of them is enough.

The nights on which clocks change: a local time that does not exist is due at the moment that it
would have been, had the clocks not changed (02:30 becomes 03:30 summer time); one that exists twice
is due once, the first time. So a calendar gives each of its days exactly once.
"""

from __future__ import annotations

import calendar as months
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

LONGEST_PAUSE_DAYS = 8 * 366
"""A line that names only 29 February may have to wait from 1896 to 1904."""

_WEEKDAYS = {"sun": 0, "mon": 1, "tue": 2, "wed": 3, "thu": 4, "fri": 5, "sat": 6}
_MONTHS = {
    name: number
    for number, name in enumerate(
        ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"], 1
    )
}
_LAST = 0  # stands for "last" among the days


@dataclass(frozen=True, slots=True)
class Calendar:
    """The local times at which something is due; see :func:`parse`.

    ``days`` or ``weekdays`` are None where their field is ``*``. Weekdays count from Sunday, 0.
    """

    minutes: tuple[int, ...]
    hours: tuple[int, ...]
    days: frozenset[int] | None
    months: frozenset[int]
    weekdays: frozenset[int] | None

    def holds(self, day: date) -> bool:
        """Whether something is due on this day."""
        if day.month not in self.months:
            return False
        by_day = self.days is not None and _day_matches(day, self.days)
        by_weekday = self.weekdays is not None and day.isoweekday() % 7 in self.weekdays
        if self.days is None:
            return by_weekday or self.weekdays is None
        return by_day or by_weekday


def _day_matches(day: date, days: frozenset[int]) -> bool:
    last = months.monthrange(day.year, day.month)[1]
    return day.day in days or (_LAST in days and day.day == last)


def parse(line: str) -> Calendar:
    """Read a line of five fields.

    Raises
    ------
    ValueError
        Saying which field is wrong and what may stand there.

    Examples
    --------
    >>> parse("30 6 * * mon").weekdays
    frozenset({1})
    """
    fields = line.lower().split()
    if len(fields) != 5:
        raise ValueError(
            f"{line!r} has {len(fields)} fields, not five: minute hour day month weekday, "
            "for example `30 6 * * mon` for Mondays at half past six"
        )
    weekdays = _field(fields[4], "weekday", (0, 7), _WEEKDAYS)
    days = _field(fields[2], "day", (1, 31), {"last": _LAST})
    found = Calendar(
        minutes=tuple(sorted(_field(fields[0], "minute", (0, 59), {}))),
        hours=tuple(sorted(_field(fields[1], "hour", (0, 23), {}))),
        days=None if fields[2] == "*" else frozenset(days),
        months=frozenset(_field(fields[3], "month", (1, 12), _MONTHS)),
        weekdays=None if fields[4] == "*" else frozenset(day % 7 for day in weekdays),
    )
    if not any(True for _ in _days(found, date(2000, 1, 1), 1)):
        raise ValueError(f"{line!r} names days that no year has")
    return found


def _field(text: str, name: str, bounds: tuple[int, int], names: dict[str, int]) -> set[int]:
    found: set[int] = set()
    for part in text.split(","):
        span, _, step = part.partition("/")
        low, high = _span(span, name, bounds, names)
        if step and (not step.isdecimal() or int(step) == 0):
            raise ValueError(f"the step {step!r} of the {name} is no number above zero")
        if step and span != "*" and "-" not in span:
            high = bounds[1]
        found.update(range(low, high + 1, int(step) if step else 1))
    return found


def _span(span: str, name: str, bounds: tuple[int, int], names: dict[str, int]) -> tuple[int, int]:
    if span == "*":
        return bounds
    first, dash, last = span.partition("-")
    low = _number(first, name, bounds, names)
    high = _number(last, name, bounds, names) if dash else low
    if high < low:
        raise ValueError(f"{span!r} as the {name} runs backwards; list the two parts, with a comma")
    return low, high


def _number(text: str, name: str, bounds: tuple[int, int], names: dict[str, int]) -> int:
    if text in names:
        return names[text]
    if not text.isdecimal() or not bounds[0] <= int(text) <= bounds[1]:
        also = f" or one of {', '.join(names)}" if names else ""
        raise ValueError(
            f"{text!r} as the {name} is no number from {bounds[0]} to {bounds[1]}{also}"
        )
    return int(text)


def latest(calendar: Calendar, zone: ZoneInfo, now: datetime) -> datetime | None:
    """Return the last moment at or before ``now`` at which the calendar was due, in UTC.

    Parameters
    ----------
    calendar : Calendar
        In local time.
    zone : ZoneInfo
        Whose local time.
    now : datetime
        With time zone.
    """
    # a local time that the clocks skip is due an hour later: look one day ahead as well
    for day in _days(calendar, now.astimezone(zone).date() + timedelta(days=1), -1):
        past = [moment for moment in _moments(calendar, zone, day) if moment <= now]
        if past:
            return max(past)
    return None


def following(calendar: Calendar, zone: ZoneInfo, after: datetime) -> datetime | None:
    """Return the first moment after ``after`` at which the calendar is due, in UTC."""
    for day in _days(calendar, after.astimezone(zone).date() - timedelta(days=1), 1):
        coming = [moment for moment in _moments(calendar, zone, day) if moment > after]
        if coming:
            return min(coming)
    return None


def _days(calendar: Calendar, start: date, step: int) -> Iterator[date]:
    for number in range(LONGEST_PAUSE_DAYS):
        day = start + timedelta(days=step * number)
        if calendar.holds(day):
            yield day


def _moments(calendar: Calendar, zone: ZoneInfo, day: date) -> Iterator[datetime]:
    for hour in calendar.hours:
        for minute in calendar.minutes:
            # fold=0: the first of two equal local times; in the gap, the offset before it
            yield datetime.combine(day, time(hour, minute), zone).astimezone(UTC)


def quiet_until(start: time, end: time, zone: ZoneInfo, now: datetime) -> datetime | None:
    """Return when the quiet hours that hold now end, in UTC; None outside them.

    ``start`` after ``end`` runs over midnight; equal ones mean no quiet hours.
    """
    local = now.astimezone(zone)
    wall = local.time().replace(tzinfo=None)
    if start == end:
        return None
    inside = start <= wall < end if start < end else (wall >= start or wall < end)
    if not inside:
        return None
    day = local.date() if wall < end else local.date() + timedelta(days=1)
    return datetime.combine(day, end, zone).astimezone(UTC)
