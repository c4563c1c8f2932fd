"""A back-test: vehicles × settings × faults, each replayed and held against the truth.

The work on one vehicle is one pure function, run through any executor: its history is loaded once,
each fault is written into it once, and what a setting does not touch is shared between settings.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.bench.inject import Injection, engine_of, inject
from healthtrack.bench.scoring import (
    FAULT_SCHEMA,
    Scored,
    Told,
    at_work,
    explained,
    mark_alerts,
    mark_faults,
    sound_years,
)
from healthtrack.bench.settings import Variant, changed
from healthtrack.chain import replay as replaying
from healthtrack.diagnosis import CAUSES
from healthtrack.errors import UsageError

if TYPE_CHECKING:
    from healthtrack.baseline import Baseline
    from healthtrack.bench.truth import Truth
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.records import VehicleFinding, VehicleHistory

AS_IT_WAS = "as it was"
"""Name of the case with nothing put in."""
LIKELY = 0.2
"""Probability from which a cause is among those named (as in the verdict)."""
SETTLED = timedelta(days=60)
"""How long after a raise its causes are looked at again: the evidence has gathered by then."""
BEGINS = 0.5
"""Where in the judged part of a history a fault begins where no day is given: the half before it is
what false alerts are counted on, the half after it is there to find it."""

ALERT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "case": pl.String,
    "variant": pl.String,
    **replaying.ALERT_SCHEMA,
    "false": pl.Boolean,
}
FAULTS_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "case": pl.String,
    "variant": pl.String,
    **FAULT_SCHEMA,
}
EXPOSURE_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "case": pl.String,
    "variant": pl.String,
    "years": pl.Float64,
    "middle": pl.Date,
    "years_early": pl.Float64,
    "judged_from": pl.Date,
    "judged_to": pl.Date,
    "drives": pl.Int64,
}
LOOK_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "case": pl.String,
    "variant": pl.String,
    "day": pl.Date,
    "state": pl.String,
    "reason": pl.String,
    "cause": pl.String,
    "probability": pl.Float64,
    "truth": pl.String,
    "top": pl.Boolean,
    "among": pl.Boolean,
    "forecast_inside": pl.Boolean,
    "forecast_error": pl.Float64,
}
BAND_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "case": pl.String,
    "variant": pl.String,
    "indicator": pl.String,
    "drives": pl.Int64,
    "inside": pl.Int64,
}
COURSE_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "case": pl.String,
    **replaying.COURSE_SCHEMA,
    "truth": pl.Float64,
}
DRIVE_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "case": pl.String,
    "variant": pl.String,
    "ended": pl.Datetime("us", "UTC"),
    "odometer_km": pl.Float64,
}
VERDICT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "case": pl.String,
    "variant": pl.String,
    "said_on": pl.Date,
    "state": pl.String,
}
LABELS = ("vehicle", "case", "variant")
SCHEMAS = {
    "alerts": ALERT_SCHEMA,
    "faults": FAULTS_SCHEMA,
    "exposure": EXPOSURE_SCHEMA,
    "looks": LOOK_SCHEMA,
    "bands": BAND_SCHEMA,
    "course": COURSE_SCHEMA,
    "verdicts": VERDICT_SCHEMA,
    "drives": DRIVE_SCHEMA,
}
"""The frames of a back-test. ``course`` is kept for the settings as set only."""


@dataclass(frozen=True, slots=True)
class FaultPlan:
    """A fault that is put into every vehicle: cause, whole size, days from nothing to it."""

    cause: str
    size: float
    days: int = 0

    @property
    def name(self) -> str:
        """What the case is called."""
        how = "at once" if self.days == 0 else f"within {self.days} days"
        return f"{self.cause} {self.size:+g} {CAUSES[self.cause].unit} {how}"


def parse_fault(words: str) -> FaultPlan:
    """Read ``CAUSE:SIZE`` or ``CAUSE:SIZE:DAYS``.

    Raises
    ------
    UsageError
        There is no such cause, or the size has a sign that it cannot have.
    """
    parts = words.split(":")
    cause = CAUSES.get(parts[0])
    if cause is None or len(parts) not in {2, 3}:
        raise UsageError(
            f"{words!r} is no fault. Write CAUSE:SIZE or CAUSE:SIZE:DAYS (days from nothing to the "
            f"whole size), with one of {', '.join(CAUSES)}."
        )
    try:
        size, days = float(parts[1]), int(parts[2]) if len(parts) == 3 else 0
    except ValueError:
        raise UsageError(f"{words!r}: size must be a number and days a whole number.") from None
    wrong = (cause.sign == "negative" and size >= 0) or (cause.sign == "positive" and size <= 0)
    if wrong or size == 0.0 or days < 0:
        raise UsageError(
            f"{words!r}: the size of {cause.name} is {cause.size_means} [{cause.unit}], "
            f"{'of either sign' if cause.sign == 'both' else cause.sign}; days are not negative."
        )
    return FaultPlan(cause.name, size, days)


@dataclass(frozen=True)
class Task:
    """The work on one vehicle; pure and small enough to be sent to another process."""

    history: VehicleHistory
    workspace: WorkspaceSettings
    variants: tuple[Variant, ...]
    faults: tuple[FaultPlan, ...]
    truths: tuple[Truth, ...]
    faults_on: tuple[date, ...] = ()
    diagnose: bool = True
    sisters: tuple[Baseline, ...] = ()


def run_vehicle(task: Task) -> dict[str, pl.DataFrame]:
    """Replay one vehicle under all settings, as it was and with each fault.

    Returns
    -------
    dict
        One frame for each of :data:`SCHEMAS`.
    """
    frames: dict[str, list[pl.DataFrame]] = {name: [] for name in SCHEMAS}
    name = task.history.vehicle
    sound: dict[str, replaying.Replay] = {}
    kept = replaying.Kept()
    vehicle = task.workspace.vehicles[name]
    own = replaying.replay(task.history, vehicle, task.workspace, kept, task.sisters)
    for case, history, truths in _cases(task, own):
        if case != AS_IT_WAS:
            kept = replaying.Kept()
        for variant in _loosest_first(task.variants):
            job = _Job(task, case, variant, history, changed(task.workspace, variant), truths)
            first = case == AS_IT_WAS and not variant.changes
            said = own if first else job.replay(kept)
            if case == AS_IT_WAS:
                sound[variant.name] = said
            for key, frame in _frames(job, said, sound[variant.name]).items():
                frames[key].append(frame)
    return {
        key: pl.concat(parts) if parts else pl.DataFrame(schema=SCHEMAS[key])
        for key, parts in frames.items()
    }


def _loosest_first(variants: tuple[Variant, ...]) -> list[Variant]:
    """Return variants by falling rate of false alerts: what is quiet there is quiet further on."""
    name = "false_alerts_per_vehicle_year"
    return sorted(variants, key=lambda one: -one.as_dict().get(name, 0.0))


@dataclass(frozen=True)
class _Job:
    task: Task
    case: str
    variant: Variant
    history: VehicleHistory
    workspace: WorkspaceSettings
    truths: tuple[Truth, ...]

    @property
    def vehicle(self) -> VehicleSettings:
        return self.workspace.vehicles[self.history.vehicle]

    def replay(self, kept: replaying.Kept) -> replaying.Replay:
        sisters = self.task.sisters
        return replaying.replay(self.history, self.vehicle, self.workspace, kept, sisters)


def _cases(
    task: Task, own: replaying.Replay
) -> list[tuple[str, VehicleHistory, tuple[Truth, ...]]]:
    name = task.history.vehicle
    mine = tuple(truth for truth in task.truths if truth.vehicle == name)
    cases = [(AS_IT_WAS, task.history, mine)]
    middle = _middle_of(own)
    vehicle = task.workspace.vehicles[name]
    for begins in task.faults_on or ((middle,) if middle else ()):
        for fault in task.faults:
            injection = Injection(fault.cause, fault.size, begins, fault.days, engine_of(name))
            with_fault = inject(task.history, vehicle, injection)
            case = f"{fault.name} from {begins}" if task.faults_on else fault.name
            cases.append((case, with_fault, (*mine, injection.truth(name))))
    return cases


def _middle_of(own: replaying.Replay) -> date | None:
    first, last = judged(own)
    if first is None or last is None:
        return None
    return first + (last - first) * BEGINS


def judged(replayed: replaying.Replay) -> tuple[date | None, date | None]:
    """Return the first and the last day on which something was judged."""
    said = replayed.verdicts.filter(pl.col("state").is_in(["normal", "alert", "alarm"]))
    if not said.height:
        return None, None
    return said["said_on"][0], replayed.verdicts["said_on"][-1]


def _frames(job: _Job, said: replaying.Replay, sound: replaying.Replay) -> dict[str, pl.DataFrame]:
    first, last = judged(said)
    drives = job.history.drives.sort("ended").select("ended", "odometer_km")
    told = Told(job.history.vehicle, said.alerts, drives, first, last)
    course = _with_truth(said.course, sound.course)
    middle = None if first is None or last is None else first + (last - first) / 2
    exposure = {
        "years": [sound_years(told, job.truths)],
        "middle": [middle],
        "years_early": [sound_years(told, job.truths, middle)],
        "judged_from": [first],
        "judged_to": [last],
        "drives": [job.history.drives.height],
    }
    frames = {
        "alerts": mark_alerts(told, job.truths),
        "faults": mark_faults(told, job.truths),
        "exposure": pl.DataFrame(
            exposure,
            schema_overrides=dict.fromkeys(("judged_from", "judged_to", "middle"), pl.Date),
        ),
        "verdicts": said.verdicts,
        "bands": _bands(course, job.truths),
    }
    if not job.variant.changes:
        frames["course"] = course
        frames["drives"] = drives
        if job.task.diagnose:
            frames["looks"] = _looks(job, told, course)
    labels = {
        "vehicle": pl.lit(job.history.vehicle),
        "case": pl.lit(job.case),
        "variant": pl.lit(job.variant.name),
    }
    return {
        key: frame.with_columns(**labels).select(*SCHEMAS[key]).cast(dict(SCHEMAS[key]))  # type: ignore[arg-type]
        for key, frame in frames.items()
    }


def _with_truth(course: pl.DataFrame, sound: pl.DataFrame) -> pl.DataFrame:
    """Add ``truth``: what the fault has done to each drive's figure, the noise being the same."""
    before = sound.select("indicator", "drive", _sound="value")
    joined = course.join(before, on=["indicator", "drive"], how="left", maintain_order="left")
    return joined.with_columns(truth=pl.col("value") - pl.col("_sound")).drop("_sound")


