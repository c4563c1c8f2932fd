"""From the state of a drift to the answer an owner can plan with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

from healthtrack.forecast.passage import DriftState, Passage, first_passage
from healthtrack.records import Forecast

if TYPE_CHECKING:
    from healthtrack.forecast.usage import Usage
    from healthtrack.records import ForecastAnswer

Concern = Literal["low", "high", "both"]

LOW, MIDDLE, HIGH = 0.025, 0.5, 0.975
REACHED = 0.5
"""Probability of being past the limit now from which it counts as reached."""
LIKELY = 0.5
"""Probability within the horizon from which the limit is expected."""
UNLIKELY = 0.2
"""Probability within the horizon under which it is called not within the horizon."""
SURE = 0.8
"""Probability within the horizon from which it is expected, however wide the interval."""
PLANNABLE = 12.0
"""Under that, an interval whose ends differ by more than this factor is no date to plan with."""
HORIZON_KM = 30_000.0
"""How far ahead one looks: a year or two. Beyond that a slope seen over months says little. [km]"""


@dataclass(frozen=True, slots=True)
class Limits:
    """What is asked of a forecast.

    Parameters
    ----------
    limit : float
        Size of harm; its sign is set by ``concern``. [the level's unit]
    concern : "low", "high" or "both"
        Direction that harms.
    horizon_km, service_in_km : float
        How far to look, and how far off the next service is (None: not known). [km]
    """

    limit: float
    concern: Concern
    horizon_km: float = HORIZON_KM
    service_in_km: float | None = None


def forecast(
    state: DriftState,
    limits: Limits,
    usage: Usage | None,
    as_of: date,
    odometer_km: float | None = None,
) -> Forecast:
    """Say when the limit is reached, or why that can not be said.

    Parameters
    ----------
    state : DriftState
        Of the drift after the last drive.
    limits : Limits
        Which limit, which direction, how far ahead.
    usage : Usage or None
        Distance per week; without it there are no dates.
    as_of : date
        The day of the last drive.
    odometer_km : float or None
        Then; the forecast's kilometres are counted from it (from 0 without). [km]
    """
    size = abs(limits.limit)
    high = size if limits.concern in {"high", "both"} else None
    low = -size if limits.concern in {"low", "both"} else None
    passage = first_passage(state, high, low, limits.horizon_km)
    answer = _answer(passage)
    signed = _towards(state, size, limits.concern)
    common = {
        "limit": signed,
        "horizon_km": limits.horizon_km,
        "probability": passage.within(limits.horizon_km),
        "before_service": _before(passage, limits),
    }
    start = odometer_km or 0.0
    if answer == "reached":
        return Forecast(start, start, start, as_of, as_of, as_of, answer, **common)
    ends = [passage.quantile(share) for share in (LOW, MIDDLE, HIGH)]
    if answer != "expected":
        ends = [ends[0], None, None]
    days = _days(ends, usage, as_of)
    km = [None if end is None else start + end for end in ends]
    return Forecast(km[1], km[0], km[2], days[1], days[0], days[2], answer, **common)


def _answer(passage: Passage) -> ForecastAnswer:
    if passage.within(0.0) >= REACHED:
        return "reached"
    whole = float(passage.probability[-1])
    if whole < UNLIKELY:
        return "not_within_horizon"
    if whole < LIKELY:
        return "too_uncertain"
    return "expected" if whole >= SURE or _plannable(passage) else "too_uncertain"


def _plannable(passage: Passage) -> bool:
    low, high = passage.quantile(LOW), passage.quantile(HIGH)
    far = float(passage.distance[-1]) if high is None else high
    return low is not None and far <= PLANNABLE * max(low, 1.0)


def _towards(state: DriftState, size: float, concern: Concern) -> float:
    """Return the limit with its sign: of the two, the one that the level is heading for."""
    if concern == "both":
        ahead = state.level if state.level != 0.0 else state.slope
        return math.copysign(size, ahead)
    return -size if concern == "low" else size


def _before(passage: Passage, limits: Limits) -> float | None:
    if limits.service_in_km is None:
        return None
    return passage.within(limits.service_in_km)


def _days(ends: list[float | None], usage: Usage | None, as_of: date) -> list[date | None]:
    """Return the days of the interval's ends: distance and usage both uncertain.

    In logarithms the widths of both add up as squares.
    """
    middle = ends[1]
    if usage is None:
        return [None, None, None]
    if middle is None or middle <= 0.0:
        return [_day(as_of, usage.weeks(ends[0], LOW)) if ends[0] else None, None, None]
    centre = usage.weeks(middle, MIDDLE)
    days: list[date | None] = []
    for end, share in zip(ends, (LOW, MIDDLE, HIGH), strict=True):
        if end is None:
            days.append(None)
            continue
        by_distance = math.log(max(end, 1.0) / middle)
        by_usage = math.log(usage.weeks(middle, share) / centre)
        width = math.copysign(math.hypot(by_distance, by_usage), share - MIDDLE)
        days.append(_day(as_of, centre * math.exp(width if share != MIDDLE else 0.0)))
    return days


def _day(as_of: date, weeks: float) -> date | None:
    """Return the day; None where no calendar reaches it."""
    days = 7.0 * weeks
    if days > (date.max - as_of).days:
        return None
    return as_of + timedelta(days=days)
