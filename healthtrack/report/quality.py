"""Data quality: what the verdict was made of, and what was left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from healthtrack.report import style, words
from healthtrack.report.front import baseline_words
from healthtrack.report.numbers import MINUS, count, number, percent, short_day, typeset
from healthtrack.report.page import shorten, text_width, wrap

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from healthtrack.records import Loss, VehicleFinding
    from healthtrack.report.beside import LogShown
    from healthtrack.report.flow import Flow

ROW = 4.1
LABEL = 70.0
NAMED_LOGS = 3
QUARANTINE_LINES = 3
NAME = style.SMALL
NAMED_CHANNELS = 3
"""Readings of more channels than this that were left out for one reason share a line."""


@dataclass(frozen=True)
class Sorted:
    """Losses by what they count.

    ``running`` are lengths of a window in which no window was found, ``pulls`` pulls that were
    given up, ``rows`` rows of a log, ``values`` single readings.
    """

    running: list[tuple[str, int]]
    pulls: list[tuple[str, int]]
    rows: list[tuple[str, int]]
    values: list[tuple[str, int]]


def sort_losses(losses: Sequence[Loss]) -> Sorted:
    """Sort losses by what they count, adding up those of one name."""
    running = [loss for loss in losses if loss.reason in words.RUNNING_LOSSES]
    pulls = [loss for loss in losses if loss.reason.startswith("pull_")]
    rest = [loss for loss in losses if loss not in running and loss not in pulls]
    return Sorted(
        merged(running),
        merged(pulls),
        merged(loss for loss in rest if loss.channel is None),
        merged(loss for loss in rest if loss.channel is not None),
    )


def merged(losses: Iterable[Loss]) -> list[tuple[str, int]]:
    """Add up losses of one reason and channel; the largest first, then by words."""
    losses = list(losses)
    channels: dict[str, set[str]] = {}
    for loss in losses:
        channels.setdefault(loss.reason, set()).add(loss.channel or "")
    total: dict[str, int] = {}
    for loss in losses:
        name = words.reason(loss.reason)
        together = len(channels[loss.reason])
        if together > NAMED_CHANNELS:
            name = f"{name} ({together} channels)"
        elif loss.channel is not None:
            name = f"{words.reason(loss.channel)}: {name}"
        total[name] = total.get(name, 0) + loss.count
    return sorted(
        ((name, amount) for name, amount in total.items() if amount > 0),
        key=lambda item: (-item[1], item[0]),
    )


def draw_quality(flow: Flow, finding: VehicleFinding, logs: Sequence[LogShown] = ()) -> None:
    """Write what the verdict was made of, and what was left out and why.

    With the logs, rows are followed from the files to what was kept of them.
    """
    flow.space(3.0)
    flow.heading("Data quality", with_next=14.0)
    flow.bookmark("Data quality")
    losses = sort_losses(finding.losses)
    rows = sum(log.rows or 0 for log in logs if not log.quarantined)
    kept = f" All {number(rows, 0)} rows of them were kept." if rows and not losses.rows else ""
    flow.paragraph(_made_of(finding) + kept)
    flow.paragraph(baseline_words(finding))
    if rows and losses.rows:
        _waterfall(flow, ROWS, losses.rows, rows - sum(amount for _, amount in losses.rows))
    if losses.running:
        _waterfall(flow, RUNNING, losses.running, finding.windows)
    if losses.pulls:  # of what was not driven to its end, nothing is to be mended
        named = ", ".join(f"{name} {number(amount, 0)}" for name, amount in losses.pulls)
        flow.paragraph(f"Pulls that were given up: {named}.", style.SMALL)
    for heading, items in (
        ("Rows of logs that were left out", [] if rows else losses.rows),
        ("Single readings that were left out", losses.values),
    ):
        if items:
            _bars(flow, heading, items)
    if finding.logs_stored and not finding.losses:
        flow.paragraph("Nothing was left out of them.", colour=style.SOFT)
    _quarantine(flow, [log for log in logs if log.quarantined])
    if finding.sensors:
        remarks = " ".join(typeset(remark) for remark in finding.sensors)
        flow.paragraph(f"Sensors compared while nothing moved: {remarks}", style.SMALL)


def _made_of(finding: VehicleFinding) -> str:
    logs = count(finding.logs_stored, "log") if finding.logs_stored else "No log"
    quarantined = (
        f"; {count(finding.logs_quarantined, 'log')} could not be read and "
        f"{'waits' if finding.logs_quarantined == 1 else 'wait'} in quarantine"
        if finding.logs_quarantined
        else ""
    )
    if not finding.drives:
        return f"{logs} stored{quarantined}."
    return (
        f"{logs} stored{quarantined}. {count(finding.drives, 'drive').capitalize()} gave "
        f"{count(finding.windows, 'window')} of steady running."
    )


def _quarantine(flow: Flow, logs: Sequence[LogShown]) -> None:
    """Name the latest logs that could not be read, each with why."""
    if not logs:
        return
    _head(flow, "Logs that could not be read", _shown_of(len(logs)), 3)
    for log in reversed(logs[-NAMED_LOGS:]):
        said = wrap(_why(log), flow.paper.inner_width - 5.5, style.SMALL, QUARANTINE_LINES)
        flow.need((1 + len(said)) * style.SMALL.leading + 0.8)
        came = f"came on {short_day(log.received)}"
        name = shorten(log.name, flow.paper.inner_width - text_width(came, NAME) - 4.0, NAME)
        flow.space(style.SMALL.leading)
        flow.page.text(flow.paper.left, flow.y, name, NAME, own_words=True)
        flow.page.text(flow.paper.right_edge, flow.y, came, NAME, colour=style.SOFT, align="right")
        for line in said:
            flow.space(style.SMALL.leading)
            flow.page.text(flow.paper.left + 5.5, flow.y, line, style.SMALL, own_words=True)
        flow.space(0.8)


def _why(log: LogShown) -> str:
    """Say why a log could not be read, on one line; the reason in a word where there is no more.

    Where the sentence begins with the log's name, it goes on from the name above it.
    """
    told = " ".join((log.told or words.reason(log.quarantined)).split())
    before, name, rest = told.partition(log.name)
    if name and " " not in before and rest.strip():
        return rest.strip()
    return typeset(told)


def _shown_of(logs: int) -> str:
    whole = "healthtrack check tells each in full"
    return whole if logs <= NAMED_LOGS else f"the latest {NAMED_LOGS} of {number(logs, 0)}; {whole}"


def _head(flow: Flow, heading: str, aside: str, rows: int) -> None:
    flow.space(2.0)
    flow.need(style.STRONG.leading + 0.8 + min(rows, 12) * ROW)
    flow.space(style.STRONG.leading)
    flow.page.text(flow.paper.left, flow.y, heading, style.STRONG)
    flow.page.text(
        flow.paper.right_edge, flow.y, aside, style.SMALL, colour=style.SOFT, align="right"
    )
    flow.space(0.8)


class Steps(NamedTuple):
    """The words of a waterfall."""

    heading: str
    aside: str
    whole: str
    kept: str


ROWS = Steps("Rows of the logs", "in rows", "all that came in", "kept")
RUNNING = Steps(
    "Running time",
    "in lengths of a window (6 s)",
    "all that was logged",
    "used: windows of steady running",
)


class Fall(NamedTuple):
    """A step of a waterfall: its words, its amount, and its ends as shares of the whole."""

    name: str
    amount: int
    low: float
    high: float


def falls(said: Steps, items: Sequence[tuple[str, int]], used: int) -> list[Fall]:
    """Step down from the whole, loss by loss, to what is left: the first and the last are those."""
    whole = used + sum(amount for _, amount in items)
    steps, left = [Fall(said.whole, whole, 0.0, 1.0)], whole
    for name, amount in items:
        steps.append(Fall(name, -amount, (left - amount) / whole, left / whole))
        left -= amount
    share = f"{said.kept} ({percent(used / whole)})"
    return [*steps, Fall(share, used, 0.0, used / whole)]


def _waterfall(flow: Flow, said: Steps, items: list[tuple[str, int]], used: int) -> None:
    steps = falls(said, items, used)
    _head(flow, said.heading, said.aside, len(steps))
    colours = [style.HAIR, *[style.FAINT] * len(items), style.DATA]
    for step, colour in zip(steps, colours, strict=True):
        _row(flow, step.name, number(step.amount, 0), (step.low, step.high), colour)


def _bars(flow: Flow, heading: str, items: list[tuple[str, int]]) -> None:
    """Show amounts of one kind side by side; the largest fills the width.

    A single amount has nothing to be compared with and gets no bar.
    """
    _head(flow, heading, "", len(items))
    colour = style.FAINT if len(items) > 1 else style.PAPER
    largest = max(amount for _, amount in items)
    for name, amount in items:
        _row(flow, name, number(amount, 0), (0.0, amount / largest), colour)


def _row(flow: Flow, name: str, amount: str, ends: tuple[float, float], colour: str) -> None:
    paper = flow.paper
    bar, reach = paper.left + LABEL, paper.inner_width - LABEL - 20.0
    flow.need(ROW)
    y = flow.y + 3.2
    strong = style.SMALL if amount.startswith(MINUS) or colour != style.DATA else style.SMALL_STRONG
    flow.page.text(paper.left, y, shorten(name, LABEL - 3.0, strong), strong)
    if colour != style.PAPER:
        flow.page.rule(bar, bar + reach, y + 0.5, style.HAIR, 0.4)
        x0 = bar + reach * ends[0]
        flow.page.box(x0, y - 2.2, max(reach * (ends[1] - ends[0]), 0.25), 2.5, colour)
    flow.page.text(paper.right_edge, y, amount, strong, align="right")
    flow.space(ROW)
