"""How likely many series are under one model with known errors, as fast as numpy goes.

Where nothing is learned on the way (one grid point, Gaussian errors of known size) the filter of
:mod:`healthtrack.drift.level` does more than the likelihood needs: only the sum of level, wander,
offset and responses makes a figure. Here that sum, the signal, stands in the state in place of
level and offset, so that a figure is one number of the state plus its error. From drive to drive
the signal gains of each other part: of the slope the distance gone, of the wander what it does not
keep, of a response the change of its condition.

The recursion is Kalman's with the prediction-error decomposition (Durbin & Koopman, *Time Series
Analysis by State Space Methods*, 2nd ed. 2012, ch. 4.3 and 7.2). A step is some twenty calls of
numpy into room that is kept; all that can be reckoned beforehand is, for some drives together.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from healthtrack.drift.level import LOG_2PI, SHARED, Move, reckon_moves

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.level import Level, Model
    from healthtrack.drift.padded import Padded

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

TOGETHER = 8
"""Drives that are made ready together, and whose variances share one logarithm."""
UNBUFFERED = 512
"""Numbers in numpy's buffer. A longer one takes in several rows, and what a call broadcasts to them
is then copied there first, which takes as long as the call itself."""
LINE = 8
"""Numbers in a line of the processor's cache."""
NOTHING_SAID = 1e200
"""Error variance of padding: nothing is learned from it."""


class _Known(NamedTuple):
    """What is known of S series: of K parts (responses' errors, slope, wander) and the signal.

    They are views of one array, a row of each part and the signal's last; a row is the mean (the
    signal's is less the figure), then the covariance with each part; the signal's own variance
    comes at the end of all.
    """

    parts: FloatArray
    """(K, K + 1, S): all rows but the last."""
    signal: FloatArray
    """(K + 1, S): the last row."""
    error: FloatArray
    """(1, S): its mean."""
    shared: FloatArray
    """(K, 1, S): its covariances."""
    variance: FloatArray
    """(1, S): the signal's own."""
    figure: FloatArray
    """(K + 2, S): ``signal`` and ``variance``."""
    moved: FloatArray
    """(K + 3, S): the wander's own variance and ``figure``."""
    bent: FloatArray
    """(1, S): the slope's own variance."""
    wander: FloatArray
    """(K + 1, S): the wander's row."""
    with_wander: FloatArray
    """(K + 1, S): the covariances with the wander."""


class _Drive(NamedTuple):
    """What happens at a drive; with an axis in front, at TOGETHER drives."""

    gain: FloatArray
    """(K, 1, S): what the signal gains of each part since the drive before."""
    keep: FloatArray
    """(1, S): what the wander keeps."""
    moved: FloatArray
    """(K + 3, S): what is added to the like of it in :class:`_Known`: noise, and to the mean by how
    much the figure before was higher."""
    bent: FloatArray
    """(1, S): what is added to the slope's variance."""
    noise: FloatArray
    """(1, S): error variance of the figure."""
    foreseen: FloatArray
    """(1, S): the answer, its variance as foreseen."""
    squared: FloatArray
    """(1, S): the answer, its squared error over that."""


class _Room(NamedTuple):
    """Room for what is reckoned at a drive, and its rows."""

    products: FloatArray
    """(K, K + 1, S)."""
    rows: tuple[FloatArray, ...]
    twice: FloatArray
    """(K, 1, S)."""
    addends: tuple[FloatArray, ...]
    shares: FloatArray
    """(K + 1, S): of the error, then of each part."""
    of_error: FloatArray
    of_parts: FloatArray
    rest: FloatArray
    """(1, S)."""


def log_likelihood_of(data: Padded, model: Model, before: Level) -> FloatArray:
    """Return ln of the density of all figures of each series.

    Parameters
    ----------
    data : Padded
        S series; the first shared part is the offset, and pinned drives come first.
    model : Model
        Of one grid point.
    before : Level
        What is known before the first drives.

    Returns
    -------
    (S,) float64

    Raises
    ------
    ValueError
        Where a drive is pinned after one that is not.
    """
    if data.pins and (data.pinned[1:] & ~data.pinned[:-1]).any():
        msg = "pinned drives must come first in a segment"
        raise ValueError(msg)
    known = _first_known(before)
    room, together = _room_for(known), _drives_for(known)
    drives = tuple(map(_Drive, *together))
    total = np.zeros(data.value.shape[1])
    with np.errstate():  # at its end the buffer is as before
        np.setbufsize(UNBUFFERED)
        for first in range(0, len(data.value), TOGETHER):
            rows = slice(first, min(first + TOGETHER, len(data.value)))
            ready = _Drive(*(part[: rows.stop - first] for part in together))
            _say(ready, data, rows, before.noise)
            _move(ready, data, rows, model)
            _follow(known, drives[: rows.stop - first], room)
            total += _summed(ready, None if data.use is None else data.valid[rows])
    return np.asarray(-0.5 * (total + LOG_2PI * data.sizes))


