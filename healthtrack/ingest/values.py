"""From cells to channels: numbers, units, gauge pressure, per-stroke quantities, ranges."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import units
from healthtrack.channels import CHANNELS
from healthtrack.errors import LogError
from healthtrack.ingest.signals import SIGNALS, raw_numbers, scaled
from healthtrack.records import Loss

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.channels import Channel
    from healthtrack.config import VehicleSettings
    from healthtrack.ingest.pipeline import ChannelColumn, FileShape, Pipeline
    from healthtrack.ingest.signals import Signal
    from healthtrack.ingest.table import Table

_WITH_UNIT = re.compile(r"[+-]?[\d.,' ]*\d\s*([^\d\s.,+-].*)")
_YOUNG_S = 2.5
_WRONG_SHARE = 0.5
_FITTING_SHARE = 0.9
_JUMP_ROWS = 20
_JUMP_TIMES = 6
_JUMP_NEAR = 2.5


@dataclass(frozen=True, slots=True)
class Source:
    """A channel, the column that holds it and the unit in which it stands there."""

    channel: Channel
    column: int
    unit: units.Unit
    unit_text: str
    header: str
    raw: Signal | None = None
    raw_digits: str = "decimal"
    suffix: str = ""


def sources(table: Table, pipeline: Pipeline, name: str) -> list[Source]:
    """Return where each channel stands that is in this log.

    Raises
    ------
    LogError
        ``no_channels``, ``unit_unknown``, or ``wrong_unit`` where log and pipeline state different
        units.
    """
    found: list[Source] = []
    for channel_name, setting in pipeline.channels.items():
        column = next((at for at in map(table.header.find, setting.names) if at is not None), None)
        if column is None:
            continue
        found.append(_source(table, CHANNELS[channel_name], column, setting, name))
    if not found:
        raise LogError(
            "no_channels",
            f"{name} holds none of the columns that pipeline {pipeline.name} maps. Its headers "
            f"are: {', '.join(table.header.raw[:60])}. Mend [channels].",
        )
    order = list(CHANNELS)
    found.sort(key=lambda source: order.index(source.channel.name))
    return found


def _source(
    table: Table, channel: Channel, column: int, setting: ChannelColumn, name: str
) -> Source:
    header = table.header.raw[column]
    if setting.raw:
        signal = SIGNALS[setting.raw]
        scale = units.named(signal.unit)
        _check_dimension(channel, scale, signal.unit, header, name)
        return Source(channel, column, scale, signal.unit, header, signal, setting.raw_digits)
    stated = table.header.unit_texts[column]
    suffix = cell_unit(table.cells[str(column)])
    stated = stated or suffix
    in_log = units.find(stated) if stated else None
    text = setting.unit or stated
    unit = units.find(text) if text else None
    if unit is None:
        raise LogError(
            "unit_unknown",
            f"{name}: the unit of {header!r} is "
            + (f"{stated!r}, which is not known here" if stated else "not stated")
            + f". Give it under [channels.{channel.name}] of the pipeline, for example "
            f'unit = "{channel.unit}".',
        )
    if setting.unit and in_log is not None and not setting.log_unit_is_wrong:
        same = (in_log.dimension, in_log.factor, in_log.offset)
        if same != (unit.dimension, unit.factor, unit.offset):
            raise LogError(
                "wrong_unit",
                f"{name}: the header says {header!r} is in {stated}, the pipeline says "
                f"{setting.unit}. Mend unit under [channels.{channel.name}], "
                "or add log_unit_is_wrong = true there if the header lies.",
            )
        unit = unit if unit.gauge else in_log
    if setting.gauge:
        unit = units.Unit(unit.dimension, unit.factor, unit.offset, gauge=True)
    _check_dimension(channel, unit, text, header, name)
    return Source(channel, column, unit, text, header, suffix=suffix)


def cell_unit(cells: pl.Series) -> str:
    """Return the unit that stands behind the number in nearly every cell (``12.3 km/h``)."""
    if cells.dtype != pl.String:
        return ""
    first = next((cell for cell in cells.head(50) if cell and cell.strip()), "")
    match = _WITH_UNIT.fullmatch(first.strip())
    if match is None or units.find(match.group(1)) is None:
        return ""
    suffix = match.group(1)
    filled = cells.str.strip_chars().drop_nulls()
    filled = filled.filter(filled != "")
    share = filled.str.ends_with(suffix).mean()
    return suffix if isinstance(share, float) and share >= _FITTING_SHARE else ""


BRIDGES = {
    ("airflow", "mass_per_stroke"),
    ("fuel_flow", "volume_flow"),
    ("fuel_per_stroke", "volume_per_stroke"),
}
"""Channels that may be logged in another dimension, and are brought to their own."""


def _check_dimension(channel: Channel, unit: units.Unit, text: str, header: str, name: str) -> None:
    target = units.named(channel.unit)
    if unit.dimension != target.dimension and (channel.name, unit.dimension) not in BRIDGES:
        fitting = ", ".join(units.spellings(target.dimension)[:6])
        raise LogError(
            "wrong_unit",
            f"{name}: {header!r} in {text} is a {unit.dimension.replace('_', ' ')} and cannot be "
            f"the channel {channel.name}. Units that could: {fitting}. Mend [channels."
            f"{channel.name}] of the pipeline.",
        )


def numbers(
    cells: pl.DataFrame, found: Sequence[Source], shape: FileShape
) -> tuple[pl.DataFrame, list[Loss]]:
    """Return the cells as numbers in the log's own units, one column per channel.

    A cell that is neither a number nor one of the marks for `not measured` becomes null and is
    counted (``not_a_number``).
    """
    losses = []
    read: dict[str, pl.Series] = {}
    texts: list[Source] = []
    for source in found:
        column = cells[str(source.column)]
        if source.raw is not None:
            raw_number = raw_numbers(column, source.raw, source.raw_digits)
            value, no_reading = scaled(raw_number, source.raw)
            read[source.channel.name] = value
            if no_reading:
                losses.append(Loss("not_available", no_reading, source.channel.name))
        elif column.dtype == pl.Float64 and _all_finite(column):
            read[source.channel.name] = column
        else:
            texts.append(source)
    if texts:
        frame = _numbers(cells, texts, shape)
        read |= {name: frame[name] for name in frame.columns}
        losses += _not_numbers(cells, frame, texts, shape)
    return pl.DataFrame([read[one.channel.name].alias(one.channel.name) for one in found]), losses


def _all_finite(column: pl.Series) -> bool:
    known = len(column) - column.null_count()
    return int(np.isfinite(column.to_numpy()).sum()) == known


def _numbers(cells: pl.DataFrame, found: Sequence[Source], shape: FileShape) -> pl.DataFrame:
    """Return cells that are not just numbers as such."""
    frame = cells.select(
        _number(source, shape, text=_is_text(cells, source), strip=False) for source in found
    )
    with_blanks = [  # blanks around the numbers are rare, and taking them off is slow
        _number(source, shape, text=True, strip=True)
        for source in found
        if _is_text(cells, source)
        and frame[source.channel.name].null_count() != cells[str(source.column)].null_count()
    ]
    return frame.with_columns(cells.select(with_blanks).get_columns()) if with_blanks else frame


def _is_text(cells: pl.DataFrame, source: Source) -> bool:
    return bool(cells[str(source.column)].dtype == pl.String)


def _not_numbers(
    cells: pl.DataFrame, frame: pl.DataFrame, found: Sequence[Source], shape: FileShape
) -> list[Loss]:
    """Count the cells that are neither numbers nor marks for `not measured`."""
    losses = []
    for source in found:
        raw_cells, number_cells = cells[str(source.column)], frame[source.channel.name]
        if number_cells.null_count() == raw_cells.null_count():
            continue
        unread = raw_cells.filter(raw_cells.is_not_null() & number_cells.is_null())
        marks = unread.cast(pl.String).str.strip_chars().str.to_lowercase().is_in(shape.missing)
        count = int((~marks).sum())
        if count:
            losses.append(Loss("not_a_number", count, source.channel.name))
    return losses


def _number(source: Source, shape: FileShape, *, text: bool, strip: bool) -> pl.Expr:
    raw = pl.col(str(source.column))
    if text:
        if source.suffix:  # a cell without it has another unit, or none: it is no number here
            bare = raw.str.strip_chars().str.strip_suffix(source.suffix)
            raw = pl.when(raw.str.strip_chars().str.ends_with(source.suffix)).then(bare)
        number = parsed_number(raw, shape, strip=strip)
    else:  # a form with types of its own
        number = raw.cast(pl.Float64, strict=False)
        number = pl.when(number.is_finite()).then(number)
    return number.alias(source.channel.name)


def parsed_number(raw: pl.Expr, shape: FileShape, *, strip: bool = True) -> pl.Expr:
    """Return cells of text as numbers; null where they are none."""
    text = raw.str.strip_chars() if strip else raw
    if shape.thousands:
        text = text.str.replace_all(shape.thousands, "", literal=True)
    if shape.decimal == ",":
        # a point in such a log is no decimal mark: 1.234 would be read a thousand times small
        text = pl.when(~text.str.contains(".", literal=True)).then(
            text.str.replace(",", ".", literal=True)
        )
    number = text.cast(pl.Float64, strict=False)
    return pl.when(number.is_finite()).then(number)


def to_store_units(
    frame: pl.DataFrame,
    found: Sequence[Source],
    pipeline: Pipeline,
    vehicle: VehicleSettings,
    name: str,
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Return every channel in the unit of :mod:`healthtrack.channels`.

    ``frame`` holds ``t`` and the channels in the log's units. Airflow per stroke needs the engine
    speed and the number of cylinders (a four-stroke engine breathes every second turn); a gauge
    pressure needs the ambient pressure: logged, else the standard atmosphere at the vehicle's
    altitude.

    Raises
    ------
    LogError
        ``needs_engine_speed`` or ``ambient_unknown``.
    """
    plain = [source for source in found if not source.unit.gauge]
    gauge = [source for source in found if source.unit.gauge]
    conversions = [
        _converted(source, pipeline).alias(source.channel.name)
        for source in plain
        if not _in_store_unit(source)
    ]
    frame = frame.with_columns(conversions) if conversions else frame
    notes: list[str] = []
    for source in plain:
        if source.channel.name == "airflow" and source.unit.dimension == "mass_per_stroke":
            frame = _airflow_from_stroke(frame, vehicle, source, name)
    if gauge:
        ambient, words = _ambient(frame, vehicle, gauge[0], name)
        notes.append(words)
        frame = frame.with_columns(
            (_converted(source, pipeline) + ambient).alias(source.channel.name) for source in gauge
        )
    return frame, tuple(notes)


