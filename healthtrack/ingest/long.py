"""Long logs (a row per reading) to wide tables (a column per signal)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest.table import MOST_COLUMNS, Header, Table

if TYPE_CHECKING:
    from healthtrack.ingest.pipeline import Pipeline


def widened(table: Table, pipeline: Pipeline, name: str) -> Table:
    """Return a long log as a table with one column per signal that the pipeline maps.

    Every row keeps its time and its one reading; the other signals of that row are null.

    Raises
    ------
    LogError
        ``no_channels`` where a column that the pipeline names is missing, ``too_many_columns``
        where the log holds too many different signals.
    """
    long = pipeline.long
    if long is None:
        return table
    signal, value = (_column(table, wanted, name) for wanted in (long.signal, long.value))
    unit = _column(table, long.unit, name) if long.unit else None
    cells = table.cells.with_columns(pl.col(str(signal)).cast(pl.String).str.strip_chars())
    names = cells[str(signal)].drop_nulls().unique(maintain_order=True).to_list()
    if len(names) > MOST_COLUMNS:
        raise LogError(
            "too_many_columns",
            f"{name} names {len(names)} different signals; up to {MOST_COLUMNS} are read. Check "
            "long.signal of the pipeline.",
        )
    wanted = {text for setting in pipeline.channels.values() for text in setting.names}
    kept = [one for one in names if any(_same(one, text) for text in wanted)]
    others = [at for at in range(len(table.header.raw)) if at not in {signal, value, unit}]
    raw = [table.header.raw[at] for at in others] + kept
    unit_texts = [""] * len(others) + [_unit_of(cells, signal, unit, one) for one in kept]
    wide = cells.select(
        *(pl.col(str(at)).alias(str(place)) for place, at in enumerate(others)),
        *(
            pl.when(pl.col(str(signal)) == one).then(pl.col(str(value))).alias(str(place))
            for place, one in enumerate(kept, start=len(others))
        ),
        "line",
    )
    header = Header(table.header.line, tuple(raw), tuple(raw), tuple(unit_texts))
    return Table(header, wide, table.preamble, table.rows, table.losses)


def _same(one: str, other: str) -> bool:
    header = Header(0, (one,), (one,), ("",))
    return header.find(other) is not None


def _column(table: Table, wanted: str, name: str) -> int:
    index = table.header.find(wanted)
    if index is None:
        raise LogError(
            "no_channels",
            f"{name} has no column {wanted!r}, which [long] of the pipeline names. Its headers "
            f"are: {', '.join(table.header.raw[:60])}.",
        )
    return index


def _unit_of(cells: pl.DataFrame, signal: int, unit: int | None, one: str) -> str:
    if unit is None:
        return ""
    texts = cells.filter(pl.col(str(signal)) == one)[str(unit)].drop_nulls().unique()
    return str(texts[0]) if len(texts) == 1 else ""
