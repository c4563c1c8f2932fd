"""The time of every row in UTC, and which rows have none that can be trusted."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest.order import longest_rise, ticks
from healthtrack.records import Loss

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from healthtrack.ingest.pipeline import Pipeline, TimeBase
    from healthtrack.ingest.table import Table

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

_DAY_US = 86_400_000_000
_ANOTHER_DAY_US = 3 * 3_600_000_000
_CLOCK_STEP_US = 300_000_000
_FEWEST_FALLEN = 3
_FEW_STEPS = 20
_FEW_STEPS_SHARE = 0.02
_EPOCH, _LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
_EARLIEST = datetime(1996, 1, 1, tzinfo=UTC)
_UNIT_US = {"us": 1, "ms": 1_000, "s": 1_000_000, "min": 60_000_000, "h": 3_600_000_000}
_ISO = "%Y-%m-%d %H:%M:%S%.f"
_ISO_UTC = "%Y-%m-%dT%H:%M:%S%.fZ"
_USUAL = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")
_FIRST_TIMES = 50


@dataclass(frozen=True, slots=True)
class Times:
    """``t`` per row (Datetime µs UTC, null where there is none), losses and remarks."""

    t: pl.Series
    losses: tuple[Loss, ...]
    notes: tuple[str, ...]


def time_columns(table: Table, pipeline: Pipeline, name: str) -> list[int]:
    """Return the columns that hold the time.

    Raises
    ------
    LogError
        ``no_time`` where one is not in the header.
    """
    found = []
    for wanted in pipeline.time.columns:
        index = table.header.find(wanted)
        if index is None:
            raise LogError(
                "no_time",
                f"{name} has no column {wanted!r}, which pipeline {pipeline.name} names for the "
                f"time. Its headers are: {', '.join(table.header.raw[:60])}. Mend time.columns.",
            )
        found.append(index)
    return found


def times(table: Table, pipeline: Pipeline, columns: list[int], path: Path) -> Times:
    """Return the time of every row.

    Raises
    ------
    LogError
        ``no_time`` where most rows have no readable time or the start is not found,
        ``clock_not_set`` where the logger's clock stood at its epoch.
    """
    base = pipeline.time
    typed = _typed_moments(table.cells, columns, base)
    text = _joined(table.cells, columns) if typed is None else table.cells[str(columns[0])]
    notes: tuple[str, ...] = ()
    if typed is not None:
        t, notes = typed
    elif base.form == "timestamp":
        t, notes = _timestamps(text, base)
    elif base.form == "epoch":
        t = _microseconds(text, base).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    elif base.form == "elapsed":
        start = _start(table, base, path)
        elapsed = _microseconds(text, base)
        t = (
            (pl.Series([_to_utc(start, base.zone)]).dt.epoch("us") + elapsed)
            .cast(pl.Datetime("us"))
            .dt.replace_time_zone("UTC")
        )
    else:
        t, notes = _local_to_utc(_times_of_day(text, _start(table, base, path)), base.zone)
    if not _all_within(t, _EPOCH, _LATEST):
        t = pl.select(t=pl.when(t.is_between(_EPOCH, _LATEST)).then(t))["t"]
    unreadable = t.null_count()
    if unreadable > len(t) // 2:
        raise LogError(
            "no_time",
            f"{path}: the time of {unreadable} of {len(t)} rows cannot be read; the first is "
            f"{text[0]!r}, expected form {base.form}"
            + (f" {base.pattern}" if base.pattern else "")
            + f". Mend [time] of pipeline {pipeline.name}.",
        )
    t, placed = _clock_fell_back(t, table, base, path)
    unreadable = t.null_count()
    notes = (*notes, *placed)
    losses = (Loss("unreadable_time", unreadable),) if unreadable else ()
    return Times(t.alias("t"), losses, notes)


def _clock_fell_back(
    t: pl.Series, table: Table, base: TimeBase, path: Path
) -> tuple[pl.Series, tuple[str, ...]]:
    """Place rows that a logger wrote with its clock at its epoch, and say so.

    A stretch of them is put in sequence, one usual step behind the row before it (or, at the
    beginning, before the row behind it). Where all rows are so, they are put at the start that the
    file's name or preamble tells.

    Raises
    ------
    LogError
        ``clock_not_set`` where nothing tells the day.
    """
    if _all_within(t, _EARLIEST, _LATEST):
        return t, ()
    ticks = t.to_physical().to_numpy().astype(np.float64)
    known = ~np.isnan(ticks)
    early = known & (ticks < _EARLIEST.timestamp() * 1e6)
    if not early.any():
        return t, ()
    good = known & ~early
    if not good.any():
        if not base.start_search:
            first = str(t.drop_nulls()[0])[:10]
            raise LogError(
                "clock_not_set",
                f"{path} begins on {first}: the logger's clock was not "
                "set. Set it. This log can be read with the date in its name: give start_from and "
                "start_search under [time] of the pipeline.",
            )
        start = _to_utc(_start(table, base, path), base.zone).timestamp() * 1e6
        note = "the logger's clock was not set; the drive was put at the start in its name"
        return _moved(t, ticks, early, start - np.nanmin(ticks)), (note,)
    steps = np.diff(ticks[good])
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    edges = np.flatnonzero(np.diff(np.r_[False, early, False].astype(np.int8)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        run = np.zeros(len(ticks), dtype=np.bool_)
        run[begin:end] = True
        before, after = np.flatnonzero(good[:begin]), np.flatnonzero(good[end:])
        if end - begin < _FEWEST_FALLEN:
            t = _moved(t, ticks, run, np.nan)
        elif len(before):
            t = _moved(t, ticks, run, ticks[before[-1]] + step - ticks[begin])
        else:
            t = _moved(t, ticks, run, ticks[end + after[0]] - step - ticks[end - 1])
    note = (
        f"the logger's clock fell back to its epoch; {int(early.sum())} rows were put in sequence "
        "with the others, so the pause between is not known"
    )
    return t, (note,)


def _moved(t: pl.Series, ticks: FloatArray, rows: BoolArray, by: float) -> pl.Series:
    if np.isnan(by):
        return pl.select(t=pl.when(pl.Series(~rows)).then(t))["t"]
    shifted = pl.Series(np.round(ticks + by)).cast(pl.Int64, strict=False)
    moments = shifted.cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    return pl.select(t=pl.when(pl.Series(rows)).then(moments).otherwise(t))["t"]


def forward_rows(t: pl.Series, name: str) -> pl.Series:
    """Return which rows keep the time running forward; the others are clock steps.

    As few rows as explain it are left out. A missing time is never kept.

    Raises
    ------
    LogError
        ``clock_runs_back`` where more than a few rows would have to go: the file holds several
        recordings with clocks of their own.
    """
    if t.null_count() == 0 and t.is_sorted():
        return pl.repeat(value=True, n=len(t), eager=True)
    known = t.is_not_null().to_numpy()
    kept = longest_rise(ticks(t.drop_nulls()))
    out = len(kept) - int(kept.sum())
    if out > max(_FEW_STEPS, len(kept) * _FEW_STEPS_SHARE):
        raise LogError(
            "clock_runs_back",
            f"{name}: the time runs back so that {out} of {len(kept)} rows cannot be put in order: "
            "the file holds several recordings one after the other. Split it where the time "
            "starts again.",
        )
    mask = np.zeros(len(t), dtype=np.bool_)
    mask[np.flatnonzero(known)[kept]] = True
    return pl.Series("kept", mask)


def _typed_moments(
    cells: pl.DataFrame, columns: list[int], base: TimeBase
) -> tuple[pl.Series, tuple[str, ...]] | None:
    """Return the moments of a form that has a type for them, or of text in the usual form."""
    column = cells[str(columns[0])]
    if base.form == "timestamp" and not base.pattern and len(columns) == 1:
        usual = _usual(column)
        if usual is not None:
            return usual, ()
    if not isinstance(column.dtype, pl.Datetime):
        return None
    column = column.cast(pl.Datetime("us", column.dtype.time_zone))
    if column.dtype.time_zone is None:  # type: ignore[attr-defined]
        return _local_to_utc(column, base.zone)
    return column.dt.convert_time_zone("UTC"), ()


def _joined(cells: pl.DataFrame, columns: list[int]) -> pl.Series:
    names = [str(index) for index in columns]
    stripped = [pl.col(name).cast(pl.String).str.strip_chars(' "\t') for name in names]
    return cells.select(text=pl.concat_str(stripped, separator=" "))["text"]


def _with_points(text: pl.Series) -> pl.Series:
    """Return times whose fraction of a second stands behind a point."""
    if not text.str.contains(",", literal=True).any():
        return text
    return text.str.replace(r",(\d+)", ".$1")


def _timestamps(text: pl.Series, base: TimeBase) -> tuple[pl.Series, tuple[str, ...]]:
    text = _with_points(text)
    if base.pattern:
        aware = "%z" in base.pattern or "%:z" in base.pattern
        parsed = text.str.to_datetime(
            base.pattern, time_unit="us", strict=False, time_zone="UTC" if aware else None
        )
        return (parsed, ()) if aware else _local_to_utc(parsed, base.zone)
    usual = _usual(text)
    if usual is not None:
        return usual, ()
    text = text.str.replace(r"^(\d{4}-\d{2}-\d{2})[Tt]", "$1 ").str.replace("[Zz]$", "+00:00")
    with_offset = text.str.contains(r":\d{2}(\.\d+)?\s?[+-]\d{2}:?\d{2}$").fill_null(value=False)
    if with_offset.any():
        parsed = text.str.replace(r"\s?([+-]\d{2}):?(\d{2})$", "$1$2").str.to_datetime(
            f"{_ISO}%z", time_unit="us", strict=False, time_zone="UTC"
        )
        return parsed, ()
    return _local_to_utc(text.str.to_datetime(_ISO, time_unit="us", strict=False), base.zone)


def _usual(text: pl.Series) -> pl.Series | None:
    """Return the moments of a text if all of it is in the form of ISO 8601 with ``Z``."""
    if text.dtype != pl.String:
        return None
    first = next((one for one in text.head(_FIRST_TIMES) if one), "")
    if not _USUAL.fullmatch(first):
        return None
    # times hardly repeat: remembering them takes as long as reading them
    moments = text.str.to_datetime(
        _ISO_UTC, time_unit="us", time_zone="UTC", strict=False, cache=False
    )
    return moments if moments.null_count() == text.null_count() else None


def _all_within(t: pl.Series, earliest: datetime, latest: datetime) -> bool:
    """Say whether every time is known and none outside."""
    if t.null_count() or t.is_empty():
        return False
    at = ticks(t)  # what a damaged file says may be in no year that a datetime has
    first, last = (moment.timestamp() * 1e6 for moment in (earliest, latest))
    return bool(at.min() >= first and at.max() <= last)


def _microseconds(text: pl.Series, base: TimeBase) -> pl.Series:
    number = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    scaled = (number * _UNIT_US[base.unit]).round()
    return pl.Series(
        pl.select(pl.when(scaled.is_finite() & (scaled.abs() < 4e15)).then(scaled)).to_series()
    ).cast(pl.Int64)


def _times_of_day(text: pl.Series, start: datetime) -> pl.Series:
    text = _with_points(text)
    day = text.str.to_time("%H:%M:%S%.f", strict=False).cast(pl.Int64) // 1000
    # hours back is another day; a small step back is the clock's own, also across midnight
    step = day.drop_nulls().diff().fill_null(0)
    turns = (step < -_ANOTHER_DAY_US).cast(pl.Int64) - (step > _DAY_US - _CLOCK_STEP_US).cast(
        pl.Int64
    )
    days = pl.DataFrame({"day": day}).with_row_index()
    turned = (
        days.drop_nulls("day")
        .with_columns(turns=turns.cum_sum())
        .select("index", at=pl.col("day") + pl.col("turns") * _DAY_US)
    )
    at = days.join(turned, on="index", how="left", maintain_order="left")["at"]
    midnight = int(start.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=UTC).timestamp())
    return (at + midnight * 1_000_000).cast(pl.Datetime("us"))


def _local_to_utc(naive: pl.Series, zone: str) -> tuple[pl.Series, tuple[str, ...]]:
    """Return the moments of local times; an hour that comes twice is told by the step back."""
    early = naive.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    late = naive.dt.replace_time_zone(zone, ambiguous="latest", non_existent="null")
    twice = (early != late).fill_null(value=False)
    notes: list[str] = []
    if twice.any():
        stepped = (naive.diff() < timedelta(minutes=-30)).fill_null(value=False).cum_sum() > 0
        # a log that begins inside the doubled hour and never steps back may lie in either
        if (
            not stepped.any()
            and not (naive.drop_nulls().dt.hour() < naive.filter(twice).dt.hour().min()).any()
        ):
            notes.append(
                "the log lies in the hour that the clock change repeats; it was taken for the "
                "first of the two"
            )
        early = pl.select(pl.when(twice & stepped).then(late).otherwise(early)).to_series()
    missing = early.null_count() - naive.null_count()
    if missing:
        notes.append(f"{missing} rows lie in the hour that the clock change skips")
    return early.dt.convert_time_zone("UTC"), tuple(notes)


def _to_utc(moment: datetime, zone: str) -> datetime:
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(zone))
    return moment.astimezone(UTC)


def _start(table: Table, base: TimeBase, path: Path) -> datetime:
    if base.start_from == "name":
        places = [path.name, path.parent.name]
        where = f"the name {path.parent.name}/{path}"
    else:
        places = list(table.preamble)
        where = f"the {len(places)} lines above the header"
    for place in places:
        found = re.search(base.start_search, place)
        if found is None:
            continue
        written = " ".join(group for group in found.groups() if group)
        try:
            return datetime.strptime(written, base.start_pattern)  # noqa: DTZ007 - zone is added
        except ValueError:
            raise LogError(
                "no_time",
                f"{path}: the date {written!r} found in {where} does not fit the pattern "
                f"{base.start_pattern}. Mend time.start_pattern of the pipeline.",
            ) from None
    raise LogError(
        "no_time",
        f"{path}: {where} holds no date that fits {base.start_search!r}, and the rows hold "
        "none. Name the file so that it does, or mend time.start_search of the pipeline.",
    )
