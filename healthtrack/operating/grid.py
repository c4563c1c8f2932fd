"""Sparse channels of one drive on common times, and sums over stretches of them.

A logger that asks for one signal at a time never has two channels at the same moment. Before two
channels are compared they are brought to common times by linear interpolation between fresh
values, and only where those lie no further apart than the channel's ``longest_gap``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from healthtrack.channels import CHANNELS

if TYPE_CHECKING:
    from collections.abc import Iterator

    import polars as pl
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

STEP = 0.5
"""Spacing of the common times: finer than the polling of any logger that asks in turn. [s]"""

LONGEST_SILENCE = 10.0
"""Rows further apart than this belong to different stretches; no window reaches across. [s]"""


@dataclass(frozen=True)
class Fresh:
    """The fresh values of one channel of one drive, in order of time.

    ``sums`` and ``squares`` are running sums (one longer than ``values``) of the values less
    ``centre``, so that the mean and spread of any stretch cost two look-ups.
    """

    times: FloatArray
    values: FloatArray
    centre: float
    sums: FloatArray
    squares: FloatArray


@dataclass(frozen=True)
class Grid:
    """One drive on common times.

    Parameters
    ----------
    drive : str
        Drive id.
    origin : int
        Time of the drive's first row. [µs since 1970, UTC]
    times : (g,) float64
        Common times, ``step`` apart within a stretch. [s after origin]
    on_grid : dict of (g,) float64
        Each logged channel interpolated; NaN where it is not known. [channel unit]
    fresh : dict of Fresh
        Each logged channel as it was measured.
    step : float
        Spacing of ``times`` within a stretch. [s]
    """

    drive: str
    origin: int
    times: FloatArray
    on_grid: dict[str, FloatArray]
    fresh: dict[str, Fresh]
    step: float = STEP

    def moment(self, place: int) -> datetime:
        """Return when a common time was. [UTC]."""
        microseconds = self.origin + round(float(self.times[place]) * 1e6)
        return datetime.fromtimestamp(0, UTC) + timedelta(microseconds=microseconds)

    def channel(self, name: str) -> FloatArray:
        """Return a channel on the common times, all NaN where it is not logged."""
        return self.on_grid.get(name, np.full(self.times.size, np.nan))


def by_drive(samples: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    """Yield the drives of a log with their samples, in order."""
    if samples.height and samples["drive"].n_unique() == 1:  # most logs: nothing is copied
        yield samples["drive"][0], samples
        return
    for (drive,), rows in samples.group_by(["drive"], maintain_order=True):
        yield str(drive), rows


def make_grid(drive: str, rows: pl.DataFrame, step: float = STEP) -> Grid:
    """Bring one drive's samples to common times.

    Parameters
    ----------
    drive : str
        Drive id.
    rows : polars.DataFrame
        The samples of that drive alone, at least one row.
    step : float
        Spacing of the common times. [s]
    """
    stamps = rows["t"].to_physical().to_numpy()
    if (stamps[1:] < stamps[:-1]).any():
        rows = rows.sort("t", maintain_order=True)
        stamps = rows["t"].to_physical().to_numpy()
    seconds = (stamps - stamps[0]) / 1e6
    times = _common_times(seconds, step)
    fresh: dict[str, Fresh] = {}
    on_grid: dict[str, FloatArray] = {}
    around: _Around | None = None
    for name in CHANNELS:
        if name not in rows.columns:
            continue
        values = rows[name].cast(float).to_numpy()
        known = np.isfinite(values)
        if not known.any():
            continue
        read = (seconds, values) if known.all() else (seconds[known], values[known])
        fresh[name] = measured(*_one_at_a_time(*read))
        if around is None or around.times is not fresh[name].times:  # many share their times
            around = _around(fresh[name].times, times)
        on_grid[name] = _between(around, fresh[name].values, CHANNELS[name].longest_gap)
    return Grid(drive, int(stamps[0]), times, on_grid, fresh, step)


def interpolate(fresh: Fresh, times: FloatArray, longest_gap: float) -> FloatArray:
    """Values at given times, linear between fresh values that are close enough.

    Before the first and after the last fresh value of a slow channel (``longest_gap`` of 10 s and
    more: temperatures, odometer) the nearest value is held for at most that long.

    Parameters
    ----------
    fresh : Fresh
        The channel as it was measured.
    times : (g,) float64
        Where values are wanted. [s]
    longest_gap : float
        Of the channel. [s]

    Returns
    -------
    (g,) float64
        NaN where the channel is not known.
    """
    return _between(_around(fresh.times, times), fresh.values, longest_gap)


@dataclass(frozen=True, slots=True)
class _Around:
    """Where values are wanted, and the times at which there are some next to each of these.

    ``inner`` says that there are values on both sides, ``gap`` how far these are apart, ``exact``
    that there is one just then. ``since`` and ``until`` are how far the nearest value is where
    there are only values before, or only such behind; endless elsewhere. [s]
    """

    times: FloatArray
    wanted: FloatArray
    inner: NDArray[np.bool_]
    exact: NDArray[np.bool_]
    gap: FloatArray
    since: FloatArray
    until: FloatArray


def _around(times: FloatArray, wanted: FloatArray) -> _Around:
    after = np.searchsorted(times, wanted, side="left")
    last = times.size - 1
    right = times[np.minimum(after, last)]
    left = times[np.maximum(after - 1, 0)]
    return _Around(
        times,
        wanted,
        inner=(after > 0) & (after <= last),
        exact=right == wanted,
        gap=right - left,
        since=np.where(after > last, np.abs(wanted - left), np.inf),
        until=np.where(after == 0, np.abs(wanted - right), np.inf),
    )


def _between(around: _Around, values: FloatArray, longest_gap: float) -> FloatArray:
    known = (around.inner & (around.gap <= longest_gap)) | around.exact
    if longest_gap >= LONGEST_SILENCE:
        known |= (around.since <= longest_gap) | (around.until <= longest_gap)
    return np.where(known, np.interp(around.wanted, around.times, values), np.nan)


def rolling_mean_sd(values: FloatArray, length: int) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of each run of ``length`` values, NaN where one is missing.

    Returns
    -------
    tuple of two (g,) float64
        Entry i is of ``values[i : i + length]``; the last ``length - 1`` are NaN.
    """
    mean = np.full(values.size, np.nan)
    spread = np.full(values.size, np.nan)
    if values.size < length:
        return mean, spread
    known = np.isfinite(values)
    centre = float(values[known].mean()) if known.any() else 0.0
    deviations = np.where(known, values - centre, 0.0)
    first = _run_sums(deviations, length) / length
    second = _run_sums(deviations**2, length) / length
    whole = slice(None) if known.all() else _run_sums(known, length) == length
    end = values.size - length + 1
    mean[:end][whole] = (first + centre)[whole]
    spread[:end][whole] = np.sqrt(np.maximum(second - first**2, 0.0))[whole]
    return mean, spread