def _first_known(before: Level) -> _Known:
    """Return what is known beforehand, with the responses at nought."""
    joint = before.joint[:, :, 0, 0]
    signal = joint[0] + joint[2] + joint[SHARED]
    rows = [*joint[SHARED + 1 :], joint[1], joint[2], signal]
    places = [-1, *range(SHARED + 1, len(joint)), 1, 2]
    size = len(rows)
    whole = _empty(size * size + 1, joint.shape[-1])
    square = whole[:-1].reshape(size, size, -1)
    square[...] = [row[places] for row in rows]
    whole[-1] = signal[0] + signal[2] + signal[SHARED]
    return _Known(
        parts=square[:-1],
        signal=square[-1],
        error=square[-1, :1],
        shared=square[-1, 1:, None],
        variance=whole[-1:],
        figure=whole[-size - 1 :],
        moved=whole[-size - 2 :],
        bent=square[-3, -2:-1],
        wander=square[-2],
        with_wander=square[:, -1],
    )


def _empty(*shape: int) -> FloatArray:
    """Return room that begins with a line of the cache: few accesses then lie across two."""
    size = math.prod(shape)
    room = np.empty(size + LINE)
    begin = -(room.ctypes.data // room.itemsize) % LINE
    return room[begin : begin + size].reshape(shape)


def _room_for(known: _Known) -> _Room:
    products, twice, shares, rest = (
        _empty(*of.shape) for of in (known.parts, known.shared, known.signal, known.variance)
    )
    return _Room(
        products, tuple(products), twice, tuple(twice), shares, shares[:1], shares[1:, None], rest
    )


def _drives_for(known: _Known) -> _Drive:
    gain, moved, one = known.shared.shape, known.moved.shape, known.variance.shape
    by_row = _empty(moved[0], TOGETHER, moved[1])
    by_row.fill(0.0)
    return _Drive(
        gain=_empty(TOGETHER, *gain),
        moved=by_row.swapaxes(0, 1),
        **{
            name: _empty(TOGETHER, *one)
            for name in ("keep", "bent", "noise", "foreseen", "squared")
        },
    )


def _say(drives: _Drive, data: Padded, rows: slice, factor: FloatArray) -> None:
    """Lay out what some drives' figures are, their errors and the responses' conditions."""
    np.multiply(data.variance[rows, None], factor, drives.noise)
    if data.use is not None:
        drives.noise[~data.valid[rows, None]] = NOTHING_SAID
    np.subtract(_earlier(data.value, rows), data.value[rows], drives.moved[:, 1])
    conditions = data.shared[:, 1:, None]
    np.subtract(conditions[rows], _earlier(conditions, rows), drives.gain[:, :-2])


def _earlier(numbers: NDArray[Any], rows: slice) -> NDArray[Any]:
    """Return the numbers of the drives before these, nought before the first of all."""
    if rows.start > 0:
        return numbers[rows.start - 1 : rows.stop - 1]
    return np.concatenate([np.zeros_like(numbers[:1]), numbers[: rows.stop - 1]])


def _move(drives: _Drive, data: Padded, rows: slice, model: Model) -> None:
    """Reckon what happens between some drives and those before them."""
    step, moved = data.step[rows], drives.moved[:, :, None]
    fresh, rise, tilt = moved[:, -2], moved[:, -1], moved[:, -3]
    move = Move(step, drives.keep, fresh, rise, tilt, drives.bent)
    reckon_moves(model, data.wait[rows], move)
    if data.pins:
        _hold(move, data.pinned[rows], _earlier(data.pinned, rows), model.release2)
    drives.gain[:, -2, 0] = step
    np.subtract(drives.keep, 1.0, drives.gain[:, -1])
    moved[:, 0] = fresh
    rise += fresh


def _hold(move: Move, pinned: BoolArray, earlier: BoolArray, release2: FloatArray) -> None:
    """Let level and slope stay where they are pinned, and set the level free just after."""
    free = ~pinned[:, None]
    rise, tilt, bend = move.rise, move.tilt, move.bend
    rise *= free
    tilt *= free
    bend *= free
    rise += (release2 * (earlier & ~pinned))[:, None]


def _follow(known: _Known, drives: Sequence[_Drive], room: _Room) -> None:
    """Go from drive to drive: carry what is known there, and take the figure in."""
    parts, signal, error, shared, variance, figure, moved, bent, wander, with_wander = known
    products, rows, twice, addends, shares, of_error, of_parts, rest = room
    for gain, keep, added, added_bent, noise, foreseen, squared in drives:
        twice[...] = shared
        np.multiply(gain, parts, products)
        for row in rows:
            signal += row
        twice += shared
        twice *= gain
        for addend in addends:
            variance += addend
        wander *= keep
        with_wander *= keep
        bent += added_bent
        moved += added

        np.add(variance, noise, foreseen)
        np.divide(1.0, foreseen, rest)
        np.multiply(signal, rest, shares)
        np.multiply(error, of_error, squared)
        np.multiply(of_parts, signal, products)
        parts -= products
        rest *= noise
        figure *= rest


def _summed(drives: _Drive, valid: BoolArray | None) -> FloatArray:
    """Return ln of the variances plus the squared errors over them, summed over some drives, (S,).

    Where all drives are valid, ``valid`` is None.
    """
    foreseen, squared = drives.foreseen[:, 0], drives.squared[:, 0]
    if valid is not None:
        foreseen[~valid], squared[~valid] = 1.0, 0.0
    return np.asarray(np.log(foreseen.prod(axis=0)) + squared.sum(axis=0))
