"""ASAM MDF 4 (an open standard), read through the optional extra ``healthtrack[mdf]``.

Every channel has its own clock: the table holds one row per moment at which any of them was
measured, and nothing where a channel was not.
"""

from __future__ import annotations

import importlib
import io
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest.forms import holds
from healthtrack.ingest.table import MOST_CELLS, MOST_COLUMNS, Header, Table, make_header

if TYPE_CHECKING:
    from healthtrack.ingest.pipeline import FileForm, Pipeline
    from healthtrack.ingest.source import Content

TIME = "time"
"""Under this header the moments stand, in UTC."""


class MdfForm:
    """An MDF 4 measurement; channels are known by their names, units by what it states."""

    kind: FileForm = "mdf"

    def __init__(self, content: Content, name: str) -> None:
        try:
            library = importlib.import_module("asammdf")
        except ImportError:
            raise LogError(
                "needs_extra",
                f"{name} is an ASAM MDF measurement, which is read with the optional extra: "
                "pip install 'healthtrack[mdf]'.",
            ) from None
        self._name = name
        try:
            with library.MDF(io.BytesIO(content.data)) as measurement:
                self._take(measurement)
        except LogError:
            raise
        except Exception as error:  # noqa: BLE001 - the library raises all sorts on damaged files
            raise LogError(
                "damaged",
                f"{name} is an ASAM MDF file that cannot be read: {str(error)[:300]}. Copy it "
                "again.",
            ) from None

    def _take(self, measurement: Any) -> None:  # noqa: ANN401 - the library is not typed
        self._start = measurement.start_time
        self._signals: list[tuple[str, str, pl.DataFrame]] = []
        names: list[str] = []
        for group in range(len(measurement.groups)):
            for signal in measurement.select(
                [
                    (None, group, index)
                    for index, channel in enumerate(measurement.groups[group].channels)
                    if channel.channel_type not in {2, 3}  # the clock itself
                ],
                copy_master=True,
            ):
                values = np.asarray(signal.samples)
                if values.ndim != 1 or values.dtype.kind not in "iufb":
                    continue
                names.append(signal.name)
                if len(names) > MOST_COLUMNS:
                    raise LogError(
                        "too_many_columns",
                        f"{self._name} has more than {MOST_COLUMNS} channels. Export only those "
                        "that are needed.",
                    )
                microseconds = np.round(np.asarray(signal.timestamps) * 1e6).astype(np.int64)
                frame = pl.DataFrame({"us": microseconds, "value": values.astype(np.float64)})
                self._signals.append((signal.name, str(signal.unit or ""), frame))

    def _header(self) -> Header:
        header = make_header([TIME, *(name for name, _, _ in self._signals)], 0)
        unit_texts = ("", *(unit for _, unit, _ in self._signals))
        return Header(0, header.raw, header.names, unit_texts)

    def header(self, pipeline: Pipeline) -> Header | None:
        """Take the channels' names as headers, after the time."""
        header = self._header()
        return header if holds(header, pipeline) else None

    def table(self, header: Header, pipeline: Pipeline) -> Table:  # noqa: ARG002 - as the others
        """Return one row per moment at which any channel was measured."""
        moments = pl.concat([frame["us"] for _, _, frame in self._signals]).unique().sort()
        if len(moments) * (len(self._signals) + 1) > MOST_CELLS:  # each may have its own clock
            raise LogError(
                "too_large",
                f"{self._name} has {len(self._signals)} channels at {len(moments)} moments in all; "
                f"up to {MOST_CELLS} cells are read. It is as it was. Export only the channels "
                "that are needed, or split it.",
            )
        cells = pl.DataFrame({"us": moments})
        for index, (_, _, frame) in enumerate(self._signals, start=1):
            column = frame.unique("us", keep="last").rename({"value": str(index)})
            cells = cells.join(column, on="us", how="left", maintain_order="left")
        start = pl.lit(self._start).dt.convert_time_zone("UTC").dt.epoch("us")
        at = (pl.col("us") + start).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
        cells = cells.select(
            at.alias("0"), *cells.columns[1:], pl.int_range(1, pl.len() + 1).alias("line")
        )
        return Table(header, cells, (), cells.height, ())

    def first_words(self) -> str:
        """Return the channels' names."""
        return ", ".join(name for name, _, _ in self._signals[:60])
