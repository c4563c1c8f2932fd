"""How good forecasts were, once the truth is known.

Metrics of A. Saxena et al., "Metrics for offline evaluation of prognostic performance", *Int. J.
Prognostics and Health Management* 1(1), 2010; the asymmetric penalty is that of A. Saxena et al.,
"Damage propagation modeling for aircraft engine run-to-failure simulation", PHM 2008.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.forecast.passage import Passage

    FloatArray = NDArray[np.float64]

ALPHA = 0.25
"""Half-width of the accuracy cone, of the distance truly left."""
BETA = 0.5
"""Least probability that the forecast must put into the cone."""


def relative_accuracy(true_left: float, foreseen: float) -> float:
    """Return 1 − |error| / distance truly left; 1 is perfect, below 0 worse than saying none."""
    return 1.0 - abs(true_left - foreseen) / true_left


def in_cone(passage: Passage, true_left: float, alpha: float = ALPHA) -> float:
    """Return the probability that the forecast puts within ±``alpha`` of what was truly left."""
    inside = passage.within(true_left * (1 + alpha)) - passage.within(true_left * (1 - alpha))
    return float(inside)


def alpha_lambda(
    passage: Passage, true_left: float, alpha: float = ALPHA, beta: float = BETA
) -> bool:
    """Return whether enough of the forecast lies in the cone: the α-λ test at one moment."""
    return in_cone(passage, true_left, alpha) >= beta


def prognostic_horizon(left: FloatArray, passed: NDArray[np.bool_]) -> float | None:
    """Return the distance left from which on every forecast passed; None if the last one failed.

    Parameters
    ----------
    left : (n,) float64
        Distances truly left at each forecast, in any order. [km]
    passed : (n,) bool
        Whether the forecast met its criterion.
    """
    order = np.argsort(left)
    failed = np.flatnonzero(~passed[order])
    count = int(failed[0]) if failed.size else left.size
    return float(left[order][count - 1]) if count else None


def asymmetric_penalty(foreseen: FloatArray, true: FloatArray) -> float:
    """Return Σ exp(−d/13) − 1 for early and exp(d/10) − 1 for late forecasts, d = foreseen − true.

    The scales are the source's, made for cycles; give both in a unit in which 10 is a fair error.
    """
    late = foreseen - true
    return float(np.sum(np.expm1(np.where(late < 0.0, -late / 13.0, late / 10.0))))
