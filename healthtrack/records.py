"""The frozen records that cross from one block to the next, and the frames that go with them.

Frames are polars frames with the columns named here; missing (null) means *not measured*. Why
something was left out is counted beside it as :class:`Loss`.

``samples``      ``drive`` (str), ``t`` (Datetime µs UTC), then one Float64 column per channel that
                 the log holds. Only fresh values: a repeat of an older reading is null.
``windows``      ``drive``, ``t`` (start), ``seconds``, ``region`` (``idle`` | ``part_load`` |
                 ``full_load``), and per channel ``<channel>`` (mean), ``<channel>_sd``,
                 ``<channel>_n`` (fresh values in the window). Warm engine only. Means are taken at
                 common times, so channels polled in turn belong together; null where a channel is
                 unknown. ``standing_pressure`` is the drive's manifold pressure with the engine not
                 turning [kPa], the same in all its windows, null where it never stood still.
``standstills``  the columns of ``windows``; ``region`` is ``key_on`` (engine not turning) or
                 ``idle``; one row per standstill, cold or warm.
``pulls``        ``drive``, ``t`` and the columns of ``operating.PULL_SCHEMA``; one row per pull.
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
from functools import cached_property
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import date, datetime

    import polars as pl

State = Literal["normal", "alert", "alarm", "learning", "no_data"]
Kind = Literal["drift", "step", "none"]
TogetherKind = Literal["alike", "partly", "alone", "unclear"]
ForecastAnswer = Literal["reached", "expected", "not_within_horizon", "too_uncertain", "not_asked"]

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
    remarks for a person that stopped nothing (a clock step, an unknown column); ``pipeline`` is the
    name of the one that fitted.
    """

    samples: pl.DataFrame
    drives: pl.DataFrame
    rows: int
    losses: tuple[Loss, ...] = ()
    notes: tuple[str, ...] = ()
    pipeline: str | None = None


@dataclass(frozen=True, slots=True)
class Windows:
    """The operating points of one or many drives, and why the rest of the time gave none."""

    frame: pl.DataFrame
    losses: tuple[Loss, ...] = ()


@dataclass(frozen=True, slots=True)
class Operation:
    """All that the samples of one or many drives show of the engine's operation.

    ``windows`` holds the losses of all of it; ``near_misses`` (``drive``, ``t``, ``seconds``,
    ``reason``) are accelerations that were no pulls, and why.
    """

    windows: Windows
    standstills: pl.DataFrame
    pulls: pl.DataFrame
    near_misses: pl.DataFrame


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
    """The period from which the healthy expectation was learned.

    ``sisters`` vehicles of the same kind lent what its own drives did not tell.
    """

    start: date
    end: date
    drives: int
    restarted_by: str | None = None
    sisters: int = 0


