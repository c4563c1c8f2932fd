"""Run level filter and change bank over segments drive by drive, and apply the rules.

Each drive is looked at once, and only the state goes on to the next: causal by construction, and a
nightly assessment grows with the new drives, not with the history. Many segments run side by side.

A change that has been found sets the level filter to what the candidates say, at once and again
when it has settled; from then on further changes are looked for beside it. An episode that has
ended empties the bank. Before a change is found the level is the mixture of both: the candidates
count by the odds that one of them is true.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.drift import change, level, rules
from healthtrack.drift.candidates import adopt_change, posterior_start, start_afresh
from healthtrack.drift.course import Course, Place, Said, course_of
from healthtrack.drift.grid import standard_grid
from healthtrack.drift.state import (
    COUNT,
    DAYS,
    DISTANCE,
    HEALTHY,
    HIGH,
    LOW,
    PINNED,
    SINCE,
    STATE,
    STEPS,
    State,
    first_state,
    model_of,
    stack,
    take,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.gaussian import Term
    from healthtrack.drift.grid import Grid
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

CHANGES_PER_YEAR = 0.3
"""How often a vehicle's air path changes at all, by wear, fault or work: about once in three years
(common practice, no source). It weighs the candidates in the level before an alert; the alert
itself does not use it."""
SETTLED_AFTER = 15
"""Drives after which a change that was found is settled: when it began and how much it is are then
left as they are, and the next change may be looked for."""
SIDE_BY_SIDE = 24
"""Segments that run together: enough to share the cost of a call, few enough for the cache."""


@dataclass(frozen=True)
class _Data:
    """Segments padded to one length: arrays over (N, S), ``shared`` (N, B, S)."""

    value: FloatArray
    variance: FloatArray
    days: FloatArray
    distance: FloatArray
    shared: FloatArray
    pinned: BoolArray
    valid: BoolArray
    constant: tuple[bool, ...]


def follow(segment: Segment, log_bar: float, grid: Grid | None = None) -> Course:
    """Follow one segment to its end.

    Parameters
    ----------
    segment : Segment
        At least one drive.
    log_bar : float
        ln of the bar in years that the evidence must reach.
    grid : Grid, optional
        The product's where none is given.
    """
    return follow_many([segment], [log_bar], grid)[0]


def follow_many(
    segments: Sequence[Segment], log_bars: Sequence[float], grid: Grid | None = None
) -> list[Course]:
    """Follow many segments, those of like length side by side."""
    return [course for _, course in resume_many([None] * len(segments), segments, log_bars, grid)]


def resume(
    state: State | None, segment: Segment, log_bar: float, grid: Grid | None = None
) -> tuple[State, Course]:
    """Go on from a state with new drives; see :func:`resume_many`."""
    return resume_many([state], [segment], [log_bar], grid)[0]


def resume_many(
    states: Sequence[State | None],
    segments: Sequence[Segment],
    log_bars: Sequence[float],
    grid: Grid | None = None,
) -> list[tuple[State, Course]]:
    """Go on from states with new drives.

    Parameters
    ----------
    states : sequence of State or None
        After the drives before, left as they are; None at the start of a segment.
    segments : sequence of Segment
        The new drives only; days, distance, scale and limit as for the drives before.
    log_bars : sequence of float
        ln of the bar in years.
    grid : Grid, optional
        The product's where none is given; the same as before.

    Returns
    -------
    list of (State, Course)
        The state to keep, and the course of the new drives; the places in ``since``, ``injected``
        and ``episodes`` count from the segment's first drive of all.
    """
    grid = standard_grid() if grid is None else grid
    width = [segment.shared.shape[1] for segment in segments]
    order = sorted(range(len(segments)), key=lambda i: (width[i], segments[i].value.size, i))
    done: dict[int, tuple[State, Course]] = {}
    at = 0
    while at < len(order):
        together = [i for i in order[at : at + SIDE_BY_SIDE] if width[i] == width[order[at]]]
        at += len(together)
        before = [
            first_state(segments[i], grid, width[i]) if state is None else state
            for i, state in ((i, states[i]) for i in together)
        ]
        results = _side_by_side(
            stack(before), [segments[i] for i in together], [log_bars[i] for i in together], grid
        )
        done.update(zip(together, results, strict=True))
    return [done[i] for i in range(len(segments))]


def _side_by_side(
    state: State, segments: list[Segment], log_bars: list[float], grid: Grid
) -> list[tuple[State, Course]]:
    model, data, bars = model_of(segments, grid), _pad(segments), np.array(log_bars)
    count, series = data.value.shape
    first = state.whole[COUNT].copy()
    said = Said(
        np.zeros((count, 5, series)),
        np.full((count, series), -np.inf),
        np.zeros((count, series)),
        np.zeros((count, series), np.int64),
        np.zeros((count, series), np.int64),
    )
    injected: list[list[tuple[int, int]]] = [[] for _ in segments]
    for drive in range(count):
        _move(state, model, data, drive)
        weighed = _absorb(state, model, data, said, drive)
        if weighed is None:
            continue
        _judge(state, model, data, said, (drive, bars))
        for one in _found(state, said, (drive, bars)):
            injected[one].append((posterior_start(state.bank, weighed, one)[1], drive + first[one]))
            here = (one, float(data.distance[drive, one]))
            adopt_change(state.bank, state.level, model, weighed, here)
        _settle(state, model, data, weighed, drive)
        for one in np.flatnonzero(said.happened[drive] == rules.CLEARED).tolist():
            start_afresh(state.bank, state.level, one, healthy=True)
            state.whole[SINCE:STEPS, one] = -1
    weighed = change.weigh(state.bank, model, data.distance[-1]) if grid.candidates else None
    results = []
    for one, segment in enumerate(segments):
        place = Place(one, int(first[one]), segment.value.size, tuple(injected[one]))
        results.append((take(state, one), course_of(state, model, said, weighed, place)))
    return results


def _pad(segments: Sequence[Segment]) -> _Data:
    """Pad segments to the longest; padding repeats the last drive and is marked not valid."""
    length = max(segment.value.size for segment in segments)

    def padded(name: str) -> FloatArray:
        columns = [np.asarray(getattr(segment, name), np.float64) for segment in segments]
        return np.stack(
            [np.concatenate([c, np.repeat(c[-1:], length - len(c), axis=0)]) for c in columns],
            axis=-1,
        )

    sizes = np.array([segment.value.size for segment in segments])
    shared = padded("shared")
    return _Data(
        value=padded("value"),
        variance=padded("se") ** 2,
        days=padded("days"),
        distance=padded("distance"),
        shared=shared,
        pinned=padded("pinned") > 0,
        valid=np.arange(length)[:, None] < sizes,
        constant=tuple(bool((shared[:, part] == 1.0).all()) for part in range(shared.shape[1])),
    )


def _move(state: State, model: level.Model, data: _Data, drive: int) -> None:
    """Bring both filters to a drive."""
    days, distance, pinned = data.days[drive], data.distance[drive], data.pinned[drive]
    valid, begun = data.valid[drive], state.whole[COUNT] > 0
    step = np.where(begun, distance - state.last[DISTANCE], 0.0)
    wait = np.where(begun, days - state.last[DAYS], 0.0)
    if begun.any():
        level.advance_level(state.level, model, step, wait)
        freed = begun & valid & (state.whole[PINNED] == 1) & ~pinned
        if freed.any():
            level.release(state.level, model, freed)
    if pinned.any():
        level.pin(state.level, pinned)
    if state.bank.start.size:
        if begun.any():
            change.advance_bank(state.bank, model, step, wait)
        where = np.flatnonzero(valid & ~pinned)
        if where.size:
            place = (wait, distance - step)
            change.open_candidates(state.bank, model, where, state.whole[COUNT], place)
    state.last[DAYS], state.last[DISTANCE] = days, distance
    state.whole[COUNT] += valid
    state.whole[PINNED] = np.where(valid, pinned, state.whole[PINNED])


def _absorb(
    state: State, model: level.Model, data: _Data, said: Said, drive: int
) -> change.Weighed | None:
    """Take a drive in, and say what is known then."""
    valid = data.valid[drive]
    use = None if valid.all() else valid.astype(np.float64)
    noise = level.noise_variance(state.level, data.variance[drive])
    value, distance = data.value[drive], data.distance[drive]
    terms: list[Term] = [(0, None), (2, None)]
    terms += [
        (level.SHARED + part, None if constant else data.shared[drive, part])
        for part, constant in enumerate(data.constant)
    ]
    if state.bank.start.size:
        change.absorb_bank(state.bank, model, terms, (value, noise, distance), use)
    said.log_density[drive] = level.absorb_level(state.level, model, terms, (value, noise), use)
    said.moments[drive], weighed = _say(state, model, distance)
    if weighed is not None:
        said.log_years[drive] = weighed.log_years
    return weighed


def _say(
    state: State, model: level.Model, distance: FloatArray
) -> tuple[FloatArray, change.Weighed | None]:
    """Return level and slope with their (co)variances (5, S), and the candidates weighed.

    While no alert stands the candidates count by the odds that one of them is true.
    """
    moments = level.answer(state.level)
    if not (state.bank.start.size and state.bank.used):
        return moments, None
    weighed = change.weigh(state.bank, model, distance)
    _mix(moments, weighed, state.whole[STATE] == rules.NORMAL)
    return moments, weighed


def _mix(moments: FloatArray, weighed: change.Weighed, where: BoolArray) -> None:
    """Mix the candidates' moments into the level filter's, by the odds of a change."""
    odds = CHANGES_PER_YEAR * np.exp(np.minimum(weighed.log_excess, 300.0))
    share = np.where(where, odds / (1.0 + odds), 0.0)
    keep = 1.0 - share
    off = weighed.moments[0] - moments[0]
    bend = weighed.moments[2] - moments[2]
    spread = np.stack([0.0 * off, off * off, 0.0 * off, bend * bend, off * bend])
    moments *= keep
    moments += share * weighed.moments + share * keep * spread


def _judge(
    state: State, model: level.Model, data: _Data, said: Said, task: tuple[int, FloatArray]
) -> None:
    """Apply the rules; a drive that is healthy by definition has nothing to be judged."""
    drive, bars = task
    whole, moments = state.whole, said.moments[drive]
    sd = np.sqrt(np.maximum(moments[1], 0.0))
    sizes = rules.Sizes(model.notice, model.limit, model.side)
    chances = rules.chances(moments[0], sd, sizes)
    over = said.log_years[drive] >= bars
    now, healthy, happened = rules.next_state(whole[STATE], whole[HEALTHY], over, chances)
    judged = data.valid[drive] & ~data.pinned[drive]
    idle = data.valid[drive] & data.pinned[drive]
    whole[STATE] = np.where(judged, now, np.where(idle, 0, whole[STATE]))
    whole[HEALTHY] = np.where(judged, healthy, np.where(idle, 0, whole[HEALTHY]))
    said.state[drive] = whole[STATE]
    said.happened[drive] = np.where(judged, happened, rules.NOTHING)


def _found(state: State, said: Said, task: tuple[int, FloatArray]) -> list[int]:
    """Return the series in which a change has just been found: the alert's own or a further one."""
    drive, bars = task
    whole = state.whole
    raised = said.happened[drive] == rules.RAISED
    further = (whole[STATE] != rules.NORMAL) & (whole[SINCE] < 0) & (said.log_years[drive] >= bars)
    found = raised | (further & (said.happened[drive] == rules.NOTHING))
    whole[LOW : HIGH + 1, raised] = -1
    whole[SINCE, found] = 0
    return [int(one) for one in np.flatnonzero(found)]


def _settle(
    state: State, model: level.Model, data: _Data, weighed: change.Weighed, drive: int
) -> None:
    """Let a change that was found long enough ago be part of what is known."""
    whole = state.whole
    settling = (whole[SINCE] >= 0) & data.valid[drive]
    due = settling & (whole[SINCE] >= SETTLED_AFTER)
    for one in np.flatnonzero(due).tolist():
        since, _, step = posterior_start(state.bank, weighed, one)
        if whole[LOW, one] < 0:
            whole[LOW : HIGH + 1, one] = since
            whole[STEPS, one] = round(1000 * step)
        here = (one, float(data.distance[drive, one]))
        adopt_change(state.bank, state.level, model, weighed, here)
        start_afresh(state.bank, state.level, one, healthy=False)
    whole[SINCE] = np.where(due, -1, np.where(settling, whole[SINCE] + 1, whole[SINCE]))
