"""What the service writes to people: reports, alerts, digests, escalations, trouble. Pure.

Quantities stand in the reader's units and number marks, as in the report that goes with a letter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from healthtrack.report import numbers, words
from healthtrack.report.facts import limit_words
from healthtrack.report.reader import PLAIN_READER, Reader
from healthtrack.report.shown import in_units
from healthtrack.report.todo import by_when, silence, sort_advice
from healthtrack.service.page import Block, Page

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
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
    reader: Reader = PLAIN_READER,
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
    reader : Reader
        In whose units and number marks it is written.
    """
    name = words.vehicle_title(finding, vehicle)
    finding = in_units(finding, reader.units)
    return Page(
        f"{name}: {_STATES[finding.state]}, as of {numbers.day(finding.as_of)}",
        (
            Block(sentences=(_verdict(finding, reader),)),
            _indicators(finding, reader),
            Block("Since the last report", changes(before, finding, reader), listed=True),
            Block("Open alerts", tuple(_open(one, reader) for one in episodes), listed=True),
            *_next(finding, reader),
            _cautions(),
        ),
    )


def alert_page(
    finding: VehicleFinding,
    vehicle: VehicleSettings,
    before: Mapping[str, Any] | None,
    told: Sequence[Episode],
    reader: Reader = PLAIN_READER,
) -> Page:
    """Return an alert: what was raised, what changed since the last verdict, what to do."""
    name = words.vehicle_title(finding, vehicle)
    finding = in_units(finding, reader.units)
    worst = "Alarm" if any(one.state == "alarm" for one in told) else "Alert"
    labels = ", ".join(words.label(one.indicator).lower() for one in told)
    by_name = {item.indicator: item for item in finding.indicators}
    lines = tuple(_raised(one, by_name.get(one.indicator), reader) for one in told)
    acknowledge = (
        f"Run `healthtrack acknowledge {finding.vehicle}` when you have taken note; an alarm that "
        "nobody acknowledges goes to further people."
    )
    return Page(
        f"{worst}: {name}, {labels}",
        (
            Block(sentences=(_verdict(finding, reader),)),
            Block("What was raised", lines, listed=True),
            _indicators(finding, reader),
            Block(
                "What changed since the last verdict",
                changes(before, finding, reader),
                listed=True,
            ),
            *_next(finding, reader),
            Block(sentences=(acknowledge,)),
            _cautions(),
        ),
    )


