"""The fleet report: one line per vehicle, what needs attention first, what to plan."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from healthtrack.config import VehicleSettings
from healthtrack.records import STATES, moved_alike
from healthtrack.report import style, words
from healthtrack.report.columns import Column, Span, lay_out
from healthtrack.report.document import to_pdf, write_whole
from healthtrack.report.facts import is_foreseen, is_silent, limit_ahead, limit_words
from healthtrack.report.flow import Flow
from healthtrack.report.index import facts
from healthtrack.report.numbers import (
    NOTHING,
    count,
    day,
    decimals_for,
    number,
    percent,
    quantity,
    short_day,
    typeset,
)
from healthtrack.report.page import shorten, text_width, wrap
from healthtrack.report.reader import Reader
from healthtrack.report.shown import in_units
from healthtrack.report.todo import sort_advice

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from healthtrack.config import WorkspaceSettings
    from healthtrack.records import IndicatorFinding, VehicleFinding
    from healthtrack.report.page import Page
    from healthtrack.report.style import Type

LINE = 5.6
MARK = 3.2
SPARK = 26.0
LEAST_NAME = 24.0
"""Height of a line, and widths of what is drawn in it. [mm]."""

HEADS = {
    "name": "vehicle",
    "spark": "level and limit",
    "worst": "indicator nearest to its limit",
    "limit": "limit",
    "service": "before service",
    "reached": "reached",
    "last": "last drive",
}
FEW = 40
"""Up to so many vehicles each has its line in full."""
GUTTER = 8.0
SMALL_SPARK = 14.0
"""Width of a small trend in the two columns of vehicles that need no attention. [mm]."""
RUNNING_HEAD = 5.6
"""What the head of every further page takes. [mm]."""
DENSE_WORDS = "down the left column, then the right; the indicator that is nearest to its limit"

LEFT_ALIGNED = frozenset({"name", "spark", "worst"})

SPARK_POINTS = 48
"""Points of a small trend: more cannot be told apart at its size."""

NEVER = date.max
PLAN_AHEAD = timedelta(weeks=8)
MOST_GROUPS = 14
MOST_NAMES = 40
"""More than these are counted; the table has them all."""


Columns = dict[str, Span]


def write_fleet_report(
    findings: Sequence[VehicleFinding],
    workspace: WorkspaceSettings,
    path: Path,
    *,
    before: Sequence[VehicleFinding] = (),
) -> None:
    """Write the report on all vehicles as PDF, whole or not at all.

    Parameters
    ----------
    findings : sequence of VehicleFinding
        One per vehicle, in any order.
    workspace : WorkspaceSettings
        For the vehicles' names.
    path : Path
        The file; its folder is made where it is missing.
    before : sequence of VehicleFinding
        What the last report said, to tell what has changed; may be empty.

    Raises
    ------
    ReportError
        Where the file cannot be written; an older one at its place is then unchanged.
    """
    as_of = max((finding.as_of for finding in findings), default=None)
    title = f"Fleet: condition of the air paths as of {day(as_of)}"
    subject = count(len(findings), "vehicle")
    ranks = [STATES.index(finding.state) for finding in findings]
    worst = STATES[min(ranks, default=len(STATES) - 1)]
    keywords = facts(worst, "the fleet", as_of) if as_of is not None else ""
    content = to_pdf(lambda: compose_fleet(findings, workspace, before), title, subject, keywords)
    write_whole(content, path)


def compose_fleet(
    findings: Sequence[VehicleFinding],
    workspace: WorkspaceSettings,
    before: Sequence[VehicleFinding] = (),
) -> Flow:
    """Lay out the pages of the fleet report; nothing is written yet."""
    as_of = max((finding.as_of for finding in findings), default=None)
    reader = Reader.of(workspace.report)
    findings = [in_units(finding, reader.units) for finding in findings]
    flow = Flow(
        style.PAPERS[workspace.report.paper],
        f"Fleet \N{MIDDLE DOT} air paths as of {day(as_of)}",
        reader,
    )
    names = {
        finding.vehicle: words.vehicle_title(
            finding, workspace.vehicles.get(finding.vehicle, VehicleSettings())
        )
        for finding in findings
    }
    _title(flow, findings, as_of)
    _counts(flow, findings)
    ordered = sorted(findings, key=attention)
    _list(flow, "To plan in the coming weeks", _plans(ordered, names, as_of), "Nothing to plan.")
    if before:
        changes = _changes(ordered, before, names)
        _list(flow, "Changed since the last report", changes, "No verdict has changed.")
    _list(flow, "Gone silent", _silent(ordered, names, as_of), "Every vehicle still sends drives.")
    _table(flow, ordered, names)
    return flow


def attention(finding: VehicleFinding) -> tuple[int, float, float, float, str]:
    """Order vehicles by what needs attention first.

    Alarm before alert before the rest; then by the probability of reaching a limit before the next
    service (in steps of 5 %: less is no difference to plan by), by the day on which a limit may be
    reached, and by how much of a limit the far end of the 95 % band has used up.
    """
    rank = STATES.index(finding.state)
    chance = max((before_service(item) for item in finding.indicators), default=0.0)
    soonest = min((_due(item) for item in finding.indicators), default=NEVER)
    used = max((share_used(item) for item in finding.indicators), default=0.0)
    return rank, -round(20 * chance), soonest.toordinal(), -used, finding.vehicle


def before_service(item: IndicatorFinding) -> float:
    """Return the probability of reaching the limit before the next service; 0 where unknown."""
    far = item.forecast
    if far is None:
        return 0.0
    return 1.0 if far.answer == "reached" else far.before_service or 0.0


def _due(item: IndicatorFinding) -> date:
    """Return the day on which a limit may be reached; the end of days where none can be said."""
    far = item.forecast
    if far is None or far.limit_on is None or not is_foreseen(far):
        return NEVER
    return far.limit_on


def share_used(item: IndicatorFinding) -> float:
    """Return how much of the limit the end of the band that is nearest to it has used up."""
    limit = limit_ahead(item)
    if not limit or item.level is None:
        return 0.0
    far = item.low if limit < 0 else item.high
    return max(0.0, (item.level if far is None else far) / limit)


def worst_indicator(finding: VehicleFinding) -> IndicatorFinding | None:
    """Return the indicator that a line shows: of the worst state, nearest to its limit."""
    judged = [item for item in finding.indicators if item.level is not None]
    return min(judged, key=lambda item: (STATES.index(item.state), -share_used(item)), default=None)


def _title(flow: Flow, findings: Sequence[VehicleFinding], as_of: date | None) -> None:
    page, paper = flow.page, flow.paper
    flow.bookmark("Overview")
    page.text(paper.left, flow.y, "Condition of the air paths", style.SMALL, colour=style.SOFT)
    right = f"as of {day(as_of)}"
    page.text(paper.right_edge, flow.y, right, style.SMALL, colour=style.SOFT, align="right")
    flow.space(10.5)
    page.text(paper.left, flow.y, f"Fleet of {count(len(findings), 'vehicle')}", style.TITLE)
    flow.space(5.5)


def _counts(flow: Flow, findings: Sequence[VehicleFinding]) -> None:
    """Show how many vehicles are in which state, as one bar with its words below."""
    page, paper = flow.page, flow.paper
    amounts = Counter(finding.state for finding in findings)
    whole = max(len(findings), 1)
    x = paper.left
    for state in STATES:
        width = paper.inner_width * amounts[state] / whole
        page.box(x, flow.y, width, 3.4, _tint(state))
        if amounts[state] and x > paper.left:
            page.line((x, x), (flow.y, flow.y + 3.4), style.PAPER, 1.2)
        x += width
    flow.space(9.0)
    x = paper.left
    for state in STATES:
        if amounts[state]:
            text = f"{number(amounts[state], 0)} {style.MARKS[state].word}"
            page.mark(x + 1.5, flow.y - 1.2, state, 5.5)
            page.text(x + 4.6, flow.y, text, style.STRONG)
            x += 12.0 + text_width(text, style.STRONG)
    flow.space(2.0)


def _tint(state: str) -> str:
    return {
        "alarm": style.RED,
        "alert": style.OCHRE,
        "normal": style.DATA_BAND,
        "learning": style.HAIR,
    }.get(state, style.WASH)


def _list(flow: Flow, heading: str, groups: Sequence[Group], otherwise: str) -> None:
    """Write what is said of several vehicles at once, each group with its vehicles' names."""
    flow.space(2.5)
    flow.heading(heading)
    flow.bookmark(heading)
    if not groups:
        flow.paragraph(otherwise, colour=style.SOFT)
        return
    flow.items([group.words for group in groups[:MOST_GROUPS]], numbered=False)
    if len(groups) > MOST_GROUPS:
        rest = sum(len(group.names) for group in groups[MOST_GROUPS:])
        flow.paragraph(f"and {count(rest, 'more vehicle')}: see the table", colour=style.SOFT)


