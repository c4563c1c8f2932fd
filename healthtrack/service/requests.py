"""What other processes ask of the service while it holds the store: small files, whole or not.

A request lies in ``service/requests`` until the service has done it, so it survives a crash of
either side, and doing it twice is doing it once.
"""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from healthtrack.errors import UsageError
from healthtrack.jobs.maintenance import make_event
from healthtrack.placing import place
from healthtrack.service.state import FOLDER
from healthtrack.store import Episodes

if TYPE_CHECKING:
    from pathlib import Path

    from healthtrack.records import MaintenanceEvent
    from healthtrack.store import Episode, Store

_LARGEST = 10_000

NOTE = 500
"""Letters of a note that are kept."""


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """Someone has taken note of a vehicle's open alerts, or of one indicator's."""

    vehicle: str
    indicator: str | None
    by: str
    moment: datetime


@dataclass(frozen=True, slots=True)
class Work:
    """Something was done to a vehicle, and is to be entered."""

    event: MaintenanceEvent


Request = Acknowledgement | Work


def ask(root: Path, request: Request) -> Path:
    """Leave a request for the service."""
    folder = root / FOLDER / "requests"
    folder.mkdir(parents=True, exist_ok=True)
    document = _document(request)
    target = folder / f"{uuid.uuid4().hex}.json"
    place(target, json.dumps(document).encode())
    return target


def waiting(root: Path) -> tuple[Path, ...]:
    """Return the requests that wait."""
    folder = root / FOLDER / "requests"
    try:
        return tuple(sorted(path for path in folder.iterdir() if path.suffix == ".json"))
    except OSError:
        return ()


def read(path: Path) -> Request | None:
    """Read a request; None where it is none that is known."""
    try:
        with path.open(encoding="utf-8") as stream:
            document = json.loads(stream.read(_LARGEST))
        if document["kind"] == "maintenance":
            return _work(document)
        return _acknowledgement(document) if document["kind"] == "acknowledge" else None
    except (OSError, ValueError, KeyError, TypeError, UsageError):
        return None


def _document(request: Request) -> dict[str, Any]:
    if isinstance(request, Acknowledgement):
        return {
            "kind": "acknowledge",
            "vehicle": request.vehicle,
            "indicator": request.indicator,
            "by": request.by,
            "moment": request.moment.isoformat(),
        }
    event = request.event
    return {
        "kind": "maintenance",
        "vehicle": event.vehicle,
        "on": event.on.isoformat(),
        "work": event.kind,
        "odometer_km": event.odometer_km,
        "note": event.note,
    }


def _acknowledgement(document: dict[str, Any]) -> Acknowledgement:
    indicator = document["indicator"]
    return Acknowledgement(
        str(document["vehicle"]),
        None if indicator is None else str(indicator),
        str(document["by"])[:100],
        datetime.fromisoformat(document["moment"]).astimezone(UTC),
    )


def _work(document: dict[str, Any]) -> Work:
    km = document["odometer_km"]
    return Work(
        make_event(
            str(document["vehicle"]),
            date.fromisoformat(document["on"]),
            str(document["work"]),
            None if km is None else float(km),
            str(document["note"])[:NOTE],
        )
    )


def carry_out(store: Store, request: Request) -> tuple[str, ...]:
    """Do what was asked, and return what it was done to; doing it twice is doing it once."""
    if isinstance(request, Acknowledgement):
        return tuple(one.episode for one in acknowledge(store, request))
    return (request.event.event,) if store.add_maintenance([request.event]) else ()


def acknowledge(store: Store, request: Acknowledgement) -> tuple[Episode, ...]:
    """Note that someone knows of the open alerts, and return those that were news."""
    episodes = Episodes(store)
    known = tuple(
        replace(one, acknowledged=request.moment, acknowledged_by=request.by)
        for one in episodes.open(request.vehicle)
        if one.acknowledged is None and request.indicator in (None, one.indicator)
    )
    episodes.keep(known)
    return known
