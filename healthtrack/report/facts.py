"""Facts about an indicator that several pages tell: limits, trend, since when, what is ahead."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Literal, NamedTuple

from healthtrack.report import words
from healthtrack.report.numbers import (
    NOTHING,
    THIN,
    decimals_for,
    quantity,
    short_day,
    span,
    two_digits,
)

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.records import Forecast, IndicatorFinding, VehicleFinding


SILENT_GAPS = 5.0
SILENT_LEAST = timedelta(days=21)
"""A vehicle is silent after five of its own usual pauses between drives, but not before 21 days."""


class Slope(NamedTuple):
    """The trend of an indicator as it is written."""

    arrow: Literal[-1, 0, 1]
    value: float
    low: float
    high: float
    per: str


def slope(item: IndicatorFinding, distance: str = "km") -> Slope | None:
    """Return the trend along the odometer, or by the year where there is none.

    ``distance`` is the unit in which the finding counts distances.
    """
    along = f"per 10{THIN}000{THIN}{distance}"
    for value, low, high, per in (
        (
            item.slope_per_10000_km,
            item.slope_low,
            item.slope_high,
            along,
        ),
        (
            item.slope_per_year,
            item.slope_per_year_low,
            item.slope_per_year_high,
            "per year",
        ),
    ):
        if value is not None and low is not None and high is not None:
            arrow: Literal[-1, 0, 1] = 1 if low > 0 else -1 if high < 0 else 0
            return Slope(arrow, value, low, high, per)
    return None


def limit_sides(item: IndicatorFinding) -> tuple[int, ...]:
    """Return on which sides the limit holds: −1 below healthy, 1 above."""
    known = words.declaration(item.indicator)
    if known is not None and known.concern == "both":
        return (-1, 1)
    return (-1,) if (item.limit or 0.0) < 0 else (1,)


def limit_ahead(item: IndicatorFinding) -> float | None:
    """Return the limit with its sign; of two, the one on the level's side."""
    if item.limit is None:
        return None
    sides = limit_sides(item)
    side = sides[0] if len(sides) == 1 else (-1 if (item.level or 0.0) < 0 else 1)
    return side * abs(item.limit)


def limit_decimals(item: IndicatorFinding) -> int:
    """Return the digits that a limit needs: it is a setting, so it is shown as it was set.

    One that was converted gets three digits in all.
    """
    limit = abs(item.limit or 0.0)
    text = f"{limit:.3f}".rstrip("0")
    return min(len(text.partition(".")[2]), two_digits(limit) + 1)


def limit_words(item: IndicatorFinding) -> str:
    """Write the limit with its unit; ± where it holds on both sides."""
    if item.limit is None:
        return NOTHING
    decimals = limit_decimals(item)
    if len(limit_sides(item)) == 2:
        return "±" + quantity(abs(item.limit), item.unit, decimals)
    return quantity(item.limit, item.unit, decimals)


def since_words(item: IndicatorFinding, distance: str = "km") -> str:
    """Say since when, with the interval: as distances where they are known and else as dates."""
    at, on = {
        "step": ("a step at", "a step on"),
        "drift": ("a drift since", "a drift since"),
        "none": ("a change since", "a change since"),
    }[item.kind]
    if item.since_km is not None:
        decimals = min(0, decimals_for(item.since_km_low, item.since_km_high))
        text = f"{at} {quantity(item.since_km, distance, decimals)}"
        if item.since_km_low is not None and item.since_km_high is not None:
            text += f" ({span(item.since_km_low, item.since_km_high, decimals)})"
        return text
    if item.since_on is not None:
        text = f"{on} {short_day(item.since_on)}"
        if item.since_on_low is not None and item.since_on_high is not None:
            text += f" ({short_day(item.since_on_low)} to {short_day(item.since_on_high)})"
        return text
    return ""


def others_words(item: IndicatorFinding) -> str:
    """Say what others of its kind did meanwhile; empty where they were not asked or too few."""
    told = item.together
    if told is None:
        return ""
    decimals = decimals_for(item.low, item.high)  # as finely as the level
    shared = quantity(told.shared, item.unit, decimals, sign=True)
    return (
        f"others of its kind ({told.vehicles} heard): {shared} "
        f"({span(told.shared_low, told.shared_high, decimals)})"
    )


def is_foreseen(far: Forecast) -> bool:
    """Return whether a forecast has a place on the axis; what is reached or unsure has none."""
    return far.answer in ("expected", "not_asked") and (
        far.limit_km is not None or far.limit_on is not None
    )


def is_silent(finding: VehicleFinding, as_of: date) -> bool:
    """Return whether a vehicle has not been heard of for much longer than it usually pauses."""
    if finding.last_drive is None or finding.first_drive is None:
        return True
    life = finding.last_drive - finding.first_drive
    usual = life / max(finding.drives - 1, 1)
    pause = as_of - finding.last_drive.date()
    return pause > max(SILENT_LEAST, SILENT_GAPS * usual)
