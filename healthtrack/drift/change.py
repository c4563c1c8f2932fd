"""Has anything changed, and when did it start? A running sum of likelihood ratios.

For every drive *k* since the baseline, and for two shapes (a step, a ramp), the likelihood of all
figures since *k* with a change of unknown size is set against the healthy model's (Willsky & Jones,
*IEEE Trans. Automatic Control* 21(1), 1976: the filter's answer to a change is propagated beside
the filter). The size has a prior of the limit's order and is integrated out. The sum over *k*,

    R(t) = Σ_k  Δt_k · LR(change at k | figures up to t),      Δt_k in years,

is the Shiryaev-Roberts statistic in units of time: while the vehicle is healthy R(t) − t is a
martingale, so the chance of ever crossing a bar of A years within t years is at most t/A, and the
mean time between false alerts at least A (Pollak, *Annals of Statistics* 13(1), 1985; the
inequality is Doob's). The user's false alerts per vehicle-year set A directly: no threshold to
tune, and the wander, the noise level and the baseline's error are integrated out on both sides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

from healthtrack.drift.level import innovate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.grid import Grid
    from healthtrack.drift.level import Batch
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

CANDIDATES = 40
"""Starts of a change that are kept: all recent ones, ever fewer the older they are."""
STEP_SIZE = 0.6
"""Prior sd of a step, in limits."""
RAMP_SIZE = 1.0
"""Prior sd of a ramp, in limits per 10 000 km."""
STEP, RAMP = 0, 1
DAYS_PER_YEAR = 365.25
NEVER = -np.inf


@dataclass(frozen=True)
class Evidence:
    """What the bank says after a drive: arrays over (S,).

    ``log_years`` is ln R; ``step`` the share of the step shape; ``since`` (S, 3) the drive index at
    which the change started: 2.5 %, median, 97.5 % of its posterior; ``start`` the likeliest one.
    """

    log_years: FloatArray
    step: FloatArray
    since: IntArray
    start: IntArray


class ChangeBank:
    """The healthy filter and the candidate changes beside it, for S series and G grid points."""

    def __init__(self, data: Batch, segments: Sequence[Segment], grid: Grid) -> None:
        self.data, self.grid = data, grid
        series, points, width = data.value.shape[0], grid.noise.size, data.shared.shape[2]
        size = 1 + width
        self.mean = np.zeros((series, points, size))
        self.covariance = np.zeros((series, points, size, size))
        self.log_weight = np.zeros((series, points))
        for index, segment in enumerate(segments):
            have = segment.carried.mean.shape[1]
            self.mean[index, :, 1 : 1 + have] = segment.carried.mean
            self.covariance[index, :, 1 : 1 + have, 1 : 1 + have] = segment.carried.covariance
            self.log_weight[index] = segment.carried.log_weight
        self.standing = (grid.wander[None, :] * data.scale[:, None]) ** 2
        self.covariance[..., 0, 0] = self.standing
        bank = (series, points, CANDIDATES, 2)
        self.answers = [np.zeros(bank) for _ in range(size)]
        self.power = np.zeros(bank)
        self.match = np.zeros(bank)
        self.log_omega = np.full(bank, NEVER)
        self.start = np.full((series, CANDIDATES), -1, dtype=np.int64)
        self.origin = np.zeros((series, CANDIDATES))
        self.used = 0

    def advance(self, drive: int) -> None:
        """Move to this drive."""
        if drive == 0:
            return
        wait = self.data.days[:, drive] - self.data.days[:, drive - 1]
        keep = np.exp(-wait[:, None] / self.grid.memory_days[None, :])
        self.mean[..., 0] *= keep
        self.covariance[..., 0, :] *= keep[..., None]
        self.covariance[..., :, 0] *= keep[..., None]
        self.covariance[..., 0, 0] += (1 - keep**2) * self.standing
        self.answers[0] *= keep[:, :, None, None]

    def absorb(self, drive: int) -> None:
        """Take in a drive: open a candidate that starts here, update all, then the filter."""
        data = self.data
        design = np.concatenate([np.ones((data.value.shape[0], 1)), data.shared[:, drive]], axis=1)
        gain = np.einsum("sgij,sj->sgi", self.covariance, design)
        innovation, variance, log_likelihood = innovate(
            data.value[:, drive, None] - np.einsum("sgi,si->sg", self.mean, design),
            np.einsum("sgi,si->sg", gain, design),
            (self.grid.noise[None, :] * data.se[:, drive, None]) ** 2,
        )
        use = data.valid[:, drive].astype(np.float64)
        for series in np.flatnonzero(data.valid[:, drive] & ~data.pinned[:, drive]):
            self._open(int(series), drive)
        self._match(drive, design, gain, innovation, variance, use)
        self.mean += use[:, None, None] * gain * (innovation / variance)[..., None]
        scaled = gain * (use[:, None] / np.sqrt(variance))[..., None]
        self.covariance -= scaled[..., :, None] * scaled[..., None, :]
        self.log_weight += use[:, None] * log_likelihood
        self.log_weight -= self.log_weight.max(axis=1, keepdims=True)

    def _match(
        self,
        drive: int,
        design: FloatArray,
        gain: FloatArray,
        innovation: FloatArray,
        variance: FloatArray,
        use: FloatArray,
    ) -> None:
        used = self.used
        if used == 0:
            return
        shape = np.ones((self.start.shape[0], 1, used, 2))
        shape[:, 0, :, RAMP] = self.data.distance[:, drive, None] - self.origin[:, :used]
        change = np.broadcast_to(shape, self.power[:, :, :used].shape).copy()
        for place, answer in enumerate(self.answers):
            change -= answer[:, :, :used] * design[:, place, None, None, None]
        weight = (use[:, None] / variance)[:, :, None, None]
        weighted = weight * change
        self.power[:, :, :used] += weighted * change
        self.match[:, :, :used] += weighted * innovation[:, :, None, None]
        for place, answer in enumerate(self.answers):
            answer[:, :, :used] += gain[:, :, None, None, place] * weighted

    def _open(self, series: int, drive: int) -> None:
        starts = self.start[series]
        slot = int(np.argmax(starts < 0)) if (starts < 0).any() else self._merge(series, drive)
        before = max(drive - 1, 0)
        wait = self.data.days[series, drive] - self.data.days[series, before]
        self.start[series, slot] = drive
        self.origin[series, slot] = self.data.distance[series, before]
        self.used = max(self.used, slot + 1)
        for answer in self.answers:
            answer[series, :, slot] = 0.0
        self.power[series, :, slot] = 0.0
        self.match[series, :, slot] = 0.0
        self.log_omega[series, :, slot] = np.log(max(wait, 1e-3) / DAYS_PER_YEAR / 2)

    def _merge(self, series: int, drive: int) -> int:
        """Join the two candidates that differ least for their age; return the slot set free."""
        order = np.argsort(self.start[series])
        starts = self.start[series, order]
        spacing = (starts[2:] - starts[:-2]) / (drive - starts[1:-1] + 1.0)
        middle = int(np.argmin(spacing)) + 1
        keep, drop = int(order[middle - 1]), int(order[middle])
        pair = np.array([keep, drop])
        ratio = self._log_ratio(slice(series, series + 1), pair)[0]
        joined = np.logaddexp(
            self.log_omega[series, :, keep] + ratio[:, 0],
            self.log_omega[series, :, drop] + ratio[:, 1],
        )
        self.log_omega[series, :, keep] = joined - ratio[:, 0]
        return drop

    def _log_ratio(self, series: slice, slots: slice | IntArray) -> FloatArray:
        """Return ln LR of candidates with their sizes integrated out: (S, G, K, 2)."""
        sizes = self.data.limit[series, None] * np.array([STEP_SIZE, RAMP_SIZE])
        prior = (sizes**2)[:, None, None, :]
        power, match = self.power[series][:, :, slots], self.match[series][:, :, slots]
        growth = 1.0 + prior * power
        variance = prior / growth
        centre = variance * match
        ratio = 0.5 * (match * centre) - 0.5 * np.log(growth)
        side = self.data.side[series, None, None, None]
        if not side.any():
            return np.asarray(ratio)
        one_sided = np.log(2.0) + log_ndtr(side * centre / np.sqrt(variance))
        return np.asarray(ratio + np.where(side == 0.0, 0.0, one_sided))

    def evidence(self) -> Evidence:
        """Return what the figures so far say."""
        series_count, slots = self.start.shape[0], slice(0, max(self.used, 1))
        weight = self.log_weight - logsumexp(self.log_weight, axis=1, keepdims=True)
        ratio = self._log_ratio(slice(0, series_count), slots)
        joint = weight[:, :, None, None] + self.log_omega[:, :, slots] + ratio
        per_start = logsumexp(joint, axis=1)
        total = logsumexp(per_start, axis=(1, 2))
        known = np.isfinite(total)
        share = np.exp(per_start - np.where(known, total, 0.0)[:, None, None])
        since = np.full((total.size, 3), -1, dtype=np.int64)
        start = np.full(total.size, -1, dtype=np.int64)
        for series in np.flatnonzero(known):
            since[series], start[series] = _posterior_start(
                self.start[series, slots], share[series].sum(axis=1)
            )
        return Evidence(total, share[..., STEP].sum(axis=1), since, start)

    def reset(self, series: int) -> None:
        """Forget all candidates of one series: an episode has ended."""
        self.log_omega[series] = NEVER
        self.start[series] = -1
        self.power[series] = self.match[series] = 0.0
        for answer in self.answers:
            answer[series] = 0.0

    def adopt(
        self, series: int, mean: FloatArray, covariance: FloatArray, log_weight: FloatArray
    ) -> None:
        """Take over what the level filter knows of the shared parts; the wander starts afresh."""
        self.mean[series, :, 0] = 0.0
        self.mean[series, :, 1:] = mean
        self.covariance[series] = 0.0
        self.covariance[series, :, 0, 0] = self.standing[series]
        self.covariance[series, :, 1:, 1:] = covariance
        self.log_weight[series] = log_weight


def logsumexp(
    values: FloatArray, axis: int | tuple[int, ...], *, keepdims: bool = False
) -> FloatArray:
    """Return ln Σ exp along an axis; −∞ where all are (scipy's own costs ten times as much)."""
    top = np.max(values, axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        total = np.log(np.exp(values - safe).sum(axis=axis, keepdims=True)) + safe
    return np.asarray(total if keepdims else np.squeeze(total, axis=axis))


def _posterior_start(starts: IntArray, share: FloatArray) -> tuple[list[int], int]:
    used = np.flatnonzero(starts >= 0)
    order = used[np.argsort(starts[used])]
    cumulated = np.cumsum(share[order])
    places = np.searchsorted(cumulated, np.array([0.025, 0.5, 0.975]) * cumulated[-1])
    places = np.minimum(places, order.size - 1)
    return [int(starts[order[place]]) for place in places], int(
        starts[used[np.argmax(share[used])]]
    )
