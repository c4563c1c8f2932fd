"""All that the drift block remembers of segments, as arrays and as plain numbers.

A new drive needs the state alone, never the drives before: saved, restored and carried on equals
never having stopped (JSON keeps every digit of a float).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from healthtrack.drift.change import MADE_OF, Bank
from healthtrack.drift.gaussian import inside, joined, packed, unpacked
from healthtrack.drift.level import SHARED, Level, Model

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.grid import Grid
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

VERSION = 5
RELEASE = 0.15
"""Prior sd of the level after the healthy period, in limits: about a drive's error, so that a first
drive that is far off is an outlier and not the new level. What has changed by more is a candidate
change's to say, and the band is soon what the data allow."""
COUNT, STATE, HEALTHY, PINNED, SINCE, LOW, MIDDLE, HIGH, STEPS, BEGUN, FOUND, FREE = range(12)
"""Places in ``whole``: drives so far, state, healthy drives in a row, last drive pinned; drives
since a change was found (−1: none that still settles); when the standing alert's change began
(2.5 %, median, 97.5 %; −1 until settled) and the share of the step shape [1/1000]; of the change
that still settles, when it likeliest began and the drive that found it (−1: none); drives since the
healthy period."""
DAYS, DISTANCE, FIRST, RESTLESS = 0, 1, 2, 3
"""Places in ``last``: of the last drive; the day of the first; how likely it is, as of the last
drive, that the use has changed."""


@dataclass
class State:
    """Filters and counters of S series: ``whole`` (12, S) int64, ``last`` (4, S) float64."""

    level: Level
    bank: Bank
    whole: IntArray
    last: FloatArray


def model_of(segments: Sequence[Segment], grid: Grid) -> Model:
    """Return the grid in the segments' units."""
    scale = np.array([segment.scale for segment in segments])
    limit = np.array([abs(segment.limit) for segment in segments])
    return Model(
        standing=(grid.wander[:, None] * scale) ** 2,
        memory=grid.memory_days,
        pace2=(grid.pace[:, None] * limit) ** 2,
        walk2=(grid.walk[:, None] * limit) ** 2,
        log_pace=grid.log_prior_pace if grid.log_later_pace is None else grid.log_later_pace,
        log_pace_before=grid.log_prior_pace,
        limit=limit,
        notice=np.array([segment.notice for segment in segments]),
        side=np.array([float(segment.side) for segment in segments]),
        release2=(RELEASE * limit) ** 2,
        scale=scale,
        outlying=grid.outlying,
    )


def first_level(segments: Sequence[Segment], grid: Grid) -> Level:
    """Return the level filter before the first drives, with room for the segments' shared parts.

    All segments have as many shared parts; those beyond what is carried are known to be zero.
    """
    carried = [segment.carried for segment in segments]
    paces, size = grid.pace.size, SHARED + segments[0].shared.shape[1]
    points, have = carried[0].mean.shape
    part = slice(SHARED, SHARED + have)
    mean = np.zeros((size, points, len(segments)))
    covariance = np.zeros((size, size, points, len(segments)))
    mean[part] = np.moveaxis(np.array([one.mean for one in carried]), (0, 2), (2, 0))
    inner = np.array([one.covariance for one in carried])
    covariance[part, part] = inside(np.moveaxis(inner, 0, 1))
    scale = np.array([segment.scale for segment in segments])
    covariance[2, 2] = (grid.wander[:, None] * scale) ** 2
    log_weight = np.array([one.log_weight for one in carried]).T
    log_weight = log_weight - np.logaddexp.reduce(log_weight, axis=0)
    pace = grid.log_prior_pace - np.logaddexp.reduce(grid.log_prior_pace)
    worth = [one.information for one in carried]
    return Level(
        np.repeat(joined(mean, covariance)[:, :, :, None], paces, axis=3),
        log_weight[:, None] + pace[:, None],
        np.array([one.noise for one in carried]).T.copy(),
        np.array([grid.prior_drives if one is None else one for one in worth]),
    )


def first_counts(series: int) -> tuple[IntArray, FloatArray]:
    """Return ``whole`` and ``last`` before the first drives."""
    whole = np.zeros((12, series), dtype=np.int64)
    whole[SINCE : HIGH + 1] = whole[BEGUN : FOUND + 1] = -1
    return whole, np.zeros((4, series))


def first_state(segment: Segment, grid: Grid) -> State:
    """Return the state before a segment's first drive."""
    level = first_level([segment], grid)
    return State(level, _first_bank(level, grid.candidates), *first_counts(1))


def _first_bank(level: Level, candidates: int) -> Bank:
    size, points = level.mean.shape[:2]
    cells = (candidates, 2, points, 1)
    return Bank(
        joint=level.joint[:, :, :, 0].copy(),
        log_weight=np.logaddexp.reduce(level.log_weight, axis=1),
        answer=np.zeros((size, *cells)),
        power=np.zeros(cells),
        match=np.zeros(cells),
        omega=np.zeros((candidates, len(MADE_OF), points, 1)),
        start=np.full((candidates, 1), -1, dtype=np.int64),
        origin=np.zeros((candidates, 1)),
    )


def stack(states: Sequence[State]) -> State:
    """Put states side by side; the result shares no array with them."""

    def abreast(parts: Sequence[Any]) -> dict[str, Any]:
        names = [item.name for item in fields(parts[0])]
        return {
            name: np.concatenate([getattr(part, name) for part in parts], axis=-1) for name in names
        }

    return State(
        Level(**abreast([state.level for state in states])),
        Bank(**abreast([state.bank for state in states])),
        np.concatenate([state.whole for state in states], axis=1),
        np.concatenate([state.last for state in states], axis=1),
    )


def take(state: State, series: int) -> State:
    """Return one series' state, copied."""

    def one(part: Level | Bank) -> dict[str, Any]:
        return {
            item.name: getattr(part, item.name)[..., series : series + 1].copy()
            for item in fields(part)
        }

    return State(
        Level(**one(state.level)),
        Bank(**one(state.bank)),
        state.whole[:, series : series + 1].copy(),
        state.last[:, series : series + 1].copy(),
    )


def state_to_json(state: State) -> str:
    """Return the stored form of one series' state: plain numbers, every digit kept."""

    def plain(part: Level | Bank) -> dict[str, Any]:
        arrays = {item.name: getattr(part, item.name) for item in fields(part)}
        joint = arrays.pop("joint")
        arrays |= {"mean": joint[:, -1], "covariance": packed(joint[:, :-1])}
        return {name: [array.shape, array.ravel().tolist()] for name, array in arrays.items()}

    parts = {
        "version": VERSION,
        "level": plain(state.level),
        "bank": plain(state.bank),
        "whole": state.whole.tolist(),
        "last": state.last.tolist(),
    }
    return json.dumps(parts, separators=(",", ":"))


def state_from_json(text: str) -> State | None:
    """Read the stored form; None where it is of another version: the drives are then run anew."""
    raw: dict[str, Any] = json.loads(text)
    if raw.get("version") != VERSION:
        return None

    def arrays(part: dict[str, Any]) -> dict[str, Any]:
        read = {
            name: np.array(values, np.int64 if name == "start" else np.float64).reshape(shape)
            for name, (shape, values) in part.items()
        }
        return read | {"joint": joined(read.pop("mean"), unpacked(read.pop("covariance")))}

    return State(
        Level(**arrays(raw["level"])),
        Bank(**arrays(raw["bank"])),
        np.array(raw["whole"], np.int64),
        np.array(raw["last"], np.float64),
    )
