"""A finding in the reader's units: everything that is drawn of it is converted here, once.

Fields keep their names: what ``odometer_km`` counts after :func:`in_units` is the reader's unit of
distance. Sentences of other blocks are converted number by number; their digits stay as fine as
they were. A user's own words (names, notes) are left alone.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import polars as pl

from healthtrack import units
from healthtrack.report import words
from healthtrack.report.numbers import MINUS, THIN, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.config import ReportSettings
    from healthtrack.records import (
        CauseFinding,
        Diagnosis,
        Evidence,
        Forecast,
        IndicatorFinding,
        RepairFinding,
        Together,
        Trend,
        VehicleFinding,
    )

DISTANCES = ("limit_km", "limit_km_low", "limit_km_high", "horizon_km")
SINCE = ("since_km", "since_km_low", "since_km_high", "raised_at_km")
SLOPES = ("slope_per_10000_km", "slope_low", "slope_high")
VALUES = (
    *("level", "low", "high", "limit", "threshold"),
    *("slope_per_year", "slope_per_year_low", "slope_per_year_high"),
)
MOVED = ("moved", "shared", "shared_low", "shared_high", "own", "own_low", "own_high")
COLUMNS = (
    *("value", "se", "filtered", "filtered_low", "filtered_high"),
    *("smoothed", "smoothed_low", "smoothed_high"),
)
"""Columns of a trend's frame in the indicator's unit."""

_NUMBER = rf"[-{MINUS}+±]?\d+(?:[ {THIN}]\d{{3}}(?!\d))*(?:\.\d+)?"
_QUANTITY = re.compile(
    rf"(?<![\w.])(?P<first>{_NUMBER})(?:(?P<join> to | and |\N{{EN DASH}})(?P<second>{_NUMBER}))?"
    rf"[ {THIN}](?P<unit>km/h|km|kPa|K|°C|g/s|kW)(?![\w/·²³])"
    rf"(?P<between>[a-z ]{{0,24}}\((?P<low>{_NUMBER}) to (?P<high>{_NUMBER})(?=\)))?"
)


@dataclass(frozen=True)
class ShownUnits:
    """The reader's units.

    Parameters
    ----------
    flow, pressure, distance, temperature, power : str
        As in :class:`healthtrack.config.ReportSettings`; a pressure is absolute.
    """

    flow: str = "g/s"
    pressure: str = "kPa"
    distance: str = "km"
    temperature: str = "°C"
    power: str = "kW"

    @classmethod
    def of(cls, settings: ReportSettings) -> ShownUnits:
        """Return what the settings of reports say."""
        return cls(
            settings.airflow,
            settings.pressure,
            settings.distance,
            settings.temperature,
            settings.power,
        )

    def unit(self, unit: str) -> str:
        """Return what a unit of the store is shown in; one that has no choice stays."""
        return {
            "g/s": self.flow,
            "kPa": self.pressure,
            "km": self.distance,
            "km/h": "mph" if self.distance == "mi" else "km/h",
            "°C": self.temperature,
            "K": "°F" if self.temperature == "°F" else "K",
            "kW": self.power,
        }.get(unit, unit)

    def factor(self, unit: str) -> float:
        """Return what one of the store's unit is in the unit shown; K and °C as differences."""
        shown = self.unit(unit)
        return 1.0 if shown == unit else units.convert_difference(1.0, unit, shown)

    def value(self, value: float, unit: str) -> float:
        """Return a value in the unit shown; a temperature in °C with its offset, one in K not."""
        if unit == "°C":
            return units.convert(value, unit, self.unit(unit))
        return value * self.factor(unit)

    @property
    def per_gram(self) -> float:
        """What one g/s is."""
        return self.factor("g/s")

    @property
    def per_kilopascal(self) -> float:
        """What one kPa is."""
        return self.factor("kPa")

    def sentence(self, sentence: str) -> str:
        r"""Write a sentence's quantities in the units shown.

        Examples
        --------
        >>> ShownUnits(distance="mi").sentence("gradually since about 203 000 km")
        'gradually since about 126\xa0000 mi'
        """
        return sentence if self == SI else _QUANTITY.sub(self._written, sentence)

    def _written(self, found: re.Match[str]) -> str:
        unit = found["unit"]
        if self.unit(unit) == unit:
            return found[0]

        first, *second = self._again([found["first"], found["second"]], unit)
        out = first + "".join(f"{found['join']}{number}" for number in second)
        out += f" {self.unit(unit)}"
        if found["between"] is not None:
            words_before = found["between"].partition("(")[0]
            low, high = self._again([found["low"], found["high"]], unit)
            out += f"{words_before}({low} to {high}"
        return out

    def _again(self, written: Sequence[str | None], unit: str) -> list[str]:
        """Write numbers in the unit shown, as finely as the finest of them was written."""
        told = [one for one in written if one is not None]
        plain = [re.sub(rf"[ {THIN}±+]", "", one).replace(MINUS, "-") for one in told]
        values = [self.value(float(one), unit) for one in plain]
        decimals = max(
            _fineness(one, self.factor(unit), value)
            for one, value in zip(plain, values, strict=True)
        )
        return [
            ("±" if one[0] == "±" else "") + number(value, decimals, sign=one[0] == "+")
            for one, value in zip(told, values, strict=True)
        ]


SI = ShownUnits()
"""The store's own units."""


