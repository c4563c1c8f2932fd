"""Windows, pulls and standstills: where the engine's state can be read off."""

from healthtrack.operating.windows import empty_windows, find_windows

__all__ = ["empty_windows", "find_windows"]
