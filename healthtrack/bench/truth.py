"""What was really wrong, and when: from a table, from work that was done, or from what was put in.

Three kinds of witness, from the surest on: faults that the bench itself has put in (their size is
known on every day), a person's table, and maintenance events (what was found, but not since when).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.diagnosis import CAUSES
from healthtrack.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from pathlib import Path

    from healthtrack.records import MaintenanceEvent

Witness = Literal["injected", "table", "maintenance"]

LOOK_BACK = timedelta(days=365)
"""How long before work that found something an alert counts as having told of it: wear of the air
path takes months to a year to be noticed (common practice, no source)."""

MENDS: dict[str, tuple[tuple[str, ...], bool]] = {
    # kind of work: (causes that it mends, whether it is done only because something was wrong)
    "airflow_sensor_replaced": (("airflow_sensor_reads_low", "airflow_sensor_reads_high"), True),
    "airflow_sensor_cleaned": (("airflow_sensor_reads_low",), False),
    "manifold_pressure_sensor_replaced": (("manifold_pressure_offset",), True),
    "turbocharger_replaced": (("turbocharger_weak",), True),
    "charge_air_leak_repaired": (("charge_air_leak",), True),
    "charge_cooler_cleaned": (("charge_cooler_fouled",), False),
    "air_filter_replaced": (("air_filter_restricted",), False),
    "recirculation_valve_serviced": (("egr_stuck_open",), True),
}
"""What work says was wrong. Cleaning and filters are also done by the calendar: an alert before
them, on an indicator that they restart, is explained, but silence before them is no miss, and the
vehicle counts as sound: else a yearly filter would leave no time to count false alerts on."""

COLUMNS = ("vehicle", "cause", "since")
"""Columns that a table of truth needs; ``full_on``, ``until``, ``size``, ``unit`` are used too."""


@dataclass(frozen=True, slots=True)
class Truth:
    """One fault of one vehicle.

    Parameters
    ----------
    vehicle : str
        Vehicle id.
    causes : tuple of str
        The cause, or several of which it was one; ``("unknown",)`` where nobody knows.
    since : date or None
        First day; None where it is not known.
    full_on : date or None
        Day from which it has its whole size; ``since`` for a step.
    until : date or None
        Day on which it was mended; None where it is still there.
    size : float or None
        Whole size. [unit]
    unit : str
        Of the size, as the cause declares it.
    witness : str
        ``injected``, ``table`` or ``maintenance``.
    expected : bool
        Whether silence is a miss.
    indicators : tuple of str
        Those whose alerts it explains; all of them where empty.
    """

    vehicle: str
    causes: tuple[str, ...]
    since: date | None
    full_on: date | None = None
    until: date | None = None
    size: float | None = None
    unit: str = ""
    witness: Witness = "table"
    expected: bool = True
    indicators: tuple[str, ...] = ()

    def explains(self, indicator: str) -> bool:
        """Say whether an alert on an indicator, raised while it was at work, tells of it."""
        return not self.indicators or indicator in self.indicators

    @property
    def begins(self) -> date:
        """The first day on which an alert tells of it."""
        if self.since is not None:
            return self.since
        return (self.until or date.max) - LOOK_BACK

    def size_on(self, day: date) -> float | None:
        """Return its size on a day; None where the size is not known. [unit]."""
        if self.size is None or self.since is None:
            return None
        if day < self.since or (self.until is not None and day >= self.until):
            return 0.0
        full = self.full_on or self.since
        if day >= full:
            return self.size
        return self.size * ((day - self.since).days + 0.5) / max((full - self.since).days, 1)


def from_maintenance(events: Iterable[MaintenanceEvent]) -> tuple[Truth, ...]:
    """Return what the work on vehicles says of faults before it."""
    found = []
    for event in events:
        if event.kind in MENDS:
            causes, certain = MENDS[event.kind]
            found.append(
                Truth(
                    event.vehicle,
                    causes,
                    None,
                    until=event.on,
                    witness="maintenance",
                    expected=certain,
                    indicators=() if certain else MAINTENANCE_KINDS[event.kind][1],
                )
            )
    return tuple(found)


def read_table(path: Path, vehicles: Collection[str]) -> tuple[Truth, ...]:
    """Read a table of faults, as an analyst or a workshop keeps it.

    Parameters
    ----------
    path : Path
        CSV with a header: ``vehicle``, ``cause``, ``since`` and, where known, ``full_on``,
        ``until``, ``size``, ``unit``; other columns are left alone. A row with the cause ``none``
        says that the vehicle was sound; several causes of which it was one are joined by ``|``.
    vehicles : collection of str
        Ids that exist; rows of others are faults of the table.

    Raises
    ------
    SettingsError
        Naming every line that cannot be used; then none of the table is.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path} is not UTF-8 text. Save it as CSV in UTF-8.") from None
    delimiter = ";" if lines and ";" in lines[0] else ","
    reader = csv.DictReader(lines, delimiter=delimiter, skipinitialspace=True)
    missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
    if missing:
        raise SettingsError(
            f"{path} needs a first line that names the columns {delimiter.join(COLUMNS)}; it lacks "
            f"{', '.join(missing)}."
        )
    rows, faults = [], []
    for row in reader:
        try:
            rows.append(_row(row, vehicles))
        except ValueError as error:
            faults.append(f"  line {reader.line_num}: {error}")
    if faults:
        raise SettingsError(f"{path} cannot be used:\n" + "\n".join(faults))
    return tuple(row for row in rows if row is not None)


