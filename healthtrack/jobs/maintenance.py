"""Maintenance events from the command line and from lists kept elsewhere."""

from __future__ import annotations

import csv
import difflib
import math
from datetime import date
from typing import TYPE_CHECKING

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.errors import SettingsError, UsageError
from healthtrack.jobs.workspace import unknown_vehicle
from healthtrack.records import MaintenanceEvent

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

COLUMNS = ("vehicle", "on", "kind", "odometer_km", "note")
"""Columns of a list; the last two may be missing or empty."""


def make_event(
    vehicle: str, on: date, kind: str, odometer_km: float | None = None, note: str = ""
) -> MaintenanceEvent:
    """Return an event whose id follows from what was done, to what and when.

    Entering the same work of the same day again is therefore the same event.

    Raises
    ------
    UsageError
        There is no such kind, or the odometer is no distance.
    """
    if kind not in MAINTENANCE_KINDS:
        raise UsageError(unknown_kind(kind))
    if odometer_km is not None and not (math.isfinite(odometer_km) and odometer_km >= 0):
        raise UsageError(f"an odometer of {odometer_km} km cannot be. Give kilometres.")
    return MaintenanceEvent(f"{vehicle}-{on:%Y-%m-%d}-{kind}", vehicle, on, kind, odometer_km, note)


def unknown_kind(kind: str) -> str:
    """Return the sentence for a kind of work that is not known, with all that are."""
    near = difflib.get_close_matches(kind, MAINTENANCE_KINDS, n=1)
    hint = f" Did you mean {near[0]}?" if near else ""
    return f"there is no kind of maintenance {kind!r}.{hint} Known: {', '.join(MAINTENANCE_KINDS)}."


def read_list(path: Path, vehicles: Collection[str]) -> tuple[MaintenanceEvent, ...]:
    """Read a list of events: CSV with a header, comma or semicolon, dates as 2025-03-28.

    Raises
    ------
    SettingsError
        Naming every line that cannot be used; then none of the list is.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path} is not UTF-8 text. Save it as CSV in UTF-8.") from None
    lines = text.splitlines()
    delimiter = ";" if lines and ";" in lines[0] else ","
    reader = csv.DictReader(lines, delimiter=delimiter, skipinitialspace=True)
    header = tuple(name.strip() for name in reader.fieldnames or ())
    missing = [name for name in COLUMNS[:3] if name not in header]
    unknown = [name for name in header if name not in COLUMNS]
    if missing or unknown:
        raise SettingsError(
            f"{path} needs a first line that names the columns {delimiter.join(COLUMNS)} (the last "
            f"two may be missing); it has {delimiter.join(header) or 'nothing'}."
        )
    reader.fieldnames = header
    events, faults = [], []
    for row in reader:
        try:
            events.append(_event(row, vehicles))
        except UsageError as error:
            faults.append(f"  line {reader.line_num}: {error}")
    if faults:
        listed = "\n".join(faults)
        raise SettingsError(f"{path} was not imported; mend these lines first:\n{listed}")
    return tuple(events)


def _event(row: dict[str, str | None], vehicles: Collection[str]) -> MaintenanceEvent:
    if None in row:
        raise UsageError("it has more cells than there are columns.")
    cells = {name: (row.get(name) or "").strip() for name in COLUMNS}
    if cells["vehicle"] not in vehicles:
        raise UsageError(unknown_vehicle(cells["vehicle"], sorted(vehicles)))
    return make_event(
        cells["vehicle"],
        _day(cells["on"]),
        cells["kind"],
        _kilometres(cells["odometer_km"]),
        cells["note"],
    )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no date; write it like 2025-03-28.") from None


def _kilometres(text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        raise UsageError(f"{text!r} is no odometer in km; write it like 214300.") from None
