"""Simulated lives of one indicator, with noise that the estimator does not assume.

The figures are made drive by drive from what happens to vehicles; nothing here knows the
state-space model. Wander is an AR(1) over the *number* of the drive, or a regime of driver and
place that holds for months; errors may be Student's t or now and then wild; the drives' own
standard errors are wrong by a factor that the estimator has to find.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from healthtrack.drift import Carried, Segment
from healthtrack.drift.grid import standard_grid

LEARNED = 40
LIMIT = 8.0
KM_PER_YEAR = 14_000.0
RESPONSE_SD = 1.5
"""Prior sd of the answer to 10 K of ambient temperature, as the airflow indicator declares it."""


@dataclass(frozen=True)
class Kind:
    """What one kind of history holds; sizes in percent, the typical drive's error being 1.

    ``wander``, ``keep``: standing deviation and drive-to-drive correlation of an AR(1).
    ``response``: share of the prior's standard deviation from which the true answer to the
    temperature is drawn. ``regime``: deviation of what changes with driver and place, every
    ``regime_days``. ``gap_days``: length of two gaps. ``tails``: degrees of freedom of the errors.
    ``bad``: share of drives that are off by 5 to 12. ``step``, ``ramp``: the fault, which starts
    in the second year; the ramp takes a year. ``years``, ``per_week``.
    """

    name: str
    wander: float = 0.0
    keep: float = 0.7
    response: float = 0.0
    regime: float = 0.0
    regime_days: float = 150.0
    gap_days: float = 0.0
    tails: float = np.inf
    bad: float = 0.0
    step: float = 0.0
    ramp: float = 0.0
    years: float = 3.0
    per_week: float = 2.5
    known_seasons: bool = True


KINDS = (
    Kind("white noise"),
    Kind("AR wander", wander=0.7),
    Kind("slow AR wander", wander=0.5, keep=0.95),
    Kind("yearly season", response=1.0),
    Kind("baseline in one season", response=1.0, known_seasons=False),
    Kind("gaps of months", wander=0.5, gap_days=100.0),
    Kind("driver and region change", regime=0.6, wander=0.3),
    Kind("heavy tails", tails=3.0),
    Kind("10 % bad drives", bad=0.10),
    Kind("a step", step=-4.0, wander=0.5),
    Kind("a slope", ramp=-6.0, wander=0.5),
    Kind("everything", wander=0.5, response=0.7, regime=0.3, tails=4.0, bad=0.03),
)


@dataclass(frozen=True)
class Life:
    """A simulated history: its segment, and the truth about its level."""

    segment: Segment
    level: np.ndarray
    years: float
    fault_at: int


def life(kind: Kind, rng: np.random.Generator) -> Life:
    """Simulate one history of a kind."""
    days = _days(kind, rng)
    count = days.size
    km = np.cumsum(np.diff(days, prepend=0.0)) * KM_PER_YEAR / 365.25
    level, fault_at = _fault(kind, days)
    warmth = 1.1 * np.sin(2 * np.pi * (days / 365.25 + rng.uniform()))
    weather = 0.3 * _correlated(np.full(count, 0.6), rng)
    temperature = warmth + weather
    se = np.exp(rng.normal(0.0, 0.25, count))
    factor = np.exp(rng.uniform(-0.35, 0.35))
    value = level + _scatter(kind, se * factor, rng)
    value += kind.wander * _correlated(np.full(count, kind.keep), rng)
    value += kind.regime * _regimes(kind, days, rng)
    response = rng.normal() * kind.response * RESPONSE_SD
    value += response * temperature
    learned = np.arange(count) < LEARNED
    value -= np.average(value[learned] - level[learned], weights=1 / se[learned] ** 2)
    return Life(
        _segment(value, se, days, km, temperature, learned), level, days[-1] / 365.25, fault_at
    )


def _segment(
    value: np.ndarray,
    se: np.ndarray,
    days: np.ndarray,
    km: np.ndarray,
    temperature: np.ndarray,
    learned: np.ndarray,
) -> Segment:
    grid = standard_grid()
    points = grid.wander.size
    sd = np.array([10.0, RESPONSE_SD])
    return Segment(
        value=value,
        se=se,
        days=days,
        distance=km / 10_000.0,
        shared=np.column_stack([np.ones(days.size), temperature]),
        pinned=learned,
        carried=Carried(
            np.zeros((points, 2)),
            np.tile(np.diag(sd**2), (points, 1, 1)),
            grid.log_prior.copy(),
            np.ones(points),
        ),
        scale=float(np.median(se[learned])),
        limit=LIMIT,
        side=0,
    )


def _days(kind: Kind, rng: np.random.Generator) -> np.ndarray:
    mean = 7.0 / kind.per_week
    waits = rng.gamma(1.2, mean / 1.2, int(kind.years * 365.25 / mean * 1.3))
    if not kind.known_seasons:
        waits[:LEARNED] *= 0.5  # forty drives in eight weeks: one season
    elif kind.response:
        waits[:LEARNED] *= 3.0  # forty drives over most of a year
    days = np.cumsum(waits)
    if kind.gap_days:
        for start in rng.uniform(0.3, 0.9, 2) * kind.years * 365.25:
            days = np.where(days > start, days + kind.gap_days, days)
    return days[days < max(kind.years * 365.25, days[LEARNED] + 200.0)]


def _fault(kind: Kind, days: np.ndarray) -> tuple[np.ndarray, int]:
    start = 1.2 * 365.25
    level = np.where(days >= start, kind.step, 0.0)
    level += kind.ramp * np.clip((days - start) / 365.25, 0.0, 1.0)
    return level, int(np.searchsorted(days, start))


def _scatter(kind: Kind, sd: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    if np.isfinite(kind.tails):
        unit = rng.standard_t(kind.tails, sd.size) / np.sqrt(kind.tails / (kind.tails - 2))
    else:
        unit = rng.normal(size=sd.size)
    wild = (rng.uniform(size=sd.size) < kind.bad) * rng.choice([-1, 1], sd.size)
    return unit * sd + wild * rng.uniform(5.0, 12.0, sd.size)


def _correlated(keep: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    fresh = rng.normal(size=keep.size)
    out = np.empty(keep.size)
    out[0] = fresh[0]
    for drive in range(1, keep.size):
        k = keep[drive]
        out[drive] = k * out[drive - 1] + np.sqrt(1 - k * k) * fresh[drive]
    return out


def _regimes(kind: Kind, days: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    number = (days / kind.regime_days + rng.uniform()).astype(int)
    return rng.normal(size=number.max() + 1)[number]
