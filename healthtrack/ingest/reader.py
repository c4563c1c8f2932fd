"""One log file to samples and drives: the verbs in order, and nothing else."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest import (
    checks,
    freshness,
    plausible,
    relations,
    source,
    swapped,
    timebase,
    values,
)
from healthtrack.ingest.drives import drives_of
from healthtrack.ingest.forms import open_form
from healthtrack.ingest.long import widened
from healthtrack.ingest.order import ticks
from healthtrack.records import Loss, ReadLog

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from healthtrack.config import VehicleSettings
    from healthtrack.ingest.forms import Form
    from healthtrack.ingest.pipeline import Pipeline
    from healthtrack.ingest.table import Header, Table
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
        The file; gzip and zip are unpacked on the fly.
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
    read = _numbers(path, pipelines, vehicle)  # text and cells are gone when this returns
    name, pipeline = str(path), read.pipeline
    frame, more = values.to_store_units(read.raw.drop("line"), read.found, pipeline, vehicle, name)
    frame, taken, doubts = _trusted(frame, read.raw, read.found, vehicle, name)
    losses = [*read.losses, *taken]
    samples = _samples(frame, pipeline, vehicle_id, name)
    if frame.height > samples.height:
        losses.append(Loss("no_reading", frame.height - samples.height))
    return ReadLog(
        samples=samples,
        drives=drives_of(samples, pipeline, vehicle_id, path),
        rows=read.rows,
        losses=_merged(losses),
        notes=(*read.notes, *more, *doubts),
        pipeline=pipeline.name,
    )


@dataclass(frozen=True, slots=True)
class _Numbers:
    """A log as numbers in its own units: ``t``, ``line`` and one column per channel."""

    raw: pl.DataFrame
    found: list[Source]
    pipeline: Pipeline
    rows: int
    losses: tuple[Loss, ...]
    notes: tuple[str, ...]


def _numbers(path: Path, pipelines: Sequence[Pipeline], vehicle: VehicleSettings) -> _Numbers:
    """Return the rows whose time runs forward, repeats and what is no number taken out."""
    name = str(path)
    pipeline, cells, named = _table(path, pipelines, vehicle)
    found = values.sources(cells, pipeline, name)
    time_columns = timebase.time_columns(cells, pipeline, name)
    times = timebase.times(cells, pipeline, time_columns, named)
    fresh = freshness.fresh_cells(cells.cells, cells.header, pipeline.poll, time_columns)
    raw, losses = values.numbers(cells.cells, found, pipeline.file)
    raw, repeats = _only_fresh(raw, fresh, found)
    raw = raw.with_columns(times.t, cells.cells["line"])
    if pipeline.long is not None:  # each signal of a long log is in order, the file need not be
        raw = raw.sort("t", nulls_last=True, maintain_order=True)
    kept = timebase.forward_rows(raw["t"], name)
    stepped = len(kept) - int(kept.sum()) - times.t.null_count()
    if stepped:
        losses.append(Loss("clock_step", stepped))
    return _Numbers(
        raw if kept.all() else raw.filter(kept),
        found,
        pipeline,
        cells.rows,
        (*cells.losses, *times.losses, *losses, *repeats),
        (
            *times.notes,
            *_clock_note(stepped),
            *_turn_note(fresh),
            *_changes_note(pipeline, repeats),
        ),
    )


def _table(
    path: Path, pipelines: Sequence[Pipeline], vehicle: VehicleSettings
) -> tuple[Pipeline, Table, Path]:
    """Return the fitting pipeline, the cells, and the path in whose name a date may stand."""
    content = source.read_content(path)
    form = open_form(content, str(path))
    pipeline, header = _choose(form, str(path), pipelines, vehicle)
    cells = form.table(header, pipeline)
    if pipeline.long is not None:
        cells = widened(cells, pipeline, str(path))
    named = path.with_name(content.inner_name) if content.inner_name else path
    return pipeline, cells, named


def _trusted(
    frame: pl.DataFrame,
    raw: pl.DataFrame,
    found: Sequence[Source],
    vehicle: VehicleSettings,
    name: str,
) -> tuple[pl.DataFrame, list[Loss], tuple[str, ...]]:
    """Return what can be trusted, what was taken out, and what is doubtful."""
    relations.check_gauge(frame, found, vehicle, name)
    frame, outside, impossible = values.inside_ranges(frame, found, raw, name)
    frame, burst = checks.bursts(frame, impossible)
    before = frame
    frame, taken = checks.all_checks(frame)
    rows = plausible.breathing(frame.with_columns(raw["line"]), "line")
    relations.check_jumps(rows, name)
    swapped.check_swapped(frame, name)
    relations.check_slow(frame, name)
    relations.check_hot_intake(frame, found, name)
    relations.check_following(rows, name)
    plausible.check_airflow(rows, found, vehicle, name)
    frame, computed, notes = relations.without_computed(frame, rows)
    losses = [*outside, *burst, *taken, *computed]
    odometer = _odometer_note(before, frame) if _went_back(taken) else ()
    return frame, losses, (*notes, *odometer, *relations.remarks(frame, vehicle))


def _went_back(losses: Iterable[Loss]) -> bool:
    return any(loss.reason == "odometer_backwards" for loss in losses)


def _odometer_note(before: pl.DataFrame, after: pl.DataFrame) -> tuple[str, ...]:
    """Show the first odometer reading that was left out between its neighbours."""
    readings = before.select("t", was="odometer").with_columns(after["odometer"].alias("is"))
    readings = readings.filter(pl.col("was").is_not_null())
    row = int(readings["is"].is_null().arg_max() or 0)
    near = readings["was"].slice(max(row - 1, 0), 3).to_list()
    around = ", ".join(f"{value:g}" for value in near)
    note = f"the odometer goes back at {readings['t'][row]:%H:%M:%S} UTC: {around} km"
    return (note,)


def _clock_note(stepped: int) -> tuple[str, ...]:
    rows = "1 row was" if stepped == 1 else f"{stepped} rows were"
    return (f"the clock stepped back; {rows} left out",) if stepped else ()


def _turn_note(fresh: freshness.Fresh | None) -> tuple[str, ...]:
    if fresh is None or fresh.turns_lost == 0:
        return ()
    note = (
        f"the logger lost its turn {fresh.turns_lost} times; readings that could not be told from "
        "repeats there were left out"
    )
    return (note,)


def _changes_note(pipeline: Pipeline, repeats: Iterable[Loss]) -> tuple[str, ...]:
    """Say what taking changes alone for readings may have cost."""
    same = sum(loss.count for loss in repeats)
    if pipeline.poll.mode != "changes" or not same:
        return ()
    note = (
        f"of this logger only changed values are known to be new: {same} values that came out as "
        "before were left out, and which of them were readings is not known. If it asks its "
        'signals in turn, poll.mode = "round_robin" keeps them'
    )
    return (note,)


def _choose(
    form: Form, name: str, pipelines: Sequence[Pipeline], vehicle: VehicleSettings
) -> tuple[Pipeline, Header]:
    tried = [one for one in pipelines if vehicle.pipeline in {"", one.name}]
    if not tried:
        raise LogError(
            "no_pipeline_fits",
            f"{name}: there is no pipeline {vehicle.pipeline!r}; those there are: "
            f"{', '.join(one.name for one in pipelines) or 'none'}. Mend pipeline of the vehicle "
            "in healthtrack.toml.",
        )
    for pipeline in tried:
        header = form.header(pipeline) if pipeline.file.form == form.kind else None
        if header is not None:
            return pipeline, header
    looked_for = "; ".join(
        f"{one.name} looks for {', '.join(one.identify)} in {one.file.form.replace('_', ' ')}"
        for one in tried
    )
    raise LogError(
        "no_pipeline_fits",
        f"{name} ({form.kind.replace('_', ' ')}) fits no pipeline. {looked_for}. It begins with: "
        f"{form.first_words()[:300]!r}. Copy the nearest example in pipelines/ and edit it, or let "
        "`healthtrack ingest --draft` write one.",
    )


def _only_fresh(
    raw: pl.DataFrame, fresh: freshness.Fresh | None, found: Sequence[Source]
) -> tuple[pl.DataFrame, list[Loss]]:
    if fresh is None:
        return raw, []
    before = {name: raw[name].count() for name in raw.columns}
    masked = raw.with_columns(
        pl.when(fresh.cells[str(one.column)]).then(pl.col(one.channel.name)).alias(one.channel.name)
        for one in found
        if str(one.column) in fresh.cells.columns
    )
    counts = ((name, before[name] - masked[name].count()) for name in masked.columns)
    return masked, [Loss("repeat", count, name) for name, count in counts if count]


def _samples(frame: pl.DataFrame, pipeline: Pipeline, vehicle_id: str, name: str) -> pl.DataFrame:
    channels = [column for column in frame.columns if column != "t"]
    if not any(frame[column].null_count() == 0 for column in channels):
        frame = frame.filter(pl.any_horizontal(pl.col(channels).is_not_null()))
    if frame.height < FEWEST_ROWS:
        raise LogError(
            "too_few_rows",
            f"{name} holds {frame.height} usable rows; at least {FEWEST_ROWS} are needed. "
            "A short log is usually a logger that was switched off at once.",
        )
    longest = pipeline.time.split_gap_min * 60e6
    at = ticks(frame["t"])
    gap = np.diff(at, prepend=at[0]) > longest
    if not gap.any():
        drive = pl.lit(f"{vehicle_id}/{frame['t'][0]:%Y-%m-%dT%H:%M:%S}")
    else:
        start = pl.col("t").first().over(pl.Series(gap).cum_sum())
        drive = pl.lit(f"{vehicle_id}/") + start.dt.strftime("%Y-%m-%dT%H:%M:%S")
    return frame.select(drive.alias("drive"), "t", *channels)


def _merged(losses: Iterable[Loss]) -> tuple[Loss, ...]:
    counts: Counter[tuple[str, str | None]] = Counter()
    for loss in losses:
        counts[loss.reason, loss.channel] += loss.count
    return tuple(Loss(reason, count, channel) for (reason, channel), count in counts.items())
