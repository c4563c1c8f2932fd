"""The axis that all trends of a report share: odometer, or the date where there is none."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Literal

import numpy as np

from healthtrack.report.numbers import MONTHS, number

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.records import MaintenanceEvent, Trend

    FloatArray = NDArray[np.float64]

ENOUGH_ODOMETER = 0.5
"""Share of drives that must know the odometer for it to be the axis; the rest is interpolated."""

MOST_AHEAD = 0.35
"""How much of the life so far the axis may reach into the future."""

_EPOCH = date(1970, 1, 1).toordinal()
_DAY_US = 86_400_000_000.0


@dataclass(frozen=True)
class Tick:
    """A place on the axis with its words."""

    at: float
    words: str


@dataclass(frozen=True)
class Timeline:
    """Places of drives and days on the shared axis.

    Parameters
    ----------
    kind : "odometer" or "date"
        What the axis counts.
    low, high : float
        Its ends. [km, or days since 1970]
    days, kms : (n,) float64
        Known pairs, both rising, by which a day finds its odometer and the other way round.
    distance : str
        The unit in which the odometer is counted.
    """

    kind: Literal["odometer", "date"]
    low: float
    high: float
    days: FloatArray
    kms: FloatArray
    distance: str = "km"

    @property
    def words(self) -> str:
        """What the axis counts, with its unit."""
        return f"odometer, {self.distance}" if self.kind == "odometer" else "date"

    def places(self, frame: pl.DataFrame) -> FloatArray:
        """Return the place of every row of a trend's frame [km, or days since 1970]."""
        days = _days(frame)
        if self.kind == "date":
            return days
        kms = frame["odometer_km"].cast(float).to_numpy().astype(np.float64)
        return np.where(np.isfinite(kms), kms, self._km_of(days))

    def place_of_day(self, day: date, km: float | None = None) -> float | None:
        """Return the place of a day; ``km`` is used instead where the axis is the odometer."""
        at = float(day.toordinal() - _EPOCH)
        if self.kind == "date":
            return at
        if km is not None:
            return km
        return float(self._km_of(np.array([at]))[0]) if self.days.size else None

    def place_of_event(self, event: MaintenanceEvent) -> float | None:
        """Return the place of a maintenance event, None where it lies beyond the axis."""
        at = self.place_of_day(event.on, event.odometer_km)
        return at if at is not None and self.low <= at <= self.high else None

    def ticks(self) -> list[Tick]:
        """Return at most eight ticks in round numbers."""
        if self.kind == "date":
            return day_ticks(self.low, self.high)
        if self.kms.size and self.kms[0] == self.kms[-1]:
            return [Tick(float(self.kms[0]), number(float(self.kms[0]), 0))]
        return [Tick(at, number(at, 0)) for at in round_steps(self.low, self.high, 6)]

    def calendar(self) -> list[Tick]:
        """Return where calendar days lie on an odometer axis; nothing where the axis is a date."""
        if self.kind == "date" or self.days.size < 2:
            return []
        ticks = day_ticks(float(self.days[0]), float(self.days[-1]))
        kms = self._km_of(np.array([tick.at for tick in ticks], dtype=np.float64))
        return [Tick(float(km), tick.words) for km, tick in zip(kms, ticks, strict=True)]

    def _km_of(self, days: FloatArray) -> FloatArray:
        return np.asarray(np.interp(days, self.days, self.kms), dtype=np.float64)


def timeline(
    trends: Sequence[Trend], beyond: Iterable[tuple[float | None, date | None]]
) -> Timeline:
    """Choose the axis for all trends of a report.

    Parameters
    ----------
    trends : sequence of Trend
        What will be drawn; rows are drives.
    beyond : iterable of (km or None, date or None)
        Further places that must be on the axis, such as a forecast's.
    """
    days = np.concatenate([_days(trend.frame) for trend in trends] or [np.empty(0)])
    kms = np.concatenate(
        [trend.frame["odometer_km"].cast(float).to_numpy() for trend in trends] or [np.empty(0)]
    ).astype(np.float64)
    known = np.isfinite(kms)
    if days.size and known.mean() >= ENOUGH_ODOMETER:
        order = np.argsort(days[known], kind="stable")
        pairs = days[known][order], np.maximum.accumulate(kms[known][order])
        further = [km for km, _ in beyond if km is not None]
        return Timeline("odometer", *_ends(pairs[1], further, 100.0), *pairs)
    further = [float(day.toordinal() - _EPOCH) for _, day in beyond if day is not None]
    return Timeline("date", *_ends(days, further, 10.0), np.empty(0), np.empty(0))


def _ends(places: FloatArray, further: list[float], least: float) -> tuple[float, float]:
    """Return the ends with a small margin; never an axis without length.

    What lies further than :data:`MOST_AHEAD` of the life so far is cut off, so that a forecast of
    the far future does not press the past together.
    """
    if places.size and further:
        most = places.max() + MOST_AHEAD * max(float(np.ptp(places)), 10.0 * least)
        further = [min(place, float(most)) for place in further]
    everything = [*places.tolist(), *further]
    if not everything:
        return 0.0, 1.0
    low, high = min(everything), max(everything)
    margin = max(0.015 * (high - low), least if high == low else 0.0)
    return low - margin, high + margin


def _days(frame: pl.DataFrame) -> FloatArray:
    micros = frame["started"].dt.timestamp("us").to_numpy().astype(np.float64)
    return np.asarray(micros / _DAY_US, dtype=np.float64)


def round_steps(low: float, high: float, most: int) -> list[float]:
    """Return at most ``most`` + 1 round numbers between two ends, a step of 1, 2 or 5 apart."""
    if not high > low:
        return [low]
    raw = (high - low) / most
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * (1 - 1e-9))
    first = int(np.ceil(low / step - 1e-9))
    last = int(np.floor(high / step + 1e-9))
    return [float(round(i * step, 9)) for i in range(first, last + 1)]


def day_ticks(low: float, high: float) -> list[Tick]:
    """Return at most eight calendar ticks between two days [days since 1970]."""
    ticks: list[Tick] = []
    for months in (1, 3, 6, 12, 24, 60, 120):
        ticks = _month_starts(low, high, months)
        if len(ticks) <= 8:
            break
    if len(ticks) >= 2:
        return ticks
    days = round_steps(np.ceil(low), np.floor(high), 5)
    return [Tick(at, _day_words(at)) for at in days if float(at).is_integer()]


def _month_starts(low: float, high: float, step: int) -> list[Tick]:
    first, last = _date_of(low), _date_of(high)
    ticks = []
    for month in range(first.year * 12 + first.month - 1, last.year * 12 + last.month):
        year, index = divmod(month, 12)
        at = float(date(year, index + 1, 1).toordinal() - _EPOCH)
        if month % step == 0 and low <= at <= high:
            words = str(year) if step >= 12 else f"{MONTHS[index][:3]} {year}"
            ticks.append(Tick(at, words))
    return ticks


def _day_words(at: float) -> str:
    day = _date_of(at)
    return f"{day.day} {MONTHS[day.month - 1][:3]} {day.year}"


def _date_of(at: float) -> date:
    return datetime.fromtimestamp(at * 86_400.0, tz=UTC).date()