class Group(NamedTuple):
    """Vehicles of which the same is to be said."""

    said: str
    names: list[tuple[str, str]]
    """Each with what is added in brackets, or nothing."""

    @property
    def words(self) -> str:
        """The sentence: what is said, then whose it is; what is added is written once."""
        shown = self.names if len(self.names) <= MOST_NAMES else self.names[: MOST_NAMES - 1]
        more = len(self.names) - len(shown)
        alike: dict[str, list[str]] = {}
        for name, added in shown:
            alike.setdefault(added, []).append(name)
        told = "; ".join(_added(names, added) for added, names in alike.items())
        return f"{self.said}: {told}{f' and {more} more' if more else ''}."


def _added(names: Sequence[str], added: str) -> str:
    if not added:
        return ", ".join(names)
    return f"{', '.join(names)} ({added if len(names) == 1 else f'all {added}'})"


def _grouped(told: Iterable[tuple[str, str, str]]) -> list[Group]:
    """Put names together of which the same is said; in the order in which each is first said."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for said, name, added in told:
        groups.setdefault(said, []).append((name, added))
    return [Group(said, names) for said, names in groups.items()]


def _plans(
    ordered: Sequence[VehicleFinding], names: Mapping[str, str], as_of: date | None
) -> list[Group]:
    """Say what to do with every vehicle that is in alarm or alert, or will reach a limit soon."""
    plans = []
    for finding in ordered:
        soon = min((_due(item) for item in finding.indicators), default=NEVER)
        name = names[finding.vehicle]
        if finding.state in ("alarm", "alert"):
            by = f"by {short_day(soon)}" if soon != NEVER else ""
            by = "past a limit" if finding.state == "alarm" else by
            plans.append((_first_step(finding).rstrip(". "), name, by))
        elif as_of is not None and soon <= as_of + PLAN_AHEAD:
            plans.append(("A limit may be reached", name, f"about {short_day(soon)}"))
    return _grouped(plans)


def _first_step(finding: VehicleFinding) -> str:
    """Return the first check of the likeliest cause, or the first thing to do of all."""
    if moved_alike(finding.indicators):
        return "Others of their kind moved alike: look first at what they share"
    advice = sort_advice(words.next_steps(finding))
    if advice.work and advice.work[0].steps:
        cause = advice.work[0].heading.rstrip(":")
        return f"{typeset(cause).rstrip('.')}: {advice.work[0].steps[0]}"
    told = [*advice.first, *advice.cautions]
    return typeset(told[0]) if told else ""


def _changes(
    ordered: Sequence[VehicleFinding], before: Sequence[VehicleFinding], names: Mapping[str, str]
) -> list[Group]:
    """Say which verdicts are others than in the last report, and which vehicles are new."""
    then = {finding.vehicle: finding for finding in before}
    changes = []
    for finding in ordered:
        old = then.get(finding.vehicle)
        now = style.MARKS[finding.state].word
        if old is None:
            changes.append((f"New, {now}", names[finding.vehicle], ""))
        elif old.state != finding.state:
            was = style.MARKS[old.state].word
            changes.append((f"Was {was}, is {now}", names[finding.vehicle], ""))
    gone = sorted(set(then) - {finding.vehicle for finding in ordered})
    return _grouped([*changes, *(("No longer in the fleet", vehicle, "") for vehicle in gone)])


def _silent(
    ordered: Sequence[VehicleFinding], names: Mapping[str, str], as_of: date | None
) -> list[Group]:
    if as_of is None:
        return []
    quiet = [finding for finding in ordered if is_silent(finding, as_of)]
    quiet.sort(key=lambda finding: (str(finding.last_drive or ""), finding.vehicle))
    return _grouped(
        ("No drive so far", names[finding.vehicle], "")
        if finding.last_drive is None
        else (
            "Last drive longer ago than five usual pauses",
            names[finding.vehicle],
            f"on {short_day(finding.last_drive.date())}",
        )
        for finding in quiet
    )


def _table(flow: Flow, ordered: Sequence[VehicleFinding], names: Mapping[str, str]) -> None:
    """Write a line per vehicle: in full of those in alarm or alert, in two columns of the rest."""
    concern = [finding for finding in ordered if finding.state in ("alarm", "alert")]
    rest = [finding for finding in ordered if finding not in concern]
    few = len(ordered) <= FEW
    full, dense = (ordered, []) if few else (concern, rest)
    if full:
        _heading(flow, "Vehicles", "what needs attention first stands on top")
        _full(flow, full, names)
    if dense:
        _heading(flow, "All other vehicles" if full else "Vehicles", DENSE_WORDS)
        _dense(flow, dense, names)


def _heading(flow: Flow, words_of_it: str, aside: str) -> None:
    flow.space(2.5)
    flow.heading(words_of_it, with_next=24.0, aside=aside)
    flow.bookmark(words_of_it)


def _full(flow: Flow, ordered: Sequence[VehicleFinding], names: Mapping[str, str]) -> None:
    at = _columns(flow, ordered, names)
    _table_head(flow, at)
    for finding in ordered:
        lines = _why(finding, flow.paper.right_edge - at["name"].left)
        height = LINE + len(lines) * style.TINY.leading + (1.4 if lines else 0.0)
        if flow.need(height):
            _table_head(flow, at)
        _row(flow, at, finding, names[finding.vehicle])
        y = flow.y + LINE - 0.9
        for line in lines:
            y += style.TINY.leading
            flow.page.text(at["name"].left, y, line, style.TINY, colour=style.SOFT)
        flow.space(height)
        flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.HAIR, 0.35)


def _dense(flow: Flow, ordered: Sequence[VehicleFinding], names: Mapping[str, str]) -> None:
    """Write two vehicles side by side, page by page, down the left half and then the right."""
    width = (flow.paper.inner_width - GUTTER) / 2
    line = _line(flow, len(ordered))
    said = max(text_width(_dense_words(finding), style.SMALL) for finding in ordered) + 2.0
    rest = list(ordered)
    while rest:
        lines = min(int(flow.room // line), -(-len(rest) // 2))
        if lines < 1:
            flow.new_page()
            continue
        for column in range(2):
            left = flow.paper.left + column * (width + GUTTER)
            for index, finding in enumerate(rest[column * lines : (column + 1) * lines]):
                place = Span(left, left + width)
                row = Dense(place, flow.y + index * line, line, said)
                _dense_row(flow.page, row, finding, names[finding.vehicle])
        flow.space(lines * line)
        rest = rest[2 * lines :]


def _line(flow: Flow, rows: int) -> float:
    """Return the height of a line: a little lower where that saves a page of a few rows. [mm]."""
    whole = flow.paper.floor - flow.paper.top - RUNNING_HEAD

    def pages(line: float) -> int:
        after = rows - 2 * int(flow.room // line)
        return -(-max(after, 0) // (2 * int(whole // line)))

    return min((LINE, 0.96 * LINE, 0.92 * LINE), key=lambda line: (pages(line), -line))


class Dense(NamedTuple):
    """Where a row of two columns stands, its height, and the width of what is said. [mm]."""

    at: Span
    top: float
    height: float
    said: float


def _dense_words(finding: VehicleFinding) -> str:
    item = worst_indicator(finding)
    return style.MARKS[finding.state].word if item is None else _worst_words(item)


def _dense_row(page: Page, row: Dense, finding: VehicleFinding, name: str) -> None:
    at, top = row.at, row.top
    y = top + 3.9
    page.mark(at.left + 1.6, y - 1.1, finding.state, 4.2)
    item = worst_indicator(finding)
    said = _dense_words(finding)
    page.text(at.right, y, said, style.SMALL, align="right", colour=style.SOFT)
    page.rule(at.left, at.right, top + row.height, style.HAIR, 0.35)
    end = at.right - text_width(said, style.SMALL) - 2.0
    if item is not None:
        spark = Span(at.right - row.said - SMALL_SPARK, at.right - row.said)
        _spark(page, item, spark, top + 0.7, row.height - 1.4)
        end = min(end, spark.left - 2.0)
    _name(page, Span(at.left + 5.2, end), y, name, style.SMALL_STRONG)


def _name(page: Page, at: Span, y: float, name: str, kind: Type) -> None:
    """Write a name as large as its place allows, and cut only where the smallest is too wide."""
    kinds = (kind, style.SMALL_STRONG, style.TINY_STRONG)
    fits = next((one for one in kinds if text_width(name, one) <= at.width), style.TINY_STRONG)
    page.text(at.left, y, shorten(name, at.width, fits), fits, own_words=True)


def _why(finding: VehicleFinding, width: float) -> list[str]:
    if finding.state in ("alarm", "alert"):
        return wrap(typeset(finding.reason), width, style.TINY, 2)
    return []


def _columns(flow: Flow, ordered: Sequence[VehicleFinding], names: Mapping[str, str]) -> Columns:
    """Place the columns: as wide as what stands in them; names take what is left over."""
    judged = [item for item in map(worst_indicator, ordered) if item is not None]

    def column(head: str, told: Iterable[str]) -> Column:
        return Column(
            max([text_width(head, style.TINY), *(text_width(one, style.SMALL) for one in told)])
        )

    longest = max((text_width(name, style.STRONG) for name in names.values()), default=0.0)
    columns = {
        "mark": Column(MARK),
        "name": Column(LEAST_NAME, max(longest, LEAST_NAME)),
        "spark": Column(SPARK),
        "worst": column(HEADS["worst"], map(_worst_words, judged)),
        "limit": column(HEADS["limit"], map(limit_words, judged)),
        "service": column(HEADS["service"], map(_chance_words, judged)),
        "reached": column(HEADS["reached"], map(_reached_words, judged)),
        "last": column(HEADS["last"], map(_last_words, ordered)),
    }
    return lay_out(flow.paper.left, flow.paper.right_edge, columns)


def _table_head(flow: Flow, at: Columns) -> None:
    flow.space(3.8)
    for name, text in HEADS.items():
        left = name in LEFT_ALIGNED
        flow.page.text(
            at[name].left if left else at[name].right,
            flow.y,
            text,
            style.TINY,
            colour=style.SOFT,
            align="left" if left else "right",
        )
    flow.space(1.4)
    flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.FAINT)


def _row(flow: Flow, at: Columns, finding: VehicleFinding, name: str) -> None:
    page, y = flow.page, flow.y + 3.9
    page.mark(at["mark"].middle, y - 1.1, finding.state, 4.8)
    _name(page, at["name"], y, name, style.STRONG)
    item = worst_indicator(finding)
    if item is None:
        room = at["reached"].right - at["spark"].left
        text = shorten(typeset(finding.reason), room, style.SMALL)
        page.text(at["spark"].left, y, text, style.SMALL, colour=style.SOFT)
    else:
        _spark(page, item, at["spark"], flow.y + 0.7, LINE - 1.4)
        page.text(at["worst"].left, y, _worst_words(item), style.SMALL)
        for column, text in (
            ("limit", limit_words(item)),
            ("service", _chance_words(item)),
            ("reached", _reached_words(item)),
        ):
            page.text(at[column].right, y, text, style.SMALL, align="right")
    last = _last_words(finding)
    page.text(at["last"].right, y, last, style.SMALL, colour=style.SOFT, align="right")


def _worst_words(item: IndicatorFinding) -> str:
    level = quantity(item.level, item.unit, decimals_for(item.low, item.high))
    return f"{words.label(item.indicator)} {level}"


def _chance_words(item: IndicatorFinding) -> str:
    """Write the probability of reaching the limit before the next service, where it is known."""
    far = item.forecast
    known = far is not None and (far.answer == "reached" or far.before_service is not None)
    return percent(before_service(item)) if known else NOTHING


def _last_words(finding: VehicleFinding) -> str:
    return NOTHING if finding.last_drive is None else short_day(finding.last_drive.date())


def _reached_words(item: IndicatorFinding) -> str:
    if item.forecast is not None and item.forecast.answer == "reached":
        return "already"
    due = _due(item)
    return NOTHING if due == NEVER else short_day(due)


def _spark(page: Page, item: IndicatorFinding, at: Span, y: float, height: float) -> None:
    """Draw a level as a line between healthy and its limit; no scale, only shape."""
    limit = limit_ahead(item)
    if item.trend is None or not limit or item.trend.frame.height < 2:
        return
    frame = item.trend.frame.sort("started").select("started", "smoothed").drop_nulls()
    when = frame["started"].dt.timestamp("us").to_numpy().astype(np.float64)
    level = frame["smoothed"].to_numpy().astype(np.float64)
    if level.size < 2 or when[-1] <= when[0]:
        return
    keep = np.unique(np.linspace(0, level.size - 1, SPARK_POINTS).round().astype(int))
    share = np.clip(level[keep] / limit, -0.35, 1.35)
    top, bottom = (-0.35, 1.35) if limit < 0 else (1.35, -0.35)
    downs = y + height * (share - top) / (bottom - top)
    across = at.left + at.width * (when[keep] - when[0]) / (when[-1] - when[0])
    for value, colour, thick, dashes in (
        (0.0, style.HAIR, 0.6, None),
        (1.0, style.SOFT, 0.6, (3.0, 1.8)),
    ):
        place = y + height * (value - top) / (bottom - top)
        page.line((at.left, at.right), (place, place), colour, thick, dashes)
    page.line(across.tolist(), downs.tolist(), style.DATA, 1.0)
    page.mark(float(across[-1]), float(downs[-1]), item.state, 2.6)
