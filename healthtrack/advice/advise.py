"""From causes to sentences: what to check first, what it tells, and what to mind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.advice.checks import load
from healthtrack.diagnosis import CAUSES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.advice.checks import Check, Checks
    from healthtrack.records import CauseFinding, Diagnosis, IndicatorFinding, NotObservable

WORTH_CHECKING = 0.15
"""Probability from which a cause's checks are proposed."""
MOST_CAUSES = 3
MOST_CHECKS = 4
"""Checks per cause: what comes after is for whoever has done these."""
SETTLED = 0.9
"""Probability from which what would tell causes apart need not be said any more."""
MOST_LOOKS = 2


def advise(diagnosis: Diagnosis, not_observable: Sequence[NotObservable] = ()) -> tuple[str, ...]:
    """Say what to do, in the order in which to do it.

    Parameters
    ----------
    diagnosis : Diagnosis
        Causes with their probabilities, what is alike, and what would tell them apart.
    not_observable : sequence of NotObservable
        What the vehicle can not show: the last sentences say what logging it would take.

    Returns
    -------
    tuple of str
        Sentences; empty where nothing is wrong. Cautions come before the work they go with, and a
        part's exchange never before a check that could clear it.
    """
    checks = load()
    suspects = suspected(diagnosis.causes)
    if not suspects:
        return ()
    said = [_apart(diagnosis, suspects), *_observations(diagnosis, suspects)]
    said += _cautions(suspects, checks)
    for finding in suspects:
        said += _of_cause(finding, checks)
    said += [
        f"To see {item.indicator.replace('_', ' ')} too, it takes {item.needs}."
        for item in not_observable
    ]
    return tuple(sentence for sentence in said if sentence)


def of_all(found: Sequence[IndicatorFinding]) -> tuple[str, ...]:
    """Say what to look at first where others of its kind moved alike, which no one part explains.

    Wear that all have in common looks the same, so the vehicle's own checks stay.
    """
    alike = [item.together.vehicles for item in found if item.together and item.is_alike]
    if not alike:
        return ()
    sentence = (
        f"Others of its kind ({max(alike)} heard) moved alike: before any part, look at what they "
        "share (fuel, season, software of engines or loggers, a service all have had). If that is "
        "it and it stays, let the healthy period begin after it (baseline_from in the settings); "
        "if nothing is found they may wear alike, and the checks hold for each of them."
    )
    return (sentence,)


def suspected(causes: Sequence[CauseFinding]) -> tuple[CauseFinding, ...]:
    """Return the causes whose checks are worth the effort; none where nothing is likelier wrong."""
    if not causes or causes[0].cause == "none":
        return ()
    known = load().by_cause
    worth = [item for item in causes if item.cause in known and item.probability >= WORTH_CHECKING]
    return tuple(worth[:MOST_CAUSES])


def words(cause: str) -> str:
    """Return a cause in plain words."""
    return CAUSES[cause].words if cause in CAUSES else "something that no cause on the list fits"


def _apart(diagnosis: Diagnosis, suspects: Sequence[CauseFinding]) -> str:
    names = {item.cause for item in suspects}
    for alike in diagnosis.alike:
        if suspects[0].cause in alike and len(names & set(alike)) > 1:
            told = " or ".join(words(name) for name in alike)
            return f"What this vehicle logs can not tell apart whether {told}."
    return ""


def _observations(diagnosis: Diagnosis, suspects: Sequence[CauseFinding]) -> list[str]:
    if len(suspects) == 1 and suspects[0].probability >= SETTLED:
        return []
    return [
        f"To be surer: {look.words} (settles about {100 * look.settles:.0f} % of the doubt)."
        for look in diagnosis.next_observations[:MOST_LOOKS]
    ]


def _of_cause(finding: CauseFinding, checks: Checks) -> list[str]:
    share = f"{100 * finding.probability:.0f} %"
    steps = checks.by_cause[finding.cause][:MOST_CHECKS]
    said = [f"If {words(finding.cause)} ({share}):"] if finding.cause in CAUSES else []
    if not said:
        said = [f"No cause on the list fits ({share}):"]
    said += [_step(number, step) for number, step in enumerate(steps, start=1)]
    return [*said, checks.replace[finding.cause]]


def _step(number: int, check: Check) -> str:
    todo = f"{check.do[0].upper()}{check.do[1:]}"
    return f"{number}. {todo} (about {check.minutes} min): {check.tells}."


def _cautions(suspects: Sequence[CauseFinding], checks: Checks) -> list[str]:
    """Return every caution that the proposed checks call for, once, the workshop's always last."""
    needed = {
        caution
        for finding in suspects
        for check in checks.by_cause[finding.cause][:MOST_CHECKS]
        for caution in check.cautions
    } | {"workshop"}
    return [text for key, text in checks.cautions.items() if key in needed]