def digest_page(
    findings: Sequence[VehicleFinding],
    names: Mapping[str, str],
    before: Mapping[str, Mapping[str, Any]],
    as_of: date,
    reader: Reader = PLAIN_READER,
) -> Page:
    """Return one letter on all vehicles, the worst first.

    ``before`` holds the verdict that the digest before rested on, by vehicle.
    """
    order = {state: place for place, state in enumerate(("alarm", "alert", "no_data"))}
    ordered = [
        in_units(finding, reader.units)
        for finding in sorted(findings, key=lambda one: (order.get(one.state, 9), one.vehicle))
    ]
    rows = [("Vehicle", "State", "Why")]
    rows += [(names[one.vehicle], _STATES[one.state], _verdict(one, reader)) for one in ordered]
    changed = [
        f"{names[one.vehicle]}: {line[:1].lower()}{line[1:]}"
        for one in ordered
        for line in changes(before.get(one.vehicle), one, reader)
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


def escalation_page(
    episodes: Sequence[Episode], name: str, hours: float, reader: Reader = PLAIN_READER
) -> Page:
    """Return what goes to further people when nobody acknowledged an alarm."""
    vehicle = episodes[0].vehicle
    return Page(
        f"Alarm without an answer: {name}",
        (
            Block(
                sentences=(
                    (
                        f"Nobody has acknowledged this for {reader.marks.written(f'{hours:g}')} "
                        "hours. Ask who looks after "
                        f"{name}, then run `healthtrack acknowledge {vehicle}`."
                    ),
                )
            ),
            Block("What was raised", tuple(_open(one, reader) for one in episodes), listed=True),
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


def changes(
    before: Mapping[str, Any] | None, finding: VehicleFinding, reader: Reader = PLAIN_READER
) -> tuple[str, ...]:
    """Return in sentences what differs from an earlier verdict.

    ``before`` is as the store keeps it, ``finding`` in the reader's units already.
    """
    if before is None:
        return ("This is the first verdict.",)
    lines = []
    if before["state"] != finding.state:
        lines.append(f"Verdict: {_STATES[before['state']]} → {_STATES[finding.state]}.")
    earlier = {item["indicator"]: item for item in before["indicators"]}
    for item in finding.indicators:
        lines += _indicator_change(earlier.get(item.indicator), item, reader)
    likely = max(finding.causes, key=lambda cause: cause.probability, default=None)
    was = max(before["causes"], key=lambda cause: cause["probability"] or 0, default=None)
    if likely is not None and (was is None or was["cause"] != likely.cause):
        share = numbers.percent(likely.probability)
        lines.append(f"Most likely cause now: {words.cause(likely.cause).lower()} ({share}).")
    drives = finding.drives - before["drives"]
    if drives > 0:
        lines.append(f"{numbers.count(drives, 'more drive')} since then.")
    return tuple(map(reader.marks.written, lines)) or (_SAME,)


def _indicator_change(
    before: Mapping[str, Any] | None, item: IndicatorFinding, reader: Reader
) -> list[str]:
    label = words.label(item.indicator)
    if before is None:
        return [f"{label} is watched for the first time."]
    level = ""
    if before["level"] is not None and item.level is not None:
        decimals = numbers.decimals_for(item.low, item.high)
        earlier = before["level"] * reader.units.factor(before["unit"])
        was = numbers.quantity(earlier, item.unit, decimals, sign=True)
        level = f" (level {was} → {numbers.quantity(item.level, item.unit, decimals, sign=True)})"
    if before["state"] != item.state:
        return [f"{label}: {_STATES[before['state']]} → {_STATES[item.state]}{level}."]
    return [f"{label}: still {_STATES[item.state]}{level}."] if item.state in _SERIOUS else []


_SERIOUS = {"alert", "alarm"}
MOST_PICTURES = 3


def _verdict(finding: VehicleFinding, reader: Reader) -> str:
    return reader.marks.written(numbers.typeset(finding.reason))


def _indicators(finding: VehicleFinding, reader: Reader) -> Block:
    rows: list[tuple[str, ...]] = [("Indicator", "State", "Level", "95 % band")]
    for item in finding.indicators:
        decimals = numbers.decimals_for(item.low, item.high)
        known = item.level is not None
        level = numbers.quantity(item.level, item.unit, decimals, sign=True) if known else "–"
        band = numbers.span(item.low, item.high, decimals) if known else "–"
        told = (words.label(item.indicator), _STATES[item.state], level, band)
        rows.append(tuple(map(reader.marks.written, told)))
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


def _raised(episode: Episode, item: IndicatorFinding | None, reader: Reader) -> str:
    label = words.label(episode.indicator)
    line = f"{label}: {episode.state} since {numbers.day(episode.raised_on)}"
    if item is not None and item.level is not None:
        decimals = numbers.decimals_for(item.low, item.high)
        level = numbers.quantity(item.level, item.unit, decimals, sign=True)
        line += f", now {level} (95 % band {numbers.span(item.low, item.high, decimals)}"
        if item.limit is not None:
            line += f"; limit {limit_words(item)}"
        line += ")"
    if (
        episode.worst == "alarm"
        and episode.first_level is not None
        and episode.opened != episode.told
    ):
        line += f"; it began as an alert at {_level(episode, episode.first_level, reader)}"
    return reader.marks.written(f"{line}.")


def _level(episode: Episode, level: float, reader: Reader) -> str:
    """Write a level of an episode, which is kept in the store's unit and without its band."""
    return reader.units.sentence(numbers.quantity(level, episode.unit, 1, sign=True))


def _open(episode: Episode, reader: Reader) -> str:
    line = f"{words.label(episode.indicator)}: {episode.state}"
    line += f" since {numbers.day(episode.raised_on)}"
    if episode.first_level is not None and episode.level is not None:
        first = _level(episode, episode.first_level, reader)
        now = _level(episode, episode.level, reader)
        line += f", level {first} then and {now} now"
    line = reader.marks.written(line)
    if episode.acknowledged is not None:
        line += f", acknowledged by {episode.acknowledged_by}"
    return f"{line}."


def _next(finding: VehicleFinding, reader: Reader) -> tuple[Block, ...]:
    """Say what to do, as page one of the report does: by when, with what care, and in which order.

    What could not be observed stands last.
    """

    def written(told: Iterable[str]) -> tuple[str, ...]:
        return tuple(reader.marks.written(numbers.typeset(sentence)) for sentence in told)

    advice = sort_advice(words.next_steps(finding))
    when = by_when(finding, reader.units.distance) if finding.advice else ""
    first = written(step for step in (silence(finding), when, *advice.first) if step)
    care = written([" ".join(advice.cautions)] if advice.cautions else [])
    blocks = [Block("What to do", first or care, listed=bool(first))]
    if first and care:
        blocks.append(Block(sentences=care, small=True))
    for work in advice.work:
        heading = reader.marks.written(numbers.typeset(work.heading).rstrip(".:"))
        blocks.append(Block(heading, written(work.steps), numbered=True))
        blocks.append(Block(sentences=written(work.closing)))
    needs = [
        f"{words.label(item.indicator)}: needs {item.needs}" for item in finding.not_observable
    ]
    return (*blocks, Block("What could not be observed", written(needs), listed=True))


def _cautions() -> Block:
    return Block("Mind", words.CAUTIONS, listed=True, small=True)