def _in_store_unit(source: Source) -> bool:
    target = units.named(source.channel.unit)
    return source.unit.dimension == target.dimension and units.coefficients(
        source.unit, target
    ) == (1.0, 0.0)


def _converted(source: Source, pipeline: Pipeline) -> pl.Expr:
    value = pl.col(source.channel.name)
    dimension = source.unit.dimension
    target = units.named(source.channel.unit)
    if dimension == target.dimension:
        factor, offset = units.coefficients(source.unit, target)
        return value * factor + offset if offset else value * factor
    if dimension == "volume_flow":  # L/h · kg/L → kg/h → g/s
        return value * (source.unit.factor * pipeline.fuel_density / 3.6)
    if dimension == "volume_per_stroke":  # mm³ · kg/L = mg
        return value * (source.unit.factor * pipeline.fuel_density)
    return value * source.unit.factor  # mg per stroke, until the engine speed is applied


def _airflow_from_stroke(
    frame: pl.DataFrame, vehicle: VehicleSettings, source: Source, name: str
) -> pl.DataFrame:
    if "engine_speed" not in frame.columns:
        raise LogError(
            "needs_engine_speed",
            f"{name}: {source.header!r} is in {source.unit_text}, which becomes g/s only with the "
            "engine speed, and this log has none. Map the column of the engine speed under "
            "[channels.engine_speed].",
        )
    speed = held(frame, "engine_speed")
    strokes_per_second = speed / 120 * vehicle.cylinders
    return frame.with_columns(airflow=pl.col("airflow") * strokes_per_second / 1000)


