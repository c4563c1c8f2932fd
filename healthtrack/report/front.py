"""Page one: the vehicle, the verdict, what to do next, and every indicator in one table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.report import style, words
from healthtrack.report.numbers import count, day, quantity, short_day, typeset
from healthtrack.report.page import wrap
from healthtrack.report.table import draw_table
from healthtrack.report.todo import draw_next

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings
    from healthtrack.records import VehicleFinding
    from healthtrack.report.flow import Flow

DOT = " \N{MIDDLE DOT} "


def draw_front(flow: Flow, finding: VehicleFinding, vehicle: VehicleSettings) -> None:
    """Write page one, and on to the next where there is more than it holds."""
    flow.bookmark("Verdict")
    _title(flow, finding, vehicle)
    _verdict(flow, finding)
    flow.space(2.5)
    draw_next(flow, finding)
    if finding.indicators:
        flow.space(2.5)
        draw_table(flow, finding)
    if finding.not_observable:
        flow.space(2.5)
        flow.heading("What could not be observed")
        flow.items(
            (
                f"{words.label(item.indicator)}: needs {item.needs}"
                for item in finding.not_observable
            ),
            numbered=False,
        )


def _title(flow: Flow, finding: VehicleFinding, vehicle: VehicleSettings) -> None:
    page, paper = flow.page, flow.paper
    right = f"as of {day(finding.as_of)}"
    page.text(paper.left, flow.y, "Condition of the air path", style.SMALL, colour=style.SOFT)
    page.text(paper.right_edge, flow.y, right, style.SMALL, colour=style.SOFT, align="right")
    flow.space(10.5)
    name = words.vehicle_title(finding, vehicle)
    kind = style.TITLE
    if len(wrap(name, paper.inner_width, kind)) > 2:
        kind = style.LONG_TITLE
        flow.space(-2.0)
    for line in wrap(name, paper.inner_width, kind, 4):
        page.text(paper.left, flow.y, line, kind, own_words=True)
        flow.space(kind.leading)
    flow.space(style.SMALL.leading + 2.0 - kind.leading)
    for line in wrap(_facts(finding, flow.units.distance), paper.inner_width, style.SMALL, 3):
        whole = line.removesuffix(DOT.rstrip())
        page.text(paper.left, flow.y, whole, style.SMALL, colour=style.SOFT)
        flow.space(style.SMALL.leading)
    flow.space(3.0)


def _facts(finding: VehicleFinding, distance: str) -> str:
    facts = [f"vehicle {finding.vehicle}"]
    if finding.first_drive and finding.last_drive:
        first, last = finding.first_drive.date(), finding.last_drive.date()
        facts.append(day(first) if first == last else f"{day(first)} to {day(last)}")
    facts.append(count(finding.drives, "drive"))
    if finding.windows:
        facts.append(count(finding.windows, "window"))
    if finding.odometer_km is not None:
        facts.append(f"odometer {quantity(finding.odometer_km, distance, 0)}")
    return DOT.join(fact.replace(" ", "\N{NO-BREAK SPACE}") for fact in facts)


def _verdict(flow: Flow, finding: VehicleFinding) -> None:
    page, paper = flow.page, flow.paper
    mark = style.MARKS[finding.state]
    inside = paper.left + 6.0
    lines = wrap(typeset(words.without_state(finding.reason)), paper.inner_width - 12.0, style.LEAD)
    height = 11.0 + len(lines) * style.LEAD.leading + 2.6
    page.box(paper.left, flow.y, paper.inner_width, height, style.WASH)
    page.box(paper.left, flow.y, 1.4, height, mark.colour)
    baseline = flow.y + 8.2
    page.mark(inside + 1.4, baseline - 1.8, finding.state, 8.5)
    page.text(inside + 6.0, baseline, mark.word.capitalize(), style.WORD, colour=mark.colour)
    baseline += 1.2
    for line in lines:
        baseline += style.LEAD.leading
        page.text(inside, baseline, line, style.LEAD)
    flow.space(height)


def baseline_words(finding: VehicleFinding) -> str:
    """Say from what the healthy expectation was learned."""
    base = finding.baseline
    if base is None:
        return "There is no healthy expectation yet."
    restarted = f" Learning was restarted by: {base.restarted_by}." if base.restarted_by else ""
    lent = (
        f", and borrows from {count(base.sisters, 'vehicle')} of its kind: the bands are wider"
        if base.sisters
        else ""
    )
    return (
        f"The healthy expectation was learned from {count(base.drives, 'drive')} between "
        f"{short_day(base.start)} and {short_day(base.end)}{lent}.{restarted}"
    )
