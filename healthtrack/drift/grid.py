"""What is not known of a vehicle's scatter, as a small grid of possibilities with weights.

Three numbers govern how a healthy vehicle's figures scatter: how good the drives' own standard
errors are (``noise``), how far the figures wander together for days or weeks without any fault
(``wander``: weather, fuel, load, region), and for how long (``memory``). Instead of one estimate,
every combination is carried with its weight; the weights follow from the vehicle's own drives,
drive by drive, so that a new drive never needs a refit of the past and a replay gives the same
answer.

A fourth, ``pace``, is how fast a decline may change its slope; it matters to the level only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

NOISE = ((0.6, 0.15), (0.85, 0.35), (1.2, 0.35), (1.7, 0.15))
"""Factor on the drives' standard errors, and its prior weight: within a factor of two."""
WANDER = ((0.1, 0.2), (0.4, 0.3), (0.8, 0.3), (1.5, 0.2))
"""Standing deviation of the wander, in units of a typical drive's standard error."""
MEMORY_DAYS = ((6.0, 0.5), (40.0, 0.5))
"""Correlation time of the wander: a spell of weather; a tank, a load, a season's corner. [days]"""
PACE = ((0.05, 0.4), (0.25, 0.4), (1.0, 0.2))
"""Change of slope after 10 000 km, in limits per 10 000 km: hardly, slowly, within a service."""


@dataclass(frozen=True)
class Grid:
    """All combinations: arrays over ``g`` (scatter) and ``q`` (pace), with log prior weights."""

    noise: FloatArray
    wander: FloatArray
    memory_days: FloatArray
    log_prior: FloatArray
    pace: FloatArray
    log_prior_pace: FloatArray


@lru_cache(maxsize=1)
def standard_grid() -> Grid:
    """Return the grid that the product uses."""
    combinations = list(product(NOISE, WANDER, MEMORY_DAYS))
    return Grid(
        noise=np.array([noise[0] for noise, _, _ in combinations]),
        wander=np.array([wander[0] for _, wander, _ in combinations]),
        memory_days=np.array([memory[0] for _, _, memory in combinations]),
        log_prior=np.log([n[1] * w[1] * m[1] for n, w, m in combinations]),
        pace=np.array([pace for pace, _ in PACE]),
        log_prior_pace=np.log([weight for _, weight in PACE]),
    )
