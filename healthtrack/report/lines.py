"""What a panel of a trend draws: a trend's frame as arrays, its range, and its runs of alert."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.records import STATES
from healthtrack.report.facts import limit_ahead, limit_sides

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.records import IndicatorFinding, MaintenanceEvent, State, Trend
    from healthtrack.report.timeline import Timeline

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Lines:
    """The columns of a trend's frame as arrays, with the place of each drive on the axis."""

    x: FloatArray
    value: FloatArray
    se: FloatArray
    level: FloatArray
    low: FloatArray
    high: FloatArray
    learned: NDArray[np.bool_]
    state: list[State | Literal[""]]

    @classmethod
    def of(cls, trend: Trend, axis: Timeline) -> Lines:
        """Read a frame in the order of time."""
        frame = trend.frame.sort("started")
        return cls(
            x=axis.places(frame),
            value=_floats(frame, "value"),
            se=_floats(frame, "se"),
            level=_floats(frame, "smoothed"),
            low=_floats(frame, "smoothed_low"),
            high=_floats(frame, "smoothed_high"),
            learned=frame["learned"].fill_null(value=False).to_numpy().astype(bool),
            state=[_state(state) for state in frame["state"].to_list()],
        )


def _floats(frame: pl.DataFrame, column: str) -> FloatArray:
    return np.asarray(frame[column].cast(float).to_numpy(), dtype=np.float64)


def value_range(lines: Lines, item: IndicatorFinding) -> tuple[float, float]:
    """Return the ends of the vertical axis: level, limits and nearly all drives are inside."""
    inside = [0.0]
    for array in (lines.low, lines.high, lines.level):
        known = array[np.isfinite(array)]
        if known.size:
            inside += [float(known.min()), float(known.max())]
    known = lines.value[np.isfinite(lines.value)]
    if known.size:
        inside += [float(q) for q in np.quantile(known, (0.01, 0.99))]
    if item.limit is not None:
        inside += _limits_shown(item, min(inside), max(inside))
    low, high = min(inside), max(inside)
    if not high > low:
        low, high = low - 1.0, high + 1.0
    margin = 0.09 * (high - low)
    return low - margin, high + margin


def _limits_shown(item: IndicatorFinding, low: float, high: float) -> list[float]:
    """Return the limit ahead, and the opposite one where the drives come half way to it."""
    ahead = limit_ahead(item)
    if ahead is None:
        return []
    other = -ahead
    far = len(limit_sides(item)) == 2 and (low < 0.6 * other if other < 0 else high > 0.6 * other)
    return [ahead, other] if far else [ahead]


def broken(
    lines: Lines, item: IndicatorFinding, events: Sequence[MaintenanceEvent], axis: Timeline
) -> Lines:
    """Insert a gap in level and band where work on the vehicle restarted the indicator."""
    cuts = [axis.place_of_event(event) for event in events if restarts(event, item.indicator)]
    places = sorted(
        {int(np.searchsorted(lines.x, cut)) for cut in cuts if cut is not None}
        - {0, int(lines.x.size)}
    )
    if not places:
        return lines

    def gap(array: FloatArray) -> FloatArray:
        return np.insert(array, places, np.nan)

    return Lines(
        x=np.insert(lines.x, places, lines.x[places]),
        value=gap(lines.value),
        se=gap(lines.se),
        level=gap(lines.level),
        low=gap(lines.low),
        high=gap(lines.high),
        learned=np.insert(lines.learned, places, values=False),
        state=list(np.insert(np.array(lines.state, dtype=object), places, "")),
    )


def restarts(event: MaintenanceEvent, indicator: str) -> bool:
    """Return whether an event may have changed what is healthy for an indicator."""
    return indicator in MAINTENANCE_KINDS.get(event.kind, ("", ()))[1]


def raised(lines: Lines) -> list[tuple[float, float, State]]:
    """Return where alert or alarm began: place, level there, state."""
    found: list[tuple[float, float, State]] = []
    before: State | str = ""
    for x, y, state in zip(lines.x, lines.level, lines.state, strict=True):
        if state in ("alert", "alarm") and before not in (state, "alarm"):
            found.append((float(x), float(y), state))
        if state:
            before = state
    return found


def _state(state: str | None) -> State | Literal[""]:
    for known in STATES:
        if state == known:
            return known
    return ""


def runs(lines: Lines, state: str) -> list[tuple[float, float]]:
    """Return from where to where a state was held, as places on the axis."""
    runs: list[tuple[float, float]] = []
    start: float | None = None
    for x, now in zip(lines.x, lines.state, strict=True):
        if now == state and start is None:
            start = float(x)
        if now not in (state, "") and start is not None:
            runs.append((start, float(x)))
            start = None
    if start is not None:
        runs.append((start, float(lines.x[-1])))
    return runs


def learned_spans(lines: Lines) -> list[tuple[float, float]]:
    """Return from where to where the healthy expectation was learned; there may be several."""
    steps = np.diff(np.concatenate(([False], lines.learned, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1) - 1
    return [
        (float(lines.x[start]), float(lines.x[end]))
        for start, end in zip(starts, ends, strict=True)
    ]
