"""Telling a log with a row per reading from one with a row per moment."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import polars as pl

from healthtrack import units
from healthtrack.ingest.draft.names import may_be_time, meanings
from healthtrack.ingest.long import widened
from healthtrack.ingest.pipeline import LongLayout, parse_pipeline
from healthtrack.ingest.signals import signal_of

if TYPE_CHECKING:
    from healthtrack.ingest.table import Table

_MOST_SIGNALS = 300
_FEWEST_KNOWN = 2


def find_long(table: Table) -> LongLayout | None:
    """Return which columns name the signal and hold the value, or None for a wide log."""
    names, values, unit_columns = [], [], []
    for index, header in enumerate(table.header.names):
        column = table.cells[str(index)].drop_nulls()
        if column.dtype != pl.String or may_be_time(header) or column.is_empty():
            continue
        texts = column.str.strip_chars().unique()
        if texts.cast(pl.Float64, strict=False).count() > 0.9 * len(texts):
            values.append(header)
        elif len(texts) <= _MOST_SIGNALS and _units(texts):
            unit_columns.append(header)
        elif len(texts) <= _MOST_SIGNALS and _signals(texts):
            names.append(header)
    if len(names) != 1 or len(values) != 1:
        return None
    unit = unit_columns[0] if unit_columns else ""
    return LongLayout(signal=names[0], value=values[0], unit=unit)


def _units(texts: pl.Series) -> bool:
    return sum(units.find(text) is not None for text in texts) > 0.8 * len(texts)


def _signals(texts: pl.Series) -> bool:
    known = sum(bool(meanings(text)) or signal_of(text) is not None for text in texts)
    return known >= _FEWEST_KNOWN


_ANY = """
identify = ["time"]
[time]
columns = ["time"]
form = "timestamp"
[channels.engine_speed]
column = {columns}
unit = "rpm"
"""


def widened_all(table: Table, long: LongLayout) -> Table:
    """Return a long log as a table with a column for each of its signals."""
    index = table.header.find(long.signal) or 0
    names = table.cells[str(index)].drop_nulls().str.strip_chars().unique(maintain_order=True)
    pipeline = parse_pipeline(_ANY.format(columns=json.dumps(names.to_list())), "draft")
    return widened(table, pipeline.model_copy(update={"long": long}), "draft")
