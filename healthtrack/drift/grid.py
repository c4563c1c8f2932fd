"""What is not known of a vehicle's scatter and of a fault's manner, as a grid with weights.

Two numbers govern how a healthy vehicle's figures move together without any fault (weather, fuel,
load, region): how far (``wander``) and for how long (``memory_days``). Instead of one estimate,
every combination is carried with its weight; the weights follow from the vehicle's own drives,
drive by drive, so that a new drive never needs a refit of the past and a replay gives the same
answer. A third, ``pace``, is how fast a decline may change its slope; it matters to the level only.

How good the drives' own standard errors are is no grid: each point follows it drive by drive from
its own innovations (:mod:`healthtrack.drift.scale`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

SCATTER = (
    (0.0, 1.0, 0.40),
    (0.4, 4.0, 0.14),
    (0.8, 4.0, 0.10),
    (1.5, 4.0, 0.05),
    (0.4, 25.0, 0.14),
    (0.8, 25.0, 0.08),
    (1.5, 25.0, 0.02),
    (0.4, 150.0, 0.05),
    (0.8, 150.0, 0.03),
)
"""Wander: its standard deviation in units of a typical drive's error, its correlation time [days],
and the weight of both together before any drive: none; a spell of weather; a tank, a load, a
driver; a quarter of a year. Long and large together are rare: they are what wear looks like."""
PACE = ((0.0, 0.0, 0.7, 0.4), (0.1, 0.02, 0.1, 0.2), (0.5, 0.05, 0.2, 0.4))
"""Change of slope after 10 000 km, unsmooth movement after 10 000 km (both in limits), weight: not
at all, hardly, within a service interval. The last column is the weight once a change has been
found: what declines changes its slope more often than what is sound."""
OUTLYING = 3.0
"""Beyond so many standard deviations a drive's error is taken to be larger: heavy tails (Huber)."""
PRIOR_DRIVES = 4.0
"""What the drives' own standard errors are worth, in drives: right within a factor of two."""
CANDIDATES = 32
"""Starts of a change that are kept: all recent ones, ever fewer the older they are."""


@dataclass(frozen=True)
class Grid:
    """All combinations: arrays over G (scatter) and Q (pace), with log prior weights.

    Parameters
    ----------
    wander : (G,) float64
        In units of a series' scale.
    memory_days : (G,) float64
        [days]
    log_prior : (G,) float64
    pace, walk : (Q,) float64
        In limits per 10 000 km after 10 000 km; in limits after 10 000 km.
    log_prior_pace : (Q,) float64
    log_later_pace : (Q,) float64, optional
        The same once a change has been found; as before where none is given.
    outlying : float
        Huber's constant; infinite for plain Gaussian errors.
    prior_drives : float
        Worth of the drives' own errors; infinite where they are exactly known.
    candidates : int
        Starts of a change that are kept, at least 4; 0 for the level alone.
    """

    wander: FloatArray
    memory_days: FloatArray
    log_prior: FloatArray
    pace: FloatArray
    walk: FloatArray
    log_prior_pace: FloatArray
    outlying: float = OUTLYING
    prior_drives: float = PRIOR_DRIVES
    candidates: int = CANDIDATES
    log_later_pace: FloatArray | None = None


@lru_cache(maxsize=1)
def standard_grid() -> Grid:
    """Return the grid that the product uses."""
    return Grid(
        wander=np.array([wander for wander, _, _ in SCATTER]),
        memory_days=np.array([memory for _, memory, _ in SCATTER]),
        log_prior=np.log([weight for _, _, weight in SCATTER]),
        pace=np.array([row[0] for row in PACE]),
        walk=np.array([row[1] for row in PACE]),
        log_prior_pace=np.log([row[2] for row in PACE]),
        log_later_pace=np.log([row[3] for row in PACE]),
    )
