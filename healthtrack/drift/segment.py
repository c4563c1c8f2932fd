"""A stretch of one indicator's life between restarts, as arrays."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Carried:
    """What is known at the start of a segment of the parts that drives share.

    Parameters
    ----------
    mean : (G, B) float64
        Of the offset and the responses' errors, per grid point. [unit]
    covariance : (G, B, B) float64
        [unit squared]
    log_weight : (G,) float64
        Of the grid points.
    noise : (G,) float64
        Factor on the drives' error variances.
    information : float or None
        Worth of that factor, in drives; None for the grid's own prior.
    """

    mean: FloatArray
    covariance: FloatArray
    log_weight: FloatArray
    noise: FloatArray
    information: float | None = None


@dataclass(frozen=True)
class Segment:
    """One stretch: N drives, B shared parts (offset and responses).

    Parameters
    ----------
    value, se : (N,) float64
        Figures and their own standard errors. [unit]
    days : (N,) float64
        Moments, from any origin, rising. [days]
    distance : (N,) float64
        Place on the axis along which wear goes, from any origin, not falling. [10 000 km]
    shared : (N, B) float64
        1 for the offset, then the conditions in steps.
    pinned : (N,) bool
        Drives at which the vehicle is taken to be healthy (the baseline period, or the drives that
        settle a new part): level and slope are zero there by definition.
    carried : Carried
        What is known of the shared parts before the first drive.
    scale : float
        A typical drive's standard error, the unit of the wander. [unit]
    limit : float
        Size of a harmful change, the unit of priors on changes. [unit]
    side : -1, 0 or 1
        Direction of concern.
    notice : float
        Size of a change below which it is not worth a word. [unit]
    """

    value: FloatArray
    se: FloatArray
    days: FloatArray
    distance: FloatArray
    shared: FloatArray
    pinned: BoolArray
    carried: Carried
    scale: float
    limit: float
    side: int
    notice: float = 0.0


DRIVEN = ("value", "se", "days", "distance", "shared", "pinned")
"""The arrays of a segment that have a row per drive."""


def extended(segment: Segment, more: Segment) -> Segment:
    """Return a segment with the drives of another one after its own."""
    arrays: dict[str, Any] = {
        name: np.concatenate([getattr(segment, name), getattr(more, name)]) for name in DRIVEN
    }
    return replace(segment, **arrays)


def part_of(whole: Segment, rows: slice | IntArray) -> Segment:
    """Return some of the drives, in their order."""
    arrays: dict[str, Any] = {name: getattr(whole, name)[rows] for name in DRIVEN}
    return replace(whole, **arrays)
