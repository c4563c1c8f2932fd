"""The frozen records that cross from one block to the next, and the frames that go with them.

Frames are polars frames with the columns named here; missing (null) means *not measured*. Why
something was left out is counted beside it as :class:`Loss`.

``samples``      ``drive`` (str), ``t`` (Datetime µs UTC), then one Float64 column per channel that
                 the log holds. Only fresh values: a repeat of an older reading is null.
``windows``      ``drive``, ``t`` (start), ``seconds``, ``region`` (``idle`` | ``part_load`` |
                 ``full_load``), and per channel ``<channel>`` (mean), ``<channel>_sd``,
                 ``<channel>_n`` (fresh values in the window). Warm engine only.
``drives``       ``drive``, ``vehicle``, ``log``, ``started``, ``ended`` (Datetime µs UTC),
                 ``odometer_km`` (Float64, null where unknown), ``distance_km`` (integrated speed).
``observations`` what an indicator sees in windows: ``drive``, ``y``, ``region``, one column per
                 predictor and per condition of its declaration.
``figures``      one row per drive and indicator: ``drive``, ``started``, ``odometer_km``,
                 ``value``, ``se`` (the drive's own standard error), ``windows`` (how many),
                 ``inside`` (share of windows inside the conditions that the baseline has seen),
                 and the conditions ``c_<condition>`` in the response's scale.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import date, datetime

    import polars as pl

State = Literal["normal", "alert", "alarm", "learning", "no_data"]
Kind = Literal["drift", "step", "none"]

STATES: tuple[State, ...] = ("alarm", "alert", "normal", "learning", "no_data")
"""All states of a verdict, worst first."""


@dataclass(frozen=True, slots=True)
class Loss:
    """Samples, windows or rows that were left out, with the reason.

    ``count`` are rows where ``channel`` is None, else values of that channel.
    """

    reason: str
    count: int
    channel: str | None = None


@dataclass(frozen=True, slots=True)
class ReadLog:
    """A log as it was read: what was kept, and what was not and why.

    ``drives`` and ``samples`` are frames as described in the module's docstring; ``notes`` are
    remarks for a person that stopped nothing (a clock step, an unknown column).
    """

    samples: pl.DataFrame
    drives: pl.DataFrame
    rows: int
    losses: tuple[Loss, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Windows:
    """The operating points of one or many drives, and why the rest of the time gave none."""

    frame: pl.DataFrame
    losses: tuple[Loss, ...] = ()


@dataclass(frozen=True, slots=True)
class MaintenanceEvent:
    """Something done to the vehicle.

    Parameters
    ----------
    event : str
        Identifier, unique in the workspace.
    vehicle : str
        Vehicle id.
    on : datetime.date
        Day it was done.
    kind : str
        A key of :data:`healthtrack.config.MAINTENANCE_KINDS`.
    odometer_km : float or None
        Odometer then. [km]
    note : str
        Free text for a person.
    """

    event: str
    vehicle: str
    on: date
    kind: str
    odometer_km: float | None = None
    note: str = ""


@dataclass(frozen=True)
class VehicleHistory:
    """All that is known of one vehicle up to a moment: the input of the chain."""

    vehicle: str
    drives: pl.DataFrame
    windows: pl.DataFrame
    losses: tuple[Loss, ...] = ()
    maintenance: tuple[MaintenanceEvent, ...] = ()
    logs_stored: int = 0
    logs_quarantined: int = 0
    standstills: pl.DataFrame | None = None
    pulls: pl.DataFrame | None = None


@dataclass(frozen=True, slots=True)
class BaselineSummary:
    """The period from which the healthy expectation was learned."""

    start: date
    end: date
    drives: int
    restarted_by: str | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the limit is reached; None where it is not within the horizon or too uncertain."""

    limit_km: float | None = None
    limit_km_low: float | None = None
    limit_km_high: float | None = None
    limit_on: date | None = None


@dataclass(frozen=True)
class Trend:
    """An indicator over the life of the vehicle, ready to be drawn; one row per drive.

    ``frame`` holds ``drive``, ``started``, ``odometer_km``, ``value``, ``se``, ``windows``,
    ``inside``, ``filtered``, ``filtered_low``, ``filtered_high`` (what was known that day),
    ``smoothed``, ``smoothed_low``, ``smoothed_high`` (what is known now), ``state`` and
    ``learned`` (true where the drive belongs to the baseline period), in the indicator's unit.
    """

    frame: pl.DataFrame


@dataclass(frozen=True)
class IndicatorFinding:
    """What the drift block says of one indicator, in the indicator's unit; bands are 95 %."""

    indicator: str
    unit: str
    state: State
    reason: str
    level: float | None = None
    low: float | None = None
    high: float | None = None
    slope_per_10000_km: float | None = None
    slope_low: float | None = None
    slope_high: float | None = None
    slope_per_year: float | None = None
    slope_per_year_low: float | None = None
    slope_per_year_high: float | None = None
    kind: Kind = "none"
    since_km: float | None = None
    since_km_low: float | None = None
    since_km_high: float | None = None
    since_on: date | None = None
    since_on_low: date | None = None
    since_on_high: date | None = None
    raised_on: date | None = None
    raised_at_km: float | None = None
    limit: float | None = None
    threshold: float | None = None
    baseline: BaselineSummary | None = None
    forecast: Forecast | None = None
    trend: Trend | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class CauseFinding:
    """A fault hypothesis with its probability and its size with a 95 % band."""

    cause: str
    probability: float
    size: float | None = None
    size_low: float | None = None
    size_high: float | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class NotObservable:
    """An indicator that this vehicle cannot show, and what it would take."""

    indicator: str
    needs: str


@dataclass(frozen=True)
class VehicleFinding:
    """The verdict on one vehicle as of a day, with everything it rests on."""

    vehicle: str
    as_of: date
    state: State
    reason: str
    odometer_km: float | None
    drives: int
    baseline: BaselineSummary | None
    indicators: tuple[IndicatorFinding, ...] = ()
    causes: tuple[CauseFinding, ...] = ()
    not_observable: tuple[NotObservable, ...] = ()
    advice: tuple[str, ...] = ()
    maintenance: tuple[MaintenanceEvent, ...] = ()
    losses: tuple[Loss, ...] = ()
    windows: int = 0
    first_drive: datetime | None = None
    last_drive: datetime | None = None
    logs_stored: int = 0
    logs_quarantined: int = 0
