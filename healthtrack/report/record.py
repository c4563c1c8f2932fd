"""The analyst's appendix: whether the bands hold what they promise, and every file that came in."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.stats import beta

from healthtrack.report import style, words
from healthtrack.report.columns import Column, lay_out
from healthtrack.report.lines import Lines, raised
from healthtrack.report.numbers import NOTHING, count, number, percent, short_day
from healthtrack.report.page import shorten, text_width
from healthtrack.report.timeline import timeline

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from healthtrack.drift import Working
    from healthtrack.records import IndicatorFinding, VehicleFinding
    from healthtrack.report.beside import LogShown
    from healthtrack.report.columns import Span
    from healthtrack.report.flow import Flow

ROW = 4.3
FILE_ROW = 3.5


class Coverage(NamedTuple):
    """How many drives lay in the band that the drives before them had foretold.

    ``low`` and ``high`` are the exact 95 % interval of the share (Clopper & Pearson, *Biometrika*
    26, 1934); ``spread`` is the sd of the errors in units of their own foretold sd: 1 if right.
    """

    inside: int
    of: int
    low: float
    high: float
    spread: float


def coverage_of(working: Working) -> Coverage | None:
    """Count the drives in their foretold 95 % bands; None where none was foretold."""
    known = working.foretold.drop_nulls(["value", "mean", "sd"])
    if not known.height:
        return None
    error = (known["value"] - known["mean"]).to_numpy() / known["sd"].to_numpy()
    inside, of = int((np.abs(error) <= 1.96).sum()), int(error.size)
    low = float(beta.ppf(0.025, inside, of - inside + 1)) if inside else 0.0
    high = float(beta.ppf(0.975, inside + 1, of - inside)) if inside < of else 1.0
    return Coverage(inside, of, low, high, float(np.sqrt(np.mean(error**2))))


def given(item: IndicatorFinding) -> int:
    """Return how many alerts were raised over the life of an indicator."""
    return (
        0 if item.trend is None else len(raised(Lines.of(item.trend, timeline([item.trend], []))))
    )


def draw_calibration(flow: Flow, finding: VehicleFinding, workings: Sequence[Working]) -> None:
    """Write the coverage so far, and the alerts that were promised and given."""
    if not workings:
        return
    flow.space(4.0)
    flow.heading("Do the bands hold what they promise?", with_next=24.0)
    flow.bookmark("Calibration")
    flow.paragraph(
        "Each drive's figure against the 95 % band that the drives before it had foretold; how "
        "lively the level is taken to be was estimated with all drives. False alerts promised: the "
        "rate that is set, shared out over the indicators, times the time watched. Alerts given "
        "may be true ones.",
        style.SMALL,
        colour=style.SOFT,
    )
    items = {item.indicator: item for item in finding.indicators}
    rows = [_calibration_row(working, items.get(working.indicator)) for working in workings]
    rows.append(_total(workings, items.values()))
    heads = (
        *("indicator", "drives", "in the 95 % band", "95 % interval of the share"),
        *("sd of errors, 1 if right", "years watched", "false alerts promised", "alerts given"),
    )
    _table(flow, heads, rows)


def _calibration_row(working: Working, item: IndicatorFinding | None) -> tuple[str, ...]:
    known = coverage_of(working)
    shares = (NOTHING, NOTHING, NOTHING, NOTHING)
    if known is not None:
        shares = (
            number(known.of, 0),
            percent(known.inside / known.of),
            f"{100 * known.low:.1f} to {100 * known.high:.1f} %",
            number(known.spread, 2),
        )
    promised = working.years * float(np.exp(-working.log_bar))
    told = given(item) if item is not None else 0
    label = words.label(working.indicator)
    return (label, *shares, number(working.years, 2), number(promised, 3), number(told, 0))


def _total(workings: Sequence[Working], items: Iterable[IndicatorFinding]) -> tuple[str, ...]:
    promised = sum(working.years * float(np.exp(-working.log_bar)) for working in workings)
    told = sum(map(given, items))
    return ("all together", "", "", "", "", "", number(promised, 3), number(told, 0))


def _table(
    flow: Flow, heads: Sequence[str], rows: Sequence[Sequence[str]], most_first: float = 60.0
) -> None:
    """Write a plain table: words on the left, numbers on the right; heads again on every page."""
    widths = [
        max([text_width(head, style.TINY), *(text_width(row[i], style.SMALL) for row in rows)])
        for i, head in enumerate(heads)
    ]
    widths[0] = min(widths[0], most_first)
    at = list(
        lay_out(
            flow.paper.left,
            flow.paper.right_edge,
            {str(i): Column(width) for i, width in enumerate(widths)},
        ).values()
    )
    _heads(flow, heads, at)
    for row in rows:
        if flow.need(ROW):
            _heads(flow, heads, at)
        y = flow.y + 3.3
        for i, (text, place) in enumerate(zip(row, at, strict=True)):
            if i == 0:
                flow.page.text(place.left, y, shorten(text, place.width, style.SMALL), style.SMALL)
            else:
                flow.page.text(place.right, y, text, style.SMALL, align="right")
        flow.space(ROW)
        flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.HAIR, 0.35)


def _heads(flow: Flow, heads: Sequence[str], at: Sequence[Span]) -> None:
    flow.space(3.8)
    for i, (text, place) in enumerate(zip(heads, at, strict=True)):
        soft = style.SOFT
        if i:
            flow.page.text(place.right, flow.y, text, style.TINY, colour=soft, align="right")
        else:
            flow.page.text(place.left, flow.y, text, style.TINY, colour=soft)
    flow.space(1.2)
    flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.FAINT)


def draw_logs(flow: Flow, logs: Sequence[LogShown]) -> None:
    """Write every log file with its rows, and what was left out of it."""
    if not logs:
        return
    flow.space(4.0)
    flow.heading(
        "Every log file",
        with_next=20.0,
        aside=f"{count(len(logs), 'file')}; rows in, rows kept, and what was left out the most",
    )
    flow.bookmark("Log files")
    heads = ("file", "came", "rows", "kept", "readings left out", "most of it", "digest")
    _table(flow, heads, [_log_row(log) for log in logs])


def _log_row(log: LogShown) -> tuple[str, ...]:
    lost = rows_lost(log)
    readings = [
        loss for loss in log.losses if loss.channel is not None and not _is_time(loss.reason)
    ]
    most = max(log.losses, key=lambda loss: loss.count, default=None)
    why = "" if most is None else words.reason(most.reason)
    if log.quarantined:
        why = f"not read: {log.quarantined.replace('_', ' ')}"
    kept = None if log.rows is None or log.quarantined else log.rows - lost
    return (
        log.name.rpartition("/")[2],
        short_day(log.received),
        number(log.rows, 0),
        number(kept, 0),
        number(sum(loss.count for loss in readings), 0),
        shorten(why, 46.0, style.SMALL),
        log.digest,
    )


def rows_lost(log: LogShown) -> int:
    """Return how many rows of a log were left out whole."""
    return sum(
        loss.count for loss in log.losses if loss.channel is None and not _is_time(loss.reason)
    )


def _is_time(reason: str) -> bool:
    return reason in words.RUNNING_LOSSES or reason.startswith("pull_")
