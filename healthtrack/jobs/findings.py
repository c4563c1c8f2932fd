"""A finding as a plain dictionary: the stable shape of ``assess --json`` that scripts depend on.

Every key is always there; what is not known is null. Nothing is computed here. Numbers are rounded
far below what they are worth, so that the text is the same on every machine.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.records import (
        BaselineSummary,
        CauseFinding,
        Forecast,
        IndicatorFinding,
        RepairFinding,
        Together,
        VehicleFinding,
    )


def findings_as_dict(as_of: date, findings: Sequence[VehicleFinding]) -> dict[str, Any]:
    """Return the whole document of ``assess --json``."""
    return {"as_of": _day(as_of), "vehicles": [finding_as_dict(finding) for finding in findings]}


def finding_as_dict(finding: VehicleFinding) -> dict[str, Any]:
    """Return one vehicle's part of the document."""
    return {
        "vehicle": finding.vehicle,
        "state": finding.state,
        "reason": finding.reason,
        "odometer_km": _kilometres(finding.odometer_km),
        "drives": finding.drives,
        "baseline": _baseline(finding.baseline),
        "indicators": [_indicator(indicator) for indicator in finding.indicators],
        "causes": [_cause(cause) for cause in finding.causes],
        "not_observable": [
            {"indicator": item.indicator, "needs": item.needs} for item in finding.not_observable
        ],
        "advice": list(finding.advice),
        "repairs": [_repair(repair) for repair in finding.repairs],
    }


def _repair(repair: RepairFinding) -> dict[str, Any]:
    return {
        "event": repair.event,
        "on": _day(repair.on),
        "kind": repair.kind,
        "gone": _figure(repair.gone),
        "changes": [
            {
                "indicator": change.indicator,
                "region": change.region,
                "change": _figure(change.change),
                "low": _figure(change.low),
                "high": _figure(change.high),
            }
            for change in repair.changes
        ],
        "causes_before": [_cause(cause) for cause in repair.causes],
    }


def _baseline(baseline: BaselineSummary | None) -> dict[str, Any]:
    if baseline is None:
        keys = ("from", "to", "drives", "restarted_by", "sisters")
        return dict.fromkeys(keys)
    return {
        "from": _day(baseline.start),
        "to": _day(baseline.end),
        "drives": baseline.drives,
        "restarted_by": baseline.restarted_by,
        "sisters": baseline.sisters,
    }


def _indicator(found: IndicatorFinding) -> dict[str, Any]:
    return {
        "indicator": found.indicator,
        "unit": found.unit,
        "state": found.state,
        "level": _figure(found.level),
        "low": _figure(found.low),
        "high": _figure(found.high),
        "slope_per_10000_km": _figure(found.slope_per_10000_km),
        "slope_low": _figure(found.slope_low),
        "slope_high": _figure(found.slope_high),
        "kind": found.kind,
        "since_km": _kilometres(found.since_km),
        "since_km_low": _kilometres(found.since_km_low),
        "since_km_high": _kilometres(found.since_km_high),
        "raised_on": _day(found.raised_on),
        "raised_at_km": _kilometres(found.raised_at_km),
        "limit": _figure(found.limit),
        "forecast": _forecast(found.forecast),
        "together": _together(found.together),
    }


def _forecast(forecast: Forecast | None) -> dict[str, Any]:
    if forecast is None:
        keys = ("limit_km", "limit_km_low", "limit_km_high", "limit_on")
        return dict.fromkeys((*keys, "before_service", "before_trip"))
    return {
        "limit_km": _kilometres(forecast.limit_km),
        "limit_km_low": _kilometres(forecast.limit_km_low),
        "limit_km_high": _kilometres(forecast.limit_km_high),
        "limit_on": _day(forecast.limit_on),
        "before_service": _figure(forecast.before_service),
        "before_trip": _figure(forecast.before_trip),
    }


def _together(found: Together | None) -> dict[str, Any]:
    figures = ("moved", "shared", "shared_low", "shared_high", "own", "own_low", "own_high")
    if found is None:
        return dict.fromkeys(("vehicles", "kind", *figures))
    return {
        "vehicles": found.vehicles,
        "kind": found.kind,
        **{name: _figure(getattr(found, name)) for name in figures},
    }


def _cause(cause: CauseFinding) -> dict[str, Any]:
    return {
        "cause": cause.cause,
        "probability": _figure(cause.probability),
        "size": _figure(cause.size),
        "size_low": _figure(cause.size_low),
        "size_high": _figure(cause.size_high),
        "unit": cause.unit,
    }


def _figure(value: float | None) -> float | None:
    return _rounded(value, 4)


def _kilometres(value: float | None) -> float | None:
    return _rounded(value, 1)


def _rounded(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None  # JSON knows no NaN
    return round(float(value), digits) + 0.0  # no minus zero


def _day(day: date | None) -> str | None:
    return None if day is None else f"{day:%Y-%m-%d}"
