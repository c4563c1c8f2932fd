"""Which part it is, how much, and how sure: causes from the levels of all indicators."""

from healthtrack.diagnosis.causes import CAUSES, Cause
from healthtrack.diagnosis.examine import diagnose, examine
from healthtrack.diagnosis.repair import UNDOES, score_repair

__all__ = ["CAUSES", "UNDOES", "Cause", "diagnose", "examine", "score_repair"]
