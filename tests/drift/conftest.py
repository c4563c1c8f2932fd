"""Segments with a known model, and the same model written out for statsmodels."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pytest
import statsmodels.api as sm

from healthtrack.drift import Carried, Segment
from healthtrack.drift.grid import Grid
from healthtrack.drift.state import RELEASE


def one_point(
    wander: float = 0.0,
    memory_days: float = 10.0,
    pace: float = 0.0,
    walk: float = 0.0,
    candidates: int = 0,
) -> Grid:
    """Return a grid of one point with plain Gaussian errors of known size."""
    return Grid(
        wander=np.array([wander]),
        memory_days=np.array([memory_days]),
        log_prior=np.zeros(1),
        pace=np.array([pace]),
        walk=np.array([walk]),
        log_prior_pace=np.zeros(1),
        outlying=np.inf,
        prior_drives=np.inf,
        candidates=candidates,
    )


@dataclass
class Maker:
    """Makes segments; every number that matters is an argument."""

    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(12))

    def axes(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        """Return irregular days and distances."""
        return (
            np.cumsum(self.rng.exponential(2.0, count)),
            np.cumsum(self.rng.exponential(0.008, count)),
        )

    def carried(self, sds: list[float], points: int = 1) -> Carried:
        """Return what is carried: zero means, independent parts of these standard deviations."""
        width = len(sds)
        return Carried(
            np.zeros((points, width)),
            np.tile(np.diag(np.array(sds) ** 2).reshape(width, width), (points, 1, 1)),
            np.zeros(points),
            np.ones(points),
        )

    def segment(self, value: np.ndarray, points: int = 1, **changed: object) -> Segment:
        """Return a segment of these figures: offset and one condition, errors of one unit."""
        count = value.size
        days, distance = self.axes(count)
        condition = np.sin(days / 58.0)
        made = Segment(
            value=value,
            se=np.ones(count),
            days=days,
            distance=distance,
            shared=np.column_stack([np.ones(count), condition]),
            pinned=np.zeros(count, bool),
            carried=self.carried([3.0, 1.0], points),
            scale=1.0,
            limit=6.0,
            side=0,
        )
        return replace(made, **changed)


@pytest.fixture
def maker() -> Maker:
    return Maker()


@pytest.fixture(scope="session")
def one_point_grid():
    return one_point


@pytest.fixture(scope="session")
def reference():
    """Return the function that writes a segment's model out as statsmodels' state space."""

    def build(segment: Segment, grid: Grid) -> sm.tsa.statespace.MLEModel:
        count, width = segment.shared.shape
        size = 3 + width
        model = sm.tsa.statespace.MLEModel(segment.value, k_states=size, k_posdef=size)
        move = np.tile(np.eye(size)[:, :, None], (1, 1, count))
        noise = np.zeros((size, size, count))
        standing = (grid.wander[0] * segment.scale) ** 2
        pace2 = (grid.pace[0] * segment.limit) ** 2
        walk2 = (grid.walk[0] * segment.limit) ** 2
        for drive in range(count - 1):
            step = segment.distance[drive + 1] - segment.distance[drive]
            keep = np.exp(-(segment.days[drive + 1] - segment.days[drive]) / grid.memory_days[0])
            move[0, 1, drive], move[2, 2, drive] = step, keep
            noise[:2, :2, drive] = pace2 * np.array(
                [[step**3 / 3, step**2 / 2], [step**2 / 2, step]]
            )
            noise[0, 0, drive] += walk2 * step
            noise[2, 2, drive] = (1 - keep**2) * standing
            if segment.pinned[drive + 1]:
                move[:2, :, drive], noise[:2, :2, drive] = 0.0, 0.0
            elif segment.pinned[drive]:
                noise[0, 0, drive] += (RELEASE * segment.limit) ** 2
        design = np.zeros((1, size, count))
        design[0, [0, 2]] = 1.0
        design[0, 3:] = segment.shared.T
        model["design"], model["transition"], model["state_cov"] = design, move, noise
        model["selection"] = np.eye(size)
        model["obs_cov"] = (segment.se**2)[None, None, :]
        start = np.zeros((size, size))
        start[2, 2] = standing
        start[3:, 3:] = segment.carried.covariance[0]
        mean = np.concatenate([np.zeros(3), segment.carried.mean[0]])
        model.ssm.initialize_known(mean, start)
        return model

    return build
