"""Which cells are new readings, where a logger repeats the older ones.

A logger that asks one signal at a time and writes all signals on every row repeats what it did not
ask. A repeat is not a reading: taken as one it gives false certainty and pairs values that are up
to a whole turn apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.errors import LogError

if TYPE_CHECKING:
    from healthtrack.ingest.pipeline import Polling
    from healthtrack.ingest.table import Header


@dataclass(frozen=True, slots=True)
class Fresh:
    """One boolean column per polled column (true: a new reading).

    ``turns_lost`` counts how often the logger skipped a signal or lost its place.
    """

    cells: pl.DataFrame
    turns_lost: int = 0


def fresh_cells(
    cells: pl.DataFrame, header: Header, polling: Polling, time_columns: list[int]
) -> Fresh | None:
    """Return which cells are new readings, or None where all are.

    Notes
    -----
    ``round_robin``: signal number ``k`` of ``n`` is new on the rows with ``(row − phase) mod n =
    k``. Each row on which a value changes shows the phase then. Between two such rows with the same
    phase every row's new signal is known, whether or not its value changed; where the phases
    differ (a signal was skipped, the connection was lost) only the changed values themselves are
    taken.
    """
    if polling.mode == "every_row":
        return None
    order = _order(header, polling, time_columns)
    changed = cells.select(
        (
            pl.col(str(index)).is_not_null()
            & pl.col(str(index)).ne_missing(pl.col(str(index)).shift())
        )
        .fill_null(value=False)
        .alias(str(index))
        for index in order
    )
    if polling.mode == "changes":
        return Fresh(changed)
    turn = len(order)
    row = pl.int_range(pl.len(), dtype=pl.Int64)
    shown = pl.coalesce(
        pl.when(pl.col(str(index))).then((row - place) % turn) for place, index in enumerate(order)
    )
    phases = changed.select(row.alias("row"), shown.alias("shown")).with_columns(
        before=pl.col("shown").forward_fill(), after=pl.col("shown").backward_fill()
    )
    # before the first change and after the last there is only one neighbour to go by
    known = pl.when(
        pl.col("before")
        .fill_null(pl.col("after"))
        .eq_missing(pl.col("after").fill_null(pl.col("before")))
    ).then(pl.coalesce("before", "after"))
    asked = phases.select(asked=(pl.col("row") - known) % turn)["asked"]
    fresh = changed.select(
        (pl.col(str(index)) | (asked == place).fill_null(value=False)).alias(str(index))
        for place, index in enumerate(order)
    )
    lost = (phases["shown"].drop_nulls().diff() != 0).sum()
    return Fresh(fresh, int(lost))


def _order(header: Header, polling: Polling, time_columns: list[int]) -> list[int]:
    if not polling.order:
        return [index for index in range(len(header.raw)) if index not in time_columns]
    order = []
    for wanted in polling.order:
        index = header.find(wanted)
        if index is None:
            raise LogError(
                "no_pipeline_fits",
                f"poll.order of the pipeline names {wanted!r}, which is no header of this log. Its "
                f"headers are: {', '.join(header.raw[:60])}. Mend poll.order.",
            )
        order.append(index)
    return order
