"""When an alert is raised, held and cleared, and when it is an alarm: stated rules, in order.

*Significant* and *harmful* are two questions. Significant: the evidence for a change has reached
the bar that the user's false alerts per vehicle-year set. Harmful: the level is probably beyond the
limit. Between the two lies what is worth a word: a filter that loads as filters do is significant
and normal. An alert that the level contradicts (it is as good as zero for some drives) is cleared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

NOTICE_ON, NOTICE_OFF = 0.50, 0.16
"""Probability that the level is off by more than is worth a word, to raise an alert, and under
which a drive counts as healthy again: apart by one standard deviation."""
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


class Sizes(NamedTuple):
    """What matters of S series.

    ``notice`` is a change below which is not worth a word, ``limit`` one beyond which it is
    harmful, ``side`` the direction of concern: −1 or 1, 0 for both.
    """

    notice: FloatArray
    limit: FloatArray
    side: FloatArray


class Chances(NamedTuple):
    """Probabilities after a drive, each (S,).

    Of being on the side of concern at all, by more than what is worth a word, beyond the limit.
    """

    concerned: FloatArray
    noticed: FloatArray
    beyond: FloatArray


def chances(level: FloatArray, level_sd: FloatArray, sizes: Sizes) -> Chances:
    """Return the probabilities that the rules look at.

    Parameters
    ----------
    level, level_sd : (S,) float64
        Filtered level and its standard deviation. [unit]
    sizes : Sizes
        Of the same series.
    """
    sd = np.maximum(level_sd, 1e-9)

    def probability(size: FloatArray | float) -> FloatArray:
        up, down = ndtr((level - size) / sd), ndtr((-level - size) / sd)
        either = np.maximum(up, down)
        return np.asarray(np.where(sizes.side > 0, up, np.where(sizes.side < 0, down, either)))

    return Chances(probability(0.0), probability(sizes.notice), probability(sizes.limit))


def next_state(
    state: IntArray, healthy: IntArray, over_bar: BoolArray, now: Chances
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
    now : Chances
        After the drive.
    """
    standing = state != NORMAL
    raised = ~standing & over_bar & (now.noticed >= NOTICE_ON)
    well = (now.concerned < CLEAR_BELOW) | (now.noticed < NOTICE_OFF)
    healthy = np.where(standing & well, healthy + 1, 0)
    cleared = healthy >= CLEAR_AFTER
    on = (standing | raised) & ~cleared
    degree = np.where(raised, ALERT, state)
    calm = np.where(now.beyond < ALARM_OFF, ALERT, degree)
    degree = np.where(now.beyond >= ALARM_ON, ALARM, calm)
    happened = np.where(raised, RAISED, np.where(cleared, CLEARED, NOTHING))
    return np.where(on, degree, NORMAL), np.where(cleared, 0, healthy), happened