def held(frame: pl.DataFrame, name: str, seconds: float = _YOUNG_S) -> pl.Expr:
    """Return a channel's last value in a frame, as long as it is young."""
    if frame[name].null_count() == 0:
        return pl.col(name)
    taken = pl.when(pl.col(name).is_not_null()).then(pl.col("t")).forward_fill()
    age = (pl.col("t") - taken).dt.total_microseconds()
    return pl.when(age <= seconds * 1e6).then(pl.col(name).forward_fill())


def _ambient(
    frame: pl.DataFrame, vehicle: VehicleSettings, source: Source, name: str
) -> tuple[pl.Expr, str]:
    if "ambient_pressure" in frame.columns and frame["ambient_pressure"].count():
        filled = pl.col("ambient_pressure").forward_fill().backward_fill()
        return filled, "gauge pressure: the logged ambient pressure was added"
    if vehicle.altitude_m is None:
        raise LogError(
            "ambient_unknown",
            f"{name}: {source.header!r} is a gauge pressure, and neither the log nor the settings "
            "tell the ambient pressure. Give altitude_m of the vehicle in healthtrack.toml.",
        )
    pressure = standard_pressure(vehicle.altitude_m)
    words = (
        f"gauge pressure: {pressure:.1f} kPa was added, the standard atmosphere at "
        f"{vehicle.altitude_m:.0f} m; the weather's ±2 % stays in it"
    )
    return pl.lit(pressure), words


