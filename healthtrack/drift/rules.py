"""When an alert is raised, held and cleared, and when it is an alarm: stated rules, in order.

*Significant* and *harmful* are two questions. Significant: the evidence for a change has reached
the bar that the user's false alerts per vehicle-year set. Harmful: the level is probably beyond the
limit. An alert that the level contradicts (it is as good as zero for some drives) is cleared.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

ALARM_ON, ALARM_OFF = 0.80, 0.50
"""Probability that the level is beyond the limit, to make an alert an alarm, and to take it back:
apart, so that it does not flap."""
CLEAR_BELOW = 0.84
"""Probability of being on the side of concern under which a drive counts as healthy again (one
standard deviation from zero)."""
CLEAR_AFTER = 5
"""Healthy drives in a row that clear an alert: one good day does not."""


@dataclass(frozen=True)
class Signals:
    """What the rules look at: arrays over the (N,) drives of one series.

    ``log_years`` is ln of the evidence in years (:mod:`healthtrack.drift.change`); ``concern`` the
    probability that the level is on the side of concern; ``beyond`` that it is beyond the limit;
    ``pinned`` the drives at which the vehicle is healthy by definition.
    """

    log_years: FloatArray
    concern: FloatArray
    beyond: FloatArray
    pinned: BoolArray


@dataclass(frozen=True)
class Episodes:
    """The outcome: a state per drive (0 normal, 1 alert, 2 alarm) and when each episode began."""

    state: NDArray[np.int64]
    raised: tuple[int, ...] = field(default=())
    cleared: tuple[int, ...] = field(default=())


def signals(
    level: FloatArray, level_sd: FloatArray, limit: float, side: int
) -> tuple[FloatArray, FloatArray]:
    """Return the probabilities of concern and of being beyond the limit.

    Parameters
    ----------
    level, level_sd : (N,) float64
        Filtered level and its standard deviation. [unit]
    limit : float
        Size of a harmful change, positive. [unit]
    side : -1, 0 or 1
        Direction of concern; 0 is both.
    """
    sd = np.maximum(level_sd, 1e-9)
    up, down = ndtr(level / sd), ndtr(-level / sd)
    over, under = ndtr((level - limit) / sd), ndtr((-level - limit) / sd)
    if side > 0:
        return np.asarray(up), np.asarray(over)
    if side < 0:
        return np.asarray(down), np.asarray(under)
    return np.maximum(up, down), np.maximum(over, under)


def episodes(view: Signals, log_bar: float) -> Episodes:
    """Apply the rules drive by drive; nothing looks ahead.

    Parameters
    ----------
    view : Signals
        Of one series.
    log_bar : float
        ln of the bar in years.
    """
    count = view.log_years.size
    state = np.zeros(count, dtype=np.int64)
    raised: list[int] = []
    cleared: list[int] = []
    now, healthy = 0, 0
    for drive in range(count):
        if view.pinned[drive]:
            now, healthy = 0, 0
            continue
        if now == 0:
            if view.log_years[drive] >= log_bar:
                now, healthy = 1, 0
                raised.append(drive)
        else:
            healthy = healthy + 1 if view.concern[drive] < CLEAR_BELOW else 0
            if healthy >= CLEAR_AFTER:
                now, healthy = 0, 0
                cleared.append(drive)
        if now:
            now = _degree(now, float(view.beyond[drive]))
        state[drive] = now
    return Episodes(state, tuple(raised), tuple(cleared))


def _degree(now: int, beyond: float) -> int:
    if beyond >= ALARM_ON:
        return 2
    return 1 if beyond < ALARM_OFF else now
