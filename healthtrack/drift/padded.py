"""Many segments side by side: their drives padded to one length."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from healthtrack.drift.level import SHARED
from healthtrack.drift.state import COUNT, DAYS, DISTANCE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.gaussian import Term
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

TURNED = 160
"""Series turned from row to column at once: what the processor's cache holds."""


@dataclass(frozen=True)
class Padded:
    """Segments padded to one length by their last drive: arrays over (N, S); ``shared`` (N, B, S).

    ``wait`` and ``step`` are from the drive before; ``valid`` marks what is no padding.
    """

    segments: Sequence[Segment]
    value: FloatArray
    variance: FloatArray
    wait: FloatArray
    step: FloatArray
    pinned: BoolArray
    valid: BoolArray
    shared: FloatArray

    @cached_property
    def days(self) -> FloatArray:
        """Moments of the drives in days, (N, S)."""
        return self._axis([segment.days for segment in self.segments])

    @cached_property
    def distance(self) -> FloatArray:
        """Places of the drives in 10 000 km, (N, S)."""
        return self._axis([segment.distance for segment in self.segments])

    def _axis(self, columns: Sequence[FloatArray]) -> FloatArray:
        out = np.empty(self.value.shape)
        _fill(out, columns)
        return out

    @cached_property
    def use(self) -> FloatArray | None:
        """1 where a drive is valid, else 0; None where all are."""
        return None if bool(_unlike(self.valid).all()) else self.valid.astype(np.float64)

    @cached_property
    def sizes(self) -> IntArray:
        """Drives of each series, (S,)."""
        return np.array([segment.value.size for segment in self.segments])

    @cached_property
    def pins(self) -> bool:
        """Whether any drive is pinned."""
        return bool(_unlike(self.pinned).any())

    @cached_property
    def terms(self) -> tuple[tuple[Term, ...], ...]:
        """What makes up each drive's figure: level, wander and the shared parts."""
        constant = self.constant
        return tuple(
            (
                (0, None),
                (2, None),
                *(
                    (SHARED + part, None if constant[part] else row[part])
                    for part in range(row.shape[0])
                ),
            )
            for row in self.shared
        )

    @cached_property
    def constant(self) -> BoolArray:
        """Which shared parts enter every figure as they are: (B,)."""
        return np.asarray((_unlike(self.shared) == 1.0).all(axis=(0, 2)))


def padded(segments: Sequence[Segment], whole: IntArray, last: FloatArray) -> Padded:
    """Lay segments out.

    Parameters
    ----------
    segments : sequence of Segment
        S segments with the same number of shared parts.
    whole, last : (12, S) int64, (4, S) float64
        Where their drives before these ended, see :mod:`healthtrack.drift.state`.
    """
    sizes = np.array([segment.value.size for segment in segments])
    # all numbers in one piece of memory: large ones come in large pages
    value, variance, wait, step = np.empty((4, sizes.max(), sizes.size))
    _fill(value, [segment.value for segment in segments])
    _fill(variance, [segment.se for segment in segments])
    variance *= variance
    begun = whole[COUNT] > 0
    for out, columns, place in (
        (wait, [segment.days for segment in segments], DAYS),
        (step, [segment.distance for segment in segments], DISTANCE),
    ):
        first = np.array([column[0] for column in columns])
        _fill_gone(out, columns, np.where(begun, last[place], first))
    return Padded(
        segments, value, variance, wait, step,
        pinned=_column([segment.pinned for segment in segments], 0.0),
        valid=_valid(sizes),
        shared=_column([segment.shared for segment in segments], 1.0),
    )  # fmt: skip


def _valid(sizes: IntArray) -> BoolArray:
    """Return which of the drives laid out are no padding, (N, S)."""
    longest = sizes.max()
    if (sizes == longest).all():
        return np.broadcast_to(np.True_, (longest, sizes.size))
    return np.asarray(np.arange(longest)[:, None] < sizes)


def _unlike(laid: NDArray[Any]) -> NDArray[Any]:
    """Return the first drive alone where by :func:`_column` all are alike."""
    return laid[:1] if laid.strides[0] == 0 else laid


def _fill(out: NDArray[Any], columns: Sequence[NDArray[Any]]) -> None:
    """Write one array of each segment, (n, …), into ``out`` (N, …, S)."""
    length = len(out)
    if out.ndim == 2 and all(len(column) == length for column in columns):
        for first in range(0, len(columns), TURNED):
            out[:, first : first + TURNED] = np.array(columns[first : first + TURNED]).T
        return
    for place, column in enumerate(columns):
        size = len(column)
        if size == length:
            out[..., place] = column
        else:
            out[:size, ..., place] = column
            out[size:, ..., place] = column[-1]


def _fill_gone(out: FloatArray, columns: Sequence[FloatArray], before: FloatArray) -> None:
    """Write how far each place lies from the one before, of (n,) places of each segment."""
    length = len(out)
    if all(len(column) == length for column in columns):
        for first in range(0, len(columns), TURNED):
            part = slice(first, first + TURNED)
            end_to_end = np.concatenate(columns[part])
            gone = np.empty_like(end_to_end)
            np.subtract(end_to_end[1:], end_to_end[:-1], gone[1:])
            out[:, part] = gone.reshape(-1, length).T
            out[0, part] = end_to_end[::length] - before[part]
        return
    for place, column in enumerate(columns):
        out[0, place] = column[0] - before[place]
        out[1 : len(column), place] = column[1:] - column[:-1]
        out[len(column) :, place] = 0.0


def _column(columns: Sequence[NDArray[Any]], common: float) -> NDArray[Any]:
    """Return one array of all segments as (N, …, S), of no size where all are ``common``."""
    shape = (max(map(len, columns)), *columns[0].shape[1:], len(columns))
    alike = np.asarray(common, columns[0].dtype)
    parts = (columns[first : first + TURNED] for first in range(0, len(columns), TURNED))
    if all((np.concatenate(part) == alike).all() for part in parts):
        return np.broadcast_to(alike, shape)
    out = np.empty(shape, dtype=columns[0].dtype)
    _fill(out, columns)
    return out
