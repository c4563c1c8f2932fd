"""Level and slope of a drift, told from noise, wander and weather: one state-space model.

A drive's figure is

    value = level + wander + offset + Σ response error · condition + noise

``level`` moves along the distance with a ``slope`` that itself changes slowly (an integrated random
walk: Durbin & Koopman, *Time Series Analysis by State Space Methods*, 2nd ed. 2012, ch. 3.2),
``wander`` is an Ornstein-Uhlenbeck process in time (a discrete AR(1) at irregular spacing),
``offset`` and the responses' errors are constants with the baseline's uncertainty. The filter runs
for all grid points and many series at once; the answer is their mixture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.grid import Grid
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

SHARED = 3
"""Index of the first shared part in the state: level, slope and wander come before it."""
OUTLYING = 3.0
"""Beyond so many standard deviations a drive's error is taken to be larger: heavy tails (Huber)."""
STEADY_WALK = 0.05
"""Unsmooth part of the level's movement after 10 000 km, in limits."""
RELEASE = 0.5
"""Prior sd of the level after the healthy period, in limits: wide against any drive's error, so
that the band is what the data allow and not what is believed of healthy vehicles."""
FREE_JUMP, FREE_BEND = 0.6, 1.0
"""Prior sd of a found change, in limits and in limits per 10 000 km (as in the change bank)."""
LOG_2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True)
class Batch:
    """Segments padded to one length: arrays over (S, N), shared (S, N, B)."""

    value: FloatArray
    se: FloatArray
    days: FloatArray
    distance: FloatArray
    shared: FloatArray
    pinned: BoolArray
    valid: BoolArray
    scale: FloatArray
    limit: FloatArray
    side: FloatArray


def batch(segments: Sequence[Segment]) -> Batch:
    """Pad segments to the longest; padding is marked not valid and repeats the last drive."""
    length = max(segment.value.size for segment in segments)
    width = max(segment.shared.shape[1] for segment in segments)

    def pad(values: FloatArray, fill: str = "edge") -> FloatArray:
        extra = length - values.shape[0]
        if fill == "edge":
            return np.pad(values, (0, extra), mode="edge")
        return np.pad(values, (0, extra))

    return Batch(
        value=np.stack([pad(s.value) for s in segments]),
        se=np.stack([pad(s.se) for s in segments]),
        days=np.stack([pad(s.days) for s in segments]),
        distance=np.stack([pad(s.distance) for s in segments]),
        shared=np.stack(
            [
                np.pad(
                    s.shared,
                    ((0, length - s.value.size), (0, width - s.shared.shape[1])),
                )
                for s in segments
            ]
        ),
        pinned=np.stack([pad(s.pinned.astype(np.float64)) > 0 for s in segments]),
        valid=np.stack([pad(np.ones(s.value.size), "zero") > 0 for s in segments]),
        scale=np.array([s.scale for s in segments]),
        limit=np.array([s.limit for s in segments]),
        side=np.array([float(s.side) for s in segments]),
    )


@dataclass(frozen=True)
class Filtered:
    """The mixture's answer after one drive: arrays over (S,)."""

    level: FloatArray
    level_sd: FloatArray
    slope: FloatArray
    slope_sd: FloatArray
    covariance: FloatArray
    wander_sd: FloatArray


