"""When a limit is reached: distance and date, as a distribution."""

from healthtrack.forecast.foresee import HORIZON_KM, Limits, forecast, with_trip
from healthtrack.forecast.passage import DriftState, Passage, first_passage
from healthtrack.forecast.service import NextService, next_service
from healthtrack.forecast.usage import Usage, usage

__all__ = [
    "HORIZON_KM",
    "DriftState",
    "Limits",
    "NextService",
    "Passage",
    "Usage",
    "first_passage",
    "forecast",
    "next_service",
    "usage",
    "with_trip",
]