def standard_pressure(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere [kPa] (ISO 2533, below 11 km)."""
    return float(101.325 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588)


def inside_ranges(
    frame: pl.DataFrame, found: Sequence[Source], raw: pl.DataFrame, name: str
) -> tuple[pl.DataFrame, list[Loss], dict[str, pl.Series]]:
    """Return the channels with every value outside the physical range taken out and counted.

    The third part says, per channel that lost any, on which rows they stood.

    Raises
    ------
    LogError
        ``wrong_unit`` where most values of a channel are outside and another unit would bring
        them inside; the message names it.
    """
    losses: list[Loss] = []
    expressions: list[pl.Expr] = []
    impossible: dict[str, pl.Series] = {}
    for source in found:
        channel = source.channel
        column = frame[channel.name]
        if _all_inside(column, channel):
            continue
        inside = column.is_between(channel.low, channel.high)
        outside = int((~inside).sum())
        if not outside:
            continue
        if outside > _WRONG_SHARE * column.count():
            _refuse_unit(source, raw[channel.name], outside, column.count(), name)
        if outside > _JUMP_ROWS and source.unit.dimension == "pressure":
            _refuse_jump(source, column, raw["line"], name)
        losses.append(Loss("out_of_range", outside, channel.name))
        impossible[channel.name] = (~inside).fill_null(value=False)
        value = pl.col(channel.name)
        expressions.append(
            pl.when(value.is_between(channel.low, channel.high)).then(value).alias(channel.name)
        )
    return frame.with_columns(expressions), losses, impossible


def _all_inside(column: pl.Series, channel: Channel) -> bool:
    low, high = column.min(), column.max()
    if not isinstance(low, float) or not isinstance(high, float):
        return True  # no reading at all
    return low >= channel.low and high <= channel.high


def _refuse_jump(source: Source, column: pl.Series, lines: pl.Series, name: str) -> None:
    """Refuse a pressure that leaves its range by a power of ten and stays there."""
    channel = source.channel
    known = column.is_not_null()
    column, lines = column.filter(known), lines.filter(known)
    outside = ~column.is_between(channel.low, channel.high)
    usual, off = column.filter(~outside).median(), column.filter(outside).median()
    if not isinstance(usual, float) or not isinstance(off, float) or off <= 0:
        return
    power = round(math.log10(off / usual))
    if power == 0 or not 0.4 < off / usual / 10**power < _JUMP_NEAR:
        return
    if int(outside.rle_id().n_unique()) > _JUMP_TIMES:
        return
    line = int(lines.filter(outside)[0])
    before = column.filter(lines < line)
    was = f"from {before[-1]:g} {channel.unit} " if len(before) else ""
    fitting = {1: "hPa read as kPa", 2: "kPa read as bar", 3: "Pa read as kPa"}.get(
        power, "a changed unit"
    )
    raise LogError(
        "unit_jump",
        f"{name}: {source.header!r} jumps {was}to {column.filter(outside)[0]:g} {channel.unit} at "
        f"line {line}; the range of {channel.name} is {channel.low:g} to {channel.high:g} "
        f"{channel.unit}. A factor of {10.0**power:g} fits {fitting}. Split the log there, or set "
        f"the logger right and give the unit under [channels.{channel.name}] of the pipeline.",
    )


def _refuse_unit(source: Source, raw: pl.Series, outside: int, count: int, name: str) -> None:
    channel = source.channel
    target = units.named(channel.unit)
    fitting = []
    for spelling in units.spellings(target.dimension):
        other = units.named(spelling)
        factor, offset = units.coefficients(other, target)
        if (other.factor, other.offset) == (source.unit.factor, source.unit.offset):
            continue
        share = (raw * factor + offset).is_between(channel.low, channel.high).mean()
        if isinstance(share, float) and share >= _FITTING_SHARE:
            fitting.append(spelling)
    if not fitting or source.unit.gauge:
        return
    raise LogError(
        "wrong_unit",
        f"{name}: {outside} of {count} values of {source.header!r}, read in {source.unit_text}, "
        f"are outside the range of {channel.name} ({channel.low:g} to {channel.high:g} "
        f"{channel.unit}). Units that would fit: {', '.join(fitting)}. Mend "
        f"unit under [channels.{channel.name}] of the pipeline.",
    )
