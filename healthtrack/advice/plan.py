"""What to do when, for a whole fleet: from verdicts, forecasts and service intervals."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from healthtrack.advice.advise import suspected, words
from healthtrack.advice.checks import load

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from healthtrack.records import IndicatorFinding, VehicleFinding

SOON = {"alarm": timedelta(days=3), "alert": timedelta(days=14)}
"""By when a check is due after the verdict: an alarm is harmful now, an alert is early."""
BEFORE_LIMIT = timedelta(days=14)
"""How long before the early end of a forecast its work is planned."""


@dataclass(frozen=True, slots=True)
class Service:
    """A routine service that is due, by date or, converted to one, by distance; and the reason."""

    vehicle: str
    due: date
    what: str = "routine service"
    why: str = "due"


@dataclass(frozen=True, slots=True)
class PlanItem:
    """One line of the plan.

    Parameters
    ----------
    key : str
        Stable: the same matter of the same vehicle has it again tomorrow, with another date maybe.
    vehicle, due, what, why : str, date, str, str
        Whose, by when, what to do, and the reason in a sentence.
    """

    key: str
    vehicle: str
    due: date
    what: str
    why: str


def plan(
    findings: Iterable[VehicleFinding], services: Sequence[Service] = ()
) -> tuple[PlanItem, ...]:
    """Return what to do when, the earliest first.

    A forecast that falls before the vehicle's next service is work of its own; one that falls
    later waits for that service, which is then named in its reason.

    Parameters
    ----------
    findings : iterable of VehicleFinding
        The latest of each vehicle.
    services : sequence of Service
        What is due anyway.
    """
    items: list[PlanItem] = [
        PlanItem(f"{item.vehicle}/service/{item.what}", item.vehicle, item.due, item.what, item.why)
        for item in services
    ]
    for finding in findings:
        items += _checks(finding)
        due = [item.due for item in services if item.vehicle == finding.vehicle]
        items += _forecasts(finding, min(due, default=None))
    return tuple(sorted(items, key=lambda item: (item.due, item.vehicle, item.key)))


def table(items: Sequence[PlanItem]) -> list[tuple[str, str, str, str]]:
    """Return the plan as rows of text: date, vehicle, what, why; the first row names them."""
    rows = [(item.due.isoformat(), item.vehicle, item.what, item.why) for item in items]
    return [("due", "vehicle", "what", "why"), *rows]


def _checks(finding: VehicleFinding) -> list[PlanItem]:
    wait = SOON.get(finding.state)
    suspects = suspected(finding.causes)
    if wait is None or not suspects:
        return []
    cause = suspects[0].cause
    first = load().by_cause[cause][0].do
    likely = f"{words(cause)} ({100 * suspects[0].probability:.0f} %)"
    return [
        PlanItem(
            key=f"{finding.vehicle}/check/{cause}",
            vehicle=finding.vehicle,
            due=_raised(finding) + wait,
            what=f"check: {first}",
            why=f"{finding.state}: {likely}",
        )
    ]


def _raised(finding: VehicleFinding) -> date:
    """Return the day from which the time runs: a check that is overdue stays so."""
    raised = [item.raised_on for item in finding.indicators if item.raised_on is not None]
    return min(max(raised, default=finding.as_of), finding.as_of)


def _forecasts(finding: VehicleFinding, service: date | None) -> list[PlanItem]:
    items = []
    for indicator in finding.indicators:
        early = _early(indicator)
        if early is None:
            continue
        due = max(early - BEFORE_LIMIT, finding.as_of)
        why = _why(indicator)
        if service is not None and finding.as_of <= service <= due:
            due, why = service, f"{why}; with the service on {service.isoformat()}"
        items.append(
            PlanItem(
                key=f"{finding.vehicle}/limit/{indicator.indicator}",
                vehicle=finding.vehicle,
                due=due,
                what=f"see to {indicator.indicator.replace('_', ' ')}",
                why=why,
            )
        )
    return items


def _early(indicator: IndicatorFinding) -> date | None:
    foreseen = indicator.forecast
    if foreseen is None or foreseen.answer not in {"expected", "reached"}:
        return None
    return foreseen.limit_on_low or foreseen.limit_on


def _why(indicator: IndicatorFinding) -> str:
    foreseen = indicator.forecast
    if foreseen is None or foreseen.answer == "reached" or foreseen.limit_on is None:
        return "its limit is reached"
    late = foreseen.limit_on_high
    until = f" and {late.isoformat()}" if late else " on"
    between = (
        f"between {foreseen.limit_on_low}{until}"
        if late
        else f"from {foreseen.limit_on_low}{until}"
    )
    return f"its limit is expected about {foreseen.limit_on.isoformat()}, {between}"