@dataclass(frozen=True, slots=True)
class FanPoint:
    """The level that is foreseen at one place ahead, as quantiles of its distribution.

    Parameters
    ----------
    km : float
        Odometer there, or the distance from now where there is no odometer. [km]
    on : date or None
        The day on which it is reached with usage as it was; None where that is not known.
    low, quarter, middle, three_quarters, high : float
        Levels not exceeded with a probability of 2.5, 25, 50, 75 and 97.5 %. [the level's unit]
    """

    km: float
    on: date | None
    low: float
    quarter: float
    middle: float
    three_quarters: float
    high: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the limit is reached; None where it is not within the horizon or too uncertain.

    ``answer`` says which: ``reached`` already, ``expected`` (median and 95 % interval are given),
    ``not_within_horizon``, ``too_uncertain`` (some chance, but no date worth planning with), or
    ``not_asked`` where nothing could be said. An upper end of None is beyond the horizon.
    ``probability`` is that of reaching it within ``horizon_km``, ``before_service`` that before the
    next service, ``before_trip`` that before the end of a stated trip, ``chances`` how it grows
    with the distance from now (km, probability), ``limit`` the limit in question. Odometer readings
    where there is an odometer, else the distance from now. ``fan`` is how the level may go on until
    the horizon, from now on.
    """

    limit_km: float | None = None
    limit_km_low: float | None = None
    limit_km_high: float | None = None
    limit_on: date | None = None
    limit_on_low: date | None = None
    limit_on_high: date | None = None
    answer: ForecastAnswer = "not_asked"
    limit: float | None = None
    horizon_km: float | None = None
    probability: float | None = None
    before_service: float | None = None
    before_trip: float | None = None
    chances: tuple[tuple[float, float], ...] = ()
    fan: tuple[FanPoint, ...] = ()


@dataclass(frozen=True)
class Trend:
    """An indicator over the life of the vehicle, ready to be drawn; one row per drive.

    ``frame`` holds ``drive``, ``started``, ``odometer_km``, ``value``, ``se``, ``windows``,
    ``inside``, ``filtered``, ``filtered_low``, ``filtered_high`` (what was known that day),
    ``smoothed``, ``smoothed_low``, ``smoothed_high`` (what is known now), ``state`` and
    ``learned`` (true where the drive belongs to the baseline period), in the indicator's unit;
    and ``c_<condition>`` as in ``figures``, where they are known.

    Parameters
    ----------
    told : DataFrame
        The frame, or all of it but the smoothed columns.
    smoother : callable or None
        Adds those when the frame is first looked at: they go through the whole history, which a
        verdict does not need.
    """

    told: pl.DataFrame
    smoother: Callable[[pl.DataFrame], pl.DataFrame] | None = None

    @cached_property
    def frame(self) -> pl.DataFrame:
        """The whole of it."""
        return self.told if self.smoother is None else self.smoother(self.told)


@dataclass(frozen=True, slots=True)
class Together:
    """What others of its kind did over the days in which an indicator moved. [indicator's unit].

    All are changes from before the change to of late, over the same days; bands are 95 %.

    Parameters
    ----------
    vehicles : int
        Others that were heard.
    moved : float
        How far this vehicle moved.
    shared, shared_low, shared_high : float
        How far the others did.
    own, own_low, own_high : float
        The difference.
    kind : str
        ``alike``: the others certainly moved to the same side, and nothing certain or greater is
        left on it; ``partly``: they did, and what is left is certain or the greater part;
        ``alone``: only its own part is certain; ``unclear``: neither.
    """

    vehicles: int
    moved: float
    shared: float
    shared_low: float
    shared_high: float
    own: float
    own_low: float
    own_high: float
    kind: TogetherKind


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
    together: Together | None = None
    trend: Trend | None = field(default=None, compare=False)

    @property
    def is_alike(self) -> bool:
        """Whether others of its kind moved with it, as far or farther."""
        return self.together is not None and self.together.kind == "alike"


def moved_alike(found: Iterable[IndicatorFinding]) -> bool:
    """Say whether others moved with each indicator that stands at alert or alarm, if any does."""
    concerned = [item for item in found if item.state in {"alert", "alarm"}]
    return bool(concerned) and all(item.is_alike for item in concerned)


@dataclass(frozen=True, slots=True)
class RegionEvidence:
    """One indicator's level of late in one operating region: what the diagnosis reads.

    Parameters
    ----------
    indicator : str
        Name of its declaration.
    region : str
        ``standstill`` | ``idle`` | ``part_load`` | ``part_load_recirculation`` (``part_load``
        where recirculation is known to be on) | ``part_load_closed`` (known to be off) |
        ``full_load`` | ``pull``. A region may come in several bins of speed or load.
    level : float
        Level over the late drives less the baseline's expectation. [the indicator's unit]
    sd : float
        Standard error of ``level``: drives, wander and the baseline's own error. [same]
    windows : int
        Windows behind it.
    engine_speed, airflow, manifold_pressure, ambient_pressure : float or None
        Means over those windows; None where not logged. [rpm, g/s, kPa, kPa]
    """

    indicator: str
    region: str
    level: float
    sd: float
    windows: int = 0
    engine_speed: float | None = None
    airflow: float | None = None
    manifold_pressure: float | None = None
    ambient_pressure: float | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """All region levels of one vehicle, with the (n, n) correlation of their errors.

    An empty ``correlation`` says that the errors are independent. What could not be observed is
    simply not listed. ``onset`` says how it came: all at once, gradually, or not known;
    ``alerted`` that an indicator stands at alert or alarm, which the drift raises from the whole
    course and not from the late levels alone.

    ``follows_manifold`` says, per indicator, by how much its healthy expectation rises with each
    kPa that the manifold's sensor reads too high, because the ambient pressure is read from that
    sensor with the engine standing: the answer to ambient pressure that was learned, times the
    share of late windows where it is so. What is not listed does not follow. [its unit per kPa]
    """

    regions: tuple[RegionEvidence, ...]
    correlation: tuple[tuple[float, ...], ...] = ()
    ambient_temperature_logged: bool = True
    onset: Kind = "none"
    alerted: bool = False
    follows_manifold: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CauseFinding:
    """A fault hypothesis with its probability and its size with a 95 % band.

    ``probability`` is that of the cause being at work, alone or together with another, so the
    list may sum to more than one.
    """

    cause: str
    probability: float
    size: float | None = None
    size_low: float | None = None
    size_high: float | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class PairFinding:
    """Two causes at work together, with the probability of just these two."""

    causes: tuple[str, str]
    probability: float


@dataclass(frozen=True, slots=True)
class NextObservation:
    """Something one could look at next, and how much of the doubt it would settle.

    ``settles`` is the share of the present uncertainty about the cause (entropy) that it is
    expected to remove, 0 to 1.
    """

    observation: str
    words: str
    settles: float


@dataclass(frozen=True, slots=True)
class ExpectedLevels:
    """What a cause predicts, at the sizes that fit, for each of ``Evidence.regions`` in order.

    In the indicator's unit; None where the diagnosis did not use the region.
    """

    cause: str
    levels: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Which part, how sure, what can not be told apart, and what would tell it.

    ``causes`` are sorted by probability, ``none`` and ``unknown`` among them. ``alike`` are sets
    of causes that this vehicle's evidence can not separate.
    """

    causes: tuple[CauseFinding, ...]
    pairs: tuple[PairFinding, ...] = ()
    alike: tuple[tuple[str, ...], ...] = ()
    next_observations: tuple[NextObservation, ...] = ()
    expected: tuple[ExpectedLevels, ...] = ()


