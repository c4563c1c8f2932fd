"""What others of its kind did meanwhile: whether a vehicle moves alone, or all of them move.

A change of fuel, a season, new software in the loggers move a whole fleet; a fault moves one
vehicle. So the drives of each vehicle before the change and of late are held against each other,
over the same days (a difference in differences), and what the others say is put together as one
does with trials (random effects, a Student-t weight for the one that fails itself).

Nothing is taken off a vehicle's level: wear that all of them share looks just like a fuel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from healthtrack.drift.contrast import Z95, contrast, memory_of
from healthtrack.drift.segment import part_of
from healthtrack.records import Together

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from healthtrack.drift.evidence import Witness
    from healthtrack.drift.segment import Segment
    from healthtrack.records import IndicatorFinding, TogetherKind

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    DayArray = NDArray[np.datetime64]

LEAST_OTHERS = 3
"""Other vehicles that must be heard: of two nobody can say which one moved."""
LATE_DRIVES = 12
"""Drives of the vehicle itself that make up 'of late'."""
LATE_DAYS = 42
"""Days 'of late' at least, if the change is that old: the others may drive seldom."""
BEFORE = 120
"""Drives of the vehicle itself before the change: some, since a ramp is seen after it has begun."""
BEFORE_DAYS = 90
"""Days before the change at least, for others that drive seldom."""
MOST = 120
"""Drives of one vehicle on a side; of more, evenly chosen ones stand for all."""
BY_ITSELF = 0.5
"""How far a sound vehicle moves by itself in half a year (sd), in a typical drive's error: driver,
place and load change for months, which no wander of weeks tells. As much as the drift leaves to a
yearly wave; set on simulated fleets (tests/benchmarks/moved_together.py)."""
FREEDOM = 4.0
"""Degrees of freedom of the weights over the vehicles: one that fails does not vote."""
BELIEF = 4.0
"""Vehicles' worth of the belief that they differ by their errors alone."""
ITERATIONS = 50


@dataclass(frozen=True)
class Neighbour:
    """One indicator of a vehicle, to be held beside others': its drives since the last restart.

    ``days`` (N,) are those of the segment's drives; what is carried is all that is known by now.
    ``wander_sd`` [the indicator's unit] and ``memory_days`` are those of its wander.
    """

    indicator: str
    days: DayArray
    segment: Segment
    wander_sd: float
    memory_days: float


@dataclass(frozen=True)
class Span:
    """Drives on days from ``first`` up to ``before`` are held against those from ``late`` on.

    ``before`` is not one of them, ``until`` is the last.
    """

    first: date
    before: date
    late: date
    until: date


@dataclass(frozen=True)
class Change:
    """How far something moved, with half of its 95 % band. [the indicator's unit]."""

    size: float
    half: float

    @property
    def band(self) -> tuple[float, float]:
        """The ends of its band."""
        return self.size - self.half, self.size + self.half


def neighbour(witness: Witness) -> Neighbour:
    """Return an indicator that was followed, to be held beside those of others."""
    run = witness.tracked.runs[-1]
    days = witness.figures["started"].dt.date().to_numpy()
    return Neighbour(
        witness.indicator.name,
        days[run.start : run.start + run.segment.value.size],
        replace(run.segment, carried=run.course.carried),
        run.course.wander_sd,
        memory_of(run.course),
    )


def span_of(finding: IndicatorFinding) -> Span | None:
    """Return the days before and after the change at which an indicator stands; None without."""
    if finding.since_on is None or finding.since_on_low is None or finding.trend is None:
        return None
    days = finding.trend.told["started"].dt.date()
    early = days.filter(days < finding.since_on_low).tail(BEFORE)
    if not early.len():
        return None
    first = min(early[0], finding.since_on_low - timedelta(days=BEFORE_DAYS))
    late = min(days.tail(LATE_DRIVES)[0], days[-1] - timedelta(days=LATE_DAYS))
    return Span(first, finding.since_on_low, max(late, finding.since_on), days[-1])


