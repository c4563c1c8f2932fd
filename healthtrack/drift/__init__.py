"""The slow movement of the residual: level, slope, change, alert and alarm."""

from healthtrack.drift.contrast import Contrast, contrast, memory_of
from healthtrack.drift.course import Course
from healthtrack.drift.evidence import Witness, evidence, with_sums
from healthtrack.drift.finding import finding
from healthtrack.drift.keeping import tracked_from_kept, tracked_to_kept
from healthtrack.drift.others import Neighbour, neighbour, together
from healthtrack.drift.run import follow, follow_many, log_likelihood, resume, resume_many
from healthtrack.drift.segment import Carried, Segment
from healthtrack.drift.smooth import smooth
from healthtrack.drift.state import State, state_from_json, state_to_json
from healthtrack.drift.track import (
    Plan,
    Tracked,
    axis_of,
    foretold,
    track,
    track_on,
    whole_segment,
)
from healthtrack.drift.working import Working

__all__ = [
    "Carried",
    "Contrast",
    "Course",
    "Neighbour",
    "Plan",
    "Segment",
    "State",
    "Tracked",
    "Witness",
    "Working",
    "axis_of",
    "contrast",
    "evidence",
    "finding",
    "follow",
    "follow_many",
    "foretold",
    "log_likelihood",
    "memory_of",
    "neighbour",
    "resume",
    "resume_many",
    "smooth",
    "state_from_json",
    "state_to_json",
    "together",
    "track",
    "track_on",
    "tracked_from_kept",
    "tracked_to_kept",
    "whole_segment",
    "with_sums",
]
