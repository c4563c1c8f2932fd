"""Run level filter and change bank over segments drive by drive, and apply the rules.

Each drive is looked at once, and only the state goes on to the next: causal by construction, and a
nightly assessment grows with the new drives, not with the history. Many segments run side by side.

A change that has been found sets the level filter to what the candidates say, at once and again
when it has settled; from then on further changes are looked for beside it. An episode that has
ended empties the bank. Before a change is found the level is the mixture of both: the candidates
count by the odds that one of them is true.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from healthtrack.drift import band, change, level, rules
from healthtrack.drift.candidates import adopt_change, drop_change, posterior_start, start_afresh
from healthtrack.drift.course import Course, Place, Said, course_of
from healthtrack.drift.grid import standard_grid
from healthtrack.drift.likelihood import log_likelihood_of
from healthtrack.drift.padded import Padded, padded
from healthtrack.drift.state import (
    BEGUN,
    COUNT,
    DAYS,
    DISTANCE,
    FIRST,
    FOUND,
    FREE,
    HEALTHY,
    HIGH,
    LOW,
    PINNED,
    RESTLESS,
    SINCE,
    STATE,
    STEPS,
    State,
    first_counts,
    first_level,
    first_state,
    model_of,
    stack,
    take,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.grid import Grid
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

SETTLED_AFTER = 15
"""Drives after which a change that was found is settled: when it began and how much it is are then
left as they are, and the next change may be looked for."""
MARGIN = 1.3
"""By how much the evidence must exceed the bar. The bar holds on the average over sound lives as
they are believed to be; lives whose use changes every five months, the worst of the kinds in
tests/calibration, crossed it 1.2 times as often as promised (25 alerts in 1 608 years)."""
WITHDRAWN = 1.0
"""A further change is taken back before it has settled when its evidence has fallen so far under
the bar [nats]: it stood on a few odd drives."""
SIDE_BY_SIDE = 96
"""Segments that run together and share the cost of a call. Of 24, 48, 96 it was the quickest: 1.0,
1.3, 1.6 times as many a second, with the candidates of a change and without."""


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
            first_state(segments[i], grid) if state is None else state
            for i, state in ((i, states[i]) for i in together)
        ]
        results = _side_by_side(
            stack(before), [segments[i] for i in together], [log_bars[i] for i in together], grid
        )
        done.update(zip(together, results, strict=True))
    return [done[i] for i in range(len(segments))]


def log_likelihood(segments: Sequence[Segment], grid: Grid | None = None) -> FloatArray:
    """Return how likely the figures of many segments were under the level's model.

    The level filter alone runs, all segments side by side: what the choice of a grid needs.

    Parameters
    ----------
    segments : sequence of Segment
        S segments with the same number of shared parts.
    grid : Grid, optional
        The product's where none is given. With one point and errors that are exactly known there
        is nothing to be learned on the way, and a shorter filter does.

    Returns
    -------
    (S,) float64
        ln of the density of all figures together.
    """
    grid = standard_grid() if grid is None else grid
    now, (whole, last) = first_level(segments, grid), first_counts(len(segments))
    model, data = model_of(segments, grid), padded(segments, whole, last)
    known = np.isinf(grid.prior_drives) and np.isinf(grid.outlying)
    if known and now.log_weight.shape[:2] == (1, 1) and data.constant[0]:
        return log_likelihood_of(data, model, now)
    total = np.zeros(len(segments))
    for drive, move in enumerate(level.moves_of(model, data.step, data.wait)):
        before = data.pinned[max(drive - 1, 0)]
        _move_level(now, model, move, (before & data.valid[drive], data.pinned[drive]))
        noise = level.noise_variance(now, data.variance[drive])
        use = None if data.use is None else data.use[drive]
        figure = (data.value[drive], noise)
        total += level.absorb_level(now, model, data.terms[drive], figure, use)
    return total


def _move_level(
    now: level.Level,
    model: level.Model,
    move: level.Move,
    pinned: tuple[BoolArray, BoolArray],
) -> None:
    """Bring the level filter to a drive; ``pinned`` are the marks of the drive before and its own.

    Where the healthy period has ended between the two, the level is set free.
    """
    before, here = pinned
    level.advance_level(now, move)
    freed = before & ~here
    if freed.any():
        level.release(now, model, freed)
    if here.any():
        level.pin(now, here)


def _side_by_side(
    state: State, segments: list[Segment], log_bars: list[float], grid: Grid
) -> list[tuple[State, Course]]:
    model, data, bars = (
        model_of(segments, grid),
        padded(segments, state.whole, state.last),
        np.array(log_bars) + np.log(MARGIN),
    )
    state.last[FIRST] = np.where(state.whole[COUNT] > 0, state.last[FIRST], data.days[0])
    count, series = data.value.shape
    first = state.whole[COUNT].copy()
    said = Said(
        np.zeros((count, 5, series)),
        np.zeros((count, 3, band.parts_of(grid.pace.size), series)),
        np.full((count, series), -np.inf),
        np.zeros((count, series)),
        np.zeros((count, series), np.int64),
        np.zeros((count, series), np.int64),
    )
    injected: list[list[tuple[int, int]]] = [[] for _ in segments]
    for drive, move in enumerate(level.moves_of(model, data.step, data.wait)):
        _move(state, model, data, move, drive)
        weighed = _absorb(state, model, data, said, drive)
        if weighed is None:
            continue
        _judge(state, model, data, said, (drive, bars))
        for one in _found(state, said, (drive, bars)):
            state.whole[BEGUN, one] = posterior_start(state.bank, weighed, one)[1]
            state.whole[FOUND, one] = drive + first[one]
            here = (one, float(data.distance[drive, one]))
            adopt_change(state.bank, state.level, model, weighed, here)
        gone = data.valid[drive] & (said.log_years[drive] < bars - WITHDRAWN)
        _withdraw(state, model, gone)
        for one in _settle(state, model, data, weighed, drive):
            injected[one].append(_standing(state, one))
        for one in np.flatnonzero(said.happened[drive] == rules.CLEARED).tolist():
            start_afresh(state.bank, state.level, one, healthy=True)
            if state.whole[FOUND, one] >= 0:
                injected[one].append(_standing(state, one))
            state.whole[SINCE:STEPS, one] = -1
    weighed = change.weigh(state.bank, model, data.distance[-1]) if grid.candidates else None
    told = (said, band.edges(said.parts))
    results = []
    for one, segment in enumerate(segments):
        place = Place(one, int(first[one]), segment.value.size, tuple(injected[one]))
        results.append((take(state, one), course_of(state, model, told, weighed, place)))
    return results


def _move(state: State, model: level.Model, data: Padded, move: level.Move, drive: int) -> None:
    """Bring both filters to a drive."""
    pinned, valid = data.pinned[drive], data.valid[drive]
    before = (state.whole[COUNT] > 0) & valid & (state.whole[PINNED] == 1)
    _move_level(state.level, model, move, (before, pinned))
    if state.bank.start.size:
        change.advance_bank(state.bank, move)
        where = np.flatnonzero(valid & ~pinned)
        if where.size:
            origin = data.distance[drive] - move.step
            watched = data.days[drive] - state.last[FIRST]
            rate = change.use_rate(watched / change.DAYS_PER_YEAR, state.last[RESTLESS])
            place = (data.wait[drive], origin, rate)
            change.open_candidates(state.bank, model, where, state.whole[COUNT], place)
    state.last[DAYS], state.last[DISTANCE] = data.days[drive], data.distance[drive]
    state.whole[COUNT] += valid
    state.whole[FREE] += valid & ~pinned
    state.whole[PINNED] = np.where(valid, pinned, state.whole[PINNED])


def _absorb(
    state: State, model: level.Model, data: Padded, said: Said, drive: int
) -> change.Weighed | None:
    """Take a drive in, and say what is known then."""
    use = None if data.use is None else data.use[drive]
    noise = level.noise_variance(state.level, data.variance[drive])
    value, distance = data.value[drive], data.distance[drive]
    terms = data.terms[drive]
    if state.bank.start.size:
        change.absorb_bank(state.bank, model, terms, (value, noise, distance), use)
    said.log_density[drive] = level.absorb_level(state.level, model, terms, (value, noise), use)
    said.moments[drive], said.parts[drive], weighed = _say(state, model, distance)
    if weighed is not None:
        said.log_years[drive] = weighed.log_years
    return weighed


def _say(
    state: State, model: level.Model, distance: FloatArray
) -> tuple[FloatArray, FloatArray, change.Weighed | None]:
    """Return level and slope with their (co)variances (5, S), the band's parts, the candidates.

    While no alert stands the candidates count by the odds that one of them is true.
    """
    moments = level.answer(state.level)
    if not (state.bank.start.size and state.bank.used):
        paces = state.level.log_weight.shape[1]
        return moments, band.alone(moments[0], moments[1], paces), None
    weighed = change.weigh(state.bank, model, distance)
    share, still = _odds(weighed)
    state.last[RESTLESS] = still
    normal = state.whole[STATE] == rules.NORMAL
    _mix(moments, weighed, np.where(normal, share, 0.0), np.where(normal, still, 0.0))
    free = normal | (state.whole[SINCE] < 0)
    unchanged = level.by_pace(state.level, model, normal, band.REMEMBERED)
    step = np.maximum(state.whole[STEPS], 0) / 1000.0
    spread = band.spread(state.whole[FREE], normal, step)
    return moments, band.together(unchanged, weighed.shapes, spread, (normal, free)), weighed


def _odds(weighed: change.Weighed) -> tuple[FloatArray, FloatArray]:
    """Return how likely a fault and a change of use are: (S,), (S,)."""
    fault, use = (np.minimum(odds, 300.0) for odds in (weighed.log_fault, weighed.log_use))
    total = np.logaddexp(np.logaddexp(0.0, fault), use)
    return np.exp(fault - total), np.exp(use - total)


def _mix(
    moments: FloatArray, weighed: change.Weighed, share: FloatArray, still: FloatArray
) -> None:
    """Mix the candidates' moments into the level filter's, by the odds of a fault.

    After a change of use the level is still zero, known as well as it was.
    """
    unmoved = moments.copy()
    unmoved[[0, 2]] = 0.0
    parts = ((1.0 - share - still, moments.copy()), (share, weighed.moments), (still, unmoved))
    moments[...] = sum(weight * part for weight, part in parts)
    for weight, part in parts:
        off, bend = part[0] - moments[0], part[2] - moments[2]
        moments[1] += weight * off * off
        moments[3] += weight * bend * bend
        moments[4] += weight * off * bend


def _judge(
    state: State, model: level.Model, data: Padded, said: Said, task: tuple[int, FloatArray]
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


def _standing(state: State, one: int) -> tuple[int, int]:
    """Return a change as (likeliest start, drive that found it), and mark it as settled."""
    begun, found = state.whole[BEGUN : FOUND + 1, one].tolist()
    state.whole[BEGUN : FOUND + 1, one] = -1
    return begun, found


def _withdraw(state: State, model: level.Model, gone: BoolArray) -> None:
    """Take back a further change whose evidence has gone before it settled: some odd drives."""
    whole = state.whole
    further = (whole[SINCE] >= 0) & (whole[LOW] >= 0) & (whole[STATE] != rules.NORMAL)
    for one in np.flatnonzero(further & gone).tolist():
        drop_change(state.bank, state.level, model, one)
        whole[SINCE, one] = whole[BEGUN, one] = whole[FOUND, one] = -1


def _settle(
    state: State, model: level.Model, data: Padded, weighed: change.Weighed, drive: int
) -> list[int]:
    """Let changes that were found long enough ago be part of what is known; return the series."""
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
    return [int(one) for one in np.flatnonzero(due)]
