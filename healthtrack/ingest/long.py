"""Long logs (a row per reading) to wide tables (a column per signal)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest.table import MOST_COLUMNS, Header, Table
from healthtrack.records import Loss

if TYPE_CHECKING:
    from healthtrack.ingest.pipeline import Pipeline


_NEARLY_ALL = 0.9


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
    stated = {one: _unit_of(cells, signal, unit, one) for one in kept}
    cells, odd = _without_odd_units(cells, signal, value, unit, stated)
    unit_texts = [""] * len(others) + list(stated.values())
    wide = cells.select(
        *(pl.col(str(at)).alias(str(place)) for place, at in enumerate(others)),
        *(
            pl.when(pl.col(str(signal)) == one).then(pl.col(str(value))).alias(str(place))
            for place, one in enumerate(kept, start=len(others))
        ),
        "line",
    )
    header = Header(table.header.line, tuple(raw), tuple(raw), tuple(unit_texts))
    losses = (*table.losses, Loss("odd_unit", odd)) if odd else table.losses
    return Table(header, wide, table.preamble, table.rows, losses)


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
    """Return the unit that stands beside nearly all readings of a signal, else nothing."""
    texts = cells.filter(pl.col(str(signal)) == one)[str(unit)].cast(pl.String).drop_nulls()
    common = texts.value_counts(sort=True)
    if common.is_empty() or common["count"][0] < _NEARLY_ALL * len(texts):
        return ""
    return str(common[str(unit)][0])


def _without_odd_units(
    cells: pl.DataFrame, signal: int, value: int, unit: int | None, stated: dict[str, str]
) -> tuple[pl.DataFrame, int]:
    """Take out the few readings beside which another unit stands."""
    if unit is None:
        return cells, 0
    usual = pl.col(str(signal)).replace_strict(stated, default=None, return_dtype=pl.String)
    odd = (usual != "") & (pl.col(str(unit)).cast(pl.String) != usual)
    odd = odd.fill_null(value=False)
    count = int(cells.select(odd.sum()).item())
    taken = pl.when(~odd).then(pl.col(str(value))).alias(str(value))
    return (cells.with_columns(taken) if count else cells), count
