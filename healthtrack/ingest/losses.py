"""What became of the rows and values of a log: in, kept, and lost per reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from healthtrack.records import Loss, ReadLog

REASONS: dict[str, str] = {
    "truncated": "last line cut off",
    "ragged_row": "another number of cells than the header",
    "repeated_header": "header repeated midway",
    "unreadable_time": "no readable time",
    "clock_step": "clock stepped back",
    "no_reading": "no reading of a mapped channel",
    "repeat": "repeats of an older reading",
    "not_a_number": "no number",
    "not_available": "not available, said the sensor",
    "odd_unit": "another unit beside the reading",
    "out_of_range": "outside the physical range",
    "burst": "part of a burst of impossible values",
    "saturated": "at the end of the scale",
    "sentinel": "the value of an absent sensor",
    "spike": "single spike",
    "stuck": "stuck while its cause moved",
    "odometer_backwards": "odometer went back",
    "computed": "computed by the logger, not measured",
}
"""Every reason for which ingest leaves something out of a log that it keeps, in words."""


@dataclass(frozen=True, slots=True)
class Waterfall:
    """Rows in, kept and lost per reason; values lost per channel and reason.

    ``rows`` is ``kept`` plus the counts of ``rows_lost``.
    """

    rows: int
    kept: int
    rows_lost: tuple[Loss, ...]
    values_lost: tuple[Loss, ...]


def waterfall(log: ReadLog) -> Waterfall:
    """Return what became of a log's rows and values."""
    return Waterfall(
        rows=log.rows,
        kept=log.samples.height,
        rows_lost=tuple(loss for loss in log.losses if loss.channel is None),
        values_lost=tuple(loss for loss in log.losses if loss.channel is not None),
    )


def in_words(fall: Waterfall) -> str:
    """Return a waterfall as one line for a person.

    >>> from healthtrack.records import Loss
    >>> in_words(Waterfall(12, 11, (Loss("truncated", 1),), (Loss("spike", 2, "odometer"),)))
    '12 rows, 11 kept; rows left out: last line cut off 1; values left out: odometer: ...'
    """
    parts = [f"{fall.rows} rows, {fall.kept} kept"]
    if fall.rows_lost:
        told = ", ".join(f"{REASONS[loss.reason]} {loss.count}" for loss in fall.rows_lost)
        parts.append(f"rows left out: {told}")
    values = [_value_words(loss) for loss in fall.values_lost if loss.reason != "repeat"]
    repeats = sum(loss.count for loss in fall.values_lost if loss.reason == "repeat")
    if repeats:
        values.append(f"{REASONS['repeat']} {repeats}")
    if values:
        parts.append(f"values left out: {', '.join(values)}")
    return "; ".join(parts)


def _value_words(loss: Loss) -> str:
    channel = (loss.channel or "").replace("_", " ")
    return f"{channel}: {REASONS[loss.reason]} {loss.count}"
