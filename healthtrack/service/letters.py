"""What the service writes to people: reports, alerts, digests, escalations, trouble. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from healthtrack.report import numbers, words
from healthtrack.service.page import Block, Page

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from healthtrack.config import VehicleSettings
    from healthtrack.records import IndicatorFinding, VehicleFinding
    from healthtrack.store import Episode

_STATES = {
    "normal": "normal",
    "alert": "alert",
    "alarm": "alarm",
    "learning": "still learning",
    "no_data": "not enough data",
}


def report_page(
    finding: VehicleFinding,
    vehicle: VehicleSettings,
    before: Mapping[str, Any] | None,
    episodes: Sequence[Episode],
) -> Page:
    """Return the words that go with a vehicle's report.

    Parameters
    ----------
    finding : VehicleFinding
        What is reported.
    vehicle : VehicleSettings
        For its name.
    before : mapping or None
        The verdict that the report before rested on (see
        :func:`healthtrack.jobs.findings.finding_as_dict`); None where there was none.
    episodes : sequence of Episode
        Alerts of the vehicle that are open.
    """
    name = words.vehicle_title(finding, vehicle)
    return Page(
        f"{name}: {_STATES[finding.state]}, as of {numbers.day(finding.as_of)}",
        (
            Block(sentences=(numbers.typeset(finding.reason),)),
            _indicators(finding),
            Block("Since the last report", changes(before, finding), listed=True),
            Block("Open alerts", tuple(_open(one) for one in episodes), listed=True),
            _next(finding),
            _cautions(),
        ),
    )


def alert_page(
    finding: VehicleFinding,
    vehicle: VehicleSettings,
    before: Mapping[str, Any] | None,
    told: Sequence[Episode],
) -> Page:
    """Return an alert: what was raised, what changed since the last verdict, what to do."""
    name = words.vehicle_title(finding, vehicle)
    worst = "Alarm" if any(one.state == "alarm" for one in told) else "Alert"
    labels = ", ".join(words.label(one.indicator).lower() for one in told)
    by_name = {item.indicator: item for item in finding.indicators}
    lines = tuple(_raised(one, by_name.get(one.indicator)) for one in told)
    acknowledge = (
        f"Run `healthtrack acknowledge {finding.vehicle}` when you have taken note; an alarm that "
        "nobody acknowledges goes to further people."
    )
    return Page(
        f"{worst}: {name}, {labels}",
        (
            Block(sentences=(numbers.typeset(finding.reason),)),
            Block("What was raised", lines, listed=True),
            _indicators(finding),
            Block("What changed since the last verdict", changes(before, finding), listed=True),
            _next(finding),
            Block(sentences=(acknowledge,)),
            _cautions(),
        ),
    )


def digest_page(
    findings: Sequence[VehicleFinding],
    names: Mapping[str, str],
    before: Mapping[str, Mapping[str, Any]],
    as_of: date,
) -> Page:
    """Return one letter on all vehicles, the worst first.

    ``before`` holds the verdict that the digest before rested on, by vehicle.
    """
    order = {state: place for place, state in enumerate(("alarm", "alert", "no_data"))}
    ordered = sorted(findings, key=lambda one: (order.get(one.state, 9), one.vehicle))
    rows = [("Vehicle", "State", "Why")]
    rows += [
        (names[one.vehicle], _STATES[one.state], numbers.typeset(one.reason)) for one in ordered
    ]
    changed = [
        f"{names[one.vehicle]}: {line[:1].lower()}{line[1:]}"
        for one in ordered
        for line in changes(before.get(one.vehicle), one)
        if one.vehicle in before and line != _SAME
    ]
    worst = sum(one.state in {"alarm", "alert"} for one in findings)
    told = numbers.count(worst, "vehicle needs", "vehicles need") if worst else "no vehicle needs"
    return Page(
        f"Fleet as of {numbers.day(as_of)}: {told} attention",
        (
            Block(table=tuple(rows)),
            Block("Since the last digest", tuple(changed) or (_SAME,), listed=True),
            _cautions(),
        ),
    )


def escalation_page(episodes: Sequence[Episode], name: str, hours: float) -> Page:
    """Return what goes to further people when nobody acknowledged an alarm."""
    vehicle = episodes[0].vehicle
    return Page(
        f"Alarm without an answer: {name}",
        (
            Block(
                sentences=(
                    (
                        f"Nobody has acknowledged this for {hours:g} hours. Ask who looks after "
                        f"{name}, then run `healthtrack acknowledge {vehicle}`."
                    ),
                )
            ),
            Block("What was raised", tuple(_open(one) for one in episodes), listed=True),
            _cautions(),
        ),
    )


def trouble_page(job: str, failures: int, message: str) -> Page:
    """Return what the operator hears when a job keeps failing."""
    return Page(
        f"healthtrack: {job} failed {failures} times in a row",
        (
            Block(sentences=(f"The last time it said: {message}",)),
            Block(
                sentences=(
                    (
                        "The other jobs go on, and this one is tried again, at growing intervals. "
                        "`healthtrack status` and `healthtrack check` show how things stand."
                    ),
                )
            ),
        ),
    )


_SAME = "No verdict has changed."


def changes(before: Mapping[str, Any] | None, finding: VehicleFinding) -> tuple[str, ...]:
    """Return in sentences what differs from an earlier verdict."""
    if before is None:
        return ("This is the first verdict.",)
    lines = []
    if before["state"] != finding.state:
        lines.append(f"Verdict: {_STATES[before['state']]} → {_STATES[finding.state]}.")
    earlier = {item["indicator"]: item for item in before["indicators"]}
    for item in finding.indicators:
        lines += _indicator_change(earlier.get(item.indicator), item)
    likely = max(finding.causes, key=lambda cause: cause.probability, default=None)
    was = max(before["causes"], key=lambda cause: cause["probability"] or 0, default=None)
    if likely is not None and (was is None or was["cause"] != likely.cause):
        share = numbers.percent(likely.probability)
        lines.append(f"Most likely cause now: {words.cause(likely.cause).lower()} ({share}).")
    drives = finding.drives - before["drives"]
    if drives > 0:
        lines.append(f"{numbers.count(drives, 'more drive')} since then.")
    return tuple(lines) or (_SAME,)


def _indicator_change(before: Mapping[str, Any] | None, item: IndicatorFinding) -> list[str]:
    label = words.label(item.indicator)
    if before is None:
        return [f"{label} is watched for the first time."]
    level = ""
    if before["level"] is not None and item.level is not None:
        decimals = numbers.decimals_for(item.low, item.high)
        was = numbers.quantity(before["level"], item.unit, decimals, sign=True)
        level = f" (level {was} → {numbers.quantity(item.level, item.unit, decimals, sign=True)})"
    if before["state"] != item.state:
        return [f"{label}: {_STATES[before['state']]} → {_STATES[item.state]}{level}."]
    return [f"{label}: still {_STATES[item.state]}{level}."] if item.state in _SERIOUS else []


_SERIOUS = {"alert", "alarm"}
MOST_PICTURES = 3


def _indicators(finding: VehicleFinding) -> Block:
    rows = [("Indicator", "State", "Level", "95 % band")]
    for item in finding.indicators:
        decimals = numbers.decimals_for(item.low, item.high)
        known = item.level is not None
        rows.append(
            (
                words.label(item.indicator),
                _STATES[item.state],
                numbers.quantity(item.level, item.unit, decimals, sign=True) if known else "–",
                numbers.span(item.low, item.high, decimals) if known else "–",
            )
        )
    pictures = tuple(
        (name, f"{words.label(name)}: level, band and limit over the years")
        for name in moved(finding)
    )
    return Block(table=tuple(rows) if len(rows) > 1 else (), pictures=pictures)


def moved(finding: VehicleFinding) -> tuple[str, ...]:
    """Return the indicators whose trends a letter shows: those of concern, the worst first."""
    shown = [
        item
        for state in ("alarm", "alert")
        for item in finding.indicators
        if item.state == state and item.trend is not None
    ]
    return tuple(item.indicator for item in shown[:MOST_PICTURES])


def _raised(episode: Episode, item: IndicatorFinding | None) -> str:
    label = words.label(episode.indicator)
    line = f"{label}: {episode.state} since {numbers.day(episode.raised_on)}"
    if item is not None and item.level is not None:
        decimals = numbers.decimals_for(item.low, item.high)
        level = numbers.quantity(item.level, item.unit, decimals, sign=True)
        line += f", now {level} (95 % band {numbers.span(item.low, item.high, decimals)}"
        if item.limit is not None:
            line += f"; limit {numbers.quantity(item.limit, item.unit, 1, sign=True)}"
        line += ")"
    if (
        episode.worst == "alarm"
        and episode.first_level is not None
        and episode.opened != episode.told
    ):
        first = numbers.quantity(episode.first_level, episode.unit, 1, sign=True)
        line += f"; it began as an alert at {first}"
    return f"{line}."


def _open(episode: Episode) -> str:
    line = f"{words.label(episode.indicator)}: {episode.state}"
    line += f" since {numbers.day(episode.raised_on)}"
    if episode.first_level is not None and episode.level is not None:
        first = numbers.quantity(episode.first_level, episode.unit, 1, sign=True)
        now = numbers.quantity(episode.level, episode.unit, 1, sign=True)
        line += f", level {first} then and {now} now"
    if episode.acknowledged is not None:
        line += f", acknowledged by {episode.acknowledged_by}"
    return f"{line}."


def _next(finding: VehicleFinding) -> Block:
    return Block("What to do", words.next_steps(finding), listed=True)


def _cautions() -> Block:
    return Block("Mind", words.CAUTIONS, listed=True, small=True)