def _row(row: dict[str, str | None], vehicles: Collection[str]) -> Truth | None:
    told = {key: (row[key] or "").strip() for key in row if key}
    if told["vehicle"] not in vehicles:
        msg = f"there is no vehicle {told['vehicle']!r} (there: {', '.join(vehicles) or 'none'})"
        raise ValueError(msg)
    causes = tuple(part.strip() for part in told["cause"].split("|"))
    if causes == ("none",):
        return None
    for cause in causes:
        if cause not in CAUSES and cause != "unknown":
            msg = f"there is no cause {cause!r} (there: {', '.join(CAUSES)}, unknown, none)"
            raise ValueError(msg)
    since, until = _day(told, "since"), _day(told, "until")
    if since is None and until is None:
        msg = "neither since nor until is given, so nobody knows when it was"
        raise ValueError(msg)
    unit = CAUSES[causes[0]].unit if causes[0] in CAUSES else ""
    return Truth(
        vehicle=told["vehicle"],
        causes=causes,
        since=since,
        full_on=_day(told, "full_on") or since,
        until=until,
        size=_size(told),
        unit=unit,
        witness="table",
    )


def _size(told: dict[str, str]) -> float | None:
    text = told.get("size", "")
    try:
        return float(text) if text else None
    except ValueError:
        msg = f"size {text!r} is no number; write a decimal point"
        raise ValueError(msg) from None


def _day(told: dict[str, str], name: str) -> date | None:
    text = told.get(name, "")
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        msg = f"{name} {text!r} is no date; write it like 2026-03-31"
        raise ValueError(msg) from None


def surest(truths: Sequence[Truth]) -> tuple[Truth, ...]:
    """Leave out what work says where a surer witness tells of the same fault.

    A replaced sensor and the table's row that ends on about that day are one fault, not two.
    """
    told = [truth for truth in truths if truth.witness != "maintenance"]
    kept = list(told)
    for truth in truths:
        if truth.witness != "maintenance":
            continue
        same = any(
            other.vehicle == truth.vehicle
            and set(other.causes) & set(truth.causes)
            and other.begins <= (truth.until or date.max)
            and (other.until is None or truth.begins <= other.until)
            for other in told
        )
        if not same:
            kept.append(truth)
    return tuple(sorted(kept, key=lambda item: (item.vehicle, item.begins)))
