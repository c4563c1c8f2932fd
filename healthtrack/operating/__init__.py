"""Windows, pulls and standstills: where the engine's state can be read off."""

from healthtrack.operating.layout import empty_windows
from healthtrack.operating.operation import find_operation
from healthtrack.operating.pull_figures import PULL_SCHEMA
from healthtrack.operating.standing import cold_soak_differences, soak_words
from healthtrack.operating.windows import find_windows

__all__ = [
    "PULL_SCHEMA",
    "cold_soak_differences",
    "empty_windows",
    "find_operation",
    "find_windows",
    "soak_words",
]
