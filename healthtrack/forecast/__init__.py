"""When a limit is reached: distance and date, as a distribution."""

from healthtrack.forecast.foresee import Limits, forecast
from healthtrack.forecast.passage import DriftState, Passage, first_passage
from healthtrack.forecast.usage import Usage, usage

__all__ = ["DriftState", "Limits", "Passage", "Usage", "first_passage", "forecast", "usage"]
