"""The healthy expectation of an indicator, learned from a stated period, with its uncertainty."""

from healthtrack.baseline.figures import Figures, expectation, figures
from healthtrack.baseline.learn import learn
from healthtrack.baseline.model import Baseline, RegionModel, ResponseModel, from_json, to_json
from healthtrack.baseline.period import Period, borrowing_period, healthy_period
from healthtrack.baseline.sisters import Prior, pool

__all__ = [
    "Baseline",
    "Figures",
    "Period",
    "Prior",
    "RegionModel",
    "ResponseModel",
    "borrowing_period",
    "expectation",
    "figures",
    "from_json",
    "healthy_period",
    "learn",
    "pool",
    "to_json",
]