@dataclass(frozen=True, slots=True)
class RepairChange:
    """How far a level moved over work on the vehicle, with its 95 % band. [indicator's unit].

    ``region`` is ``all`` where the drives' figures are compared as a whole.
    """

    indicator: str
    region: str
    change: float
    low: float
    high: float


@dataclass(frozen=True)
class RepairFinding:
    """What work on the vehicle did, and what it says of the diagnosis before it.

    Parameters
    ----------
    kind : str
        Of the maintenance event.
    changes : tuple of RepairChange
        After less before, per indicator and region.
    causes : tuple of CauseFinding
        What was wrong before, now that one knows what the work did.
    gone : float
        Probability that what was wrong is gone.
    score : float
        Logarithmic score of the diagnosis before: expected ln of the probability that it gave to
        what the work has shown; 0 is perfect. [nat]
    event : str
        Identifier of the maintenance event.
    on : datetime.date or None
        Its day.
    """

    kind: str
    changes: tuple[RepairChange, ...]
    causes: tuple[CauseFinding, ...]
    gone: float
    score: float
    event: str = ""
    on: date | None = None


@dataclass(frozen=True, slots=True)
class NotObservable:
    """An indicator that this vehicle cannot show, and what it would take."""

    indicator: str
    needs: str


@dataclass(frozen=True)
class VehicleFinding:
    """The verdict on one vehicle as of a day, with everything it rests on.

    ``sensors`` are sentences on sensors that were compared with each other while nothing moved.
    ``repairs`` say of late work on the vehicle whether it helped; the earliest first.
    ``next_service`` is the day on which a routine service is due, gone by where it is overdue.
    """

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
    evidence: Evidence | None = None
    diagnosis: Diagnosis | None = None
    sensors: tuple[str, ...] = ()
    repairs: tuple[RepairFinding, ...] = ()
    next_service: date | None = None