def _bands(course: pl.DataFrame, truths: tuple[Truth, ...]) -> pl.DataFrame:
    """Count the drives whose 95 % band holds the truth; days of faults of unknown effect are out.

    A vehicle of which nothing is known is taken to be sound.
    """
    unknown = [truth for truth in truths if truth.witness != "injected"]
    said = course.select("indicator", "said_on").iter_rows()
    out = pl.Series(
        [explained(unknown, indicator, day) for indicator, day in said], dtype=pl.Boolean
    )
    rows = course.filter(~out, pl.col("state").is_in(["normal", "alert", "alarm"])).drop_nulls(
        ["truth", "low", "high"]
    )
    inside = pl.col("truth").is_between("low", "high")
    return rows.group_by("indicator", maintain_order=True).agg(
        drives=pl.len().cast(pl.Int64), inside=inside.sum().cast(pl.Int64)
    )


def _looks(job: _Job, told: Told, course: pl.DataFrame) -> pl.DataFrame:
    """Look at causes and forecasts when an alert is raised, once it has settled, and at the end."""
    days = set(told.alerts["said_on"])
    last = told.judged_to
    if last is not None:
        days |= {min(day + SETTLED, last) for day in days} | ({last} if days else set())
    rows = []
    sisters = job.task.sisters
    looks = replaying.looks(job.history, job.vehicle, job.workspace, days, sisters)
    for day, finding in looks.items():
        true = _explaining(job.truths, finding, day)
        rows.append(_look(day, finding, true) | _foreseen(finding, course, day))
    return pl.DataFrame(
        rows, schema={k: v for k, v in LOOK_SCHEMA.items() if k not in LABELS}, orient="row"
    )