class LevelFilter:
    """The filter over S series, G scatter points and Q paces, one drive at a time.

    ``mean`` (S, G, Q, D) and ``covariance`` (S, G, Q, D, D) with D = 3 + B; ``log_weight``
    (S, G, Q). With ``pinned_always`` the level is held at zero: the healthy hypothesis.
    """

    def __init__(self, data: Batch, segments: Sequence[Segment], grid: Grid) -> None:
        self.data = data
        self.grid = grid
        paces = grid.pace.size
        series, points, width = len(segments), grid.noise.size, data.shared.shape[2]
        size = SHARED + width
        self.mean = np.zeros((series, points, paces, size))
        self.covariance = np.zeros((series, points, paces, size, size))
        self.log_weight = np.zeros((series, points, paces))
        for index, segment in enumerate(segments):
            have = segment.carried.mean.shape[1]
            part = slice(SHARED, SHARED + have)
            self.mean[index, :, :, part] = segment.carried.mean[:, None, :]
            self.covariance[index, :, :, part, part] = segment.carried.covariance[:, None]
            self.log_weight[index] = (
                segment.carried.log_weight[:, None] + grid.log_prior_pace[None, :]
            )
            if segment.jump:
                self.covariance[index, :, :, 0, 0] = segment.limit**2
                self.covariance[index, :, :, 1, 1] = (0.5 * segment.limit) ** 2
        self.standing = (grid.wander[None, :] * data.scale[:, None]) ** 2
        self.covariance[..., 2, 2] = self.standing[:, :, None]

    def advance(self, drive: int) -> None:
        """Move the state from the drive before to this one (nothing at the first)."""
        data = self.data
        if drive > 0:
            step = data.distance[:, drive] - data.distance[:, drive - 1]
            wait = data.days[:, drive] - data.days[:, drive - 1]
            self._move_level(step)
            self._move_wander(wait)
            self._release(data.pinned[:, drive - 1] & ~data.pinned[:, drive])
        self._pin(data.pinned[:, drive])

    def _move_level(self, step: FloatArray) -> None:
        dx = step[:, None, None]
        mean, cov = self.mean, self.covariance
        mean[..., 0] += dx * mean[..., 1]
        cov[..., 0, :] += dx[..., None] * cov[..., 1, :]
        cov[..., :, 0] += dx[..., None] * cov[..., :, 1]
        pace2 = (self.data.limit[:, None, None] * self.grid.pace[None, None, :]) ** 2
        walk2 = (STEADY_WALK * self.data.limit[:, None, None]) ** 2
        cov[..., 0, 0] += pace2 * dx**3 / 3 + walk2 * dx
        cov[..., 0, 1] += pace2 * dx**2 / 2
        cov[..., 1, 0] += pace2 * dx**2 / 2
        cov[..., 1, 1] += pace2 * dx

    def _move_wander(self, wait: FloatArray) -> None:
        keep = np.exp(-wait[:, None] / self.grid.memory_days[None, :])[:, :, None]
        self.mean[..., 2] *= keep
        self.covariance[..., 2, :] *= keep[..., None]
        self.covariance[..., :, 2] *= keep[..., None]
        self.covariance[..., 2, 2] += (1 - keep**2) * self.standing[:, :, None]

    def _pin(self, pinned: BoolArray) -> None:
        if pinned.any():
            self.mean[pinned, ..., :2] = 0.0
            self.covariance[pinned, ..., :2, :] = 0.0
            self.covariance[pinned, ..., :, :2] = 0.0

    def _release(self, released: BoolArray) -> None:
        """Let the data say where the level is once the healthy period is over."""
        size = RELEASE * self.data.limit * released
        self.covariance[..., 0, 0] += size[:, None, None] ** 2

    def free(self, series: int) -> None:
        """Let the level of one series jump and bend now: a change was found to start here."""
        self.covariance[series, ..., 0, 0] += (FREE_JUMP * self.data.limit[series]) ** 2
        self.covariance[series, ..., 1, 1] += (FREE_BEND * self.data.limit[series]) ** 2

    def absorb(self, drive: int) -> None:
        """Take in a drive's figure."""
        design = np.zeros((self.data.value.shape[0], self.mean.shape[-1]))
        design[:, 0] = design[:, 2] = 1.0
        design[:, SHARED:] = self.data.shared[:, drive]
        gain = np.einsum("sgqij,sj->sgqi", self.covariance, design)
        innovation, variance, log_likelihood = innovate(
            self.data.value[:, drive, None, None] - np.einsum("sgqi,si->sgq", self.mean, design),
            np.einsum("sgqi,si->sgq", gain, design),
            (self.grid.noise[None, :] * self.data.se[:, drive, None])[..., None] ** 2,
        )
        use = self.data.valid[:, drive, None, None].astype(np.float64)
        self.mean += use[..., None] * gain * (innovation / variance)[..., None]
        scaled = gain * (use / np.sqrt(variance))[..., None]
        self.covariance -= scaled[..., :, None] * scaled[..., None, :]
        self.log_weight += use * log_likelihood
        self.log_weight -= self.log_weight.max(axis=(1, 2), keepdims=True)

    def weights(self) -> FloatArray:
        """Return the grid's weights, adding up to one for each series: (S, G, Q)."""
        weight = np.exp(self.log_weight)
        return np.asarray(weight / weight.sum(axis=(1, 2), keepdims=True))

    def answer(self) -> Filtered:
        """Return the mixture over the grid."""
        weight = self.weights()
        mean = np.einsum("sgq,sgqi->si", weight, self.mean[..., :2])
        off = self.mean[..., :2] - mean[:, None, None, :]
        spread = np.einsum("sgq,sgqij->sij", weight, self.covariance[..., :2, :2])
        spread += np.einsum("sgq,sgqi,sgqj->sij", weight, off, off)
        return Filtered(
            level=mean[:, 0],
            level_sd=np.sqrt(np.maximum(spread[:, 0, 0], 0.0)),
            slope=mean[:, 1],
            slope_sd=np.sqrt(np.maximum(spread[:, 1, 1], 0.0)),
            covariance=spread[:, 0, 1],
            wander_sd=np.sqrt(np.einsum("sgq,sg->s", weight, self.standing)),
        )

    def carried(self, series: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the shared parts' mean (G, B), covariance (G, B, B) and log weights (G,)."""
        log_weight = self.log_weight[series]
        share = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        part = self.mean[series, :, :, SHARED:]
        mean = np.einsum("gq,gqb->gb", share, part)
        off = part - mean[:, None]
        covariance = np.einsum(
            "gq,gqbc->gbc", share, self.covariance[series, :, :, SHARED:, SHARED:]
        ) + np.einsum("gq,gqb,gqc->gbc", share, off, off)
        total = np.logaddexp.reduce(log_weight, axis=1)
        return mean, covariance, total


def innovate(
    innovation: FloatArray, signal: FloatArray, noise: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return innovation, its variance with outlying drives made less certain, log-likelihood."""
    variance = signal + noise
    excess = np.maximum(innovation**2 / variance / OUTLYING**2, 1.0)
    variance = variance + noise * (excess - 1.0)
    log_likelihood = -0.5 * (LOG_2PI + np.log(variance) + innovation**2 / variance)
    return innovation, variance, log_likelihood
