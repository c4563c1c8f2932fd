"""Histories of several vehicles in a few questions: most of what one costs does not go with rows.

A table of windows has some 150 columns, and asking for them takes the same 10 ms for one vehicle as
for thirty. Each question also looks through the whole table's names of drives, so asked vehicle by
vehicle a night would cost with the square of the fleet.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from healthtrack.records import Loss, MaintenanceEvent, VehicleHistory
from healthtrack.store.columns import TABLES

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    import duckdb
    import polars as pl

    from healthtrack.store.store import Store

HOLDERS = "(SELECT drive, log FROM drive UNION SELECT drive, log FROM drive_part) AS holder"
"""Which logs hold which drive: the one that it is named after, and those joined to it."""

_FEW = 64
"""Up to so many, naming each is the quicker way to ask for them."""


def histories(
    store: Store,
    vehicles: Sequence[str],
    as_of: date,
    *,
    with_windows: bool = True,
) -> dict[str, VehicleHistory]:
    """Return all that was known of vehicles at the end of a day.

    Parameters
    ----------
    store : Store
        Where they are.
    vehicles : sequence of str
        Their ids; one without logs has an empty history.
    as_of : datetime.date
        A drive counts if it had ended by the end of this day, UTC; so does a maintenance
        event up to and including this day.
    with_windows : bool
        Without, their windows have no rows: they are by far the most of it.

    Returns
    -------
    dict of VehicleHistory
        By vehicle; each as :meth:`healthtrack.store.Store.history` describes it.
    """
    end = datetime(as_of.year, as_of.month, as_of.day, tzinfo=UTC) + timedelta(days=1)
    asked = _Asked(store._connection, list(dict.fromkeys(vehicles)), end)
    drives = asked.drives()
    windows = asked.of_drives("window", some=with_windows)
    standstills, pulls = asked.of_drives("standstill"), asked.of_drives("pull")
    losses, counts, done = asked.losses(), asked.log_counts(), asked.maintenance(as_of)
    found = {}
    for vehicle in asked.vehicles:
        stored, quarantined = counts.get(vehicle, (0, 0))
        found[vehicle] = VehicleHistory(
            vehicle=vehicle,
            drives=drives[vehicle],
            windows=windows[vehicle],
            losses=losses.get(vehicle, ()),
            maintenance=done.get(vehicle, ()),
            logs_stored=stored,
            logs_quarantined=quarantined,
            standstills=standstills[vehicle],
            pulls=pulls[vehicle],
        )
    return found


def windows_by_vehicle(
    store: Store, wanted: Mapping[str, Sequence[str]]
) -> dict[str, pl.DataFrame]:
    """Return the windows of chosen drives by vehicle, as :func:`histories` has them."""
    these, params = _among([drive for chosen in wanted.values() for drive in chosen])
    frame = store._connection.sql(
        f'SELECT drive.vehicle AS whose, {window_columns("window")} FROM "window" JOIN drive '  # noqa: S608
        f'USING (drive) WHERE drive {these} ORDER BY whose, started, drive, "window".t',
        params=params,
    ).pl()
    return _by_vehicle(frame, wanted)


class _Asked:
    """The questions about vehicles; their drives count that had ended before ``end``."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, vehicles: list[str], end: datetime
    ) -> None:
        self._connection, self.vehicles, self._end = connection, vehicles, end
        self._these, self._params = _among(vehicles)

    def drives(self) -> dict[str, pl.DataFrame]:
        return self._frames(
            "SELECT drive.vehicle AS whose, drive, drive.vehicle, log.name AS log, started, ended, "  # noqa: S608
            "odometer_km, distance_km FROM drive JOIN log ON drive.log = log.sha256 "
            f"WHERE drive.vehicle {self._these} AND ended < ? ORDER BY whose, started, drive"
        )

    def of_drives(self, table: str, *, some: bool = True) -> dict[str, pl.DataFrame]:
        """Return a table's rows of drives, in their order; without any where not even some."""
        return self._frames(
            f'SELECT drive.vehicle AS whose, {window_columns(table)} FROM "{table}" '  # noqa: S608
            f"JOIN drive USING (drive) WHERE drive.vehicle {self._these} AND ended < ? "
            f'AND {some} ORDER BY whose, started, drive, "{table}".t'
        )

    def losses(self) -> dict[str, tuple[Loss, ...]]:
        rows = self._rows(
            "SELECT whose, reason, sum(count)::BIGINT, channel FROM loss JOIN "  # noqa: S608
            f"(SELECT DISTINCT vehicle AS whose, holder.log FROM {HOLDERS} JOIN drive "
            f"USING (drive) WHERE vehicle {self._these} AND ended < ?) USING (log) "
            "GROUP BY ALL ORDER BY ALL",
            self._end,
        )
        return {whose: tuple(Loss(*row) for row in some) for whose, some in _grouped(rows)}

    def log_counts(self) -> dict[str, tuple[int, int]]:
        rows = self._rows(
            "SELECT vehicle, count(*) FILTER (state = 'stored'), "  # noqa: S608
            "count(*) FILTER (state = 'quarantined') "
            f"FROM log WHERE vehicle {self._these} GROUP BY vehicle ORDER BY vehicle"
        )
        return {vehicle: (stored, quarantined) for vehicle, stored, quarantined in rows}

    def maintenance(self, as_of: date) -> dict[str, tuple[MaintenanceEvent, ...]]:
        rows = self._rows(
            "SELECT vehicle, event, vehicle, day, kind, odometer_km, note FROM maintenance "  # noqa: S608
            f"WHERE vehicle {self._these} AND day <= ? ORDER BY vehicle, day, event",
            as_of,
        )
        return {
            whose: tuple(MaintenanceEvent(*row) for row in some) for whose, some in _grouped(rows)
        }

    def _rows(self, query: str, *more: object) -> list[tuple[Any, ...]]:
        return self._connection.execute(query, [*self._params, *more]).fetchall()

    def _frames(self, query: str) -> dict[str, pl.DataFrame]:
        frame = self._connection.sql(query, params=[*self._params, self._end]).pl()
        return _by_vehicle(frame, self.vehicles)


def _among(names: Sequence[str]) -> tuple[str, list[object]]:
    """Return the condition that a column is one of these, with its parameters."""
    if 0 < len(names) <= _FEW:
        return f"IN ({', '.join('?' for _ in names)})", list(names)
    return "IN (SELECT unnest(?::VARCHAR[]))", [list(names)]


def _by_vehicle(frame: pl.DataFrame, vehicles: Iterable[str]) -> dict[str, pl.DataFrame]:
    """Cut a frame, sorted by its first column, into one for each vehicle."""
    runs = frame["whose"].rle().struct.unnest()
    frame = frame.drop("whose")
    found = dict.fromkeys(vehicles, frame.clear())
    start = 0
    for length, vehicle in runs.iter_rows():
        found[vehicle] = frame.slice(start, length)
        start += length
    return found


def _grouped(
    rows: Iterable[tuple[Any, ...]],
) -> Iterator[tuple[str, list[tuple[Any, ...]]]]:
    """Yield the rows of each vehicle, which stands first in them."""
    found: dict[str, list[tuple[Any, ...]]] = {}
    for whose, *row in rows:
        found.setdefault(whose, []).append(tuple(row))
    yield from found.items()


def window_columns(table: str) -> str:
    """Return what is asked of a table of windows, standstills or pulls, in its order."""
    keys = ["drive", "t", *(("seconds", "region") if table != "pull" else ())]
    return ", ".join(f'"{table}"."{name}"' for name in [*keys, *TABLES[table]])
