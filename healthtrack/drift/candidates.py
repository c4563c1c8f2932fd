"""What the candidate changes of one series say: when it began, and where the level is now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from healthtrack.drift.change import FAST, MADE_OF, RAMP, STEP, USE
from healthtrack.drift.gaussian import inside, outside

OFFSET = 3
"""Place of the offset in the state: the first shared part."""

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.drift.change import Bank, Weighed
    from healthtrack.drift.level import Level, Model

    FloatArray = NDArray[np.float64]


def adopt_change(
    bank: Bank, level: Level, model: Model, weighed: Weighed, here: tuple[int, float]
) -> None:
    """Set a series' level filter to what its candidates say: a change has been found.

    For each grid point the candidates' states (change, wander, offset, responses, all correlated
    through the size of the change) and that of no change are put together as one Gaussian with
    their mean and covariance. A change of use has moved the offset.

    Parameters
    ----------
    bank, level : Bank, Level
        ``level`` is changed in place.
    model : Model
        Of both.
    weighed : Weighed
        The candidates as of this drive.
    here : (int, float)
        The series, and its place along the distance. [10 000 km]
    """
    series, distance = here
    joint, nothing = weighed.joint(series), bank.log_weight[:, series]
    used, _, points = joint.shape
    per_point = np.logaddexp(np.logaddexp.reduce(joint, axis=(0, 1)), nothing)
    share, rest = np.exp(joint - per_point), np.exp(nothing - per_point)
    size = level.mean.shape[0]
    direction = np.zeros((used, len(MADE_OF), points, size))
    direction[:, STEP, :, 0] = 1.0
    for shape in (RAMP, FAST):
        direction[:, shape, :, 0] = (distance - bank.origin[:used, series])[:, None]
        direction[:, shape, :, 1] = 1.0
    direction[:, USE, :, OFFSET] = 1.0
    answers = np.moveaxis(bank.answer[:, :used, :, :, series], 0, -1)
    direction -= answers[:, list(MADE_OF)]
    centre, variance = weighed.centre[..., series], weighed.variance[..., series]
    move = direction * centre[..., None]
    mean = np.einsum("ksg,ksgi->gi", share, move)
    off = move - mean
    covariance = np.einsum("ksg,ksgi,ksgj->gij", share, off, off)
    covariance += np.einsum("ksg,ksg,ksgi,ksgj->gij", share, variance, direction, direction)
    covariance += np.einsum("g,gi,gj->gij", rest, mean, mean)
    covariance += outside(bank.covariance[..., series])
    mean += bank.mean[:, :, series].T
    level.mean[..., series] = mean.T[:, :, None]
    level.covariance[..., series] = inside(covariance)[..., None]
    log_weight = per_point[:, None] + model.log_pace
    level.log_weight[..., series] = log_weight - np.logaddexp.reduce(log_weight, axis=(0, 1))


def drop_change(bank: Bank, level: Level, model: Model, series: int) -> None:
    """Set a series' level filter to what is known without a further change: it was none."""
    level.mean[..., series] = bank.mean[:, :, None, series]
    level.covariance[..., series] = bank.covariance[:, :, :, None, series]
    log_weight = bank.log_weight[:, series, None] + model.log_pace
    level.log_weight[..., series] = log_weight - np.logaddexp.reduce(log_weight, axis=(0, 1))


def start_afresh(bank: Bank, level: Level, series: int, *, healthy: bool) -> None:
    """Forget a series' candidates and take over what its level filter knows.

    With ``healthy`` an episode has ended and the level is zero from here on; else the change that
    was found goes on in a straight line and further ones are looked for.
    """
    mean, covariance, log_weight = shared_parts(level, series, 0)
    if healthy:
        mean[:, :2] = 0.0
        covariance[:, :2], covariance[:, :, :2] = 0.0, 0.0
    bank.start[:, series] = -1
    bank.answer[..., series] = bank.power[..., series] = bank.match[..., series] = 0.0
    bank.omega[..., series] = 0.0
    bank.mean[..., series] = mean.T
    bank.covariance[..., series] = inside(covariance)
    bank.log_weight[..., series] = log_weight


def shared_parts(
    level: Level, series: int, first: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean (G, n), covariance (G, n, n), log weight (G,) of the parts from ``first`` on.

    The paces are put together as one Gaussian.
    """
    log_weight = level.log_weight[..., series]
    total = np.logaddexp.reduce(log_weight, axis=1)
    share = np.exp(log_weight - total[:, None])
    part = np.moveaxis(level.mean[first:, ..., series], 0, -1)
    mean = np.einsum("gq,gqb->gb", share, part)
    off = part - mean[:, None]
    parts = outside(level.covariance[..., series])[..., first:, first:]
    covariance = np.einsum("gq,gqbc->gbc", share, parts)
    return mean, covariance + np.einsum("gq,gqb,gqc->gbc", share, off, off), total


def posterior_start(
    bank: Bank, weighed: Weighed, series: int
) -> tuple[tuple[int, int, int], int, float]:
    """Return when the change began: (2.5 %, median, 97.5 %), the likeliest; the steps' share.

    Drives are counted from the segment's first; all −1 where there is no candidate.
    """
    joint = weighed.joint(series)[:, :USE]
    starts = bank.start[: joint.shape[0], series]
    if not (starts >= 0).any():
        return (-1, -1, -1), -1, 0.0
    share = np.exp(joint - joint.max())
    share /= share.sum()
    per_start = share.sum(axis=(1, 2))
    order = np.argsort(starts)
    cumulated = np.cumsum(per_start[order])
    places = np.minimum(np.searchsorted(cumulated, [0.025, 0.5, 0.975]), starts.size - 1)
    low, middle, high = (int(starts[order[place]]) for place in places)
    return (low, middle, high), int(starts[np.argmax(per_start)]), float(share[:, STEP].sum())
