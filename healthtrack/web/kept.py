"""A kept verdict, read back from the store's JSON, for as long as no full one is there."""

from __future__ import annotations

import json
from datetime import date
from typing import TYPE_CHECKING, Any, cast

from healthtrack.records import (
    STATES,
    BaselineSummary,
    CauseFinding,
    Forecast,
    IndicatorFinding,
    NotObservable,
    Together,
    VehicleFinding,
)

if TYPE_CHECKING:
    from healthtrack.store import StoredFinding

FIGURES = (
    *("level", "low", "high", "slope_per_10000_km", "slope_low", "slope_high", "kind"),
    *("since_km", "since_km_low", "since_km_high", "raised_at_km", "limit"),
)


def read_kept(kept: StoredFinding) -> VehicleFinding:
    """Return the verdict that a document holds; without courses, evidence and losses."""
    document: dict[str, Any] = json.loads(kept.document)
    return VehicleFinding(
        vehicle=kept.vehicle,
        as_of=kept.as_of,
        state=next((state for state in STATES if state == kept.state), "no_data"),
        reason=document["reason"],
        odometer_km=document["odometer_km"],
        drives=document["drives"],
        baseline=_baseline(document["baseline"]),
        indicators=tuple(map(_indicator, document["indicators"])),
        causes=tuple(CauseFinding(**cause) for cause in document["causes"]),
        not_observable=tuple(NotObservable(**item) for item in document["not_observable"]),
        advice=tuple(document["advice"]),
    )


def _baseline(raw: dict[str, Any]) -> BaselineSummary | None:
    if raw["from"] is None:
        return None
    start, end = cast("date", _day(raw["from"])), cast("date", _day(raw["to"]))
    return BaselineSummary(start, end, raw["drives"], raw["restarted_by"])


def _indicator(raw: dict[str, Any]) -> IndicatorFinding:
    far = raw["forecast"]
    forecast = Forecast(
        far["limit_km"], far["limit_km_low"], far["limit_km_high"], _day(far["limit_on"])
    )
    return IndicatorFinding(
        raw["indicator"],
        raw["unit"],
        raw["state"],
        "",
        **{name: raw[name] for name in FIGURES},
        raised_on=_day(raw["raised_on"]),
        forecast=forecast,
        together=_together(raw.get("together")),
    )


def _together(raw: dict[str, Any] | None) -> Together | None:
    # verdicts that were kept by an earlier version do not have it
    return None if raw is None or raw["kind"] is None else Together(**raw)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
