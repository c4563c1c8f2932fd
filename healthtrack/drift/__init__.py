"""The slow movement of the residual: level, slope, change, alert and alarm."""

from healthtrack.drift.evidence import Witness, evidence
from healthtrack.drift.finding import finding
from healthtrack.drift.track import Plan, Tracked, track

__all__ = ["Plan", "Tracked", "Witness", "evidence", "finding", "track"]