def moved(one: Neighbour, span: Span) -> Change | None:
    """Return how far a vehicle has moved from before a change until of late.

    What it moves by itself (:data:`BY_ITSELF`) is in the band. None with fewer than three drives
    on a side.
    """
    before, late = sides(one.days, span)
    if not before.size or not late.size:
        return None
    found = contrast(
        part_of(one.segment, np.concatenate([before, late])),
        before.size,
        one.wander_sd,
        one.memory_days,
        max(before.size, late.size),
    )
    if found is None:
        return None
    by_itself = Z95 * BY_ITSELF * one.segment.scale
    half = float(np.hypot((found.high - found.low) / 2.0, by_itself))
    return Change(found.change, half) if np.isfinite([found.change, half]).all() else None


def sides(days: DayArray, span: Span) -> tuple[IntArray, IntArray]:
    """Return the places of the drives before the change and of late, at most MOST of each.

    Parameters
    ----------
    days : (N,) datetime64
        Of a vehicle's drives, rising.
    span : Span
        The days that count.
    """
    first, before, late, until = (
        np.datetime64(day) for day in (span.first, span.before, span.late, span.until)
    )
    return (
        _thinned(np.flatnonzero((days >= first) & (days < before))),
        _thinned(np.flatnonzero((days >= late) & (days <= until))),
    )


def _thinned(rows: IntArray) -> IntArray:
    if rows.size <= MOST:
        return rows
    return rows[np.linspace(0, rows.size - 1, MOST).astype(np.int64)]


def middle_of(changes: Sequence[Change]) -> Change:
    """Return the robust middle of what several vehicles say, with its band.

    Normal about the middle with variances known but for one common factor, which is learned with a
    scaled inverse chi-squared belief in 1 (Gelman et al., *Bayesian Data Analysis*, 3rd ed., ch.
    3.2); weights are Student's (Lange, Little & Taylor 1989, *JASA* 84, 881).
    """
    sizes = np.array([one.size for one in changes])
    precision = (Z95 / np.array([one.half for one in changes])) ** 2
    middle, factor = float(np.median(sizes)), 1.0
    worth = np.ones_like(sizes)
    freedom = BELIEF + sizes.size - 1.0
    for _ in range(ITERATIONS):
        off2 = (sizes - middle) ** 2 * precision
        worth = (FREEDOM + 1.0) / (FREEDOM + off2 / factor)
        factor = float((BELIEF + (worth * off2).sum()) / freedom)
        middle = float((worth * precision * sizes).sum() / (worth * precision).sum())
    error = np.sqrt(factor / float((worth * precision).sum()))
    return Change(middle, float(stdtrit(freedom, 0.975) * error))


def together(
    finding: IndicatorFinding, mine: Neighbour, others: Iterable[Neighbour]
) -> Together | None:
    """Part an indicator's movement into what others of its kind share and what is its own.

    Parameters
    ----------
    finding : IndicatorFinding
        At alert or alarm; of any other there is nothing to part.
    mine : Neighbour
        The same indicator of the same vehicle.
    others : iterable of Neighbour
        The same indicator of others of its kind, as of the same day; each vehicle at most once.

    Returns
    -------
    Together or None
        None where nothing is to be parted, or fewer than :data:`LEAST_OTHERS` others have drives
        enough before the change and of late.
    """
    span = span_of(finding)
    if span is None:
        return None
    it = moved(mine, span)
    said = [one for one in (moved(other, span) for other in others) if one is not None]
    if it is None or len(said) < LEAST_OTHERS:
        return None
    they = middle_of(said)
    own = Change(it.size - they.size, float(np.hypot(it.half, they.half)))
    return Together(
        len(said), it.size, they.size, *they.band, own.size, *own.band, _kind(it, they, own)
    )


def _kind(it: Change, they: Change, own: Change) -> TogetherKind:
    """Say which of the two parts is certainly there, on the side to which the vehicle moved."""
    others_move, it_moves = _certain(it, they), _certain(it, own)
    if not others_move:
        return "alone" if it_moves else "unclear"
    return "partly" if it_moves or abs(own.size) > abs(they.size) else "alike"


def _certain(it: Change, part: Change) -> bool:
    return min(part.band) > 0.0 if it.size > 0.0 else max(part.band) < 0.0
