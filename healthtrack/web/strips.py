"""Who would have been alerted when, as places along days: one strip per history and vehicle."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from healthtrack.report import words
from healthtrack.report.numbers import short_day
from healthtrack.report.timeline import day_ticks
from healthtrack.web.drawing import Frame

if TYPE_CHECKING:
    from healthtrack.bench.results import Backtest

WIDTH, ROW, HEAD = 640.0, 26.0, 24.0
MOST_ROWS = 80
_EPOCH = date(1970, 1, 1).toordinal()


def strips(test: Backtest, variant: str) -> dict[str, Any] | None:
    """Return what to draw of one variant's alerts; None where nothing was ever judged.

    One strip per case and vehicle: the days that were judged, the days on which a fault was at
    work, and each alert from the day on which it was said until it was cleared.
    """
    own = pl.col("variant") == variant
    spans = test.frames["exposure"].filter(own).drop_nulls(["judged_from", "judged_to"])
    if not spans.height:
        return None
    axis = _axis(spans)
    alerts, faults = test.frames["alerts"].filter(own), test.frames["faults"].filter(own)
    groups, left, down = [], MOST_ROWS, 0.0
    for case in test.cases:
        here = pl.col("case") == case
        rows = spans.filter(here).head(max(left, 0)).to_dicts()
        if not rows:
            continue
        drawn = []
        for number, row in enumerate(rows):
            mine = here & (pl.col("vehicle") == row["vehicle"])
            drawn.append(
                {
                    "vehicle": row["vehicle"],
                    "y": down + HEAD + ROW * (number + 0.5),
                    "judged": _ends(axis, row["judged_from"], row["judged_to"]),
                    "faults": [_fault(axis, one) for one in faults.filter(mine).to_dicts()],
                    "alerts": [_alert(axis, one) for one in alerts.filter(mine).to_dicts()],
                }
            )
        groups.append({"case": case.replace("_", " "), "y": down + HEAD - 8.0, "rows": drawn})
        left -= len(rows)
        down += HEAD + ROW * len(rows)
    ticks = [
        {"at": axis.across(tick.at), "words": tick.words}
        for tick in day_ticks(axis.low_x, axis.high_x)
    ]
    return {
        "width": WIDTH,
        "height": down,
        "groups": groups,
        "ticks": ticks,
        "hidden": spans.height - (MOST_ROWS - left),
    }


def _axis(spans: pl.DataFrame) -> Frame:
    low = min(_place(day) for day in spans["judged_from"])
    high = max(_place(day) for day in spans["judged_to"])
    return Frame(WIDTH, 1.0, low, max(high, low + 1.0), 0.0, 1.0)


def _place(day: date) -> float:
    return float(day.toordinal() - _EPOCH)


def _across(axis: Frame, day: date) -> float:
    return axis.across(min(max(_place(day), axis.low_x), axis.high_x))


def _ends(axis: Frame, first: date, last: date) -> dict[str, float]:
    left, right = _across(axis, first), _across(axis, last)
    return {"x": left, "width": max(right - left, 1.0)}


def _fault(axis: Frame, fault: dict[str, Any]) -> dict[str, Any]:
    last = fault["until"] or date.fromordinal(int(axis.high_x) + _EPOCH)
    return _ends(axis, fault["since"] or last, last)


def _alert(axis: Frame, alert: dict[str, Any]) -> dict[str, Any]:
    last = alert["cleared_on"] or date.fromordinal(int(axis.high_x) + _EPOCH)
    words_of = f"{words.label(alert['indicator'])}, {short_day(alert['said_on'])}"
    return {
        "at": _across(axis, alert["said_on"]),
        "words": f"{words_of}: false" if alert["false"] else words_of,
        "false": alert["false"],
        **_ends(axis, alert["said_on"], last),
    }