def _fineness(plain: str, factor: float, value: float) -> int:
    """Return the decimals that say as much as the number that was converted.

    A step of the new number is at most twice one of the old. Whether zeros at the end of a whole
    number were rounded cannot be seen: they count as rounded, as long as that moves it by less
    than half a percent.
    """
    _, point, after = plain.partition(".")
    zeros = 0 if point else len(plain.lstrip("-")) - len(plain.lstrip("-").rstrip("0") or "0")
    step = 10.0 ** (-len(after) if point else min(zeros, 3))
    decimals = -math.floor(math.log10(step * factor) + math.log10(2.0))
    while not point and decimals < 1 and abs(round(value, decimals) - value) > 0.005 * abs(value):
        decimals += 1
    return decimals


def in_units(finding: VehicleFinding, shown: ShownUnits) -> VehicleFinding:
    """Return the finding in the reader's units, to be drawn; the store's own units change nothing.

    Parameters
    ----------
    finding : VehicleFinding
        As the chain gives it, in the store's units.
    shown : ShownUnits
        The reader's.
    """
    if shown == SI:
        return finding
    far = shown.factor("km")
    return replace(
        finding,
        reason=shown.sentence(finding.reason),
        odometer_km=_times(finding.odometer_km, far),
        indicators=tuple(_indicator(item, shown) for item in finding.indicators),
        causes=tuple(_cause(item, shown) for item in finding.causes),
        not_observable=tuple(
            replace(item, needs=shown.sentence(item.needs)) for item in finding.not_observable
        ),
        advice=tuple(map(shown.sentence, finding.advice)),
        maintenance=tuple(
            replace(event, odometer_km=_times(event.odometer_km, far))
            for event in finding.maintenance
        ),
        evidence=_evidence(finding.evidence, shown),
        diagnosis=_diagnosis(finding, shown),
        sensors=tuple(map(shown.sentence, finding.sensors)),
        repairs=tuple(_repair(item, shown) for item in finding.repairs),
    )


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _indicator(item: IndicatorFinding, shown: ShownUnits) -> IndicatorFinding:
    scale, far = shown.factor(item.unit), shown.factor("km")
    fields: dict[str, Any] = {name: _times(getattr(item, name), scale) for name in VALUES}
    fields |= {name: _times(getattr(item, name), scale / far) for name in SLOPES}
    fields |= {name: _times(getattr(item, name), far) for name in SINCE}
    return replace(
        item,
        unit=shown.unit(item.unit),
        reason=shown.sentence(item.reason),
        forecast=_forecast(item.forecast, scale, far),
        together=_together(item.together, scale),
        trend=_trend(item.trend, scale, far),
        **fields,
    )


def _together(together: Together | None, scale: float) -> Together | None:
    if together is None:
        return None
    fields: dict[str, Any] = {name: _times(getattr(together, name), scale) for name in MOVED}
    return replace(together, **fields)


def _forecast(forecast: Forecast | None, scale: float, far: float) -> Forecast | None:
    if forecast is None:
        return None
    fan = tuple(
        replace(
            point,
            km=point.km * far,
            low=point.low * scale,
            quarter=point.quarter * scale,
            middle=point.middle * scale,
            three_quarters=point.three_quarters * scale,
            high=point.high * scale,
        )
        for point in forecast.fan
    )
    distances: dict[str, Any] = {name: _times(getattr(forecast, name), far) for name in DISTANCES}
    return replace(forecast, fan=fan, limit=_times(forecast.limit, scale), **distances)


def _trend(trend: Trend | None, scale: float, far: float) -> Trend | None:
    """Convert a trend's frame when it is first looked at."""
    if trend is None:
        return None

    def converted(_: pl.DataFrame) -> pl.DataFrame:
        frame = trend.frame
        columns = [pl.col(name) * scale for name in COLUMNS if name in frame.columns]
        odometer = pl.col("odometer_km").cast(pl.Float64) * far
        return frame.with_columns(*columns, odometer)

    return replace(trend, smoother=converted)


def _cause(item: CauseFinding, shown: ShownUnits) -> CauseFinding:
    unit = item.unit or ""
    if shown.unit(unit) == unit:
        return item
    sizes: dict[str, Any] = {
        name: _times(getattr(item, name), shown.factor(unit))
        for name in ("size", "size_low", "size_high")
    }
    return replace(item, unit=shown.unit(unit), **sizes)


def _evidence(evidence: Evidence | None, shown: ShownUnits) -> Evidence | None:
    """Convert levels of regions; the conditions that go with them are not shown."""
    if evidence is None:
        return None
    regions = []
    for region in evidence.regions:
        scale = shown.factor(words.unit(region.indicator))
        regions.append(replace(region, level=region.level * scale, sd=region.sd * scale))
    return replace(evidence, regions=tuple(regions))


def _diagnosis(finding: VehicleFinding, shown: ShownUnits) -> Diagnosis | None:
    diagnosis, evidence = finding.diagnosis, finding.evidence
    if diagnosis is None:
        return None
    scales = [
        shown.factor(words.unit(region.indicator))
        for region in (evidence.regions if evidence else ())
    ]
    expected = tuple(
        replace(
            item,
            levels=tuple(
                _times(level, scale) for level, scale in zip(item.levels, scales, strict=False)
            ),
        )
        for item in diagnosis.expected
    )
    looks = tuple(
        replace(look, words=shown.sentence(look.words)) for look in diagnosis.next_observations
    )
    return replace(diagnosis, expected=expected, next_observations=looks)


def _repair(item: RepairFinding, shown: ShownUnits) -> RepairFinding:
    changes = []
    for change in item.changes:
        scale = shown.factor(words.unit(change.indicator))
        changes.append(
            replace(
                change,
                change=change.change * scale,
                low=change.low * scale,
                high=change.high * scale,
            )
        )
    causes = tuple(_cause(cause, shown) for cause in item.causes)
    return replace(item, changes=tuple(changes), causes=causes)
