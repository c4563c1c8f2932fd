"""When an alert is raised, held and cleared, and when it is an alarm: stated rules, in order.

*Significant* and *harmful* are two questions. Significant: the evidence for a change has reached
the bar that the user's false alerts per vehicle-year set. Harmful: the level is probably beyond the
limit. An alert that the level contradicts (it is as good as zero for some drives) is cleared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

ALARM_ON, ALARM_OFF = 0.80, 0.50
"""Probability that the level is beyond the limit, to make an alert an alarm, and to take it back:
apart, so that it does not flap."""
CLEAR_BELOW = 0.975
"""Probability of being on the side of concern under which a drive counts as healthy again: zero
lies inside the 95 % band. One standard deviation would never clear a third of all repaired
vehicles, because the baseline's own error stays."""
CLEAR_AFTER = 5
"""Healthy drives in a row that clear an alert: one good day does not."""
NORMAL, ALERT, ALARM = 0, 1, 2
NOTHING, RAISED, CLEARED = 0, 1, 2


def concern(
    level: FloatArray, level_sd: FloatArray, limit: FloatArray, side: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the probabilities of being on the side of concern and of being beyond the limit.

    Parameters
    ----------
    level, level_sd : (S,) float64
        Filtered level and its standard deviation. [unit]
    limit : (S,) float64
        Size of a harmful change, positive. [unit]
    side : (S,) float64
        Direction of concern, −1 or 1; 0 is both.
    """
    sd = np.maximum(level_sd, 1e-9)
    up, down = ndtr(level / sd), ndtr(-level / sd)
    over, under = ndtr((level - limit) / sd), ndtr((-level - limit) / sd)
    either, beyond = np.maximum(up, down), np.maximum(over, under)
    return (
        np.where(side > 0, up, np.where(side < 0, down, either)),
        np.where(side > 0, over, np.where(side < 0, under, beyond)),
    )


def next_state(
    state: IntArray, healthy: IntArray, over_bar: BoolArray, chances: tuple[FloatArray, FloatArray]
) -> tuple[IntArray, IntArray, IntArray]:
    """Return the states after a drive, the healthy drives in a row, and what happened.

    Parameters
    ----------
    state : (S,) int
        Before the drive: 0 normal, 1 alert, 2 alarm.
    healthy : (S,) int
        Healthy drives in a row before it, while an alert stands.
    over_bar : (S,) bool
        Whether the evidence has reached the bar.
    chances : ((S,), (S,) float64)
        As :func:`concern` gives them, after the drive.
    """
    concerned, beyond = chances
    standing = state != NORMAL
    raised = ~standing & over_bar
    healthy = np.where(standing & (concerned < CLEAR_BELOW), healthy + 1, 0)
    cleared = healthy >= CLEAR_AFTER
    on = (standing | raised) & ~cleared
    degree = np.where(raised, ALERT, state)
    degree = np.where(beyond >= ALARM_ON, ALARM, np.where(beyond < ALARM_OFF, ALERT, degree))
    happened = np.where(raised, RAISED, np.where(cleared, CLEARED, NOTHING))
    return np.where(on, degree, NORMAL), np.where(cleared, 0, healthy), happened
