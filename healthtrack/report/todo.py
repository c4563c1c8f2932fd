"""What to do: the first steps on page one, all checks in order of effort further on."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from healthtrack.advice.checks import load
from healthtrack.report import style, words
from healthtrack.report.facts import is_foreseen, is_silent
from healthtrack.report.numbers import day, quantity, typeset

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.records import IndicatorFinding, VehicleFinding
    from healthtrack.report.flow import Flow

FIRST_STEPS = 2
"""Steps on page one: more are for whoever has done these."""

_STEP = re.compile(r"^\d+\. ")


@dataclass
class Work:
    """Checks for one suspected cause, and what comes after them."""

    heading: str
    steps: list[str] = field(default_factory=list)
    closing: list[str] = field(default_factory=list)


@dataclass
class Sorted:
    """Advice by what it is: cautions, what to know first, and the work per cause."""

    cautions: list[str] = field(default_factory=list)
    first: list[str] = field(default_factory=list)
    work: list[Work] = field(default_factory=list)


def sort_advice(advice: Sequence[str]) -> Sorted:
    """Sort the sentences of :func:`healthtrack.advice.advise`; others count as steps to take first.

    What it would take to see more is left out: it stands under what could not be observed.
    """
    known = set(load().cautions.values())
    found = Sorted()
    for sentence in advice:
        if sentence in known:
            found.cautions.append(sentence)
        elif sentence.endswith(":"):
            found.work.append(Work(sentence))
        elif _STEP.match(sentence) and found.work:
            found.work[-1].steps.append(_STEP.sub("", sentence))
        elif sentence.startswith("To see ") and ", it takes " in sentence:
            continue
        elif found.work:
            found.work[-1].closing.append(sentence)
        else:
            found.first.append(sentence)
    return found


def due(finding: VehicleFinding) -> tuple[date, str] | None:
    """Return the day from which a limit may be reached, and whose, where one is foreseen."""
    days = []
    for item in finding.indicators:
        far = item.forecast
        if far is not None and is_foreseen(far):
            day_ = far.limit_on_low or far.limit_on
            if day_ is not None:
                days.append((day_, words.label(item.indicator)))
    return min(days, default=None)


def by_when(finding: VehicleFinding, distance: str = "km") -> str:
    """Say by when the work is to be done; empty where nothing is raised.

    ``distance`` is the unit in which the finding counts distances.
    """
    passed = [item for item in finding.indicators if item.state == "alarm"]
    raised = [item for item in finding.indicators if item.state == "alert"]
    if passed:
        names = _named(passed)
        return f"Do it before long journeys and heavy loads: {names} past the limit already."
    if not raised:
        return ""
    soonest = due(finding)
    if soonest is not None:
        on, label = soonest
        if on <= finding.as_of:
            return f"Do it now: {label.lower()} may reach its limit any day."
        return f"Do it before {day(on)}: {label.lower()} may reach its limit then."
    within = _out_of_sight(raised, distance)
    if within:
        return f"No limit is foreseen{within}: the next service is soon enough."
    return "No day can be told by which a limit is reached: do it at the next opportunity."


def _named(items: Sequence[IndicatorFinding]) -> str:
    names = [words.label(item.indicator).lower() for item in items]
    if len(names) == 1:
        return f"{names[0]} is"
    return f"{', '.join(names[:-1])} and {names[-1]} are"


def _out_of_sight(raised: Sequence[IndicatorFinding], distance: str) -> str:
    """Say within what distance no limit is reached, where that can be said of all of them."""
    horizons = [
        item.forecast.horizon_km or 0.0
        for item in raised
        if item.forecast is not None and item.forecast.answer == "not_within_horizon"
    ]
    if len(horizons) < len(raised):
        return ""
    far = min(horizons)
    return f" within {quantity(far, distance, -3)}" if far else " for now"


def silence(finding: VehicleFinding) -> str:
    """Say that a vehicle has not been heard of for long; empty where it has, or never was."""
    if finding.last_drive is None or not is_silent(finding, finding.as_of):
        return ""
    return (
        f"No drive has come since {day(finding.last_drive.date())}, so this is how it stood then: "
        "see whether the logger still works."
    )


def draw_next(flow: Flow, finding: VehicleFinding) -> None:
    """Write what to do next, and by when, short enough for page one."""
    flow.heading("What to do next")
    advice = sort_advice(words.next_steps(finding))
    when = by_when(finding, flow.units.distance) if finding.advice else ""
    silent = silence(finding)
    if not advice.work:
        steps = [typeset(step) for step in (silent, *advice.first, when) if step]
        flow.items(steps, numbered=len(steps) > 1)
        _mind(flow, advice.cautions)
        return
    steps = [typeset(step) for step in (silent, when, *advice.first) if step]
    _mind(flow, advice.cautions)
    flow.items([*steps, *map(typeset, advice.work[0].steps[:FIRST_STEPS])], numbered=True)
    flow.paragraph(
        "All checks, in order of effort, stand further on under “Checks”.",
        style.SMALL,
        colour=style.SOFT,
    )


def _mind(flow: Flow, cautions: Sequence[str]) -> None:
    """Write cautions before the work they go with."""
    if cautions:
        flow.paragraph(" ".join(map(typeset, cautions)), style.SMALL, colour=style.SOFT)
        flow.space(1.4)


def draw_checks(flow: Flow, finding: VehicleFinding) -> None:
    """Write all checks, each with what it tells, where there are more than page one shows."""
    advice = sort_advice(finding.advice)
    if not advice.work:
        return
    flow.space(3.0)
    flow.heading("Checks", with_next=24.0, aside="in order of effort, for the causes in question")
    flow.bookmark("Checks")
    _mind(flow, advice.cautions)
    for work in advice.work:
        flow.need(style.STRONG.leading + 2 * style.BODY.leading)
        flow.paragraph(typeset(work.heading), style.STRONG)
        flow.space(0.8)
        flow.items(map(typeset, work.steps), style.SMALL, numbered=True)
        for sentence in work.closing:
            flow.paragraph(typeset(sentence), style.SMALL, indent=5.5)
        flow.space(1.0)
