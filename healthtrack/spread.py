"""The spread of values, told so that a few wild ones among them do not count."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

SD_PER_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation, 1 / Φ⁻¹(3/4)
(Rousseeuw and Croux, *Journal of the American Statistical Association* 88, 1993)."""


def robust_sd(values: NDArray[np.float64]) -> float:
    """Return the standard deviation from the median absolute deviation, in the values' unit.

    >>> import numpy as np
    >>> round(robust_sd(np.array([1.0, 2.0, 3.0, 4.0, 1000.0])), 4)
    1.4826
    """
    return float(SD_PER_MAD * np.median(np.abs(values - np.median(values))))
