"""From the state of a drift to the answer an owner can plan with."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.special import ndtri, stdtrit

from healthtrack.forecast.passage import DriftState, Passage, first_passage
from healthtrack.records import FanPoint, Forecast

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
FAN_STEPS = 15
FAN_SHARES = (0.025, 0.25, 0.5, 0.75, 0.975)
"""Quantiles of the level that the fan shows."""
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
    chances = tuple(zip(passage.distance.tolist(), passage.probability.tolist(), strict=True))
    start = odometer_km or 0.0
    ahead = fan(state, limits.horizon_km, usage, as_of, start)
    if answer == "reached":
        return Forecast(
            start, start, start, as_of, as_of, as_of, answer, **common, chances=chances, fan=ahead
        )
    ends = [passage.quantile(share) for share in (LOW, MIDDLE, HIGH)]
    if answer != "expected":
        ends = [ends[0], None, None]
    days = _days(ends, usage, as_of)
    km = [None if end is None else start + end for end in ends]
    return Forecast(
        km[1], km[0], km[2], days[1], days[0], days[2], answer, **common, chances=chances, fan=ahead
    )


def with_trip(foreseen: Forecast, trip_km: float) -> Forecast:
    """Return the forecast with the probability that the limit is reached on a trip from now.

    Parameters
    ----------
    foreseen : Forecast
        As :func:`forecast` gave it; unchanged where nothing could be said.
    trip_km : float
        How far it goes, not beyond the forecast's horizon. [km]

    Raises
    ------
    ValueError
        The trip is not positive, or longer than the horizon.
    """
    if not foreseen.chances:
        return foreseen
    distance, probability = np.array(foreseen.chances).T
    if not 0.0 < trip_km <= distance[-1]:
        raise ValueError(f"a trip of {trip_km:g} km does not lie within 0 to {distance[-1]:g} km")
    return replace(foreseen, before_trip=Passage(distance, probability).within(trip_km))


def fan(
    state: DriftState, horizon_km: float, usage: Usage | None, as_of: date, start_km: float
) -> tuple[FanPoint, ...]:
    """Return how the level is distributed ahead, from now to the horizon.

    The model of :func:`healthtrack.forecast.passage.first_passage` is linear with errors of one
    scale, so the level at a distance h has Student's t distribution (a normal one where the scale
    is known): middle level + slope·h, squared scale that of both, 2·covariance·h, plus walk·h for
    the wander and pace·h³/3 for a slope that is itself a random walk.

    Parameters
    ----------
    state : DriftState
        Level and slope now.
    horizon_km, start_km : float
        How far ahead, and the odometer now. [km]
    usage : Usage or None
        For the days; without it they are None.
    as_of : date
        Now.
    """
    points = []
    exactly = math.isinf(state.freedom)
    shares = ndtri(FAN_SHARES) if exactly else stdtrit(state.freedom, FAN_SHARES)
    for step in range(FAN_STEPS + 1):
        ahead = horizon_km * step / FAN_STEPS
        h = ahead / 10_000.0
        middle = state.level + state.slope * h
        variance = state.level_variance + 2.0 * state.covariance * h + state.slope_variance * h**2
        variance += state.walk_variance * h + state.pace_variance * h**3 / 3.0
        sd = math.sqrt(max(variance, 0.0))
        on = as_of if step == 0 else _day(as_of, usage.weeks(ahead, MIDDLE)) if usage else None
        levels = (middle + float(share) * sd for share in shares)
        points.append(FanPoint(start_km + ahead, on, *levels))
    return tuple(points)


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
