"""One segment as it was seen drive by drive, read off the states and what was said."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from healthtrack.drift import level, rules
from healthtrack.drift.candidates import posterior_start, shared_parts
from healthtrack.drift.segment import Carried
from healthtrack.drift.state import BEGUN, FOUND, LOW, STEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.drift import change
    from healthtrack.drift.state import State

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Episodes:
    """A state per drive (0 normal, 1 alert, 2 alarm) and the drives at which each began, ended."""

    state: IntArray
    raised: tuple[int, ...] = ()
    cleared: tuple[int, ...] = ()


@dataclass(frozen=True)
class Course:
    """One segment as it was seen drive by drive: arrays over (N,).

    ``low`` and ``high`` are the level's 95 % band (:mod:`healthtrack.drift.band`); ``level_sd`` is
    what rules and forecast go by, ``covariance`` that of level and slope; ``log_years`` is the
    evidence; ``log_density`` of each figure as foreseen; ``since`` the drives between which the
    change began (2.5 %, median, 97.5 %) and ``step`` the share of the step shape, both as of the
    last drive; ``wander_sd`` too.
    ``injected`` are the likeliest starts of the changes found, each with the drive that found it,
    ``pending`` the one that has not settled yet, if any;
    ``best`` the likeliest grid point; ``noise`` its factor on the drives' error variances.
    """

    level: FloatArray
    level_sd: FloatArray
    low: FloatArray
    high: FloatArray
    slope: FloatArray
    slope_sd: FloatArray
    covariance: FloatArray
    log_years: FloatArray
    log_density: FloatArray
    wander_sd: float
    step: float
    since: tuple[int, int, int]
    episodes: Episodes
    injected: tuple[tuple[int, int], ...]
    pending: tuple[tuple[int, int], ...]
    best: tuple[int, int]
    noise: float
    carried: Carried


DRIVEN = (
    "level",
    "level_sd",
    "low",
    "high",
    "slope",
    "slope_sd",
    "covariance",
    "log_years",
    "log_density",
)
"""The arrays of a course that have a row per drive."""


def joined(before: Course, after: Course) -> Course:
    """Return the course of drives that were followed in two parts."""
    arrays: dict[str, Any] = {
        name: np.concatenate([getattr(before, name), getattr(after, name)]) for name in DRIVEN
    }
    episodes = Episodes(
        np.concatenate([before.episodes.state, after.episodes.state]),
        before.episodes.raised + after.episodes.raised,
        before.episodes.cleared + after.episodes.cleared,
    )
    return replace(after, **arrays, episodes=episodes, injected=before.injected + after.injected)


@dataclass(frozen=True)
class Said:
    """What was said after each drive: ``moments`` (N, 5, S), the others (N, S).

    The band is read from its ``parts`` (N, 3, P, S), for all drives at once.
    """

    moments: FloatArray
    parts: FloatArray
    log_years: FloatArray
    log_density: FloatArray
    state: IntArray
    happened: IntArray


@dataclass(frozen=True)
class Place:
    """Which series, how many drives before it, how many now, and the changes found in them."""

    series: int
    first: int
    size: int
    injected: tuple[tuple[int, int], ...]


def _since(
    state: State, weighed: change.Weighed | None, one: int
) -> tuple[tuple[int, int, int], float]:
    """Return when the standing alert's change began, and the share of the step shape."""
    low, middle, high, steps = state.whole[LOW : STEPS + 1, one].tolist()
    if low >= 0:
        return (low, middle, high), steps / 1000.0
    if weighed is None:
        return (-1, -1, -1), 0.0
    since, _, step = posterior_start(state.bank, weighed, one)
    return since, step


def course_of(
    state: State,
    model: level.Model,
    said_with_band: tuple[Said, FloatArray],
    weighed: change.Weighed | None,
    place: Place,
) -> Course:
    """Return one series' course.

    Parameters
    ----------
    state : State
        After the last drive.
    model : Model
        Of all series.
    said_with_band : (Said, (2, N, S) float64)
        After each drive, and the band's edges.
    weighed : Weighed or None
        The candidates after the last drive.
    place : Place
        Which series.
    """
    one, size = place.series, place.size
    said, band = said_with_band
    moments = said.moments[:size, :, one]
    low, high = band[:, :size, one]
    weight = np.exp(state.level.log_weight[..., one])
    best = np.unravel_index(int(np.argmax(weight)), weight.shape)
    since, step = _since(state, weighed, one)
    begun, found = state.whole[BEGUN : FOUND + 1, one].tolist()
    happened = said.happened[:size, one]
    raised = np.flatnonzero(happened == rules.RAISED) + place.first
    cleared = np.flatnonzero(happened == rules.CLEARED) + place.first
    mean, covariance, total = shared_parts(state.level, one, level.SHARED)
    return Course(
        level=moments[:, 0].copy(),
        level_sd=np.sqrt(np.maximum(moments[:, 1], 0.0)),
        low=np.minimum(low, moments[:, 0]),
        high=np.maximum(high, moments[:, 0]),
        slope=moments[:, 2].copy(),
        slope_sd=np.sqrt(np.maximum(moments[:, 3], 0.0)),
        covariance=moments[:, 4].copy(),
        log_years=said.log_years[:size, one].copy(),
        log_density=said.log_density[:size, one].copy(),
        wander_sd=float(np.sqrt(weight.sum(axis=1) @ model.standing[:, one])),
        step=step,
        since=since,
        episodes=Episodes(
            said.state[:size, one].copy(), tuple(raised.tolist()), tuple(cleared.tolist())
        ),
        injected=place.injected,
        pending=((begun, found),) if found >= 0 else (),
        best=(int(best[0]), int(best[1])),
        noise=float(state.level.noise[best[0], one]),
        carried=Carried(
            # as they are restored: the last digit of a product depends on the layout
            np.ascontiguousarray(mean),
            np.ascontiguousarray(covariance),
            np.ascontiguousarray(total),
            state.level.noise[:, one].copy(),
            float(state.level.information[one]),
        ),
    )
