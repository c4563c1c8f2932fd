"""What to do: the first steps on page one, all checks in order of effort further on."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from healthtrack.advice.checks import load
from healthtrack.report import style, words
from healthtrack.report.facts import is_foreseen
from healthtrack.report.numbers import day, typeset

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.records import VehicleFinding
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
            if day_ is not None and day_ > finding.as_of:
                days.append((day_, words.label(item.indicator)))
    return min(days, default=None)


def draw_next(flow: Flow, finding: VehicleFinding) -> None:
    """Write what to do next, and by when, short enough for page one."""
    flow.heading("What to do next")
    advice = sort_advice(words.next_steps(finding))
    by = due(finding) if finding.state in ("alert", "alarm") else None
    when = f"Do it before {day(by[0])}: {by[1].lower()} may reach its limit then." if by else ""
    if not advice.work:
        steps = [typeset(step) for step in (*advice.first, *([when] if when else []))]
        flow.items(steps, numbered=len(steps) > 1)
        _mind(flow, advice.cautions)
        return
    steps = [*([when] if when else []), *(typeset(sentence) for sentence in advice.first)]
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
