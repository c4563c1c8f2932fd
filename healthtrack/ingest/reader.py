"""One log file to samples and drives: the verbs in order, and nothing else."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest import freshness, plausible, source, table, timebase, values
from healthtrack.ingest.drives import drives_of
from healthtrack.records import Loss, ReadLog

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from healthtrack.config import VehicleSettings
    from healthtrack.ingest.pipeline import Pipeline
    from healthtrack.ingest.table import Header
    from healthtrack.ingest.values import Source

FEWEST_ROWS = 10
"""A log with fewer rows holds no operating point."""


def read_log(
    path: Path, pipelines: Sequence[Pipeline], vehicle_id: str, vehicle: VehicleSettings
) -> ReadLog:
    """Read a log with the vehicle's pipeline, else the first whose headers it holds.

    Parameters
    ----------
    path : Path
        The file; a ``.gz`` is unpacked on the fly.
    pipelines : sequence of Pipeline
        Those to try, in this order; ``vehicle.pipeline`` names the only one where it is set.
    vehicle_id : str
        Goes into the drives' ids: ``"{vehicle}/{started:%Y-%m-%dT%H:%M:%S}"``.
    vehicle : VehicleSettings
        Displacement and cylinders bound the airflow, the altitude completes gauge pressures.

    Returns
    -------
    ReadLog
        Samples in the store's units, drives, and a count of everything left out.

    Raises
    ------
    LogError
        With a reason code and a sentence; the file is not touched.
    """
    content = source.read_content(path)
    pipeline, header, text = _choose(content, path, pipelines, vehicle)
    cells = table.read_table(text, header, pipeline.file, str(path), cut=content.cut)
    found = values.sources(cells, pipeline, str(path))
    time_columns = timebase.time_columns(cells, pipeline, str(path))
    times = timebase.times(cells, pipeline, time_columns, path)
    fresh = freshness.fresh_cells(cells.cells, cells.header, pipeline.poll, time_columns)
    raw, losses = values.numbers(cells.cells, found, pipeline.file)
    raw, repeats = _only_fresh(raw, fresh, found)
    kept = timebase.forward_rows(times.t)
    stepped = len(kept) - int(kept.sum()) - times.t.null_count()
    raw = raw.with_columns(times.t).filter(kept)
    frame, more = values.to_store_units(raw, found, pipeline, vehicle, str(path))
    frame, outside = values.inside_ranges(frame, found, raw, str(path))
    plausible.check_airflow(frame, found, vehicle, str(path))
    losses = [*cells.losses, *times.losses, *losses, *repeats, *outside]
    if stepped:
        losses.append(Loss("clock_step", stepped))
    samples = _samples(frame, pipeline, vehicle_id, str(path))
    return ReadLog(
        samples=samples,
        drives=drives_of(samples, pipeline, vehicle_id, path),
        rows=cells.rows,
        losses=_merged(losses),
        notes=(*times.notes, *more, *_clock_note(stepped)),
        pipeline=pipeline.name,
    )


def _clock_note(stepped: int) -> tuple[str, ...]:
    return (f"the clock stepped back; {stepped} rows were left out",) if stepped else ()


def _choose(
    content: source.Content,
    path: Path,
    pipelines: Sequence[Pipeline],
    vehicle: VehicleSettings,
) -> tuple[Pipeline, Header, str]:
    tried = [one for one in pipelines if vehicle.pipeline in {"", one.name}]
    if not tried:
        raise LogError(
            "no_pipeline_fits",
            f"{path}: there is no pipeline {vehicle.pipeline!r}; those there are: "
            f"{', '.join(one.name for one in pipelines) or 'none'}. Mend pipeline of the vehicle "
            "in healthtrack.toml.",
        )
    texts: dict[str, str] = {}
    lines: list[str] = []
    for pipeline in tried:
        encoding = pipeline.file.encoding
        if encoding not in texts:
            texts[encoding] = source.decode(content, encoding, str(path))
        lines = table.head_lines(texts[encoding])
        header = table.find_header(lines, pipeline)
        if header is not None:
            return pipeline, header, texts[encoding]
    if lines and "\n" not in texts[tried[-1].file.encoding].strip("\n"):
        raise LogError(
            "truncated",
            f"{path} ends inside its first line, so its columns are not known: "
            f"{lines[0][:300]!r}. Copy it from the logger again.",
        )
    looked_for = "; ".join(f"{one.name} looks for {', '.join(one.identify)}" for one in tried)
    first = next((line for line in lines if line.strip()), "")
    raise LogError(
        "no_pipeline_fits",
        f"{path} fits no pipeline. {looked_for}. Its first line is: {first[:300]!r}. "
        "Copy the nearest example in pipelines/ and edit it, or let `healthtrack "
        "ingest --draft` write one.",
    )


def _only_fresh(
    raw: pl.DataFrame, fresh: pl.DataFrame | None, found: Sequence[Source]
) -> tuple[pl.DataFrame, list[Loss]]:
    if fresh is None:
        return raw, []
    before = {name: raw[name].count() for name in raw.columns}
    masked = raw.with_columns(
        pl.when(fresh[str(one.column)]).then(pl.col(one.channel.name)).alias(one.channel.name)
        for one in found
        if str(one.column) in fresh.columns
    )
    counts = ((name, before[name] - masked[name].count()) for name in masked.columns)
    return masked, [Loss("repeat", count, name) for name, count in counts if count]


def _samples(frame: pl.DataFrame, pipeline: Pipeline, vehicle_id: str, name: str) -> pl.DataFrame:
    channels = [column for column in frame.columns if column != "t"]
    frame = frame.filter(pl.any_horizontal(pl.col(channels).is_not_null()))
    if frame.height < FEWEST_ROWS:
        raise LogError(
            "too_few_rows",
            f"{name} holds {frame.height} usable rows; at least {FEWEST_ROWS} are needed. "
            "A short log is usually a logger that was switched off at once.",
        )
    gap = pl.col("t").diff().dt.total_microseconds() > pipeline.time.split_gap_min * 60e6
    part = gap.fill_null(value=False).cum_sum()
    started = pl.col("t").first().over(part).dt.strftime("%Y-%m-%dT%H:%M:%S")
    return frame.select((pl.lit(f"{vehicle_id}/") + started).alias("drive"), "t", *channels)


def _merged(losses: Iterable[Loss]) -> tuple[Loss, ...]:
    counts: Counter[tuple[str, str | None]] = Counter()
    for loss in losses:
        counts[loss.reason, loss.channel] += loss.count
    return tuple(Loss(reason, count, channel) for (reason, channel), count in counts.items())
