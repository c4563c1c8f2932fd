"""The size in which a baseline is fitted, so that another unit changes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from healthtrack.indicators.declaration import Indicator

UNIT = 8.0
"""Prior sizes are in this part of the indicator's limit of harm: 1 % of airflow, 2 K of charge
temperature."""
FLAT_SD = 100.0
"""Prior sd of a surface's level and tilt: wide against any physical value. [limit/8]"""


def unit_of(indicator: Indicator) -> float:
    """Return the size in which the model is fitted. [the indicator's unit]."""
    return abs(indicator.limit) / UNIT