def runs_of(mask: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    """Whether each place and the ``length - 1`` behind it are all true; false for the last ones."""
    whole = np.zeros(mask.size, dtype=bool)
    if mask.size >= length:
        whole[: mask.size - length + 1] = _run_sums(mask, length) == length
    return whole


def fresh_statistics(
    fresh: Fresh, starts: FloatArray, ends: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Count, mean and standard deviation of the fresh values within given stretches.

    Returns
    -------
    tuple of (w,) int64, (w,) float64, (w,) float64
        Mean is NaN where there is no value, the standard deviation where there are fewer than two.
    """
    return statistics(fresh, places_within(fresh.times, starts, ends))


def places_within(
    times: FloatArray, starts: FloatArray, ends: FloatArray
) -> tuple[IntArray, IntArray]:
    """Return the first place within each of given stretches, and the first behind it."""
    return (
        np.searchsorted(times, starts, side="left"),
        np.searchsorted(times, ends, side="left"),
    )


def statistics(
    fresh: Fresh, places: tuple[IntArray, IntArray]
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Count, mean and standard deviation of the fresh values at :func:`places_within`."""
    first, last = places
    count = (last - first).astype(np.int64)
    size = np.where(count > 0, count, 1)
    mean = (fresh.sums[last] - fresh.sums[first]) / size
    square = (fresh.squares[last] - fresh.squares[first]) / size
    variance = np.maximum(square - mean**2, 0.0) * size / np.maximum(size - 1, 1)
    return (
        count,
        np.where(count > 0, mean + fresh.centre, np.nan),
        np.where(count > 1, np.sqrt(variance), np.nan),
    )


def unbroken(grid: Grid, length: int) -> NDArray[np.bool_]:
    """Whether the ``length`` common times from each one on belong to one stretch."""
    times = grid.times
    whole = np.zeros(times.size, dtype=bool)
    if times.size >= length:
        end = times.size - length + 1
        whole[:end] = times[length - 1 :] - times[:end] < (length - 0.5) * grid.step
    return whole


def _common_times(seconds: FloatArray, step: float) -> FloatArray:
    """Lay times ``step`` apart over each stretch of rows."""
    breaks = np.flatnonzero(np.diff(seconds) > LONGEST_SILENCE)
    starts = seconds[np.concatenate(([0], breaks + 1))]
    ends = seconds[np.concatenate((breaks, [seconds.size - 1]))]
    return np.concatenate(
        [
            start + step * np.arange(int((end - start) / step) + 1)
            for start, end in zip(starts, ends, strict=True)
        ]
    )


def _one_at_a_time(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Of two values at one time keep the later row's, as in the log."""
    last = np.append(np.diff(times) > 0.0, True)
    return (times, values) if last.all() else (times[last], values[last])


def measured(times: FloatArray, values: FloatArray) -> Fresh:
    """Keep the values of a channel, at least one, with their running sums."""
    centre = float(values.mean())
    deviations = values - centre
    return Fresh(
        times=times,
        values=values,
        centre=centre,
        sums=running_sums(deviations),
        squares=running_sums(deviations**2),
    )


def running_sums(values: FloatArray | NDArray[np.bool_]) -> NDArray[Any]:
    """Return the sums of the first 0, 1, … values; counts where they say yes or no."""
    sums = np.empty(values.size + 1, dtype=np.int64 if values.dtype == bool else np.float64)
    sums[0] = 0
    values.cumsum(out=sums[1:])
    return sums


def _run_sums(values: FloatArray | NDArray[np.bool_], length: int) -> NDArray[Any]:
    sums = running_sums(values)
    return np.asarray(sums[length:] - sums[:-length])
