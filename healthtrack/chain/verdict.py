"""The one line on top: the state of a vehicle, and the sentence that explains it."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from healthtrack import indicators
from healthtrack.diagnosis import CAUSES
from healthtrack.records import moved_alike

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from healthtrack.records import (
        CauseFinding,
        Diagnosis,
        IndicatorFinding,
        State,
        VehicleHistory,
    )

CONCERNS: tuple[State, ...] = ("alarm", "alert")
LIKELY = 0.5
"""Probability from which one cause is named alone in the verdict."""
POSSIBLE = 0.2
"""Probability from which a cause is named among others."""


def verdict(
    history: VehicleHistory, found: Sequence[IndicatorFinding], diagnosis: Diagnosis
) -> tuple[State, str]:
    """Return the worst state of all indicators and one sentence why.

    Parameters
    ----------
    history : VehicleHistory
        Up to the day.
    found : sequence of IndicatorFinding
        Of all indicators that can be observed.
    diagnosis : Diagnosis
        May be empty.
    """
    if not history.drives.height:
        return "no_data", "no drives are stored yet: drop logs into the inbox and ingest them"
    if not found or not history.windows.height:
        return "no_data", _nothing_usable(history)
    judged = [item for item in found if item.state not in {"learning", "no_data"}]
    if not judged:
        return "learning", found[0].reason
    for state in CONCERNS:
        if any(item.state == state for item in judged):
            return state, concern(judged, diagnosis.causes)
    return "normal", _healthy(judged)


def concern(found: Sequence[IndicatorFinding], causes: Sequence[CauseFinding]) -> str:
    """Return the sentence of a vehicle at alert or alarm: what moved, since when, and why."""
    worst = [item for state in CONCERNS for item in found if item.state == state]
    said = _listed([_moved(item) for item in worst])
    # the one that was raised first has had the longest time to tell when it began
    begun = _since(min(worst, key=_raised))
    sentence = f"{said[0].upper()}{said[1:]}{begun}"
    if moved_alike(worst):
        shared = f"{_others(worst[0])} moved alike: look first at what they share"
        return f"{sentence}; {shared}; if it is a part, {_why(causes)}"
    return f"{sentence}{_in_common(worst)}; {_why(causes)}"


def _why(causes: Sequence[CauseFinding]) -> str:
    named = [item for item in causes if item.cause in CAUSES and item.probability >= POSSIBLE]
    if not named:
        return "no single cause fits yet"
    if named[0].probability >= LIKELY:
        share = f"{100 * named[0].probability:.0f} %"
        return f"most likely {CAUSES[named[0].cause].words} ({share})"
    words = " or ".join(CAUSES[item.cause].words for item in named[:3])
    return f"possibly {words}"


def _others(item: IndicatorFinding) -> str:
    assert item.together is not None, "asked only where others were heard"
    return f"others of its kind ({item.together.vehicles} heard)"


def _in_common(worst: Sequence[IndicatorFinding]) -> str:
    """Say how far others of its kind moved with it, where they did."""
    shared = [
        item
        for item in worst
        if item.together is not None and item.together.kind in {"alike", "partly"}
    ]
    if not shared:
        return ""
    item, told = shared[0], shared[0].together
    assert told is not None
    smaller, larger = sorted((abs(told.shared_low), abs(told.shared_high)))
    unit = f" {item.unit}" if item.unit else ""
    what = "it" if len(worst) == 1 else _label(item)
    return (
        f"; of late {what} moved by {abs(told.moved):.1f}{unit}, {_others(item)} by "
        f"{abs(told.shared):.1f}{unit} ({smaller:.1f} to {larger:.1f})"
    )


def _raised(item: IndicatorFinding) -> tuple[date, date]:
    return item.raised_on or date.max, item.since_on or date.max


def _moved(item: IndicatorFinding) -> str:
    level, low, high = item.level or 0.0, item.low or 0.0, item.high or 0.0
    direction = "below" if level < 0 else "above"
    unit = f" {item.unit}" if item.unit else ""
    smaller, larger = sorted((abs(low), abs(high)))
    harm = ", beyond its limit" if item.state == "alarm" else ""
    return (
        f"{_label(item)} is {abs(level):.1f}{unit} {direction} healthy "
        f"({smaller:.1f} to {larger:.1f}){harm}"
    )


def _since(item: IndicatorFinding) -> str:
    if item.since_km is not None:
        where = f"about {_thousands(item.since_km)} km"
    elif item.since_on is not None:
        where = f"about {item.since_on.day} {item.since_on:%B %Y}"
    else:
        return ""
    return f", all at once at {where}" if item.kind == "step" else f", gradually since {where}"


def _thousands(km: float) -> str:
    return f"{round(km, -2):,.0f}".replace(",", " ")


def _healthy(judged: Sequence[IndicatorFinding]) -> str:
    sharp = [item for item in judged if _half_band(item) <= abs(item.limit or 0.0)]
    blurred = [item for item in judged if item not in sharp]
    parts = []
    if sharp:
        names = _listed([_label(item) for item in sharp])
        are = "is" if len(sharp) == 1 else "are"
        parts.append(f"{names[0].upper()}{names[1:]} {are} as healthy")
        percents = [_half_band(item) for item in sharp if item.unit == "%"]
        if percents:
            parts[-1] += f", known to ±{max(percents):.1f} % or better"
    if blurred:
        parts.append(f"too uncertain to say: {_listed([_label(item) for item in blurred])}")
    return "; ".join(parts)


def _half_band(item: IndicatorFinding) -> float:
    return ((item.high or 0.0) - (item.low or 0.0)) / 2


def _label(item: IndicatorFinding) -> str:
    return indicators.ALL[item.indicator].label.lower()


def _listed(names: Iterable[str]) -> str:
    words = list(names)
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _nothing_usable(history: VehicleHistory) -> str:
    most = max(history.losses, key=lambda loss: loss.count, default=None)
    why = f"; most was lost as {most.reason.replace('_', ' ')}" if most else ""
    return f"{history.drives.height} drives hold no steady window of the warm engine{why}"