def _explaining(truths: tuple[Truth, ...], finding: VehicleFinding, day: date) -> tuple[Truth, ...]:
    """Return what was wrong; of what is only supposed, what explains an alert that stands."""
    standing = [item.indicator for item in finding.indicators if item.state in {"alert", "alarm"}]
    return tuple(
        truth
        for truth in at_work(truths, day)
        if truth.expected or any(truth.explains(name) for name in standing)
    )


def _look(day: date, finding: VehicleFinding, true: tuple[Truth, ...]) -> dict[str, object]:
    causes = {cause for truth in true for cause in truth.causes} - {"unknown"}
    first = finding.causes[0] if finding.causes else None
    named = {item.cause for item in finding.causes if item.probability >= LIKELY}
    standing = finding.state in {"alert", "alarm"}
    asked = bool(causes) and standing and first is not None
    return {
        "day": day,
        "state": finding.state,
        "reason": finding.reason,
        "cause": None if first is None else first.cause,
        "probability": None if first is None else first.probability,
        "truth": "|".join(sorted(causes)) or None,
        "top": first.cause in causes if asked and first is not None else None,
        "among": bool(named & causes) if asked else None,
    }


def _foreseen(finding: VehicleFinding, course: pl.DataFrame, day: date) -> dict[str, object]:
    """Hold the forecast that comes first against when the true level reached the limit.

    Only of faults that were put in, whose level is known, and only where that was within the
    history: what lies beyond its end nobody knows.
    """
    nothing: dict[str, object] = {"forecast_inside": None, "forecast_error": None}
    for item in finding.indicators:
        ahead = item.forecast
        if ahead is None or ahead.answer != "expected" or ahead.limit_on is None:
            continue
        sign = -1.0 if (ahead.limit or item.limit or 0.0) < 0 else 1.0
        limit = abs(ahead.limit or item.limit or 0.0)
        mine = course.filter(
            (pl.col("indicator") == item.indicator) & (sign * pl.col("truth") >= limit)
        )
        if not mine.height:
            continue
        crossed: date = mine["said_on"][0]
        if crossed <= day:
            continue
        low, high = ahead.limit_on_low or day, ahead.limit_on_high or date.max
        error = abs((ahead.limit_on - crossed).days) / max((crossed - day).days, 1)
        return {"forecast_inside": low <= crossed <= high, "forecast_error": error}
    return nothing


def scored(frames: dict[str, pl.DataFrame], variant: str, case: str | None = None) -> Scored:
    """Return what figures are made of, for one variant and one case or all of them.

    False alerts, exposure and known faults are the same in every case until its own fault begins,
    so over all cases only those of the history as it was count.
    """

    def of(name: str, only: str | None) -> pl.DataFrame:
        rows = frames[name].filter(pl.col("variant") == variant)
        return rows if only is None else rows.filter(pl.col("case") == only)

    once = case or AS_IT_WAS
    faults = of("faults", case)
    if case is None:
        faults = faults.filter((pl.col("case") == AS_IT_WAS) | (pl.col("witness") == "injected"))
    return Scored(of("alerts", once), faults, of("exposure", once), of("looks", case),
                  of("bands", case))  # fmt: skip
